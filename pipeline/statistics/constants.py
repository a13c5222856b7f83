"""Constants of control charts, computed and never copied: d2, d3, c4 and what follows from them.

d2 and d3 are mean and standard deviation of the range of n standard normal values, c4 the mean of their sample standard
deviation. ASTM MNL 7 and ISO 7870-2 table 2 tabulate them for n = 2..25 (from memory); here any n from 2 upwards works.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import scipy

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "c4",
    "c4_of_degrees_of_freedom",
    "d2",
    "d3",
    "degrees_of_freedom_of_relative_variance",
    "moving_range_relative_variance",
]


def c4_of_degrees_of_freedom(degrees_of_freedom: ArrayLike) -> NDArray[np.float64]:
    """Return E(s)/σ of a standard deviation with these degrees of freedom.

    c4 = √(2/ν)·Γ((ν + 1)/2)/Γ(ν/2), through the logarithm of the gamma function, so that large ν do not overflow.

    Parameters
    ----------
    degrees_of_freedom
        ν > 0, any shape; need not be whole numbers; not a number where there are none.

    Returns
    -------
    numpy.ndarray
        Same shape, dimensionless.
    """
    nu = np.asarray(degrees_of_freedom, dtype=np.float64)
    value = np.sqrt(2.0 / nu) * np.exp(scipy.special.gammaln((nu + 1.0) / 2.0) - scipy.special.gammaln(nu / 2.0))
    # the difference of two large logarithms loses digits; the asymptotic series does not
    series = 1.0 - 1.0 / (4.0 * nu) + 1.0 / (32.0 * nu**2) + 5.0 / (128.0 * nu**3) - 21.0 / (2048.0 * nu**4)
    return np.asarray(np.where(nu > 300.0, series, value))


def _check_size(n: int) -> None:
    if n < 2:
        raise ValueError(f"a subgroup of {n} has no range and no standard deviation; at least 2 values are needed")


@cache
def c4(n: int) -> float:
    """Return the mean of the sample standard deviation of n normal values, in units of σ.

    Raises
    ------
    ValueError
        If n is below 2.
    """
    _check_size(n)
    return float(c4_of_degrees_of_freedom(n - 1))


@cache
def _range_moments(n: int) -> tuple[float, float]:
    """Return mean and standard deviation of the range of n standard normal values.

    The distribution function of the range is P(W ≤ w) = n ∫ φ(x)·[Φ(x + w) − Φ(x)]^(n − 1) dx (Tippett, Biometrika 17,
    364, 1925; from memory). The trapezoid rule on the whole line converges exponentially for such an integrand; the
    moments E(W) = ∫ (1 − P) dw and E(W²) = ∫ 2w·(1 − P) dw use Gauss and Legendre's nodes.
    """
    span = 9.0 + np.sqrt(2.0 * np.log(n))
    step = 0.05
    x = np.arange(-span, span + step, step)
    density = np.exp(-0.5 * x * x) / np.sqrt(2.0 * np.pi)
    nodes, weights = np.polynomial.legendre.leggauss(128)
    w = span * (nodes + 1.0)
    weights = span * weights
    between = scipy.special.ndtr(x[None, :] + w[:, None]) - scipy.special.ndtr(x)[None, :]
    distribution = n * step * (density[None, :] * between ** (n - 1)).sum(axis=1)
    survival = 1.0 - distribution
    mean = float((weights * survival).sum())
    second = float((weights * 2.0 * w * survival).sum())
    return mean, float(np.sqrt(second - mean * mean))


def d2(n: int) -> float:
    """Return the mean of the range of n normal values, in units of σ.

    Raises
    ------
    ValueError
        If n is below 2.
    """
    _check_size(n)
    return _range_moments(n)[0]


def d3(n: int) -> float:
    """Return the standard deviation of the range of n normal values, in units of σ.

    Raises
    ------
    ValueError
        If n is below 2.
    """
    _check_size(n)
    return _range_moments(n)[1]


def moving_range_relative_variance(n: ArrayLike) -> NDArray[np.float64]:
    """Return Var(MR-bar)/E(MR-bar)² of the mean moving range of n independent normal values.

    Exact, derived: neighbouring differences have correlation −1/2, and for two normal variables of unit variance and
    correlation ρ, E|X·Y| = (2/π)·(√(1 − ρ²) + ρ·arcsin ρ). With σ = 1 a moving range has mean 2/√π and variance
    2 − 4/π, neighbouring ones covariance 2√3/π + 1/3 − 4/π, all others none.

    Parameters
    ----------
    n
        Numbers of values, at least 2; any shape.

    Returns
    -------
    numpy.ndarray
        Same shape, dimensionless.
    """
    ranges = np.asarray(n, dtype=np.float64) - 1.0
    variance = 2.0 - 4.0 / np.pi
    covariance = 2.0 * np.sqrt(3.0) / np.pi + 1.0 / 3.0 - 4.0 / np.pi
    return np.asarray((ranges * variance + 2.0 * (ranges - 1.0) * covariance) / ranges**2 / (4.0 / np.pi))


def degrees_of_freedom_of_relative_variance(relative_variance: ArrayLike) -> NDArray[np.float64]:
    """Return the ν of the scaled chi variable that has this variance over squared mean.

    An estimator S of σ is treated as c·χ(ν)/√ν: (1 − c4(ν)²)/c4(ν)² = Var(S)/E(S)², solved for ν (the matching of
    Patnaik, Biometrika 37, 78, 1950, with mean and variance; from memory).

    Parameters
    ----------
    relative_variance
        Var(S)/E(S)², above zero and finite; any shape.

    Returns
    -------
    numpy.ndarray
        Same shape; not a whole number in general.
    """
    v = np.asarray(relative_variance, dtype=np.float64)
    nu = 0.5 / v
    # relative variance ≈ 1/(2ν), so multiplying by the ratio of got to wanted settles in ten steps
    for _ in range(20):
        nu = nu * (1.0 / c4_of_degrees_of_freedom(nu) ** 2 - 1.0) / v
    return np.asarray(nu)
