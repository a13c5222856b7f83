"""Support of a lot by the checks of the meters that read it.

Each reading stands between two runs of checks of its meter. Readings between the same two runs form a bracket, and
the worst bracket decides:

suspect
    The last run before or the first run after failed.
unsupported
    No run before within the interval; or none after within it and that time is past; or the clock is unknown.
open
    No run after yet, and the interval is not over at `as_of`.
supported
    A run that passed stands before and after, each within the interval.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from schemas.declare import UTC_TIME

if TYPE_CHECKING:
    from datetime import datetime

__all__ = ["BRACKET_COLUMNS", "SUPPORT_ORDER", "brackets_of", "grown_old", "support_of_lots"]

SUPPORT_ORDER = ("suspect", "unsupported", "open", "supported")
"""Worst first."""

BRACKET_COLUMNS: dict[str, Any] = {
    "lot": pl.String,
    "meter": pl.String,
    "first_at": UTC_TIME,
    "last_at": UTC_TIME,
    "readings": pl.Int64,
    "unknown_clock": pl.Int64,
    "before_run": pl.Int64,
    "before_at": UTC_TIME,
    "before_passed": pl.Boolean,
    "after_run": pl.Int64,
    "after_at": UTC_TIME,
    "after_passed": pl.Boolean,
    "support": pl.String,
    "reason": pl.String,
}


def _place(parts: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    """Add the index of the last judged run before each reading, per meter; -1 where there is none.

    By place in the meter's stream, not by time: at equal times the order of the export decides, as it does for runs.
    """
    pieces = []
    for (meter,), group in parts.group_by("meter"):  # a handful of meters
        before = runs.filter(pl.col("meter") == meter)["parts_before"].to_numpy()
        # the j-th part reading comes after the runs that saw at most j - 1 part readings
        index = np.searchsorted(before, group["parts_before"].to_numpy() - 1, side="right") - 1
        pieces.append(group.with_columns(pl.Series("index", index, dtype=pl.Int64)))
    return pl.concat(pieces)


def brackets_of(parts: pl.DataFrame, runs: pl.DataFrame, *, interval: timedelta, as_of: datetime) -> pl.DataFrame:
    """Bracket the readings of lots by runs of checks and judge each bracket.

    Parameters
    ----------
    parts
        Part readings that count: lot, meter, measured_at, clock, count, and parts_before (from `ordered_stream`, the
        reading itself counted).
    runs
        From `runs_of_checks`; runs that could not be judged (passed is null) bracket nothing.
    interval
        Longest time between a reading and the run before or after it.
    as_of
        The moment at which the question is asked.

    Returns
    -------
    polars.DataFrame
        `BRACKET_COLUMNS`, sorted by lot, meter, first_at, before_run; readings of an unknown clock last.
    """
    if not parts.height:
        return pl.DataFrame(schema=BRACKET_COLUMNS)
    judged = runs.filter(pl.col("passed").is_not_null()).sort("meter", "parts_before", "run")
    numbered = judged.with_columns(pl.int_range(pl.len()).over("meter").cast(pl.Int64).alias("index")).select(
        "meter", "index", "run", "first_at", "last_at", "passed", "conflicts"
    )
    known = parts.filter(pl.col("clock") == "known")
    unknown = (
        parts.filter(pl.col("clock") != "known")
        .group_by("lot", "meter")
        .agg(
            pl.col("measured_at").min().alias("first_at"),
            pl.col("measured_at").max().alias("last_at"),
            pl.col("count").fill_null(1).sum().alias("readings"),
            pl.col("count").fill_null(1).sum().alias("unknown_clock"),
        )
        .with_columns(
            pl.col(pl.Categorical).cast(pl.String),
            pl.lit("unsupported").alias("support"),
            pl.lit("the meter's clock was wrong, so no check can be said to stand before or after").alias("reason"),
        )
    )
    placed = pl.DataFrame(schema=BRACKET_COLUMNS)
    if known.height:
        grouped = (
            _place(known, judged)
            .group_by("lot", "meter", "index")
            .agg(
                pl.col("measured_at").min().alias("first_at"),
                pl.col("measured_at").max().alias("last_at"),
                pl.col("count").fill_null(1).sum().alias("readings"),
            )
            .with_columns(
                pl.col(pl.Categorical).cast(pl.String),
                pl.lit(0, dtype=pl.Int64).alias("unknown_clock"),
                (pl.col("index") + 1).alias("next"),
            )
        )
        before = numbered.select(
            "meter",
            "index",
            pl.col("run").alias("before_run"),
            pl.col("last_at").alias("before_at"),
            pl.col("passed").alias("before_passed"),
            pl.col("conflicts").alias("before_conflicts"),
        )
        after = numbered.select(
            "meter",
            pl.col("index").alias("next"),
            pl.col("run").alias("after_run"),
            pl.col("first_at").alias("after_at"),
            pl.col("passed").alias("after_passed"),
            pl.col("conflicts").alias("after_conflicts"),
        )
        placed = grouped.join(before, on=["meter", "index"], how="left").join(after, on=["meter", "next"], how="left")
        placed = _judge(placed, interval=interval, as_of=as_of)
    result = pl.concat([placed, unknown], how="diagonal")
    return result.select(pl.col(name).cast(dtype) for name, dtype in BRACKET_COLUMNS.items()).sort(
        "lot", "meter", "unknown_clock", "first_at", "before_run"
    )


def _waits(interval: timedelta, as_of: datetime) -> pl.Expr:
    return pl.col("after_at").is_null() & ((pl.lit(as_of) - pl.col("first_at")) <= interval)


def _never_came(interval: timedelta) -> str:
    return f"no check came within {_hours(interval)} after the readings"


def _hours(interval: timedelta) -> str:
    return f"{interval / timedelta(hours=1):g} h"


def grown_old(brackets: pl.DataFrame, *, interval: timedelta, as_of: datetime) -> pl.DataFrame:
    """Return brackets as of a later moment at which no run is new: what waited for a closing check may wait no more.

    Parameters
    ----------
    brackets
        From `brackets_of`, as of an earlier moment.
    interval
        As it was then.
    as_of
        The later moment.
    """
    over = (pl.col("support") == "open") & ~_waits(interval, as_of)
    return brackets.with_columns(
        pl.when(over).then(pl.lit("unsupported")).otherwise("support").alias("support"),
        pl.when(over).then(pl.lit(_never_came(interval))).otherwise("reason").alias("reason"),
    )


def _judge(brackets: pl.DataFrame, *, interval: timedelta, as_of: datetime) -> pl.DataFrame:
    hours = _hours(interval)
    # every reading must keep the interval: the last one to the run before, the first one to the run after
    before_late = (pl.col("last_at") - pl.col("before_at")) > interval
    after_late = (pl.col("after_at") - pl.col("first_at")) > interval
    twice = "is stated differently by two exports; a person must decide which one holds (annealog record exclusion)"
    cases = [
        (
            ~pl.col("before_passed") & (pl.col("before_conflicts") > 0),
            "suspect",
            f"the last check before the readings {twice}",
        ),
        (
            ~pl.col("after_passed") & (pl.col("after_conflicts") > 0),
            "suspect",
            f"the first check after the readings {twice}",
        ),
        (~pl.col("before_passed"), "suspect", "the last check before the readings failed"),
        (~pl.col("after_passed"), "suspect", "the first check after the readings failed"),
        (pl.col("before_at").is_null(), "unsupported", "no check stands before the readings"),
        (
            before_late,
            "unsupported",
            f"the last check before the readings is more than {hours} older than the last of them",
        ),
        (_waits(interval, as_of), "open", "the closing check is missing"),
        (pl.col("after_at").is_null(), "unsupported", _never_came(interval)),
        (after_late, "unsupported", f"the first check came more than {hours} after the first of the readings"),
    ]
    support: pl.Expr = pl.lit("supported")
    reason: pl.Expr = pl.lit("checks that passed stand before and after")
    for condition, name, words in reversed(cases):
        support = pl.when(condition).then(pl.lit(name)).otherwise(support)
        reason = pl.when(condition).then(pl.lit(words)).otherwise(reason)
    return brackets.with_columns(support.alias("support"), reason.alias("reason"))


def support_of_lots(brackets: pl.DataFrame) -> pl.DataFrame:
    """Return the worst support of each lot, with its reasons in words and the order of its brackets: lot, support, support_reasons (list of text)."""
    rank = {name: place for place, name in enumerate(SUPPORT_ORDER)}
    ranked = brackets.with_columns(pl.col("support").replace_strict(rank).alias("rank"))
    worst = ranked.filter(pl.col("rank") == pl.col("rank").min().over("lot"))
    return worst.group_by("lot", maintain_order=True).agg(
        pl.col("support").first(),
        pl.format("{}: {}", "meter", "reason").unique(maintain_order=True).alias("support_reasons"),
    )
