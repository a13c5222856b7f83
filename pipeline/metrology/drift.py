"""When a drifting meter leaves its tolerance, with an interval; and what a failed check would put on hold.

Model of the drift: the bias on one block stays level until some moment and moves along a straight line from then on,

    bias(t) = a + b·max(0, t − c) + e,

with a, b and c unknown and e the scatter between checks. A line from the first check on is the case of c at the first
check. A line alone would be flat and late where a meter was steady for months before it began to drift.

Interval of the day on which the line meets the tolerance: all days that the checks do not contradict. For each c it is
Fieller's interval of the crossing (J. R. Stat. Soc. B 16, 175, 1954; from memory), and the interval is the union over all c
whose sum of squares is not too large: the set of days τ with SSE(τ) ≤ SSE + κ·t²·s², where SSE(τ) is the least sum of squares
of a line that meets the tolerance at τ (profile likelihood; Seber and Wild, Nonlinear Regression, 1989, 5.9; from memory).
κ = (1 + r)/(1 − r) allows for a correlation r between neighbouring checks (Bartlett, J. R. Stat. Soc. 98, 536, 1935; from
memory). The interval has no end where the checks are compatible with no drift at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, sqrt
from typing import TYPE_CHECKING

import numpy as np
import scipy

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["DriftLine", "HoldAtInterval", "drift_line", "hold_at_interval"]

_FEWEST = 8
"""Checks that a level, a slope, a bend and a scatter need at least (our own bound)."""
_AFTER_BEND = 5
"""Checks that must follow a bend: fewer are rather an odd few checks than a drift (our own bound)."""
_MOST_BENDS = 400
_STRONGEST = 0.9


@dataclass(frozen=True)
class DriftLine:
    """The bent line through the biases of one series, and all bent lines that the checks do not contradict.

    Times are days. `begins` is None where the line runs straight from the first check; `slope` is a day. `correlation` is
    that of neighbouring residuals, `inflation` κ.
    """

    first_day: float
    last_day: float
    level: float
    slope: float
    begins: float | None
    scatter: float
    correlation: float
    inflation: float
    degrees_of_freedom: float
    _bend: NDArray[np.float64]
    _level: NDArray[np.float64]
    _slope: NDArray[np.float64]
    _room: NDArray[np.float64]
    _inverse: NDArray[np.float64]

    def at(self, day: ArrayLike) -> NDArray[np.float64]:
        """Return the line at days."""
        start = self.first_day if self.begins is None else self.begins
        return self.level + self.slope * np.maximum(0.0, np.asarray(day, dtype=np.float64) - start)

    def band(self, day: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the interval of the line at days after the bends: lower and upper bound, shape of `day`."""
        u = np.maximum(0.0, np.asarray(day, dtype=np.float64)[..., None] - self._bend)
        p, q, r = self._inverse
        half = np.sqrt(self._room * np.maximum(0.0, p + 2.0 * q * u + r * u * u))
        middle = self._level + self._slope * u
        return (middle - half).min(axis=-1), (middle + half).max(axis=-1)

    def crossing(self, limit: float) -> float | None:
        """Return the day on which the line meets a limit; None where it moves away from it or not at all."""
        if self.slope == 0 or (limit - self.level) / self.slope < 0:
            return None
        return (self.first_day if self.begins is None else self.begins) + (limit - self.level) / self.slope

    def crossing_interval(self, limit: float) -> tuple[float, float]:
        """Return the first and last day after the last check on which the line may meet a limit; infinite without an end."""
        p, q, r = self._inverse
        a = self._level - limit
        # (a + b·u)² ≤ room·(p + 2·q·u + r·u²), a quadratic in u, the days since the bend
        square = self._slope**2 - self._room * r
        linear = a * self._slope - self._room * q
        constant = a * a - self._room * p
        now = self.last_day - self._bend
        root = np.sqrt(np.maximum(0.0, linear * linear - square * constant))
        endless = square <= 0
        # stable roots; where the square term vanishes one of them is infinite, which is what it means
        far = -(linear + np.where(linear >= 0, 1.0, -1.0) * root)
        with np.errstate(divide="ignore", invalid="ignore"):
            roots = np.sort(np.stack([far / square, constant / far]), axis=0)
        inside = square * now * now + 2.0 * linear * now + constant <= 0
        first = np.where(inside, now, np.where(roots[0] > now, roots[0], np.where(roots[1] > now, roots[1], inf)))
        last = np.where(endless, inf, roots[1])
        found = first < inf
        if not found.any():
            return inf, inf
        end = np.maximum(last, now) + self._bend
        return float((first + self._bend)[found].min()), float(end[found].max())


def drift_line(days: ArrayLike, bias: ArrayLike, *, confidence: float = 0.95) -> DriftLine | str:
    """Fit the bent line.

    Parameters
    ----------
    days
        Ascending, finite.
    bias
        Same length, finite.
    confidence
        Of the two-sided intervals.

    Returns
    -------
    DriftLine or str
        The line, or the reason why there is none.

    Raises
    ------
    ValueError
        If the arrays do not fit together, a number is not finite or the days are not in order.
    """
    t, y = np.asarray(days, dtype=np.float64), np.asarray(bias, dtype=np.float64)
    if t.shape != y.shape or t.ndim != 1 or not (np.isfinite(t).all() and np.isfinite(y).all()):
        raise ValueError("days and biases must be finite, one-dimensional and of the same length")
    if (np.diff(t) < 0).any():
        raise ValueError("days must be in order")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"a confidence of {confidence} makes no sense; expected a number between 0 and 1")
    n = t.size
    if n < _FEWEST:
        return f"{n} of the {_FEWEST} checks that a forecast needs"
    if t[-1] <= t[0]:
        return "all checks stand at one time"
    bend = np.unique(t[: n - _AFTER_BEND])
    if bend.size < _MOST_BENDS:  # between two checks a line may bend anywhere
        bend = np.union1d(bend, np.linspace(bend[0], bend[-1], _MOST_BENDS - bend.size))
    else:
        bend = bend[np.linspace(0, bend.size - 1, _MOST_BENDS).round().astype(np.int64)]
    origin, middle = float(t[-1]), float(y.mean())
    time, value, corner = t - origin, y - middle, bend - origin
    start = np.searchsorted(time, corner, side="right")

    def after(x: NDArray[np.float64]) -> NDArray[np.float64]:
        # sums from the end on, so that the few checks after a late bend keep their digits
        return np.append(np.cumsum(x[::-1])[::-1], 0.0)[start]

    count = (n - start).astype(np.float64)
    ones, twos, cross = after(time), after(time * time), after(time * value)
    w = ones - count * corner
    ww = twos - 2.0 * corner * ones + count * corner * corner
    wy = cross - corner * after(value)
    determinant = n * ww - w * w
    usable = determinant > 1e-12 * n * np.maximum(ww, 1e-300)
    bend, w, ww, wy, determinant = (x[usable] for x in (bend, w, ww, wy, determinant))
    if not bend.size:
        return "the checks stand too close together in time"
    total = float((value * value).sum())
    slope = n * wy / determinant
    level = -slope * w / n
    squares = np.maximum(total - slope * wy, 0.0)
    best = int(squares.argmin())
    residual = value - level[best] - slope[best] * np.maximum(0.0, t - bend[best])
    least = float((residual * residual).sum())
    if least <= 1e-20 * max(float((y * y).sum()), 1e-300):
        return "every check lies on one line, so there is no scatter to judge it by"
    correlation = float((residual[1:] * residual[:-1]).sum() / least)
    strength = min(max(correlation, 0.0), _STRONGEST)
    inflation = (1.0 + strength) / (1.0 - strength)
    freedom = max(n / inflation - 3.0, 1.0)
    variance = least / (n - 3)
    factor = float(scipy.special.fdtri(1.0, freedom, confidence))  # the square of Student's t, two-sided
    room = inflation * factor * variance - (squares - squares[best])
    kept = room >= 0
    inverse = np.stack([ww, -w, np.full_like(w, float(n))]) / determinant
    return DriftLine(
        first_day=float(t[0]),
        last_day=float(t[-1]),
        level=float(level[best]) + middle,
        slope=float(slope[best]),
        begins=None if bend[best] <= t[0] else float(bend[best]),
        scatter=sqrt(variance),
        correlation=correlation,
        inflation=inflation,
        degrees_of_freedom=freedom,
        _bend=bend[kept],
        _level=level[kept] + middle,
        _slope=slope[kept],
        _room=room[kept],
        _inverse=inverse[:, kept],
    )


@dataclass(frozen=True, slots=True)
class HoldAtInterval:
    """Lots and readings that would be on hold if a check failed: median and largest over the moments looked at."""

    moments: int
    lots_median: float
    lots_largest: int
    readings_median: float
    readings_largest: int


_MOST_MOMENTS = 600


def hold_at_interval(
    lots: NDArray[np.int64],
    first: NDArray[np.float64],
    last: NDArray[np.float64],
    readings: NDArray[np.int64],
    hours: float,
) -> HoldAtInterval | None:
    """Count what a meter's own history says a failed check would put on hold, if checks stood so many hours apart.

    Looked at are the moments at which the meter had just finished a lot: a check made then and failed throws doubt on
    every lot read in the hours before it.

    Parameters
    ----------
    lots
        Code of the lot of each stretch of readings, shape (n,).
    first, last
        Times of the first and last reading of each stretch, hours.
    readings
        In each stretch; a stretch that began before the window counts with the part of its time inside it.
    hours
        Between checks, above zero.

    Returns
    -------
    HoldAtInterval or None
        None where nothing was read.

    Raises
    ------
    ValueError
        If the hours are not above zero.
    """
    if not hours > 0:
        raise ValueError(f"an interval of {hours} h makes no sense; expected a number above zero")
    if not lots.size:
        return None
    order = np.lexsort((lots, first, last))
    lots, first, last, readings = lots[order], first[order], last[order], readings[order].astype(np.float64)
    moments = np.unique(last)
    if moments.size > _MOST_MOMENTS:
        moments = moments[np.linspace(0, moments.size - 1, _MOST_MOMENTS).round().astype(np.int64)]
    longest = float((last - first).max())
    start = np.searchsorted(last, moments - hours, side="right")
    end = np.searchsorted(last, moments + longest, side="right")
    held_lots, held_readings = [], []
    for moment, low, high in zip(moments, start, end, strict=True):
        begun = first[low:high] <= moment
        length = np.maximum(last[low:high] - first[low:high], 1e-9)
        inside = np.minimum(last[low:high], moment) - np.maximum(first[low:high], moment - hours)
        share = np.where(last[low:high] > first[low:high], inside / length, 1.0)
        held_lots.append(np.unique(lots[low:high][begun]).size)
        held_readings.append(round(float((readings[low:high] * share)[begun].sum())))
    return HoldAtInterval(
        moments=int(moments.size),
        lots_median=float(np.median(held_lots)),
        lots_largest=max(held_lots),
        readings_median=float(np.median(held_readings)),
        readings_largest=max(held_readings),
    )
