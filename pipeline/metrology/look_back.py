"""Look-back: what a meter touched since its last good check."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

if TYPE_CHECKING:
    from datetime import datetime

__all__ = ["lots_touched", "window_start"]


def window_start(runs: pl.DataFrame, meter: str) -> tuple[datetime | None, bool | None]:
    """Return the end of the last run that passed, and whether the very last judged run passed.

    Parameters
    ----------
    runs
        From `runs_of_checks`, only those up to the moment of the question.
    meter
        Meter.

    Returns
    -------
    (datetime or None, bool or None)
        None where no run passed, and where no run could be judged.
    """
    judged = runs.filter((pl.col("meter") == meter) & pl.col("passed").is_not_null()).sort("first_at", "run")
    if not judged.height:
        return None, None
    good = judged.filter("passed")
    return (good["last_at"][-1] if good.height else None), bool(judged["passed"][-1])


def lots_touched(parts: pl.DataFrame, meter: str, start: datetime | None, end: datetime) -> pl.DataFrame:
    """Return the lots that a meter read inside a window.

    Readings whose clock is unknown may have been taken at any time, so they are always inside.

    Parameters
    ----------
    parts
        Part readings: lot, meter, measured_at, clock, count.
    meter
        Meter.
    start, end
        Window, the start excluded; None means from the first reading on.

    Returns
    -------
    polars.DataFrame
        lot, readings, first, last, unknown_clock; the latest reading first.
    """
    inside = pl.col("measured_at") <= end
    if start is not None:
        inside = inside & (pl.col("measured_at") > start)
    unknown = pl.col("clock") != "known"
    n = pl.col("count").fill_null(1)
    return (
        parts.filter((pl.col("meter") == meter) & (inside | unknown))
        .group_by("lot")
        .agg(
            n.sum().cast(pl.Int64).alias("readings"),
            pl.col("measured_at").min().alias("first"),
            pl.col("measured_at").max().alias("last"),
            n.filter(unknown).sum().cast(pl.Int64).alias("unknown_clock"),
        )
        .sort(["last", "lot"], descending=[True, False])
    )
