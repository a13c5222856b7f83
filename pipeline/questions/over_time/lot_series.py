"""The lots of a history as one frame in time order, and their subgroups: what charts of processes and suppliers start from."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import polars as pl

from schemas.versions import join_version

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.judge.assessment import Assessment

__all__ = ["STREAM_COLUMNS", "lots_frame", "subgroups_of"]

STREAM_COLUMNS = ("product", "line", "supplier")
"""What can tell one stream of lots from another."""

_COLUMNS = (
    "lot", "verdict", "support", "product", "material", "supplier", "specification", "mean", "standard_deviation", "minimum",
    "maximum", "lower", "upper", "expanded_uncertainty", "coverage_factor", "ppk", "first_at", "last_at", "parts",
)  # fmt: skip


def lots_frame(assessment: Assessment) -> pl.DataFrame:
    """Return one row a lot that was read, in order of time.

    Returns
    -------
    polars.DataFrame
        lot, verdict, support, product, material, supplier, specification, line, received_on, first_at, last_at, parts, mean,
        standard_deviation, minimum, maximum, range, lower, upper, expanded_uncertainty, coverage_factor, ppk.
    """
    frame = assessment.columns_of_lots(_COLUMNS)
    frame = join_version(
        frame.with_columns(pl.col("last_at").fill_null(assessment.as_of).alias("_at")),
        assessment.tables["lots"],
        key="lot",
        at="_at",
        columns={"line": "line", "received_on": "received_on"},
    ).drop("_at")
    return frame.with_columns((pl.col("maximum") - pl.col("minimum")).alias("range")).sort(
        "first_at", "lot", nulls_last=True
    )


def subgroups_of(
    assessment: Assessment, lots: pl.DataFrame, *, streams: Sequence[str], by: str, hours: float
) -> pl.DataFrame:
    """Return rational subgroups of part means, sorted by stream and time. Repeats on one spot are never a subgroup.

    Parameters
    ----------
    assessment
        Part means, and readings where subgroups go by time.
    lots
        From :func:`lots_frame`, or some of its rows.
    streams
        Columns of `STREAM_COLUMNS` that tell streams apart.
    by
        ``lot``, ``time`` (parts of one stream within so many hours, counted from local midnight) or ``part``.
    hours
        Length of a subgroup by time.

    Returns
    -------
    polars.DataFrame
        The columns of `streams`, subgroup, at, parts, mean, standard_deviation, range, judged (false where a failed check
        throws doubt on every part of it), lots (ids, joined by a comma), suspended (meters that read it, are suspended now and
        have an open event that touches it, joined by a comma).
    """
    found = _subgroups(assessment, lots, list(streams), by, hours)
    of_lot = {
        lot: {light.meter for light in lights if light.suspended and light.events}
        for lot, lights in assessment.came_to_light.items()
    }
    names = [
        ", ".join(sorted({meter for lot in lots.split(", ") for meter in of_lot.get(lot, ())}))
        for lots in found["lots"].to_list()
    ]
    return found.with_columns(pl.Series("suspended", names, dtype=pl.String))


def _subgroups(assessment: Assessment, lots: pl.DataFrame, keys: list[str], by: str, hours: float) -> pl.DataFrame:
    known = lots.filter(pl.col("mean").is_not_null() & pl.col("first_at").is_not_null())
    if by == "lot":
        return known.sort(*keys, "first_at", "lot", nulls_last=True).select(
            *keys,
            pl.col("lot").alias("subgroup"),
            pl.col("first_at").alias("at"),
            "parts",
            "mean",
            "standard_deviation",
            "range",
            (pl.col("support") != "suspect").alias("judged"),
            pl.col("lot").alias("lots"),
        )
    parts = (
        _parts_in_time(assessment)
        .join(
            known.select(*keys, "lot", "first_at", (pl.col("support") != "suspect").alias("judged")),
            on="lot",
            how="inner",
        )
        .with_columns(pl.col("at").fill_null(pl.col("first_at")))
    )
    if by == "part":
        return parts.sort(*keys, "at", "lot", "order", nulls_last=True).select(
            *keys,
            pl.format("{} / {}", "lot", "part").alias("subgroup"),
            "at",
            pl.lit(1, pl.Int64).alias("parts"),
            "mean",
            pl.lit(None, pl.Float64).alias("standard_deviation"),
            pl.lit(0.0).alias("range"),
            "judged",
            pl.col("lot").alias("lots"),
        )
    zone = str(assessment.settings.zone)
    local = pl.col("at").dt.convert_time_zone(zone).dt.replace_time_zone(None)
    length = timedelta(hours=hours) / timedelta(microseconds=1)
    number = ((local - local.dt.truncate("1d")).dt.total_microseconds() / length).floor().cast(pl.Int64)
    parts = parts.with_columns(
        local.dt.truncate("1d").alias("_day"), number.alias("_number"), pl.col("mean").alias("_value")
    ).sort(*keys, "at", "lot", "order", nulls_last=True)
    return (
        parts.group_by(*keys, "_day", "_number", maintain_order=True)
        .agg(
            pl.col("at").min(),
            pl.len().cast(pl.Int64).alias("parts"),
            pl.col("_value").mean().alias("mean"),
            pl.col("_value").std().alias("standard_deviation"),
            (pl.col("_value").max() - pl.col("_value").min()).alias("range"),
            pl.col("judged").all(),
            pl.col("lot").unique().sort().str.join(", ").alias("lots"),
        )
        .with_columns(pl.col("at").dt.convert_time_zone(zone).dt.strftime("%Y-%m-%d %H:%M").alias("subgroup"))
        .sort(*keys, "at", nulls_last=True)
        .select(*keys, "subgroup", "at", "parts", "mean", "standard_deviation", "range", "judged", "lots")
    )


def _parts_in_time(assessment: Assessment) -> pl.DataFrame:
    """Return part means with the time of the first reading of each part."""
    times = (
        assessment.readings.filter((pl.col("role") == "part") & ~pl.col("excluded") & (pl.col("clock") == "known"))
        .group_by("lot", "part")
        .agg(pl.col("measured_at").min().alias("at"))
        .with_columns(pl.col("lot", "part").cast(pl.String))
    )
    found = assessment.part_values.filter(pl.col("mean").is_not_null()).select("lot", "part", "order", "mean")
    return found.join(times, on=["lot", "part"], how="left")
