"""The marks of all charts: one shape for one meaning on every page, drawn once a page and referred to by its meaning.

A chart names what a mark means, never how it looks; what is not declared here cannot be drawn. Shapes tell meanings apart without
colour: no two have the same outline and filling.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from reports.kit.markup import Html, element

__all__ = ["GROUPS", "MARKS", "Mark", "defined", "mark_id", "marks_in"]


@dataclass(frozen=True, kw_only=True)
class Mark:
    """How a meaning is drawn.

    Parameters
    ----------
    path
        Around its own origin, in pixels.
    colour
        Of the palette.
    filled
        Else it is filled with paper, so that lines do not cross it.
    """

    path: str
    colour: str
    filled: bool = False


_CIRCLE = "M-3.4,0a3.4,3.4,0,1,0,6.8,0a3.4,3.4,0,1,0,-6.8,0z"
_DIAMOND = "M0,-5L5,0L0,5L-5,0z"

MARKS = {
    "plain": Mark(path=_CIRCLE, colour="point"),
    "warning": Mark(path="M-4.6,3.7H4.6L0,-4.6z", colour="tolerance", filled=True),
    "signal": Mark(path=_DIAMOND, colour="flag"),
    "out": Mark(path=_DIAMOND, colour="flag", filled=True),
    "own": Mark(path="M-3.7,-3.7H3.7V3.7H-3.7z", colour="point", filled=True),
    "unjudged": Mark(path=f"{_CIRCLE}M-3.4,0H3.4", colour="inner"),
    "ahead": Mark(path="M-3.6,-4.6V4.6L4.6,0z", colour="flag"),
    "first": Mark(path="M-4.4,0H4.4M0,-4.4V4.4", colour="point"),
    "second": Mark(path="M-3.5,-3.5L3.5,3.5M3.5,-3.5L-3.5,3.5", colour="limit"),
    "third": Mark(path="M0,-4.4V4.4M-3.8,-2.2L3.8,2.2M-3.8,2.2L3.8,-2.2", colour="tolerance"),
    "fourth": Mark(path="M0,4.4V0L-3.8,-3.6M0,0L3.8,-3.6", colour="spot"),
}
"""Within its limits, without a signal; undecided, or a warning; a signal of a rule or drift chart; beyond a limit or the tolerance, failed,
rejected; what the page is about; not judged; what is expected to come; one of several meters, people or devices."""

GROUPS = ("first", "second", "third", "fourth")
"""Marks that tell several meters, people or devices apart; more cannot be told apart."""

_USED = re.compile(r'href="#mark-([a-z]+)(-big)?"')


def mark_id(meaning: str, *, big: bool = False) -> str:
    """Return by which name a mark is drawn.

    Raises
    ------
    KeyError
        If no mark has this meaning.
    """
    if meaning not in MARKS:
        raise KeyError(meaning)
    return f"mark-{meaning}{'-big' if big else ''}"


def defined(meaning: str, *, big: bool = False) -> Html:
    """Return the shape of a mark, for the charts of the page to refer to."""
    mark = MARKS[meaning]
    return element(
        "path", id=mark_id(meaning, big=big), d=mark.path, fill=f"var(--{mark.colour if mark.filled else 'paper'})",
        stroke=f"var(--{mark.colour})", stroke_width="0.8" if big else "1.5", transform="scale(2)" if big else None,
    )  # fmt: skip


def marks_in(sheet: str) -> list[Html]:
    """Return the shapes that the charts of a page refer to."""
    return [defined(meaning, big=bool(big)) for meaning, big in sorted(set(_USED.findall(sheet)))]
