"""Look-back from the history: which lots a meter touched since its last good check."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.errors import UsageError
from pipeline.metrology.look_back import lots_touched, window_start
from pipeline.near import nearest
from schemas.results import TouchedLot, TraceResult

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from pipeline.judge.assessment import Assessment
    from schemas.look_back import EventResult

__all__ = ["trace"]


def _local(moment: datetime, assessment: Assessment) -> str:
    settings = assessment.settings
    return f"{moment.astimezone(settings.zone):%Y-%m-%d %H:%M} {settings.time_zone}"


def trace(
    assessment: Assessment, meter: str, *, since: datetime | None = None, events: Iterable[EventResult] = ()
) -> TraceResult:
    """Return the lots a meter touched.

    Parameters
    ----------
    assessment
        Everything computed, as of the moment of the question.
    since
        Start of the window instead of the last good check.
    events
        Look-back events, to name those of the meter that are open.

    Raises
    ------
    UsageError
        If no reading of the meter was loaded.
    """
    if meter not in assessment.meters:
        known = list(assessment.meters)
        hint = nearest(meter, known) or f". Known meters: {', '.join(known) or 'none'}."
        raise UsageError(f"No reading of meter {meter!r} was loaded{hint}")
    start, place, passed = window_start(assessment.runs, meter)
    if since is not None:
        start, place = since, 0
        reasons = [f"Window from {_local(since, assessment)}, as asked."]
    elif start is None:
        reasons = ["No run of checks of this meter ever passed, so the window starts at its first reading."]
    else:
        reasons = [f"The last run of checks that passed ended at {_local(start, assessment)}."]
    touched = lots_touched(assessment.part_stream, meter, assessment.as_of, since=since, after_parts=place)
    if not touched.height:
        reasons.append("No lot was read since.")
    elif passed is False:
        reasons.append("The last run of checks failed: every lot below needs a decision.")
    elif passed and since is None:
        reasons.append("The last run of checks passed: the lots below wait for their closing check.")
    if touched["unknown_clock"].sum():
        reasons.append("Readings with an unknown clock may have been taken at any time, so they are counted in.")
    lots = []
    for row in touched.iter_rows(named=True):
        result = assessment.lots[row["lot"]]
        last = result.dispositions[-1] if result.dispositions else None
        lots.append(
            TouchedLot(
                **row,
                verdict=result.verdict,
                support=result.support,
                disposition=f"{last.decision} ({last.by}: {last.why})" if last else None,
            )
        )
    possibly = _possibly(assessment, meter, start)
    if possibly:
        reasons.append(
            "Meters that do not stand in reference/meters.csv read lots in the window; they may be this one, misnamed."
        )
    names = tuple(event.event for event in events if event.meter == meter and event.state == "open")
    return TraceResult(meter, start, assessment.as_of, passed, tuple(reasons), tuple(lots), possibly, names)


def _possibly(assessment: Assessment, meter: str, start: datetime | None) -> tuple[str, ...]:
    """Return the lots that meters nobody registered read in the window: perhaps the same instrument under another name."""
    known = assessment.tables["meters"]["meter"].to_list()
    if not known:
        return ()
    others = assessment.brackets.filter(~pl.col("meter").is_in(known) & (pl.col("meter") != meter))
    if start is not None:
        others = others.filter((pl.col("last_at") > start) | (pl.col("unknown_clock") > 0))
    return tuple(others["lot"].unique().sort().to_list())
