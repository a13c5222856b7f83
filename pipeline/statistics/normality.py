"""Test of normality by Anderson and Darling, mean and standard deviation estimated from the same values.

A² with the correction of Stephens, A*² = A²·(1 + 0.75/n + 2.25/n²), and his formulas for p: D'Agostino and Stephens,
Goodness-of-Fit Techniques, 1986, table 4.9 (coefficients from memory; checked against another implementation in the tests).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import scipy

from pipeline.statistics.expressions import standard_deviation_expression

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "MINIMUM_VALUES",
    "NO_VALUE",
    "Normality",
    "anderson_darling",
    "anderson_darling_by_lot",
    "anderson_darling_of_lots",
]

MINIMUM_VALUES = 8
"""Fewer values than this say next to nothing, and the formulas for p do not hold (D'Agostino and Stephens; from memory)."""

_EQUAL = 1e-12


@dataclass(frozen=True, slots=True)
class Normality:
    """Statistic A², its corrected form A*² and p; None, with the reason, where they cannot be had."""

    values: int
    statistic: float | None
    corrected_statistic: float | None
    p_value: float | None
    reason: str | None


def _p_value(corrected: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return p by Stephens' four pieces."""
    # the last parabola would rise again beyond its vertex at 153, where p is below 1e-180
    a = np.minimum(corrected, 5.709 / (2.0 * 0.0186))
    return np.select(
        [a < 0.2, a < 0.34, a < 0.6],
        [
            1.0 - np.exp(-13.436 + 101.14 * a - 223.73 * a * a),
            1.0 - np.exp(-8.318 + 42.796 * a - 59.938 * a * a),
            np.exp(0.9177 - 4.279 * a - 1.38 * a * a),
        ],
        np.exp(1.2937 - 5.709 * a + 0.0186 * a * a),
    )


def anderson_darling(values: ArrayLike) -> Normality:
    """Test whether single values can be normal.

    Parameters
    ----------
    values
        One-dimensional, any unit.

    Raises
    ------
    ValueError
        If a value is not finite.
    """
    array = np.asarray(values, dtype=np.float64)
    if not np.isfinite(array).all():
        raise ValueError("values must be finite numbers")
    if array.size == 0:
        return NO_VALUE
    return anderson_darling_by_lot(pl.DataFrame({"lot": [""] * array.size, "mean": array}))[""]


NO_VALUE = Normality(0, None, None, None, "no value")


def anderson_darling_by_lot(part_values: pl.DataFrame) -> dict[str, Normality]:
    """Return by lot what :func:`anderson_darling_of_lots` finds."""
    return {lot: Normality(*found) for lot, *found in anderson_darling_of_lots(part_values).iter_rows()}


def anderson_darling_of_lots(part_values: pl.DataFrame) -> pl.DataFrame:
    """Test all lots at once.

    Parameters
    ----------
    part_values
        Columns lot, mean (of a part, any unit); any row order.

    Returns
    -------
    polars.DataFrame
        One row a lot, sorted: lot, parts, statistic, corrected_statistic, p_value, reason.
    """
    mean = pl.col("mean")
    ordered = part_values.select("lot", mean.cast(pl.Float64)).sort("lot", "mean", nulls_last=True)
    summary = ordered.group_by("lot", maintain_order=True).agg(
        pl.len().cast(pl.Int64).alias("parts"),
        mean.mean().alias("lot_mean"),
        standard_deviation_expression(mean).alias("sd"),
        mean.abs().max().alias("largest"),
    )
    summary = summary.with_columns(
        pl.when(pl.col("parts") < MINIMUM_VALUES)
        .then(pl.format("{} values; at least {} are needed to test for normality", "parts", pl.lit(MINIMUM_VALUES)))
        .when(pl.col("sd") <= _EQUAL * pl.col("largest"))
        .then(pl.lit("all values are equal"))
        .alias("reason")
    )
    usable = (
        ordered.join(
            summary.with_columns(reciprocal=1.0 / pl.col("sd")), on="lot", maintain_order="left", nulls_equal=True
        )
        .filter(pl.col("reason").is_null())
        .with_columns(
            # times the reciprocal: polars divides by a column otherwise when it happens to be constant, as for one lot
            z=(mean - pl.col("lot_mean")) * pl.col("reciprocal"),
            rank=pl.int_range(1, pl.len() + 1).over("lot"),
        )
    )
    z = usable.get_column("z").to_numpy()
    terms = usable.select(
        "lot",
        "parts",
        term=(2 * pl.col("rank") - 1) * pl.Series(values=scipy.special.log_ndtr(z), dtype=pl.Float64)
        + (2 * (pl.col("parts") - pl.col("rank")) + 1) * pl.Series(values=scipy.special.log_ndtr(-z), dtype=pl.Float64),
    )
    n = pl.col("parts")
    tested = (
        terms.group_by("lot", "parts")
        .agg(pl.col("term").sum())
        .with_columns(statistic=-n - pl.col("term") * (1.0 / n))
        .with_columns(corrected_statistic=pl.col("statistic") * (1.0 + 0.75 / n + 2.25 / n**2))
    )
    p_value = pl.Series("p_value", _p_value(tested.get_column("corrected_statistic").to_numpy()), dtype=pl.Float64)
    tested = tested.with_columns(p_value)
    return summary.join(tested, on="lot", how="left", maintain_order="left", nulls_equal=True).select(
        "lot", "parts", "statistic", "corrected_statistic", "p_value", "reason"
    )
