"""Events of the look-back that stand as they were found: they ended before anything of their meter was judged again.

An event that ended rests on runs of checks up to the good one that followed; lots that it touched are looked up again where something of
them was judged again. Where it is not plain that an event stands, all are looked for anew.
"""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.judge.look_back.events import events_of_calibrations, events_of_runs, of_meter, told
from pipeline.metrology.block_checks import run_of_meter

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping
    from datetime import datetime

    from pipeline.judge.assessment import Assessment
    from pipeline.judge.found_events import Found
    from schemas.look_back import EventResult

__all__ = ["standing_events"]

_NEAR = timedelta(seconds=2)
"""Events of one second are told apart by the next one."""


def standing_events(
    assessment: Assessment, kept: Mapping[str, EventResult], last_runs: Mapping[str, int], lots: Collection[str]
) -> tuple[dict[str, EventResult], list[Found]] | None:
    """Return the events that stand, by name, and those that are to be looked up.

    Parameters
    ----------
    assessment
        Everything as it is now.
    kept
        The events as they were found before, by name; since then nobody decided anything.
    last_runs
        By meter of which something was judged again the number of the last run before that; 0 where it was judged from the first on.
    lots
        Lots that were judged again.

    Returns
    -------
    (dict, list of Found) or None
        None where all events are to be looked for.
    """
    changed = assessment.brackets.filter(pl.col("lot").is_in(list(lots)))
    registered = assessment.tables["meters"]["meter"].to_list()
    # these belong to events at any time
    if changed.filter((pl.col("unknown_clock") > 0) | ~pl.col("meter").is_in(registered)).height:
        return None
    found = events_of_calibrations(assessment)
    ended = {}
    for meter, last in last_runs.items():
        own = of_meter(assessment, meter)
        good = _last_good(own, last)
        ended[meter] = None if good is None else good["first_at"]
        found += events_of_runs(own if good is None else _from_run(own, good["run"]), meter)
    standing = {}
    for name, event in kept.items():
        if event.kind == "calibration" or event.meter not in assessment.meters:
            continue
        if event.meter in ended and not _before(event, ended[event.meter]):
            continue
        if lots and any(lot.lot in lots for lot in event.lots):
            again = [one for one in events_of_runs(_around(assessment, event), event.meter) if one.name == name]
            if len(again) != 1:
                return None
            found += again
        else:
            standing[name] = event
    if kept.keys() - standing.keys() - {event.name for event in found}:
        return None  # one is no event any more, and another one of its day may take its id
    every: list[EventResult | Found] = [*standing.values(), *found]
    by_time = sorted((event.fired_at, event.meter, event.kind) for event in every)
    if any(one == other or timedelta() < other[0] - one[0] < _NEAR for one, other in pairwise(by_time)):
        return None
    shorts = {event.name: event.event for event in kept.values()}
    zone = assessment.settings.zone
    days = {(event.meter, event.fired_at.astimezone(zone).date()) for event in kept.values()}
    new = [event for event in found if event.name not in shorts]
    if any((event.meter, event.fired_at.astimezone(zone).date()) in days for event in new):
        return None  # which of a day's events is named by the day alone, their files tell
    known = [event.told(zone, shorts[event.name]) for event in found if event.name in shorts]
    return standing, [*known, *told(assessment, sorted(new, key=lambda one: (one.fired_at, one.meter, one.kind)))]


def _before(event: EventResult, good_at: datetime | None) -> bool:
    return good_at is not None and event.window_to is not None and event.window_to <= good_at


def _last_good(own: Assessment, last: int) -> dict[str, Any] | None:
    """Return the last run up to some number that is good in every respect and ends whatever fired; None where there is none."""
    precise = own.checks.filter(pl.col("precision_limit").is_not_null()).group_by("run").agg(pl.col("imprecise").any())
    good = own.runs.filter((run_of_meter() <= last) & pl.col("passed") & (pl.col("rejected") == 0)).join(
        precise.filter(~pl.col("imprecise")), on="run", how="semi"
    )
    return good.sort("parts_before", "run").row(-1, named=True) if good.height else None


def _from_run(own: Assessment, run: int) -> Assessment:
    """Return what was found of a meter from a run that was judged on."""
    behind = (pl.col("before_run") >= run) | (pl.col("unknown_clock") > 0)
    later = pl.col("run") >= run
    return own.restated(
        checks=own.checks.filter(later), runs=own.runs.filter(later), brackets=own.brackets.filter(behind)
    )


def _around(assessment: Assessment, event: EventResult) -> Assessment:
    """Return what was found of a meter between the good runs on both sides of an event."""
    own = of_meter(assessment, event.meter)
    inside = pl.lit(value=True)
    if event.window_from is not None:
        inside = inside & (pl.col("last_at") >= event.window_from)
    if event.window_to is not None:
        inside = inside & (pl.col("first_at") <= event.window_to)
    runs = own.runs.filter(inside)
    fired = pl.col("run").is_in(runs["run"].to_list())
    beside = pl.any_horizontal(pl.col(side).is_in(runs["run"].to_list()) for side in ("before_run", "after_run"))
    brackets = own.brackets.filter(inside | beside.fill_null(value=False) | (pl.col("unknown_clock") > 0))
    return own.restated(runs=runs, checks=own.checks.filter(fired), brackets=brackets)
