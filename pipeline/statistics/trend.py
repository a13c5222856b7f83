"""Trend by least squares with Student's t interval, and the F limit of a precision chart."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import scipy

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

__all__ = ["Slope", "precision_limit", "slope", "slopes"]

_EQUAL = 1e-12
"""A residual standard deviation below this part of the largest value is rounding noise."""

_COLUMNS = (
    "points",
    "slope",
    "intercept",
    "standard_error",
    "degrees_of_freedom",
    "low",
    "high",
    "p_value",
    "residual_standard_deviation",
    "r_squared",
    "reason",
)


@dataclass(frozen=True, slots=True)
class Slope:
    """A least-squares line; what cannot be computed is None, and `reason` says why.

    `slope`, `standard_error`, `low` and `high` are in units of y for one unit of x; `intercept` is the line at x = 0;
    `p_value` is two-sided, of the slope against zero.
    """

    points: int
    slope: float | None
    intercept: float | None
    standard_error: float | None
    degrees_of_freedom: int | None
    low: float | None
    high: float | None
    p_value: float | None
    residual_standard_deviation: float | None
    r_squared: float | None
    reason: str | None


def slope(x: ArrayLike, y: ArrayLike, *, confidence: float = 0.95) -> Slope:
    """Fit y = a + b·x by least squares; the interval of b is b ± t(n − 2)·SE(b).

    Parameters
    ----------
    x, y
        One-dimensional, same length, finite.
    confidence
        Of the two-sided interval.

    Raises
    ------
    ValueError
        If the lengths differ or a number is not finite.
    """
    if np.shape(x) != np.shape(y) or np.ndim(x) != 1:
        raise ValueError("x and y must be one-dimensional and of the same length")
    frame = pl.DataFrame({"x": np.asarray(x, dtype=np.float64), "y": np.asarray(y, dtype=np.float64)})
    if frame.height == 0:
        return Slope(0, None, None, None, None, None, None, None, None, None, "no point")
    row = slopes(frame.with_columns(g=pl.lit(0)), by=["g"], x="x", y="y", confidence=confidence).row(0, named=True)
    return Slope(**{name: row[name] for name in _COLUMNS})


def slopes(frame: pl.DataFrame, *, by: Sequence[str], x: str, y: str, confidence: float = 0.95) -> pl.DataFrame:
    """Fit one line for each group at once, as :func:`slope` does one.

    Parameters
    ----------
    frame
        One row a point, any row order. `x` is a number, or a time: then the slope is for one day (86 400 s) and the
        intercept is the line at the group's first time.
    by
        Columns of the groups.
    x, y
        Names of the columns; no nulls.
    confidence
        Of the two-sided interval.

    Returns
    -------
    polars.DataFrame
        One row a group, sorted by `by`: the group's columns, then points, slope, intercept, standard_error,
        degrees_of_freedom, low, high, p_value, residual_standard_deviation, r_squared, reason.

    Raises
    ------
    ValueError
        If a number is null or not finite, or the confidence is not between 0 and 1.
    """
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"a confidence of {confidence} makes no sense; expected a number between 0 and 1")
    keys = list(by)
    if frame.schema[x].is_temporal():
        origin = pl.col(x).min().over(keys)
        position = (pl.col(x) - origin).dt.total_microseconds() / 86_400e6
    else:
        position = pl.col(x).cast(pl.Float64)
    points = frame.select(*keys, position.alias("x"), pl.col(y).cast(pl.Float64).alias("y"))
    if points.select(pl.col("x", "y").is_null() | ~pl.col("x", "y").is_finite()).sum().sum_horizontal().sum():
        raise ValueError(f"columns {x} and {y} must hold finite numbers only")
    # sums in an order that only the content decides; centred in two passes
    points = points.sort([*keys, "x", "y"], nulls_last=True)
    dx, dy = pl.col("x") - pl.col("x").first(), pl.col("y") - pl.col("y").first()
    cx, cy = dx - dx.mean(), dy - dy.mean()
    fitted = points.group_by(keys, maintain_order=True).agg(
        pl.len().cast(pl.Int64).alias("points"),
        (pl.col("x").first() + dx.mean()).alias("mean_x"),
        (pl.col("y").first() + dy.mean()).alias("mean_y"),
        (cx**2).sum().alias("sxx"),
        (cx * cy).sum().alias("sxy"),
        (cy**2).sum().alias("syy"),
        (cy - cx * ((cx * cy).sum() / (cx**2).sum())).pow(2).sum().alias("sse"),
        pl.col("x").abs().max().alias("largest_x"),
        pl.col("y").abs().max().alias("largest_y"),
    )
    freedom = pl.col("points") - 2
    spread = (pl.col("sxx") / pl.col("points")).sqrt() > _EQUAL * pl.col("largest_x")
    residual = (pl.col("sse") / freedom).sqrt()
    fitted = fitted.with_columns(
        pl.when(pl.col("points") < 2)
        .then(pl.lit("one point has no slope"))
        .when(~spread)
        .then(pl.lit("all points stand at the same place of the axis, so there is no slope"))
        .alias("no_slope"),
    ).with_columns(
        pl.when(pl.col("no_slope").is_not_null())
        .then(pl.col("no_slope"))
        .when(pl.col("points") == 2)
        .then(pl.lit("two points have a slope, but nothing to judge it by; three are needed for an interval"))
        .when(residual <= _EQUAL * pl.col("largest_y"))
        .then(pl.lit("every point lies on the line, so there is nothing to judge the slope by"))
        .alias("reason"),
    )
    sloped, judged = pl.col("no_slope").is_null(), pl.col("reason").is_null()
    fitted = fitted.with_columns(
        pl.when(sloped).then(pl.col("sxy") / pl.col("sxx")).alias("slope"),
        pl.when(judged).then(freedom).alias("degrees_of_freedom"),
        pl.when(judged).then(residual).alias("residual_standard_deviation"),
        pl.when(judged).then(1.0 - pl.col("sse") / pl.col("syy")).alias("r_squared"),
    ).with_columns(
        (pl.col("mean_y") - pl.col("slope") * pl.col("mean_x")).alias("intercept"),
        (pl.col("residual_standard_deviation") / pl.col("sxx").sqrt()).alias("standard_error"),
    )
    nu = fitted.get_column("degrees_of_freedom").cast(pl.Float64).to_numpy()
    ratio = (fitted.get_column("slope").abs() / fitted.get_column("standard_error")).to_numpy()
    factor = pl.Series(values=scipy.special.stdtrit(nu, 0.5 + confidence / 2.0), dtype=pl.Float64)
    p_value = pl.Series(values=2.0 * scipy.special.stdtr(nu, -ratio), dtype=pl.Float64)
    return fitted.with_columns(
        (pl.col("slope") - factor * pl.col("standard_error")).alias("low"),
        (pl.col("slope") + factor * pl.col("standard_error")).alias("high"),
        pl.when(judged).then(p_value).alias("p_value"),
    ).select(*keys, *_COLUMNS)


def precision_limit(
    pooled_standard_deviation: float,
    degrees_of_freedom: float,
    pooled_degrees_of_freedom: float,
    *,
    probability: float = 0.95,
) -> float:
    """Return the upper limit of a precision chart: s1·√F(probability; ν, ν1).

    The standard deviation within one check is compared with the pooled one of many (NIST/SEMATECH e-Handbook of
    Statistical Methods, doi:10.18434/M32189, 2.6.2 and 2.2.2.1).

    Parameters
    ----------
    pooled_standard_deviation
        s1, above zero.
    degrees_of_freedom
        ν of the single check.
    pooled_degrees_of_freedom
        ν1 behind s1.
    probability
        Part of checks that stay below the limit while precision has not changed.

    Returns
    -------
    float
        In the unit of s1.

    Raises
    ------
    ValueError
        If a figure is not above zero or the probability is not between 0 and 1.
    """
    if min(pooled_standard_deviation, degrees_of_freedom, pooled_degrees_of_freedom) <= 0:
        raise ValueError("a precision limit needs a pooled standard deviation and degrees of freedom above zero")
    if not 0.0 < probability < 1.0:
        raise ValueError(f"a probability of {probability} makes no sense; expected a number between 0 and 1")
    quantile = float(scipy.special.fdtri(degrees_of_freedom, pooled_degrees_of_freedom, probability))
    return pooled_standard_deviation * sqrt(quantile)
