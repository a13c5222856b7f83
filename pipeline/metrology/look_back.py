"""Look-back: what a meter touched since its last good check."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

if TYPE_CHECKING:
    from datetime import datetime

__all__ = ["lots_touched", "window_start"]


def window_start(runs: pl.DataFrame, meter: str) -> tuple[datetime | None, int, bool | None]:
    """Return the end of the last run that passed, its place, and whether the very last judged run passed.

    Parameters
    ----------
    runs
        From `runs_of_checks`, only those up to the moment of the question.
    meter
        Meter.

    Returns
    -------
    (datetime or None, int, bool or None)
        None where no run passed, and where no run could be judged; the place is the number of part readings before it.
    """
    judged = runs.filter((pl.col("meter") == meter) & pl.col("passed").is_not_null()).sort("parts_before", "run")
    if not judged.height:
        return None, 0, None
    good = judged.filter("passed")
    last = bool(judged["passed"][-1])
    return (good["last_at"][-1], int(good["parts_before"][-1]), last) if good.height else (None, 0, last)


def lots_touched(
    parts: pl.DataFrame, meter: str, end: datetime, *, since: datetime | None = None, after_parts: int = 0
) -> pl.DataFrame:
    """Return the lots that a meter read inside a window.

    Readings whose clock is unknown may have been taken at any time, so they are always inside.

    Parameters
    ----------
    parts
        Part readings: lot, meter, measured_at, clock, count, parts_before (null where the clock is unknown).
    meter
        Meter.
    end
        Last moment of the window.
    since
        First moment, excluded; None means no such limit.
    after_parts
        Place of the last good check: part readings up to this number came before it.

    Returns
    -------
    polars.DataFrame
        lot, readings, first, last, unknown_clock; the latest reading first.
    """
    inside = pl.col("measured_at") <= end
    inside = inside & (pl.col("parts_before") > after_parts)
    if since is not None:
        inside = inside & (pl.col("measured_at") > since)
    unknown = pl.col("clock") != "known"
    n = pl.col("count").fill_null(1)
    return (
        parts.filter((pl.col("meter") == meter) & (inside.fill_null(False) | unknown))
        .group_by("lot")
        .agg(
            n.sum().cast(pl.Int64).alias("readings"),
            pl.col("measured_at").min().alias("first"),
            pl.col("measured_at").max().alias("last"),
            n.filter(unknown).sum().cast(pl.Int64).alias("unknown_clock"),
        )
        .with_columns(pl.col("lot").cast(pl.String))
        .sort(["last", "lot"], descending=[True, False])
    )
