"""What a pattern rule of a process chart is, and the shapes that the rules are made of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

__all__ = ["ISO_7870_2", "NELSON_1984", "WESTERN_ELECTRIC_1956", "Pattern", "all_of", "alternating", "some_of", "trend"]

ISO_7870_2 = (
    "ISO 7870-2:2013, Shewhart control charts, tests for special causes; numbers from memory, check your edition"
)
WESTERN_ELECTRIC_1956 = "Western Electric, Statistical Quality Control Handbook, 1956, zone rules; from memory"
NELSON_1984 = "Nelson, Journal of Quality Technology 16 (1984) 237; from memory"


@dataclass(frozen=True, slots=True)
class Pattern:
    """One rule for the points of a process chart, on z = (value − centre)/σ of the point.

    Parameters
    ----------
    id
        Name without a space, as settings write it.
    title
        One sentence: what it looks for; ``{n}`` stands for the number of points.
    source
        Where the rule was taken from.
    points
        Length of the pattern in points; None where the pattern has no length that editions differ in.
    order
        Places the rules where several hit the same point; the plainest first.
    flag
        Takes z (time along the last axis, finite) and the number of points; says for each point whether it completes
        the pattern. "Beyond" is strict.
    least
        Smallest number of points that makes sense, where there is one to set.
    """

    id: str
    title: str
    source: str
    points: int | None
    order: int
    flag: Callable[[NDArray[np.float64], int], NDArray[np.bool_]]
    least: int = 2

    def __post_init__(self) -> None:
        if not self.id or any(character.isspace() for character in self.id):
            raise ValueError(
                f"pattern id {self.id!r}: expected a name without spaces, because ids are joined by a space"
            )


def _count(condition: NDArray[np.bool_], window: int) -> NDArray[np.int64]:
    """Return how often a condition held at each point and the `window` − 1 before it."""
    total = np.cumsum(condition, axis=-1)
    earlier = np.zeros_like(total)
    earlier[..., window:] = total[..., :-window]
    return total - earlier


def some_of(z: NDArray[np.float64], least: int, window: int, limit: float) -> NDArray[np.bool_]:
    """Flag a point beyond ±limit when at least `least` of the last `window` lie beyond the same limit."""
    above, below = z > limit, z < -limit
    return (above & (_count(above, window) >= least)) | (below & (_count(below, window) >= least))


def trend(z: NDArray[np.float64], points: int) -> NDArray[np.bool_]:
    """Flag the last of `points` points that all rise or all fall (`points` − 1 steps)."""
    step = np.diff(z, prepend=z[..., :1])
    return (_count(step > 0, points - 1) >= points - 1) | (_count(step < 0, points - 1) >= points - 1)


def alternating(z: NDArray[np.float64], points: int) -> NDArray[np.bool_]:
    """Flag the last of `points` points that go up and down in turn."""
    step = np.diff(z, prepend=z[..., :1])
    # the first step is none, so nothing turns there, whatever stands before it
    return all_of(step * np.roll(step, 1) < 0, points - 2)


def all_of(condition: NDArray[np.bool_], points: int) -> NDArray[np.bool_]:
    """Flag the last of `points` points that all keep a condition."""
    return np.asarray(_count(condition, points) >= points)
