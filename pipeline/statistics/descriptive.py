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
    from numpy.typing import ArrayLike

__all__ = [
    "NestedSummary",
    "PooledDeviation",
    "nested",
    "pooled_deviation",
    "standard_deviation_expression",
    "sum_of_squares_expression",
]


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


def pooled_deviation(standard_deviations: ArrayLike, degrees_of_freedom: ArrayLike) -> PooledDeviation:
    """Pool standard deviations: √(Σ νᵢ·sᵢ²/Σ νᵢ) with Σ νᵢ degrees of freedom.

    Parameters
    ----------
    standard_deviations
        In one unit, one-dimensional.
    degrees_of_freedom
        Of each, same length; 0 leaves one out.

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
