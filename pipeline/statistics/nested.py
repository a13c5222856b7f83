"""Readings summarised by level, for all lots of a frame at once: spot, part, lot.

Every sum of squares is taken about a mean computed first, counted from a value of its own group, so that large values with a
small spread keep their digits.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from scipy import special

from pipeline.statistics.expressions import standard_deviation_expression

__all__ = ["NestedSummary", "nested"]


@dataclass(frozen=True, slots=True)
class NestedSummary:
    """Spots, parts and lots of one frame of readings.

    `spot_values`: lot, part, spot, readings, mean, ss_within, df_within, standard_deviation (null without freedom),
    first_at, part_order, order (of the spot within its lot).
    `part_values`: lot, part, order (of the part within its lot), spots, readings, mean, spot_standard_deviation (null
    for one spot), first_at.
    `lot_values`: lot, readings, parts, spots, mean, standard_deviation, minimum, maximum (of part means; null where one
    part leaves no standard deviation), repeatability, repeatability_degrees_of_freedom, repeatability_reason,
    spot_mean_square, spot_degrees_of_freedom, spot_f_ratio, spot_p_value, spot_reason.
    """

    spot_values: pl.DataFrame
    part_values: pl.DataFrame
    lot_values: pl.DataFrame


def nested(
    frame: pl.DataFrame,
    *,
    lot: str = "lot",
    part: str = "part",
    spot: str = "spot",
    value: str = "value",
    count: str = "count",
    standard_deviation: str = "standard_deviation",
    measured_at: str = "measured_at",
) -> NestedSummary:
    """Summarise all lots of a frame at once, level by level.

    A spot mean is the mean of its single readings (means of several readings weigh by their count); a part mean is the
    mean of its spot means; a lot mean is the mean of its part means, so that a part or spot read more often weighs no
    more. Repeatability pools the readings of one spot. The mean square between the spots of a part, weighted by readings,
    is tested against it by the F ratio: exact for normal readings, for any number of readings a spot.

    Parameters
    ----------
    frame
        One row a reading or an exported mean. `count` and `standard_deviation` may be missing or null (one reading). A
        null part or spot is a part or spot of its own. Values in one unit. The order of the rows does not matter.
    lot, part, spot, value, count, standard_deviation, measured_at
        Names of the columns.

    Returns
    -------
    NestedSummary
        Sorted by lot, then time of the first reading, then name. An exported mean of several readings without a
        standard deviation adds to the degrees of freedom as one value, which its count weighs.

    Raises
    ------
    ValueError
        If a value is null, or not finite.
    """
    values = frame.get_column(value)
    if values.null_count() or not values.is_finite().all():
        raise ValueError(f"column {value} must hold finite numbers only; leave non-readings out before")
    readings = _readings(frame, (lot, part, spot), value, count, standard_deviation, measured_at)
    names = frame.select(pl.col(key).alias(name) for key, name in ((lot, "lot"), (part, "part"), (spot, "spot")))
    spots = _spots(readings, names)
    parts = _parts(spots)
    order_of_part = parts.select("lot", "part", part_order="order")
    spots = (
        spots.join(order_of_part, on=["lot", "part"], how="left", nulls_equal=True)
        .sort("lot", "first_at", "part_order", "spot", nulls_last=True)
        .with_columns(order=pl.int_range(1, pl.len() + 1).over("lot"))
    )
    return NestedSummary(spots, parts.drop("ss_spots"), _lots(spots, parts))


def _readings(
    frame: pl.DataFrame,
    keys: tuple[str, str, str],
    value: str,
    count: str,
    standard_deviation: str,
    measured_at: str,
) -> pl.DataFrame:
    """Return the readings with the number `id` of their spot, in an order that only their content decides.

    Sums of the same numbers in another order differ in the last bits, so the values of a spot are sorted.
    """
    has_count = count in frame.columns and frame.get_column(count).null_count() < frame.height
    has_deviation = (
        standard_deviation in frame.columns and frame.get_column(standard_deviation).null_count() < frame.height
    )
    codes = [f"code_{place}" for place in range(3)]
    selected = frame.select(
        # physical codes sort and group many times faster than text; they only have to tell keys apart
        *(
            pl.col(key).cast(pl.String).cast(pl.Categorical).to_physical().alias(code)
            for key, code in zip(keys, codes, strict=True)
        ),
        pl.int_range(pl.len(), dtype=pl.UInt32).alias("row"),
        pl.col(value).cast(pl.Float64).alias("value"),
        (pl.col(count).fill_null(1).cast(pl.Int64) if has_count else pl.lit(1, dtype=pl.Int64)).alias("count"),
        (pl.col(standard_deviation).cast(pl.Float64) if has_deviation else pl.lit(None, dtype=pl.Float64)).alias(
            "deviation"
        ),
        pl.col(measured_at).alias("measured_at"),
    )
    by = [*codes, "value", *(["count"] if has_count else []), *(["deviation"] if has_deviation else [])]
    changes = pl.any_horizontal(
        pl.int_range(pl.len()) == 0, *(pl.col(code).ne_missing(pl.col(code).shift(1)) for code in codes)
    )
    return selected.sort(by).with_columns(id=changes.cast(pl.UInt32).cum_sum()).drop(codes)


def _spots(readings: pl.DataFrame, names: pl.DataFrame) -> pl.DataFrame:
    """Return one row a spot: first pass for the means, second for the squares about them."""
    count, value = pl.col("count"), pl.col("value")
    known = pl.when(pl.col("deviation").is_not_null()).then(count - 1).otherwise(0)
    spots = (
        readings.with_columns(freedom=known)
        .group_by("id", maintain_order=True)
        .agg(
            pl.col("row").first(),
            count.sum().alias("readings"),
            pl.col("measured_at").min().alias("first_at"),
            value.first().alias("origin"),
            (pl.len().cast(pl.Int64) - 1 + pl.col("freedom").sum()).alias("df_within"),
        )
    )
    place = readings.get_column("id") - 1
    # a spot's first value as origin keeps the digits that a sum of large values would lose
    shifted = readings.select(
        "id",
        count,
        (value - spots.get_column("origin").gather(place)).alias("value"),
        # squares inside an exported mean of several readings
        ((count - 1) * pl.col("deviation").fill_null(0.0) ** 2).alias("ss_inside"),
    )

    def summed(term: pl.Expr) -> pl.Series:
        sums = shifted.select("id", term.alias("term")).group_by("id", maintain_order=True).agg(pl.col("term").sum())
        return sums.get_column("term")

    offset = summed(value * count) / spots.get_column("readings")
    squares = summed(count * (value - offset.gather(place)) ** 2 + pl.col("ss_inside")).alias("ss_within")
    spots = spots.with_columns(names[spots.get_column("row")].get_columns())
    return spots.select(
        "lot",
        "part",
        "spot",
        "readings",
        (pl.col("origin") + offset).alias("mean"),
        squares,
        "df_within",
        pl.when(pl.col("df_within") > 0).then((squares / pl.col("df_within")).sqrt()).alias("standard_deviation"),
        "first_at",
    ).sort("lot", "first_at", "part", "spot", nulls_last=True)


def _parts(spots: pl.DataFrame) -> pl.DataFrame:
    """Return one row a part, with the weighted sum of squares between its spots."""
    mean, readings, count = pl.col("mean"), pl.col("readings"), pl.col("spots")
    parts = (
        spots.group_by("lot", "part", maintain_order=True)
        .agg(
            pl.len().cast(pl.Int64).alias("spots"),
            readings.sum(),
            mean.first().alias("origin"),
            pl.col("first_at").min(),
        )
        .with_row_index("id")
    )
    # plain sums of columns, group by group, are several times faster than an expression evaluated in each group
    placed = spots.join(parts.select("lot", "part", "id", "origin"), on=["lot", "part"], how="left", nulls_equal=True)
    placed = placed.sort("id", "first_at", "spot", nulls_last=True).with_columns(shifted=mean - pl.col("origin"))
    shifted, place = pl.col("shifted"), placed.get_column("id")

    def summed(**terms: pl.Expr) -> pl.DataFrame:
        return placed.select("id", **terms).group_by("id", maintain_order=True).agg(pl.all().sum())

    first = summed(plain=shifted, weighted=shifted * readings)
    offset = first.get_column("plain") / parts.get_column("spots")
    centre = first.get_column("weighted") / parts.get_column("readings")
    second = summed(
        squares=(shifted - offset.gather(place)) ** 2, ss_spots=readings * (shifted - centre.gather(place)) ** 2
    )
    return (
        parts.with_columns(
            (pl.col("origin") + offset).alias("mean"),
            second.get_column("ss_spots"),
            pl.when(count > 1)
            .then((second.get_column("squares") / (count - 1)).sqrt())
            .alias("spot_standard_deviation"),
        )
        .sort("lot", "first_at", "part", nulls_last=True)
        .with_columns(order=pl.int_range(1, pl.len() + 1).over("lot"))
        .select("lot", "part", "order", "spots", "readings", "mean", "spot_standard_deviation", "ss_spots", "first_at")
    )


def _lots(spots: pl.DataFrame, parts: pl.DataFrame) -> pl.DataFrame:
    """Return one row a lot, with repeatability and the test of spots within parts against it."""
    mean = pl.col("mean")
    within = spots.group_by("lot", maintain_order=True).agg(pl.col("ss_within").sum(), pl.col("df_within").sum())
    lots = (
        parts.group_by("lot", maintain_order=True)
        .agg(
            pl.col("readings").sum(),
            pl.len().cast(pl.Int64).alias("parts"),
            pl.col("spots").sum(),
            (mean.first() + (mean - mean.first()).mean()).alias("mean"),
            standard_deviation_expression(mean).alias("standard_deviation"),
            mean.min().alias("minimum"),
            mean.max().alias("maximum"),
            pl.col("ss_spots").sum(),
            (pl.col("spots") - 1).sum().alias("spot_degrees_of_freedom"),
        )
        .join(within, on="lot", how="left", nulls_equal=True)
        .sort("lot", nulls_last=True)
    )
    df, df_spot = pl.col("df_within"), pl.col("spot_degrees_of_freedom")
    lots = lots.with_columns(
        pl.when(df > 0).then((pl.col("ss_within") / df).sqrt()).alias("repeatability"),
        pl.when(df_spot > 0).then(pl.col("ss_spots") / df_spot).alias("spot_mean_square"),
    ).with_columns(
        pl.when(df == 0)
        .then(pl.lit("no spot was read twice, so there is no repeatability"))
        .alias("repeatability_reason"),
        pl.when(df_spot == 0)
        .then(pl.lit("no part was read on two spots"))
        .when(df == 0)
        .then(pl.lit("no spot was read twice, so there is nothing to test against"))
        .when(pl.col("repeatability") == 0)
        .then(pl.lit("repeated readings never differ, so there is nothing to test against"))
        .alias("spot_reason"),
    )
    ratio = pl.when(pl.col("spot_reason").is_null()).then(pl.col("spot_mean_square") / pl.col("repeatability") ** 2)
    lots = lots.with_columns(ratio.alias("spot_f_ratio"))
    p_value = special.fdtrc(
        lots.get_column("spot_degrees_of_freedom").to_numpy(),
        lots.get_column("df_within").to_numpy(),
        lots.get_column("spot_f_ratio").fill_null(0.0).to_numpy(),
    )
    return lots.with_columns(spot_p_value=pl.Series(values=p_value, dtype=pl.Float64)).select(
        "lot",
        "readings",
        "parts",
        "spots",
        "mean",
        "standard_deviation",
        "minimum",
        "maximum",
        "repeatability",
        pl.col("df_within").alias("repeatability_degrees_of_freedom"),
        "repeatability_reason",
        "spot_mean_square",
        "spot_degrees_of_freedom",
        "spot_f_ratio",
        pl.when(pl.col("spot_reason").is_null()).then(pl.col("spot_p_value")).alias("spot_p_value"),
        "spot_reason",
    )
