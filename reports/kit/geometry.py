"""Where marks go: domains that show all values, thinning that keeps what matters, labels that do not cover one another."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from reports.kit.markup import visible
from reports.kit.numbers import fixed

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = [
    "apart",
    "clipped",
    "domain",
    "evenly",
    "first_names",
    "number_ticks",
    "stacked",
]


def domain(values: Sequence[float], *, margin: float = 0.06) -> tuple[float, float]:
    """Return what an axis must span to show all values with a margin; never nothing, never forced to zero."""
    low, high = min(values), max(values)
    span = high - low
    if span <= 0 or span < 1e-9 * max(abs(low), abs(high)):
        span = abs(high) * 0.01 or 1.0
        return low - span, high + span
    return low - margin * span, high + margin * span


def evenly(flagged: Sequence[bool], most: int) -> list[int]:
    """Return the indices to draw: all, or every flagged one and so many others, spread evenly, as make up `most`.

    Parameters
    ----------
    flagged
        Whether each point must be kept.
    most
        How many to keep; more only where more are flagged.

    Returns
    -------
    list of int
        Ascending.
    """
    if len(flagged) <= most:
        return list(range(len(flagged)))
    others = [index for index, keep in enumerate(flagged) if not keep]
    room = max(most - (len(flagged) - len(others)), 0)
    picked = {others[round(i * (len(others) - 1) / max(room - 1, 1))] for i in range(room)}
    return [index for index, keep in enumerate(flagged) if keep or index in picked]


def apart(places: Sequence[float], gap: float) -> list[float]:
    """Return ascending places moved as little as needed to stand `gap` apart."""
    moved = list(places)
    for _ in range(60):
        settled = True
        for i in range(len(moved) - 1):
            short = gap - (moved[i + 1] - moved[i])
            if short > 0.1:
                moved[i] -= short / 2
                moved[i + 1] += short / 2
                settled = False
        if settled:
            break
    return moved


def stacked(names: Sequence[tuple[float, float, str, str]], gap: float) -> list[tuple[float, float, str, str]]:
    """Raise names that would cover one another.

    Parameters
    ----------
    names
        Place of the middle in pixels, name, colour.
    gap
        Height of a line.

    Returns
    -------
    list of tuple
        The names from left to right, each at its height or so many lines above it as are free.
    """
    placed: list[tuple[float, float, str, str]] = []
    for x, y, name, colour in sorted(names):
        taken = [other for other in placed if abs(other[0] - x) < 3.6 * (len(name) + len(other[2])) + 4]
        for lines in range(12):
            height = y - lines * gap
            if all(abs(other[1] - height) >= gap * 0.95 for other in taken):
                break
        placed.append((x, max(height, gap), name, colour))
    return placed


def number_ticks(low: float, high: float, most: int, *, whole: bool = False) -> list[tuple[float, str]]:
    """Return round numbers for the ticks of an axis with their words: steps of 1, 2 or 5 times a power of ten.

    Parameters
    ----------
    low, high
        Ends of the axis.
    most
        How many ticks have room.
    whole
        Whether the axis counts, so that a step below 1 names nothing.

    Returns
    -------
    list of (float, str)
        Ascending; written with as many decimals as the step has.
    """
    exponent = math.floor(math.log10((high - low) / most))
    if whole:
        exponent = max(exponent, 0)
    for factor in (1, 2, 5, 10):
        step = factor * 10.0**exponent
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
        if last - first < most:
            break
    decimals = max(-exponent - (factor == 10), 0)
    return [(round(place * step, decimals), fixed(place * step, decimals)) for place in range(first, last + 1)]


def clipped(name: str, length: int) -> str:
    """Cut a name for a chart; the table of its points holds it in full."""
    name = visible(name)
    return name if len(name) <= length else f"{name[: length - 1]}…"


QUIET = 3
"""So many points in a row without a signal end a stretch of signals."""


def first_names(signals: Sequence[str]) -> dict[int, str]:
    """Return which rules to name at which point: each rule where it first appears in a stretch of signals.

    Parameters
    ----------
    signals
        Rules of each point in order, their names separated by spaces.

    Returns
    -------
    dict
        Index -> the names to write there.
    """
    named: dict[int, str] = {}
    seen: set[str] = set()
    quiet = 0
    for place, text in enumerate(signals):
        if not text:
            quiet += 1
            if quiet == QUIET:
                seen = set()
            continue
        rules = text.split()
        quiet = 0
        new = [rule for rule in rules if rule not in seen]
        if new:
            named[place] = " ".join(new)
            seen |= set(new)
    return named
