"""Limits of control for checks on reference blocks: provisional from certificate and accuracy, frozen from a baseline."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.metrology.block_checks import SERIES
from schemas.versions import join_version

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["FEWEST_BEHIND_LIMITS", "add_limits", "freeze", "recompute"]

FEWEST_BEHIND_LIMITS = 10
"""Limits from fewer checks say too little of the scatter to reject by, or to design a chart by (our own bound)."""


def freeze(checks: pl.DataFrame, *, baseline_checks: int) -> pl.DataFrame:
    """Compute the limits that the first checks of each series give.

    Parameters
    ----------
    checks
        With the series columns, at, check and mean.
    baseline_checks
        How many checks a baseline needs (20 by default).

    Returns
    -------
    polars.DataFrame
        Columns of `schemas.tables.BASELINE`, one row a series that has enough checks; `named` is false.
    """
    return (
        checks.filter(pl.col("mean").is_not_null())
        .sort(*SERIES, "at", "check")
        .group_by(*SERIES, maintain_order=True)
        .agg(
            pl.col("at").head(baseline_checks).min().alias("first_at"),
            pl.col("at").head(baseline_checks).max().alias("last_at"),
            pl.col("mean").head(baseline_checks).len().cast(pl.Int64).alias("checks"),
            pl.col("mean").head(baseline_checks).mean().alias("centre"),
            pl.col("mean").head(baseline_checks).std().alias("standard_deviation"),
        )
        .filter(pl.col("checks") >= baseline_checks)
        .with_columns(pl.lit(False).alias("named"))
    )


def recompute(checks: pl.DataFrame, baselines: pl.DataFrame, *, baseline_checks: int) -> pl.DataFrame:
    """Compute stored baselines again from the checks as they are now.

    Parameters
    ----------
    checks
        With the series columns, at, check and mean.
    baselines
        Columns of `schemas.tables.BASELINE`, one row a series.
    baseline_checks
        How many checks a baseline takes that nobody named.

    Returns
    -------
    polars.DataFrame
        The series columns, with `checks_again`, `centre_again`, `standard_deviation_again`.
    """
    members = (
        checks.filter(pl.col("mean").is_not_null())
        .join(
            baselines.select(*SERIES, pl.col("first_at", "last_at").name.prefix("_"), "named"),
            on=SERIES,
            nulls_equal=True,
        )
        .sort(*SERIES, "at", "check")
        .with_columns(pl.int_range(pl.len()).over(SERIES).alias("place"))
    )
    window = pl.col("at").is_between("_first_at", "_last_at")
    return (
        members.filter(pl.when("named").then(window).otherwise(pl.col("place") < baseline_checks))
        .group_by(SERIES, maintain_order=True)
        .agg(
            pl.len().cast(pl.Int64).alias("checks_again"),
            pl.col("mean").mean().alias("centre_again"),
            pl.col("mean").std().alias("standard_deviation_again"),
        )
    )


def add_limits(
    checks: pl.DataFrame,
    baselines: pl.DataFrame,
    meters: pl.DataFrame,
    *,
    widening: Callable[[int], float] = lambda _: 1.0,
) -> pl.DataFrame:
    """Add to each check the limits of control in force for it, and z.

    Provisional: centre = certified value, s² = u_block² + (accuracy/√3)², with the accuracy statement as a rectangular
    half width (GUM, JCGM 100:2008, 4.3.7). Frozen: centre and s of the baseline, s widened for what the baseline leaves
    unknown; they hold for the checks after the baseline, and for all checks of the series where a person named the baseline.

    Parameters
    ----------
    checks
        From :func:`judge_tolerance`.
    baselines
        Columns of `schemas.tables.BASELINE`; for one series the last row holds.
    meters
        Reference table `meters`, for the accuracy statement.
    widening
        Factor of the standard deviation of a baseline, by the number of its checks.

    Returns
    -------
    polars.DataFrame
        With limits_kind (provisional | frozen), centre, limit_standard_deviation (widened), limit_widening (1 on
        provisional limits), z in limit standard deviations (null where there are no limits), in_baseline, baseline_checks.
    """
    checks = join_version(checks, meters, key="meter", at="at", columns={"accuracy_percent": "_accuracy"})
    latest = baselines.unique(subset=SERIES, keep="last").select(
        *SERIES,
        pl.col("first_at").alias("_first_at"),
        pl.col("last_at").alias("_last_at"),
        pl.col("checks").alias("baseline_checks"),
        pl.col("centre").alias("_centre"),
        pl.col("standard_deviation").alias("_deviation"),
        pl.col("named").alias("_named"),
        pl.col("checks").replace_strict({n: widening(n) for n in baselines["checks"].unique()}).alias("_widening"),
    )
    checks = checks.join(latest, on=SERIES, how="left", nulls_equal=True, maintain_order="left")
    frozen = pl.col("_centre").is_not_null() & (pl.col("_named") | (pl.col("at") > pl.col("_last_at")))
    accuracy = pl.col("certified_value") * pl.col("_accuracy") / 100.0
    square = pl.col("certificate_standard_uncertainty").fill_null(0.0) ** 2 + accuracy.fill_null(0.0) ** 2 / 3.0
    return (
        checks.with_columns(
            frozen.alias("_frozen"),
            pl.col("at").is_between("_first_at", "_last_at").fill_null(False).alias("in_baseline"),
        )
        .with_columns(
            pl.when("_frozen").then(pl.lit("frozen")).otherwise(pl.lit("provisional")).alias("limits_kind"),
            pl.when("_frozen").then("_centre").otherwise("certified_value").alias("centre"),
            pl.when("_frozen").then("_widening").otherwise(1.0).alias("limit_widening"),
            pl.when("_frozen")
            .then(pl.col("_deviation") * pl.col("_widening"))
            .when(pl.col("certified_value").is_not_null() & (square > 0))
            .then(square.sqrt())
            .alias("limit_standard_deviation"),
        )
        .with_columns(
            pl.when(pl.col("limit_standard_deviation") > 0)
            .then((pl.col("mean") - pl.col("centre")) / pl.col("limit_standard_deviation"))
            .alias("z")
        )
        .drop("_accuracy", "_first_at", "_last_at", "_centre", "_deviation", "_named", "_widening", "_frozen")
    )
