"""Agreement of two ways of measuring the same things: mean difference, limits of agreement, E_n of each pair."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np
import scipy

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["Agreement", "agreement", "normalised_errors"]

_WIDTH = 1.96
"""Standard deviations that the limits of agreement span on each side."""


@dataclass(frozen=True, slots=True)
class Agreement:
    """How far the second way of measuring lies from the first, in the unit of the values.

    `mean_difference` (first minus second) with its two-sided interval; `limits` are mean ± 1.96 s, between which about 95 %
    of single differences lie, each with an interval of its own. What cannot be computed is None, and `reason` says why.
    """

    pairs: int
    mean_difference: float | None
    interval: tuple[float, float] | None
    standard_deviation: float | None
    limits: tuple[float, float] | None
    lower_limit_interval: tuple[float, float] | None
    upper_limit_interval: tuple[float, float] | None
    reason: str | None = None


def agreement(first: ArrayLike, second: ArrayLike, *, confidence: float = 0.95) -> Agreement:
    """Compare pairs of values (Bland and Altman, The Lancet 327, 307, 1986; from memory).

    The standard error of a limit is s·√(1/n + 1.96²/(2(n − 1))), about √(3/n)·s as the paper rounds it; intervals use
    Student's t with n − 1 degrees of freedom.

    Parameters
    ----------
    first, second
        One-dimensional, same length, same unit, finite; one pair a thing measured.
    confidence
        Of the two-sided intervals.

    Raises
    ------
    ValueError
        If the lengths differ or a number is not finite.
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if a.shape != b.shape or a.ndim != 1 or not (np.isfinite(a).all() and np.isfinite(b).all()):
        raise ValueError("agreement needs pairs of finite numbers, as many first as second ones")
    n = a.size
    if n == 0:
        return Agreement(0, None, None, None, None, None, None, "there is no pair")
    difference = a - b
    mean = float(difference.mean())
    if n == 1:
        return Agreement(1, mean, None, None, None, None, None, "one pair shows no scatter of differences")
    s = float(difference.std(ddof=1))
    t = float(scipy.special.stdtrit(n - 1, 0.5 + confidence / 2.0))
    half = t * s / sqrt(n)
    low, high = mean - _WIDTH * s, mean + _WIDTH * s
    edge = t * s * sqrt(1.0 / n + _WIDTH**2 / (2.0 * (n - 1)))
    return Agreement(
        n, mean, (mean - half, mean + half), s, (low, high), (low - edge, low + edge), (high - edge, high + edge)
    )


def normalised_errors(
    value: ArrayLike, expanded: ArrayLike, reference: ArrayLike, reference_expanded: ArrayLike
) -> NDArray[np.float64]:
    """Return the E_n number of each pair: (value − reference)/√(U² + U_ref²) (ISO 13528 and ISO/IEC 17043, from memory).

    Parameters
    ----------
    value, reference
        One-dimensional, same unit.
    expanded, reference_expanded
        Their expanded uncertainties at k = 2.

    Returns
    -------
    numpy.ndarray
        |E_n| ≤ 1 is satisfactory.

    Raises
    ------
    ValueError
        If a number is not finite, or both uncertainties of a pair are 0.
    """
    x, u, ref, u_ref = (np.asarray(item, dtype=np.float64) for item in (value, expanded, reference, reference_expanded))
    together = np.hypot(u, u_ref)
    if not all(np.isfinite(item).all() for item in (x, ref, together)) or (together <= 0).any():
        raise ValueError("E_n needs finite values and an expanded uncertainty above 0")
    return np.asarray((x - ref) / together)
