"""Corrections for the geometry of the metal, from the site's own table: thickness, curvature, stacking, coating.

Order
-----
Temperature first, geometry second: a site determines a correction on its own metal as a difference of values stated at the
reference temperature, so there it is added, as a difference of conductivity. Corrections of different kinds add up; since
each is a difference, their order does not matter, and taking the sum away again gives back the value before. That the depth
of penetration follows the conductivity at the metal's temperature is left out: 10 °C change it by 2 %, and the correction,
a few %IACS at most, by as much of itself.

What shifts a whole lot by d shifts its limits by d in MIL-STD-1537C 4.4.3 (example 2: readings on single sheets 2 %IACS above
stacked ones, so 30.0 to 34.5 becomes 32.0 to 36.5). Here the readings are corrected by -d and the limits stay: the same
verdict, seen from the other side.

Which
-----
A row holds for readings of its kind, material, probe and frequency (an empty cell: any) whose quantity lies from `low`
(included) to `high` (not included), in the version that holds at the time of the reading. One row of a kind that fits is
applied; two that fit contradict each other, so neither is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import polars as pl

from pipeline.metrology.units import IACS_100_MS_PER_M
from schemas.versions import intervals

__all__ = [
    "QUANTITIES",
    "Overlap",
    "matching",
    "overlaps",
    "too_large",
]

QUANTITIES: Final = {"thickness": "mm", "curvature": "mm", "stacked": "pieces", "coating": "µm"}
"""Kinds of correction, and the unit of the quantity that each depends on."""

_KEYS: Final = ("material", "probe", "frequency_khz")
_IN_MS_PER_M: Final = {"MS/m": 1.0, "%IACS": IACS_100_MS_PER_M / 100.0}


@dataclass(frozen=True, slots=True)
class Overlap:
    """Two rows of one kind that fit one and the same reading."""

    kind: str
    first: str
    second: str


def _versions(table: pl.DataFrame) -> pl.DataFrame:
    """Return the rows that correct anything, with their value in MS/m and the time in which they hold."""
    return (
        intervals(table, ["correction"])
        .filter(pl.col("value").is_not_null())
        .with_columns(
            (pl.col("value") * pl.col("unit").replace_strict(_IN_MS_PER_M)).alias("value_ms_per_m"),
            pl.col("low").fill_null(0.0),
        )
    )


def too_large(table: pl.DataFrame, *, largest_iacs: float) -> list[tuple[str, float]]:
    """Return corrections beyond the largest one that is allowed.

    Parameters
    ----------
    table
        Reference table `corrections`.
    largest_iacs
        Largest amount, in %IACS.

    Returns
    -------
    list of (str, float)
        Name and value in %IACS, sorted.
    """
    rows = _versions(table).select("correction", pl.col("value_ms_per_m") / _IN_MS_PER_M["%IACS"]).sort("correction")
    return [(name, value) for name, value in rows.iter_rows() if abs(value) > largest_iacs * (1 + 1e-9)]


def overlaps(table: pl.DataFrame) -> list[Overlap]:
    """Return rows that would fit one and the same reading.

    Parameters
    ----------
    table
        Reference table `corrections`.

    Returns
    -------
    list of Overlap
        Sorted by kind and names. Versions of one correction never overlap.
    """
    rows = _versions(table).rows(named=True)
    found: set[tuple[str, str, str]] = set()
    for place, one in enumerate(rows):
        for other in rows[place + 1 :]:
            if one["kind"] != other["kind"] or one["correction"] == other["correction"]:
                continue
            if any(one[key] is not None and other[key] is not None and one[key] != other[key] for key in _KEYS):
                continue
            apart = any(
                first["high"] is not None and first["high"] <= second["low"]
                for first, second in ((one, other), (other, one))
            ) or any(
                first["holds_to"] is not None and first["holds_to"] <= second["holds_from"]
                for first, second in ((one, other), (other, one))
            )
            if not apart:
                found.add((one["kind"], *sorted((one["correction"], other["correction"]))))
    return [Overlap(*each) for each in sorted(found)]


def matching(readings: pl.DataFrame, table: pl.DataFrame, *, largest_iacs: float) -> pl.DataFrame:
    """Say for each reading which corrections apply.

    Parameters
    ----------
    readings
        Columns ``_row`` (unique), ``measured_at``, ``material``, ``probe``, ``frequency_khz``, ``thickness_mm`` (of all
        pieces together), ``radius_mm``, ``pieces``, ``coating_um``; texts as String.
    table
        Reference table `corrections`.
    largest_iacs
        A larger amount is not applied, in %IACS.

    Returns
    -------
    polars.DataFrame
        One row a reading that any row fits: ``_row``, ``correction_ms_per_m`` (null where nothing is applied),
        ``corrections`` (list of names, sorted) and ``correction_problem`` (text, else null).
    """
    quantity = {
        "thickness": "thickness_mm", "curvature": "radius_mm", "stacked": "pieces", "coating": "coating_um",
    }  # fmt: skip
    rows = _versions(table)
    kinds = [kind for kind in quantity if kind in set(rows["kind"].to_list())]
    keys = [*_KEYS, *(quantity[kind] for kind in kinds)]
    # where a row ends, too: a version without a value ends the one before
    borders = sorted({*rows["holds_from"], *rows["holds_to"].drop_nulls()})
    # readings of one geometry between two changes of the table are one case: cases are few
    since = pl.lit(0, pl.Int32)
    for border in borders[1:]:
        since = since + (pl.col("measured_at") >= border).cast(pl.Int32)
    placed = readings.with_columns(since.alias("_epoch"))
    distinct = placed.select("_epoch", *keys).unique().with_row_index("_case")
    start = pl.col("_epoch").replace_strict(dict(enumerate(borders)))
    found = [
        distinct.select(
            "_case", start.alias("_start"), *_KEYS, pl.col(quantity[kind]).cast(pl.Float64).alias("_quantity")
        )
        .join(rows.filter(pl.col("kind") == kind), how="cross", suffix="_of_row")
        .filter(
            *(pl.col(f"{key}_of_row").is_null() | (pl.col(key) == pl.col(f"{key}_of_row")) for key in _KEYS),
            pl.col("_quantity") >= pl.col("low"),
            pl.col("high").is_null() | (pl.col("_quantity") < pl.col("high")),
            pl.col("holds_from") <= pl.col("_start"),
            pl.col("holds_to").is_null() | (pl.col("_start") < pl.col("holds_to")),
        )
        .group_by("_case")
        .agg(
            pl.lit(kind).alias("kind"),
            pl.col("correction").sort().alias("names"),
            pl.col("value_ms_per_m").first(),
        )
        for kind in kinds
    ]
    each = pl.concat(found) if found else pl.DataFrame(schema={"_case": pl.UInt32})
    if not each.height:
        return pl.DataFrame(schema=_MATCHED)
    ambiguous = pl.col("names").list.len() > 1
    large = pl.col("value_ms_per_m").abs() > largest_iacs * (1 + 1e-9) * _IN_MS_PER_M["%IACS"]
    applied = ~ambiguous & ~large
    problem = (
        pl.when(ambiguous)
        .then(
            pl.format(
                "{} fit at once for {}, so none was applied; make their ranges exclude each other in "
                "reference/corrections.csv",
                pl.col("names").list.join(" and "),
                "kind",
            )
        )
        .when(large)
        .then(
            pl.format(
                "{} is larger than {} %IACS, so it was not applied; measure at a higher frequency (MIL-STD-1537C 4.4.3)",
                pl.col("names").list.first(),
                pl.lit(f"{largest_iacs:g}"),
            )
        )
    )
    of_case = (
        each.group_by("_case")
        .agg(
            pl.when(applied.any()).then(pl.col("value_ms_per_m").filter(applied).sum()).alias("correction_ms_per_m"),
            pl.col("names").filter(applied).list.first().alias("corrections"),
            problem.str.join("; ").alias("correction_problem"),
        )
        .with_columns(
            pl.when(pl.col("correction_problem") != "").then("correction_problem").alias("correction_problem"),
            pl.col("corrections").list.sort(),
        )
    )
    return (
        placed.select("_row", "_epoch", *keys)
        .join(distinct, on=["_epoch", *keys], nulls_equal=True)
        .join(of_case, on="_case")
        .select(*_MATCHED)
    )


_MATCHED: Final[dict[str, Any]] = {
    "_row": pl.UInt32,
    "correction_ms_per_m": pl.Float64,
    "corrections": pl.List(pl.String),
    "correction_problem": pl.String,
}
