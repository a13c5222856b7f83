"""Readings summarised by level, for all lots of a frame at once: spot, part, lot.

Every sum of squares is taken about a mean computed first, counted from a value of its own group, so that large values with a
small spread keep their digits.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
import scipy

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["NestedSummary", "nested"]

_LEVELS = ("lot", "part", "spot")


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
    value: str = "value",
    standard_deviation: str = "standard_deviation",
    instrument: Sequence[str] = (),
) -> NestedSummary:
    """Summarise all lots of a frame at once, level by level.

    A spot mean is the mean of its single readings (means of several readings weigh by their count); a part mean is the
    mean of its spot means; a lot mean is the mean of its part means, so that a part or spot read more often weighs no
    more. Repeatability pools the readings of one spot by one instrument: what two instruments differ on a spot, and a single
    reading of each, is none (ISO 3534-2, 3.3.5 to 3.3.9: the same operator and equipment; from memory). The mean square between the spots of a part, weighted by readings,
    is tested against it by the F ratio: exact for normal readings, for any number of readings a spot.

    Parameters
    ----------
    frame
        One row a reading or an exported mean: lot, part, spot, measured_at, value, count and standard deviation; the last two
        may be missing or null (one reading). A null part or spot is a part or spot of its own. Values in one unit. The order
        of the rows does not matter.
    value, standard_deviation
        Names of these columns.
    instrument
        Columns that together name what read it (meter, probe, frequency); null is an instrument of its own. None: all one.

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
    ranks, names = zip(*(_ranked(frame.get_column(key)) for key in _LEVELS), strict=True)
    read_by = _instruments(frame, instrument)
    spots = _spots(frame, ranks, [len(n) for n in names], value, standard_deviation, read_by)
    parts = _parts(spots)
    order_of_part = _places(parts["lot"])
    spots["part_order"] = order_of_part[parts["place_of_spot"]]
    shown = np.lexsort((spots["spot"], spots["part_order"], spots["first_at"], spots["lot"]))
    when = frame.schema["measured_at"]

    def named(level: dict[str, Any], order: Any, columns: Sequence[str]) -> pl.DataFrame:
        found = {}
        for column in columns:
            values = level[column] if order is None else level[column][order]
            if column in _LEVELS:
                found[column] = names[_LEVELS.index(column)].gather(values)
            else:
                found[column] = pl.Series(values).cast(when) if column == "first_at" else pl.Series(values)
        return pl.DataFrame(found)

    df = pl.col("df_within")
    deviation = pl.when(df > 0).then((pl.col("ss_within") / df).sqrt()).alias("standard_deviation")
    spot_values = (
        named(spots, shown, ("lot", "part", "spot", "readings", "mean", "ss_within", "df_within", "first_at", "part_order"))
        .with_columns(deviation, order=_places(spots["lot"][shown]))
        .select(
            "lot", "part", "spot", "readings", "mean", "ss_within", "df_within", "standard_deviation", "first_at",
            "part_order", "order",
        )
    )  # fmt: skip
    several = pl.col("spots") > 1
    part_values = (
        named(parts, None, ("lot", "part", "spots", "readings", "mean", "ss", "first_at"))
        .with_columns(order=order_of_part)
        .with_columns(
            pl.when(several).then((pl.col("ss") / (pl.col("spots") - 1)).sqrt()).alias("spot_standard_deviation")
        )
        .select("lot", "part", "order", "spots", "readings", "mean", "spot_standard_deviation", "first_at")
    )
    lots = _lots(spots, parts)
    lot_values = named(
        lots,
        None,
        ("lot", "readings", "parts", "spots", "mean", "ss", "minimum", "maximum", "ss_spots", "ss_within", "df_within"),
    )
    return NestedSummary(spot_values, part_values, _tested(lot_values))


def _ranked(column: pl.Series) -> tuple[NDArray[np.int64], pl.Series]:
    """Return the place of each text in the order of the texts, null last, and the texts with a null at their end."""
    text = column if column.dtype in (pl.String, pl.Categorical) else column.cast(pl.String)
    codes = text.cast(pl.Categorical)
    names = codes.unique().drop_nulls().cast(pl.String).sort()
    physical = codes.to_physical().cast(pl.Int64)
    if not names.len():
        kind = pl.String if column.dtype == pl.Categorical else column.dtype
        return np.zeros(column.len(), dtype=np.int64), pl.Series([None], dtype=kind)
    of_names = names.cast(pl.Categorical).to_physical().to_numpy()
    rank_of_code = np.zeros(int(of_names.max()) + 2, dtype=np.int64)
    rank_of_code[of_names] = np.arange(names.len())
    rank_of_code[-1] = names.len()
    ranks = rank_of_code[physical.fill_null(-1).to_numpy()]
    kept = names if column.dtype in (pl.String, pl.Categorical) else names.cast(column.dtype)
    return ranks, kept.extend_constant(None, 1)


def _instruments(frame: pl.DataFrame, columns: Sequence[str]) -> NDArray[np.int64] | None:
    """Return a number for each reading's instrument; None where there is only one."""
    # most columns hold one value: probe and frequency of a site with one of each cost nothing
    several = [name for name in columns if frame.get_column(name).n_unique() > 1]
    if not several:
        return None
    codes = np.zeros(frame.height, dtype=np.int64)
    for name in several:
        # in the order of the names: which other lots are in the frame must not decide a last bit
        ranks, names = _ranked(frame.get_column(name))
        codes = codes * names.len() + ranks
    return codes


def _starts(keys: NDArray[Any]) -> NDArray[np.int64]:
    """Return where each stretch of equal keys begins."""
    if not keys.size:
        return np.zeros(0, dtype=np.int64)
    return np.flatnonzero(np.concatenate([[True], keys[1:] != keys[:-1]]))


def _places(groups: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the place of each row in its stretch of equal groups, from 1."""
    start = _starts(groups)
    return np.arange(1, groups.size + 1) - np.repeat(start, np.diff(start, append=groups.size))


def _sum(values: NDArray[Any], start: NDArray[np.int64]) -> NDArray[Any]:
    """Sum stretches of values, in their order."""
    return np.asarray(np.add.reduceat(values, start))


def _spots(
    frame: pl.DataFrame,
    ranks: Sequence[NDArray[np.int64]],
    sizes: Sequence[int],
    value: str,
    standard_deviation: str,
    read_by: NDArray[np.int64] | None,
) -> dict[str, NDArray[Any]]:
    """Return the spots by lot, part, time of the first reading and name: means in a first pass, squares in a second.

    Sums of the same numbers in another order differ in the last bits, so the values of a spot are sorted: only their content
    decides. Squares are about the mean of each instrument on the spot.
    """
    has_count = "count" in frame.columns and frame.get_column("count").null_count() < frame.height
    has_deviation = (
        standard_deviation in frame.columns and frame.get_column(standard_deviation).null_count() < frame.height
    )
    key = (ranks[0] * sizes[1] + ranks[1]) * sizes[2] + ranks[2]
    selected = pl.DataFrame({"key": key}).with_columns(
        frame.get_column(value).cast(pl.Float64).alias("value"),
        frame.get_column("measured_at").to_physical().alias("at"),
        *([pl.Series("read_by", read_by)] if read_by is not None else []),
        *([frame.get_column("count").fill_null(1).cast(pl.Int64).alias("count")] if has_count else []),
        *([frame.get_column(standard_deviation).cast(pl.Float64).alias("deviation")] if has_deviation else []),
    )
    by = ["value", *(["count"] if has_count else []), *(["deviation"] if has_deviation else [])]
    ordered = selected.sort("key", *by)
    keys = ordered["key"].to_numpy()
    start = _starts(keys)
    mean, total, squares, freedom = _group(ordered, start)
    if read_by is not None:
        apart = selected.sort("key", "read_by", *by)
        of_spot, of_instrument = _starts(apart["key"].to_numpy()), _starts(apart["read_by"].to_numpy())
        begins = np.union1d(of_spot, of_instrument)
        _, _, squares, freedom = _group(apart, begins)
        places = np.searchsorted(begins, of_spot)
        squares, freedom = _sum(squares, places), _sum(freedom, places)
    at = ordered["at"].to_numpy()
    first_at = np.minimum.reduceat(at, start)
    of_lot, rest = np.divmod(keys[start], sizes[1] * sizes[2])
    of_part, of_spot = np.divmod(rest, sizes[2])
    order = np.lexsort((of_spot, first_at, of_part, of_lot))
    found = {
        "lot": of_lot, "part": of_part, "spot": of_spot, "readings": total, "mean": mean,
        "ss_within": squares, "df_within": freedom, "first_at": first_at,
    }  # fmt: skip
    return {name: column[order] for name, column in found.items()}


def _group(
    ordered: pl.DataFrame, start: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float64], NDArray[np.int64]]:
    """Return mean, readings, squares about the mean and degrees of freedom of stretches of readings."""
    values = ordered["value"].to_numpy()
    n = np.diff(start, append=values.size)
    # a group's first value as origin keeps the digits that a sum of large values would lose
    origin = values[start]
    shifted = values - np.repeat(origin, n)
    freedom, total = n - 1, n
    if "count" in ordered.columns:
        counts = ordered["count"].to_numpy()
        total = _sum(counts, start)
        offset = _sum(shifted * counts, start) / total
        squares = counts * (shifted - np.repeat(offset, n)) ** 2
        if "deviation" in ordered.columns:
            # squares inside an exported mean of several readings
            deviation = ordered["deviation"]
            squares = squares + (counts - 1) * deviation.fill_null(0.0).to_numpy() ** 2
            freedom = freedom + _sum(np.where(deviation.is_not_null().to_numpy(), counts - 1, 0), start)
    else:
        offset = _sum(shifted, start) / n
        squares = (shifted - np.repeat(offset, n)) ** 2
    return origin + offset, total, _sum(squares, start), freedom


def _means(values: NDArray[np.float64], start: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return mean and sum of squares about it of stretches of values, counted from the first of each."""
    n = np.diff(start, append=values.size)
    origin = values[start]
    shifted = values - np.repeat(origin, n)
    offset = _sum(shifted, start) / n
    return origin + offset, _sum((shifted - np.repeat(offset, n)) ** 2, start)


def _parts(spots: dict[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
    """Return the parts by lot, time of the first reading and name, with the weighted squares between their spots."""
    start = _starts(spots["lot"] * (int(spots["part"].max(initial=0)) + 1) + spots["part"])
    n = np.diff(start, append=spots["lot"].size)
    mean, squares = _means(spots["mean"], start)
    readings = _sum(spots["readings"], start)
    shifted = spots["mean"] - np.repeat(spots["mean"][start], n)
    weighted = _sum(shifted * spots["readings"], start) / readings
    first_at = np.minimum.reduceat(spots["first_at"], start)
    found = {
        "lot": spots["lot"][start], "part": spots["part"][start], "spots": n, "readings": readings, "mean": mean,
        "ss": squares, "ss_spots": _sum(spots["readings"] * (shifted - np.repeat(weighted, n)) ** 2, start),
        "first_at": first_at,
    }  # fmt: skip
    order = np.lexsort((found["part"], first_at, found["lot"]))
    place = np.empty(order.size, dtype=np.int64)
    place[order] = np.arange(order.size)
    return {name: column[order] for name, column in found.items()} | {"place_of_spot": np.repeat(place, n)}


def _lots(spots: dict[str, NDArray[Any]], parts: dict[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
    """Return the lots by name."""
    start, of_spots = _starts(parts["lot"]), _starts(spots["lot"])
    mean, squares = _means(parts["mean"], start)
    return {
        "lot": parts["lot"][start],
        "readings": _sum(parts["readings"], start),
        "parts": np.diff(start, append=parts["lot"].size),
        "spots": _sum(parts["spots"], start),
        "mean": mean,
        "ss": squares,
        "minimum": np.minimum.reduceat(parts["mean"], start),
        "maximum": np.maximum.reduceat(parts["mean"], start),
        "ss_spots": _sum(parts["ss_spots"], start),
        "ss_within": _sum(spots["ss_within"], of_spots),
        "df_within": _sum(spots["df_within"], of_spots),
    }


def _tested(lots: pl.DataFrame) -> pl.DataFrame:
    """Add repeatability and the test of spots within parts against it."""
    lots = lots.with_columns(
        (pl.col("spots") - pl.col("parts")).alias("spot_degrees_of_freedom"),
        pl.when(pl.col("parts") > 1).then((pl.col("ss") / (pl.col("parts") - 1)).sqrt()).alias("standard_deviation"),
    )
    df, df_spot = pl.col("df_within"), pl.col("spot_degrees_of_freedom")
    lots = lots.with_columns(
        pl.when(df > 0).then((pl.col("ss_within") / df).sqrt()).alias("repeatability"),
        pl.when(df_spot > 0).then(pl.col("ss_spots") / df_spot).alias("spot_mean_square"),
    ).with_columns(
        pl.when(df == 0)
        .then(pl.lit("no spot was read twice by one meter, so there is no repeatability"))
        .alias("repeatability_reason"),
        pl.when(df_spot == 0)
        .then(pl.lit("no part was read on two spots"))
        .when(df == 0)
        .then(pl.lit("no spot was read twice by one meter, so there is nothing to test against"))
        .when(pl.col("repeatability") == 0)
        .then(pl.lit("repeated readings never differ, so there is nothing to test against"))
        .alias("spot_reason"),
    )
    ratio = pl.when(pl.col("spot_reason").is_null()).then(pl.col("spot_mean_square") / pl.col("repeatability") ** 2)
    lots = lots.with_columns(ratio.alias("spot_f_ratio"))
    p_value = scipy.special.fdtrc(
        lots.get_column("spot_degrees_of_freedom").to_numpy(),
        lots.get_column("df_within").to_numpy(),
        lots.get_column("spot_f_ratio").to_numpy(),
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
