"""The fraction of parts beyond the limits: seen, and expected of a normal lot, each with its interval."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, sqrt

import scipy

__all__ = ["FractionOutside", "NormalFraction", "fraction_outside", "normal_fraction", "observed_fraction"]


@dataclass(frozen=True, slots=True)
class NormalFraction:
    """Expected fraction beyond one limit of a normal lot."""

    estimate: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class FractionOutside:
    """Expected fraction beyond the limits of a normal lot; None, with the reason, where it cannot be had.

    `conservative` says that the interval holds the fraction with at least its confidence, as it does for two limits.
    """

    below: float | None
    above: float | None
    total: float | None
    interval: tuple[float, float] | None
    conservative: bool
    reason: str | None = None


def observed_fraction(outside: int, values: int, confidence: float = 0.95) -> tuple[float, tuple[float, float]]:
    """Return the fraction counted and its two-sided interval by Clopper and Pearson (Biometrika 26, 404, 1934).

    Parameters
    ----------
    outside, values
        Count beyond the limits, of so many.
    confidence
        The interval holds the true fraction with at least this.

    Raises
    ------
    ValueError
        If there is no value, or the count is none of 0 to `values`.
    """
    if values < 1 or not 0 <= outside <= values:
        raise ValueError(f"{outside} of {values} is no count")
    tail = (1.0 - confidence) / 2.0
    low = 0.0 if outside == 0 else float(scipy.special.betaincinv(outside, values - outside + 1, tail))
    high = 1.0 if outside == values else float(scipy.special.betaincinv(outside + 1, values - outside, 1.0 - tail))
    return outside / values, (low, high)


def normal_fraction(quality: float, n: int, confidence: float = 0.95) -> NormalFraction:
    """Return the fraction of a normal lot beyond one limit, with an exact interval.

    With Q = (U − mean)/s (or (mean − L)/s), √n·Q is noncentral t with n − 1 degrees of freedom and noncentrality
    z(1 − p)·√n, so the limits of p are those z for which the seen Q is just likely enough (Owen, Technometrics 10, 445,
    1968; from memory). The estimate is Φ(−Q), slightly biased.

    Parameters
    ----------
    quality
        Q, from the mean and the sample standard deviation (n − 1).
    n
        Values behind both, at least 2.
    confidence
        Of the two-sided interval.

    Raises
    ------
    ValueError
        If n is below 2.
    """
    if n < 2:
        raise ValueError("a fraction of a normal lot needs at least 2 values")
    tail = (1.0 - confidence) / 2.0
    low, high = (float(scipy.special.ndtr(-_noncentrality(quality, n, p))) for p in (tail, 1.0 - tail))
    return NormalFraction(float(scipy.special.ndtr(-quality)), low, high)


def _noncentrality(quality: float, n: int, probability: float) -> float:
    """Return the true distance z for which a Q at or below the seen one has this probability."""
    # beside a distance that large the mean's own error is nothing, and Φ there is 0 or 1 to every digit; noncentral t takes seconds
    tail = probability if quality > 0 else 1.0 - probability
    far = quality * sqrt(float(scipy.special.chdtri(n - 1, tail)) / (n - 1))
    if abs(far) > 60.0:
        return far
    t = quality * sqrt(n)

    def excess(z: float) -> float:
        delta = z * sqrt(n)
        # by symmetry, as the function is made for a noncentrality above zero
        value = float(
            scipy.special.nctdtr(n - 1, delta, t) if z >= 0 else 1.0 - scipy.special.nctdtr(n - 1, -delta, -t)
        )
        # not a number comes only far out, where the probability is 0 or 1 to every digit
        return (value if isfinite(value) else float(t > delta)) - probability

    reach = 10.0 + 10.0 * abs(quality)
    return float(scipy.optimize.brentq(excess, -reach, reach))


def fraction_outside(
    n: int,
    mean: float | None,
    standard_deviation: float | None,
    lower: float | None,
    upper: float | None,
    confidence: float = 0.95,
) -> FractionOutside:
    """Return the expected fraction of a normal lot beyond its limits.

    One limit: exact. Two limits: each side gets half of the error, the lower limit of the sum is the larger of the two
    lower ones, the upper limit the sum of the upper ones: never too short (Bonferroni).

    Parameters
    ----------
    n
        Values behind mean and standard deviation.
    mean, standard_deviation
        In the unit of the limits; None where there is none.
    lower, upper
        Limits; None where there is none.
    confidence
        Of the two-sided interval.
    """
    if lower is None and upper is None:
        return _nothing("no limit is given")
    if lower is not None and upper is not None and lower >= upper:
        return _nothing(f"the lower limit {lower} is not below the upper limit {upper}")
    if n < 2 or mean is None or standard_deviation is None:
        return _nothing("one part has no standard deviation" if n else "no part was measured")
    if standard_deviation <= 1e-12 * abs(mean):
        return _nothing("all part means are equal, so the standard deviation is zero")
    two = lower is not None and upper is not None
    level = 1.0 - (1.0 - confidence) / 2.0 if two else confidence
    below = None if lower is None else normal_fraction((mean - lower) / standard_deviation, n, level)
    above = None if upper is None else normal_fraction((upper - mean) / standard_deviation, n, level)
    sides = [side for side in (below, above) if side is not None]
    return FractionOutside(
        None if below is None else below.estimate,
        None if above is None else above.estimate,
        sum(side.estimate for side in sides),
        (max(side.low for side in sides), min(1.0, sum(side.high for side in sides))),
        conservative=two,
    )


def _nothing(reason: str) -> FractionOutside:
    return FractionOutside(None, None, None, None, conservative=False, reason=reason)
