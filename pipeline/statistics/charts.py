"""Control charts: individuals with moving range, X-bar with R or s, EWMA, CUSUM.

Limits are 3-sigma limits (ISO 7870-2:2013; from memory) from the values themselves, or frozen: centre and σ are given. A
point is beyond a limit only outside it, never on it. Limits are not rounded before they are compared.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from pipeline.statistics.constants import c4, d2, d3

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "Chart",
    "cusum_path",
    "ewma",
    "ewma_path",
    "individuals",
    "summarised_subgroups",
]

_EQUAL = 1e-12
"""A σ below this part of the largest value is rounding noise of equal values."""


@dataclass(frozen=True, slots=True)
class Chart:
    """A chart of location and, where it has one, of spread.

    `points`: place (from 1), value, centre, lower, upper, beyond. `spread`: place, value, centre, lower, upper, beyond (the
    moving range at place i is that of points i − 1 and i). Where no limits can be had, centre, sigma and the limits are
    null, and `reason` says why.
    """

    kind: str
    centre: float | None
    sigma: float | None
    points: pl.DataFrame
    spread: pl.DataFrame | None
    reason: str | None = None


def _values(values: ArrayLike) -> NDArray[np.float64]:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1 or not np.isfinite(array).all():
        raise ValueError("a chart needs one row of finite numbers, in time order")
    return array


def _frame(
    value: NDArray[np.float64],
    centre: NDArray[np.float64] | float | None,
    lower: NDArray[np.float64] | float | None,
    upper: NDArray[np.float64] | float | None,
    first: int = 1,
) -> pl.DataFrame:
    def column(number: NDArray[np.float64] | float | None) -> pl.Series:
        if number is None:
            return pl.Series(values=[None] * value.size, dtype=pl.Float64)
        return pl.Series(values=np.broadcast_to(np.asarray(number, dtype=np.float64), value.shape), dtype=pl.Float64)

    return pl.DataFrame(
        {
            "place": np.arange(first, first + value.size),
            "value": value,
            "centre": column(centre),
            "lower": column(lower),
            "upper": column(upper),
        }
    ).with_columns(
        beyond=(pl.col("value") < pl.col("lower")).fill_null(value=False)
        | (pl.col("value") > pl.col("upper")).fill_null(value=False)
    )


def _frozen(centre: float | None, sigma: float | None) -> bool:
    if (centre is None) != (sigma is None):
        raise ValueError("frozen limits need both a centre and a sigma")
    if sigma is not None and not sigma > 0:
        raise ValueError(f"a sigma of {sigma} gives no limits; expected a number above zero")
    return centre is not None


def individuals(values: ArrayLike, *, centre: float | None = None, sigma: float | None = None) -> Chart:
    """Return the chart of single values with their moving range.

    Centre = mean, σ = mean moving range/d2(2), limits centre ± 3σ; moving range: centre d2(2)·σ, upper limit D4(2) times
    that (ISO 7870-2; NIST/SEMATECH e-Handbook 6.3.2.2, which uses d2 = 1.128).

    Parameters
    ----------
    values
        In time order, any unit.
    centre, sigma
        Frozen centre and standard deviation; both or neither.

    Raises
    ------
    ValueError
        If a value is not finite, or only one of centre and sigma is given.
    """
    x = _values(values)
    ranges = np.abs(np.diff(x))
    reason = None
    if not _frozen(centre, sigma):
        if x.size < 2:
            reason = "a moving range needs two values"
        elif ranges.mean() <= _EQUAL * np.abs(x).max():
            reason = "all values are equal, so the moving range is zero"
        else:
            centre, sigma = float(x.mean()), float(ranges.mean() / d2(2))
    if centre is None or sigma is None:
        empty = _frame(ranges, None, None, None, first=2)
        return Chart("individuals", None, None, _frame(x, None, None, None), empty, reason)
    middle = sigma * d2(2)
    return Chart(
        "individuals",
        centre,
        sigma,
        _frame(x, centre, centre - 3.0 * sigma, centre + 3.0 * sigma),
        _frame(ranges, middle, 0.0, middle + 3.0 * d3(2) * sigma, first=2),
    )


def summarised_subgroups(
    kind: str,
    sizes: ArrayLike,
    means: ArrayLike,
    spreads: ArrayLike,
    *,
    largest: float,
    centre: float | None = None,
    sigma: float | None = None,
) -> Chart:
    """Return the chart of subgroups of which size, mean and spread are known.

    Parameters
    ----------
    kind
        ``xbar_range`` (spreads are ranges) or ``xbar_standard_deviation``.
    sizes, means, spreads
        One-dimensional, same length, in time order; sizes of at least two.
    largest
        Largest absolute value in any subgroup: below 1e-12 of it a spread is rounding noise.
    centre, sigma
        Frozen centre and standard deviation of single values; both or neither.

    Raises
    ------
    ValueError
        If a subgroup has fewer than two values, or a number is not finite.
    """
    means, spreads = _values(means), _values(spreads)
    sizes = np.asarray(sizes, dtype=np.int64)
    if not sizes.size or sizes.min() < 2:
        raise ValueError("each subgroup needs at least two values; chart single values as individuals")
    known = {
        int(size): (d2(int(size)), d3(int(size))) if kind == "xbar_range" else (c4(int(size)), 0.0)
        for size in set(sizes.tolist())
    }
    expected = np.asarray([known[size][0] for size in sizes.tolist()])
    if kind == "xbar_range":
        scatter = np.asarray([known[size][1] for size in sizes.tolist()])
    else:
        scatter = np.sqrt(1.0 - expected**2)
    if not _frozen(centre, sigma):
        weights = (expected / scatter) ** 2
        estimate = float((weights * spreads / expected).sum() / weights.sum())
        if estimate <= _EQUAL * largest:
            reason = "the values within each subgroup are equal, so their spread is zero"
            return Chart(kind, None, None, _frame(means, None, None, None), _frame(spreads, None, None, None), reason)
        sigma = estimate
        centre = float((sizes * means).sum() / sizes.sum())
    if centre is None or sigma is None:
        raise AssertionError  # pragma: no cover - _frozen has checked it
    half = 3.0 * sigma / np.sqrt(sizes)
    middle = expected * sigma
    return Chart(
        kind,
        centre,
        sigma,
        _frame(means, centre, centre - half, centre + half),
        _frame(spreads, middle, np.maximum(0.0, middle - 3.0 * scatter * sigma), middle + 3.0 * scatter * sigma),
    )


def ewma_path(values: NDArray[np.float64], weight: float, *, start: float = 0.0) -> NDArray[np.float64]:
    """Return z(i) = weight·x(i) + (1 − weight)·z(i − 1) from z(0) = `start`, shape of `values`."""
    kept = 1.0 - weight
    path = accumulate(values.tolist(), lambda before, value: weight * value + kept * before, initial=start)
    return np.fromiter(path, dtype=np.float64, count=values.size + 1)[1:]


def cusum_path(steps: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return c(i) = max(0, c(i − 1) + step(i)) from c(0) = 0, shape of `steps`."""
    path = accumulate(steps.tolist(), lambda before, step: max(0.0, before + step), initial=0.0)
    return np.fromiter(path, dtype=np.float64, count=steps.size + 1)[1:]


def ewma(
    values: ArrayLike,
    *,
    target: float,
    sigma: float,
    weight: float = 0.2,
    width: float = 3.0,
    asymptotic: bool = False,
) -> Chart:
    """Return the exponentially weighted moving average: z(i) = weight·x(i) + (1 − weight)·z(i − 1), z(0) = target.

    Limits are target ± width·σ·√(weight/(2 − weight)·[1 − (1 − weight)^(2i)]), or, `asymptotic`, without the bracket, as
    the NIST/SEMATECH e-Handbook 6.3.2.4 draws them. Average run lengths: Lucas and Saccucci (Technometrics 32, 1, 1990).

    Parameters
    ----------
    values
        In time order; restart after a setting, never run across it.
    target, sigma
        Frozen centre and standard deviation of the values.
    weight
        Of the newest value, above 0 to 1.
    width
        Of the limits, in standard deviations of z.
    asymptotic
        Draw the limits of a long run from the first point on.

    Returns
    -------
    Chart
        `points.value` is z.

    Raises
    ------
    ValueError
        If a value is not finite, or sigma, weight or width makes no sense.
    """
    x = _values(values)
    _frozen(target, sigma)
    if not 0.0 < weight <= 1.0 or not width > 0:
        raise ValueError(f"weight {weight} and width {width}: expected 0 < weight <= 1 and a width above zero")
    z = ewma_path(x, weight, start=target)
    variance = np.full(x.size, weight / (2.0 - weight))
    if not asymptotic:
        variance *= 1.0 - (1.0 - weight) ** (2.0 * np.arange(1, x.size + 1))
    half = width * sigma * np.sqrt(variance)
    return Chart("ewma", target, sigma, _frame(z, target, target - half, target + half), None)
