"""Acceptance by variables with unknown standard deviation: the k method, estimates of nonconforming parts, their plan's curve.

ISO 3951 (s method) and MIL-STD-414 section B, variability unknown (formulas from memory). n and k come from the plan; tables are
not part of this product.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import scipy

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "Acceptance",
    "accept_by_k",
    "acceptance_of_lots",
    "estimated_nonconforming",
    "operating_characteristic",
]

_EQUAL = 1e-12


@dataclass(frozen=True, slots=True)
class Acceptance:
    """Result of the k method; None, with the reason, where it cannot be applied.

    `quality_lower` is (mean − L)/s, `quality_upper` (U − mean)/s. `nonconforming` (as a fraction) is the sum of the estimates
    beyond each limit, `most_nonconforming` what may lie beyond both (M): that of the plan, else the one that k stands for.
    """

    accepted: bool | None
    rule: str
    quality_lower: float | None
    quality_upper: float | None
    nonconforming: float | None
    most_nonconforming: float | None
    reason: str | None


def estimated_nonconforming(quality: ArrayLike, n: ArrayLike) -> NDArray[np.float64]:
    """Return the best unbiased estimate of the fraction beyond one limit of a normal lot.

    p = I_x(n/2 − 1, n/2 − 1) with x = 1/2 − Q·√n/(2·(n − 1)), held to 0..1 (Lieberman and Resnikoff, J. Am. Stat. Assoc. 50,
    457, 1955; MIL-STD-414, 1957, form 2; from memory).

    Parameters
    ----------
    quality
        Q = (U − mean)/s or (mean − L)/s, any shape.
    n
        Parts, at least 3, same shape.

    Returns
    -------
    numpy.ndarray
        Fractions.

    Raises
    ------
    ValueError
        If an n is below 3.
    """
    size = np.asarray(n, dtype=np.float64)
    if (size < 3).any():
        raise ValueError("the estimate of nonconforming parts needs at least 3 parts")
    x = np.clip(0.5 - np.asarray(quality, dtype=np.float64) * np.sqrt(size) / (2.0 * (size - 1.0)), 0.0, 1.0)
    return np.asarray(scipy.special.betainc(size / 2.0 - 1.0, size / 2.0 - 1.0, x))


def accept_by_k(
    parts: int,
    mean: float | None,
    standard_deviation: float | None,
    k: float | None,
    lower: float | None,
    upper: float | None,
    most_percent: float | None = None,
) -> Acceptance:
    """Apply the k method to one lot, as :func:`acceptance_of_lots` does to many.

    Parameters
    ----------
    parts
        Parts measured.
    mean, standard_deviation
        Of the parts, in the unit of the limits; None where there is none.
    k
        Acceptability constant of the plan; None where it states only M.
    lower, upper
        Limits; None where there is none.
    most_percent
        M of the plan for two limits, in percent; None: computed from k.
    """
    row = acceptance_of_lots(
        pl.DataFrame(
            [("", parts, mean, standard_deviation, k, lower, upper, most_percent)],
            schema={
                "lot": pl.String,
                "parts": pl.Int64,
                "mean": pl.Float64,
                "standard_deviation": pl.Float64,
                "k": pl.Float64,
                "lower": pl.Float64,
                "upper": pl.Float64,
                "most_nonconforming_percent": pl.Float64,
            },
            orient="row",
        )
    ).row(0, named=True)
    return Acceptance(**{key: row[key] for key in row if key not in ("lot", "k", "lower", "upper", "parts")})


def acceptance_of_lots(lots: pl.DataFrame) -> pl.DataFrame:
    """Apply the k method to all lots at once.

    One limit: accept when Q >= k. Two limits: accept when the estimated fractions beyond both, together, are not above M. M is
    that of the plan's table where it is given (MIL-STD-414 section B, form 2), and nothing else is asked then: k is printed
    with two or three digits, and the M computed from it lies beside the table's, so that lots which the standard accepts would
    be rejected. Where only k is given, M is the estimate that belongs to Q = k, and Q >= k is asked at each limit, too. A
    standard deviation of zero gives no Q: the lot is then not assessed by this method.

    Parameters
    ----------
    lots
        Columns lot, parts, mean, standard_deviation, k, lower, upper (one unit), and most_nonconforming_percent where a plan
        gives M; null where there is none.

    Returns
    -------
    polars.DataFrame
        One row a lot in the order given: lot, parts, k, lower, upper, accepted, rule, quality_lower, quality_upper, nonconforming,
        most_nonconforming (null below 3 parts), reason (why `accepted` is null).
    """
    s, mean, lower, upper, parts = (pl.col(c) for c in ("standard_deviation", "mean", "lower", "upper", "parts"))
    two = lower.is_not_null() & upper.is_not_null()
    if "most_nonconforming_percent" not in lots.columns:
        lots = lots.with_columns(pl.lit(None).alias("most_nonconforming_percent"))
    given = two & pl.col("most_nonconforming_percent").is_not_null()
    noise = pl.max_horizontal(mean.abs(), lower.abs(), upper.abs()) * _EQUAL
    frame = lots.with_columns(
        pl.when(lower.is_null() & upper.is_null())
        .then(pl.lit("no limit is given"))
        .when(lower >= upper)
        .then(pl.format("the lower limit {} is not below the upper limit {}", lower, upper))
        .when(pl.col("k").is_null() & ~given)
        .then(pl.lit("the plan states no k"))
        .when(mean.is_null() | (parts.fill_null(0) < 1))
        .then(pl.lit("no part was measured"))
        .when(s.is_null() | (parts < 2))
        .then(pl.lit("one part has no standard deviation"))
        .when(s <= noise)
        .then(pl.lit("all parts are equal, so the standard deviation is zero and the k method gives no figure"))
        .when(two & (parts < 3))
        .then(pl.lit("two limits need at least 3 parts"))
        .alias("reason")
    )
    usable = pl.col("reason").is_null()
    frame = frame.with_columns(
        pl.when(usable).then((mean - lower) / s).alias("quality_lower"),
        pl.when(usable).then((upper - mean) / s).alias("quality_upper"),
    )
    n = np.maximum(frame.get_column("parts").to_numpy(), 3).astype(np.float64)

    def fraction(column: str) -> pl.Series:
        quality = frame.get_column(column).cast(pl.Float64)
        values = pl.Series(values=estimated_nonconforming(quality.to_numpy(), n), dtype=pl.Float64)
        return pl.select(pl.when(quality.is_not_null()).then(values)).to_series()

    beyond = fraction("quality_lower").fill_null(0.0) + fraction("quality_upper").fill_null(0.0)
    frame = frame.with_columns(
        pl.when(usable & (parts >= 3)).then(beyond).alias("nonconforming"),
        pl.when(usable & (parts >= 3))
        .then(pl.when(given).then(pl.col("most_nonconforming_percent") / 100).otherwise(fraction("k")))
        .alias("most_nonconforming"),
    )
    one_limit = pl.coalesce("quality_lower", "quality_upper") >= pl.col("k")
    # both estimates are zero beyond (n − 1)/√n: what k asks at each limit by itself is asked there, too
    each = given | (pl.min_horizontal("quality_lower", "quality_upper") >= pl.col("k"))
    return frame.select(
        "lot",
        "parts",
        "k",
        "lower",
        "upper",
        pl.when(usable)
        .then(pl.when(two).then((pl.col("nonconforming") <= pl.col("most_nonconforming")) & each).otherwise(one_limit))
        .alias("accepted"),
        pl.when(given)
        .then(pl.lit("k method, both limits together: estimated nonconforming fraction not above the plan's M"))
        .when(two)
        .then(pl.lit("k method, both limits together: estimated nonconforming fraction not above M, computed from k"))
        .otherwise(pl.lit("k method, one limit: distance of mean from limit not below k standard deviations"))
        .alias("rule"),
        "quality_lower",
        "quality_upper",
        "nonconforming",
        "most_nonconforming",
        "reason",
    )


def operating_characteristic(nonconforming: ArrayLike, n: int, k: float) -> NDArray[np.float64]:
    """Return the chance that a plan with one limit accepts lots of these qualities.

    P(accept) = P(T >= k·√n), T noncentral t with n − 1 degrees of freedom and noncentrality z(1 − p)·√n.

    Parameters
    ----------
    nonconforming
        True fractions beyond the limit, between 0 and 1, any shape.
    n, k
        The plan: parts (at least 2) and acceptability constant.

    Returns
    -------
    numpy.ndarray
        Chances, same shape.

    Raises
    ------
    ValueError
        If n is below 2 or a fraction is not between 0 and 1.
    """
    p = np.asarray(nonconforming, dtype=np.float64)
    if n < 2 or (p <= 0).any() or (p >= 1).any():
        raise ValueError("expected n of at least 2 and fractions between 0 and 1")
    delta, t = -scipy.special.ndtri(p) * sqrt(n), k * sqrt(n)
    # by symmetry, as the function is made for a noncentrality above zero; not a number comes only where nothing is accepted
    beyond = np.where(delta < 0, scipy.special.nctdtr(n - 1, -delta, -t), 1.0 - scipy.special.nctdtr(n - 1, delta, t))
    return np.asarray(np.nan_to_num(beyond, nan=0.0))
