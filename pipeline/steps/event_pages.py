"""From look-back events to their pages."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import polars as pl

from pipeline.steps.event_lots import decided, event_result
from pipeline.steps.events import find_events
from pipeline.steps.meter_evidence import calibrations_of
from pipeline.steps.pages import PageContext
from schemas.look_back import EventPage

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.history.store import History
    from pipeline.settings import Workspace
    from pipeline.steps.assess import Assessment

__all__ = ["event_pages"]

_CHECKS = [
    "part", "block", "run", "at", "mean", "bias", "tolerance", "passes", "rejects", "certificate", "certificate_due_on",
    "certificate_overdue",
]  # fmt: skip


def event_pages(
    workspace: Workspace, assessment: Assessment, history: History, sources: pl.DataFrame
) -> Iterable[EventPage]:
    """Yield a page for each event, by name."""
    context = PageContext(workspace, assessment, sources)
    said = decided(history.events())
    calibrations = calibrations_of(assessment)
    # counted once: there are many readings and few lots, meters and files
    counts = (
        assessment.readings.group_by("source_id", "lot", "meter", "role")
        .agg(pl.len().alias("n"))
        .with_columns(pl.col("lot", "meter", "role").cast(pl.String))
    )
    pages = []
    for event in find_events(assessment):
        result = event_result(assessment, event, said)
        fired = event.checks["run"].unique().to_list()
        if fired:
            earlier = pl.col("run") < min(fired)
        else:  # nothing fired in a check: what is known of the meter ends where the window begins
            earlier = pl.lit(False) if event.window_from is None else pl.col("at") <= event.window_from
        checks = (
            assessment.checks.filter(pl.col("run").is_in(list(event.around)))
            .with_columns(
                pl.when(pl.col("run").is_in(fired))
                .then(pl.lit("signal"))
                .when(earlier)
                .then(pl.lit("before"))
                .otherwise(pl.lit("after"))
                .alias("part"),
                (pl.col("certificate_due_on") + timedelta(days=1) <= pl.col("at"))
                .fill_null(False)
                .alias("certificate_overdue"),
            )
            .sort("at", "check")
        )
        # runs can be long: the last word of each block before, the first one after
        checks = pl.concat(
            [
                checks.filter(pl.col("part") == "before").unique("block", keep="last", maintain_order=True),
                checks.filter(pl.col("part") == "signal"),
                checks.filter(pl.col("part") == "after").unique("block", keep="first", maintain_order=True),
            ]
        ).select(_CHECKS)
        shown = calibrations.filter((pl.col("meter") == event.meter) & pl.lit(event.kind == "calibration")).drop(
            "meter", "level", "change"
        )
        lots = [lot.lot for lot in result.lots]
        used = counts.filter(
            pl.col("lot").is_in(lots) | ((pl.col("role") == "block") & (pl.col("meter") == event.meter))
        )
        rows = used.select(pl.col("source_id").repeat_by("n").list.explode())
        pages.append(
            EventPage(result, checks, shown, context.provenance(rows, assessment.as_of, result, checks, shown))
        )
    return sorted(pages, key=lambda page: page.result.event)
