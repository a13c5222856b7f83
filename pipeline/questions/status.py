"""What needs a person now: meters fit for use, lots on hold, checks overdue, files held."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.history.store import History
from pipeline.judge.carry_on import everything
from pipeline.judge.meters.evidence import blocks_overdue
from pipeline.judge.meters.handed_over import left
from pipeline.workspace.texts import not_taken_over
from schemas.conditions import CONDITIONS
from schemas.documents import as_json

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace
    from schemas.look_back import EventResult
    from schemas.results import LotResult

__all__ = ["Status", "checked_by", "status", "status_of", "without_decision"]


def without_decision(lots: Iterable[LotResult]) -> list[LotResult]:
    """Return the lots that are accepted with a condition and on which nobody has recorded a disposition yet."""
    return [lot for lot in lots if lot.conditions and not lot.dispositions]


def checked_by(assessment: Assessment) -> dict[str, datetime | None]:
    """Return by when each meter is to be checked next; None for one that is suspended, was never checked or was handed over."""
    interval = timedelta(hours=assessment.settings.check_interval_hours)
    nobody_here = left(assessment, list(assessment.meters)).keys() | {
        name for name, meter in assessment.meters.items() if meter.state == "suspended"
    }
    return {
        name: None if meter.last_run_at is None or name in nobody_here else meter.last_run_at + interval
        for name, meter in sorted(assessment.meters.items())
    }


_OF_A_LOT = ("lot", "verdict", "support", "conditions", "reasons", "flags", "disposition")


@dataclass(frozen=True)
class Status:
    """The state of a workspace at a moment."""

    assessment: Assessment
    files_held: tuple[dict[str, Any], ...]
    quarantined: int
    not_taken_over: tuple[str, ...] = ()
    events: tuple[EventResult, ...] = ()  # of the look-back, the open ones

    def document(self) -> dict[str, Any]:
        """Return the JSON document."""
        lots = self.assessment.columns_of_lots(_OF_A_LOT)
        conditional = lots.filter((pl.col("conditions") != "") & pl.col("disposition").is_null())
        waiting = lots.filter(pl.col("verdict").is_in(["hold", "reject"]))
        given = dict(lots["verdict"].value_counts().iter_rows())
        counts = {name: given.get(name, 0) for name in ("accept", "hold", "reject", "not_assessed")}
        document: dict[str, Any] = as_json(
            {
                "as_of": self.assessment.as_of,
                "meters": [
                    {
                        "meter": m.meter, "state": m.state, "reasons": m.reasons, "last_run_at": m.last_run_at,
                        "last_run_passed": m.last_run_passed, "suspect_lots": m.suspect_lots, "left_out": m.left_out,
                    }
                    for m in self.assessment.meters.values()
                ],
                "lots": counts,
                "accepted_with_conditions": [
                    {
                        "lot": lot["lot"], "conditions": lot["conditions"].split(", "),
                        "flags": [
                            flag for code in CONDITIONS for flag in lot["flags"].split("\n") if flag.startswith(f"{code}:")
                        ],
                    }
                    for lot in conditional.iter_rows(named=True)
                ],
                "waiting": [
                    {
                        **{name: lot[name] for name in ("lot", "verdict", "support")},
                        "reasons": lot["reasons"].split("\n") if lot["reasons"] else [], "disposition": lot["disposition"],
                    }
                    for lot in waiting.iter_rows(named=True)
                ],
                "events_open": [
                    {
                        "event": e.event, "name": e.name, "title": e.title, "kind": e.kind, "meter": e.meter,
                        "sentence": e.sentence, "fired_at": e.fired_at, "last_at": e.last_at, "blocks": e.blocks,
                        "rules": e.rules, "disposed": e.disposed, "undecided": e.undecided,
                    }
                    for e in self.events
                ],
                "blocks_overdue": blocks_overdue(self.assessment),
                "checks_overdue": [m.meter for m in self.assessment.meters.values() if m.state == "overdue"],
                "files_held": [
                    {name: f[name] for name in ("name", "reason", "sentence", "sha256", "held_at")} for f in self.files_held
                ],
                "quarantined": self.quarantined,
            }
        )  # fmt: skip
        return document


def status(workspace: Workspace, *, as_of: datetime | None = None) -> Status:
    """Return the state of a workspace.

    Parameters
    ----------
    workspace
        A workspace with a history.
    as_of
        None means now.
    """
    with History.open(workspace.history, wait_s=workspace.settings.busy_wait_seconds) as history:
        found = everything(history, workspace.settings, as_of=as_of or datetime.now(UTC))
        return status_of(workspace, history, found)


def status_of(workspace: Workspace, history: History, assessment: Assessment) -> Status:
    """Return the state of a workspace that was just assessed."""
    held = history.held_files().to_dicts()
    quarantined = history.quarantine(states=["new"]).height
    changed = tuple(not_taken_over(workspace, history))
    events = tuple(event for event in assessment.events.values() if event.state == "open")
    return Status(assessment, tuple(held), quarantined, changed, events)
