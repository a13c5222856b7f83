"""The nearest of some names: what a person who typed another one meant, offered and never taken."""

from __future__ import annotations

import difflib
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["MOST_SAID", "all_of", "nearest", "nearest_name"]

MOST_SAID = 20
"""So many errors of one file are said; whoever has more has another kind of file in hand."""
_MANY = 2_000
"""Of more names than this only those that begin alike are compared, which is what costs."""


def _spelled(word: str) -> str:
    """Return a name without what people leave out or write otherwise: case, marks, zeros before a number."""
    return re.sub(r"(?<!\d)0+(?=\d)", "", re.sub(r"[\W_]+", "", word.casefold()))


def nearest_name(word: str, words: Iterable[str]) -> str | None:
    """Return the nearest of some names, or None where none is near.

    Parameters
    ----------
    word
        As typed.
    words
        What is known. One that differs in case, marks or leading zeros alone goes before the closest by letters.

    Returns
    -------
    str or None
    """
    known = list(words)
    spelled, folded = _spelled(word), word.casefold()
    alike = [one for one in known if spelled and _spelled(one) == spelled]
    if not alike:
        if len(known) > _MANY:
            known = [one for one in known if _spelled(one)[:2] == spelled[:2]][:_MANY]
        alike = difflib.get_close_matches(word, known, n=1, cutoff=0.6)
    # of several the closest, and of equally close ones the first
    return max(alike, key=lambda one: difflib.SequenceMatcher(None, folded, one.casefold()).ratio(), default=None)


def nearest(word: str, words: Iterable[str]) -> str:
    """Return ``"; did you mean 'x'?"`` for the nearest of some names, or nothing."""
    name = nearest_name(word, words)
    return "" if name is None else f"; did you mean '{name}'?"


def all_of(problems: list[str], where: str) -> str:
    """Return all that is wrong with a file as one text, a line each, at most :data:`MOST_SAID`."""
    more = [f"{where}: and {len(problems) - MOST_SAID} more"] if len(problems) > MOST_SAID else []
    return "\n".join(problems[:MOST_SAID] + more)
