"""Where the level of a series in time changed: one change of mean at a time, by its largest standardised difference.

For each place the difference between the mean after and the mean before is divided by its standard error; the largest is
the likelihood-ratio statistic of one change of the mean of normal values (Hawkins, J. Am. Stat. Assoc. 72, 180, 1977; Hinkley,
Biometrika 57, 1, 1970; from memory). Its p comes from seeded permutations of the same values, so no distribution is assumed, only
that without a change any order is as likely as another: neighbouring values must not depend on each other. Further changes are
looked for in the two pieces (binary segmentation: Scott and Knott, Biometrics 30, 507, 1974; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["ChangePoint", "change_points"]

_EQUAL = 1e-12
"""A spread below this part of a value is rounding noise of equal values."""
_WORK = 4_000_000
"""So many permuted values make up one test of a long series."""
_CHUNK = 1_000_000
_FIRST = 25
_SEED = 20260302


@dataclass(frozen=True, slots=True)
class ChangePoint:
    """A change of level.

    `place` is the index, from 0, of the first value at the new level; `before` and `after` are the means of the pieces on
    both sides, up to the next change; `shift` is their difference, in the unit of the values; `p_value` comes from
    permutations of the piece in which the change was found, so it is never below 1/(permutations + 1).
    """

    place: int
    before: float
    after: float
    shift: float
    p_value: float


def change_points(
    values: ArrayLike, *, significance: float = 0.01, least: int = 4, permutations: int = 999
) -> tuple[ChangePoint, ...]:
    """Find changes of level.

    Parameters
    ----------
    values
        In time order, one-dimensional, finite, any unit.
    significance
        A piece is cut where p is at most this; it holds for each cut, not for all together.
    least
        Values on either side of a change; a piece shorter than twice this is not cut.
    permutations
        Of a test; fewer, never below 199, for series of many thousand values.

    Returns
    -------
    tuple of ChangePoint
        In time order; the same values give the same result.

    Raises
    ------
    ValueError
        If a value is not finite or a parameter makes no sense.
    """
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 1 or not np.isfinite(x).all():
        raise ValueError("changes of level need one row of finite numbers, in time order")
    if not 0.0 < significance < 1.0 or least < 1 or permutations < 99:
        raise ValueError("expected 0 < significance < 1, least of at least 1 and 99 permutations or more")
    found: dict[int, float] = {}
    pieces = [(0, x.size)]
    while pieces:
        start, end = pieces.pop()
        cut = _cut(x[start:end], significance, least, permutations)
        if cut is not None:
            place, p_value = start + cut[0], cut[1]
            found[place] = p_value
            pieces += [(start, place), (place, end)]
    places = sorted(found)
    edges = [0, *places, x.size]
    means = [float(x[first:last].mean()) for first, last in pairwise(edges)] if x.size else []
    return tuple(
        ChangePoint(place, means[n], means[n + 1], means[n + 1] - means[n], found[place])
        for n, place in enumerate(places)
    )


def _largest(x: NDArray[np.float64], least: int) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return, along the last axis of centred values, the largest |S(k)|/√(k(n − k)) and its k (of one length n, which is left out)."""
    n = x.shape[-1]
    k = np.arange(least, n - least + 1)
    sums = np.abs(np.cumsum(x, axis=-1)[..., least - 1 : n - least]) / np.sqrt(k * (n - k))
    best = np.argmax(sums, axis=-1)
    return np.take_along_axis(sums, best[..., None], axis=-1)[..., 0], k[best]


def _cut(x: NDArray[np.float64], significance: float, least: int, permutations: int) -> tuple[int, float] | None:
    """Return where to cut a piece, and p; None where it is better left whole."""
    n = x.size
    if n < 2 * least:
        return None
    centred = x - x.mean()
    if float(np.abs(centred).max()) <= _EQUAL * abs(float(x[0])):
        return None
    reached, place = _largest(centred, least)
    # centred values keep their sum of squares in any order, so the statistic need not be divided by the spread
    asked = max(199, min(permutations, _WORK // n))
    chance = np.random.default_rng(_SEED)
    above = done = 0
    edge = float(reached) * (1.0 - 1e-12)
    while done < asked:
        # row by row the same orders, however many are drawn at once: few at first, for most series say early that nothing changed
        rows = min(max(_FIRST, done), _CHUNK // n + 1, asked - done)
        shuffled = chance.permuted(np.broadcast_to(centred, (rows, n)), axis=1)
        above += int((_largest(shuffled, least)[0] >= edge).sum())
        done += rows
        p_value = (above + 1) / (asked + 1)
        if p_value > significance:  # it only grows
            return None
    return int(place), p_value
