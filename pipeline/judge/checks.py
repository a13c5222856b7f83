"""From block readings to checks with their limits, signals and runs."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline import rules
from pipeline.judge.meters.drift import add_drift_charts
from pipeline.metrology import block_checks, control_limits
from pipeline.metrology.precision import add_precision

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.workspace.settings import Settings

__all__ = ["Checks", "compute_checks"]


@dataclass(frozen=True, slots=True)
class Checks:
    """What block readings say: `checks` with limits, z, warning and rejects; `part_stream` the place of part readings."""

    checks: pl.DataFrame
    runs: pl.DataFrame
    meter_settings: pl.DataFrame
    new_baselines: pl.DataFrame
    late_baselines: pl.DataFrame
    part_stream: pl.DataFrame


def compute_checks(
    prepared: pl.DataFrame,
    tables: Mapping[str, pl.DataFrame],
    settings: Settings,
    *,
    adjustments: pl.DataFrame,
    baselines: pl.DataFrame,
    beside: pl.DataFrame | None = None,
    actions: pl.DataFrame | None = None,
) -> Checks:
    """Compute checks, runs, settings, new baselines and baselines that late data would change.

    Parameters
    ----------
    prepared
        From `prepare`.
    tables
        Reference tables.
    settings
        Settings of the workspace.
    adjustments
        Recorded settings of meters.
    baselines
        Frozen limits as stored.
    beside
        Readings that only stand between others, of the role of a part: the order columns, lot, count, counts (false where
        they only part checks, as readings of studies do).
    actions
        Recorded actions on meters.

    Returns
    -------
    Checks
    """
    counts = (~pl.col("excluded") & pl.col("value").is_not_null()).alias("counts")
    # all readings are put in order, but only the few on blocks are looked at with all they carry
    known = (
        prepared.select(*_ORDER_COLUMNS, "lot", "count", "clock", counts)
        .with_row_index("_row")
        .filter(pl.col("clock") == "known")
        .drop("clock")
    )
    if beside is not None and beside.height:
        known = pl.concat([known, beside.cast({n: known.schema[n] for n in beside.columns})], how="diagonal")
    stream = block_checks.ordered_stream(known, adjustments)
    on_blocks = stream.filter(pl.col("role") != "part")
    on_blocks = on_blocks.with_columns(prepared.select(_BLOCK_COLUMNS)[on_blocks["_row"]].get_columns())
    checks = block_checks.group_checks(
        on_blocks,
        gap=timedelta(minutes=settings.check_gap_minutes),
        run_gap=timedelta(minutes=settings.run_gap_minutes),
        actions=actions,
    )
    checks = block_checks.judge_tolerance(
        checks,
        tables["blocks"],
        unit=settings.unit,
        tolerance=settings.tolerance,
        tolerance_unit=settings.tolerance_unit,
        block_tolerance=settings.block_tolerance,
    )
    series = block_checks.SERIES
    scale = [
        pl.lit(settings.unit).alias("unit"),
        pl.lit(settings.reference_temperature_c).alias("reference_temperature_c"),
    ]
    computed = control_limits.freeze(checks, baseline_checks=settings.baseline_checks).with_columns(scale)
    stored = baselines.unique(subset=series, keep="last", maintain_order=True)
    new = computed.join(stored, on=series, how="anti", nulls_equal=True, maintain_order="left")
    again = stored.join(
        control_limits.recompute(checks, stored, baseline_checks=settings.baseline_checks),
        on=series,
        how="left",
        nulls_equal=True,
        maintain_order="left",
    )
    same_scale = (pl.col("unit") == settings.unit) & (
        pl.col("reference_temperature_c") == settings.reference_temperature_c
    )
    changed = (pl.col("centre") - pl.col("centre_again")).abs() > 1e-9 * pl.col("centre").abs()
    late = again.filter(same_scale & (changed | (pl.col("checks") != pl.col("checks_again")))).select(
        "meter", "block", pl.col("centre").alias("frozen"), pl.col("centre_again").alias("recomputed")
    )
    # limits frozen in another unit, or at another reference temperature, are the same checks computed again
    in_force = again.with_columns(
        pl.when(same_scale).then("centre").otherwise("centre_again").alias("centre"),
        pl.when(same_scale)
        .then("standard_deviation")
        .otherwise("standard_deviation_again")
        .alias("standard_deviation"),
    ).select(new.columns)
    rejecting, few = settings.reject_rules.split(), control_limits.FEWEST_BEHIND_LIMITS
    checks = control_limits.add_limits(
        checks,
        pl.concat([new, in_force]),
        tables["meters"],
        widening=lambda behind: rules.widening(rejecting, settings.reject_run_length, max(behind, few)),
    )
    # a pattern is of one kind of limits: what lay beside the certificate says nothing of the meter's own centre
    checks = rules.apply(
        checks.sort("meter", "at", "check"),
        series=[*series, "limits_kind"],
        run=["meter", "run", "limits_kind"],
        rejecting=rejecting,
        where=(pl.col("limits_kind") == "frozen") & (pl.col("baseline_checks") >= few).fill_null(False),
    )
    checks = add_drift_charts(checks.sort("meter", "at", "check"), settings)
    checks = add_precision(checks, tables["meters"], unit=settings.unit, level=settings.precision_level)
    runs = block_checks.runs_of_checks(checks, signals_make_suspect=settings.signals_make_suspect)
    found = block_checks.settings_of(on_blocks).with_columns(
        pl.lit("export").alias("kind"), pl.lit(None, pl.String).alias("by")
    )
    recorded = adjustments.select("meter", pl.col("measured_at").alias("at"), "event", "kind", "by", "why")
    meter_settings = pl.concat([found, recorded], how="diagonal").sort("meter", "at", maintain_order=True)
    part_stream = stream.filter((pl.col("role") == "part") & pl.col("counts") & pl.col("lot").is_not_null()).select(
        "lot",
        "meter",
        "measured_at",
        "count",
        "parts_before",
        pl.lit("known").cast(prepared.schema["clock"]).alias("clock"),
    )
    return Checks(checks, runs, meter_settings, new, late, part_stream)


_ORDER_COLUMNS = ["meter", "measured_at", "sequence", "file_rank", "line", "replicate", "role"]


_BLOCK_COLUMNS: list[Any] = [
    pl.col("conflict_open").alias("conflict"), "probe", "frequency_khz", "block", "value_at_reference",
    "standard_deviation_at_reference", "temperature_c",
]  # fmt: skip
