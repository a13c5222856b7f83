"""Tests for outliers. They point at values; only a person leaves a reading out, with a reason."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import scipy

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "GeneralisedExtremeDeviate",
    "Grubbs",
    "TietjenMoore",
    "generalised_extreme_studentized_deviate",
    "grubbs",
    "grubbs_critical",
    "tietjen_moore",
]

_EQUAL = 1e-12
_AT_ONCE = 1_000_000
"""Simulated values held at once."""

Side = Literal["both", "high", "low"]


@dataclass(frozen=True, slots=True)
class Grubbs:
    """Grubbs' test of one outlier; None, with the reason, where it cannot be made.

    `place` is the index (from 0) of the tested value; `outlier` says whether the statistic exceeds the critical value.
    """

    values: int
    side: Side
    significance: float
    place: int | None
    value: float | None
    statistic: float | None
    critical: float | None
    p_value: float | None
    outlier: bool | None
    reason: str | None = None


def _array(values: ArrayLike) -> NDArray[np.float64]:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1 or not np.isfinite(array).all():
        raise ValueError("a test for outliers needs one row of finite numbers")
    return array


def _check_significance(significance: float) -> None:
    if not 0.0 < significance < 1.0:
        raise ValueError(f"a significance of {significance} makes no sense; expected a number between 0 and 1")


def grubbs_critical(n: int, *, side: Side = "both", significance: float = 0.05) -> float:
    """Return the critical value of Grubbs' statistic.

    (n − 1)/√n·√(t²/(n − 2 + t²)) with t the upper quantile of Student's t, n − 2 degrees of freedom, at significance/(2n) for
    both sides and significance/n for one named side (Grubbs, Technometrics 11, 1, 1969; NIST/SEMATECH e-Handbook 1.3.5.17).

    Raises
    ------
    ValueError
        If n is below 3 or the significance is not between 0 and 1.
    """
    _check_significance(significance)
    if n < 3:
        raise ValueError("Grubbs' test needs at least 3 values")
    tail = significance / n / (2.0 if side == "both" else 1.0)
    t = float(scipy.special.stdtrit(n - 2, 1.0 - tail))
    return float((n - 1) / np.sqrt(n) * np.sqrt(t * t / (n - 2 + t * t)))


def grubbs(values: ArrayLike, *, side: Side = "both", significance: float = 0.05) -> Grubbs:
    """Test whether the value farthest from the mean is an outlier of a normal sample.

    Parameters
    ----------
    values
        One-dimensional, any unit.
    side
        `both`: the value farthest on either side; `high` or `low`: that end only, decided before looking.
    significance
        Chance of a false alarm.

    Returns
    -------
    Grubbs
        `p_value` by the Bonferroni bound that the critical value uses too.

    Raises
    ------
    ValueError
        If a value is not finite or the significance is not between 0 and 1.
    """
    x = _array(values)
    _check_significance(significance)
    n = x.size
    if n < 3:
        return Grubbs(n, side, significance, None, None, None, None, None, None, f"{n} values; at least 3 are needed")
    deviation = float(x.std(ddof=1))
    if deviation <= _EQUAL * float(np.abs(x).max()):
        return Grubbs(n, side, significance, None, None, None, None, None, None, "all values are equal")
    distance = {"both": np.abs(x - x.mean()), "high": x - x.mean(), "low": x.mean() - x}[side]
    place = int(np.argmax(distance))
    statistic = float(distance[place]) / deviation
    critical = grubbs_critical(n, side=side, significance=significance)
    room = (n - 1) ** 2 - n * statistic**2
    # at its largest possible value the statistic leaves the other values no spread: p is zero
    p = 0.0
    if room > 0:
        t = np.sqrt(n * (n - 2) * statistic**2 / room)
        p = float(scipy.special.stdtr(n - 2, -t)) * n * (2.0 if side == "both" else 1.0)
    return Grubbs(n, side, significance, place, float(x[place]), statistic, critical, min(1.0, p), statistic > critical)


@dataclass(frozen=True, slots=True)
class GeneralisedExtremeDeviate:
    """Result of the generalised test: `places` are the outliers (from 0), farthest first."""

    values: int
    significance: float
    statistics: tuple[float, ...]
    criticals: tuple[float, ...]
    removed: tuple[int, ...]
    places: tuple[int, ...]
    reason: str | None = None


def generalised_extreme_studentized_deviate(
    values: ArrayLike, groups: ArrayLike | None = None, *, most: int, significance: float = 0.05
) -> GeneralisedExtremeDeviate:
    """Test for up to `most` outliers among values of one group, or of many groups with own means and one spread.

    R(i), after i − 1 removals, is the largest |x − mean|·√(n/(n − 1))/s about the mean of the own group, with s pooled within groups,
    ν degrees of freedom, and λ(i) = t·√ν/√(ν − 1 + t²) with t the quantile at significance/(2·values) of ν − 1 degrees of freedom
    (largest studentised residual, Bonferroni; Srikantan, Sankhya A 23, 251, 1961; from memory); the number of outliers is the
    largest i with R(i) > λ(i). For one group that is the generalised test of Rosner (Technometrics 25, 165, 1983; NIST/SEMATECH
    e-Handbook 1.3.5.17.3; from memory), R and λ times √(n/(n − 1)). A value that is taken out is taken out of the mean of its
    group, too, so that it does not make its neighbours look outlying.

    Parameters
    ----------
    values
        One-dimensional, any unit.
    groups
        Of each value, whole numbers from 0; None for one group. A group of one value has no residual.
    most
        Largest number of outliers looked for, at least 1.
    significance
        Chance of a false alarm; holds well from 25 values on, fairly from 15.

    Returns
    -------
    GeneralisedExtremeDeviate
        Statistics and criticals in the scale of the largest studentised residual, one entry a step; fewer than `most` steps
        where what is left has no spread or fewer than two degrees of freedom.

    Raises
    ------
    ValueError
        If a value is not finite, `most` is below 1, the significance is not between 0 and 1, or the lengths differ.
    """
    x = _array(values)
    group = np.zeros(x.size, dtype=np.int64) if groups is None else np.asarray(groups, dtype=np.int64)
    _check_significance(significance)
    if most < 1:
        raise ValueError("the largest number of outliers must be at least 1")
    if group.shape != x.shape:
        raise ValueError("each value needs its group")
    left = np.ones(x.size, dtype=bool)
    statistics: list[float] = []
    criticals: list[float] = []
    removed: list[int] = []
    reason = None
    for step in range(1, most + 1):
        size = np.bincount(group[left])
        usable = left & (size[group] > 1)
        freedom = int(usable.sum() - np.count_nonzero(size > 1))
        if freedom < 2:
            reason = f"what is left after {step - 1} removals has fewer than 2 degrees of freedom within groups"
            break
        mean = np.bincount(group[left], x[left]) / np.maximum(size, 1)
        residual = np.where(usable, x - mean[group], 0.0)
        deviation = float(np.sqrt((residual**2).sum() / freedom))
        if deviation <= _EQUAL * float(np.abs(x).max()):
            reason = "values within groups are all equal"
            break
        n = np.maximum(size[group], 2)
        studentised = np.abs(residual) * np.sqrt(n / (n - 1.0)) / deviation
        place = int(np.argmax(studentised))
        t = float(scipy.special.stdtrit(freedom - 1, 1.0 - significance / (2.0 * int(usable.sum()))))
        statistics.append(float(studentised[place]))
        criticals.append(float(t * np.sqrt(freedom) / np.sqrt(freedom - 1 + t * t)))
        removed.append(place)
        left[place] = False
    found = [step for step, (got, limit) in enumerate(zip(statistics, criticals, strict=True), start=1) if got > limit]
    return GeneralisedExtremeDeviate(
        x.size,
        significance,
        tuple(statistics),
        tuple(criticals),
        tuple(removed),
        tuple(removed[: max(found, default=0)]),
        reason,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class TietjenMoore:
    """Result of the test for exactly so many outliers: they are outlying together where `statistic` is below `critical`."""

    values: int
    outliers: int
    significance: float
    places: tuple[int, ...]
    statistic: float | None
    critical: float | None
    outlying: bool | None
    reason: str | None = None


def _left_over(x: NDArray[np.float64], k: int) -> NDArray[np.float64]:
    """Return E_k of each row: squares without the k values farthest from the mean over squares of all."""
    shifted = x - x.mean(axis=1, keepdims=True)
    order = np.argsort(np.abs(shifted))[:, : x.shape[1] - k]
    kept = np.take_along_axis(shifted, order, axis=1)
    left = ((kept - kept.mean(axis=1, keepdims=True)) ** 2).sum(axis=1)
    return np.asarray(left / (shifted**2).sum(axis=1))


def tietjen_moore(values: ArrayLike, k: int, *, significance: float = 0.05, simulations: int = 10_000) -> TietjenMoore:
    """Test whether the k values farthest from the mean are outliers of a normal sample, together and on either side.

    E_k is the sum of squares without them over that of all values, each about its own mean; its critical value is the quantile of
    E_k over seeded normal samples (Tietjen and Moore, Technometrics 14, 583, 1972; NIST/SEMATECH e-Handbook 1.3.5.17.2). k is to
    be known beforehand: the test swamps and masks where it is wrong.

    Parameters
    ----------
    values
        One-dimensional, any unit.
    k
        Outliers tested for, at least 1.
    significance
        Chance of a false alarm.
    simulations
        Normal samples behind the critical value; 10,000 give it to about 1 %.

    Raises
    ------
    ValueError
        If a value is not finite, k is below 1, or the significance is not between 0 and 1.
    """
    x = _array(values)
    _check_significance(significance)
    if k < 1:
        raise ValueError("the number of outliers must be at least 1")
    given: dict[str, Any] = {"values": x.size, "outliers": k, "significance": significance}
    reason = None
    if x.size < 3 or 2 * k > x.size:
        reason = f"{x.size} values are too few to tell {k} of them from the others"
    elif float(x.std()) <= _EQUAL * float(np.abs(x).max()):
        reason = "all values are equal"
    if reason is not None:
        return TietjenMoore(**given, places=(), statistic=None, critical=None, outlying=None, reason=reason)
    rng = np.random.default_rng(0)
    at_once = _AT_ONCE // x.size + 1
    found = [
        _left_over(rng.standard_normal((min(at_once, simulations - start), x.size)), k)
        for start in range(0, simulations, at_once)
    ]
    critical = float(np.quantile(np.concatenate(found), significance))
    statistic = float(_left_over(x[None, :], k)[0])
    places = np.argsort(-np.abs(x - x.mean()))[:k]
    return TietjenMoore(
        **given, places=tuple(places.tolist()), statistic=statistic, critical=critical, outlying=statistic < critical
    )
