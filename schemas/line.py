"""What the status board of a line shows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from schemas.page import PageLink

if TYPE_CHECKING:
    from datetime import datetime

    from schemas.page import Provenance
    from schemas.results import LotResult, MeterResult

__all__ = ["BOARD", "NAMED", "URGENCY", "BoardPage"]

BOARD = "LINE"
"""Identifier of the one board of a workspace."""

NAMED = 5
"""How many waiting lots the board names; it counts the others."""
URGENCY = ("reject", "hold", "not_assessed", "conditional", "accept")
"""States in which a lot is shown, those named first."""


@dataclass(frozen=True, slots=True)
class BoardPage:
    """The state of meters and waiting lots in large letters.

    `check_by` holds for each meter the time by which it is to be checked next; `waiting` the lots on hold or rejected,
    the latest first, `conditional` those accepted with a condition that nobody has settled, as far as the board names them, and
    how many `more` of each there are; `last_arrival` the time of the last reading. `snapshot_of` is the time of the snapshot the board was
    made from, None where it was the history itself.
    """

    meters: tuple[MeterResult, ...]
    check_by: dict[str, datetime | None]
    waiting: tuple[LotResult, ...]
    accepted: int
    files_held: int
    quarantined: int
    last_arrival: datetime | None
    snapshot_of: datetime | None
    provenance: Provenance
    conditional: tuple[LotResult, ...] = ()
    more_waiting: int = 0
    more_conditional: int = 0

    @property
    def answer(self) -> None:
        """No command tells of it in the same words."""

    @property
    def link(self) -> PageLink:
        """How other pages name this one."""
        unfit = [meter for meter in self.meters if meter.state != "fit"]
        state = (
            "suspended"
            if any(meter.state == "suspended" for meter in unfit)
            else "overdue"
            if unfit
            else "fit"
            if self.meters
            else None
        )
        count = len(self.waiting) + self.more_waiting
        sentence = f"{len(self.meters) - len(unfit)} of {len(self.meters)} meters fit, {count} {'lot waits' if count == 1 else 'lots wait'}."
        return PageLink("board", BOARD, "Board of the line", state, sentence, self.provenance.as_of)
