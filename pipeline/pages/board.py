"""The status board of the line: what a person at the bench must see from three metres."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from pipeline.questions.provenance import PageContext
from pipeline.questions.status import checked_by, without_decision
from schemas.line import BoardPage

if TYPE_CHECKING:
    import polars as pl

    from pipeline.history.store import History
    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace

__all__ = ["board_pages"]

_FIRST = datetime.min.replace(tzinfo=UTC)


def board_pages(
    workspace: Workspace,
    assessment: Assessment,
    history: History,
    sources: pl.DataFrame,
    *,
    as_of: datetime | None = None,
) -> list[BoardPage]:
    """Return the board of a workspace, as of the assessment, or of a later moment at which that still holds."""
    moment = as_of or assessment.as_of
    meters = tuple(assessment.meters[name] for name in sorted(assessment.meters))
    check_by = checked_by(assessment)
    lots = assessment.lines()
    asked = assessment.whole(lot for lot in lots if lot.conditions or lot.verdict in ("hold", "reject"))
    stopped = [lot for lot in asked if lot.verdict in ("hold", "reject")]
    waiting = tuple(sorted(stopped, key=lambda lot: (lot.last_at or _FIRST, lot.lot), reverse=True))
    conditional = tuple(without_decision(asked))
    accepted = sum(lot.verdict == "accept" for lot in lots)
    held = history.held_files().height
    quarantined = history.quarantine(states=["new"]).height
    last = history.last_measured_at()
    context = PageContext(workspace, assessment, sources)
    provenance = context.provenance(
        sources.select("source_id").clear(), moment, meters, check_by, waiting, conditional, accepted, held, quarantined, last,
        history.snapshot_of,
    )  # fmt: skip
    return [
        BoardPage(
            meters, check_by, waiting, accepted, held, quarantined, last, history.snapshot_of, provenance, conditional
        )
    ]  # fmt: skip
