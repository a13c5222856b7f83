"""Reference tables in time: which version of a row holds when. The first version holds from the beginning."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache
from typing import TYPE_CHECKING

import polars as pl

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["intervals", "join_version", "version_at"]

_LONG = 500
"""Rows of a table from which on it pays to look only through those that are asked for."""


@cache
def _beginning() -> pl.Expr:
    # once, for making it computes; not while this is imported, for what computes starts threads, which forks do not survive
    return pl.lit(datetime(1, 1, 1, tzinfo=UTC), dtype=pl.Datetime("us", "UTC"))


def _from_when(table: pl.DataFrame, key: Sequence[str]) -> pl.LazyFrame:
    """Add `holds_from`: `valid_from`, but the beginning of time for the first version of a row.

    Not computed yet: tables are small, and each step that is computed by itself costs more than its rows.
    """
    ordered = table.lazy().sort(*key, "valid_from", nulls_last=False)
    first = pl.int_range(pl.len()).over(*key) == 0
    return ordered.with_columns(pl.when(first).then(_beginning()).otherwise("valid_from").alias("holds_from"))


def _one_version(table: pl.DataFrame, key: Sequence[str]) -> bool:
    """Whether no row has a second version, so that each holds from the beginning: the usual table."""
    return bool(table.height == (table[key[0]] if len(key) == 1 else table.select(key)).n_unique())


def version_at(table: pl.DataFrame, key: Sequence[str], moment: datetime | None) -> pl.DataFrame:
    """Return the version of each row that holds at a time.

    Parameters
    ----------
    table
        A reference table with `valid_from`.
    key
        Its key columns.
    moment
        Time in UTC; None means the latest version.
    """
    if _one_version(table, key):
        return table.sort(*key)
    ordered = _from_when(table, key)
    if moment is not None:
        ordered = ordered.filter(pl.col("holds_from") <= moment)
    return ordered.drop("holds_from").unique(subset=list(key), keep="last", maintain_order=True).collect()


def join_version(
    frame: pl.DataFrame, table: pl.DataFrame, *, key: str, at: str, columns: dict[str, str]
) -> pl.DataFrame:
    """Add columns of the version that holds at each row's own time; the order of rows stays.

    Parameters
    ----------
    frame
        Has the columns `key` and `at` (UTC time).
    table
        A reference table with a single key column and `valid_from`.
    key
        Name of the key column in both.
    at
        Time column of `frame`; a null time takes the first version.
    columns
        Column of the table -> name in the result. Rows without a match get nulls.
    """
    # of a few readings most of a long table says nothing
    if frame.height < table.height > _LONG:
        table = table.filter(pl.col(key).is_in(frame[key].cast(table.schema[key]).unique().implode()))
    alone = _one_version(table, [key])
    right = (table.lazy() if alone else _from_when(table, [key])).select(
        pl.col(key), *(() if alone else ("holds_from",)), *(pl.col(old).alias(new) for old, new in columns.items())
    )
    # a category and a text do not meet in a join; beside categories text stays in categories, which take a quarter of the room
    if frame.schema[key] == pl.Categorical:
        right = right.with_columns(pl.col(pl.String).cast(pl.Categorical))
    right = right.with_columns(pl.col(key).cast(frame.schema[key]))
    # only the key goes through the join: the other columns of millions of rows need not be copied
    if alone:
        found = frame.lazy().select(key).join(right, on=key, how="left", maintain_order="left")
        return frame.with_columns(found.select(columns.values()).collect().get_columns())
    joined = (
        frame.lazy()
        .select(key, pl.col(at).fill_null(_beginning()).alias("_at"))
        .with_row_index("_row")
        .sort("_at")
        .join_asof(
            right.sort("holds_from"),
            left_on="_at",
            right_on="holds_from",
            by=key,
            strategy="backward",
            check_sortedness=False,
        )
        .sort("_row")
    )
    return frame.with_columns(joined.select(columns.values()).collect().get_columns())


def intervals(table: pl.DataFrame, key: Sequence[str]) -> pl.DataFrame:
    """Return every version of every row with `holds_from` and `holds_to` (not included; null for the one that holds on).

    Parameters
    ----------
    table
        A reference table with `valid_from`.
    key
        Its key columns.
    """
    holds_to = pl.col("holds_from").shift(-1).over(*key).alias("holds_to")
    return _from_when(table, key).with_columns(holds_to).collect()
