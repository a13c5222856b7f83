"""Drift charts of the checks, their signals, the forecast of the tolerance, and what a failed check would put on hold.

EWMA and CUSUM run on z against frozen limits, from the first check after the baseline to the next setting, where they begin
again. Provisional limits carry no drift chart: their centre is the certificate, so a steady bias would look like a drift.
Both warn and ask for action; they suspend no meter and change no support unless the site says so (`drift_signals_reject`).
"""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from pipeline.metrology.block_checks import SERIES
from pipeline.metrology.control_limits import FEWEST_BEHIND_LIMITS
from pipeline.metrology.drift import drift_line, hold_at_interval
from pipeline.statistics.charts import cusum_path, ewma_path
from pipeline.statistics.run_lengths import (
    cusum_interval,
    cusum_run_length,
    estimated_rate,
    ewma_run_length,
    ewma_width,
)
from pipeline.statistics.trend import slope
from schemas.drift import CheckInterval, DriftChart, DriftSignal
from schemas.results import Drift

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.judge.assessment import SignalDecision
    from pipeline.workspace.settings import Settings

__all__ = ["add_drift_charts", "check_intervals", "drift_chart", "drift_signals", "drift_trend"]

_COLUMNS: dict[str, Any] = {
    "ewma": pl.Float64, "ewma_limit": pl.Float64, "cusum_high": pl.Float64, "cusum_low": pl.Float64,
    "cusum_limit": pl.Float64,
}  # fmt: skip
_DAYS = 86_400.0
_TEN_YEARS = 3650.0


def _design(settings: Settings, checks: int) -> tuple[float, float, float]:
    """Return L, the limit of the EWMA and h, all in standard deviations, for limits from so many checks."""
    weight, k = settings.drift_ewma_weight, settings.drift_cusum_reference_value
    width = ewma_width(weight, settings.drift_run_length, checks)
    return (
        width,
        width * (weight / (2.0 - weight)) ** 0.5,
        cusum_interval(k, settings.drift_run_length, checks),
    )


def add_drift_charts(checks: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Add the drift charts to checks that have frozen limits.

    Parameters
    ----------
    checks
        With the series columns, at, check, z, limit_widening, limits_kind, in_baseline, baseline_checks, rejects; any order.
    settings
        Run length, weight, k, and whether a drift signal counts as a reject.

    Returns
    -------
    polars.DataFrame
        Same rows in the same order, with ewma, ewma_limit, cusum_high, cusum_low, cusum_limit (in standard deviations; null
        where there is no chart) and `drift`: names of the charts beyond their limit, joined by a space, empty where none.
    """
    rows = checks.with_row_index("_row")
    charted = (
        rows.filter(
            (pl.col("limits_kind") == "frozen")
            & pl.col("z").is_not_null()
            & ~pl.col("in_baseline")
            & (pl.col("baseline_checks") >= FEWEST_BEHIND_LIMITS)
        )
        .sort(*SERIES, "at", "check", nulls_last=False, maintain_order=True)
        .with_columns(pl.struct(SERIES).rle_id().alias("_series"))
    )
    series = charted["_series"].to_numpy()
    # the charts have limits of their own: they run on the baseline's standard deviation as it is
    z = (charted["z"] * charted["limit_widening"]).to_numpy()
    found = {name: np.empty(z.size) for name in _COLUMNS}
    k = settings.drift_cusum_reference_value
    starts = np.flatnonzero(np.diff(series, prepend=-1)) if z.size else np.empty(0, dtype=np.int64)
    for start, end in pairwise([*starts.tolist(), z.size]):
        _, limit, interval = _design(settings, int(charted["baseline_checks"][start]))
        part = z[start:end]
        found["ewma"][start:end] = ewma_path(part, settings.drift_ewma_weight)
        found["ewma_limit"][start:end] = limit
        found["cusum_high"][start:end] = cusum_path(part - k)
        found["cusum_low"][start:end] = cusum_path(-part - k)
        found["cusum_limit"][start:end] = interval
    beyond = pl.concat_str(
        pl.when(pl.max_horizontal("cusum_high", "cusum_low") > pl.col("cusum_limit")).then(pl.lit("CUSUM")),
        pl.when(pl.col("ewma").abs() > pl.col("ewma_limit")).then(pl.lit("EWMA")),
        separator=" ", ignore_nulls=True,
    )  # fmt: skip
    drawn = charted.select("_row").with_columns(
        pl.Series(name, values, dtype=pl.Float64) for name, values in found.items()
    )
    joined = (
        rows.join(drawn, on="_row", how="left", maintain_order="left")
        .with_columns(pl.when(pl.col("ewma").is_not_null()).then(beyond).otherwise(pl.lit("")).alias("drift"))
        .drop("_row")
    )
    if not settings.drift_signals_reject:
        return joined
    both = pl.concat_str(
        pl.when(pl.col("rejects") != "").then("rejects"),
        pl.when(pl.col("drift") != "").then("drift"),
        separator=" ", ignore_nulls=True,
    )  # fmt: skip
    return joined.with_columns(both.alias("rejects"))


def drift_signals(checks: pl.DataFrame, decisions: Iterable[SignalDecision]) -> tuple[DriftSignal, ...]:
    """Return the stretches of checks of one meter at which a drift chart lies beyond its limit, by time.

    Parameters
    ----------
    checks
        Of one meter, with the drift charts.
    decisions
        Dispositions of signals; one that fits a check of the stretch answers it.
    """
    decisions = list(decisions)
    found: list[DriftSignal] = []
    beyond_once = (pl.col("drift") != "").any().over(SERIES)
    charted = checks.filter(pl.col("ewma").is_not_null()).filter(beyond_once)
    if not charted.height:
        return ()
    charted = charted.sort(*SERIES, "at", "check", nulls_last=False)
    latest = checks["phase"].max()
    for chart in ("EWMA", "CUSUM"):
        high, low = (
            (pl.col("ewma"), -pl.col("ewma")) if chart == "EWMA" else (pl.col("cusum_high"), pl.col("cusum_low"))
        )
        limit = pl.col(f"{chart.lower()}_limit")
        sided = charted.with_columns(
            pl.when(high > limit).then(pl.lit("high")).when(low > limit).then(pl.lit("low")).alias("_side"),
            pl.max_horizontal(high, low).alias("_size"),
            limit.alias("_limit"),
        ).with_columns(pl.struct(*SERIES, "_side").rle_id().alias("_stretch"))
        sided = sided.with_columns((pl.col("_stretch") == pl.col("_stretch").last().over(SERIES)).alias("_last"))
        stretches = (
            sided.filter(pl.col("_side").is_not_null())
            .group_by("_stretch", maintain_order=True)
            .agg(
                pl.col(*SERIES, "_side", "_limit", "_last").first(),
                pl.col("_size").max(),
                pl.col("at", "first_at"),
            )
        )
        for row in stretches.iter_rows(named=True):
            fired = [
                {"meter": row["meter"], "block": row["block"], "at": at, "first_at": first_at}
                for at, first_at in zip(row["at"], row["first_at"], strict=True)
            ]
            said = tuple(one.decision for one in decisions if any(one.fits(check) for check in fired))
            found.append(
                DriftSignal(
                    chart=chart,
                    block=row["block"],
                    probe=row["probe"],
                    frequency_khz=row["frequency_khz"],
                    first_at=row["at"][0],
                    last_at=row["at"][-1],
                    checks=len(fired),
                    side=row["_side"],
                    largest=row["_size"],
                    limit=row["_limit"],
                    open=row["_last"] and row["phase"] == latest,  # a setting since then ended it
                    dispositions=said,
                )
            )
    return tuple(sorted(found, key=lambda s: (s.first_at, s.block, s.probe or "", s.frequency_khz or 0.0, s.chart)))


def drift_chart(series: pl.DataFrame, settings: Settings) -> DriftChart:
    """Say how the drift charts of one series are designed and where they stand.

    Parameters
    ----------
    series
        The checks of one block, probe and frequency since the last setting, in order of time.
    settings
        Of the workspace.
    """
    last = series.row(-1, named=True)
    named = {"block": last["block"], "probe": last["probe"], "frequency_khz": last["frequency_khz"]}
    charted = series.filter(pl.col("ewma").is_not_null())
    if not charted.height:
        if last["limits_kind"] != "frozen":
            reason = f"limits are provisional: {series['mean'].count()} of the {settings.baseline_checks} checks that freeze them"
        elif (last["baseline_checks"] or 0) < FEWEST_BEHIND_LIMITS:
            reason = f"the limits rest on {last['baseline_checks']} checks; drift charts need {FEWEST_BEHIND_LIMITS}"
        else:
            reason = "no check with limits since the baseline"
        return DriftChart(**named, checks=0, reason=reason)
    state = charted.row(-1, named=True)
    behind = int(state["baseline_checks"])
    weight, k, wanted = settings.drift_ewma_weight, settings.drift_cusum_reference_value, settings.drift_run_length
    width, limit, interval = _design(settings, behind)
    plain_width, plain_interval = ewma_width(weight, wanted), cusum_interval(k, wanted)
    return DriftChart(
        **named,
        checks=charted.height,
        checks_behind_limits=behind,
        run_length=wanted,
        ewma_weight=weight,
        ewma_width=width,
        ewma_limit=limit,
        ewma=state["ewma"],
        ewma_run_length_if_known=1.0
        / estimated_rate(lambda mean, scale: ewma_run_length(weight, plain_width, mean, scale), behind),
        cusum_reference_value=k,
        cusum_interval=interval,
        cusum_high=state["cusum_high"],
        cusum_low=state["cusum_low"],
        cusum_run_length_if_known=1.0
        / estimated_rate(lambda mean, scale: cusum_run_length(k, plain_interval, mean, scale), behind),
    )


def drift_trend(series: pl.DataFrame) -> Drift:
    """Fit the bias (or, without a certificate, the mean) of a series against time, and forecast when it leaves tolerance.

    Parameters
    ----------
    series
        The checks of one block, probe and frequency since the last setting, in order of time.

    Returns
    -------
    Drift
        A date only where the slope's interval leaves zero out, or a drift chart lies beyond its limit now.
    """
    last = series.row(-1, named=True)
    column = "bias" if series["bias"].count() else "mean"
    known = series.filter(pl.col(column).is_not_null())
    named: dict[str, Any] = {
        "block": last["block"], "probe": last["probe"], "frequency_khz": last["frequency_khz"], "checks": known.height,
        "leaves_tolerance_on": None,
    }  # fmt: skip
    if not known.height:
        return Drift(**named, slope_per_30_days=None, interval=None, reason="no check has a value")
    start = known["at"][0]
    days = (known["at"] - start).dt.total_microseconds().to_numpy() / (_DAYS * 1e6)
    bias = known[column].to_numpy()
    fit = slope(days, bias)
    if fit.slope is None or fit.low is None or fit.high is None or fit.intercept is None:
        return Drift(**named, slope_per_30_days=None, interval=None, reason=fit.reason)
    named |= {"slope_per_30_days": fit.slope * 30, "interval": (fit.low * 30, fit.high * 30)}
    tolerance = known["tolerance"][-1]
    if column == "mean" or tolerance is None:
        return Drift(**named, reason="no certificate, so there is no tolerance to leave")
    if fit.low <= 0 <= fit.high and not last["drift"]:
        return Drift(**named, reason="the interval of the slope includes zero")
    line = drift_line(days, bias)
    if isinstance(line, str):
        return Drift(**named, reason=line)
    named |= {
        "drifting_since": None if line.begins is None else start + timedelta(days=line.begins),
        "slope_since_per_30_days": line.slope * 30,
        "scatter": line.scatter,
        "correlation": line.correlation,
    }
    limit = tolerance if line.slope > 0 else -tolerance
    day = line.crossing(limit)
    if day is None or day <= days[-1]:
        return Drift(**named, reason="the fitted line stands outside the tolerance already")
    if day > days[-1] + _TEN_YEARS:
        return Drift(**named, reason="not within ten years at this slope")
    first, end = line.crossing_interval(limit)
    named["leaves_tolerance_on"] = start + timedelta(days=day)
    named["leaves_tolerance_interval"] = (
        start + timedelta(days=first),
        None if end > days[-1] + _TEN_YEARS else start + timedelta(days=end),
    )
    return Drift(**named)


_HOURS = (8.0, 24.0, 168.0)


def check_intervals(brackets: pl.DataFrame, settings: Settings) -> tuple[CheckInterval, ...]:
    """Say what a failed check would put on hold at several intervals between checks, the site's own among them.

    Parameters
    ----------
    brackets
        Of one meter.
    settings
        For the site's interval.

    Returns
    -------
    tuple of CheckInterval
        By hours; empty where nothing was read.
    """
    known = brackets.filter(pl.col("unknown_clock") == 0)
    if not known.height:
        return ()
    codes = known["lot"].rank("dense").cast(pl.Int64).to_numpy()
    epoch = known["first_at"].min()
    first, last = (
        ((known[name] - epoch).dt.total_microseconds() / 3.6e9).to_numpy() for name in ("first_at", "last_at")
    )
    found = []
    for hours in sorted({*_HOURS, settings.check_interval_hours}):
        held = hold_at_interval(codes, first, last, known["readings"].to_numpy(), hours)
        if held is not None:
            found.append(
                CheckInterval(
                    hours,
                    held.moments,
                    held.lots_median,
                    held.lots_largest,
                    held.readings_median,
                    held.readings_largest,
                )
            )
    return tuple(found)
