"""The charts of a meter on one block by number of the check: control of check means, scatter within checks."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import polars as pl

from reports.kit.charts import Plot
from reports.kit.geometry import domain, evenly, first_names
from reports.kit.numbers import decimals_for, finite, fixed
from reports.meter.series import COLUMNS, MOST_STRETCHES, changes_of, columns_of
from reports.words import drift as drift_words
from reports.words import general as words

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from reports.kit.tables import Row
    from reports.meter.series import Series
    from schemas.results import BlockSummary

__all__ = ["control_plot", "draw_columns", "draw_once", "draw_settings", "within_plot"]

MOST_NAMES = 24
_ROWS = 42
"""Places one above the other that marks can be told apart by."""


def draw_columns(
    plot: Plot,
    columns: Sequence[tuple[int, int]],
    values: NDArray[np.float64],
    place: Callable[[int], float],
    *,
    line: bool = True,
) -> None:
    """Draw each column as an upright line from its lowest to its highest value, and a line through their means."""
    for first, last in columns:
        part = values[first : last + 1]
        x = (place(first) + place(last)) / 2
        plot.segment(x, x, float(part.min()), float(part.max()), "point", width=2.0)
        if line:
            plot.path.append({"x": x, "y": sum(part.tolist()) / part.size})


def draw_once(plot: Plot, marks: Iterable[tuple[float, float, str]], *, keyed: bool = False) -> None:
    """Draw marks (place, value, meaning), those that would lie on one another once.

    `keyed`: a place is the number of a check, and its mark lights up with those of the same check.
    """
    wide = (plot.x_domain[1] - plot.x_domain[0]) / COLUMNS
    high = (plot.y_domain[1] - plot.y_domain[0]) / _ROWS
    seen: set[tuple[int, int, str]] = set()
    for x, y, meaning in marks:
        cell = (round(x / wide), round(y / high), meaning)
        if cell not in seen:
            seen.add(cell)
            plot.point(x, y, meaning, key=f"{x:.0f}" if keyed else "")


def _meaning(rejected: bool, warned: bool) -> str:
    return "signal" if rejected else "warning" if warned else "plain"


_LIMITS = ("limits_kind", "centre", "limit_standard_deviation", "certified_value", "tolerance")


def _runs_of_limits(series: Series) -> list[tuple[int, int, Row]]:
    """Return the latest stretches over which limits and tolerance stay the same: first and last number, a row of theirs."""
    changes = changes_of(*(series.frame[name] for name in _LIMITS))
    stretches = list(pairwise([0, *changes, len(series)]))
    return [(start + 1, end, series.row(start)) for start, end in stretches[-MOST_STRETCHES:]]


def _levels(row: Row) -> list[tuple[str, float, str, str, float]]:
    """Return the lines of one stretch: label, level, colour, dash, width."""
    solid = "solid" if row["limits_kind"] == "frozen" else "long"
    found: list[tuple[str, float, str, str, float]] = []
    centre, s = finite(row["centre"]), finite(row["limit_standard_deviation"])
    if centre is not None:
        found.append(("centre", centre, "inner", solid, 1.0))
        if s is not None:
            found += [
                (name, centre + k * s, "limit", solid, 1.5) for name, k in (("plus_three", 3), ("minus_three", -3))
            ]
            found += [(name, centre + k * s, "inner", "dot", 1.2) for name, k in (("plus_two", 2), ("minus_two", -2))]
    certified, tolerance = finite(row["certified_value"]), finite(row["tolerance"])
    if certified is not None and tolerance is not None:
        found += [("tolerance", certified + sign * tolerance, "tolerance", "dashdot", 1.4) for sign in (1, -1)]
    return found


def draw_settings(plot: Plot, places: Sequence[float]) -> None:
    """Mark the settings, each the end of a phase."""
    low, high = plot.y_domain
    for place in sorted(set(places)):
        if plot.x_domain[0] < place < plot.x_domain[1]:
            plot.segment(place, place, low, high, "inner", dash="short", width=1.2)
            plot.names.append((place, high, words.FIGURE_OF["setting"], "inner"))


def control_plot(series: Series) -> tuple[Plot, list[str]] | None:
    """Draw check means by number with limits of control, warning limits, tolerance, settings and named signals.

    Parameters
    ----------
    series
        The checks.

    Returns
    -------
    (Plot, list of str) or None
        The plot and sentences on what was left out, or None where no check has a mean.
    """
    if not len(series):
        return None
    chosen, latest = series.chosen, series.row(-1)
    stretches = _runs_of_limits(series)
    levels = [(first, last, _levels(row)) for first, last, row in stretches]
    means = series.values("mean")
    drawn: list[float] = means[chosen].tolist()
    values = [float(means.min()), float(means.max())] if series.crowded else drawn
    low, high = domain(values + [level for *_, lines in levels for _, level, *_ in lines])
    rejects = series.frame["rejects"].fill_null("").to_list()
    plot = Plot(
        (0.0, len(series) + 1.0),
        (low, high),
        words.FIGURE_OF["check_axis"],
        words.FIGURE_OF["mean_axis"].format(unit=series.unit),
        keys_of=series.name,
        x_counts=True,
    )
    for first, last, lines in levels:
        for _, level, colour, dash, width in lines:
            plot.segment(first - 0.5, last + 0.5, level, level, colour, dash=dash, width=width)
    decimals = plot.y_decimals = decimals_for(finite(latest["limit_standard_deviation"]), latest["mean"])
    for name, level, colour, _, _ in levels[-1][2]:
        plot.names_right.append((level, words.FIGURE_OF[name].format(value=fixed(level, decimals)), colour))
    draw_settings(plot, series.setting_numbers)
    if series.crowded:
        draw_columns(plot, series.columns, means, lambda i: i + 1.0)
    else:
        plot.path = [{"x": place + 1, "y": mean} for place, mean in zip(chosen, drawn, strict=True)]
    meanings = [_meaning(bool(series.rejected[place]), bool(series.warned[place])) for place in chosen]
    marks = zip(chosen, drawn, meanings, strict=True)
    if series.crowded:
        draw_once(plot, ((place + 1, mean, meaning) for place, mean, meaning in marks), keyed=True)
    else:
        for place, mean, meaning in marks:
            plot.point(place + 1, mean, meaning, key=f"{place + 1}")
    named = list(first_names(rejects).items())
    most = MOST_NAMES // 4 if series.crowded else MOST_NAMES
    for place, name in named[-most:]:
        plot.names_row.append((place + 1, name, "flag"))
    notes = [series.thinned()]
    if len(named) > most:
        notes.append(drift_words.FIGURE["names_last"].format(shown=most))
    elif named:
        notes.append(words.FIGURE["names_once"])
    if stretches[0][0] > 1 or len(series.settings) > MOST_STRETCHES:
        notes.append(drift_words.FIGURE["lines_last"].format(shown=MOST_STRETCHES))
    if latest["limits_kind"] == "provisional" and latest["centre"] is not None:
        notes.append(drift_words.FIGURE["provisional"])
    return plot, notes


def within_plot(series: Series, summary: BlockSummary | None) -> tuple[Plot, str] | None:
    """Draw the standard deviation within each check against pooled one and action limit; None where no check has one.

    The limit is drawn as the last check of so many readings had it; a check counts as beyond by the limit of its own day.

    Returns
    -------
    (Plot, str) or None
        The plot and how many checks lie above their limit.
    """
    known = series.known("within_standard_deviation")
    if not known:
        return None
    values = series.values("within_standard_deviation")[known]
    readings = series.frame["readings"][known]
    limit_of: dict[int, float | None] = dict(zip(readings, series.frame["precision_limit"][known], strict=True))
    limits: list[float | None] = [limit_of[count] for count in readings]
    above = series.frame["imprecise"][known].to_list()
    stated = [limit for limit in limit_of.values() if limit is not None]
    top = max([float(values.max()), *stated]) or 1.0
    plot = Plot(
        (0.0, len(series) + 1.0),
        (0.0, top * 1.12),
        words.FIGURE_OF["check_axis"],
        words.FIGURE_OF["s_axis"].format(unit=series.unit),
        height=150,
        keys_of=series.name,
        x_counts=True,
        y_decimals=decimals_for(finite(series.row(-1)["limit_standard_deviation"]), series.row(-1)["mean"]),
    )
    if stated and summary is not None:
        changes = changes_of(pl.Series(limits, dtype=pl.Float64))
        for start, end in list(pairwise([0, *changes, len(known)]))[-MOST_STRETCHES:]:
            if (limit := limits[start]) is not None:
                left = 0.0 if start == 0 else known[start] + 0.5
                right = plot.x_domain[1] if end == len(known) else known[end] + 0.5
                plot.segment(left, right, limit, limit, "limit", dash="long", width=1.5)
        latest = next(limit for limit in reversed(limits) if limit is not None)
        label = words.FIGURE_OF["precision"].format(value=fixed(latest, decimals_for(latest)))
        plot.names_right.append((latest, label, "limit"))
        if pooled := finite(summary.within_standard_deviation):
            named = drift_words.FIGURE_OF["pooled"].format(value=fixed(pooled, decimals_for(pooled)))
            plot.across(pooled, "inner", named, width=1)
    draw_settings(plot, series.setting_numbers)
    note = drift_words.FIGURE["above"].format(above=sum(above), total=len(known)) if stated else ""
    if len(known) > series.most and sum(above) > series.most:
        draw_columns(plot, columns_of(len(known)), values, lambda i: known[i] + 1.0)
        plain = drift_words.FIGURE["columns_plain"].format(total=len(known), size=-(-len(known) // COLUMNS))
        return plot, f"{note} {plain}".strip()
    for i in evenly(above, series.most):
        plot.point(known[i] + 1, float(values[i]), "warning" if above[i] else "plain", key=f"{known[i] + 1}")
    return plot, note
