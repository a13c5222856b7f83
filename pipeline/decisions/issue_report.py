"""The issue of a report: an event that holds what the report states, so that a paper can be held against it for ever."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from pipeline.decisions.record import deciding
from pipeline.errors import UsageError
from pipeline.judge.carry_on import everything
from pipeline.questions.report_on_lots import next_number, refuse, report_on_lots
from pipeline.questions.reports_issued import KIND
from schemas.papers import states_hash

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.history.chain import Event
    from pipeline.workspace.settings import Workspace
    from schemas.papers import ReportOnLots

__all__ = ["issue_report"]


def issue_report(
    workspace: Workspace,
    lots: Sequence[str],
    *,
    nonconformity: bool = False,
    by: str,
    dry_run: bool = False,
    now: datetime | None = None,
) -> tuple[Event | None, ReportOnLots]:
    """Issue a report on lots: record what it states.

    Parameters
    ----------
    workspace
        Its history.
    lots
        By name; of one specification and one customer.
    nonconformity
        State that conformity is not shown, for lots that are rejected or on hold.
    by
        Who answers for it.
    dry_run
        Say what it would state; record nothing.
    now
        When; None means now.

    Returns
    -------
    (Event or None, ReportOnLots)
        None in a dry run.

    Raises
    ------
    UsageError
        If nobody is named, or there is no such report to be given; with the reason.
    """
    if not by.strip():
        raise UsageError("A report names who answers for it: --by NAME.")
    what = "a statement of nonconformity" if nonconformity else "a test report"
    with deciding(workspace, by=by, why=f"issued {what}", dry_run=dry_run) as history:
        found = everything(history, workspace.settings, as_of=None)
        refuse(found, lots, nonconformity=nonconformity)
        found = found.at_hand(lots)
        issued = history.events(KIND)
        at = (now or datetime.now(UTC)).astimezone(UTC).replace(microsecond=0)
        report = report_on_lots(
            found,
            lots,
            nonconformity=nonconformity,
            number=next_number(issued, at, found),
            issued=issued,
            issued_at=at,
            by=by,
        )
        if dry_run:
            return None, report
        states = report.states()
        subject = {"lots": list(lots), "states": states, "sha256": states_hash(states)}
        return history.append_event(KIND, subject, by=by, why=f"issued {what}", at=at), report
