"""Where a function crosses zero, by Brent's method: the step of interpolation where it does well, halving where it does not.

R. P. Brent, Algorithms for Minimization without Derivatives, 1973, chapter 4 (from memory). The order of operations is that of
`scipy.optimize.brentq`, so that the result is the same to the last bit (a test holds it): that one stands in a package of which to
import all takes longer than most answers.
"""

from __future__ import annotations

from math import copysign, inf, isnan
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["crossing"]

_RELATIVE = 4 * 2.0**-52
_MOST_STEPS = 100


def crossing(function: Callable[[float], float], low: float, high: float, *, within: float = 2e-12) -> float:
    """Return where a continuous function is zero.

    Parameters
    ----------
    function
        Of one number.
    low, high
        Ends between which it changes its sign.
    within
        Largest error of the result, beside a relative one of 9e-16.

    Raises
    ------
    ValueError
        If it has one sign at both ends, or is no number somewhere.
    """

    def at(x: float) -> float:
        found = float(function(x))
        if isnan(found):
            raise ValueError(f"the function is no number at {x}")
        return found

    before, now, within = float(low), float(high), float(within)
    f_before, f_now = at(before), at(now)
    if f_before == 0.0:
        return before
    if f_now == 0.0:
        return now
    if copysign(1.0, f_before) == copysign(1.0, f_now):
        raise ValueError("the function has one sign at both ends")
    other = f_other = step = last_step = 0.0
    for _ in range(_MOST_STEPS):
        if f_before != 0.0 and f_now != 0.0 and copysign(1.0, f_before) != copysign(1.0, f_now):
            other, f_other = before, f_before
            last_step = step = now - before
        if abs(f_other) < abs(f_now):
            before, now, other = now, other, now
            f_before, f_now, f_other = f_now, f_other, f_now
        least = (within + _RELATIVE * abs(now)) / 2
        half = (other - now) / 2
        if f_now == 0.0 or abs(half) < least:
            return now
        tried = inf
        if abs(last_step) > least and abs(f_now) < abs(f_before):
            tried = _interpolated(before, now, other, f_before, f_now, f_other)
        if 2 * abs(tried) < min(abs(last_step), 3 * abs(half) - least):
            last_step, step = step, tried
        else:
            last_step = step = half
        before, f_before = now, f_now
        now += step if abs(step) > least else copysign(least, half)
        f_now = at(now)
    raise ValueError(f"no zero was found after {_MOST_STEPS} steps")


def _interpolated(before: float, now: float, other: float, f_before: float, f_now: float, f_other: float) -> float:
    """Return the step to where a line through two places, or a curve through three, is zero; infinite where there is none."""
    if before == other:
        return -f_now * (now - before) / (f_now - f_before)
    to_before = (f_before - f_now) / (before - now)
    to_other = (f_other - f_now) / (other - now)
    divisor = to_other * to_before * (f_other - f_before)
    return -f_now * (f_other * to_other - f_before * to_before) / divisor if divisor else inf
