"""Factors of statistical tolerance intervals of a normal population: mean ± k2·s, or mean + k1·s on one side (ISO 16269-6).

NIST/SEMATECH e-Handbook of Statistical Methods (doi:10.18434/M32189), 7.2.6.3. The "exact" k2 of 2.210167 in its published R listing
belongs to other arguments and is not to be reproduced; the exact factor for n 43, 0.90, 0.99 is 2.222825.
"""

from __future__ import annotations

from functools import lru_cache
from math import sqrt

import numpy as np
import scipy

__all__ = ["one_sided_factor", "two_sided_factor"]

_legendre = lru_cache(np.polynomial.legendre.leggauss)
"""Finding the nodes costs thirty times what is done with them."""


def _check(n: int, coverage: float, confidence: float) -> None:
    if n < 2:
        raise ValueError("a tolerance interval needs at least 2 values")
    if not (0.0 < coverage < 1.0 and 0.0 < confidence < 1.0):
        raise ValueError("coverage and confidence must lie between 0 and 1")


def one_sided_factor(n: int, coverage: float, confidence: float) -> float:
    """Return k1 for which mean + k1·s exceeds the part `coverage` of the population with this confidence; exact.

    k1 = t(confidence; n − 1, δ)/√n, noncentral t with δ = z(coverage)·√n.

    Parameters
    ----------
    n
        Values behind mean and s.
    coverage, confidence
        Between 0 and 1.

    Raises
    ------
    ValueError
        If n is below 2 or a probability is not between 0 and 1.
    """
    _check(n, coverage, confidence)
    delta = float(scipy.special.ndtri(coverage)) * sqrt(n)
    return float(scipy.special.nctdtrit(n - 1, delta, confidence)) / sqrt(n)


def two_sided_factor(n: int, coverage: float, confidence: float) -> float:
    """Return k2 for which mean ± k2·s holds the part `coverage` with this confidence; exact, by integration.

    With r(x) the half width that holds `coverage` about a point x off the mean, Φ(x + r) − Φ(x − r) = coverage, k2 solves
    ∫ P(χ²(n − 1) > (n − 1)·r²/k2²)·√n·φ(x·√n) dx = confidence (Odeh and Owen, Tables for Normal Tolerance Limits, 1980; from
    memory).

    Parameters and errors as in :func:`one_sided_factor`.
    """
    _check(n, coverage, confidence)
    nodes, weights = _legendre(160)
    span = 9.0
    z = 0.5 * span * (nodes + 1.0)
    density = span * weights * np.exp(-0.5 * z * z) / sqrt(2.0 * np.pi)
    # r² is the quantile of a noncentral chi-square with one degree of freedom
    radius_squared = scipy.special.chndtrix(coverage, 1.0, z * z / n)
    # an interval about the middle of the population needs the least factor, which bounds what all need
    middle = radius_squared[0]
    most = float(scipy.special.chdtri(n - 1, confidence))

    def beyond(share: float) -> float:
        return float((density * scipy.special.chdtrc(n - 1, share * most * radius_squared / middle)).sum()) - confidence

    share = float(scipy.optimize.brentq(beyond, 0.0, 1.0))
    return sqrt((n - 1) * middle / (share * most))
