"""Means, standard deviations and their pooling by level: reading, spot, part, lot.

Every sum of squares is taken about a mean computed first (two passes): one pass over squares loses all digits where the
values are large against their spread (NIST StRD, univariate sets NumAcc3 and NumAcc4).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np

from pipeline.statistics.expressions import standard_deviation_expression, sum_of_squares_expression
from pipeline.statistics.nested import NestedSummary, nested

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

__all__ = [
    "Moments",
    "NestedSummary",
    "PooledDeviation",
    "combine",
    "moments",
    "nested",
    "pooled_deviation",
    "standard_deviation_expression",
    "sum_of_squares_expression",
]


@dataclass(frozen=True, slots=True)
class Moments:
    """Count, mean and sample standard deviation; `standard_deviation` is None where one value leaves no freedom."""

    count: int
    mean: float
    standard_deviation: float | None
    sum_of_squares: float
    """Sum of squared deviations from the mean."""


@dataclass(frozen=True, slots=True)
class PooledDeviation:
    """A pooled standard deviation; None, with the reason, where no group has a degree of freedom."""

    standard_deviation: float | None
    degrees_of_freedom: float
    reason: str | None = None


def _finite(values: ArrayLike, what: str) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    array = np.asarray(values, dtype=np.float64)
    if not np.isfinite(array).all():
        raise ValueError(f"{what} must be finite numbers; leave non-readings out before")
    return array


def moments(values: ArrayLike) -> Moments:
    """Return count, mean and standard deviation (divisor n − 1) of single values, in two passes.

    Parameters
    ----------
    values
        One-dimensional, at least one value, in any unit.

    Returns
    -------
    Moments
        In the unit of the values.

    Raises
    ------
    ValueError
        If there is no value, or one is not finite.
    """
    array = _finite(values, "values")
    if array.size == 0:
        raise ValueError("no value: a mean needs at least one")
    # from the first value on: equal values give exactly zero, and large ones keep the digits of their spread
    origin = float(array[0])
    deviations = array - origin
    offset = float(deviations.mean())
    mean = origin + offset
    squares = float(((deviations - offset) ** 2).sum())
    return Moments(array.size, mean, sqrt(squares / (array.size - 1)) if array.size > 1 else None, squares)


def combine(counts: Sequence[int], means: Sequence[float], standard_deviations: Sequence[float | None]) -> Moments:
    """Combine blocks given as (count, mean, standard deviation) exactly as if the single values were there.

    Sum of squares = Σ (nᵢ − 1)·sᵢ² within + Σ nᵢ·(x̄ᵢ − x̄)² between, which is an identity, not an approximation.

    Parameters
    ----------
    counts
        Values behind each block, at least 1 each.
    means, standard_deviations
        In one unit; a standard deviation may be None only where the count is 1.

    Returns
    -------
    Moments

    Raises
    ------
    ValueError
        If the lengths differ, a count is below 1, a needed standard deviation is missing, or a number is not finite.
    """
    if not (len(counts) == len(means) == len(standard_deviations)) or not counts:
        raise ValueError("counts, means and standard deviations must have one entry for each block, at least one")
    for count, deviation in zip(counts, standard_deviations, strict=True):
        if count < 1:
            raise ValueError(f"a block of {count} values cannot be combined")
        if count > 1 and deviation is None:
            raise ValueError(f"a block of {count} values needs its standard deviation")
    n = np.asarray(counts, dtype=np.float64)
    block_means = _finite(means, "means")
    deviations = _finite([0.0 if s is None else s for s in standard_deviations], "standard deviations")
    total = int(n.sum())
    shift = float(block_means[0])
    mean = shift + float((n * (block_means - shift)).sum()) / total
    squares = float(((n - 1.0) * deviations**2).sum() + (n * (block_means - mean) ** 2).sum())
    return Moments(total, mean, sqrt(squares / (total - 1)) if total > 1 else None, squares)


def pooled_deviation(standard_deviations: ArrayLike, degrees_of_freedom: ArrayLike) -> PooledDeviation:
    """Pool standard deviations: √(Σ νᵢ·sᵢ²/Σ νᵢ) with Σ νᵢ degrees of freedom.

    Parameters
    ----------
    standard_deviations
        In one unit, one-dimensional.
    degrees_of_freedom
        Of each, same length; 0 leaves one out.

    Returns
    -------
    PooledDeviation

    Raises
    ------
    ValueError
        If the lengths differ, or a number is negative or not finite.
    """
    s = _finite(standard_deviations, "standard deviations")
    nu = _finite(degrees_of_freedom, "degrees of freedom")
    if s.shape != nu.shape:
        raise ValueError("each standard deviation needs its degrees of freedom")
    if (s < 0).any() or (nu < 0).any():
        raise ValueError("standard deviations and degrees of freedom are not negative")
    total = float(nu.sum())
    if total == 0.0:
        return PooledDeviation(None, 0.0, "no group has two values, so there is no variation within groups to pool")
    return PooledDeviation(sqrt(float((nu * s * s).sum()) / total), total)
