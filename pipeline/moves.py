"""Hand-overs and receipts of meters as events state them, and which of them were taken back."""

from __future__ import annotations

from collections import defaultdict
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Mapping

__all__ = ["KINDS_OF_MOVES", "Move", "taken_back"]

KINDS_OF_MOVES = ("hand_over", "receipt")
"""Kinds of events."""
Number = TypeVar("Number", bound="Hashable")


class Move(NamedTuple):
    """A meter goes to another site, or comes from it."""

    kind: str
    at: datetime
    other: str

    @classmethod
    def of(cls, kind: str, subject: Mapping[str, Any]) -> Move:
        """Return what an event states of it.

        Raises
        ------
        ValueError
            If the time is none, or has no offset.
        """
        at = datetime.fromisoformat(subject["at"])
        if at.tzinfo is None:
            raise ValueError(f"{subject['at']} states no offset")
        return cls(kind, at.astimezone(UTC), subject["to" if kind == "hand_over" else "from"])

    def takes_back(self, before: Move | None) -> bool:
        """Whether it is the opposite of the one before: to or from the same site at the same moment."""
        return before is not None and before.kind != self.kind and before[1:] == self[1:]


def taken_back(moves: Iterable[tuple[Number, Hashable, Move]]) -> set[Number]:
    """Return the numbers of moves that were taken back, and of those that did it.

    Parameters
    ----------
    moves
        Number, meter and what was stated; those of a meter in the order in which they were recorded.
    """
    standing: dict[Hashable, list[tuple[Number, Move]]] = defaultdict(list)
    gone: set[Number] = set()
    for number, meter, move in moves:
        before = standing[meter]
        if before and move.takes_back(before[-1][1]):
            gone |= {number, before.pop()[0]}
        else:
            before.append((number, move))
    return gone
