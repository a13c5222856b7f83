"""Which readings are new, which were loaded before, and which contradict what was loaded before.

A reading has a slot (when, by which meter, where) and a content (what was read). Equal slots of one file are told apart
by their occurrence. Matching is that of multisets: two equal readings in one second stay two, however often the file
or a longer export of it is loaded.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from schemas.tables import READING

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["CONTENT", "SLOT", "decide"]

SLOT = ("meter", "measured_at", "sequence", "role", "part", "spot")
"""Columns that say when, by which meter and where. The lot is content: a corrected lot is a conflict, not a new
reading."""

CONTENT = (
    "value",
    "unit",
    "temperature_c",
    "temperature_state",
    "lot",
    "block",
    "non_reading",
    "count",
    "standard_deviation",
)
"""Columns that say what was read, as the export wrote it."""

_FATE = pl.Enum(["new", "duplicate", "conflict"])


def _declared(frame: pl.DataFrame, columns: Sequence[str]) -> list[pl.Expr]:
    """Columns of one type in file and history, text as categorical; one that the frame has not is null."""
    schema = {name: pl.Categorical if dtype == pl.String else dtype for name, dtype in READING.polars_schema.items()}
    return [
        (pl.col(name).cast(schema[name]) if name in frame.columns else pl.lit(None, dtype=schema[name]).alias(name))
        for name in columns
    ]


def _struct_hash(frame: pl.DataFrame, columns: Sequence[str]) -> pl.Series:
    """Hash some columns; those without a value in the frame cannot tell rows apart and are passed over."""
    present = [name for name in columns if name in frame.columns and frame[name].null_count() < frame.height]
    return frame.select(pl.struct(pl.col(present)).hash(seed=0).alias("hash")).to_series()


def decide(new: pl.DataFrame, existing: pl.DataFrame, *, repeats_kept: bool) -> pl.DataFrame:
    """Give each reading of a file its fate and its occurrence.

    Inside a slot, equal contents of file and history pair off: those are duplicates. What is left of the file then
    contradicts what is left of the history, one to one: conflicts, stored too and flagged. What is left beyond that is
    new.

    Parameters
    ----------
    new
        Readings of one file, in its order, columns of ``schemas.READING``; those it has not may be missing.
    existing
        Readings of the history at the same meter and time (more do no harm), with the columns of :data:`SLOT` and
        :data:`CONTENT`, and ``occurrence`` where known.
    repeats_kept
        The layout says that neither time nor sequence tells readings apart: leftovers are new, never conflicts.

    Returns
    -------
    polars.DataFrame
        `new` in its order, with ``fate`` (new, duplicate, conflict) and ``occurrence`` (from 1).
    """
    rows = pl.int_range(new.height, dtype=pl.UInt32, eager=True).alias("row")
    # rows whose slot no other row of file or history can share need no further look
    suspects = _struct_hash(new, SLOT).is_duplicated() if new.height else pl.Series([], dtype=pl.Boolean)
    if existing.height and new.height:
        times = existing["measured_at"].cast(pl.Datetime("us", "UTC")).unique()
        suspects = suspects | new["measured_at"].is_in(times.implode())
    fate = pl.repeat("new", new.height, dtype=pl.String, eager=True)
    occurrence = pl.repeat(1, new.height, dtype=pl.Int64, eager=True)
    if suspects.any():
        chosen = rows.filter(suspects)
        decided = _decide_exactly(new.filter(suspects), existing, repeats_kept=repeats_kept)
        fate = fate.scatter(chosen, decided["fate"])
        occurrence = occurrence.scatter(chosen, decided["occurrence"])
    return new.with_columns(fate.cast(_FATE).alias("fate"), occurrence.alias("occurrence"))


def _ids(frame: pl.DataFrame, columns: Sequence[str]) -> pl.Series:
    """Give each distinct row of some columns a number.

    The hash serves as the number once every row is shown to equal, column by column, its neighbour of the same hash.
    """
    hashed = _struct_hash(frame, columns)
    order = hashed.arg_sort()
    in_order = hashed.gather(order)
    same = in_order.tail(-1) == in_order.head(-1)
    first, second = order.head(-1).filter(same), order.tail(-1).filter(same)
    for name in columns:
        column = frame[name]
        if column.null_count() < column.len() and not column.gather(first).eq_missing(column.gather(second)).all():
            return frame.select(pl.struct(columns).rank("dense").cast(pl.UInt64)).to_series()
    return hashed


def _decide_exactly(new: pl.DataFrame, existing: pl.DataFrame, *, repeats_kept: bool) -> pl.DataFrame:
    """Fate and occurrence of the rows that may share a slot with others."""
    columns = list(SLOT) + list(CONTENT)
    both = pl.concat([new.select(*_declared(new, columns)), existing.select(*_declared(existing, columns))])
    ids = pl.DataFrame({"slot": _ids(both, SLOT), "content": _ids(both, CONTENT)})
    del both
    file = ids.head(new.height).with_row_index("row")
    if not existing.height:
        return file.select(pl.lit("new").alias("fate"), (_place(file, "slot") + 1).alias("occurrence"))
    file = file.with_columns(_place(file, "slot", "content").alias("rank"))
    known = existing["occurrence"] if "occurrence" in existing.columns else pl.repeat(None, existing.height, eager=True)
    history = (
        ids.tail(existing.height)
        .with_columns(known.cast(pl.Int64).alias("occurrence"))
        .join(file.select("slot").unique(), on="slot", how="semi", maintain_order="left")
    )
    history = history.with_columns(pl.coalesce("occurrence", _place(history, "slot") + 1)).sort(
        "occurrence", maintain_order=True
    )
    history = history.with_columns(_place(history, "slot", "content").alias("rank"))
    paired = file.join(
        history.select("slot", "content", "rank", pl.col("occurrence").alias("paired")),
        on=["slot", "content", "rank"],
        how="left",
        maintain_order="left",
    )
    same = paired.filter(pl.col("paired").is_not_null())
    in_history = history.group_by("slot").agg(pl.len().alias("known"), pl.col("occurrence").max().alias("highest"))
    pairs = same.group_by("slot").agg(pl.len().alias("pairs"))
    contradicts = pl.col("place") < pl.col("known").fill_null(0) - pl.col("pairs").fill_null(0)
    left = paired.filter(pl.col("paired").is_null())
    left = (
        left.with_columns(_place(left, "slot").alias("place"))
        .join(in_history, on="slot", how="left", maintain_order="left")
        .join(pairs, on="slot", how="left", maintain_order="left")
        .select(
            "row",
            pl.when(contradicts & (not repeats_kept)).then(pl.lit("conflict")).otherwise(pl.lit("new")).alias("fate"),
            (pl.col("highest").fill_null(0) + pl.col("place") + 1).alias("occurrence"),
        )
    )
    same = same.select("row", pl.lit("duplicate").alias("fate"), pl.col("paired").alias("occurrence"))
    return pl.concat([left, same]).sort("row").select("fate", "occurrence")


def _place(frame: pl.DataFrame, *columns: str) -> pl.Series:
    """Place of each row among those that agree in some columns, from 0, in the order of the frame.

    Windows over groups of one row are slow, and most slots hold one row: only those that hold several are counted.
    """
    several = frame["slot"].is_duplicated()
    place = pl.repeat(0, frame.height, dtype=pl.Int64, eager=True)
    if not several.any():
        return place
    counted = frame.filter(several).select(pl.int_range(pl.len(), dtype=pl.Int64).over(columns)).to_series()
    return place.scatter(several.arg_true(), counted)
