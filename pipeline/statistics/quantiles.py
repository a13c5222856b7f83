"""Quantiles by a named definition, and capability from quantiles for values that are not normal.

The nine definitions of Hyndman and Fan (Am. Stat. 50, 361, 1996) differ by more than rounding in small samples, so none is used
without its name. Offered are type 6 (Weibull, p = i/(n + 1)), type 7 (p = (i − 1)/(n − 1), common in software) and type 8
(p = (i − 1/3)/(n + 1/3), recommended by the authors).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import ceil, exp, floor, log, sqrt
from typing import TYPE_CHECKING, Literal

import numpy as np
import scipy

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "DEFINITIONS",
    "QuantileCapability",
    "QuantileDefinition",
    "pearson_iii_scores",
    "quantile",
    "quantile_capability",
    "values_needed",
]

QuantileDefinition = Literal["type_6", "type_7", "type_8"]
CapabilityDefinition = Literal["type_6", "type_7", "type_8", "normal", "lognormal", "pearson_iii"]

DEFINITIONS: dict[str, str] = {
    "type_6": "order statistics, Hyndman and Fan type 6",
    "type_7": "order statistics, Hyndman and Fan type 7",
    "type_8": "order statistics, Hyndman and Fan type 8",
    "normal": "normal distribution with the mean and standard deviation of the values",
    "lognormal": "lognormal distribution with the mean and standard deviation of the logarithms",
    "pearson_iii": "Pearson type III (shifted gamma) distribution with the mean, standard deviation and skewness of the values",
}
"""What each name stands for, in words."""

_OFFSETS = {"type_6": (0.0, 0.0), "type_7": (1.0, 1.0), "type_8": (1.0 / 3.0, 1.0 / 3.0)}
_LOW, _HIGH = 0.00135, 0.99865
"""0.135 % and 99.865 %: what ±3σ leaves outside in a normal population, as ISO 22514-2 rounds it (from memory)."""
_EQUAL = 1e-12


def _sorted(values: ArrayLike) -> NDArray[np.float64]:
    array = np.sort(np.asarray(values, dtype=np.float64))
    if array.ndim != 1 or array.size == 0 or not np.isfinite(array).all():
        raise ValueError("quantiles need at least one value, all finite")
    return array


def _position(n: int, probability: float, definition: str) -> float:
    """Return the place of a quantile between the order statistics 1 to n, unbounded."""
    a, b = _OFFSETS[definition]
    return a + probability * (n + 1.0 - a - b)


def quantile(values: ArrayLike, probability: float, definition: QuantileDefinition) -> float:
    """Return one quantile; beyond the smallest or largest value it is that value.

    Parameters
    ----------
    values
        One-dimensional, any unit.
    probability
        From 0 to 1.
    definition
        Name of the definition.

    Raises
    ------
    ValueError
        If there is no value, one is not finite, the probability is outside 0..1 or the definition unknown.
    """
    array = _sorted(values)
    if not 0.0 <= probability <= 1.0:
        raise ValueError(f"a probability of {probability} makes no sense; expected a number from 0 to 1")
    if definition not in _OFFSETS:
        raise ValueError(f"unknown definition {definition!r}; expected one of {', '.join(_OFFSETS)}")
    place = min(max(_position(array.size, probability, definition), 1.0), float(array.size))
    below = floor(place)
    above = min(below + 1, array.size)
    return float(array[below - 1] + (place - below) * (array[above - 1] - array[below - 1]))


@dataclass(frozen=True, slots=True)
class QuantileCapability:
    """Indices from quantiles; None, with the reason under its name, where not computable.

    `quantile_pp` = (U − L)/(X(99.865 %) − X(0.135 %)), `quantile_ppk` = min((U − X(50 %))/(X(99.865 %) − X(50 %)),
    (X(50 %) − L)/(X(50 %) − X(0.135 %))). No interval is given: see `interval_reason`.
    """

    values: int
    definition: str
    low_quantile: float | None
    median: float | None
    high_quantile: float | None
    quantile_pp: float | None
    quantile_ppk: float | None
    not_computable: dict[str, str] = field(default_factory=dict)
    interval_reason: str = "no published interval for this index was available, so none is stated"


def values_needed(definition: str) -> int:
    """Return the number of values from which the 0.135 % quantile lies inside the data; 2 for a fitted distribution."""
    if definition not in _OFFSETS:
        return 3 if definition == "pearson_iii" else 2
    a, b = _OFFSETS[definition]
    # type 7 interpolates inside the data for any n, but below 1/0.00135 values its result is the extreme values alone
    if definition == "type_7":
        return ceil(1.0 / _LOW)
    return ceil((1.0 - a) / _LOW - 1.0 + a + b)


def quantile_capability(
    values: ArrayLike, lower: float | None, upper: float | None, *, definition: CapabilityDefinition = "type_6"
) -> QuantileCapability:
    """Return capability indices from quantiles, as ISO 22514-2 does for distributions that are not normal (from memory).

    Parameters
    ----------
    values
        Part means, any order, in the unit of the limits.
    lower, upper
        Limits; None where there is none.
    definition
        How quantiles are had (`DEFINITIONS`). Order statistics need several hundred values; a fitted distribution needs
        few, but holds only where the values follow it.

    Raises
    ------
    ValueError
        If a number is not finite or the definition unknown.
    """
    if definition not in DEFINITIONS:
        raise ValueError(f"unknown definition {definition!r}; expected one of {', '.join(DEFINITIONS)}")
    array = np.asarray(values, dtype=np.float64)
    if not np.isfinite(array).all() or any(limit is not None and not np.isfinite(limit) for limit in (lower, upper)):
        raise ValueError("values and limits must be finite numbers")
    n = array.size
    needed = values_needed(definition)
    reason = None
    if lower is None and upper is None:
        reason = "no limit is given"
    elif lower is not None and upper is not None and lower >= upper:
        reason = f"the lower limit {lower} is not below the upper limit {upper}"
    elif n < needed:
        reason = f"{n} values; the 0.135 % quantile by {definition} needs at least {needed}"
    elif float(np.ptp(array)) <= _EQUAL * float(np.abs(array).max()):
        reason = "all values are equal"
    elif definition == "lognormal" and float(array.min()) <= 0:
        reason = "a lognormal distribution needs values above zero"
    if reason is not None:
        missing = dict.fromkeys(("quantile_pp", "quantile_ppk"), reason)
        return QuantileCapability(n, definition, None, None, None, None, None, missing)
    low, middle, high = (_at(array, probability, definition) for probability in (_LOW, 0.5, _HIGH))
    missing = {}
    pp = None
    if lower is None or upper is None:
        missing["quantile_pp"] = "this index needs two limits"
    else:
        pp = (upper - lower) / (high - low)
    sides = []
    if upper is not None and high > middle:
        sides.append((upper - middle) / (high - middle))
    if lower is not None and middle > low:
        sides.append((middle - lower) / (middle - low))
    wanted = (lower is not None) + (upper is not None)
    if len(sides) < wanted:
        missing["quantile_ppk"] = "more than 49 % of the values are equal and extreme, so one side has no spread"
    return QuantileCapability(
        n, definition, low, middle, high, pp, min(sides) if len(sides) == wanted else None, missing
    )


def _at(array: NDArray[np.float64], probability: float, definition: CapabilityDefinition) -> float:
    multiple = {_LOW: -3.0, 0.5: 0.0, _HIGH: 3.0}[probability]
    if definition == "normal":
        return float(array.mean() + multiple * array.std(ddof=1))
    if definition == "lognormal":
        logs = np.log(array / array[0])
        return exp(log(float(array[0])) + float(logs.mean() + multiple * logs.std(ddof=1)))
    if definition == "pearson_iii":
        low, middle, high = _pearson_iii(array)
        return {_LOW: low, 0.5: middle, _HIGH: high}[probability]
    return quantile(array, probability, definition)


_NO_SKEW = 1e-4
"""Below this the shifted gamma distribution is the normal one to every digit shown."""


def _skewness(array: NDArray[np.float64]) -> float:
    """Return the adjusted coefficient of skewness, √(n(n − 1))/(n − 2)·m3/m2^1.5 (Joanes and Gill, The Statistician 47, 183, 1998)."""
    n = array.size
    centred = array - array.mean()
    return float((centred**3).mean() / (centred**2).mean() ** 1.5 * sqrt(n * (n - 1.0)) / (n - 2.0))


def _pearson_iii(array: NDArray[np.float64]) -> tuple[float, float, float]:
    """Return the 0.135 %, 50 % and 99.865 % quantiles of the shifted gamma distribution with the moments of the values."""
    s, skew = float(array.std(ddof=1)), _skewness(array)
    if abs(skew) < _NO_SKEW:
        standard = np.array([-3.0, 0.0, 3.0])
    else:
        shape = 4.0 / (skew * skew)
        below = scipy.special.gammaincinv(shape, np.array([_LOW, 0.5, _HIGH]))
        standard = (below - shape) / sqrt(shape)
        if skew < 0:
            standard = -standard[::-1]
    low, middle, high = (float(array.mean() + s * z) for z in standard)
    return low, middle, high


def pearson_iii_scores(values: ArrayLike) -> NDArray[np.float64]:
    """Return each value as the normal score of its place in the fitted Pearson type III distribution.

    If the values follow that distribution the scores are close to normal, so a test of normality of the scores is a test of the
    fit (approximate, as the parameters come from the same values). Values beyond the end of the distribution get a score of ±8.

    Parameters
    ----------
    values
        One-dimensional, at least three, not all equal.

    Returns
    -------
    numpy.ndarray
        Scores, in the order of the values.

    Raises
    ------
    ValueError
        If a value is not finite, there are fewer than three, or all are equal.
    """
    array = np.asarray(values, dtype=np.float64)
    if array.size < 3 or not np.isfinite(array).all() or float(np.ptp(array)) == 0:
        raise ValueError("a fit needs at least three finite values that differ")
    skew = _skewness(array)
    z = (array - array.mean()) / array.std(ddof=1)
    if abs(skew) < _NO_SKEW:
        return np.asarray(z)
    shape = 4.0 / (skew * skew)
    place = np.maximum(shape + np.sign(skew) * z * sqrt(shape), 0.0)
    upper_tail = z * skew > 0
    below = scipy.special.ndtri(scipy.special.gammainc(shape, place))
    above = -scipy.special.ndtri(scipy.special.gammaincc(shape, place))
    score = np.where(upper_tail, above, below) * np.sign(skew)
    return np.asarray(np.clip(score, -8.0, 8.0))
