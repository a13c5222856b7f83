"""What the checks say of each meter: state, limits, signals, drift."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.judge.left_out import WORDS
from pipeline.judge.meters.drift import check_intervals, drift_chart, drift_signals, drift_trend
from pipeline.judge.meters.evidence import evidence_flags
from pipeline.judge.meters.handed_over import left, read_since
from pipeline.statistics.descriptive import PooledDeviation, pooled_deviation
from pipeline.statistics.trend import precision_limit
from schemas.results import BlockSummary, MeterResult, PrecisionSignal, Signal
from schemas.versions import version_at

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.judge.assessment import Basis, SignalDecision
    from pipeline.workspace.settings import Settings

__all__ = ["meter_result", "meter_state"]


def _pair(low: float, high: float) -> tuple[float, float]:
    return (low, high)


def _pooled_within(series: pl.DataFrame) -> PooledDeviation:
    known = series.filter(pl.col("within_standard_deviation").is_not_null())
    return pooled_deviation(known["within_standard_deviation"].to_list(), known["within_degrees_of_freedom"].to_list())


def _block_summary(series: pl.DataFrame, settings: Settings) -> BlockSummary:
    """Summarise the checks of one block in its latest phase."""
    last = series.row(-1, named=True)
    reasons: dict[str, str] = {}
    known = series.filter(pl.col("mean").is_not_null())
    deviation = known["mean"].std()
    if deviation is None:
        reasons["standard_deviation"] = "one check has no standard deviation"
    pooled, within = _pooled_within(series), series.filter(~pl.col("imprecise"))
    tame = _pooled_within(within)  # what a check is judged by holds none that was outlying itself
    upper = None
    if pooled.standard_deviation is None:
        reasons["within_standard_deviation"] = pooled.reason or ""
        reasons["precision_limit"] = reasons["within_standard_deviation"]
    else:
        # s = 0 (a display that never moves, of an unstated step) leaves nothing to compare a check with
        base = max(tame.standard_deviation or 0.0, last["rounding"] or 0.0)
        if base > 0:
            upper = precision_limit(
                base,
                float(within["within_degrees_of_freedom"].drop_nulls()[-1]),
                tame.degrees_of_freedom,
                probability=settings.precision_level,
            )
        else:
            reasons["precision_limit"] = "readings of one check never differ"
    bias = known["bias"].mean()
    if bias is None:
        reasons["bias"] = "the block has no certificate" if last["certified_value"] is None else "no check has a value"
        reasons["last_bias"] = reasons["bias"]
    centre, spread = last["centre"], last["limit_standard_deviation"]
    if spread == 0:
        spread = None
        reasons["limits"] = "the checks of the baseline never differ, so there is no standard deviation to judge by"
    elif centre is None or spread is None:
        need = settings.baseline_checks
        reasons["limits"] = (
            f"no certificate, and {known.height} of the {need} checks that freeze a baseline"
            if last["certified_value"] is None
            else "neither the certificate nor the meter states an uncertainty"
        )
    return BlockSummary(
        block=last["block"],
        probe=last["probe"],
        frequency_khz=last["frequency_khz"],
        unit=settings.unit,
        checks=series.height,
        certified_value=last["certified_value"],
        tolerance=last["tolerance"],
        bias=bias,  # type: ignore[arg-type]
        last_bias=known["bias"][-1] if known.height else None,
        standard_deviation=deviation,  # type: ignore[arg-type]
        within_standard_deviation=pooled.standard_deviation,
        within_degrees_of_freedom=pooled.degrees_of_freedom if pooled.standard_deviation is not None else None,
        precision_limit=upper,
        centre=centre,
        limits=None if spread is None or centre is None else _pair(centre - 3 * spread, centre + 3 * spread),
        warning_limits=None if spread is None or centre is None else _pair(centre - 2 * spread, centre + 2 * spread),
        limits_kind=last["limits_kind"],
        baseline_checks=int(last["baseline_checks"] or 0),
        not_computable=reasons,
        limit_widening=float(last["limit_widening"]),
    )


def _latest_series(checks: pl.DataFrame) -> list[pl.DataFrame]:
    """Return, for each block (probe, frequency), the checks of its latest phase, in time order."""
    found = []
    for _, group in checks.group_by("block", "probe", "frequency_khz"):
        phase = group["phase"][-1]
        found.append(group.filter(pl.col("phase").eq_missing(pl.lit(phase))))
    return sorted(found, key=lambda s: (s["block"][0], s["probe"][0] or "", s["frequency_khz"][0] or 0.0))


def _signals(checks: pl.DataFrame, decisions: list[SignalDecision]) -> tuple[Signal, ...]:
    signals = []
    for row in checks.filter(pl.col("rejects") != "").iter_rows(named=True):
        said = tuple(one.decision for one in decisions if one.fits(row))
        signals += [
            Signal(rule, row["block"], row["at"], row["z"], True, row["limits_kind"], said)
            for rule in row["rejects"].split()
        ]
    return tuple(signals)


def _precision_signals(checks: pl.DataFrame, decisions: list[SignalDecision]) -> tuple[PrecisionSignal, ...]:
    rows = checks.filter("imprecise").iter_rows(named=True)
    return tuple(
        PrecisionSignal(
            block=row["block"],
            probe=row["probe"],
            frequency_khz=row["frequency_khz"],
            at=row["at"],
            readings=row["readings"],
            standard_deviation=row["within_standard_deviation"],
            limit=row["precision_limit"],
            dispositions=tuple(one.decision for one in decisions if one.fits(row)),
        )
        for row in rows
    )


def _cleared(bad: dict[str, Any], runs: pl.DataFrame) -> bool:
    """Whether a run after the last bad one makes the meter fit again; none of those failed or carries a reject."""
    later = runs.filter(pl.col("run") > bad["run"])
    # where no block has a certificate, tolerance judges nothing: a run without a reject is all there can be
    without = bad["certified"] == 0 and bool((later["certified"] == 0).any())
    return without or bool(later["passed"].any())


def _state(runs: pl.DataFrame, settings: Settings, due_on: datetime | None, as_of: datetime) -> tuple[str, list[str]]:
    """Return the state and its reasons, the deciding one first."""
    judged = runs.filter(pl.col("passed").is_not_null() | (pl.col("rejected") > 0))
    if not judged.height:
        return "not_assessed", ["No check on a certified block, so nothing is known of this meter."]
    bad = judged.filter(~pl.col("passed") | (pl.col("rejected") > 0))
    last_at = judged["last_at"][-1]
    if bad.height and not _cleared(bad.row(-1, named=True), runs):
        worst = bad.row(-1, named=True)
        why = (
            f"{worst['conflicts']} of {worst['checks']} checks in the last run are stated differently by two exports."
            if worst["conflicts"]
            else f"{worst['failed']} of {worst['checks']} checks in the last run exceed the tolerance."
            if worst["failed"]
            else f"{worst['rejected']} of {worst['checks']} checks in the last run carry a reject of the multi-rule scheme."
        )
        what_next = (
            "The meter is suspended until a later run passes; a new run begins after a part reading, a setting, a recorded "
            f"action (annealog record action) or a pause of {settings.run_gap_minutes:g} min."
        )
        return "suspended", [why, what_next]
    interval = timedelta(hours=settings.check_interval_hours)
    if as_of - last_at > interval:
        return "overdue", [
            f"The last run of checks is more than {settings.check_interval_hours:g} h old. It passed; check before use."
        ]
    if due_on is not None and due_on + timedelta(days=1) <= as_of:
        return "overdue", [f"The meter's calibration was due on {due_on.astimezone(settings.zone):%Y-%m-%d}."]
    # who looks at a page later must see that it holds no more
    until: datetime = min([last_at + interval, *([] if due_on is None else [due_on + timedelta(days=1)])])
    return "fit", [
        f"The last run of checks passed; it holds until {until.astimezone(settings.zone):%Y-%m-%d %H:%M} {settings.time_zone}."
    ]


def _register(meter: str, assessment: Basis) -> pl.DataFrame:
    return version_at(assessment.tables["meters"], ["meter"], assessment.as_of).filter(pl.col("meter") == meter)


def meter_state(meter: str, assessment: Basis) -> tuple[str, list[str]]:
    """Return the state of a meter and its reasons, the deciding one first: from runs, settings and tables alone."""
    settings, register = assessment.settings, _register(meter, assessment)
    runs = assessment.runs.filter(pl.col("meter") == meter)
    state, reasons = _state(runs, settings, register["due_on"][0] if register.height else None, assessment.as_of)
    if gone := left(assessment, [meter]):
        said, at = gone[meter]
        return "not_assessed", [f"It was {said} on {at.astimezone(settings.zone):%Y-%m-%d %H:%M}.", *reasons]
    return state, reasons


def meter_result(meter: str, assessment: Basis, missing: Mapping[str, int]) -> MeterResult:
    """Summarise one meter.

    Parameters
    ----------
    meter
        Meter with at least one reading.
    assessment
        Everything computed.
    missing
        Its readings on blocks and of settings that enter no figure, by reason.
    """
    settings, as_of = assessment.settings, assessment.as_of
    checks = assessment.checks.filter(pl.col("meter") == meter)
    runs = assessment.runs.filter(pl.col("meter") == meter)
    register = _register(meter, assessment)
    state, reasons = meter_state(meter, assessment)
    series = _latest_series(checks)
    flags = [*_flags(meter, checks, register, assessment), *read_since(assessment, meter), *_left_out_flags(missing)]
    suspects = assessment.brackets.filter((pl.col("meter") == meter) & (pl.col("support") == "suspect"))
    phases = checks["phase"].drop_nulls().to_list()
    judged = runs.filter(pl.col("passed").is_not_null())
    return MeterResult(
        meter=meter,
        state=state,
        reasons=tuple(reasons),
        unit=settings.unit,
        checks=checks.height,
        runs=runs.height,
        last_run_at=runs["last_at"][-1] if runs.height else None,
        last_run_passed=bool(judged["passed"][-1]) if judged.height else None,
        last_setting_at=max(phases) if phases else None,
        blocks=tuple(_block_summary(s, settings) for s in series),
        signals=_signals(checks, assessment.signal_decisions),
        warnings=int(checks["warning"].sum()),
        drift=tuple(drift_trend(s) for s in series),
        suspect_lots=tuple(suspects["lot"].unique().sort().to_list()),
        flags=tuple(flags),
        as_of=as_of,
        left_out=dict(missing),
        drift_signals=drift_signals(checks, assessment.signal_decisions),
        drift_charts=tuple(drift_chart(s, settings) for s in series),
        precision_signals=_precision_signals(checks, assessment.signal_decisions),
        check_intervals=check_intervals(assessment.brackets.filter(pl.col("meter") == meter), settings),
    )


def _left_out_flags(counts: Mapping[str, int]) -> list[str]:
    """Say how many readings on blocks are in no check; those without a reference value are told by their checks."""
    return [
        f"{why}: {number} {'reading' if number == 1 else 'readings'} on blocks {WORDS[why]}"
        for why, number in counts.items()
        if why != "without_reference"
    ]


def _failed_in_baseline(series: pl.DataFrame) -> int:
    return series.filter(pl.col("in_baseline") & ~pl.col("passes")).height


def _flags(meter: str, checks: pl.DataFrame, register: pl.DataFrame, assessment: Basis) -> list[str]:
    flags = []
    if not register.height:
        flags.append("meter_not_registered: the meter does not stand in reference/meters.csv")
    flags += [
        f"baseline_would_change: readings loaded later change the baseline of block {row['block']} "
        f"(centre {row['frozen']:.6g} would be {row['recomputed']:.6g}); nothing was changed until a person decides"
        for row in assessment.late_baselines.filter(pl.col("meter") == meter).iter_rows(named=True)
    ]
    flags += [
        f"baseline_with_failed_checks: {failed} of the {series['baseline_checks'][-1]} checks behind the limits of control on block "
        f"{series['block'][0]} failed their tolerance, so these limits are wide and the rules see little; name a baseline "
        "without them (annealog record baseline), or set the meter"
        for series in _latest_series(checks)
        if series["limits_kind"][-1] == "frozen" and (failed := _failed_in_baseline(series))
    ]
    for row in checks.unique("block", keep="last").sort("block").iter_rows(named=True):
        due = row["certificate_due_on"]
        if due is not None and due + timedelta(days=1) <= assessment.as_of:
            day = due.astimezone(assessment.settings.zone)
            flags.append(f"block_overdue: the certificate of block {row['block']} was due on {day:%Y-%m-%d}")
    flags += evidence_flags(meter, assessment)
    unused = assessment.unused.filter(pl.col("meter") == meter)
    if hand := unused["by_hand"].sum():
        flags.append(f"taken_by_hand: {hand} block readings were written down by a person, not exported by a meter")
    missing = int(checks["without_reference"].sum())
    if missing:
        why = (
            unused.drop_nulls("no_reference_reason")
            .group_by("no_reference_reason")
            .len("n")
            .sort("n", "no_reference_reason", descending=[True, False])["no_reference_reason"]
        )
        first = f": {why[0]}" if why.len() else ""
        flags.append(f"without_reference: {missing} block readings have no value at the reference temperature{first}")
    return flags
