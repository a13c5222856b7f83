"""Pattern rules for the points of a chart of a lot or a process, on z = (value − centre)/σ of the point.

Three named sets; all definitions from memory, and editions differ in the length of a run (7, 8, 9) and of a trend (6, 7), so
check the one your site follows. Checks of a meter on its blocks are judged by the multi-rule scheme, not by these.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import ArrayLike, NDArray

__all__ = ["RULES", "RULE_SETS", "RunRule", "all_of", "alternating", "hits", "some_of", "trend"]


@dataclass(frozen=True, slots=True)
class RunRule:
    """One pattern: `flag` takes z with time along the last axis and says for each point whether it completes the pattern."""

    id: str
    title: str
    flag: Callable[[NDArray[np.float64]], NDArray[np.bool_]]


def _count(condition: NDArray[np.bool_], window: int) -> NDArray[np.int64]:
    """Return how often a condition held at each point and the `window` − 1 before it."""
    total = np.cumsum(condition, axis=-1, dtype=np.int64)
    earlier = np.zeros_like(total)
    earlier[..., window:] = total[..., :-window]
    return total - earlier


def some_of(least: int, window: int, limit: float) -> Callable[[NDArray[np.float64]], NDArray[np.bool_]]:
    """Flag a point beyond ±limit when at least `least` of the last `window` lie beyond the same limit."""

    def flag(z: NDArray[np.float64]) -> NDArray[np.bool_]:
        above, below = z > limit, z < -limit
        return (above & (_count(above, window) >= least)) | (below & (_count(below, window) >= least))

    return flag


def trend(points: int) -> Callable[[NDArray[np.float64]], NDArray[np.bool_]]:
    """Flag the last of `points` points that all rise or all fall (`points` − 1 steps)."""

    def flag(z: NDArray[np.float64]) -> NDArray[np.bool_]:
        step = np.diff(z, axis=-1, prepend=z[..., :1])
        return (_count(step > 0, points - 1) >= points - 1) | (_count(step < 0, points - 1) >= points - 1)

    return flag


def alternating(points: int) -> Callable[[NDArray[np.float64]], NDArray[np.bool_]]:
    """Flag the last of `points` points that go up and down in turn."""

    def flag(z: NDArray[np.float64]) -> NDArray[np.bool_]:
        step = np.diff(z, axis=-1, prepend=z[..., :1])
        turned = np.zeros(z.shape, dtype=bool)
        turned[..., 1:] = step[..., 1:] * step[..., :-1] < 0
        return np.asarray(_count(turned, points - 2) >= points - 2)

    return flag


def all_of(
    points: int, condition: Callable[[NDArray[np.float64]], NDArray[np.bool_]]
) -> Callable[[NDArray[np.float64]], NDArray[np.bool_]]:
    """Flag the last of `points` points that all keep a condition."""
    return lambda z: np.asarray(_count(condition(z), points) >= points)


_RULES = (
    RunRule("beyond-3s", "one point beyond 3 standard deviations", some_of(1, 1, 3.0)),
    RunRule("2-of-3-beyond-2s", "two of three points beyond the same 2 standard deviations", some_of(2, 3, 2.0)),
    RunRule("4-of-5-beyond-1s", "four of five points beyond the same 1 standard deviation", some_of(4, 5, 1.0)),
    *(
        RunRule(f"run-of-{points}", f"{points} points in a row on one side of the centre", some_of(points, points, 0.0))
        for points in (7, 8, 9)
    ),
    *(
        RunRule(f"trend-of-{points}", f"{points} points in a row, all rising or all falling", trend(points))
        for points in (6, 7)
    ),
    RunRule("alternating-14", "14 points in a row going up and down in turn", alternating(14)),
    RunRule("15-within-1s", "15 points in a row within 1 standard deviation", all_of(15, lambda z: np.abs(z) < 1.0)),
    RunRule(
        "8-beyond-1s",
        "8 points in a row beyond 1 standard deviation on either side",
        all_of(8, lambda z: np.abs(z) > 1.0),
    ),
)
RULES: dict[str, RunRule] = {rule.id: rule for rule in _RULES}
"""Every pattern, by id."""

RULE_SETS: dict[str, tuple[str, ...]] = {
    "western_electric_1956": ("beyond-3s", "2-of-3-beyond-2s", "4-of-5-beyond-1s", "run-of-8"),
    "nelson_1984": (
        "beyond-3s",
        "run-of-9",
        "trend-of-6",
        "alternating-14",
        "2-of-3-beyond-2s",
        "4-of-5-beyond-1s",
        "15-within-1s",
        "8-beyond-1s",
    ),
    "iso_7870_2_2013": ("beyond-3s", "run-of-7", "trend-of-7"),
}
"""Named sets: Western Electric 1956 (zone rules); Nelson, J. Qual. Technol. 16, 237, 1984; ISO 7870-2:2013, whose fourth pattern,
"any pattern that is not random", is for the eye. All from memory."""


def hits(z: ArrayLike, rules: Sequence[str]) -> NDArray[np.bool_]:
    """Return for each point whether it completes one of the patterns.

    Parameters
    ----------
    z
        (value − centre)/σ, time along the last axis, finite.
    rules
        Ids out of `RULES`.

    Returns
    -------
    numpy.ndarray
        Booleans, shape of z with one axis in front for the rules, in their order.

    Raises
    ------
    ValueError
        If a rule is unknown or a number is not finite.
    """
    array = np.asarray(z, dtype=np.float64)
    if not np.isfinite(array).all():
        raise ValueError("z must be finite numbers; leave points without limits out before")
    unknown = [rule for rule in rules if rule not in RULES]
    if unknown:
        raise ValueError(f"unknown rule {unknown[0]!r}; expected one of {', '.join(RULES)}")
    if array.shape[-1] == 0:
        return np.zeros((len(rules), *array.shape), dtype=bool)
    return np.stack([RULES[rule].flag(array) for rule in rules])
