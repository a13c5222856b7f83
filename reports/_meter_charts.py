"""The three charts of a meter on one block: control of check means, bias over time, scatter within checks."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import pairwise
from operator import itemgetter
from typing import TYPE_CHECKING

from pipeline.statistics.trend import precision_limit
from reports import _words as words
from reports import _words_drift as drift_words
from reports._charts import Plot
from reports._geometry import domain, evenly, first_names, time_scale
from reports._numbers import compact, decimals_for, finite, fixed, known_places

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from datetime import datetime

    from reports._numbers import Clock
    from reports._tables import Row
    from schemas.results import BlockSummary

__all__ = [
    "COLUMNS",
    "MOST_CHECKS",
    "Series",
    "bias_plot",
    "control_plot",
    "draw_columns",
    "draw_once",
    "draw_settings",
    "within_plot",
]

MOST_CHECKS = 200


COLUMNS = 107
"""Columns of a long history: six pixels each."""
MOST_NAMES = 24
MOST_STRETCHES = 30
_ROWS = 42
"""Places one above the other that marks can be told apart by."""


@dataclass(frozen=True)
class Series:
    """The checks of one block, probe and frequency, in order of time.

    Parameters
    ----------
    name
        The block, and what else tells its checks from others.
    rows
        Checks with a mean, as rows of the page's frame.
    settings
        Times of the settings.
    unit
        As printed.
    clock
        The zone.
    most
        How many checks are drawn one by one.
    """

    name: str
    rows: Sequence[Row]
    settings: Sequence[datetime]
    unit: str
    clock: Clock
    most: int = MOST_CHECKS

    @cached_property
    def signalled(self) -> list[bool]:
        """Which checks carry a reject or failed."""
        return [bool(row["rejects"]) or row["passes"] is False for row in self.rows]

    @cached_property
    def crowded(self) -> bool:
        """Whether more checks need a look than are drawn one by one: then checks are drawn in columns."""
        needs = sum(flag or bool(row["warning"]) for flag, row in zip(self.signalled, self.rows, strict=True))
        return len(self.rows) > self.most and needs > self.most

    @cached_property
    def chosen(self) -> list[int]:
        """The indices of the checks to draw: every signal, warning and failure, others spread evenly.

        In columns: every signal and failure.
        """
        if self.crowded:
            return [place for place, flag in enumerate(self.signalled) if flag]
        keep = [flag or bool(row["warning"]) for flag, row in zip(self.signalled, self.rows, strict=True)]
        if keep:
            keep[0] = keep[-1] = True
        return evenly(keep, self.most)

    @cached_property
    def columns(self) -> list[tuple[int, int]]:
        """First and last index of each column of a crowded chart."""
        count = len(self.rows)
        edges = [count * place // COLUMNS for place in range(COLUMNS + 1)]
        return [(first, last - 1) for first, last in pairwise(edges) if last > first]

    @cached_property
    def setting_numbers(self) -> list[float]:
        """Where the latest settings stand among the numbers of the checks."""
        times = [row["at"] for row in self.rows]
        return [bisect_right(times, at) + 0.5 for at in self.settings[-MOST_STRETCHES:]]

    def thinned(self) -> str:
        """Say how many checks are drawn where not all are."""
        total = len(self.rows)
        if self.crowded:
            warnings = words.counted(sum(bool(row["warning"]) for row in self.rows), "warning")
            size = -(-total // COLUMNS)
            return drift_words.FIGURE["columns"].format(total=total, size=size, warnings=warnings)
        if len(self.chosen) == total:
            return ""
        return words.FIGURE["thinned"].format(shown=len(self.chosen), total=total, what=words.PLURAL["check"])


def draw_columns(
    plot: Plot,
    columns: Sequence[tuple[int, int]],
    values: Sequence[float],
    place: Callable[[int], float],
    *,
    line: bool = True,
) -> None:
    """Draw each column as an upright line from its lowest to its highest value, and a line through their means."""
    for first, last in columns:
        part = values[first : last + 1]
        x = (place(first) + place(last)) / 2
        plot.segment(x, x, min(part), max(part), "point", width=2.0)
        if line:
            plot.path.append({"x": x, "y": sum(part) / len(part)})


def draw_once(plot: Plot, marks: Iterable[tuple[float, float, str, str, bool]], *, keyed: bool = False) -> None:
    """Draw marks (place, value, shape, colour, filled), those that would lie on one another once.

    `keyed`: a place is the number of a check, and its mark lights up with those of the same check.
    """
    wide = (plot.x_domain[1] - plot.x_domain[0]) / COLUMNS
    high = (plot.y_domain[1] - plot.y_domain[0]) / _ROWS
    seen: set[tuple[int, int, str]] = set()
    for x, y, shape, colour, filled in marks:
        cell = (round(x / wide), round(y / high), shape)
        if cell not in seen:
            seen.add(cell)
            plot.point(x, y, shape, colour, filled=filled, key=f"{x:.0f}" if keyed else "")


def _look(row: Row) -> tuple[str, str, bool]:
    if row["rejects"]:
        return "diamond", "flag", True
    return ("triangle", "tolerance", True) if row["warning"] else ("circle", "point", False)


def _runs_of_limits(rows: Sequence[Row]) -> Iterator[tuple[int, int, Row]]:
    """Yield the stretches over which limits and tolerance stay the same: first and last number, a row of theirs."""
    looks = list(
        map(itemgetter("limits_kind", "centre", "limit_standard_deviation", "certified_value", "tolerance"), rows)
    )
    start = 0
    for place in range(1, len(rows) + 1):
        if place == len(rows) or looks[place] != looks[start]:
            yield start + 1, place, rows[start]
            start = place


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
    rows = series.rows
    if not rows:
        return None
    chosen = series.chosen
    stretches = list(_runs_of_limits(rows))[-MOST_STRETCHES:]
    levels = [(first, last, _levels(row)) for first, last, row in stretches]
    means = [row["mean"] for row in rows]
    values = [min(means), max(means)] if series.crowded else [means[place] for place in chosen]
    low, high = domain(values + [level for *_, lines in levels for _, level, *_ in lines])
    if any(rows[place]["rejects"] for place in chosen):
        high += 0.14 * (high - low)  # room for names
    plot = Plot(
        (0.0, len(rows) + 1.0),
        (low, high),
        words.FIGURE_OF["check_axis"],
        words.FIGURE_OF["mean_axis"].format(unit=series.unit),
        keys_of=series.name,
    )
    for first, last, lines in levels:
        for _, level, colour, dash, width in lines:
            plot.segment(first - 0.5, last + 0.5, level, level, colour, dash=dash, width=width)
    spread = finite(rows[-1]["limit_standard_deviation"])
    decimals = decimals_for(spread, rows[-1]["mean"])
    for name, level, colour, _, _ in levels[-1][2]:
        plot.names_right.append((level, words.FIGURE_OF[name].format(value=fixed(level, decimals)), colour))
    draw_settings(plot, series.setting_numbers)
    if series.crowded:
        draw_columns(plot, series.columns, means, lambda i: i + 1.0)
    else:
        plot.path = [{"x": place + 1, "y": means[place]} for place in chosen]
    if series.crowded:
        draw_once(plot, ((place + 1, means[place], *_look(rows[place])) for place in chosen), keyed=True)
    else:
        for place in chosen:
            plot.point(place + 1, means[place], *_look(rows[place]), key=f"{place + 1}")
    named = list(first_names([row["rejects"] for row in rows]).items())
    most = MOST_NAMES // 4 if series.crowded else MOST_NAMES
    for place, name in named[-most:]:
        plot.name(place + 1, means[place], name, "flag")
    notes = [series.thinned()]
    if len(named) > most:
        notes.append(drift_words.FIGURE["names_last"].format(shown=most))
    elif named:
        notes.append(words.FIGURE["names_once"])
    if stretches[0][0] > 1 or len(series.settings) > MOST_STRETCHES:
        notes.append(drift_words.FIGURE["lines_last"].format(shown=MOST_STRETCHES))
    if rows[-1]["limits_kind"] == "provisional" and rows[-1]["centre"] is not None:
        notes.append(drift_words.FIGURE["provisional"])
    return plot, notes


def bias_plot(series: Series) -> Plot | None:
    """Draw the bias of the checks over time against the tolerance; None without a certificate."""
    known = known_places(series.rows, "bias")
    drawn = known if series.crowded else sorted(set(series.chosen) & set(known))
    numbers = [place + 1 for place in drawn]
    rows = [series.rows[number - 1] for number in numbers]
    if not rows:
        return None
    tolerances = [value for value in {row["tolerance"] for row in rows} if finite(value) is not None]
    biases = [row["bias"] for row in rows]
    widest = max(tolerances, default=0.0)
    place, ticks, title = time_scale([row["at"] for row in rows], series.clock)
    first, last = place(rows[0]["at"]), place(rows[-1]["at"])
    x_domain = domain([first, last], margin=0.02) if last > first else (first - 1.8e6, first + 1.8e6)
    plot = Plot(
        x_domain,
        domain([min(biases), max(biases), widest, -widest, 0.0]),
        title,
        words.FIGURE_OF["bias_axis"].format(unit=series.unit),
        x_format=ticks,
        height=200,
        keys_of=series.name,
    )
    plot.across(0.0, "inner", words.FIGURE_OF["no_bias"], width=1)
    changes = [end for end in range(1, len(rows)) if rows[end]["tolerance"] != rows[end - 1]["tolerance"]]
    for start, end in list(pairwise([0, *changes, len(rows)]))[-MOST_STRETCHES:]:
        tolerance = finite(rows[start]["tolerance"])
        if tolerance is not None:
            left = x_domain[0] if start == 0 else place(rows[start]["at"])
            right = x_domain[1] if end == len(rows) else place(rows[end]["at"])
            for sign in (1, -1):
                plot.segment(left, right, sign * tolerance, sign * tolerance, "tolerance", dash="dashdot", width=1.4)
    if (latest := finite(rows[-1]["tolerance"])) is not None:
        for sign, mark in ((1, "+"), (-1, "−")):
            label = words.FIGURE_OF["tolerance"].format(value=f"{mark}{compact(latest, 4)}")
            plot.names_right.append((sign * latest, label, "tolerance"))
    draw_settings(plot, [place(at) for at in series.settings[-MOST_STRETCHES:]])
    looks = {True: ("circle", "point", False), False: ("diamond", "flag", True)}
    if series.crowded:
        size = len(rows)
        edges = [size * part // COLUMNS for part in range(COLUMNS + 1)]
        columns = [(first, last - 1) for first, last in pairwise(edges) if last > first]
        draw_columns(plot, columns, biases, lambda i: place(rows[i]["at"]), line=False)
        draw_once(plot, ((place(row["at"]), row["bias"], *looks[False]) for row in rows if row["passes"] is False))
        return plot
    for number, row in zip(numbers, rows, strict=True):
        look = looks.get(row["passes"], ("square", "inner", False))
        plot.point(place(row["at"]), row["bias"], *look, key=f"{number}")
    return plot


def _limit_of(summary: BlockSummary | None, row: Row) -> float | None:
    """Return the F limit of one check: the more readings it has, the closer it lies to the pooled deviation."""
    if summary is None or finite(summary.precision_limit) is None:
        return None
    pooled, behind = summary.within_standard_deviation, summary.within_degrees_of_freedom
    if not pooled or not behind or row["readings"] < 2:
        return summary.precision_limit
    return _precision_limit(pooled, float(row["readings"] - 1), behind)


_precision_limit = lru_cache(maxsize=256)(precision_limit)


def within_plot(series: Series, summary: BlockSummary | None) -> tuple[Plot, str] | None:
    """Draw the standard deviation within each check against pooled one and F limit; None where no check has one.

    Returns
    -------
    (Plot, str) or None
        The plot and how many checks lie above their limit.
    """
    rows = series.rows
    known = known_places(rows, "within_standard_deviation")
    if not known:
        return None
    values = [rows[place]["within_standard_deviation"] for place in known]
    limits = [_limit_of(summary, rows[place]) for place in known]
    above = [limit is not None and value > limit for value, limit in zip(values, limits, strict=True)]
    stated = [limit for limit in limits if limit is not None]
    top = max([*values, *stated]) or 1.0
    plot = Plot(
        (0.0, len(rows) + 1.0),
        (0.0, top * 1.12),
        words.FIGURE_OF["check_axis"],
        words.FIGURE_OF["s_axis"].format(unit=series.unit),
        height=150,
        keys_of=series.name,
    )
    if stated and summary is not None:
        changes = [end for end in range(1, len(known)) if limits[end] != limits[end - 1]]
        for start, end in list(pairwise([0, *changes, len(known)]))[-MOST_STRETCHES:]:
            if (limit := limits[start]) is not None:
                left = 0.0 if start == 0 else known[start] + 0.5
                right = plot.x_domain[1] if end == len(known) else known[end] + 0.5
                plot.segment(left, right, limit, limit, "limit", dash="long", width=1.5)
        latest = stated[-1]
        label = words.FIGURE_OF["precision"].format(value=fixed(latest, decimals_for(latest)))
        plot.names_right.append((latest, label, "limit"))
        if pooled := finite(summary.within_standard_deviation):
            named = drift_words.FIGURE_OF["pooled"].format(value=fixed(pooled, decimals_for(pooled)))
            plot.across(pooled, "inner", named, width=1)
    draw_settings(plot, series.setting_numbers)
    note = drift_words.FIGURE["above"].format(above=sum(above), total=len(known)) if stated else ""
    if len(known) > series.most and sum(above) > series.most:
        edges = [len(known) * part // COLUMNS for part in range(COLUMNS + 1)]
        columns = [(first, last - 1) for first, last in pairwise(edges) if last > first]
        draw_columns(plot, columns, values, lambda i: known[i] + 1.0)
        plain = drift_words.FIGURE["columns_plain"].format(total=len(known), size=-(-len(known) // COLUMNS))
        return plot, f"{note} {plain}".strip()
    for i in evenly(above, series.most):
        shape, colour = ("diamond", "flag") if above[i] else ("circle", "point")
        plot.point(known[i] + 1, values[i], shape, colour, filled=above[i], key=f"{known[i] + 1}")
    return plot, note
