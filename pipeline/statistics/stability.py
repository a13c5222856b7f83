"""Whether the part means of a lot, in the order of measuring, come from one stable process.

The usual patterns of a chart are made to be watched point by point: over a whole lot they call many a stable one unstable (a
run of seven alone stands in every third lot of 50 parts). So five signals decide, each with a limit that depends on the
number of parts such that it comes by chance in at most two stable lots of a hundred, together in four to six (simulated in the
tests). The patterns of ISO 7870-2 are listed beside them, for the eye.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import count
from math import factorial, sqrt
from typing import TYPE_CHECKING

import numpy as np
import scipy

from pipeline.statistics.constants import d2, degrees_of_freedom_of_relative_variance, moving_range_relative_variance
from pipeline.statistics.outliers import grubbs_critical
from pipeline.statistics.patterns import chosen, hits
from pipeline.statistics.randomness import autocorrelation, autocorrelation_bound

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["MINIMUM_POINTS", "Limits", "Signal", "Stability", "limits_for", "stability"]

MINIMUM_POINTS = 8
"""With fewer points limits say next to nothing, and no run is long enough (common practice, no source)."""

_LISTED = ("beyond-limit", "same-side", "rising-falling")
"""Patterns of ISO 7870-2:2013, with its numbers; its fourth, "any pattern that is not random", is for the eye (from memory)."""

SIGNIFICANCE = 0.02
"""Chance that any one of the five signals stands in a stable lot."""

_EQUAL = 1e-12


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits for so many points: `beyond` in overall standard deviations, `moving_range` in sigma, `run` and `trend` in points."""

    beyond: float
    moving_range: float
    run: int
    trend: int
    smallest_von_neumann_ratio: float


@dataclass(frozen=True, slots=True)
class Signal:
    """A signal completed at a point (place from 1; None where the whole lot gives it).

    `rule` is ``beyond``, ``moving_range``, ``run``, ``trend``, ``neighbours``, or the id of a file of `patterns`; `length` counts
    the points of a run or trend. Only one that `decides` makes a lot unstable.
    """

    place: int | None
    rule: str
    title: str
    length: int | None
    decides: bool


@dataclass(frozen=True, slots=True)
class Stability:
    """Result for one lot.

    `state` is ``stable``, ``unstable`` or, with the reason, ``not_judged``. `sigma` comes from the mean moving range; `centre`,
    `sigma` and `limits` are None where there is no spread. `independent` says whether the autocorrelation of neighbours keeps
    the bound ±1.96/√n; None where it cannot be had.
    """

    state: str
    reason: str | None
    points: int
    centre: float | None
    sigma: float | None
    limits: Limits | None
    signals: tuple[Signal, ...]
    autocorrelation: float | None
    autocorrelation_bound: float | None
    independent: bool | None


@lru_cache(maxsize=256)
def limits_for(n: int) -> Limits:
    """Return the limits for n points, each passed by about `SIGNIFICANCE` of stable normal lots.

    - a point beyond: Grubbs' critical value, both sides, in overall standard deviations;
    - a moving range: Student's t with the degrees of freedom of the mean moving range at significance/(2(n − 1)), times √2;
    - a run on one side of the centre of r points: expected number 2^(1−r) + (n − r)·2^(−r);
    - a trend of t points: expected number 2·(1/t! + (n − t)·(1/t! − 1/(t + 1)!));
    - neighbours alike: the ratio of von Neumann (Ann. Math. Stat. 12, 367, 1941; moments from memory) Σd²/Σ(x − x̄)², mean 2,
      variance 4·(n − 2)/(n² − 1), normal.

    All but the ratio are derived from independence; checked by simulation in the tests.

    Raises
    ------
    ValueError
        If n is below `MINIMUM_POINTS`.
    """
    if n < MINIMUM_POINTS:
        raise ValueError(f"{n} points; at least {MINIMUM_POINTS} are needed")
    nu = float(degrees_of_freedom_of_relative_variance(moving_range_relative_variance(n)))
    beyond = grubbs_critical(n, significance=SIGNIFICANCE)
    moving = sqrt(2.0) * float(scipy.special.stdtrit(nu, 1.0 - SIGNIFICANCE / (2.0 * (n - 1.0))))
    # of MINIMUM_POINTS there is always such a run and such a trend
    run = next(r for r in count(1) if 2.0 ** (1 - r) + (n - r) * 2.0**-r <= SIGNIFICANCE)
    trend = next(
        t
        for t in count(1)
        if 2.0 * (1.0 / factorial(t) + (n - t) * (1.0 / factorial(t) - 1.0 / factorial(t + 1))) <= SIGNIFICANCE
    )
    ratio = 2.0 + float(scipy.special.ndtri(SIGNIFICANCE)) * sqrt(4.0 * (n - 2.0) / (n * n - 1.0))
    return Limits(beyond, moving, run, trend, ratio)


def stability(part_means: ArrayLike) -> Stability:
    """Judge the order of part means by five signals, and list the patterns of ISO 7870-2 beside them.

    Parameters
    ----------
    part_means
        In the order of measuring, any unit.

    Returns
    -------
    Stability
        Neighbours are also tested for autocorrelation at lag 1, on both sides at 5 %: where they depend on each other the
        moving range does not show the whole variation (or too much of it), and intervals that count parts are off.

    Raises
    ------
    ValueError
        If a value is not finite.
    """
    x = np.asarray(part_means, dtype=np.float64)
    if x.ndim != 1 or not np.isfinite(x).all():
        raise ValueError("expected one row of finite numbers, in the order of measuring")
    n = x.size

    def not_judged(reason: str) -> Stability:
        return Stability("not_judged", reason, n, None, None, None, (), None, None, None)

    if n < MINIMUM_POINTS:
        return not_judged(f"{n} parts; at least {MINIMUM_POINTS} are needed to judge their order")
    moved = np.abs(np.diff(x))
    if float(moved.mean()) <= _EQUAL * float(np.abs(x).max()):
        return not_judged("all part means are equal, so there is nothing to judge")
    sigma = float(moved.mean()) / d2(2)
    shifted = x - x[0]
    centred = shifted - shifted.mean()
    limits = limits_for(n)
    z = centred / sigma
    signals = [*_deciding(z, moved / sigma, limits), *_patterns(z)]
    signals.sort(key=lambda signal: (not signal.decides, signal.place or 0))
    r, bound = autocorrelation(x), autocorrelation_bound(n)
    return Stability(
        "unstable" if any(signal.decides for signal in signals) else "stable",
        None,
        n,
        float(x[0] + shifted.mean()),
        sigma,
        limits,
        tuple(signals),
        r,
        bound,
        None if r is None else abs(r) <= bound,
    )


def _deciding(z: NDArray[np.float64], moved: NDArray[np.float64], limits: Limits) -> list[Signal]:
    found = [
        Signal(int(place) + 1, "beyond", "a part beyond the limits of the others", None, True)
        for place in np.flatnonzero(np.abs(z) > limits.beyond * float(z.std(ddof=1)))
    ]
    found += [
        Signal(int(place) + 2, "moving_range", "two neighbouring parts too far apart", None, True)
        for place in np.flatnonzero(moved > limits.moving_range)
    ]
    for end, length in _stretches(np.sign(z)):
        if length >= limits.run:
            found.append(Signal(end, "run", "parts in a row on one side of the mean", length, True))
    for end, steps in _stretches(np.sign(np.diff(z))):
        if steps + 1 >= limits.trend:
            found.append(Signal(end + 1, "trend", "parts in a row, all rising or all falling", steps + 1, True))
    if float((moved**2).sum()) < limits.smallest_von_neumann_ratio * float((z**2).sum()):
        found.append(Signal(None, "neighbours", "neighbouring parts more alike than the lot as a whole", None, True))
    return found


def _stretches(signs: NDArray[np.float64]) -> list[tuple[int, int]]:
    """Return (place of the last, length) of each stretch of equal signs, zeros left out."""
    ends = np.flatnonzero(np.append(signs[1:] != signs[:-1], True))
    lengths = np.diff(ends, prepend=-1)
    return [(int(end) + 1, int(n)) for end, n in zip(ends, lengths, strict=True) if signs[end] != 0]


def _patterns(z: NDArray[np.float64]) -> list[Signal]:
    rules = chosen(_LISTED, {})
    return [
        Signal(int(place) + 1, rules[rule][0].id, rules[rule][0].title.format(n=rules[rule][1]), None, False)
        for place, rule in zip(*np.nonzero(hits(z, rules).T), strict=True)
    ]
