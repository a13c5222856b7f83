"""From look-back events to their pages."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.judge.meters.evidence import calibrations_of
from pipeline.metrology.block_checks import run_of_meter
from pipeline.questions.provenance import PageContext
from schemas.look_back import EventPage

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from pipeline.history.store import History
    from pipeline.judge.assessment import Assessment
    from pipeline.judge.found_events import Found
    from pipeline.workspace.settings import Workspace
    from schemas.look_back import EventResult

__all__ = ["event_pages"]

_CHECKS: list[Any] = [
    "part", "block", run_of_meter(), "at", "mean", "bias", "tolerance", "passes", "rejects", "certificate", "certificate_due_on",
    "certificate_overdue",
]  # fmt: skip


def event_pages(
    workspace: Workspace, assessment: Assessment, history: History, sources: pl.DataFrame
) -> Iterable[EventPage]:
    """Yield a page for each event, by name.

    Once its window is closed a page rests on its own checks, lots and decisions alone, and its time is that of the last
    of them, so that it does not change because something else was read; until then it is the moment of the assessment.
    """
    del history  # decisions stand in the assessment
    context = PageContext(workspace, assessment, sources)
    calibrations = calibrations_of(assessment)
    counts = assessment.files_of_lots()
    pages = []
    for event in assessment.found_events:
        result = assessment.events[event.name]
        fired = event.checks["run"].unique().to_list()
        if fired:
            earlier = pl.col("run") < min(fired)
        else:  # nothing fired in a check: what is known of the meter ends where the window begins
            earlier = pl.lit(False) if event.window_from is None else pl.col("at") <= event.window_from
        checks = (
            context.checks_of(event.around)
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
        sources_of_checks = context.sources_of(checks)
        # runs can be long: the last word of each block before, the first one after
        checks = pl.concat(
            [
                checks.filter(pl.col("part") == "before").unique("block", keep="last", maintain_order=True),
                checks.filter(pl.col("part") == "signal"),
                checks.filter(pl.col("part") == "after").unique("block", keep="first", maintain_order=True),
            ]
        ).select(_CHECKS)
        # later calibrations are events of their own
        shown = calibrations.filter(
            (pl.col("meter") == event.meter)
            & pl.lit(event.kind == "calibration")
            & (pl.col("calibrated_on") <= event.fired_at)
        ).drop("meter", "level", "change")
        lots = [lot.lot for lot in result.lots]
        used = counts.filter(pl.col("lot").is_in(lots))
        rows = pl.concat(
            [used.select("source_id", "n"), sources_of_checks.with_columns(pl.lit(1, pl.Int64).alias("n"))]
        )
        moment = _moment(assessment, event, result, checks)
        result = replace(result, as_of=moment)
        # what became of the meter since is shown only while the window is open
        rests_on = result if event.window_to is None else replace(result, meter_state="")
        pages.append(EventPage(result, checks, shown, context.provenance(rows, moment, rests_on, checks, shown)))
    return sorted(pages, key=lambda page: page.result.name)


def _moment(assessment: Assessment, event: Found, result: EventResult, checks: pl.DataFrame) -> datetime:
    """Return the time of the last thing an event rests on; while something of it is open, that of the assessment."""
    names = [lot.lot for lot in result.lots]
    brackets = assessment.brackets.filter(pl.col("lot").is_in(names))
    # the bracket of a lot that is open turns unsupported by time alone
    if event.window_to is None or (brackets["support"] == "open").any():
        return assessment.as_of
    moments: list[datetime] = [
        event.fired_at,
        event.window_to,
        *checks["at"].to_list(),
        *brackets["last_at"].to_list(),
        *brackets["after_at"].drop_nulls().to_list(),
        *(lot.shipped_on for lot in result.lots if lot.shipped_on is not None),
    ]
    return min(max(moments), assessment.as_of)
