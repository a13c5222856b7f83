"""Probability of conformity and the guard band that a wanted probability asks for.

Clauses of JCGM 106:2012 and ISO 14253-1:2017 are from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["GuardBand", "conformance_probability", "guard_band", "guarded_limit"]


def conformance_probability(
    value: float, standard_uncertainty: float, *, lower: float | None = None, upper: float | None = None
) -> float:
    """Return the probability that the measurand lies within its limits, for a normal distribution about the value.

    Parameters
    ----------
    value
        Measured value.
    standard_uncertainty
        Its standard uncertainty, above 0, in the same unit.
    lower, upper
        Limits; None for a side without one.

    Returns
    -------
    float
        1 minus this is the specific risk of a false acceptance where the value is accepted; this itself is the risk of
        a false rejection where it is rejected.

    Raises
    ------
    ValueError
        If there is no limit, or a number is not finite, or the standard uncertainty is not above 0.

    Notes
    -----
    JCGM 106:2012, 7.2 to 7.4 (clauses from memory): Φ((T_U − y)/u) − Φ((T_L − y)/u), with a weakly informative prior.
    """
    _check_limits(standard_uncertainty, lower, upper)
    if not math.isfinite(value):
        raise ValueError(f"value = {value!r}; expected a finite number")
    beyond_upper = 0.0 if upper is None else float(ndtr((value - upper) / standard_uncertainty))
    beyond_lower = 0.0 if lower is None else float(ndtr((lower - value) / standard_uncertainty))
    # the complement is summed from its own tails, so that a tiny risk is not lost beside 1
    return max(0.0, 1.0 - beyond_upper - beyond_lower)


def _check_limits(standard_uncertainty: float, lower: float | None, upper: float | None) -> None:
    if not (math.isfinite(standard_uncertainty) and standard_uncertainty > 0):
        raise ValueError(f"standard_uncertainty = {standard_uncertainty!r}; expected a number above 0")
    if lower is None and upper is None:
        raise ValueError("no limit is given; expected lower, upper or both")
    if any(limit is not None and not math.isfinite(limit) for limit in (lower, upper)):
        raise ValueError(f"limits {lower!r} and {upper!r}; expected finite numbers or None")
    if lower is not None and upper is not None and not lower < upper:
        raise ValueError(f"limits {lower!r} and {upper!r}; expected the lower one first")


@dataclass(frozen=True, slots=True)
class GuardBand:
    """Width of a guard band, or None with the reason why no width reaches the probability."""

    width: float | None
    reason: str | None = None


def guard_band(
    probability: float, standard_uncertainty: float, *, lower: float | None = None, upper: float | None = None
) -> GuardBand:
    """Return the guard band inside which a value conforms with at least a stated probability.

    Parameters
    ----------
    probability
        Conformance probability asked for at the edge of acceptance, from 0.5 to below 1.
    standard_uncertainty
        Standard uncertainty of the value, above 0.
    lower, upper
        Limits; None for a side without one.

    Returns
    -------
    GuardBand
        The limits are moved inwards by its width. With two limits the risk on both sides counts.

    Raises
    ------
    ValueError
        If the probability is outside its range or the limits or the standard uncertainty make no sense.

    Notes
    -----
    One limit: w = Φ⁻¹(p)·u (JCGM 106:2012, 8.3.2; ISO 14253-1:2017 uses p = 95 %, 1.65 u; from memory). Two limits: the
    w for which the conformance probability at the moved limit equals p.
    """
    if not 0.5 <= probability < 1:
        raise ValueError(f"probability = {probability!r}; expected a number from 0.5 to below 1")
    _check_limits(standard_uncertainty, lower, upper)
    one_sided = float(ndtri(probability)) * standard_uncertainty
    if lower is None or upper is None:
        return GuardBand(one_sided)
    low, high = lower, upper
    half = (high - low) / 2

    def shortfall(width: float) -> float:
        return conformance_probability(low + width, standard_uncertainty, lower=low, upper=high) - probability

    if shortfall(half) < 0:
        return GuardBand(
            None,
            f"even a value midway between the limits conforms with a probability of only "
            f"{shortfall(half) + probability:.3g}, below the {probability:g} asked for; "
            "a smaller uncertainty is needed",
        )
    if one_sided >= half or shortfall(one_sided) >= 0:
        return GuardBand(min(one_sided, half))
    solve: Callable[..., float] = brentq
    return GuardBand(float(solve(shortfall, one_sided, half, xtol=1e-12 * half)))


def guarded_limit(limit: float, probability: float, relative_standard_uncertainty: float) -> float:
    """Return the value that exceeds an upper limit with a stated probability, for a relative standard uncertainty.

    Parameters
    ----------
    limit
        Upper limit, above 0.
    probability
        Probability that the limit is exceeded.
    relative_standard_uncertainty
        Standard uncertainty divided by the value.

    Returns
    -------
    float
        A value above this has exceeded the limit with at least the probability.

    Raises
    ------
    ValueError
        If no value reaches the probability.

    Notes
    -----
    JCGM 106:2012, example of the speed limit (from memory): y = T/(1 − z·u_rel), because the uncertainty grows with the
    value itself.
    """
    remaining = 1.0 - float(ndtri(probability)) * relative_standard_uncertainty
    if not (limit > 0 and math.isfinite(limit) and remaining > 0 and math.isfinite(remaining)):
        raise ValueError(
            f"limit {limit!r}, probability {probability!r} and relative uncertainty {relative_standard_uncertainty!r}: "
            "no value reaches this probability"
        )
    return limit / remaining
