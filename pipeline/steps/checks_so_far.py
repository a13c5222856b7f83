"""What the checks said of each meter before the closing run of each lot. Later checks change nothing that was given."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import polars as pl

from pipeline.metrology.uncertainty import coverage_factors
from schemas.versions import join_version

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.steps.assess import Assessment

__all__ = ["ENOUGH_CHECKS", "before_closing", "checks_so_far", "last_setting_of", "latest_checks"]

ENOUGH_CHECKS = 6
"""Below this the standard deviation between checks says less than the meter's accuracy statement."""

_DAY_US = 86_400_000_000.0
_SERIES = ["meter", "probe", "frequency_khz", "block"]


def checks_so_far(assessment: Assessment) -> pl.DataFrame:
    """Return each check on a certified block with what it and those before it say of the meter.

    Returns
    -------
    polars.DataFrame
        By series and time: the series columns, phase, checked_at, certified, certificate (standard uncertainty),
        certificate_coverage_factor, chain, drift_a_day (95 % bound of the trend of the bias), pooled_within,
        pooled_degrees_of_freedom (scatter within checks, over all phases); since the setting: checks, bias (mean),
        variance (of check means; null for one).
    """
    known = assessment.checks.filter(pl.col("bias").is_not_null()).sort(*_SERIES, "at", "check", nulls_last=False)
    known = join_version(
        known, assessment.tables["blocks"], key="block", at="at", columns={"certificate_chain": "chain"}
    )
    phase = [*_SERIES, "phase"]
    origin = pl.col("bias").first().over(phase)
    n = pl.int_range(1, pl.len() + 1).over(phase).cast(pl.Float64)
    shifted = pl.col("bias") - origin
    total, squares = shifted.cum_sum().over(phase), (shifted**2).cum_sum().over(phase)
    degrees = pl.col("within_degrees_of_freedom").fill_null(0.0).cast(pl.Float64)
    within = degrees * pl.col("within_standard_deviation").fill_null(0.0) ** 2
    so_far = known.with_columns(
        shifted.alias("_y"),
        ((pl.col("at") - pl.col("at").first().over(phase)).dt.total_microseconds() / _DAY_US).alias("_t"),
        n.alias("checks"),
        degrees.cum_sum().over(_SERIES).alias("pooled_degrees_of_freedom"),
        within.cum_sum().over(_SERIES).alias("_within"),
        # bias and mean scatter alike as long as the certificate stays; from the first value on, for its digits
        pl.when(n > 1).then((squares - total**2 / n) / (n - 1)).clip(lower_bound=0.0).alias("variance"),
        (origin + total / n).alias("_bias"),
    )
    pooled = pl.col("pooled_degrees_of_freedom")
    return _with_drift(so_far, phase).select(
        *_SERIES,
        "phase",
        pl.col("at").alias("checked_at"),
        pl.col("certified_value").alias("certified"),
        pl.col("certificate_standard_uncertainty").alias("certificate"),
        "certificate_coverage_factor",
        "chain",
        "checks",
        pl.col("_bias").alias("bias"),
        "variance",
        "drift_a_day",
        pl.when(pooled > 0).then((pl.col("_within") / pooled).sqrt()).alias("pooled_within"),
        "pooled_degrees_of_freedom",
    )


def _with_drift(so_far: pl.DataFrame, phase: list[str]) -> pl.DataFrame:
    """Add a 95 % bound of the trend of the bias since the setting, in the working unit a day (least squares)."""
    t, y, n = pl.col("_t"), pl.col("_y"), pl.col("checks")

    def total(value: pl.Expr) -> pl.Expr:
        return value.cum_sum().over(phase)

    sums = so_far.with_columns(
        (total(t * t) - total(t) ** 2 / n).alias("_tt"),
        (total(t * y) - total(t) * total(y) / n).alias("_ty"),
        (total(y * y) - total(y) ** 2 / n).alias("_yy"),
    )
    slope = pl.col("_ty") / pl.col("_tt")
    rest = ((pl.col("_yy") - slope * pl.col("_ty")) / (n - 2)).clip(lower_bound=0.0)
    # checks that stand within one hour tell nothing of a drift by the day
    usable = (n >= ENOUGH_CHECKS) & (pl.col("_tt") > n * (1 / 24) ** 2)
    factors = pl.Series("_k", coverage_factors((sums["checks"] - 2).clip(lower_bound=1).to_numpy(), coverage=0.95))
    return sums.with_columns(factors).with_columns(
        pl.when(usable).then(slope.abs() + pl.col("_k") * (rest / pl.col("_tt")).sqrt()).alias("drift_a_day")
    )


def latest_checks(assessment: Assessment, meter: str) -> pl.DataFrame:
    """Return what the checks of a meter say of it now: of :func:`checks_so_far` the last row of each series."""
    own = assessment.checks.filter(pl.col("meter") == meter)
    return checks_so_far(replace(assessment, checks=own)).unique(
        ["probe", "frequency_khz", "block"], keep="last", maintain_order=True
    )


def last_setting_of(assessment: Assessment, meter: str) -> datetime | None:
    """Return when a meter was last set; checks of an earlier phase say nothing of it as it is now."""
    at: datetime | None = assessment.meter_settings.filter(pl.col("meter") == meter)["at"].max()  # type: ignore[assignment]
    return at


def before_closing(levels: pl.DataFrame, assessment: Assessment) -> pl.DataFrame:
    """Return what the checks before each lot's closing run say, one row for each block of each meter that read the lot.

    Parameters
    ----------
    levels
        lot, meter, probe, frequency_khz, level (mean of its readings), last_at (of the lot).
    assessment
        With checks and brackets.

    Returns
    -------
    polars.DataFrame
        The columns of `levels` and those of :func:`checks_so_far`, with read_at (the last reading of the lot by the meter)
        and current (no setting of the meter lies between the check and that reading), by lot, meter, probe, frequency and
        block. Nothing is said of readings with an unknown clock.
    """
    so_far = checks_so_far(assessment)
    # the closing run itself does not count: it goes on as long as no part is read, so it could change what was given
    closing = (
        assessment.brackets.filter(pl.col("unknown_clock") == 0)
        .group_by("lot", "meter")
        .agg(
            pl.max_horizontal(pl.col("after_at").max(), pl.col("last_at").max()).alias("_until"),
            pl.col("last_at").max().alias("read_at"),
        )
    )
    settings = assessment.meter_settings.select("meter", pl.col("at").alias("_set_at")).sort("_set_at")
    wanted = (
        levels.join(closing, on=["lot", "meter"], how="left")
        # readings that were all left out stand in no bracket
        .with_columns(
            pl.coalesce("_until", "last_at").alias("_until"), pl.coalesce("read_at", "last_at").alias("read_at")
        )
        .drop_nulls("_until")
        .sort("read_at")
        .join_asof(
            settings, left_on="read_at", right_on="_set_at", by="meter", strategy="backward", check_sortedness=False
        )
    )
    blocks = so_far.select(_SERIES).unique().sort(_SERIES, nulls_last=False).with_row_index("_series")
    # join_asof matches no nulls, so probe and frequency become a number together with meter and block
    candidates = wanted.join(blocks, on=_SERIES[:3], how="inner", nulls_equal=True).sort("_until")
    right = so_far.join(blocks, on=_SERIES, how="inner", nulls_equal=True).drop(_SERIES).sort("checked_at")
    return (
        candidates.join_asof(
            right.with_columns(pl.col("checked_at").alias("_at")),
            left_on="_until",
            right_on="_at",
            by="_series",
            strategy="backward",
            allow_exact_matches=False,
            check_sortedness=False,
        )
        .drop_nulls("certified")
        # what was found before a setting says nothing of the meter after it
        .with_columns(pl.col("phase").eq_missing(pl.col("_set_at")).alias("current"))
        .drop("_until", "_series", "_at", "_set_at", strict=False)
        .sort("lot", "meter", "probe", "frequency_khz", "block", nulls_last=False)
    )
