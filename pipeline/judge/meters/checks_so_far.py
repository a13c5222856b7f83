"""What the checks said of each meter before the closing run of each lot. Later checks change nothing that was given."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.metrology.local_level import local_levels
from pipeline.metrology.uncertainty import coverage_factors
from schemas.versions import join_version

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.judge.assessment import Basis

__all__ = ["ENOUGH_CHECKS", "before_closing", "checks_so_far", "last_setting_of", "latest_checks"]

ENOUGH_CHECKS = 6
"""Below this the standard deviation between checks says less than the meter's accuracy statement."""

_DAY_US = 86_400_000_000.0
_SERIES = ["meter", "probe", "frequency_khz", "block"]
_ASKED = [
    *_SERIES, "phase", "at", "check", "bias", "within_degrees_of_freedom", "within_standard_deviation", "certified_value",
    "certificate_standard_uncertainty", "certificate_coverage_factor",
]  # fmt: skip


def checks_so_far(assessment: Basis, since: datetime | None = None) -> pl.DataFrame:
    """Return each check on a certified block with what it and those before it say of the meter.

    Parameters
    ----------
    assessment
        With checks.
    since
        A moment: checks of a setting are left out where those of a later one began before it. Of years of checks few are of now.

    Returns
    -------
    polars.DataFrame
        By series and time: the series columns, phase, checked_at, certified, certificate (standard uncertainty),
        certificate_coverage_factor, chain, drift_a_day (95 % bound of the trend of the bias between steps), pooled_within,
        pooled_degrees_of_freedom (scatter within checks, over all phases); since the setting: checks, bias (the meter's
        level), level_share, variance (of check means about it; null for one), since_step, as :func:`local_levels` has them.
    """
    known = assessment.checks.select(_ASKED).filter(pl.col("bias").is_not_null())
    known = known.sort(*_SERIES, "at", "check", nulls_last=False)
    phase = [*_SERIES, "phase"]
    degrees = pl.col("within_degrees_of_freedom").fill_null(0.0).cast(pl.Float64)
    within = degrees * pl.col("within_standard_deviation").fill_null(0.0) ** 2
    known = known.with_columns(
        degrees.cum_sum().over(_SERIES).alias("pooled_degrees_of_freedom"),
        within.cum_sum().over(_SERIES).alias("_within"),
    )
    if since is not None:
        known = known.with_columns(pl.col("at").first().over(phase).alias("_begun"))
        before = pl.col("_begun").filter(pl.col("_begun") < since).max().over(_SERIES)
        known = known.filter(pl.col("_begun") >= before.fill_null(pl.col("_begun"))).drop("_begun")
    known = join_version(
        known, assessment.tables["blocks"], key="block", at="at", columns={"certificate_chain": "chain"}
    )
    series = known.select(pl.struct(phase).rle_id()).to_series()
    # the bias moves as the mean does while the certificate stays, and a new certificate is a step like any other
    levels = local_levels(known["bias"].to_numpy(), series.to_numpy())
    so_far = known.with_columns(
        *levels.get_columns(),
        (pl.col("bias") - pl.col("bias").first().over(phase)).alias("_y"),
        ((pl.col("at") - pl.col("at").first().over(phase)).dt.total_microseconds() * (1.0 / _DAY_US)).alias("_t"),
        pl.int_range(1, pl.len() + 1).over(phase).cast(pl.Float64).alias("checks"),
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
        pl.col("level").alias("bias"),
        "level_share",
        "variance",
        "since_step",
        "drift_a_day",
        pl.when(pooled > 0).then((pl.col("_within") * (1.0 / pooled)).sqrt()).alias("pooled_within"),
        "pooled_degrees_of_freedom",
    )


def _with_drift(so_far: pl.DataFrame, phase: list[str]) -> pl.DataFrame:
    """Add a 95 % bound of the trend of the bias since the setting, in the working unit a day.

    Least squares with one slope and a level of its own between steps (analysis of covariance): a step is no drift.
    """
    t, y, n = pl.col("_t"), pl.col("_y"), pl.col("since_step").cast(pl.Float64)
    so_far = so_far.with_columns((pl.col("since_step") == 1).cast(pl.Int64).cum_sum().over(phase).alias("_stretch"))
    stretch = [*phase, "_stretch"]

    def squares(one: pl.Expr, other: pl.Expr) -> pl.Expr:
        # about the means of the stretch so far; what each check adds to it adds up over the stretches
        so_far = (one * other).cum_sum().over(stretch) - one.cum_sum().over(stretch) * other.cum_sum().over(stretch) / n
        return (so_far - so_far.shift(fill_value=0.0).over(stretch)).cum_sum().over(phase)

    sums = so_far.with_columns(
        squares(t, t).alias("_tt"),
        squares(t, y).alias("_ty"),
        squares(y, y).alias("_yy"),
        (pl.col("checks") - pl.col("_stretch") - 1).alias("_freedom"),
    )
    slope = pl.col("_ty") * (1.0 / pl.col("_tt"))
    rest = ((pl.col("_yy") - slope * pl.col("_ty")) * (1.0 / pl.col("_freedom"))).clip(lower_bound=0.0)
    # checks that stand within one hour tell nothing of a drift by the day
    usable = (pl.col("_freedom") >= ENOUGH_CHECKS - 2) & (pl.col("_tt") > pl.col("checks") * (1 / 24) ** 2)
    factors = pl.Series("_k", coverage_factors(sums["_freedom"].clip(lower_bound=1).to_numpy(), coverage=0.95))
    return sums.with_columns(factors).with_columns(
        pl.when(usable).then(slope.abs() + pl.col("_k") * (rest * (1.0 / pl.col("_tt"))).sqrt()).alias("drift_a_day")
    )


def latest_checks(assessment: Basis, meter: str) -> pl.DataFrame:
    """Return what the checks of a meter say of it now: of :func:`checks_so_far` the last row of each series."""
    own = assessment.checks.filter(pl.col("meter") == meter)
    return checks_so_far(assessment.restated(checks=own)).unique(
        ["probe", "frequency_khz", "block"], keep="last", maintain_order=True
    )


def last_setting_of(assessment: Basis, meter: str) -> datetime | None:
    """Return when a meter was last set; checks of an earlier phase say nothing of it as it is now."""
    at: datetime | None = assessment.meter_settings.filter(pl.col("meter") == meter)["at"].max()  # type: ignore[assignment]
    return at


def before_closing(levels: pl.DataFrame, assessment: Basis) -> pl.DataFrame:
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
    until: datetime | None = wanted["_until"].min()  # type: ignore[assignment]
    so_far = checks_so_far(assessment, until)
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
