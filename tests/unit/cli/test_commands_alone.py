"""A command is put together alone, and is the one that stands among all."""

from __future__ import annotations

from typing import Any

import pytest
import typer
from typer.main import get_command, get_command_name

from pipeline import cli

WHOLE: Any = get_command(cli.app())


def words_of(name: str) -> list[str]:
    """Return what a module holds."""
    app = typer.Typer()
    cli._module(name).add_to(app)
    commands = [one.name or get_command_name(one.callback.__name__) for one in app.registered_commands if one.callback]
    return sorted([*commands, *(str(one.name) for one in app.registered_groups)])


@pytest.mark.parametrize("name", cli.COMMANDS)
def test_a_module_holds_what_is_said_of_it(name: str) -> None:
    assert sorted(cli.COMMANDS[name]) == words_of(name)


def test_there_is_no_other_command() -> None:
    assert sorted(WHOLE.commands) == sorted(word for held in cli.COMMANDS.values() for word in held)


@pytest.mark.parametrize("word", WHOLE.commands)
def test_a_command_alone_says_of_itself_what_it_says_among_all(word: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert list(cli._command(word).commands) == [word]
    told = []
    for command in (cli._command(word), WHOLE):
        for words in ([word, "--help"], [word, "--no-such-option"]):
            try:
                command(words, prog_name="annealog", standalone_mode=False)
            except cli._UsageProblem as error:
                error.show()
        said = capsys.readouterr()
        told.append(said.out + said.err)
    assert told[0] == told[1]
    assert word in told[0]


def test_a_word_that_is_none_is_told_by_all(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["stauts"]) == 2
    assert "status" in capsys.readouterr().err
