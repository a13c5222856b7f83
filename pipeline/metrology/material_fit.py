"""Which ranges of conductivity a measured value fits, and how much better one fits than the others.

Model, stated because everything rests on it: within a range every true value is as likely as another, and the measured value
is normal about the true one with its standard uncertainty. So the likelihood of a range [a, b] is
(Φ((x − a)/u) − Φ((x − b)/u))/(b − a), and by Bayes' rule the probability of a range, *if one of those listed is true*, is its
weight times its likelihood over the sum of all (JCGM 106:2012, clause 6, for the use of prior knowledge; the uniform range is
common practice, no source). Ranges of alloys and tempers overlap: conductivity can rule materials out, and alone proves none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["RangeFit", "fit_ranges"]


@dataclass(frozen=True, slots=True)
class RangeFit:
    """Values against ranges, all of shape (values, ranges).

    `distance` is how far a value lies outside a range (0 inside); `fits` says whether it lies there within its expanded
    uncertainty. `probability` sums to 1 over the ranges of a value; not a number where no range has any likelihood.
    """

    likelihood: NDArray[np.float64]
    probability: NDArray[np.float64]
    distance: NDArray[np.float64]
    fits: NDArray[np.bool_]


def fit_ranges(
    values: ArrayLike,
    standard_uncertainty: ArrayLike,
    lower: ArrayLike,
    upper: ArrayLike,
    weight: ArrayLike,
    coverage_factor: float = 2.0,
) -> RangeFit:
    """Compare measured values with ranges.

    Parameters
    ----------
    values, standard_uncertainty
        Measured values and their standard uncertainties above zero, shape (v,), one unit.
    lower, upper
        Ends of the ranges, shape (r,), same unit.
    weight
        How likely each range is before measuring, above zero, any scale, shape (r,).
    coverage_factor
        Of the expanded uncertainty by which a value may lie outside a range that it still fits.

    Raises
    ------
    ValueError
        If a number is not finite, an uncertainty or weight not above zero, or a range has no width.
    """
    x, u = (np.asarray(a, dtype=np.float64)[:, None] for a in (values, standard_uncertainty))
    a, b, w = (np.asarray(given, dtype=np.float64)[None, :] for given in (lower, upper, weight))
    if not all(np.isfinite(given).all() for given in (x, u, a, b, w)):
        raise ValueError("values, uncertainties, ranges and weights must be finite numbers")
    if (u <= 0).any() or (w <= 0).any():
        raise ValueError("standard uncertainties and weights must be above zero")
    if (a >= b).any():
        raise ValueError("the lower end of a range must lie below the upper one")
    # mirrored where the value lies below the range, so that the difference of two tails keeps its digits
    below = x < (a + b) / 2.0
    near = np.where(below, (x - a) / u, (b - x) / u)
    far = np.where(below, (x - b) / u, (a - x) / u)
    log_near, log_far = scipy.special.log_ndtr(near), scipy.special.log_ndtr(far)
    log_likelihood = log_near + np.log1p(-np.exp(log_far - log_near)) - np.log(b - a)
    log_joint = log_likelihood + np.log(w)
    share = np.exp(log_joint - log_joint.max(axis=1, keepdims=True))
    distance = np.maximum(np.maximum(a - x, x - b), 0.0)
    return RangeFit(
        np.exp(log_likelihood), share / share.sum(axis=1, keepdims=True), distance, distance <= coverage_factor * u
    )
