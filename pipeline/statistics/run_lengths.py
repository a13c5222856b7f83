"""Average run lengths of charts on z, by exact methods, and the limits that give a wanted one.

z = (value − centre)/σ. A run length is the number of points up to and with the first signal; its mean is the average run
length. While nothing has changed it is the mean number of points between false signals, if a chart restarts at each.

EWMA and CUSUM
    Fredholm integral equation of the second kind, solved by Gauss-Legendre quadrature (Crowder, Technometrics 29, 401,
    1987, for the EWMA; Page, Biometrika 41, 100, 1954, and Goel and Wu, Technometrics 13, 221, 1971, for the CUSUM; from
    memory).
Patterns of points
    Markov chain over what can still matter of the past (Champ and Woodall, Technometrics 29, 393, 1987; from memory).

Limits estimated from a baseline
    With centre and σ from m points, z of later points has the mean −Z/(Q√m) and the standard deviation 1/Q, where Z is
    standard normal and Q² is χ²(m − 1)/(m − 1): every baseline has its own run length. Averaged over baselines is the
    *rate* of false signals, E(1/run length): it is what a site with many series counts, false signals a check, and it is
    finite for every m. The mean of the run lengths themselves is larger, carried by the few baselines whose σ came out
    large, and flatters (Jones, Champ and Rigdon, Technometrics 43, 156, 2001, and Jones, J. Qual. Technol. 34, 277, 2002,
    on EWMA with estimated parameters; Jones, Champ and Rigdon, Technometrics 46, 95, 2004, on the CUSUM; from memory).
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from math import isfinite, sqrt
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import scipy

from pipeline.statistics.tabulated_limits import TABLE

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import ArrayLike, NDArray

    _Conditional = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]

__all__ = [
    "Pattern",
    "cusum_interval",
    "cusum_run_length",
    "estimated_rate",
    "ewma_run_length",
    "ewma_width",
    "pattern_run_length",
    "pattern_widening",
]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)
_legendre = lru_cache(maxsize=64)(np.polynomial.legendre.leggauss)
_LONGEST = 1e12
"""Beyond this the equation is singular to working precision; such a chart never signals falsely."""


def _density(x: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.exp(-0.5 * x * x) * (1.0 / sqrt(2.0 * np.pi))


def _broadcast(shift: ArrayLike, scale: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64], tuple[int, ...]]:
    mean, deviation = np.broadcast_arrays(np.asarray(shift, dtype=np.float64), np.asarray(scale, dtype=np.float64))
    if not np.isfinite(mean).all() or not (np.isfinite(deviation) & (deviation > 0)).all():
        raise ValueError("expected a finite shift and a scale above zero")
    return mean.reshape(-1, 1, 1), deviation.reshape(-1, 1, 1), mean.shape


def _solved(kernel: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the solution of L = 1 + K·L for each matrix of a stack."""
    ones = np.ones(kernel.shape[:-1])
    return np.asarray(np.linalg.solve(np.eye(kernel.shape[-1]) - kernel, ones[..., None])[..., 0])


def _believed(length: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.where((length >= 1.0) & (length <= _LONGEST), length, _LONGEST)


def ewma_run_length(weight: float, width: float, shift: ArrayLike = 0.0, scale: ArrayLike = 1.0) -> NDArray[np.float64]:
    """Return the average run length of an EWMA that begins at 0, against ±`width`·√(weight/(2 − weight)).

    The limits are those of a long run from the first point on (`pipeline.statistics.charts.ewma` with `asymptotic`).

    Parameters
    ----------
    weight
        Of the newest point, above 0 to 1.
    width
        Of the limits, in standard deviations of the EWMA, above zero.
    shift, scale
        Mean and standard deviation of z; any shapes that broadcast.

    Returns
    -------
    numpy.ndarray
        Shape of `shift` and `scale`; at most 1e12.

    Raises
    ------
    ValueError
        If a number makes no sense.
    """
    if not 0.0 < weight <= 1.0 or not width > 0:
        raise ValueError(f"weight {weight} and width {width}: expected 0 < weight <= 1 and a width above zero")
    mean, deviation, shape = _broadcast(shift, scale)
    half = width * sqrt(weight / (2.0 - weight))
    # the last place stands for the start at 0
    place = np.append(half * _NODES, 0.0)
    reach = weight * deviation
    step = (half * _NODES[None, None, :] - (1.0 - weight) * place[None, :, None] - weight * mean) / reach
    kernel = half * _WEIGHTS * _density(step) / reach
    length = _solved(kernel[:, :-1, :])
    return _believed(1.0 + np.einsum("pj,pj->p", kernel[:, -1, :], length)).reshape(shape)


def cusum_run_length(
    reference_value: float, interval: float, shift: ArrayLike = 0.0, scale: ArrayLike = 1.0, *, sides: int = 2
) -> NDArray[np.float64]:
    """Return the average run length of cumulative sums that begin at 0.

    Two sides: 1/(1/high + 1/low), exact for sums without a head start (van Dobben de Bruyn 1968; from memory).

    Parameters
    ----------
    reference_value
        k in standard deviations, at least zero.
    interval
        h in standard deviations, above zero.
    shift, scale
        Mean and standard deviation of z; any shapes that broadcast.
    sides
        2, or 1 for the sum that watches for high values.

    Returns
    -------
    numpy.ndarray
        Shape of `shift` and `scale`; at most 1e12.

    Raises
    ------
    ValueError
        If a number makes no sense.
    """
    if reference_value < 0 or not interval > 0 or sides not in (1, 2):
        raise ValueError("expected k of at least zero, h above zero, and 1 or 2 sides")
    mean, deviation, shape = _broadcast(shift, scale)
    # steps are of the size of one standard deviation, so a wide interval needs more nodes
    node, weight = _legendre(24 + int(2.5 * interval))
    nodes, weights = 0.5 * interval * (node + 1.0), 0.5 * interval * weight
    place = np.append(nodes, 0.0)

    def one_side(centre: NDArray[np.float64]) -> NDArray[np.float64]:
        kernel = np.empty((centre.shape[0], place.size, place.size))
        step = nodes[None, None, :] - place[None, :, None] + reference_value - centre
        kernel[:, :, :-1] = weights * _density(step / deviation) / deviation
        # the sum falls back to zero with a probability of its own
        kernel[:, :, -1] = scipy.special.ndtr(((reference_value - centre - place[None, :, None]) / deviation)[..., 0])
        return _believed(_solved(kernel)[:, -1])

    length = one_side(mean)
    if sides == 2:
        length = 1.0 / (1.0 / length + 1.0 / one_side(-mean))
    return length.reshape(shape)


class Pattern(NamedTuple):
    """At least `least` of the last `window` points beyond the same one of ±`limit`, the newest among them."""

    least: int
    window: int
    limit: float


_Side = tuple[bool, ...]


def _followed(pattern: Pattern, past: _Side, held: bool) -> tuple[_Side, bool]:
    """Return what is left to remember of one side of a pattern, and whether it is complete."""
    hit = held and sum(past) + 1 >= pattern.least
    # a single point is complete where it holds, and forgotten where not
    following = (*past, held)[-(pattern.window - 1) :]
    if pattern.least == pattern.window and not held:
        following = ()
    while following and not following[0]:
        following = following[1:]
    return following, hit


def pattern_run_length(
    patterns: Sequence[Pattern], shift: ArrayLike = 0.0, scale: ArrayLike = 1.0
) -> NDArray[np.float64]:
    """Return the average run length up to the first point that completes one of several patterns.

    Parameters
    ----------
    patterns
        At least one; 1-3s is ``Pattern(1, 1, 3.0)``, 10-x ``Pattern(10, 10, 0.0)``.
    shift, scale
        Mean and standard deviation of z; any shapes that broadcast.

    Returns
    -------
    numpy.ndarray
        Shape of `shift` and `scale`.

    Raises
    ------
    ValueError
        If there is no pattern, or a number makes no sense.
    """
    if not patterns or any(p.least < 1 or p.least > p.window or p.limit < 0 for p in patterns):
        raise ValueError("expected patterns with 1 <= least <= window and a limit of at least zero")
    mean, deviation, shape = _broadcast(shift, scale)
    (start, end, strip), size, edges = _chain(tuple(patterns))
    probability = np.diff(scipy.special.ndtr((edges - mean[:, :, 0]) / deviation[:, :, 0]))
    lengths = []
    for row in probability:  # one chain a shift: a stack of some hundred states a side would not fit
        transition = np.zeros((size, size))
        np.add.at(transition, (start, end), row[strip])
        try:
            lengths.append(float(_solved(transition[None])[0, 0]))
        except np.linalg.LinAlgError:  # no pattern is ever completed, to working precision
            lengths.append(_LONGEST)
    return _believed(np.asarray(lengths)).reshape(shape)


@lru_cache(maxsize=64)
def _chain(patterns: tuple[Pattern, ...]) -> tuple[NDArray[np.int64], int, NDArray[np.float64]]:
    """Return the moves between states that complete no pattern (rows start, end, strip), how many states, the edges of the strips."""
    limits = sorted({p.limit for p in patterns})
    edges = np.array([-np.inf, *(-limit for limit in reversed(limits) if limit), *limits, np.inf])
    inside = [(low + high) / 2.0 for low, high in pairwise(edges)]
    first: tuple[_Side, ...] = ((),) * (2 * len(patterns))
    known, queue = {first: 0}, [first]
    moves: list[tuple[int, int, int]] = []
    while queue:
        state = queue.pop()
        for strip, z in enumerate(inside):
            new: list[_Side] = []
            hit = False
            for place, pattern in enumerate(patterns):
                for side, sign in enumerate((1.0, -1.0)):
                    following, complete = _followed(pattern, state[2 * place + side], sign * z > pattern.limit)
                    new.append(following)
                    hit |= complete
            if hit:
                continue
            following_state = tuple(new)
            if following_state not in known:
                known[following_state] = len(known)
                queue.append(following_state)
            moves.append((known[state], known[following_state], strip))
    return np.asarray(moves, dtype=np.int64).reshape(-1, 3).T, len(known), edges


@lru_cache(maxsize=64)
def _estimation(checks: int) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return means and standard deviations of z over baselines of so many points, and their probabilities."""
    # the mean is symmetric about zero: the positive half of an even number of Gauss-Hermite nodes, doubled
    z, z_weight = np.polynomial.hermite_e.hermegauss(14)
    z, z_weight = z[z > 0], z_weight[z > 0]
    # over the root of chi-squared, in which the few baselines of small scatter that make most false signals lie wide apart
    half = (checks - 1) / 2.0
    low, high = sqrt(scipy.special.gammaincinv(half, 1e-12)), sqrt(scipy.special.gammainccinv(half, 1e-12))
    nodes, weight = np.polynomial.legendre.leggauss(28)
    root = low + 0.5 * (high - low) * (nodes + 1.0)
    root_weight = weight * np.exp((2.0 * half - 1.0) * np.log(root) - root**2 - scipy.special.gammaln(half))
    mean, spread = np.meshgrid(z / sqrt(checks), root / sqrt(half), indexing="ij")
    probability = np.outer(z_weight, root_weight)
    return (mean / spread).ravel(), (1.0 / spread).ravel(), (probability / probability.sum()).ravel()


def estimated_rate(run_length: _Conditional, checks: int | None) -> float:
    """Return the rate of false signals, a point, of a chart whose limits come from a baseline.

    Parameters
    ----------
    run_length
        Average run length at a mean and a standard deviation of z, both arrays; the same on both sides.
    checks
        Points m of the baseline, at least 3; None where centre and σ are known.

    Returns
    -------
    float
        E(1/run length) over baselines (see above).

    Raises
    ------
    ValueError
        If the baseline is too small.
    """
    if checks is None:
        return float(1.0 / run_length(np.array(0.0), np.array(1.0)))
    if checks < 3:
        raise ValueError(f"limits from {checks} points say nothing; expected 3 or more")
    mean, deviation, probability = _estimation(checks)
    return float((probability / run_length(mean, deviation)).sum())


def _factor(rate_of: Callable[[float], float], run_length: float, low: float) -> float:
    """Return the factor of the limits at which the rate of false signals is 1/run length, looked for from `low` up."""
    if not (run_length > 1 and isfinite(run_length)):
        raise ValueError(f"a run length of {run_length} makes no sense; expected a number above 1")

    def excess(factor: float) -> float:
        return float(-np.log(rate_of(factor)) - np.log(run_length))

    if excess(low) > 0:
        raise ValueError(f"no limits give a run length as short as {run_length:g}")
    high = low
    for _ in range(60):
        low, high = high, 1.25 * high
        if excess(high) > 0:
            return float(scipy.optimize.brentq(excess, low, high, xtol=1e-11))
    raise ValueError(f"no limits give a run length as long as {run_length:g}")


@lru_cache(maxsize=256)
def ewma_width(weight: float, run_length: float, checks: int | None = None) -> float:
    """Return the width L that gives a wanted in-control run length: 1/run length is the rate of false signals.

    Parameters
    ----------
    weight
        Of the newest point.
    run_length
        Wanted, above 1.
    checks
        Points behind the limits; None where centre and σ are known (Lucas and Saccucci 1990).

    Raises
    ------
    ValueError
        If no width gives it.
    """
    known = TABLE.get(("ewma", weight, run_length), {})
    return known[checks] if checks in known else _factor(
        lambda width: estimated_rate(lambda mean, deviation: ewma_run_length(weight, width, mean, deviation), checks),
        run_length, 1.0 if checks is None else ewma_width(weight, run_length),
    )  # fmt: skip


@lru_cache(maxsize=256)
def cusum_interval(reference_value: float, run_length: float, checks: int | None = None) -> float:
    """Return the decision interval h of a two-sided CUSUM that gives a wanted in-control run length.

    Parameters
    ----------
    reference_value
        k in standard deviations.
    run_length
        Wanted, above 1.
    checks
        Points behind the limits; None where centre and σ are known.

    Raises
    ------
    ValueError
        If no interval gives it.
    """
    known = TABLE.get(("cusum", reference_value, run_length), {})
    return known[checks] if checks in known else _factor(
        lambda h: estimated_rate(lambda mean, deviation: cusum_run_length(reference_value, h, mean, deviation), checks),
        run_length, 1.0 if checks is None else cusum_interval(reference_value, run_length),
    )  # fmt: skip


@lru_cache(maxsize=64)
def pattern_widening(patterns: tuple[Pattern, ...], run_length: float, checks: int | None = None) -> float:
    """Return the factor of all limits at which patterns of points give a wanted in-control run length.

    For single points it is the two-sided prediction interval of one future value from m earlier ones, t(m − 1)·√(1 + 1/m)
    (Hahn and Meeker, Statistical Intervals, 1991, chapter 4; from memory), at the level 1 − 1/run length.

    Parameters
    ----------
    patterns
        At least one, each with a limit above zero.
    run_length
        Wanted, above 1.
    checks
        Points behind the limits, at least 3; None where centre and σ are known.

    Raises
    ------
    ValueError
        If no factor gives it.
    """
    known = TABLE.get(("patterns", patterns, run_length), {})
    if checks in known:
        return known[checks]

    def rate(factor: float) -> float:
        wider = [pattern._replace(limit=factor * pattern.limit) for pattern in patterns]
        return estimated_rate(lambda mean, deviation: pattern_run_length(wider, mean, deviation), checks)

    # what is estimated asks for wider limits than what is known, which one chain finds
    return _factor(rate, run_length, 0.01 if checks is None else 0.8 * pattern_widening(patterns, run_length))
