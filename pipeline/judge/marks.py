"""Where the part readings of other lots stand among what some meters read on blocks: all that a part of an assessment asks of them."""

from __future__ import annotations

import polars as pl

__all__ = ["MARK_COLUMNS", "NO_MARKS", "marks_of"]

MARK_COLUMNS = (
    "source_id", "line", "replicate", "measured_at", "clock", "meter", "role", "lot", "sequence", "value", "count", "run",
)  # fmt: skip
"""Columns of readings that marks are made of."""

NO_MARKS = pl.DataFrame(
    schema={
        "meter": pl.String,
        "lot": pl.String,
        "measured_at": pl.Datetime("us", "UTC"),
        "sequence": pl.Int64,
        "source_id": pl.Int32,
        "file_rank": pl.Int64,
        "line": pl.Int64,
        "replicate": pl.Int64,
        "role": pl.String,
        "count": pl.Int64,
        "counts": pl.Boolean,
        "study": pl.Boolean,
        "clock": pl.String,
    }
)


def marks_of(readings: pl.DataFrame, *, at_hand: list[str], studies: list[str]) -> pl.DataFrame:
    """Return the first and the last reading of each lot between two readings on blocks, and how many there are.

    So many rows as brackets stand for all readings of a meter: between two readings on blocks nothing else of them decides.

    Parameters
    ----------
    readings
        Every reading of the meters concerned: `MARK_COLUMNS`, `file_rank` and `excluded`.
    at_hand
        Lots whose readings are at hand.
    studies
        Runs whose readings count nowhere, but part checks.

    Returns
    -------
    polars.DataFrame
        The columns of `NO_MARKS`: lot is null where nothing counts (`study` where that is a study's); count is the number of readings that a mark stands for.
    """
    of_study = pl.col("run").is_in(studies).fill_null(value=False) if studies else pl.lit(False)
    frame = readings.with_columns(
        (pl.col("value").is_not_null() & pl.col("lot").is_not_null() & ~pl.col("excluded") & ~of_study).alias("counts"),
        ((pl.col("role") == "part") & ~pl.col("lot").is_in(at_hand).fill_null(value=False)).alias("other"),
        pl.col("count").fill_null(1),
        of_study.alias("study"),
    )
    order = ["meter", "measured_at", "sequence", "file_rank", "line", "replicate"]
    shown = [*order[1:], "source_id"]
    placed = (
        frame.filter(pl.col("clock") == "known")
        .sort(order, nulls_last=True)
        .with_columns((pl.col("role") != "part").cast(pl.Int64).cum_sum().over("meter").alias("gap"))
    )
    unknown = (
        frame.filter((pl.col("clock") != "known") & pl.col("counts"))
        .sort("measured_at")
        .with_columns(pl.lit(0, pl.Int64).alias("gap"))
    )
    found = []
    for rows in (placed, unknown):
        grouped = rows.filter("other").group_by(
            "meter", pl.when("counts").then("lot").alias("lot"), "counts", "study", "gap", "clock", maintain_order=True
        )
        ends = grouped.agg(
            pl.len().alias("n"),
            pl.col("count").sum(),
            *(getattr(pl.col(name), end)().alias(f"{name} {end}") for name in shown for end in ("first", "last")),
        )
        for end, which in (("first", pl.col("n") > 1), ("last", pl.lit(True))):
            found.append(
                ends.filter(which).select(
                    pl.col("meter", "lot").cast(pl.String),
                    *(pl.col(f"{name} {end}").alias(name) for name in shown),
                    pl.lit("part").alias("role"),
                    (pl.lit(0) if end == "first" else pl.col("count")).cast(pl.Int64).alias("count"),
                    "counts",
                    "study",
                    pl.col("clock").cast(pl.String),
                )
            )
    return pl.concat(found).select(NO_MARKS.columns).cast(NO_MARKS.schema)
