"""Whether values in time order are independent: autocorrelation and runs about the median."""

from __future__ import annotations

from math import sqrt
from typing import TYPE_CHECKING

import numpy as np
import scipy

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["autocorrelation", "autocorrelation_bound"]

_EQUAL = 1e-12


def _series(values: ArrayLike) -> NDArray[np.float64]:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1 or not np.isfinite(array).all():
        raise ValueError("expected one row of finite numbers, in time order")
    return array


def autocorrelation(values: ArrayLike, lag: int = 1) -> float | None:
    """Return the autocorrelation at a lag: Σ (x(i) − x̄)(x(i + lag) − x̄)/Σ (x(i) − x̄)² (NIST/SEMATECH e-Handbook 1.3.5.12).

    Parameters
    ----------
    values
        In time order.
    lag
        At least 1.

    Returns
    -------
    float or None
        None where values are equal, or no more than `lag` of them are there.

    Raises
    ------
    ValueError
        If a value is not finite or the lag is below 1.
    """
    x = _series(values)
    if lag < 1:
        raise ValueError("a lag is at least 1")
    if x.size <= lag:
        return None
    centred = x - x.mean()
    total = float((centred * centred).sum())
    # what differs by rounding alone is all of one size
    if total <= x.size * (_EQUAL * float(x[0])) ** 2:
        return None
    return float((centred[:-lag] * centred[lag:]).sum()) / total


def autocorrelation_bound(n: int, confidence: float = 0.95) -> float:
    """Return the bound z/√n that independent values keep with this confidence, at one lag.

    Raises
    ------
    ValueError
        If n is below 1 or the confidence is not between 0 and 1.
    """
    if n < 1 or not 0.0 < confidence < 1.0:
        raise ValueError("expected at least one value and a confidence between 0 and 1")
    return float(scipy.special.ndtri(0.5 + confidence / 2.0)) / sqrt(n)
