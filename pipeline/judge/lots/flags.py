"""What a reader of a lot's verdict should know besides it: each flag is a code and a sentence with its number."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.judge.lots.geometry_flags import geometry_flags
from pipeline.judge.lots.temperature_flags import temperature_flags
from pipeline.statistics.constants import d2
from schemas.digits import counted

if TYPE_CHECKING:
    from pipeline.judge.assessment import Basis
    from pipeline.workspace.settings import Settings

__all__ = ["flags_of_lots", "supplier_levels"]


def _add(found: dict[str, list[str]], frame: pl.DataFrame, words: str, counting: str = "reading") -> None:
    """Add one flag to each lot of a frame with the columns lot, n (what is counted) and what else the words name."""
    for row in frame.with_columns(pl.col("lot").cast(pl.String)).sort("lot").iter_rows(named=True):
        found.setdefault(row["lot"], []).append(words.format(**row, counted=counted(row.get("n", 0), counting)))


def flags_of_lots(
    assessment: Basis,
    parts: pl.DataFrame,
    live: pl.DataFrame,
    unnamed: pl.DataFrame,
) -> dict[str, list[str]]:
    """Return the flags of each lot.

    Parameters
    ----------
    assessment
        Settings and checks.
    parts
        All part readings.
    live
        Those that count.
    unnamed
        Part readings that count and name no part.
    """
    found: dict[str, list[str]] = {}
    for flags in (temperature_flags(assessment, live), geometry_flags(assessment, live)):
        for lot, texts in flags.items():
            found.setdefault(lot, []).extend(texts)
    _add(
        found,
        parts.filter("excluded").group_by("lot").agg(pl.len().alias("n")),
        "excluded: {counted} left out by a recorded decision",
    )
    _add(
        found,
        parts.filter(pl.col("non_reading").is_not_null())
        .group_by("lot")
        .agg(pl.len().alias("n"), pl.col("non_reading").cast(pl.String).unique().sort().str.join(", ")),
        "non_readings: {counted} without a value ({non_reading})",
        "place",
    )
    _add(
        found,
        parts.filter("conflict").group_by("lot").agg(pl.len().alias("n")),
        "conflicting_reexport: {counted} that an earlier export contradicts",
    )
    _add(
        found,
        live.filter(pl.col("clock") != "known").group_by("lot").agg(pl.len().alias("n")),
        "clock_unknown: {counted} from a meter whose clock was wrong",
    )
    if unnamed.height:
        _add(
            found,
            unnamed.group_by("lot").agg(pl.len().alias("n")),
            "part_not_stated: {counted} without a part; each line counts as a part of its own",
        )
    _add(
        found,
        live.filter(pl.col("count") > 1).group_by("lot").agg(pl.len().alias("n")),
        "block_results: {counted}; minimum, maximum and normality of single readings are unknown",
        "exported mean",
    )
    if assessment.by_hand:
        hand = live.filter(pl.col("source_id").is_in(sorted(assessment.by_hand)))
        _add(
            found,
            hand.group_by("lot").agg(pl.len().alias("n")),
            "taken_by_hand: {counted} written down by a person, not exported by a meter",
        )
    bare = live.filter((pl.col("count") > 1) & pl.col("standard_deviation").is_null())
    _add(
        found,
        bare.group_by("lot").agg(pl.len().alias("n")),
        "scatter_unknown: {counted} without a standard deviation",
        "exported mean",
    )
    known = assessment.tables["meters"]["meter"].unique().to_list()
    _add(
        found,
        live.filter(~pl.col("meter").is_in(known))
        .group_by("lot")
        .agg(pl.col("meter").cast(pl.String).unique().sort().str.join(", ")),
        "meter_not_registered: {meter} does not stand in reference/meters.csv",
    )
    return found


def supplier_levels(lots: pl.DataFrame, settings: Settings) -> dict[str, str]:
    """Flag lots whose mean lies beyond the limits of the first lots of the same supplier and material.

    Limits: mean ± 3·MR-bar/d2 of the means of the first lots in order of reading, so that variation between lots is
    counted; they stay frozen (individuals chart, ISO 7870-2).

    Parameters
    ----------
    lots
        lot, supplier, material, first_at, mean; every lot with a mean.
    settings
        How many lots are the first ones.

    Returns
    -------
    dict
        Lot -> flag.
    """
    frame = lots.drop_nulls(["supplier", "material", "first_at"]).sort("supplier", "material", "first_at", "lot")
    group = ["supplier", "material"]
    baseline = (
        frame.group_by(group, maintain_order=True)
        .agg(pl.col("mean").head(settings.supplier_baseline_lots))
        .filter(pl.col("mean").list.len() >= settings.supplier_baseline_lots)
        .select(
            *group,
            pl.col("mean").list.mean().alias("centre"),
            (pl.col("mean").list.diff().list.drop_nulls().list.eval(pl.element().abs()).list.mean() / d2(2)).alias(
                "sigma"
            ),
        )
    )
    numbered = frame.with_columns(pl.int_range(pl.len()).over(group).alias("place")).join(
        baseline, on=group, how="inner"
    )
    beyond = numbered.filter(
        (pl.col("place") >= settings.supplier_baseline_lots)
        & (pl.col("sigma") > 0)
        & ((pl.col("mean") - pl.col("centre")).abs() > 3 * pl.col("sigma"))
    )
    return {
        row["lot"]: (
            f"supplier_level: the lot mean lies {abs(row['mean'] - row['centre']) / row['sigma']:.1f} standard deviations "
            f"{'below' if row['mean'] < row['centre'] else 'above'} the first {settings.supplier_baseline_lots} lots of "
            f"{row['material']} from {row['supplier']}"
        )
        for row in beyond.iter_rows(named=True)
    }
