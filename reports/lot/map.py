"""A map of the spots of a lot: one column a part, one row a spot, or the places on the part where spots are named by them."""

from __future__ import annotations

import re
from math import sqrt
from statistics import median
from typing import TYPE_CHECKING

from reports.kit.chart_words import ROOM, UNNAMED, percent, written
from reports.kit.charts import framed
from reports.kit.geometry import clipped, evenly
from reports.kit.markup import Html, element
from reports.kit.numbers import decimals_for, finite, fixed
from reports.kit.plot import Plot
from reports.words import lot_detail as words

if TYPE_CHECKING:
    import polars as pl

    from schemas.results import LotResult

__all__ = ["Map", "places_of", "positions_map", "spot_map"]

MOST_PARTS, MOST_SPOTS, MOST_PLACES = 40, 16, 60
_HEIGHT = 26
_FEWEST = 10
"""Columns of which a map is made at least, so that a few parts make no broad cells."""
_FAR, _STEPS = 3.0, ((1.0, 0.0), (2.0, 0.15), (3.0, 0.32))
_MOST_OPAQUE = 0.5

Map = tuple[Html, int, int]
"""The drawing, how many parts are drawn, and how many there are."""


def _natural(name: str) -> list[tuple[int, float | str]]:
    """Return a key by which 2 stands before 10."""
    return [(0, float(piece)) if piece.isdigit() else (1, piece) for piece in re.findall(r"\d+|\D+", name)]


def _shade(deviation: float, scale: float | None) -> tuple[str, float, str]:
    """Return colour, opacity and mark of a difference."""
    times = abs(deviation) / scale if scale else 0.0
    opacity = next((value for limit, value in _STEPS if times <= limit), _MOST_OPAQUE)
    mark = ("▼" if deviation < 0 else "▲") if times > _FAR else ""
    return ("flag" if deviation < 0 else "point"), opacity, mark


def _scale(result: LotResult, spots: pl.DataFrame) -> float | None:
    """Return the standard deviation of the difference of two spot means, as repeatability gives it."""
    repeatability = finite(result.repeatability)
    if not repeatability or not spots.height:
        return None
    repeats = float(spots["readings"].median() or 1.0)  # type: ignore[arg-type]
    return repeatability * sqrt(2.0 / repeats)


def _differences(spots: pl.DataFrame) -> dict[str, dict[str, float]]:
    """Return the difference of each named spot from the middle one of its part, so that a soft spot stands alone; parts in order."""
    found: dict[str, dict[str, float]] = {}
    of_parts: dict[str | None, dict[str, float]] = {}
    columns = (spots[name].to_list() for name in ("part_order", "part", "spot", "mean"))
    ordered = sorted(zip(*columns, strict=True), key=lambda row: [(cell is None, cell) for cell in row])
    for _, part, spot, mean in ordered:
        known = of_parts.setdefault(part, {})
        if spot is not None:
            known[str(spot)] = mean
    for part, known in of_parts.items():
        if len(known) > 1:
            centre = median(known.values())
            found["" if part is None else str(part)] = {spot: mean - centre for spot, mean in known.items()}
    return found


def spot_map(result: LotResult, spots: pl.DataFrame, label: str) -> Map | None:
    """Draw the spots of every part as differences from the median of the part.

    Parameters
    ----------
    result
        The lot, for repeatability.
    spots
        Spot values of the page: part, part_order, spot, readings, mean.
    label
        What a reader who cannot see the map must know.

    Returns
    -------
    (Html, int, int) or None
        None where no part has two named spots, or there are more spots than rows to draw.
    """
    differences = _differences(spots)
    names = sorted({spot for of_part in differences.values() for spot in of_part}, key=_natural)
    if not differences or len(names) > MOST_SPOTS:
        return None
    scale = _scale(result, spots)
    marked = [any(_shade(d, scale)[2] for d in of_part.values()) for of_part in differences.values()]
    parts = list(differences)
    shown = [parts[place] for place in evenly(marked, MOST_PARTS)]
    columns = max(len(shown), _FEWEST)
    widest = max(abs(d) for of_part in differences.values() for d in of_part.values())
    decimals = decimals_for(widest or None)
    sizes = "".join(name for name, room in ROOM.items() if (room + UNNAMED) / columns >= 7.2 * (decimals + 3.5))
    cells: list[Html] = []
    for row, spot in enumerate(names):
        for column, part in enumerate(shown):
            difference = differences[part].get(spot)
            if difference is None:
                continue
            colour, opacity, mark = _shade(difference, scale)
            cells.append(_cell(percent(column / columns), row * _HEIGHT, percent(1 / columns), colour, opacity))
            middle, y = percent((column + 0.5) / columns), row * _HEIGHT + 17
            if sizes:
                written = fixed(difference, decimals, sign=True)
                cells.append(_text(middle, y, f"{mark}{written}", sizes))
            sign = mark or (fixed(difference, decimals, sign=True)[:1] if opacity else "")
            if sign and sizes != "".join(ROOM):
                cells.append(_text(middle, y, sign, "".join(name for name in ROOM if name not in sizes)))
    plot = Plot(
        (0.0, columns), (len(names), 0.0), words.FIGURE["part"], words.FIGURE["spot"], height=len(names) * _HEIGHT
    )
    plot.names_below = [(column + 0.5, clipped(part, 12)) for column, part in enumerate(shown)]
    beside = [(row + 0.5, clipped(spot, 8)) for row, spot in enumerate(names)]
    return _whole(cells, plot, beside, label), len(shown), len(parts)


_PLACE = re.compile(r"\D*?(-?\d+(?:[.]\d+)?)\s*(?:mm|cm)?\s*[^\d.\-]+?\s*(-?\d+(?:[.]\d+)?)\s*(?:mm|cm)?\D*")


def places_of(names: list[str]) -> dict[str, tuple[float, float]] | None:
    """Return the two numbers that each spot's name holds (x12 y30, 12/30, 12;30), or None where one name holds no two.

    A name with one number, or a range of places that has no width at all, is no place.
    """
    found = {}
    for name in names:
        match = _PLACE.fullmatch(name)
        if match is None:
            return None
        found[name] = (float(match[1]), float(match[2]))
    different = len(set(found.values())) == len(found)
    return found if len(found) > 1 and different else None


def positions_map(result: LotResult, spots: pl.DataFrame, label: str) -> Html | None:
    """Draw the mean difference of each spot over all parts at its place, where all names of spots are places."""
    differences = _differences(spots)
    names = sorted({spot for of_part in differences.values() for spot in of_part}, key=_natural)
    places = places_of(names) if len(names) <= MOST_PLACES else None
    if places is None:
        return None
    means = {}
    counts = {}
    for name in names:
        values = [of_part[name] for of_part in differences.values() if name in of_part]
        means[name], counts[name] = sum(values) / len(values), len(values)
    scale = _scale(result, spots)
    decimals = decimals_for(max(abs(mean) for mean in means.values()) or None)
    low = [min(place[i] for place in places.values()) for i in (0, 1)]
    span = [max(place[i] for place in places.values()) - low[i] for i in (0, 1)]
    # one scale for both directions, so that the part keeps its shape where there is room for it
    room = ROOM["l"] + UNNAMED - 90.0
    unit = min((size / extent for size, extent in ((room, span[0]), (230.0, span[1])) if extent > 0), default=1.0)
    drawn: list[Html] = []
    for name, (x, y) in places.items():
        left = percent((45 + (x - low[0]) * unit) / (room + 90.0))
        top = 14 + (span[1] - (y - low[1])) * unit
        times = sqrt(counts[name])
        colour, opacity, mark = _shade(means[name], scale / times if scale else None)
        cell = element("svg", _cell("-27", -13, "54", colour, opacity), x=left, y=f"{top:.1f}")
        drawn += [cell, _text(left, top + 4, f"{mark}{fixed(means[name], decimals, sign=True)}", "".join(ROOM))]
    plot = Plot((0.0, 1.0), (0.0, 1.0), "", "", y_axis=False, height=round(28 + span[1] * unit))
    return _whole(drawn, plot, [], label)


def _cell(x: str, y: float, width: str, colour: str, opacity: float) -> Html:
    return element(
        "rect", x=x, y=f"{y:g}", width=width, height=_HEIGHT, fill=f"var(--{colour})", fill_opacity=f"{opacity:g}",
        stroke="var(--rule)", stroke_width="1",
    )  # fmt: skip


def _text(x: str, y: float, name: str, sizes: str) -> Html:
    kind = None if sizes == "".join(ROOM) else sizes
    return element("text", name, x=x, y=f"{y:g}", class_=kind, fill="var(--ink)", text_anchor="middle")


def _whole(cells: list[Html], plot: Plot, beside: list[tuple[float, str]], label: str) -> Html:
    names, room = written(plot, [], beside)
    picture = element("svg", *cells, names, role="img", aria_label=label, height=plot.height, class_=room or None)
    return framed(plot, picture)
