"""Checks of meters on reference blocks: grouping, bias, tolerance, runs.

Definitions
-----------
Check
    Consecutive block readings of one meter, probe, frequency and block, gaps under ten minutes, no part reading
    between.
Run of checks
    Checks of one meter with neither a part reading (of production or of a study), a setting nor a recorded action
    between, each beginning less than an hour after the one before ended. A run that is over stands: what is read after
    the pause is another run, so a check of the next day says nothing of whether this one passed.
Action
    What a person did to the meter without setting it (block cleaned, temperature equalised, probe changed). It ends a
    run and leaves the baseline.
Phase
    The time since the last setting of the meter. A baseline never reaches across it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.metrology.units import convert, derivative
from schemas.versions import join_version

if TYPE_CHECKING:
    from datetime import timedelta

__all__ = [
    "SERIES",
    "group_checks",
    "judge_tolerance",
    "numbered_stream",
    "ordered_stream",
    "run_of_meter",
    "runs_of_checks",
    "settings_of",
]

SERIES = ["meter", "probe", "frequency_khz", "block", "phase"]
"""What one series of checks has in common; limits of control belong to a series."""

NUMBERS_OF_A_METER = 1_000_000_000


def run_of_meter() -> pl.Expr:
    """Return the number of a run among those of its meter, from 1, as people count them."""
    return pl.col("run") % NUMBERS_OF_A_METER


_TIES = 1e-9
"""Relative size of a difference that binary arithmetic alone can make; a bias within it of the tolerance passes."""


def ordered_stream(readings: pl.DataFrame, adjustments: pl.DataFrame) -> pl.DataFrame:
    """Put the readings of each meter in the order in which they were taken and count parts and settings before each.

    Parameters
    ----------
    readings
        Columns meter, measured_at, sequence, file_rank, line, replicate, role, counts; every reading with a believed
        clock, also one left out, without a value or of a study (then with the role of a part): it was taken, so it stands
        between checks. `file_rank` orders files independently of the order in which they were loaded.
    adjustments
        Recorded settings: meter, measured_at.

    Returns
    -------
    polars.DataFrame
        `readings` sorted by meter and time, with `parts_before` (part readings so far), `phase` (time of the last
        setting, null before the first), `settings_before` (settings ended so far) and `setting` (the number of the
        setting that a setting reading belongs to).
    """
    return numbered_stream(readings, adjustments).filter(~pl.col("recorded")).drop("recorded")


def numbered_stream(readings: pl.DataFrame, adjustments: pl.DataFrame) -> pl.DataFrame:
    """Return what :func:`ordered_stream` does, the recorded settings still in it as rows with ``recorded``.

    Parameters
    ----------
    readings, adjustments
        As for :func:`ordered_stream`.

    Returns
    -------
    polars.DataFrame
        A recorded setting has its meter, measured_at, role and ``setting``; everything else of it is null.
    """
    recorded = adjustments.select("meter", "measured_at", pl.lit("setting").alias("role")).with_columns(
        pl.col("meter").cast(readings.schema["meter"]),
        pl.col("role").cast(readings.schema["role"]),
        pl.lit(True).alias("recorded"),
    )
    stream = pl.concat([readings.with_columns(pl.lit(False).alias("recorded")), recorded], how="diagonal").sort(
        "meter", "measured_at", "sequence", "file_rank", "line", "replicate", nulls_last=True, maintain_order=True
    )
    is_setting = pl.col("role") == "setting"
    # a setting is a row of setting readings; its time is that of the last of them
    ends_setting = is_setting & (is_setting.shift(-1).over("meter") != True).fill_null(True)  # noqa: E712 - null-aware
    return stream.with_columns(
        (pl.col("role") == "part").cast(pl.Int64).cum_sum().over("meter").alias("parts_before"),
        ends_setting.cast(pl.Int64).cum_sum().over("meter").alias("settings_before"),
        (ends_setting.cast(pl.Int64).cum_sum().over("meter") - ends_setting.cast(pl.Int64)).alias("setting"),
        pl.when(ends_setting).then("measured_at").alias("phase"),
    ).with_columns(pl.col("phase").forward_fill().over("meter"))


def settings_of(stream: pl.DataFrame) -> pl.DataFrame:
    """Return the settings found in the exports: meter, at (time of the last reading), readings, blocks."""
    return (
        stream.filter(pl.col("role") == "setting")
        .with_columns(pl.col(pl.Categorical).cast(pl.String))
        .group_by("meter", "setting")
        .agg(
            pl.col("measured_at").max().alias("at"),
            pl.len().alias("readings"),
            pl.col("block").unique().sort().str.join(", ").alias("blocks"),
        )
        .sort("meter", "setting")
        .select("meter", "at", "readings", "blocks")
    )


def group_checks(
    stream: pl.DataFrame, *, gap: timedelta, run_gap: timedelta, actions: pl.DataFrame | None = None
) -> pl.DataFrame:
    """Group block readings into checks, and checks into runs.

    Parameters
    ----------
    stream
        From :func:`ordered_stream`, with value_at_reference, standard_deviation_at_reference (working unit), count,
        probe, frequency_khz, block, temperature_c, conflict, and `counts`: false for non-readings and readings left out.
    gap
        Readings this far apart, or further, are two checks.
    run_gap
        A check that begins this long after the one before ended, or longer, begins a run; at least `gap`.
    actions
        Recorded actions: meter, measured_at. A reading at the time of an action came before it.

    Returns
    -------
    polars.DataFrame
        One row a check, by meter and time: the series columns, check and run (numbers that no other meter has), at (last reading), first_at, readings,
        without_reference (readings that have no value at the reference temperature), mean,
        within_standard_deviation, within_degrees_of_freedom (exact over exported means), temperature_c.
    """
    blocks = _with_last_action(stream.filter((pl.col("role") == "block") & pl.col("counts")), actions)
    pause = pl.col("measured_at") - pl.col("measured_at").shift()

    def changed(*names: str) -> list[pl.Expr]:
        return [pl.col(name).ne_missing(pl.col(name).shift()) for name in names]

    run_ends = changed("meter", "parts_before", "settings_before", "_action_at")
    new_run = pl.any_horizontal(*run_ends, pause >= run_gap)
    change = pl.any_horizontal(*run_ends, *changed("probe", "frequency_khz", "block"), pause >= gap)
    known = pl.col("value_at_reference").is_not_null()
    n = pl.col("count").fill_null(1).filter(known)
    # from the first value on: a check of one exported mean keeps its digits to the last bit
    origin = pl.col("value_at_reference").filter(known).first()
    value = pl.col("value_at_reference").filter(known) - origin
    offset = (value * n).sum() / n.sum()
    deviation = pl.col("standard_deviation_at_reference").filter(known)
    new_meter = changed("meter")[0]
    grouped = (
        blocks.with_columns(
            change.cast(pl.Int64).alias("check"),
            new_run.cast(pl.Int64).alias("run"),
            (new_meter.cast(pl.Int64).cum_sum() - 1).alias("_meter"),
        )
        # numbers of one meter do not move when another one is checked: what rests on them stays as it is
        .with_columns(
            pl.col(name).cum_sum().over("meter") + NUMBERS_OF_A_METER * pl.col("_meter") for name in ("check", "run")
        )
        .group_by("check", maintain_order=True)
        .agg(
            pl.col("run", "parts_before", *SERIES).first(),
            pl.col("conflict").any(),
            pl.col("measured_at").max().alias("at"),
            pl.col("measured_at").min().alias("first_at"),
            n.sum().alias("readings"),
            pl.col("value_at_reference").is_null().sum().cast(pl.Int64).alias("without_reference"),
            (origin + offset).alias("mean"),
            (n.sum() - 1).alias("within_degrees_of_freedom"),
            # a mean of several without its standard deviation hides its own scatter: no figure within the check
            ((n > 1) & pl.col("standard_deviation_at_reference").filter(known).is_null())
            .any()
            .alias("scatter_unknown"),
            (((n - 1) * deviation**2).sum() + (n * (value - offset) ** 2).sum()).alias("squares"),
            pl.col("temperature_c").mean(),
        )
    )
    degrees = pl.col("within_degrees_of_freedom")
    has_scatter = (degrees > 0) & ~pl.col("scatter_unknown")
    return grouped.with_columns(
        pl.col(pl.Categorical).cast(pl.String),
        pl.when(has_scatter).then((pl.col("squares") / degrees).sqrt()).alias("within_standard_deviation"),
        pl.when(has_scatter).then(degrees).alias("within_degrees_of_freedom"),
    ).drop("squares", "scatter_unknown")


def _with_last_action(blocks: pl.DataFrame, actions: pl.DataFrame | None) -> pl.DataFrame:
    """Add when the last action before each reading was recorded for its meter."""
    if actions is None or not actions.height:
        return blocks.with_columns(pl.lit(None, blocks.schema["measured_at"]).alias("_action_at"))
    told = actions.select(pl.col("meter").cast(blocks.schema["meter"]), pl.col("measured_at").alias("_action_at")).sort(
        "_action_at"
    )
    # the times of each meter rise, as the join needs them to; that they do is nothing it can check
    return blocks.join_asof(
        told,
        left_on="measured_at",
        right_on="_action_at",
        by="meter",
        allow_exact_matches=False,
        check_sortedness=False,
    )


def judge_tolerance(
    checks: pl.DataFrame,
    blocks: pl.DataFrame,
    *,
    unit: str,
    tolerance: float,
    tolerance_unit: str,
    block_tolerance: dict[str, float],
) -> pl.DataFrame:
    """Add bias and the verdict of tolerance to each check, by the certificate that held at its time.

    Parameters
    ----------
    checks
        From :func:`group_checks`.
    blocks
        Reference table `blocks`.
    unit
        Working unit of the means.
    tolerance, tolerance_unit, block_tolerance
        Largest |bias| that passes, absolute; single blocks may have their own.

    Returns
    -------
    polars.DataFrame
        With certified_value, certificate_standard_uncertainty, tolerance (all in the working unit), bias,
        passes (null where there is no certificate or no mean), certificate, certificate_due_on.
    """
    checks = join_version(
        checks,
        blocks,
        key="block",
        at="at",
        columns={
            "certified_value": "_certified",
            "unit": "_unit",
            "expanded_uncertainty": "_expanded",
            "coverage_factor": "certificate_coverage_factor",
            "certificate": "certificate",
            "due_on": "certificate_due_on",
        },
    )
    # certificates are few and conversions scalar, so each distinct one is converted once
    distinct = (
        checks.select("block", "_certified", "_unit", "_expanded", "certificate_coverage_factor")
        .unique()
        .drop_nulls(["_certified", "_unit"])
    )
    rows = []
    for block, certified, given, expanded, coverage in distinct.iter_rows():
        value = convert(certified, given, unit)
        in_tolerance_unit = convert(certified, given, tolerance_unit)
        rows.append(
            {
                "block": block,
                "_certified": certified,
                "_unit": given,
                "_expanded": expanded,
                "certificate_coverage_factor": coverage,
                "certified_value": value,
                "certificate_standard_uncertainty": (
                    None if expanded is None else abs(expanded / (coverage or 2.0) * derivative(certified, given, unit))
                ),
                "tolerance": abs(
                    block_tolerance.get(block, tolerance) * derivative(in_tolerance_unit, tolerance_unit, unit)
                ),
            }
        )
    schema: dict[str, Any] = {
        **{
            name: checks.schema[name]
            for name in ("block", "_certified", "_unit", "_expanded", "certificate_coverage_factor")
        },
        "certified_value": pl.Float64,
        "certificate_standard_uncertainty": pl.Float64,
        "tolerance": pl.Float64,
    }
    certificates = pl.DataFrame(rows, schema=schema)
    joined = checks.join(
        certificates,
        on=["block", "_certified", "_unit", "_expanded", "certificate_coverage_factor"],
        how="left",
        nulls_equal=True,
        maintain_order="left",
    )
    bias = pl.col("mean") - pl.col("certified_value")
    return joined.with_columns(
        bias.alias("bias"),
        # a check that two exports state differently has not passed until a person decides which one holds
        ((bias.abs() <= pl.col("tolerance") + _TIES * pl.col("certified_value")) & ~pl.col("conflict")).alias("passes"),
    ).drop("_certified", "_unit", "_expanded")


def runs_of_checks(checks: pl.DataFrame, *, signals_make_suspect: bool) -> pl.DataFrame:
    """Summarise runs: a run passes when every block checked in it passes.

    Parameters
    ----------
    checks
        From :func:`add_limits`, with `rejects` (rule ids, empty text where none).
    signals_make_suspect
        Whether a reject of the multi-rule scheme counts as a failure.

    Returns
    -------
    polars.DataFrame
        meter, run, parts_before (part readings so far), first_at, last_at (of the checks that could be judged, if any),
        checks, conflicts, certified (checks on certified blocks), failed (checks), rejected (checks with a reject), passed: false if one
        check failed, null if no check could be judged or one on a certified block has no value, else true.
    """
    failed = ~pl.col("passes")
    if signals_make_suspect:
        failed = failed | (pl.col("rejects") != "")
    unjudged = pl.col("certified_value").is_not_null() & pl.col("mean").is_null()
    judged = pl.col("passes").is_not_null()
    return (
        checks.group_by("meter", "run")
        .agg(
            pl.col("parts_before").first(),
            # a block without a certificate decides nothing, so it lends a run no time either
            pl.coalesce(pl.col("first_at").filter(judged).min(), pl.col("first_at").min()).alias("first_at"),
            pl.coalesce(pl.col("at").filter(judged).max(), pl.col("at").max()).alias("last_at"),
            pl.col("conflict").sum().cast(pl.Int64).alias("conflicts"),
            pl.len().cast(pl.Int64).alias("checks"),
            failed.fill_null(False).sum().cast(pl.Int64).alias("failed"),
            (pl.col("rejects") != "").sum().cast(pl.Int64).alias("rejected"),
            pl.col("certified_value").count().cast(pl.Int64).alias("certified"),
            pl.col("passes").count().cast(pl.Int64).alias("_judged"),
            unjudged.any().alias("_unjudged"),
        )
        .with_columns(
            pl.when(pl.col("failed") > 0)
            .then(pl.lit(False))
            .when((pl.col("_judged") > 0) & ~pl.col("_unjudged"))
            .then(pl.lit(True))
            .alias("passed")
        )
        .drop("_judged", "_unjudged")
        .sort("meter", "first_at", "run")
    )
