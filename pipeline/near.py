"""The nearest of some names: what a person who typed another one meant, offered and never taken."""

from __future__ import annotations

import difflib
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["MOST_SAID", "all_of", "misspelt", "nearest", "nearest_name", "spelled"]

MOST_SAID = 20
"""So many errors of one file are said; whoever has more has another kind of file in hand."""
_ALIKE = 0.8
"""Likeness from which on an unknown name is told unasked."""
_MANY = 2_000
"""Of more names than this only those that begin alike are compared, which is what costs."""


def spelled(word: str) -> str:
    """Return a name without what people leave out or write otherwise: case, marks, zeros before a number."""
    return re.sub(r"(?<!\d)0+(?=\d)", "", re.sub(r"[\W_]+", "", word.casefold()))


def nearest_name(word: str, words: Iterable[str], *, cutoff: float = 0.6) -> str | None:
    """Return the nearest of some names, or None where none is near.

    Parameters
    ----------
    word
        As typed.
    words
        What is known. One that differs in case, marks or leading zeros alone goes before the closest by letters.
    cutoff
        Least likeness of letters, from 0 to 1.

    Returns
    -------
    str or None
    """
    known = list(words)
    plain, folded = spelled(word), word.casefold()
    alike = [one for one in known if plain and spelled(one) == plain]
    if not alike:
        if len(known) > _MANY:
            known = [one for one in known if spelled(one)[:2] == plain[:2]][:_MANY]
        alike = difflib.get_close_matches(word, known, n=1, cutoff=cutoff)
    # of several the closest, and of equally close ones the first
    return max(alike, key=lambda one: difflib.SequenceMatcher(None, folded, one.casefold()).ratio(), default=None)


def nearest(word: str, words: Iterable[str]) -> str:
    """Return ``"; did you mean 'x'?"`` for the nearest of some names, or nothing."""
    name = nearest_name(word, words)
    return "" if name is None else f"; did you mean '{name}'?"


def misspelt(names: Iterable[str], known: Iterable[str]) -> dict[str, str]:
    """Return the known name for each of some unknown ones that is written like it, numbers alike.

    Parameters
    ----------
    names
        Any, known or not.
    known
        What is registered. L-0072 is another lot than L-0071, not a misspelt one; l-72 is L-0072.

    Returns
    -------
    dict
        In the order of the names.
    """
    registered = set(known)
    if not (strange := set(names) - registered):
        return {}
    alike: dict[tuple[int, ...], list[str]] = {}
    for one in sorted(registered):
        alike.setdefault(_numbers(one), []).append(one)
    unknown = sorted(name for name in strange if _numbers(name) in alike)[:_MANY]
    near = ((name, nearest_name(name, alike[_numbers(name)], cutoff=_ALIKE)) for name in unknown)
    return {name: one for name, one in near if one is not None}


def _numbers(name: str) -> tuple[int, ...]:
    return tuple(int(digits) for digits in re.findall(r"[0-9]+", name))


def all_of(problems: list[str], where: str) -> str:
    """Return all that is wrong with a file as one text, a line each, at most :data:`MOST_SAID`."""
    more = [f"{where}: and {len(problems) - MOST_SAID} more"] if len(problems) > MOST_SAID else []
    return "\n".join(problems[:MOST_SAID] + more)
