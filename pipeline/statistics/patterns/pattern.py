"""What a pattern rule of a process chart is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

__all__ = ["ISO_7870_2", "NELSON_1984", "WESTERN_ELECTRIC_1956", "Pattern"]

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
        Smallest number of points that makes sense.
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
