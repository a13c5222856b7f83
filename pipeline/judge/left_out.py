"""Readings that enter no figure, counted by reason: what is stored is used, or stands here."""

from __future__ import annotations

import polars as pl

__all__ = ["WORDS", "left_out", "unused_on_blocks", "why_left_out"]

WORDS = {
    "excluded": "left out by a recorded decision",
    "non_readings": "without a value",
    "clock_unknown": "in no check and no order, because the meter's clock is not believed; set it, see `earliest_clock_year`",
    "without_reference": "without a value at the reference temperature",
}
"""What each reason means, as the end of a sentence that begins with a number of readings."""


def why_left_out() -> pl.Expr:
    """Return why a prepared reading enters no figure; null where it enters one. The first reason of several counts.

    A part reading whose clock is not believed enters its lot's figures (and its lot is not supported); one on a block or of a
    setting has no place among the others, and without its place it is no check.
    """
    return (
        pl.when("excluded")
        .then(pl.lit("excluded"))
        .when(pl.col("value").is_null())
        .then(pl.lit("non_readings"))
        .when((pl.col("role") != "part") & (pl.col("clock") != "known"))
        .then(pl.lit("clock_unknown"))
        .when((pl.col("role") != "setting") & pl.col("value_at_reference").is_null())
        .then(pl.lit("without_reference"))
    )


def unused_on_blocks(readings: pl.DataFrame, by_hand: frozenset[int]) -> pl.DataFrame:
    """Return what is to be said of single readings on blocks and of settings: most of them are no row of it.

    Parameters
    ----------
    readings
        Prepared.
    by_hand
        Files whose readings a person wrote down.

    Returns
    -------
    polars.DataFrame
        meter, measured_at, why (it enters no figure; null where it enters one), and of those on blocks no_reference_reason and by_hand.
    """
    block = pl.col("role") == "block"
    text = pl.col("meter", "why", "no_reference_reason").cast(pl.String)
    return (
        readings.filter(pl.col("role") != "part")
        .select(
            "meter",
            "measured_at",
            why_left_out().alias("why"),
            pl.when(block).then("no_reference_reason").alias("no_reference_reason"),
            (block & pl.col("source_id").is_in(sorted(by_hand))).alias("by_hand"),
        )
        .filter(pl.col("why").is_not_null() | pl.col("no_reference_reason").is_not_null() | pl.col("by_hand"))
        .with_columns(text)
    )


def left_out(readings: pl.DataFrame, by: str) -> dict[str, dict[str, int]]:
    """Count readings that enter no figure.

    Parameters
    ----------
    readings
        With the names and `why`, from :func:`why_left_out`.
    by
        Column that names whose they are: lot or meter.

    Returns
    -------
    dict
        By name, the number for each reason.
    """
    counted = (
        readings.select(pl.col(by).cast(pl.String), "why")
        .drop_nulls()
        .group_by(by, "why")
        .agg(pl.len().alias("n"))
        .sort(by, "why")
    )
    found: dict[str, dict[str, int]] = {}
    for name, why, number in counted.iter_rows():
        found.setdefault(name, {})[why] = number
    return found
