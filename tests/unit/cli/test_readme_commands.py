"""Each command that README and handbook show is one that the program takes, options and all; the README stays short."""

from __future__ import annotations

import re
import shlex
from pathlib import Path
from typing import Any

import pytest
import typer

from pipeline.cli import app

ROOT = Path(__file__).resolve().parents[3]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PAGES = [README, *(path.read_text(encoding="utf-8") for path in sorted((ROOT / "reports" / "handbook").rglob("*.md")))]


def shown() -> list[list[str]]:
    """Return the words of each command in the blocks of the pages, without the program's name."""
    found = []
    for page in PAGES:
        blocks = re.findall(r"^```(?:bash|ini)\n(.*?)^```", page, re.MULTILINE | re.DOTALL)
        found += [words for block in blocks for words in of_block(block)]
    return [list(words) for words in dict.fromkeys(map(tuple, found))]


def of_block(block: str) -> list[list[str]]:
    """Return the words of each command in one block."""
    found = []
    for line in block.replace("\\\n", " ").splitlines():
        plain = re.sub(r"^ExecStart=\S*/(?=annealog )", "", line)
        if "annealog " in plain:
            for part in plain.split("&&"):
                words = shlex.split(part, comments=True)
                if words and words[0].rpartition("/")[2] == "annealog":
                    found.append(words[1:])
    return found


def in_text() -> list[list[str]]:
    """Return the words of each command that stands in a sentence."""
    found = [words for page in PAGES for words in re.findall(r"`annealog\s+([^`]+)`", page)]
    return [list(words) for words in dict.fromkeys(tuple(text.split()) for text in found)]


COMMANDS = shown()


def test_the_commands_are_found() -> None:
    assert len(COMMANDS) > 80
    assert ["demo", "demo"] in COMMANDS
    assert any(words[0] == "watch" and "--serve" in words for words in COMMANDS)


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_the_program_takes_it(words: list[str]) -> None:
    command: Any = typer.main.get_command(app())
    rest = list(words)
    while hasattr(command, "commands") and (rest or not command.invoke_without_command):
        assert rest[0] in command.commands, f"{rest[0]} is no command"
        command, rest = command.commands[rest[0]], rest[1:]
    command.make_context(command.name, rest)  # raises where an option or an argument is not known, or is missing


@pytest.mark.parametrize("words", in_text(), ids=" ".join)
def test_the_program_knows_what_a_sentence_names(words: list[str]) -> None:
    command: Any = typer.main.get_command(app())
    for word in words:
        if not hasattr(command, "commands"):
            return
        if word.startswith("-"):
            assert word in {name for option in command.params for name in option.opts}
            return
        assert word in command.commands
        command = command.commands[word]


def test_the_readme_is_short() -> None:
    assert len(README.splitlines()) < 150
    for link in re.findall(r"\]\(([^)#]+)", README):
        assert (ROOT / link).exists(), link
