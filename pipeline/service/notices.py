"""What the service tells people: notes, each said once in a while, and alerts of what stands."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from pipeline.errors import AnnealogError, IntegrityProblem
from pipeline.history.snapshot import Snapshot
from pipeline.judge.findings import standing_findings
from pipeline.kept.snapshot import said_now
from pipeline.service.alerts import Alert, Alerts, found_in
from pipeline.workspace.program import program

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.workspace.settings import Workspace

__all__ = ["Telling", "said_last"]

_DAY_S = 86400.0


def said_last(history: Path) -> dict[str, Any]:
    """Return the state that the snapshot keeps; of nothing, where there is none that this program wrote."""
    try:
        snapshot = Snapshot.current(history)
        if snapshot is not None and (said := said_now(snapshot))["program"] == program():
            return said
    except IntegrityProblem:
        pass
    return {
        "status": {"meters": [], "waiting": [], "accepted_with_conditions": [], "files_held": [], "events_open": []}
    }


@dataclass
class Telling:
    """Remembers what was told.

    Parameters
    ----------
    last_arrival
        When a file was loaded last.
    refused
        Why nothing is loaded until a person acts; empty where nothing is in the way.
    ended
        Why the service ends; empty while it goes on.
    """

    last_arrival: datetime
    refused: str = ""
    ended: str = ""
    _notes: dict[str, float] = field(default_factory=dict)

    def once(self, text: str, *, repeat_s: float = 600.0) -> list[str]:
        """Return a note, unless it was told a moment ago."""
        now = time.monotonic()
        self._notes = {key: at for key, at in self._notes.items() if now - at < _DAY_S}
        if text in self._notes and now - self._notes[text] < repeat_s:
            return []
        self._notes[text] = now
        return [text]

    def alert(self, workspace: Workspace, kept: dict[str, Any]) -> tuple[list[Alert], list[str]]:
        """Send what stands and was not sent; return what was, and notes of addresses that did not take it.

        Parameters
        ----------
        workspace
            For settings and pages.
        kept
            The state of meters and lots, as a snapshot keeps it.
        """
        standing = found_in(kept["status"])
        hours, now = workspace.settings.alert_silence_hours, datetime.now(UTC)
        if hours and now - self.last_arrival > timedelta(hours=hours):
            sentence = f"No file has been loaded for more than {hours:g} h."
            standing.append(Alert(f"silence {self.last_arrival.isoformat()}", "silence", sentence))
        damage = standing_findings(workspace.history)
        if self.ended:
            standing.append(Alert(f"damage {self.ended}", "damage", self.ended))
        elif damage:
            sentence = f"The record does not agree with itself in {len(damage)} places, and no verdict is given on it: {damage[0]}"
            standing.append(Alert(f"damage {damage}", "damage", sentence))
        if self.refused:
            standing.append(Alert(f"stopped {self.refused}", "stopped", self.refused))
        try:
            sent, failed = Alerts(workspace).tell(standing, now=now)
        except AnnealogError as error:
            return [], self.once(str(error))
        return sent, [note for name in failed for note in self.once(f"Alert address {name} did not take the message.")]
