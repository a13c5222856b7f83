"""What is said of the rows behind lots without holding them: which files they came from, and what tells them from others."""

from __future__ import annotations

import polars as pl

from pipeline.judge.sums import sums

__all__ = ["files_of_lots", "row_keys"]

_OF_READINGS = [
    "source_id", "line", "replicate", "excluded", "conflict_open", "factor", "value_at_reference", "no_reference_reason",
]  # fmt: skip
"""What can change of a reading once it is stored, and which one it is."""


def files_of_lots(readings: pl.DataFrame) -> pl.DataFrame:
    """Return how many part readings of each lot came from each file: lot (null where none is named), source_id, n."""
    return (
        readings.filter(pl.col("role") == "part")
        .group_by("lot", "source_id")
        .agg(pl.len().cast(pl.Int64).alias("n"))
        .with_columns(pl.col("lot").cast(pl.String))
        .sort("lot", "source_id")
    )


def row_keys(
    readings: pl.DataFrame,
    exclusions: pl.DataFrame,
    spot_values: pl.DataFrame,
    budget_inputs: pl.DataFrame,
    bias_at_level: pl.DataFrame,
) -> dict[str, str]:
    """Return, by lot, a text that differs where anything differs of its readings, what people said of them, or its rows."""
    parts = readings.filter((pl.col("role") == "part") & pl.col("lot").is_not_null())
    excluded = parts.filter("excluded").select("lot", "source_id", "line").unique()
    said = excluded.join(exclusions, on=["source_id", "line"], how="inner")
    told = [
        sums(frame, "lot")
        for frame in (parts.select("lot", *_OF_READINGS), said, spot_values, budget_inputs, bias_at_level)
    ]
    return {lot: repr([one.get(lot) for one in told]) for lot in told[0]}
