"""Each command that the README and the systemd unit in it show is one that the program takes, options and all."""

from __future__ import annotations

import re
import shlex
from pathlib import Path
from typing import Any

import pytest
import typer

from pipeline.cli import app

README = (Path(__file__).resolve().parents[3] / "README.md").read_text(encoding="utf-8")


def shown() -> list[list[str]]:
    """Return the words of each command in the README's blocks, without the program's name."""
    found = []
    for block in re.findall(r"^```(?:bash|ini)\n(.*?)^```", README, re.MULTILINE | re.DOTALL):
        for line in block.replace("\\\n", " ").splitlines():
            plain = re.sub(r"^ExecStart=\S*/(?=annealog )", "", line)
            if "annealog " in plain:
                for part in plain.split("&&"):
                    words = shlex.split(part, comments=True)
                    if words and words[0].rpartition("/")[2] == "annealog":
                        found.append(words[1:])
    return found


COMMANDS = shown()


def test_the_commands_are_found() -> None:
    assert len(COMMANDS) > 40
    assert ["demo", "demo"] in COMMANDS
    assert any(words[0] == "watch" and "--serve" in words for words in COMMANDS)


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_the_program_takes_it(words: list[str]) -> None:
    command: Any = typer.main.get_command(app)
    rest = list(words)
    while hasattr(command, "commands"):
        assert rest[0] in command.commands, f"{rest[0]} is no command"
        command, rest = command.commands[rest[0]], rest[1:]
    command.make_context(command.name, rest)  # raises where an option or an argument is not known, or is missing
