"""The three charts of a lot: spots inside parts, spread against the limits, runs of checks around the readings."""

from __future__ import annotations

import math
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from pipeline.metrology.units import convert
from reports.kit.charts import WIDTH, Plot
from reports.kit.geometry import clipped, domain, evenly
from reports.kit.numbers import as_written, finite, fixed
from reports.kit.times import time_axis
from reports.words import general as words
from reports.words.uncertainty import CONFORMITY

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    import polars as pl

    from reports.kit.numbers import Clock
    from schemas.lot_detail import EarlierLot
    from schemas.results import LotResult

__all__ = ["MOST_MARKS", "MOST_PARTS", "earlier_plot", "parts_plot", "spread_plot", "timeline_plot"]

MOST_PARTS, MOST_WITH_SPOTS, MOST_MARKS, MOST_ROWS, MOST_BRACKETS = 120, 40, 400, 8, 40

_MEANING = {"out": "out", "undecided": "warning"}


def _value_axis(result: LotResult, unit: str) -> str:
    key = "resistivity_axis" if "Ohm" in result.unit else "value_axis"
    return words.FIGURE_OF[key].format(reference=f"{result.reference_temperature_c:g}", unit=unit)


def _limits(result: LotResult) -> list[tuple[str, float]]:
    """Return the limits in the unit of the page."""
    pairs = (("lower", finite(result.lower)), ("upper", finite(result.upper)))
    return [(name, value) for name, value in pairs if value is not None]


def _guards(result: LotResult) -> list[tuple[float, float]]:
    """Return each limit and the edge of acceptance beside it, in the unit of the page; none without a guard band."""
    found = result.conformity
    if found is None or not finite(found.guard_band):
        return []
    pairs = (
        (result.lower_as_written, found.acceptance_lower),
        (result.upper_as_written, found.acceptance_upper),
    )
    return [
        (convert(limit, found.unit, result.unit), convert(edge, found.unit, result.unit))
        for limit, edge in pairs
        if limit is not None and edge is not None and edge > 0
    ]


def _thinned(shown: int, total: int, what: str) -> str:
    if shown == total:
        return ""
    return words.FIGURE["thinned"].format(shown=shown, total=total, what=words.PLURAL[what])


def parts_plot(
    result: LotResult, parts: pl.DataFrame, spots: pl.DataFrame, *, unit: str, decimals: int
) -> tuple[Plot, str] | None:
    """Draw part means in order, each with its spots.

    Parameters
    ----------
    result
        The lot, for limits and mean.
    parts, spots
        Frames of the page, sorted by order, part (and spot).
    unit
        As printed.
    decimals
        Of the mean.

    Returns
    -------
    (Plot, str) or None
        The plot and a sentence on thinning, or None where no part has a value.
    """
    by_part: dict[Any, list[dict[str, Any]]] = {}
    for number, row in enumerate(spots.iter_rows(named=True) if spots.height else ()):
        if finite(row["mean"]) is not None:
            by_part.setdefault(row["part"], []).append({**row, "number": number})
    rows = [row for row in (parts.iter_rows(named=True) if parts.height else ()) if finite(row["mean"]) is not None]
    if not rows:
        return None
    flagged = [any(spot["within"] in ("out", "undecided") for spot in by_part.get(row["part"], ())) for row in rows]
    chosen = [rows[place] for place in evenly(flagged, MOST_PARTS)]
    drawn = [
        (place, index, len(by_part.get(row["part"], ())), spot)
        for place, row in enumerate(chosen, start=1)
        for index, spot in enumerate(by_part.get(row["part"], ()))
    ]
    if len(chosen) > MOST_WITH_SPOTS:
        drawn = [mark for mark in drawn if mark[3]["within"] in ("out", "undecided")]
    total = len(drawn)
    drawn = [drawn[i] for i in evenly([spot["within"] in ("out", "undecided") for *_, spot in drawn], MOST_MARKS)]
    values = [row["mean"] for row in chosen] + [spot["mean"] for row in chosen for spot in by_part.get(row["part"], ())]
    near, far = _near_and_far(_limits(result), values)
    low, high = domain(values + [value for _, value in near])
    plot = Plot(
        (0.4, len(chosen) + 0.6),
        (low, high),
        words.FIGURE_OF["part_axis"],
        _value_axis(result, unit),
        x_axis=False,
        height=136,
        y_decimals=decimals,
    )
    mean = finite(result.mean)
    if mean is not None and low < mean < high:
        label = words.FIGURE_OF["mean"].format(value=fixed(mean, decimals))
        plot.across(mean, "inner", label, width=1)
    for limit, edge in _guards(result):
        if low < limit < high and low < edge < high:
            plot.rect(*plot.x_domain, min(limit, edge), max(limit, edge), "grid")
            plot.across(edge, "tolerance", CONFORMITY["guard_name"], dash="dashdot", width=1.2)
    for name, value in near:
        plot.across(value, "limit", words.FIGURE_OF[name].format(value=_limit(result, name)), dash="long", width=1.6)
    for name, _ in far:
        arrow = "↑" if name == "upper" else "↓"
        label = f"{arrow} {words.FIGURE_OF[name].format(value=_limit(result, name))}"
        plot.names_right.append((high if name == "upper" else low, label, "limit"))
    crowded = len(chosen) > MOST_WITH_SPOTS
    for place, row in enumerate(chosen, start=1):
        if crowded and (means := [spot["mean"] for spot in by_part.get(row["part"], ())]):
            plot.segment(place, place, min(means), max(means), "spot", width=1.5)
        plot.segment(place - 0.34, place + 0.34, row["mean"], row["mean"], "point", width=3)
    for place, index, count, spot in drawn:
        offset = (index - (count - 1) / 2) * min(0.2, 0.64 / count)
        meaning = _MEANING.get(spot["within"], "plain")
        plot.point(place + offset, spot["mean"], meaning, said=_named(spot), key=f"{spot['number']}")
    names = [clipped(str(row["part"]) if row["part"] is not None else "–", 12) for row in chosen]
    step = max(1, math.ceil(max(map(len, names)) * 7.2 * len(names) / WIDTH))
    plot.names_below = [(place, name) for place, name in enumerate(names, start=1) if (place - 1) % step == 0]
    notes = [
        words.FIGURE["crowded"] if crowded else "",
        _thinned(len(chosen), len(rows), "part"),
        _thinned(len(drawn), total, "spot"),
    ]
    return plot, " ".join(note for note in notes if note)


def _named(spot: dict[str, Any]) -> str:
    """Return what a mark stands for: part and spot."""
    unknown = words.FRAGMENT["not_stated"]
    part, place = (unknown if spot[name] is None else clipped(str(spot[name]), 24) for name in ("part", "spot"))
    return words.FIGURE_OF["spot_of_part"].format(part=part, spot=place)


def _limit(result: LotResult, name: str) -> str:
    return as_written(float(f"{result.lower if name == 'lower' else result.upper:.6g}"))


def _near_and_far(
    limits: Sequence[tuple[str, float]], values: Sequence[float]
) -> tuple[list[tuple[str, float]], list[tuple[str, float]]]:
    """Tell limits that are drawn from those so far away that the parts would be pressed into a line.

    A limit that a value lies beyond is always drawn, however far: it is what the page is about. So a limit that is not drawn
    lies on its own side, the lower one below and the upper one above.
    """
    low, high = min(values), max(values)
    reach = 3 * (high - low) or math.inf

    def drawn(name: str, value: float) -> bool:
        broken = low < value if name == "lower" else high > value
        return broken or low - reach <= value <= high + reach

    near = [(name, value) for name, value in limits if drawn(name, value)]
    return near, [limit for limit in limits if limit not in near]


def spread_plot(result: LotResult, spots: pl.DataFrame, *, unit: str, decimals: int) -> tuple[Plot, int] | None:
    """Draw how the spot means are spread against the limits.

    Parameters
    ----------
    result
        The lot, for limits and mean.
    spots
        Frame of the page, sorted.
    unit
        As printed.
    decimals
        Of the mean.

    Returns
    -------
    (Plot, int) or None
        The plot, and 0 where one mark is one spot, else the number of classes. None where no spot has a value.
    """
    rows = [
        {**row, "number": number}
        for number, row in enumerate(spots.iter_rows(named=True) if spots.height else ())
        if finite(row["mean"]) is not None
    ]
    if not rows:
        return None
    limits = _limits(result)
    low, high = domain([row["mean"] for row in rows] + [value for _, value in limits])
    classes = 58
    width = (high - low) / classes
    bins: dict[int, list[dict[str, Any]]] = {}
    for row in rows:
        bins.setdefault(min(int((row["mean"] - low) / width), classes - 1), []).append(row)
    rank = {"out": 0, "undecided": 1}
    tallest = max(len(found) for found in bins.values())
    stacked = tallest <= 20 and len(rows) <= MOST_MARKS
    top = max(tallest, 4) * 1.18
    plot = Plot((low, high), (0, top), _value_axis(result, unit), words.FIGURE_OF["spots_axis"], height=100)
    for limit, edge in _guards(result):
        plot.rect(max(min(limit, edge), low), min(max(limit, edge), high), 0, top, "grid")
        if low < edge < high:
            plot.segment(edge, edge, 0, top, "tolerance", dash="dashdot", width=1.2)
    if not stacked:
        for place, found in sorted(bins.items()):
            plot.rect(low + (place + 0.06) * width, low + (place + 0.94) * width, 0, len(found))
    for place, found in sorted(bins.items()):
        for index, row in enumerate(sorted(found, key=lambda row: rank.get(str(row["within"]), 2))):
            if stacked or row["within"] in rank:
                plot.point(
                    low + (place + 0.5) * width,
                    index + 0.5,
                    _MEANING.get(row["within"], "plain"),
                    # a mark stands in the middle of its class, so its own value is told
                    said=f"{_named(row)}: {fixed(row['mean'], decimals)} {unit}",
                    key=f"{row['number']}",
                )
    for name, value in limits:
        plot.segment(value, value, 0, top, "limit", dash="long", width=1.6)
        plot.names.append((value, top, words.FIGURE_OF[name].format(value=_limit(result, name)), "limit"))
    mean = finite(result.mean)
    if mean is not None and low < mean < high:
        plot.segment(mean, mean, 0, top, "inner", width=1)
        label = words.FIGURE_OF["mean"].format(value=fixed(mean, decimals))
        if all(abs(mean - value) > 0.17 * (high - low) for _, value in limits):
            plot.names.append((mean, top, label, "inner"))
    return plot, 0 if stacked else classes


def earlier_plot(result: LotResult, earlier: Sequence[EarlierLot], *, unit: str, decimals: int) -> Plot | None:
    """Draw the mean of a lot after those of the lots before it; None where there is nothing before it."""
    rows = [
        (one.lot, one.mean, one.verdict) for one in earlier if finite(one.mean) is not None and one.mean is not None
    ]
    if not rows or finite(result.mean) is None or result.mean is None:
        return None
    means = [mean for _, mean, _ in rows] + [result.mean]
    near, _ = _near_and_far(_limits(result), means)
    plot = Plot(
        (0.4, len(means) + 0.6), domain(means + [value for _, value in near], margin=0.12), words.FIGURE_OF["lots_axis"],
        _value_axis(result, unit), x_axis=False, height=76, y_decimals=decimals,
    )  # fmt: skip
    for name, value in near:
        plot.across(value, "limit", words.FIGURE_OF[name].format(value=_limit(result, name)), dash="long", width=1.5)
    plot.path = [{"x": place, "y": mean} for place, mean in enumerate(means, start=1)]
    for place, (lot, mean, verdict) in enumerate(rows, start=1):
        said = words.FIGURE_OF["lot_and_verdict"].format(
            lot=clipped(lot, 24), verdict=words.VERDICT.get(verdict, verdict)
        )
        plot.point(place, mean, "out" if verdict == "reject" else "plain", said=said)
    plot.point(len(means), result.mean, "own", said=clipped(result.lot, 24))
    step = -(-len(means) // 7)
    names = [*(lot for lot, *_ in rows), result.lot]
    plot.names_below = [
        (place, clipped(name, 10)) for place, name in enumerate(names, start=1) if (len(names) - place) % step == 0
    ]
    return plot


_RUN = {"passed": "plain", "failed": "out"}


def timeline_plot(brackets: pl.DataFrame, *, as_of: datetime, clock: Clock) -> tuple[Plot, str] | None:
    """Draw the readings of the lot between the runs of checks, one line a meter.

    Parameters
    ----------
    brackets
        Frame of the page, sorted by meter and time.
    as_of
        Drawn where it lies close enough and a closing run is missing.
    clock
        The zone.

    Returns
    -------
    (Plot, str) or None
        The plot and a sentence on thinning, or None without a time to draw.
    """
    rows = [
        row
        for row in (brackets.iter_rows(named=True) if brackets.height else ())
        if row["first_at"] is not None and row["last_at"] is not None
    ]
    if not rows:
        return None
    shown = [rows[place] for place in evenly([row["support"] != "supported" for row in rows], MOST_BRACKETS)]
    meters = list(dict.fromkeys(row["meter"] for row in shown))[:MOST_ROWS]
    shown = [row for row in shown if row["meter"] in meters]
    note = "" if len(shown) == len(rows) else words.POINT["brackets_more"].format(n=len(rows) - len(shown))
    times = [
        at
        for row in shown
        for at in (row["before_at"], row["first_at"], row["last_at"], row["after_at"])
        if at is not None
    ]
    waiting = any(row["after_at"] is None for row in shown)
    span = max(times) - min(times) or timedelta(minutes=10)
    now = waiting and max(times) < as_of <= max(times) + 2 * span
    if now:
        times.append(as_of)
    time = time_axis(times, clock)
    place = time.place
    ends = [place(min(times)), place(max(times))]
    x_domain = domain(ends, margin=0.08) if ends[1] > ends[0] else (ends[0] - 3e5, ends[0] + 3e5)
    plot = Plot(
        x_domain,
        (0.5, len(meters) + 0.5),
        time.title,
        "",
        x_time=time,
        y_axis=False,
        height=72 * len(meters),
    )
    least = (x_domain[1] - x_domain[0]) / 160
    for line, meter in enumerate(reversed(meters), start=1):
        of_meter = [row for row in shown if row["meter"] == meter]
        crowded = len(of_meter) > 4
        worst = ", ".join(dict.fromkeys(words.SUPPORT.get(row["support"], row["support"]) for row in of_meter))
        plot.notes.append((x_domain[0] + least, line + 0.34, f"{clipped(str(meter), 40)}: {worst}", "ink"))
        y = line - 0.12
        plot.segment(*x_domain, y, y, "grid", width=1)
        runs: dict[datetime, tuple[str | None, str]] = {}
        for row in of_meter:
            for side in ("before", "after"):
                if row[f"{side}_at"] is not None:
                    runs[row[f"{side}_at"]] = (row[f"{side}_state"], side)
            start, end = place(row["first_at"]), place(row["last_at"])
            if end - start < least:
                start, end = start - least / 2, end + least / 2
            colour, dash = ("point", "solid") if row["support"] == "supported" else ("tolerance", "short")
            plot.segment(start, end, y, y, colour, dash=dash, width=9)
            if not crowded:
                if row["before_at"] is None:
                    plot.notes.append((start, y - 0.28, words.FIGURE_OF["no_run_before"], "tolerance"))
                if row["after_at"] is None:
                    plot.notes.append((end, y + 0.18, words.FIGURE_OF["no_run_after"], "tolerance"))
        for at, (state, _) in sorted(runs.items()):
            plot.point(place(at), y, _RUN.get(str(state), "unjudged"), big=True)
            if not crowded or state == "failed":
                label = f"{words.PASSES[None] if state is None else state} {clock.of_day(at)}"
                plot.names.append((place(at), y + 0.05, label, "flag" if state == "failed" else "ink"))
    if now:
        plot.segment(place(as_of), place(as_of), *plot.y_domain, "inner", dash="short", width=1)
        plot.names_right.append((plot.y_domain[1], words.FIGURE_OF["now"], "inner"))
    return plot, note
