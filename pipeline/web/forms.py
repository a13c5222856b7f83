"""A form as it is declared, and how what was typed into it is read."""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from pipeline.errors import UsageError
from pipeline.workspace.moments import moment
from reports.words import web as words

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from pipeline.history.chain import Event
    from pipeline.workspace.settings import Workspace

__all__ = ["WHY", "Field", "Form", "Outcome", "number_of", "read_values", "told_of"]

_LONGEST = 500
_LONGEST_TEXT = 2_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One field of a form.

    Parameters
    ----------
    name
        Key of its label in `reports.words.web.FIELD`.
    kind
        text, choice (one of those offered), known (those offered, or another one), time, first (a day stands for its beginning),
        number, whole or long.
    choices
        What is offered.
    needed
        Whether it must be filled in.
    label, hint
        Where it is asked in words that stand in no table: those of a question about a file.
    """

    name: str
    kind: str = "text"
    choices: Callable[[Workspace], Sequence[str]] | None = None
    needed: bool = False
    label: str = ""
    hint: str = ""

    @property
    def asks(self) -> str:
        """What stands above it."""
        return self.label or words.FIELD[self.name]


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """One decision that can be made in a browser.

    Parameters
    ----------
    name
        Last part of its address, and key of its words.
    roles
        Who may sign it.
    fields
        What is asked beside why.
    of
        Kinds of page that it belongs to, each with the field that the thing of the page fills.
    do
        Called with workspace, values, by, why and dry_run: the function of the command. Returns sentences, or markup.
    more
        What is asked besides, by what was typed so far.
    """

    name: str
    roles: frozenset[str]
    fields: tuple[Field, ...]
    of: Mapping[str, str]
    do: Callable[..., Sequence[str]]
    more: Callable[[Workspace, Mapping[str, str]], Sequence[Field]] = lambda _, __: ()

    def asked(self, workspace: Workspace, sent: Mapping[str, str]) -> tuple[Field, ...]:
        """Return every field, the reason last."""
        return (*self.fields, *self.more(workspace, sent), WHY)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a form: sentences and events."""

    form: str
    told: Sequence[str] = ()
    events: Sequence[Event] = field(default_factory=list)


WHY = Field(name="why", kind="long", needed=True)
"""What every decision asks for."""


def read_values(fields: Iterable[Field], workspace: Workspace, sent: Mapping[str, str]) -> dict[str, Any]:
    """Return the values of the fields of a form.

    Raises
    ------
    UsageError
        If one is missing, or none that can be; one sentence for each.
    """
    values: dict[str, Any] = {}
    wrong = []
    for one in fields:
        try:
            values[one.name] = _read(one, workspace, sent.get(one.name, "").strip())
        except UsageError as error:
            wrong.append(str(error))
    if wrong:
        raise UsageError("\n".join(wrong))
    return values


def _read(one: Field, workspace: Workspace, text: str) -> Any:
    label = one.asks
    most = _LONGEST_TEXT if one.kind == "long" else _LONGEST
    if not text:
        if one.needed:
            raise UsageError(words.TOLD["needed"].format(field=label))
        return None
    if len(text) > most:
        raise UsageError(words.TOLD["long"].format(field=label, most=most))
    if any(unicodedata.category(mark) in ("Cc", "Cs") and mark not in "\n\r\t" for mark in text):
        raise UsageError(words.TOLD["control"].format(field=label))
    if one.kind == "choice" and one.choices is not None and text not in one.choices(workspace):
        raise UsageError(words.TOLD["choice"].format(field=label, value=text))
    if one.kind in ("time", "first"):
        return moment(text, workspace, first=one.kind == "first")
    if one.kind in ("number", "whole"):
        value = number_of(text)
        if value is None or (one.kind == "whole" and not value.is_integer()):
            raise UsageError(words.TOLD["number"].format(field=label, value=text))
        return int(value) if one.kind == "whole" else value
    return text


_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d{1,3})?", re.ASCII)


def number_of(text: str) -> float | None:
    """Return the number that somebody typed, with a point or a comma; None where it is none, such as nan or 5_8.1."""
    value = float(text.replace(",", ".")) if len(text) <= 20 and _NUMBER.fullmatch(text) else math.inf
    return value if math.isfinite(value) else None


def told_of(form: Form, sent: Mapping[str, str]) -> str:
    """Return in words what a form does with what was typed."""
    typed = {one.name: " ".join(sent.get(one.name, "").split()) for one in form.fields}
    return " ".join(words.WILL[form.name].format(**typed).split()).replace(" .", ".").replace(" :", ":")
