"""Which events of the look-back stand as they were found, which are looked up again, and when all are looked for anew."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest
from look_back_story import LOTS, events_of, failing
from scenario import Scenario, at

from pipeline.judge.look_back.events import find_events, told
from pipeline.judge.standing import _last_good, standing_events

if TYPE_CHECKING:
    from collections.abc import Collection

    from pipeline.judge.assessment import Assessment
    from schemas.look_back import EventResult

NAME = "M1_20260302T110010Z_FAILED-CHECK"
GOOD, LAST = (
    5,
    6,
)  # runs of `story`: the first that is good in every respect after the failure at 11:00, and the last one


def story(scenario: Scenario | None = None) -> Scenario:
    """L2 and L3 stand before a run that failed; runs at 11:30, which has no precision yet, 13:00 and 15:00 passed."""
    return (failing() if scenario is None else scenario).lot("14:00", lot="L1").check("15:00")


def looked(
    found: Assessment,
    last_runs: dict[str, int],
    lots: Collection[str] = (),
    kept: dict[str, EventResult] | None = None,
) -> tuple[list[str], list[str]] | None:
    """Return the names of the events that stand and of those to be looked up."""
    events = standing_events(found, events_of(found, []) if kept is None else kept, last_runs, lots)
    return None if events is None else (list(events[0]), [event.name for event in events[1]])


@pytest.fixture(scope="module")
def found() -> Assessment:
    return story().assess("16:00")


@pytest.mark.parametrize(
    ("last", "stands"), [(0, False), (2, False), (3, False), (GOOD - 1, False), (GOOD, True), (LAST, True)]
)
def test_an_event_stands_that_ended_before_the_last_good_run_that_is_judged_as_before(
    found: Assessment, last: int, stands: bool
) -> None:
    """The run of 11:30 ends the failure, but nothing can be said of its precision: only the next is good in every respect."""
    assert looked(found, {"M1": last}) == (([NAME], []) if stands else ([], [NAME]))


def test_an_event_stands_where_nothing_of_its_meter_was_judged(found: Assessment) -> None:
    assert looked(found, {}) == ([NAME], [])
    assert looked(found, {"M2": 0}) == ([NAME], [])


@pytest.mark.parametrize(("column", "value"), [("passed", None), ("passed", False), ("rejected", 1)])
def test_a_run_that_is_not_good_in_every_respect_ends_nothing(found: Assessment, column: str, value: Any) -> None:
    other = pl.when(pl.col("run") == LAST).then(pl.lit(value)).otherwise(column).alias(column)
    for own, good in ((found, LAST), (found.restated(runs=found.runs.with_columns(other)), GOOD)):
        run = _last_good(own, LAST)
        assert run is not None
        assert run["run"] == good


@pytest.mark.parametrize(("which", "stands"), [([True], False), ([True, False], False), ([False, False], True)])
def test_a_run_with_one_check_that_scattered_is_not_good(found: Assessment, which: list[bool], stands: bool) -> None:
    own = found.checks.filter(pl.col("run") == GOOD)
    scattered = [own.with_columns(imprecise=pl.lit(one), block=pl.lit(f"B{n}")) for n, one in enumerate(which, start=1)]
    altered = found.restated(checks=pl.concat([found.checks.filter(pl.col("run") != GOOD), *scattered]))
    kept = events_of(found, [])
    assert (looked(altered, {"M1": GOOD}, kept=kept) == ([NAME], [])) is stands


@pytest.mark.parametrize(("before", "stands"), [(timedelta(), True), (timedelta(microseconds=-1), False)])
def test_an_event_may_end_with_the_good_run_itself(found: Assessment, before: timedelta, stands: bool) -> None:
    (event,) = events_of(found, []).values()
    kept = {NAME: replace(event, window_to=at("13:00") - before)}
    assert looked(found, {"M1": GOOD}, kept=kept) == (([NAME], []) if stands else None)
    kept = {NAME: replace(event, window_to=None)}
    assert looked(found, {"M1": GOOD}, kept=kept) is None, "one that did not end is no event that stands"


@pytest.mark.parametrize(("lots", "again"), [(["L1"], False), (["L2"], True), (["L4", "L3"], True), ([], False)])
def test_an_event_is_looked_up_again_where_a_lot_that_it_touched_was_judged_again(
    found: Assessment, lots: list[str], again: bool
) -> None:
    assert looked(found, {"M1": LAST}, lots) == (([], [NAME]) if again else ([NAME], []))


def test_an_event_that_is_looked_up_again_is_the_one_that_a_search_for_all_finds(found: Assessment) -> None:
    (anew,) = told(found, find_events(found))
    for last, lots in ((LAST, ["L2"]), (0, [])):
        events = standing_events(found, events_of(found, []), {"M1": last}, lots)
        assert events is not None
        (one,) = events[1]
        assert one.touched.equals(anew.touched)
        assert one.touched["lot"].to_list() == ["L2", "L3"]
        assert one.checks.equals(anew.checks)
        names = ("short", "title", "names", "window_from", "window_to", "changes", "around", "sentence")
        assert [getattr(one, name) for name in names] == [getattr(anew, name) for name in names]


def test_of_a_meter_that_has_been_failing_all_along_the_event_is_found_again_as_it_was() -> None:
    """Nothing good stands before it, and nothing behind it."""
    scenario = Scenario(lots=LOTS).check("07:00", 0.6).lot("07:30", lot="L2").check("09:00", 0.6)
    alone = scenario.assess("10:00")
    kept = events_of(alone, [])
    for lots in ([], ["L2"]):
        assert looked(alone, {"M1": 2}, lots) == ([], list(kept))
    events = standing_events(alone, kept, {}, ["L2"])
    assert events is not None
    assert not events[0]
    assert [one.touched["lot"].to_list() for one in events[1]] == [["L2"]]


@pytest.mark.parametrize("how", [{"clock": "wrong"}, {"meter": "M9"}])
def test_a_lot_that_belongs_to_events_of_any_time_lets_all_be_looked_for(how: dict[str, Any]) -> None:
    other = story().lot("14:30", lot="L4", **how).assess("16:00")
    kept = {name: event for name, event in events_of(other, []).items() if name == NAME}
    assert looked(other, {"M1": LAST}, ["L4"], kept) is None
    assert looked(other, {"M1": LAST}, ["L1"], kept) == ([NAME], [])


def test_an_event_that_is_none_any_more_lets_all_be_looked_for(found: Assessment) -> None:
    (event,) = events_of(found, []).values()
    gone = replace(event, name="M1_20260301T110010Z_FAILED-CHECK", fired_at=event.fired_at - timedelta(days=1))
    assert looked(found, {"M1": 0}, kept={NAME: event, gone.name: gone}) is None
    assert looked(found, {"M1": LAST}, ["L2"], kept={gone.name: gone}) is None, "looked for around it, and not there"
    without = found.restated(meters={})
    assert looked(without, {}, kept={NAME: event}) is None, "of a meter that is none any more"


@pytest.mark.parametrize(("day", "stands"), [(0, False), (1, True)])
def test_a_new_event_is_told_by_its_day_alone_where_no_other_one_of_that_meter_is(day: int, stands: bool) -> None:
    """Which of two events of one day is named by the day alone, their files tell."""
    before = story()
    kept = events_of(before.assess("16:00"), [])
    assert list(kept) == [NAME]
    now = before.lot("17:00", lot="L4", day=day).check("18:00", 0.9, day=day).assess("19:00", day=day)
    new = next(name for name in events_of(now, []) if "FAILED-CHECK" in name and name != NAME)
    events = looked(now, {"M1": LAST}, ["L4"], kept)
    assert (events is not None) is stands
    if events is not None:
        assert events[0] == [NAME]
        assert new in events[1]
    beside = replace(kept[NAME], meter="M2", name="M2_X", fired_at=at("18:00", day))
    both = now.restated(meters={**now.meters, "M2": now.meters["M1"]})
    assert (looked(both, {"M1": LAST}, ["L4"], {**kept, "M2_X": beside}) is not None) is stands, "of another meter"


def test_new_events_are_told_in_order_of_time() -> None:
    now = story().check("08:00", 0.9, meter="M2").check("16:00", 0.9).assess("17:00")
    names = [event.name for event in find_events(now)]
    events = standing_events(now, {}, {"M2": 0, "M1": 0}, [])
    assert events is not None
    assert [event.name for event in events[1]] == names
    assert [event.short for event in events[1]] == [event.short for event in told(now, find_events(now))]
    assert len(names) > 2


@pytest.mark.parametrize(
    ("apart", "stands"),
    [(timedelta(seconds=2), True), (timedelta(seconds=2, microseconds=-1), False), (timedelta(microseconds=1), False)],
)
def test_events_of_one_second_are_told_apart_only_where_all_are_looked_for(
    found: Assessment, apart: timedelta, stands: bool
) -> None:
    (event,) = events_of(found, []).values()
    beside = replace(event, name="M1_BESIDE", fired_at=event.fired_at + apart)
    assert looked(found, {}, kept={"M1_BESIDE": beside, NAME: event}) == ((["M1_BESIDE", NAME], []) if stands else None)
    # at the same time they are told apart by their meters
    assert looked(found, {}, kept={NAME: event, "M1_BESIDE": replace(beside, fired_at=event.fired_at)}) is None
    registered = replace(beside, fired_at=event.fired_at, meter="M0")
    both = found.restated(meters={**found.meters, "M0": found.meters["M1"]})
    assert looked(both, {}, kept={NAME: event, "M1_BESIDE": registered}) == ([NAME, "M1_BESIDE"], [])
