"""What is said of a meter's drift: EWMA and CUSUM, the forecast, signals, what a failed check would hold."""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from pipeline.metrology.drift import DriftLine, drift_line
from reports.kit.address import address
from reports.kit.charts import Plot
from reports.kit.geometry import domain
from reports.kit.links import linked
from reports.kit.markup import Html, element, join, shorten
from reports.kit.numbers import compact, decimals_for, fixed, significant
from reports.kit.states import toned
from reports.kit.tables import Heading, caption, table
from reports.meter.charts import draw_once, draw_settings
from reports.meter.series import COLUMNS, MOST_STRETCHES, changes_of
from reports.sections.decided import decided
from reports.words import drift as say
from reports.words import general as words
from reports.words import meter as meter_words

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from numpy.typing import NDArray

    from reports.kit.numbers import Clock
    from reports.kit.tables import Numbered, Row
    from reports.meter.series import Series
    from schemas.drift import DriftChart
    from schemas.results import Drift, MeterResult

__all__ = [
    "Forecast",
    "cusum_plot",
    "design_in_words",
    "drift_section",
    "drift_signals",
    "ewma_plot",
    "forecast_of",
    "forecast_table",
    "intervals_table",
]

MOST_SIGNALS = 60
_MOST_LIMITS = 4.0
"""A drift chart is cut at so many times its limit, so that its limits can be told apart."""
_DAY_US = 86_400e6


def _chart(series: Series, chart: str, title: str) -> tuple[Plot, str] | None:
    """Draw one drift chart by number of the check, with its limits, settings and signals; say where it is cut."""
    known = series.known("ewma")
    if not known:
        return None
    limits: list[float] = series.values(f"{chart}_limit")[known].tolist()
    if chart == "cusum":
        above, below = series.values("cusum_high")[known], series.values("cusum_low")[known]
        values = np.where(above >= below, above, -below)
    else:
        values = series.values("ewma")[known]
    farthest, edge = float(values[np.abs(values).argmax()]), _MOST_LIMITS * max(limits)
    values = np.clip(values, -edge, edge)
    low, high = domain([float(values.min()), float(values.max()), max(limits), -max(limits), 0.0])
    plot = Plot(
        (0.0, len(series) + 1.0),
        (low, high),
        words.FIGURE_OF["check_axis"],
        title,
        height=130,
        keys_of=series.name,
        x_counts=True,
        y_decimals=2,
    )
    # a stretch ends where checks without the chart stand between, at a setting, or where the limit changes
    apart = pl.Series(known) - pl.int_range(len(known), eager=True)
    ends = changes_of(apart, series.frame["phase"][known], pl.Series(limits))
    stretches = list(pairwise([0, *ends, len(known)]))
    for start, end in stretches[-MOST_STRETCHES:]:
        left, right = known[start] + 0.5, known[end - 1] + 1.5
        for sign in (1, -1):
            level = sign * limits[start]
            plot.segment(left, right, level, level, "limit", width=1.5)
        plot.segment(left, right, 0.0, 0.0, "inner", width=1)
    plot.names_right += [
        (limits[-1], say.FIGURE_OF["upper"].format(value=compact(limits[-1])), "limit"),
        (-limits[-1], say.FIGURE_OF["lower"].format(value=compact(limits[-1])), "limit"),
    ]
    draw_settings(plot, series.setting_numbers)
    places = [place + 1.0 for place in known]
    many = len(known) > 2 * COLUMNS and len(known) > series.most
    for start, end in stretches:
        if plot.path:
            plot.path.append({"x": places[start], "y": None})
        if many:
            plot.path += _envelope(places[start:end], values[start:end], (len(known) // COLUMNS) or 1)
        else:
            plot.path += [{"x": places[i], "y": float(values[i])} for i in range(start, end)]
    beyond = np.abs(values) > limits
    begins, closes = np.zeros(len(known), dtype=np.bool_), np.zeros(len(known), dtype=np.bool_)
    begins[[0, *ends]] = closes[[*(end - 1 for end in ends), -1]] = True
    begins[1:] |= ~beyond[:-1]
    closes[:-1] |= ~beyond[1:]
    marked: list[int] = np.flatnonzero(beyond & (begins | closes)).tolist()
    inside = [i for i in marked if abs(values[i]) < edge]
    draw_once(plot, ((places[i], float(values[i]), "signal") for i in inside), keyed=True)
    for i in [i for i in marked if begins[i]][-6:]:
        plot.names_row.append((places[i], series.clock.day(series.frame["at"][known[i]]), "flag"))
    if abs(farthest) <= edge:
        return plot, ""
    return plot, meter_words.SAY["cut"].format(limit=f"±{compact(edge)}", value=compact(farthest))


def _envelope(places: Sequence[float], values: NDArray[np.float64], size: int) -> list[Row]:
    """Return a line through the lowest and highest value of each column, in order of place."""
    found: list[Row] = []
    for start in range(0, len(places), size):
        part = values[start : start + size]
        ends = sorted({start + int(part.argmin()), start + int(part.argmax())})
        found += [{"x": places[i], "y": float(values[i])} for i in ends]
    return found


def ewma_plot(series: Series) -> tuple[Plot, str] | None:
    """Draw the EWMA of z against its limits; None where there is none yet."""
    return _chart(series, "ewma", say.FIGURE_OF["ewma_axis"])


def cusum_plot(series: Series) -> tuple[Plot, str] | None:
    """Draw the larger of the two cumulative sums, that for low values downward; None where there is none yet."""
    return _chart(series, "cusum", say.FIGURE_OF["cusum_axis"])


def design_in_words(chart: DriftChart) -> str:
    """Say how the drift charts of one series were designed; empty where there are none."""
    if chart.ewma_width is None or chart.run_length is None or chart.cusum_interval is None:
        return ""
    return say.FIGURE["design"].format(
        run_length=f"{chart.run_length:.0f}", behind=chart.checks_behind_limits, width=f"{chart.ewma_width:.2f}",
        interval=f"{chart.cusum_interval:.2f}", known=f"{chart.ewma_run_length_if_known or 0.0:.0f}",
    )  # fmt: skip


class Forecast:
    """The line behind the forecast of one series, again from the checks of the page, and its days as times."""

    def __init__(self, line: DriftLine, checks: pl.DataFrame, drift: Drift) -> None:
        self.line, self.checks, self.drift = line, checks, drift
        self.start: datetime = checks["at"][0]
        self.last: datetime = checks["at"][-1]
        self.tolerance = float(checks["tolerance"][-1])

    def day_of(self, at: datetime) -> float:
        """Return a time as the line counts it."""
        return (at - self.start) / timedelta(days=1)

    def end(self) -> datetime:
        """Return the last time to draw: the end of the interval, or as far beyond the crossing as the crossing is away."""
        crossing = self.drift.leaves_tolerance_on
        last = self.last
        if crossing is None or self.drift.leaves_tolerance_interval is None:
            raise AssertionError  # pragma: no cover - forecast_of has checked it
        latest = self.drift.leaves_tolerance_interval[1]
        farthest: datetime = crossing + (crossing - last)
        shown = max(crossing, min(latest or farthest, farthest))
        return shown + (crossing - last) / 12


def forecast_of(series: Series, drift: Drift | None) -> Forecast | None:
    """Return the line behind the forecast of one series; None where the result gives no day."""
    if drift is None or drift.leaves_tolerance_on is None or drift.leaves_tolerance_interval is None:
        return None
    phase = pl.col("phase").eq_missing(pl.col("phase").last())
    checks = series.frame.filter(phase & pl.col("bias").is_finite())
    days = (checks["at"] - checks["at"][0]).dt.total_microseconds().to_numpy() / _DAY_US
    line = drift_line(days, checks["bias"].to_numpy())
    return None if isinstance(line, str) else Forecast(line, checks, drift)


def forecast_table(forecast: Forecast, series: Series, number: int, anchor: str) -> Html:
    """Return the points of the line and its interval: the last check, the days of the forecast and some between."""
    line, drift, clock = forecast.line, forecast.drift, series.clock
    crossing, interval, last = drift.leaves_tolerance_on, drift.leaves_tolerance_interval, forecast.last
    if crossing is None or interval is None:
        raise AssertionError  # pragma: no cover - forecast_of has checked it
    end = forecast.end()
    notes = {last: say.NOTE["line_today"], interval[0]: say.NOTE["line_first"], crossing: say.NOTE["line_day"]}
    if interval[1] is not None:
        notes[interval[1]] = say.NOTE["line_last"]
    moments = sorted({*notes, *(last + (end - last) * i / 6 for i in range(1, 6))})
    days = np.array([forecast.day_of(at) for at in moments])
    low, high = line.band(days)
    decimals = decimals_for(drift.scatter)
    columns = [
        Heading(say.COLUMN["day"], clock.zone, "t"), Heading(say.COLUMN["line"], series.unit, "n"),
        Heading(say.COLUMN["low"], series.unit, "n"), Heading(say.COLUMN["high"], series.unit, "n"), Heading(words.COLUMN["notes"]),
    ]  # fmt: skip
    rows = [
        (clock.day(at), fixed(float(y), decimals, sign=True), fixed(float(a), decimals, sign=True),
         fixed(float(b), decimals, sign=True), notes.get(at, ""))
        for at, y, a, b in zip(moments, line.at(days), low, high, strict=True)
    ]  # fmt: skip
    return table(number, anchor, say.TABLE["forecast"].format(block=series.name), columns, rows)


def _signals_table(result: MeterResult, number: int, clock: Clock) -> Html:
    here = address("meter", result.meter)
    columns = [
        Heading(words.COLUMN["block"]), Heading(say.COLUMN["chart"]), Heading(say.COLUMN["begins"], clock.zone, "t"),
        Heading(say.COLUMN["until"], clock.zone, "t"), Heading(words.COLUMN["checks"], kind="n"), Heading(say.COLUMN["side"]),
        Heading(say.COLUMN["largest"], kind="n"), Heading(say.COLUMN["limit"], kind="n"), Heading(say.COLUMN["state"]),
        Heading(words.COLUMN["disposition"]),
    ]  # fmt: skip
    latest = sorted(result.drift_signals, key=lambda s: (s.open, s.first_at, s.block, s.chart), reverse=True)
    rows = [
        (
            linked(here, "block", s.block), say.CHART.get(s.chart, s.chart), clock.minute(s.first_at), clock.minute(s.last_at),
            s.checks, say.SIDE.get(s.side, s.side), significant(s.largest), significant(s.limit),
            toned("hold", say.NOTE["open"]) if s.open else say.NOTE["over"],
            decided(s.dispositions, clock),
        )
        for s in latest[:MOST_SIGNALS]
    ]  # fmt: skip
    note = ""
    if len(latest) > MOST_SIGNALS:
        note = words.FIGURE["thinned"].format(shown=MOST_SIGNALS, total=len(latest), what=words.PLURAL["signal"])
    marked = [s.open for s in latest[:MOST_SIGNALS]]
    said = caption(say.TABLE["drift_signals"], note)
    return table(number, "drift-signals", said, columns, rows, marked=marked)


def _hours(hours: float) -> str:
    if hours < 48:
        return say.NOTE["every_day"] if hours == 24 else say.NOTE["every_hours"].format(hours=f"{hours:g}")
    return say.NOTE["every_week"] if hours == 168 else say.NOTE["every_days"].format(days=f"{hours / 24:g}")


def intervals_table(result: MeterResult, number: int) -> Html:
    """Return what one failed check would put on hold, by the interval between checks."""
    columns = [
        Heading(say.COLUMN["hours"], kind="t"), Heading(say.COLUMN["lots_median"], kind="n"), Heading(say.COLUMN["lots_largest"], kind="n"),
        Heading(say.COLUMN["readings_median"], kind="n"), Heading(say.COLUMN["readings_largest"], kind="n"),
    ]  # fmt: skip
    rows = [
        (_hours(i.hours), compact(i.lots_median), i.lots_largest, compact(i.readings_median, 6), i.readings_largest)
        for i in result.check_intervals
    ]
    said = say.TABLE["check_intervals"].format(moments=result.check_intervals[0].moments)
    return table(number, "check-intervals", said, columns, rows)


def drift_section(result: MeterResult, trend: Html | None) -> list[Html]:
    """Return what a meter's page says of drift: the trend, the model behind it, why a chart is missing.

    Parameters
    ----------
    result
        The meter.
    trend
        The table of trends.
    """
    found: list[Html] = []
    if trend is not None:
        found += [trend, element("p", say.NOTE["model"])]
    charts = [chart for chart in result.drift_charts if chart.run_length is not None]
    if charts and not result.drift_signals:
        found.append(element("p", say.NOTE["no_signals"]))
    missing = [chart for chart in result.drift_charts if chart.reason is not None]
    if missing:
        said = (
            say.NOTE["no_chart"].format(block=shorten(chart.block, 60), reason=shorten(chart.reason or "", 200))
            for chart in missing[:12]
        )
        found.append(element("p", join(said, " ")))
    return found


def drift_signals(result: MeterResult, numbered: Numbered, clock: Clock) -> list[Html]:
    """Return the stretches beyond the drift charts' limits, and how these were designed."""
    found: list[Html] = []
    if result.drift_signals:
        found.append(_signals_table(result, numbered.table(), clock))
    if one := next((chart for chart in result.drift_charts if chart.run_length is not None), None):
        found.append(
            element(
                "p",
                say.NOTE["design"].format(
                    weight=compact(one.ewma_weight), k=compact(one.cusum_reference_value), run_length=f"{one.run_length:.0f}",
                    behind=one.checks_behind_limits, known=f"{one.ewma_run_length_if_known or 0.0:.0f}",
                ),
            )
        )  # fmt: skip
    return found
