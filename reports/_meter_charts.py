"""The three charts of a meter on one block: control of check means, bias over time, scatter within checks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports import _words as words
from reports._charts import Plot
from reports._geometry import domain, evenly, time_scale
from reports._numbers import compact, decimals_for, finite, fixed

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime

    from reports._numbers import Clock
    from reports._tables import Row
    from schemas.results import BlockSummary

__all__ = ["MOST_CHECKS", "Series", "bias_plot", "control_plot", "within_plot"]

MOST_CHECKS = 200


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
    """

    name: str
    rows: Sequence[Row]
    settings: Sequence[datetime]
    unit: str
    clock: Clock

    def drawn(self) -> list[int]:
        """Return the indices of the checks to draw: every signal, warning and failure, others spread evenly."""
        keep = [bool(row["rejects"]) or bool(row["warning"]) or row["passes"] is False for row in self.rows]
        if keep:
            keep[0] = keep[-1] = True
        return evenly(keep, MOST_CHECKS)

    def thinned(self, shown: int) -> str:
        """Say how many checks are drawn where not all are."""
        if shown == len(self.rows):
            return ""
        return words.FIGURE["thinned"].format(shown=shown, total=len(self.rows), what=words.PLURAL["check"])


def _look(row: Row) -> tuple[str, str, bool]:
    if row["rejects"]:
        return "diamond", "flag", True
    return ("triangle", "tolerance", True) if row["warning"] else ("circle", "point", False)


def _runs_of_limits(rows: Sequence[Row]) -> Iterator[tuple[int, int, Row]]:
    """Yield the stretches over which limits and tolerance stay the same: first and last number, a row of theirs."""
    names = ("limits_kind", "centre", "limit_standard_deviation", "certified_value", "tolerance")
    start = 0
    for place in range(1, len(rows) + 1):
        if place == len(rows) or any(rows[place][name] != rows[start][name] for name in names):
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


def _settings(plot: Plot, places: Sequence[float]) -> None:
    low, high = plot.y_domain
    for place in sorted(set(places)):
        if plot.x_domain[0] < place < plot.x_domain[1]:
            plot.segment(place, place, low, high, "inner", dash="short", width=1.2)
            plot.names.append((place, high, words.FIGURE_OF["setting"], "inner"))


_QUIET = 3
"""So many checks in a row without a signal end a stretch of signals."""


def _first_names(rows: Sequence[Row]) -> dict[int, str]:
    """Return which rules to name at which check: each rule where it first appears in a stretch of signals."""
    named: dict[int, str] = {}
    seen: set[str] = set()
    quiet = 0
    for place, row in enumerate(rows):
        rules = row["rejects"].split()
        quiet = 0 if rules else quiet + 1
        if quiet >= _QUIET:
            seen = set()
        new = [rule for rule in rules if rule not in seen]
        if new:
            named[place] = " ".join(new)
            seen |= set(new)
    return named


def control_plot(series: Series) -> tuple[Plot, str] | None:
    """Draw check means by number with limits of control, warning limits, tolerance, settings and named signals.

    Parameters
    ----------
    series
        The checks.

    Returns
    -------
    (Plot, str) or None
        The plot and a sentence on thinning, or None where no check has a mean.
    """
    rows = series.rows
    if not rows:
        return None
    chosen = series.drawn()
    stretches = list(_runs_of_limits(rows))
    levels = [(first, last, _levels(row)) for first, last, row in stretches]
    values = [rows[place]["mean"] for place in chosen] + [level for *_, lines in levels for _, level, *_ in lines]
    low, high = domain(values)
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
    _settings(plot, [sum(1 for row in rows if row["at"] <= at) + 0.5 for at in series.settings])
    plot.path = [{"x": place + 1, "y": rows[place]["mean"]} for place in chosen]
    named = _first_names(rows)
    for place in chosen:
        row = rows[place]
        plot.point(place + 1, row["mean"], *_look(row), key=f"{place + 1}")
        if place in named:
            plot.name(place + 1, row["mean"], named[place], "flag")
    return plot, series.thinned(len(chosen))


def bias_plot(series: Series) -> Plot | None:
    """Draw the bias of the checks over time against the tolerance; None without a certificate."""
    numbers = [place + 1 for place in series.drawn() if finite(series.rows[place]["bias"]) is not None]
    rows = [series.rows[number - 1] for number in numbers]
    if not rows:
        return None
    tolerances = [value for row in rows if (value := finite(row["tolerance"])) is not None]
    biases = [row["bias"] for row in rows]
    widest = max(tolerances, default=0.0)
    place, ticks, title = time_scale([row["at"] for row in rows], series.clock)
    first, last = place(rows[0]["at"]), place(rows[-1]["at"])
    x_domain = domain([first, last], margin=0.02) if last > first else (first - 1.8e6, first + 1.8e6)
    plot = Plot(
        x_domain,
        domain([*biases, widest, -widest, 0.0]),
        title,
        words.FIGURE_OF["bias_axis"].format(unit=series.unit),
        x_format=ticks,
        height=200,
        keys_of=series.name,
    )
    plot.across(0.0, "inner", words.FIGURE_OF["no_bias"], width=1)
    start = 0
    for end in range(1, len(rows) + 1):
        if end < len(rows) and rows[end]["tolerance"] == rows[start]["tolerance"]:
            continue
        tolerance = finite(rows[start]["tolerance"])
        if tolerance is not None:
            left = x_domain[0] if start == 0 else place(rows[start]["at"])
            right = x_domain[1] if end == len(rows) else place(rows[end]["at"])
            for sign in (1, -1):
                plot.segment(left, right, sign * tolerance, sign * tolerance, "tolerance", dash="dashdot", width=1.4)
        start = end
    if (latest := finite(rows[-1]["tolerance"])) is not None:
        for sign, mark in ((1, "+"), (-1, "−")):
            label = words.FIGURE_OF["tolerance"].format(value=f"{mark}{compact(latest, 4)}")
            plot.names_right.append((sign * latest, label, "tolerance"))
    _settings(plot, [place(at) for at in series.settings])
    for number, row in zip(numbers, rows, strict=True):
        looks = {True: ("circle", "point", False), False: ("diamond", "flag", True)}
        shape, colour, filled = looks.get(row["passes"], ("square", "inner", False))
        plot.point(place(row["at"]), row["bias"], shape, colour, filled=filled, key=f"{number}")
    return plot


def within_plot(series: Series, summary: BlockSummary | None) -> Plot | None:
    """Draw the standard deviation within each check against its precision limit; None where no check has one."""
    rows = series.rows
    limit = None if summary is None else finite(summary.precision_limit)
    known = [place for place in range(len(rows)) if finite(rows[place]["within_standard_deviation"]) is not None]
    if not known:
        return None
    above = [limit is not None and rows[place]["within_standard_deviation"] > limit for place in known]
    chosen = [known[i] for i in evenly(above, MOST_CHECKS)]
    values = [rows[place]["within_standard_deviation"] for place in chosen]
    top = max([*values, limit or 0.0]) or 1.0
    plot = Plot(
        (0.0, len(rows) + 1.0),
        (0.0, top * 1.12),
        words.FIGURE_OF["check_axis"],
        words.FIGURE_OF["s_axis"].format(unit=series.unit),
        height=150,
        keys_of=series.name,
    )
    if limit is not None:
        label = words.FIGURE_OF["precision"].format(value=fixed(limit, decimals_for(limit)))
        plot.across(limit, "limit", label, dash="long", width=1.5)
    _settings(plot, [sum(1 for row in rows if row["at"] <= at) + 0.5 for at in series.settings])
    for place, value in zip(chosen, values, strict=True):
        beyond = limit is not None and value > limit
        shape, colour = ("diamond", "flag") if beyond else ("circle", "point")
        plot.point(place + 1, value, shape, colour, filled=beyond, key=f"{place + 1}")
    return plot
