"""Comparison of groups: one-factor analysis of variance, and equality of variances by Bartlett and by Levene."""

from __future__ import annotations

from dataclasses import dataclass
from math import log, sqrt
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

__all__ = ["OneFactor", "Test", "bartlett", "levene", "one_factor"]

_EQUAL = 1e-12


@dataclass(frozen=True, slots=True)
class Test:
    """A test statistic with its degrees of freedom and p; None, with the reason, where it cannot be had."""

    statistic: float | None
    degrees_of_freedom: tuple[int, ...]
    p_value: float | None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class OneFactor:
    """One-factor analysis of variance, groups against values within groups."""

    between_degrees_of_freedom: int
    between_sum_of_squares: float
    within_degrees_of_freedom: int
    within_sum_of_squares: float
    f_ratio: float | None
    p_value: float | None
    r_squared: float | None
    residual_standard_deviation: float | None
    reason: str | None = None


def _groups(groups: Sequence[ArrayLike]) -> list[NDArray[np.float64]]:
    arrays = [np.asarray(group, dtype=np.float64) for group in groups]
    if len(arrays) < 2 or any(array.ndim != 1 or array.size == 0 for array in arrays):
        raise ValueError("a comparison needs at least two groups, none empty")
    if not all(np.isfinite(array).all() for array in arrays):
        raise ValueError("values must be finite numbers")
    return arrays


def _squares(array: NDArray[np.float64]) -> float:
    shifted = array - array[0]
    return float(((shifted - shifted.mean()) ** 2).sum())


def one_factor(groups: Sequence[ArrayLike]) -> OneFactor:
    """Compare the means of groups (one-factor analysis of variance; checked against NIST StRD).

    Parameters
    ----------
    groups
        At least two one-dimensional groups, sizes may differ, one unit.

    Returns
    -------
    OneFactor

    Raises
    ------
    ValueError
        If there are fewer than two groups, one is empty, or a value is not finite.
    """
    arrays = _groups(groups)
    # from one common value on, so that sums of squares keep their digits
    origin = float(arrays[0][0])
    arrays = [array - origin for array in arrays]
    sizes = np.asarray([array.size for array in arrays], dtype=np.float64)
    means = np.asarray([array.mean() for array in arrays])
    grand = float((sizes * means).sum() / sizes.sum())
    between = float((sizes * (means - grand) ** 2).sum())
    within = sum(_squares(array) for array in arrays)
    df_between, df_within = len(arrays) - 1, int(sizes.sum()) - len(arrays)
    noise = (_EQUAL * (abs(origin) + max(float(np.abs(array).max()) for array in arrays))) ** 2
    reason = None
    if df_within == 0:
        reason = "no group has two values"
    elif within / df_within <= noise:
        reason = "the values within each group are equal"
    if reason is not None:
        return OneFactor(df_between, between, df_within, within, None, None, None, None, reason)
    ratio = between / df_between / (within / df_within)
    return OneFactor(
        df_between,
        between,
        df_within,
        within,
        ratio,
        float(special.fdtrc(df_between, df_within, ratio)),
        between / (between + within),
        sqrt(within / df_within),
    )


def bartlett(groups: Sequence[ArrayLike]) -> Test:
    """Test whether normal groups have one variance (Bartlett; NIST/SEMATECH e-Handbook 1.3.5.7).

    Groups must be normal: the test takes heavy tails for unequal variances.

    Parameters and errors as in :func:`one_factor`; each group needs two values that differ.
    """
    arrays = _groups(groups)
    freedoms = [array.size - 1 for array in arrays]
    df = len(arrays) - 1
    if min(freedoms) < 1:
        return Test(None, (df,), None, "a group of one value has no variance")
    variances = [_squares(array) / nu for array, nu in zip(arrays, freedoms, strict=True)]
    largest = [float(np.abs(array).max()) for array in arrays]
    if any(v <= (_EQUAL * x) ** 2 for v, x in zip(variances, largest, strict=True)):
        return Test(None, (df,), None, "a group has equal values, so its variance is zero")
    total = sum(freedoms)
    pooled = sum(nu * v for nu, v in zip(freedoms, variances, strict=True)) / total
    numerator = total * log(pooled) - sum(nu * log(v) for nu, v in zip(freedoms, variances, strict=True))
    statistic = numerator / (1.0 + (sum(1.0 / nu for nu in freedoms) - 1.0 / total) / (3.0 * df))
    return Test(statistic, (df,), float(special.chdtrc(df, max(statistic, 0.0))))


def levene(groups: Sequence[ArrayLike]) -> Test:
    """Test whether groups have one spread, by absolute deviations from their medians (NIST/SEMATECH e-Handbook 1.3.5.10).

    Also known by Brown and Forsythe; does not ask for normal groups. Parameters and errors as in :func:`one_factor`.
    """
    arrays = _groups(groups)
    result = one_factor([np.abs(array - np.median(array)) for array in arrays])
    freedoms = (result.between_degrees_of_freedom, result.within_degrees_of_freedom)
    return Test(result.f_ratio, freedoms, result.p_value, result.reason)
