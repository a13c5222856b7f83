"""The words of a chart: ticks, names of lines and marks. Which have room is settled for three widths, and the style sheet shows those.

A word stands at a percent of the width of the plot and keeps its size, so what covers what depends on the width alone.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from reports.kit.geometry import apart, stacked
from reports.kit.markup import Html, element, join

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.kit.plot import Plot

__all__ = ["ROOM", "UNNAMED", "percent", "written"]

ROOM = {"l": 600.0, "m": 350.0, "s": 180.0}
"""Least width of the plot in pixels on a wide screen, on a narrow one or paper, and on a phone, beside names at its right end."""
UNNAMED = 100.0
"""So much more there is where no line is named at its end."""
_GAP, _LETTER = 15.0, 6.6
"""Pixels between the middles of two words one above the other, and of a letter."""
_MOST_ROWS = 2
"""Rows of rules below the axis, and rows in which places are named; what finds no room stands in the table only."""
_ABOVE = 90.0
"""Most room above the plot for names."""

Ticks = list[tuple[float, str]]


class _Word(NamedTuple):
    """One word: its group, percent and pixels across, pixels down, what, colour, the end that stands there, whether lines may touch it."""

    group: str
    percent: str
    beside: float
    y: str
    name: str
    colour: str
    anchor: str = "middle"
    plain: bool = False


def written(plot: Plot, x_ticks: Ticks, y_ticks: Ticks) -> tuple[Html, str]:
    """Return the words of a chart, and the classes that keep room for them.

    Parameters
    ----------
    plot
        The chart.
    x_ticks, y_ticks
        Places on the axes with their words.

    Returns
    -------
    (Html, str)
        Four groups, which a script moves each in its own way: ticks, below, inside, right.
    """
    widths = {name: room + (0 if plot.names_right else UNNAMED) for name, room in ROOM.items()}
    found: dict[_Word, str] = {}
    above = below = 0
    for name, width in widths.items():
        placed, over, under = _placed(plot, x_ticks, y_ticks, width)
        above, below = max(above, over), max(below, under)
        for word in placed:
            found[word] = found.get(word, "") + name
    groups = [
        element(
            "g",
            *(_drawn(word, sizes) for word, sizes in found.items() if word.group == group),
            class_=group,
            fill="var(--ink)",
            text_anchor="middle",
        )
        for group in ("ticks", "below", "inside", "right")
    ]
    room = [
        "" if plot.names_right else "nr",
        "" if plot.y_axis else "nl",
        f"t{above}" if above else "",
        f"b{below}" if below else "",
    ]
    return join(groups), " ".join(filter(None, room))


def _drawn(word: _Word, sizes: str) -> Html:
    halo = word.group == "inside" and not word.plain
    kind = " ".join(filter(None, ["halo" if halo else "", "" if sizes == "".join(ROOM) else sizes]))
    return element(
        "text", word.name, x=word.percent, dx=f"{word.beside:g}" if word.beside else None, y=word.y,
        fill=None if word.colour == "ink" else f"var(--{word.colour})", text_anchor=None if word.anchor == "middle" else word.anchor,
        class_=kind or None,
    )  # fmt: skip


def _placed(plot: Plot, x_ticks: Ticks, y_ticks: Ticks, width: float) -> tuple[list[_Word], int, int]:
    """Return the words that have room in a plot of so many pixels, and how many rows stand above it and below the first row of its axis."""
    x_low, x_high = plot.x_domain
    y_low, y_high = plot.y_domain

    def across(x: float) -> float:
        return (x - x_low) / (x_high - x_low) * width

    def down(y: float) -> float:
        return (y_high - y) / (y_high - y_low) * plot.height

    bottom = plot.height + 18.0
    found = [
        _Word("ticks", percent(across(x) / width), 0, _short(bottom), name, "ink") for x, name in _every(x_ticks, width)
    ]
    found += [_Word("ticks", "0%", -8, _short(down(y) + 4), name, "ink", "end") for y, name in y_ticks]
    below, rows = _below(plot.names_below, width)
    found += [
        _Word("below", percent(across(x) / width), 0, _short(bottom + _GAP * row), name, "ink")
        for x, name, row in below
    ]
    rules = _rows([(across(x), name, colour) for x, name, colour in plot.names_row], width)
    first = bottom + 2 + _GAP * (rows + 1)
    found += [
        _Word("below", percent(middle / width), 0, _short(first + _GAP * row), name, colour)
        for row, words in enumerate(rules)
        for middle, name, colour in words
    ]
    found += [
        _Word("inside", percent(across(x) / width), 0, _short(down(y)), name, colour, "start", plain=True)
        for x, y, name, colour in plot.notes
    ]
    above = [(across(x), down(y) - 9 + _ABOVE, name, colour) for x, y, name, colour in plot.names]
    highest = 0.0
    for px, y, name, colour in stacked(above, _GAP):
        half = _LETTER / 2 * len(name)
        word = _Word("inside", percent(px / width), 0, _short(y - _ABOVE), name, colour)
        if px + half > width + (UNNAMED if plot.names_right else 12):
            word = word._replace(percent="100%", beside=12, anchor="end")
        elif px - half < (-50 if plot.y_axis else -6):
            word = word._replace(percent="0%", beside=-50 if plot.y_axis else -6, anchor="start")
        found.append(word)
        highest = min(highest, y - _ABOVE)
    right = sorted((down(y), name, colour) for y, name, colour in plot.names_right)
    levels = apart([y for y, *_ in right], _GAP)
    found += [
        _Word("right", "100%", 8, _short(y + 4), name, colour, "start")
        for y, (_, name, colour) in zip(levels, right, strict=True)
    ]
    return found, math.ceil((_LETTER * 2 - highest) / _GAP) if plot.names else 0, rows + len(rules)


def _every(ticks: Ticks, width: float) -> Ticks:
    """Return as many ticks as have room, evenly."""
    longest = max((len(name) for _, name in ticks), default=0)
    step = -(-len(ticks) * (longest * _LETTER + 10) // width) or 1
    return ticks[:: int(step)]


def _below(names: Sequence[tuple[float, str]], width: float) -> tuple[list[tuple[float, str, int]], int]:
    """Return the names of places with their row, and how many rows there are beyond the first.

    A few stand in rows where they have no room beside one another; of many every second, third and so on is named, the last one always.
    """
    needed = sum(len(name) * _LETTER + 8 for _, name in names)
    rows = int(-(-needed // width)) or 1
    if rows <= _MOST_ROWS + 1 and len(names) <= 8:
        return [(x, name, place % rows) for place, (x, name) in enumerate(names)], rows - 1
    return [(x, name, 0) for place, (x, name) in enumerate(names) if (len(names) - 1 - place) % rows == 0], 0


def _rows(names: Sequence[tuple[float, str, str]], width: float) -> list[list[tuple[float, str, str]]]:
    """Return names (middle in pixels, word, colour) by row, each where it covers no other."""
    rows: list[list[tuple[float, str, str]]] = []
    ends: list[float] = []
    for x, name, colour in sorted(names):
        half = _LETTER / 2 * len(name) + 4
        middle = min(max(x, half - 44), width + UNNAMED - half)
        place = next((i for i, end in enumerate(ends) if middle - half >= end), len(ends))
        if place == _MOST_ROWS:
            continue
        if place == len(ends):
            ends.append(0.0)
            rows.append([])
        ends[place] = middle + half
        rows[place].append((middle, name, colour))
    return rows


def percent(share: float) -> str:
    """Return a share of the width as an attribute."""
    return f"{100 * share:.2f}".rstrip("0").rstrip(".") + "%"


def _short(place: float) -> str:
    """Return a place in tenths of a pixel."""
    return f"{place:.1f}".removesuffix(".0")
