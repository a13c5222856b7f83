"""Publishing a snapshot of the history with what was said of it, and reading that again without computing anything."""

from __future__ import annotations

import logging
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from pipeline.errors import HistoryBusy, IntegrityProblem
from pipeline.history.publish import publish
from pipeline.history.snapshot import Snapshot
from pipeline.workspace.program import program
from pipeline.workspace.texts import changed_texts, hashes, hashes_of_texts
from schemas.documents import as_json

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.history.store import History
    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace

__all__ = [
    "FIRST_WAITING",
    "holds_until",
    "publish_snapshot",
    "published_before",
    "published_refused",
    "published_status",
    "said_now",
    "status_document",
    "status_said",
]  # fmt: skip

_log = logging.getLogger(__name__)
_PATIENCE_S = 0.2
_EVER = datetime(9999, 1, 1, tzinfo=UTC)

FIRST_WAITING = 50
"""So many of the lots that wait for a person are kept apart from the others."""


def holds_until(assessment: Assessment, history: History) -> datetime:
    """Return the first moment after the assessment at which something could read differently without new data.

    Late is what waits for a closing check, a meter whose last run grows old, a date in a reference table, a reading or a
    recorded setting or action dated in the future. The moment itself is excluded.

    Parameters
    ----------
    assessment
        What was computed.
    history
        Open, for readings that are dated later than the assessment.
    """
    import polars as pl

    # the answer of `status` needs nothing that computes
    from pipeline.judge.values.prepare import PARTS, actions_of, adjustments_of

    at = assessment.as_of
    interval = timedelta(hours=assessment.settings.check_interval_hours)
    moments: list[datetime | None] = [history.next_measured_after(at)]
    for frame, column in (
        (assessment.brackets, "first_at"),
        (assessment.brackets, "last_at"),
        (assessment.runs, "last_at"),
    ):
        late = frame.select((pl.col(column) + interval).alias("late")).filter(pl.col("late") >= at)
        moments.append(late["late"].min())  # type: ignore[arg-type]
    for table in assessment.tables.values():
        for name, dtype in table.schema.items():
            if dtype.is_temporal():
                days = [_moment(value) for value in table[name].drop_nulls().unique().to_list()]
                moments += [later for day in days for later in (day, day + timedelta(days=1)) if later > at]
    told = [event for kind in (*PARTS, "action") for event in history.events(kind)]
    for frame in (adjustments_of(told), actions_of(told)):
        moments += frame["measured_at"].to_list()
    moments += history.baselines()["last_at"].to_list()
    return min((moment for moment in moments if moment is not None and moment > at), default=_EVER)


def _moment(value: date | datetime) -> datetime:
    if isinstance(value, datetime):
        return value if value.tzinfo else value.replace(tzinfo=UTC)
    return datetime(value.year, value.month, value.day, tzinfo=UTC)


def publish_snapshot(
    workspace: Workspace,
    assessment: Assessment | None = None,
    *,
    now: datetime | None = None,
    assessed: Callable[[Assessment], None] | None = None,
) -> Snapshot:
    """Publish the history as it is, with the state of meters and lots now.

    Parameters
    ----------
    workspace
        A workspace with a history.
    assessment
        What was just computed, as of the last reading: what pages show. The state now is taken from it while it holds.
    now
        Time of the snapshot.
    assessed
        Told the assessment that the state now was taken from, where one was needed.
    """
    from pipeline.history.store import History
    from pipeline.judge.carry_on import everything
    from pipeline.judge.findings import state_of

    moment = now or datetime.now(UTC)
    with History.open(workspace.history, wait_s=workspace.settings.busy_wait_seconds, snapshot=False) as history:
        current = Snapshot.current(workspace.history)
        if current is not None and current.fresh(workspace.history) and current.whole():
            kept = current.document("status")
            if kept.get("program") == program() and datetime.fromisoformat(
                kept["from"]
            ) <= moment < datetime.fromisoformat(kept["until"]):
                return current
        # under one name only: whoever gave it away does not keep millions of readings twice
        if assessment is None or assessment.history_state != state_of(history):  # somebody wrote meanwhile
            del assessment
            assessment = everything(history, workspace.settings, as_of=None)
        assessment.ask(history)
        documents: dict[str, Any] = {"refused": _refused(history)}
        if assessment.as_of > moment or holds_until(assessment, history) <= moment:
            del assessment
            assessment = everything(history, workspace.settings, as_of=moment)
        if assessed is not None:
            assessed(assessment)
        said = status_said(workspace, history, assessment)
        # thousands of lots may wait: whoever looks at the first ones does not read them all
        said["status"]["waiting"], documents["waiting"] = _cut(said["status"]["waiting"])
        documents["status"] = {**said, "more_waiting": len(documents["waiting"])}
        return publish(history, workspace.history, documents, now=moment)


def _cut(waiting: list[Any]) -> tuple[list[Any], list[Any]]:
    return waiting[:FIRST_WAITING], waiting[FIRST_WAITING:]


def said_now(snapshot: Snapshot) -> dict[str, Any]:
    """Return the whole state of meters and lots that a snapshot keeps.

    Raises
    ------
    IntegrityProblem
        If a hash does not agree.
    """
    kept: dict[str, Any] = snapshot.document("status")
    return {
        **kept,
        "status": {**kept["status"], "waiting": [*kept["status"]["waiting"], *(snapshot.document("waiting") or ())]},
    }


_MOST_REFUSED = 5_000


def _refused(history: History) -> list[dict[str, Any]] | None:
    """Return the refused lines that wait, as JSON values; None where there are too many to keep twice."""
    rows = history.quarantine(states=["new"])
    return None if rows.height > _MOST_REFUSED else as_json(rows.to_dicts())


def published_refused(workspace: Workspace) -> list[dict[str, Any]] | None:
    """Return the refused lines that wait, from the snapshot where that is up to date; None where they must be looked up."""
    snapshot = Snapshot.up_to_date(workspace.history)
    if snapshot is None:
        return None
    try:
        kept: list[dict[str, Any]] | None = snapshot.document("refused")
    except IntegrityProblem:
        return None
    return kept


def status_said(workspace: Workspace, history: History, found: Assessment) -> dict[str, Any]:
    """Return the state of meters and lots with the span of time for which it holds, as JSON values."""
    from pipeline.questions.status import status_of

    return {
        "status": status_of(workspace, history, found).document(),
        "from": found.as_of.isoformat(),
        "until": holds_until(found, history).isoformat(),
        "program": program(),
        "taken_over": hashes(history.reference_texts()),
    }


def status_document(workspace: Workspace) -> dict[str, Any]:
    """Return the state now: from the snapshot where that is up to date, else computed."""
    kept = published_status(workspace)
    if kept is not None:
        return kept
    from pipeline.history.store import History
    from pipeline.judge.carry_on import everything

    with History.open(workspace.history, wait_s=workspace.settings.busy_wait_seconds) as history:
        return status_said(workspace, history, everything(history, workspace.settings, as_of=datetime.now(UTC)))


def published_status(workspace: Workspace, *, now: datetime | None = None, whole: bool = True) -> dict[str, Any] | None:
    """Return the document of `status` from the snapshot, where that is up to date; None where it must be computed.

    Parameters
    ----------
    workspace
        A workspace with a history.
    now
        The moment asked about.
    whole
        With every lot that waits; else with the first `FIRST_WAITING`, and `more_waiting` says how many are left out.
    """
    snapshot = Snapshot.up_to_date(workspace.history)
    return None if snapshot is None else _said(workspace, snapshot, now or datetime.now(UTC), whole=whole)


def published_before(workspace: Workspace, *, whole: bool = True) -> dict[str, Any] | None:
    """Return the document of `status` from the last snapshot, as of its time, while somebody writes the history: nobody waits for that.

    None where nobody writes, or where no snapshot of this program is there. How old it is, is said.
    """
    from pipeline.history.store import History

    try:
        with History.open(workspace.history, wait_s=_PATIENCE_S, snapshot=False):
            return None
    except HistoryBusy as busy:
        snapshot = Snapshot.current(workspace.history)
        kept = None if snapshot is None else _said(workspace, snapshot, snapshot.made_at, whole=whole)
        if kept is not None:
            _log.warning("%s What follows is of the snapshot taken at %s UTC.", str(busy).partition(";")[0] + ".",
                         f"{kept['as_of']:%Y-%m-%d %H:%M:%S}")  # fmt: skip
        return kept


def _said(workspace: Workspace, snapshot: Snapshot, moment: datetime, *, whole: bool) -> dict[str, Any] | None:
    """Return the document of `status` that a snapshot keeps, where it holds at a moment and this program said it."""
    try:
        kept: dict[str, Any] | None = snapshot.document("status")
        if kept is None or kept.get("program") != program():
            return None
        if whole:
            kept = {**said_now(snapshot), "more_waiting": 0}
    except IntegrityProblem:
        return None  # the history itself answers
    if not datetime.fromisoformat(kept["from"]) <= moment < datetime.fromisoformat(kept["until"]):
        return None
    changed = changed_texts(hashes_of_texts(workspace), kept["taken_over"])
    return {**kept, "not_taken_over": changed, "as_of": moment}
