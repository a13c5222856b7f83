"""Tests for outliers. They point at values; only a person leaves a reading out, with a reason."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "GeneralisedExtremeDeviate",
    "Grubbs",
    "generalised_extreme_studentized_deviate",
    "generalised_extreme_studentized_deviate_within",
    "grubbs",
    "grubbs_critical",
]

_EQUAL = 1e-12

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
    t = float(special.stdtrit(n - 2, 1.0 - tail))
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
        p = float(special.stdtr(n - 2, -t)) * n * (2.0 if side == "both" else 1.0)
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
    values: ArrayLike, *, most: int, significance: float = 0.05
) -> GeneralisedExtremeDeviate:
    """Test for up to `most` outliers on both sides.

    R(i) is the largest |x − mean|/s after i − 1 removals; the number of outliers is the largest i with R(i) > λ(i), where
    λ(i) = (n − i)·t/√((n − i − 1 + t²)·(n − i + 1)) and t has n − i − 1 degrees of freedom and upper tail
    significance/(2·(n − i + 1)) (Rosner, Technometrics 25, 165, 1983; NIST/SEMATECH e-Handbook 1.3.5.17.3; from memory).

    Parameters
    ----------
    values
        One-dimensional, any unit.
    most
        Largest number of outliers looked for, at least 1.
    significance
        Chance of a false alarm; holds well from 25 values on, fairly from 15.

    Returns
    -------
    GeneralisedExtremeDeviate
        `statistics`, `criticals` and `removed` have one entry a step; fewer than `most` steps where what is left has
        no spread or fewer than three values.

    Raises
    ------
    ValueError
        If a value is not finite, `most` is below 1, or the significance is not between 0 and 1.
    """
    x = _array(values)
    _check_significance(significance)
    if most < 1:
        raise ValueError("the largest number of outliers must be at least 1")
    n = x.size
    left = np.arange(n)
    statistics: list[float] = []
    criticals: list[float] = []
    removed: list[int] = []
    reason = None
    for step in range(1, most + 1):
        rest = x[left]
        if rest.size < 3:
            reason = f"{n} values; what is left after {step - 1} removals is fewer than 3"
            break
        deviation = float(rest.std(ddof=1))
        if deviation <= _EQUAL * float(np.abs(rest).max()):
            reason = "all values are equal" if step == 1 else f"what is left after {step - 1} removals is all equal"
            break
        distance = np.abs(rest - rest.mean())
        place = int(np.argmax(distance))
        statistics.append(float(distance[place]) / deviation)
        t = float(special.stdtrit(n - step - 1, 1.0 - significance / (2.0 * (n - step + 1))))
        criticals.append(float((n - step) * t / np.sqrt((n - step - 1 + t * t) * (n - step + 1))))
        removed.append(int(left[place]))
        left = np.delete(left, place)
    found = [step for step, (got, limit) in enumerate(zip(statistics, criticals, strict=True), start=1) if got > limit]
    return GeneralisedExtremeDeviate(
        n,
        significance,
        tuple(statistics),
        tuple(criticals),
        tuple(removed),
        tuple(removed[: max(found, default=0)]),
        reason,
    )


def generalised_extreme_studentized_deviate_within(
    values: ArrayLike, groups: ArrayLike, *, most: int, significance: float = 0.05
) -> GeneralisedExtremeDeviate:
    """Test for up to `most` outliers among values of many groups with own means and one spread.

    As :func:`generalised_extreme_studentized_deviate`, on residuals about the mean of the own group: R is the largest
    |x − mean|·√(n/(n − 1))/s with s pooled within groups, ν degrees of freedom, and λ = t·√ν/√(ν − 1 + t²) with t the quantile at
    significance/(2·values) of ν − 1 degrees of freedom (largest studentised residual, Bonferroni; Srikantan, Sankhya A 23, 251,
    1961; from memory). A value that is taken out is taken out of the mean of its group, too, so that it does not make its
    neighbours look outlying. For one group both functions say the same.

    Parameters
    ----------
    values
        One-dimensional, any unit.
    groups
        Of each value, whole numbers from 0. A group of one value has no residual.
    most
        Largest number of outliers looked for, at least 1.
    significance
        Chance of a false alarm.

    Returns
    -------
    GeneralisedExtremeDeviate
        Statistics and criticals in the scale of the largest studentised residual.

    Raises
    ------
    ValueError
        If a value is not finite, `most` is below 1, the significance is not between 0 and 1, or the lengths differ.
    """
    x = _array(values)
    group = np.asarray(groups, dtype=np.int64)
    _check_significance(significance)
    if most < 1:
        raise ValueError("the largest number of outliers must be at least 1")
    if group.shape != x.shape:
        raise ValueError("each value needs its group")
    left = np.ones(x.size, dtype=bool)
    shifted = x - x[0] if x.size else x
    statistics: list[float] = []
    criticals: list[float] = []
    removed: list[int] = []
    reason = None
    for step in range(1, most + 1):
        size = np.bincount(group[left], minlength=int(group.max(initial=0)) + 1)
        usable = left & (size[group] > 1)
        freedom = int(usable.sum() - np.count_nonzero(size > 1))
        if freedom < 2:
            reason = f"what is left after {step - 1} removals has fewer than 2 degrees of freedom within groups"
            break
        mean = np.bincount(group[left], shifted[left], minlength=size.size) / np.maximum(size, 1)
        residual = np.where(usable, shifted - mean[group], 0.0)
        deviation = float(np.sqrt((residual**2).sum() / freedom))
        if deviation <= _EQUAL * float(np.abs(x).max()):
            reason = "values within groups are all equal"
            break
        n = np.maximum(size[group], 2)
        studentised = np.abs(residual) * np.sqrt(n / (n - 1.0)) / deviation
        place = int(np.argmax(studentised))
        t = float(special.stdtrit(freedom - 1, 1.0 - significance / (2.0 * int(usable.sum()))))
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
