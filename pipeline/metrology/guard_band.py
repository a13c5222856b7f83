"""Probability of conformity and the guard band that a wanted probability asks for.

Clauses of JCGM 106:2012 and ISO 14253-1:2017 are from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy

from schemas.digits import digits_that_tell

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

__all__ = [
    "GuardBand",
    "conformance_probabilities",
    "conformance_probability",
    "guard_band",
    "one_sided_factors",
]


def _whole(degrees_of_freedom: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return degrees of freedom truncated as for a coverage factor; infinite ones stay (GUM G.4.1, note 1)."""
    finite = np.isfinite(degrees_of_freedom)
    whole: NDArray[np.float64] = np.where(
        finite, np.floor(np.where(finite, degrees_of_freedom, 1.0) * (1 + 1e-9)), np.inf
    )
    return whole


def one_sided_factors(probability: NDArray[np.float64], degrees_of_freedom: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the factor on u that keeps the risk beyond one limit at 1 - probability.

    Parameters
    ----------
    probability
        Conformance probability, shape (n,).
    degrees_of_freedom
        Of u, at least 1, shape (n,); infinity for the normal distribution.

    Returns
    -------
    numpy.ndarray
        Shape (n,): 1.645 for 95 % and infinite degrees of freedom (ISO 14253-1:2017 prints 1.65; from memory).
    """
    whole = _whole(degrees_of_freedom)
    finite = np.isfinite(whole)
    factors: NDArray[np.float64] = np.where(
        finite, scipy.special.stdtrit(np.where(finite, whole, 1.0), probability), scipy.special.ndtri(probability)
    )
    return factors


def conformance_probabilities(
    value: NDArray[np.float64],
    standard_uncertainty: NDArray[np.float64],
    degrees_of_freedom: NDArray[np.float64],
    lower: NDArray[np.float64],
    upper: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return what :func:`conformance_probability` does, for many.

    Parameters
    ----------
    value, standard_uncertainty, degrees_of_freedom
        Shape (n,); degrees of freedom are infinite for the normal distribution.
    lower, upper
        Limits, shape (n,); minus and plus infinity for a side without one.

    Returns
    -------
    numpy.ndarray
        Shape (n,); NaN where an input is NaN. With u = 0 the value is in or out, limits included.
    """
    whole = _whole(degrees_of_freedom)
    finite = np.isfinite(whole)
    some = standard_uncertainty > 0
    u = np.where(some, standard_uncertainty, 1.0)

    def beyond(distance: NDArray[np.float64]) -> NDArray[np.float64]:
        z = np.where(np.isfinite(distance), distance / u, -np.inf)
        tail = np.where(finite, scipy.special.stdtr(np.where(finite, whole, 1.0), z), scipy.special.ndtr(z))
        chosen: NDArray[np.float64] = np.where(some, tail, np.where(distance > 0, 1.0, 0.0))
        return chosen

    # the complement is summed from its own tails, so that a tiny risk is not lost beside 1
    found: NDArray[np.float64] = np.maximum(1.0 - beyond(value - upper) - beyond(lower - value), 0.0)
    return np.where(np.isnan(value) | np.isnan(standard_uncertainty), np.nan, found)


def conformance_probability(
    value: float,
    standard_uncertainty: float,
    *,
    lower: float | None = None,
    upper: float | None = None,
    degrees_of_freedom: float | None = None,
) -> float:
    """Return the probability that the measurand lies within its limits, for a symmetric distribution about the value.

    Parameters
    ----------
    value
        Measured value.
    standard_uncertainty
        Its standard uncertainty, above 0, in the same unit.
    lower, upper
        Limits; None for a side without one.
    degrees_of_freedom
        Of the standard uncertainty; None for infinite, which makes the distribution normal, else Student's t.

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
    Where u stands on few degrees of freedom, the scaled and shifted t distribution takes the place of the normal one
    (JCGM 101:2008, 6.4.9, from memory).
    """
    _check_limits(standard_uncertainty, lower, upper)
    if not math.isfinite(value):
        raise ValueError(f"value = {value!r}; expected a finite number")
    found = conformance_probabilities(
        np.array([value]),
        np.array([standard_uncertainty]),
        np.array([_infinite(degrees_of_freedom)]),
        np.array([-math.inf if lower is None else lower]),
        np.array([math.inf if upper is None else upper]),
    )
    return float(found[0])


def _infinite(degrees_of_freedom: float | None) -> float:
    if degrees_of_freedom is None:
        return math.inf
    if not degrees_of_freedom * (1 + 1e-9) >= 1:
        raise ValueError(f"degrees of freedom = {degrees_of_freedom!r}; expected at least 1, or None for infinite")
    return degrees_of_freedom


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
    probability: float,
    standard_uncertainty: float,
    *,
    lower: float | None = None,
    upper: float | None = None,
    degrees_of_freedom: float | None = None,
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
    degrees_of_freedom
        Of the standard uncertainty; None for infinite.

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
    nu = _infinite(degrees_of_freedom)
    one_sided = float(one_sided_factors(np.array([probability]), np.array([nu]))[0]) * standard_uncertainty
    if lower is None or upper is None:
        return GuardBand(one_sided)
    low, high = lower, upper
    half = (high - low) / 2

    def shortfall(width: float) -> float:
        at_edge = conformance_probability(
            low + width, standard_uncertainty, lower=low, upper=high, degrees_of_freedom=degrees_of_freedom
        )
        return at_edge - probability

    if shortfall(half) < 0:
        best = shortfall(half) + probability
        return GuardBand(
            None,
            f"even a value midway between the limits conforms with a probability of only "
            f"{best:.{digits_that_tell(3, best, probability)}g}, below the {probability:g} asked for; "
            "a smaller uncertainty is needed",
        )
    if shortfall(one_sided) >= 0:  # the far limit adds no risk that a number can show
        return GuardBand(one_sided)
    solve: Callable[..., float] = scipy.optimize.brentq
    return GuardBand(float(solve(shortfall, one_sided, half, xtol=1e-12 * half)))
