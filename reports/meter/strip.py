"""One strip a block, all on one axis of time: the bias in percent of its tolerance, and everything that bears on it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from reports.kit.charts import WIDTH, Plot
from reports.kit.geometry import first_names
from reports.kit.numbers import compact, decimals_for, finite, fixed, percent
from reports.kit.times import time_axis
from reports.meter.charts import draw_columns, draw_once
from reports.meter.series import MOST_STRETCHES, changes_of, columns_of
from reports.words import drift as drift_words
from reports.words import general as words
from reports.words import meter as say

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import datetime

    from numpy.typing import NDArray

    from reports.kit.numbers import Clock
    from reports.kit.times import TimeAxis
    from reports.meter.drift import Forecast
    from reports.meter.series import Series
    from schemas.drift import DriftSignal

__all__ = ["Axis", "Beside", "leaves_in_words", "share_used", "shared_axis", "strip_plot", "urgency"]

_EDGE = 250.0
"""Percent of the tolerance beyond which a strip is cut, so that its limits stay apart."""
_AHEAD = 2.0
"""A forecast takes at most so much of the time that was measured."""
_MOST_NAMES, _STEPS = 12, 8


@dataclass(frozen=True)
class Axis:
    """The time that all strips of a page share.

    Parameters
    ----------
    time
        How moments stand on it and are written.
    first, last
        Ends.
    """

    time: TimeAxis
    first: datetime
    last: datetime

    def place(self, at: datetime) -> float:
        """Return where a moment stands."""
        return self.time.place(at)

    @property
    def domain(self) -> tuple[float, float]:
        """The ends as places."""
        return self.place(self.first), self.place(self.last)


@dataclass(frozen=True)
class Beside:
    """What happened to a meter besides its checks: calibrations (when, whether it was found well), first readings of lots."""

    calibrations: Sequence[tuple[datetime, bool]]
    lots: Sequence[datetime]


def shared_axis(found: Sequence[Series], forecasts: Iterable[Forecast | None], clock: Clock) -> Axis:
    """Return the axis from the first check to the last one, or as far ahead as a forecast goes and there is room."""
    times: list[datetime] = [series.row(place)["at"] for series in found for place in (0, -1)]
    first, last = min(times), max(times)
    span = max(last - first, timedelta(hours=1))
    ends = [min(forecast.end(), last + _AHEAD * span) for forecast in forecasts if forecast is not None]
    end = max([last, *ends])
    margin = 0.02 * (end - first) or timedelta(hours=1)
    return Axis(time_axis([first, end], clock), first - margin, end + margin)


def share_used(series: Series) -> float | None:
    """Return which part of the tolerance the last bias takes; None without one."""
    last = series.row(-1)
    bias, tolerance = finite(last["bias"]), finite(last["tolerance"])
    return None if bias is None or not tolerance else bias / tolerance


def urgency(
    series: Series, signals: Sequence[DriftSignal], forecast: Forecast | None
) -> tuple[bool, bool, bool, float]:
    """Return by what strips are put in order: failed, rejected, drifting, then the part of the tolerance that is used."""
    drifting = forecast is not None or any(signal.open for signal in signals)
    return bool(series.failed[-1]), bool(series.rejected[-1]), drifting, abs(share_used(series) or 0.0)


def strip_plot(
    series: Series, axis: Axis, signals: Sequence[DriftSignal], forecast: Forecast | None, beside: Beside
) -> tuple[Plot, list[str]] | None:
    """Draw one strip; None where no check has both a bias and a tolerance.

    Returns
    -------
    (Plot, list of str) or None
        The plot and sentences on what is not drawn.
    """
    share = 100.0 * series.values("bias") / series.values("tolerance")
    known: list[int] = np.flatnonzero(np.isfinite(share)).tolist()
    if not known:
        return None
    reach = min(max(118.0, 1.12 * float(np.abs(share[known]).max())), _EDGE)
    plot = Plot(
        axis.domain, (-reach, reach), axis.time.title, say.FIGURE_OF["axis"], x_time=axis.time, height=112, y_decimals=0,
        keys_of=series.name,
    )  # fmt: skip
    _beside(plot, series, axis, beside)
    tolerance = series.row(-1)["tolerance"]
    for sign, mark in ((1, "+"), (-1, "−")):
        label = say.FIGURE_OF["tolerance"].format(value=f"{mark}{compact(tolerance, 4)}")
        plot.across(100.0 * sign, "tolerance", label, dash="dashdot", width=1.4)
    plot.segment(*plot.x_domain, 0.0, 0.0, "inner", width=1)
    _limits(plot, series, axis)
    _drifting(plot, series, axis, signals)
    if forecast is not None:
        _ahead(plot, axis, forecast, series.clock)
    notes = _checks(plot, series, axis, share, known)
    if abs(share[known[-1]]) < 88:  # beside the tolerance there is no room for it
        said = f"{'−' if share[known[-1]] < 0 else '+'}{percent(abs(share[known[-1]]) / 100)}"
        plot.names_right.append((float(share[known[-1]]), say.FIGURE_OF["last"].format(share=said), "point"))
    return plot, notes


def _beside(plot: Plot, series: Series, axis: Axis, beside: Beside) -> None:
    """Draw settings, calibrations and lots."""
    low, high = plot.y_domain
    for at in series.settings[-MOST_STRETCHES:]:
        if axis.first < at < axis.last:
            plot.segment(axis.place(at), axis.place(at), low, high, "inner", dash="short", width=1.2)
            plot.names.append((axis.place(at), high, say.FIGURE_OF["setting"], "inner"))
    for at, well in beside.calibrations:
        if axis.first < at < axis.last:
            colour, name = ("inner", "calibration") if well else ("flag", "calibration_failed")
            plot.segment(axis.place(at), axis.place(at), low, high, colour, dash="long", width=1.4)
            plot.names.append((axis.place(at), high, say.FIGURE_OF[name], colour))
    # lots that would stand on one pixel are drawn once
    left, right = plot.x_domain
    seen: set[int] = set()
    for at in beside.lots:
        pixel = round((axis.place(at) - left) / (right - left) * WIDTH)
        if axis.first <= at <= axis.last and pixel not in seen:
            seen.add(pixel)
            plot.segment(axis.place(at), axis.place(at), low, low + 0.06 * (high - low), "spot", width=1.2)


def _limits(plot: Plot, series: Series, axis: Axis) -> None:
    """Draw the limits of control of each stretch, in percent of its tolerance."""
    names = ("limits_kind", "centre", "limit_standard_deviation", "certified_value", "tolerance")
    frame = series.frame
    stretches = list(pairwise([0, *changes_of(*(frame[name] for name in names)), len(series)]))
    for start, end in stretches[-MOST_STRETCHES:]:
        row = series.row(start)
        centre, s, certified, tolerance = (finite(row[name]) for name in names[1:])
        if centre is None or s is None or certified is None or not tolerance:
            continue
        right = axis.place(frame["at"][end] if end < len(series) else frame["at"][end - 1])
        for k in (3, -3):
            level = 100.0 * (centre + k * s - certified) / tolerance
            if abs(level) <= plot.y_domain[1]:
                dash = "solid" if row["limits_kind"] == "frozen" else "long"
                plot.segment(axis.place(frame["at"][start]), right, level, level, "limit", dash=dash, width=1.3)


def _drifting(plot: Plot, series: Series, axis: Axis, signals: Sequence[DriftSignal]) -> None:
    """Draw the stretches beyond a drift chart's limit as a bar on top; one that goes on is named by the day it began."""
    top = plot.y_domain[1]
    for signal in signals:
        plot.segment(axis.place(signal.first_at), axis.place(signal.last_at), top, top, "flag", width=4)
    if still := [signal.first_at for signal in signals if signal.open]:
        first = min(still)
        name = say.FIGURE_OF["drift"].format(day=series.clock.day(first))
        plot.names.append((axis.place(first), top, name, "flag"))


def _ahead(plot: Plot, axis: Axis, forecast: Forecast, clock: Clock) -> None:
    """Draw the line of the forecast with its interval, as far as the strip goes."""
    line, last, reach = forecast.line, forecast.last, plot.y_domain[1]
    end = min(forecast.end(), axis.last)
    moments = [last + (end - last) * i / _STEPS for i in range(_STEPS + 1)]
    days = np.array([forecast.day_of(at) for at in moments])
    for dash, bound in zip(("short", "dot", "dot"), (line.at(days), *line.band(days)), strict=True):
        levels = 100.0 * bound / forecast.tolerance
        for (one, other), (left, right) in zip(pairwise(levels.tolist()), pairwise(moments), strict=True):
            if abs(one) <= reach and abs(other) <= reach:
                plot.segment(axis.place(left), axis.place(right), one, other, "limit", dash=dash, width=1.2)
    crossing = forecast.drift.leaves_tolerance_on
    if crossing is not None and crossing < axis.last:
        limit = 100.0 if line.slope > 0 else -100.0
        name = say.FIGURE_OF["leaves"].format(day=clock.day(crossing))
        plot.point(axis.place(crossing), limit, "ahead", said=name)
        plot.name(axis.place(crossing), limit, name, "flag")


def _checks(plot: Plot, series: Series, axis: Axis, share: NDArray[np.float64], known: list[int]) -> list[str]:
    """Draw the checks, and name their signals below the axis."""
    frame, reach = series.frame, plot.y_domain[1]
    notes = [series.thinned()]
    at, z, rejects = frame["at"], series.values("z"), frame["rejects"].fill_null("").to_list()
    if series.crowded:
        draw_columns(
            plot,
            columns_of(len(known)),
            np.clip(share[known], -reach, reach),
            lambda i: axis.place(at[known[i]]),
            line=False,
        )
    beyond = 0
    marks: list[tuple[float, float, str, str, int]] = []
    for i in sorted(set(series.chosen) & set(known)):
        x, y = axis.place(at[i]), float(share[i])
        if abs(y) > reach:
            beyond += 1
            edge = reach if y > 0 else -reach
            plot.segment(x, x, 0.86 * edge, edge, "flag", width=2.5)
            continue
        meaning = "out" if series.failed[i] else "signal" if rejects[i] else "plain"
        told = [say.SAY["check"].format(n=i + 1, at=series.clock.minute(at[i]))]
        if np.isfinite(z[i]):
            told.append(say.SAY["z"].format(z=fixed(float(z[i]), 2, sign=True)))
        if rejects[i]:
            told.append(rejects[i])
        marks.append((x, y, meaning, " · ".join(told), i))
    if series.crowded:
        draw_once(plot, (mark[:3] for mark in marks))
    else:
        for x, y, meaning, told_of, i in marks:
            plot.point(x, y, meaning, said=told_of, key=f"{i + 1}")
    named = [(i, name) for i, name in first_names(rejects).items() if i in set(known)]
    plot.names_row += [(axis.place(at[i]), name, "flag") for i, name in named[-_MOST_NAMES:]]
    if beyond:
        notes.append(say.SAY["outside"].format(checks=words.counted(beyond, "check"), limit=f"±{reach:.0f}"))
    return [note for note in notes if note]


def leaves_in_words(forecast: Forecast, clock: Clock, unit: str) -> str:
    """Return how fast the bias drifts, since when, and when it leaves the tolerance, with the interval of the day."""
    drift = forecast.drift
    slope, interval = drift.slope_since_per_30_days, drift.leaves_tolerance_interval
    if slope is None or interval is None:
        return ""
    return say.SAY["leaves" if interval[1] is not None else "leaves_open"].format(
        slope=fixed(slope, decimals_for(abs(slope) / 10, slope), sign=True), unit=unit,
        since=clock.day(drift.drifting_since) or drift_words.NOTE["first_check"], day=clock.day(drift.leaves_tolerance_on),
        first=clock.day(interval[0]), last=clock.day(interval[1]),
    )  # fmt: skip
