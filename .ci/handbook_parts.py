"""What the pages of the handbook that follow from the code are made of."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

TOP = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(TOP))

import typer  # noqa: E402

from pipeline.cli import app  # noqa: E402

MADE = "Written from the declarations in the code by `.ci/handbook_text.py`; edit those, not this page."


def cell(value: object) -> str:
    """Return text for a cell of a table."""
    return str(value).replace("|", "\\|").replace("\n", " ")


def table(head: list[str], rows: list[list[object]]) -> str:
    """Return a table."""
    lines = [head, ["---"] * len(head), *([cell(one) for one in row] for row in rows)]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def code(value: object) -> str:
    """Return a word as code."""
    return f"`{value}`"


def every_command(command: Any = None, words: tuple[str, ...] = ("annealog",)) -> list[tuple[str, Any]]:
    """Return each command by the words that call it."""
    command = command or typer.main.get_command(app())
    if not hasattr(command, "commands"):
        return [(" ".join(words), command)]
    found = [(" ".join(words), command)] if command.invoke_without_command else []
    return found + [one for name, part in command.commands.items() for one in every_command(part, (*words, name))]
