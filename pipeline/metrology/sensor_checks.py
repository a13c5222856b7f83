"""Temperature sensors as equipment: their own checks, and between which of them a sensor cannot be relied on.

A check of a sensor is what was compared on one day, at one or more temperatures; it passes when every error (reading plus the
correction that held that day minus the reference) lies within its tolerance. Since a failure may have begun at any time after
the last check that passed, every reading from there on is in doubt, up to the next check that passes.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import polars as pl

from schemas.versions import join_version

if TYPE_CHECKING:
    from datetime import timedelta

__all__ = ["checks_of_sensors", "doubt_of_sensors"]

_TIES = 1e-9
"""An error within this of its tolerance is binary noise of decimal numbers and passes, in °C."""


def checks_of_sensors(sensor_checks: pl.DataFrame, sensors: pl.DataFrame, *, tolerance_c: float) -> pl.DataFrame:
    """Return one row a check: sensor, checked_on, points, error_c (the largest by amount), tolerance_c, passed.

    Parameters
    ----------
    sensor_checks, sensors
        Reference tables.
    tolerance_c
        Largest error that passes where a check names none, in °C.

    Returns
    -------
    polars.DataFrame
        Sorted by sensor and time. A point counts with the error relative to its own tolerance; `error_c` and
        `tolerance_c` are those of the worst point.
    """
    frame = join_version(
        sensor_checks, sensors, key="sensor", at="checked_on", columns={"correction_c": "_correction"}
    ).with_columns(
        (pl.col("reading_c") + pl.col("_correction").fill_null(0.0) - pl.col("reference_c")).alias("error_c"),
        pl.col("tolerance_c").fill_null(tolerance_c).alias("tolerance_c"),
    )
    worst = (pl.col("error_c").abs() / pl.col("tolerance_c")).arg_max()
    return (
        frame.sort("sensor", "checked_on", "reference_c")
        .group_by("sensor", "checked_on", maintain_order=True)
        .agg(
            pl.len().cast(pl.Int64).alias("points"),
            pl.col("error_c").get(worst),
            pl.col("tolerance_c").get(worst),
            (pl.col("error_c").abs() <= pl.col("tolerance_c") + _TIES).all().alias("passed"),
        )
    )


def doubt_of_sensors(used: pl.DataFrame, checks: pl.DataFrame, *, interval: timedelta | None) -> pl.DataFrame:
    """Say for each use of a sensor whether its checks stand behind it.

    Parameters
    ----------
    used
        Columns ``sensor`` (text) and ``measured_at``; others are kept.
    checks
        From :func:`checks_of_sensors`.
    interval
        Longest time between a good check and a use; None asks for none.

    Returns
    -------
    polars.DataFrame
        `used` with ``doubt``: ``failed`` (a failed check stands between the last good check before the use and the next
        good one after it), ``missing`` (no good check within the interval before it), else null; ``good_on`` (the last
        good check before it), ``failed_on``, ``error_c`` and ``tolerance_c`` (of the failed check). A failure in doubt is
        named before a missing check. Order of rows as in `used`.
    """
    placed = used.with_row_index("_place").sort("measured_at")
    # checks stand sorted by time within their sensor, which is what a join by sensor asks for
    good = checks.filter("passed").select("sensor", pl.col("checked_on").alias("good_on"))
    failed = checks.filter(~pl.col("passed")).select(
        "sensor", pl.col("checked_on").alias("failed_on"), "error_c", "tolerance_c"
    )
    found = placed.join_asof(
        good, left_on="measured_at", right_on="good_on", by="sensor", strategy="backward", check_sortedness=False
    ).join_asof(
        good.rename({"good_on": "_next_good"}), left_on="measured_at", right_on="_next_good", by="sensor",
        strategy="forward", allow_exact_matches=False, check_sortedness=False,
    )  # fmt: skip
    # the first failed check after the last good one: it, too, must stand before the next good one
    found = (
        found.with_columns(pl.col("good_on").fill_null(datetime.min.replace(tzinfo=UTC)).alias("_since"))
        .join_asof(
            failed, left_on="_since", right_on="failed_on", by="sensor", strategy="forward",
            check_sortedness=False,
        )
    )  # fmt: skip
    in_doubt = pl.col("failed_on").is_not_null() & (
        pl.col("_next_good").is_null() | (pl.col("failed_on") < pl.col("_next_good"))
    )
    missing = pl.lit(value=False)
    if interval is not None:
        missing = pl.col("good_on").is_null() | (pl.col("measured_at") - pl.col("good_on") > interval)
    return (
        found.with_columns(
            pl.when(in_doubt)
            .then(pl.lit("failed"))
            .when(missing)
            .then(pl.lit("missing"))
            .otherwise(pl.lit(None, pl.String))
            .alias("doubt")
        )
        .with_columns(
            pl.when(pl.col("doubt") == "failed").then(pl.col(name)).alias(name)
            for name in ("failed_on", "error_c", "tolerance_c")
        )
        .sort("_place")
        .drop("_place", "_since", "_next_good")
    )
