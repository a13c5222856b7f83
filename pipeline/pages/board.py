"""The status board of the line: what a person at the bench must see from three metres."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.questions.provenance import PageContext
from pipeline.questions.status import checked_by
from schemas.line import NAMED, URGENCY, BoardPage

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.history.store import History
    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace

__all__ = ["board_pages"]


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
    lots = assessment.columns_of_lots(["lot", "verdict", "conditions", "disposition", "last_at"])
    stopped = lots.filter(pl.col("verdict").is_in(["hold", "reject"])).sort(
        "last_at", "lot", descending=True, nulls_last=True
    )
    unsettled = lots.filter((pl.col("conditions") != "") & pl.col("disposition").is_null())
    asked = pl.concat([stopped.with_columns(state="verdict"), unsettled.with_columns(state=pl.lit("conditional"))])
    urgency = pl.col("state").replace_strict({state: place for place, state in enumerate(URGENCY)})
    # a result takes as long to be made as hundreds of rows
    named = assessment.results(asked.sort(urgency, maintain_order=True)["lot"].head(NAMED))
    waiting = tuple(lot for lot in named if lot.verdict in ("hold", "reject"))
    conditional = tuple(lot for lot in named if lot.conditions)
    accepted = int((lots["verdict"] == "accept").sum())
    held = history.held_files().height
    quarantined = history.quarantine(states=["new"]).height
    last = history.last_measured_at()
    context = PageContext(workspace, assessment, sources)
    provenance = context.provenance(
        sources.select("source_id").clear(), moment, meters, check_by,
        assessment.document_keys(asked["lot"]), asked["lot"].to_list(), accepted, held, quarantined, last,
        history.snapshot_of,
    )  # fmt: skip
    return [
        BoardPage(
            meters, check_by, waiting, accepted, held, quarantined, last, history.snapshot_of, provenance, conditional,
            more_waiting=stopped.height - len(waiting), more_conditional=unsettled.height - len(conditional),
        )
    ]  # fmt: skip
