"""Linear combinations of independent mean squares: estimates, degrees of freedom and intervals.

A mean square S² with ν degrees of freedom estimates θ, and ν·S²/θ is chi-square. Components of variance are combinations
Σ c·θ whose coefficients may be negative, so Satterthwaite's degrees of freedom alone are not enough.
"""

from __future__ import annotations

from itertools import combinations
from math import sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import scipy

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence


__all__ = [
    "modified_large_sample_interval",
    "ratio_interval",
    "satterthwaite",
]


def satterthwaite(coefficients: Sequence[float], mean_squares: Sequence[float], freedoms: Sequence[float]) -> float:
    """Return effective degrees of freedom of Σ c·S²: (Σ c·S²)²/Σ (c·S²)²/ν.

    Good where all coefficients are positive (Satterthwaite, Biometrics Bulletin 2, 110, 1946; JCGM 100:2008, G.4).

    Raises
    ------
    ValueError
        If every term is zero, or a term with a share has no degrees of freedom.
    """
    terms = [c * s for c, s in zip(coefficients, mean_squares, strict=True)]
    if any(term != 0 and nu <= 0 for term, nu in zip(terms, freedoms, strict=True)):
        raise ValueError("a mean square with a share needs degrees of freedom above zero")
    spread = sum(term * term / nu for term, nu in zip(terms, freedoms, strict=True) if term != 0)
    if spread == 0:
        raise ValueError("every mean square is zero, so degrees of freedom have no meaning")
    return sum(terms) ** 2 / spread


def modified_large_sample_interval(
    coefficients: Sequence[float],
    mean_squares: Sequence[float],
    freedoms: Sequence[float],
    confidence: float = 0.95,
) -> tuple[float, float]:
    """Return the two-sided interval of Σ c·θ, coefficients of either sign, by the modified large-sample method.

    Graybill and Wang (J. Am. Stat. Assoc. 75, 869, 1980) for sums; Ting, Burdick, Graybill, Jeyaratnam and Lu (J. Stat.
    Comput. Simul. 35, 135, 1990) with negative coefficients; also Burdick and Graybill, Confidence Intervals on Variance
    Components, 1992, section 3.3 (formulas from memory; coverage checked by simulation in the tests). Exact where one term
    stands alone. A limit below zero means that the data do not rule out zero.

    Parameters
    ----------
    coefficients, mean_squares, freedoms
        One entry for each mean square; freedoms above zero.
    confidence
        Of the two-sided interval.

    Returns
    -------
    tuple of float
        In the unit of the mean squares.

    Raises
    ------
    ValueError
        If the lengths differ.
    """
    estimate, below, above = _spread(coefficients, list(mean_squares), freedoms, confidence)
    return estimate - sqrt(max(below, 0.0)), estimate + sqrt(max(above, 0.0))


Term = tuple[float, Any, float]
"""Coefficient, mean square (a number, or an array of those of many studies), degrees of freedom."""


def _spread(
    coefficients: Sequence[float], mean_squares: Sequence[Any], freedoms: Sequence[float], confidence: float
) -> tuple[Any, Any, Any]:
    """Return the estimate and the squares of its distances to both limits."""
    terms = list(zip(coefficients, mean_squares, freedoms, strict=True))
    plus = [(c, s, n) for c, s, n in terms if c > 0]
    minus = [(-c, s, n) for c, s, n in terms if c < 0]
    estimate = sum(c * s for c, s, _ in plus) - sum(c * s for c, s, _ in minus)
    tail = (1.0 - confidence) / 2.0
    # the upper limit of γ is minus the lower limit of −γ
    return estimate, _variance(plus, minus, tail), _variance(minus, plus, tail)


def _variance(plus: Sequence[Term], minus: Sequence[Term], tail: float) -> Any:
    """Return V of the lower limit γ − √V for γ = Σ plus − Σ minus."""

    def g(nu: float) -> float:
        return 1.0 - nu / float(scipy.special.chdtri(nu, tail))

    def h(nu: float) -> float:
        return nu / float(scipy.special.chdtri(nu, 1.0 - tail)) - 1.0

    total: Any = sum((g(n) * c * s) ** 2 for c, s, n in plus) + sum((h(n) * c * s) ** 2 for c, s, n in minus)
    for c1, s1, n1 in plus:
        for c2, s2, n2 in minus:
            quantile = float(scipy.special.fdtri(n1, n2, 1.0 - tail))
            cross = ((quantile - 1.0) ** 2 - (g(n1) * quantile) ** 2 - h(n2) ** 2) / quantile
            total += cross * c1 * c2 * s1 * s2
    for (c1, s1, n1), (c2, s2, n2) in combinations(plus, 2):
        joint = (g(n1 + n2) * (n1 + n2)) ** 2 / (n1 * n2)
        cross = (joint - g(n1) ** 2 * n1 / n2 - g(n2) ** 2 * n2 / n1) / (len(plus) - 1)
        total += cross * c1 * c2 * s1 * s2
    return total


def ratio_interval(
    numerator: Sequence[float],
    denominator: Sequence[float],
    mean_squares: Sequence[float],
    freedoms: Sequence[float],
    confidence: float = 0.95,
) -> tuple[float, float | None]:
    """Return the two-sided interval of Σ a·θ/Σ b·θ for a positive denominator.

    Derived: all ratios r for which the modified large-sample interval of Σ (a − r·b)·θ holds zero
    (the argument of Fieller). Limits are not below zero; the upper one is None where no ratio is too large.
    """

    def limit(end: int) -> Callable[[float], float]:
        return lambda ratio: modified_large_sample_interval(
            [a - ratio * b for a, b in zip(numerator, denominator, strict=True)], mean_squares, freedoms, confidence
        )[end]

    return _crossing(limit(0)) or 0.0, _crossing(limit(1))


def _crossing(function: Callable[[float], float]) -> float | None:
    """Return where from zero on a function is no longer positive, first seen on a doubling walk; None within 1e12."""
    if function(0.0) <= 0:
        return 0.0
    for right in np.ldexp(1e-6, np.arange(61)):
        if function(right) <= 0:
            return float(scipy.optimize.brentq(function, 0.0, right, xtol=1e-15 * right))
    return None
