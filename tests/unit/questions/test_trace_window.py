"""`trace`: from the last run that passed, or from a moment that was asked for, to now; each border just inside and outside."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from look_back_story import LOTS, decision, events_of, failing
from scenario import REFERENCE, Scenario, at

from pipeline.errors import UsageError
from pipeline.questions.trace import trace

if TYPE_CHECKING:
    from schemas.results import TraceResult


def single(scenario: Scenario, when: str, lot: str, **given: Any) -> Scenario:
    return scenario.reading(at(when), 58.5, lot=lot, part="1", spot="1", **given)


def traced(scenario: Scenario, clock: str = "10:00", **given: Any) -> TraceResult:
    return trace(scenario.assess(clock), "M1", **given)


def lots(result: TraceResult) -> set[str]:
    return {lot.lot for lot in result.lots}


def story() -> Scenario:
    """L1 before a run that passes, L2 after it."""
    return single(single(Scenario(lots=LOTS), "07:00", "L1").check("08:00"), "09:00", "L2")


def test_the_window_is_from_the_last_run_that_passed_to_now() -> None:
    found = traced(story())
    assert (lots(found), found.from_, found.to, found.meter) == ({"L2"}, at("08:00:10"), at("10:00"), "M1")
    assert (found.last_run_passed, found.events, found.possibly) == (True, (), ())
    assert "ended at 2026-03-02 08:00 UTC" in found.reasons[0]
    assert "wait for their closing check" in found.reasons[-1]
    failed = traced(story().check("09:30", 0.6))
    assert (lots(failed), failed.from_, failed.last_run_passed) == ({"L2"}, at("08:00:10"), False)
    assert "needs a decision" in failed.reasons[-1]


@pytest.mark.parametrize(
    ("since", "wanted"),
    [("06:59:59", {"L1", "L2"}), ("07:00", {"L2"}), ("08:59:59", {"L2"}), ("09:00", set())],
)
def test_a_window_that_was_asked_for_begins_after_that_moment_whatever_passed(since: str, wanted: set[str]) -> None:
    found = traced(story(), since=at(since))
    assert (lots(found), found.from_) == (wanted, at(since))
    assert "as asked" in found.reasons[0]
    assert not any("closing check" in reason for reason in found.reasons)
    assert any("No lot was read" in reason for reason in found.reasons) == (wanted == set())


def test_where_none_ever_passed_everything_is_looked_at() -> None:
    found = traced(single(Scenario(lots=LOTS), "07:00", "L1").check("08:00", 0.6))
    assert (lots(found), found.from_, found.last_run_passed) == ({"L1"}, None, False)
    assert "ever passed" in found.reasons[0]
    never = traced(single(Scenario(lots=LOTS), "07:00", "L1"))
    assert (lots(never), never.last_run_passed, len(never.reasons)) == ({"L1"}, None, 1)


def test_a_meter_without_readings_is_refused_and_the_others_are_named() -> None:
    both = story().check("08:00", meter="M2")
    with pytest.raises(UsageError, match=r"'M9'.*Known meters: M1, M2\."):
        trace(both.assess(), "M9")
    with pytest.raises(UsageError, match=r"Known meters: none\."):
        trace(Scenario().assess(), "M1")


@pytest.mark.parametrize(("clock", "possibly"), [("08:00:10", ()), ("08:00:11", ("L3",)), ("03:00", ())])
def test_what_a_stranger_read_in_the_window_is_possibly_of_this_meter(clock: str, possibly: tuple[str, ...]) -> None:
    found = traced(single(story(), clock, "L3", meter="M-l"))
    assert found.possibly == possibly
    assert any("reference/meters.csv" in reason for reason in found.reasons) == bool(possibly)
    assert traced(single(story(), clock, "L3", meter="M2")).possibly == ()


def test_strangers_with_a_lost_clock_or_without_a_window_count_and_none_where_nobody_is_registered() -> None:
    assert traced(single(story(), "03:00", "L3", meter="M-l", clock="unknown")).possibly == ("L3",)
    alone = Scenario(lots=LOTS)
    for clock, lot, name in (
        ("03:00", "L4", "M-l"),
        ("04:00", "L3", "M-k"),
        ("05:00", "L2", "M-k"),
        ("06:00", "L4", "M-k"),
    ):
        single(alone, clock, lot, meter=name)
    assert traced(single(alone, "07:00", "L1")).possibly == ("L2", "L3", "L4")
    unregistered = single(story(), "09:00", "L3", meter="M-l")
    unregistered.reference = {**REFERENCE, "lots": LOTS, "meters": "meter,accuracy_percent\n"}
    assert traced(unregistered).possibly == ()
    unregistered.reference["meters"] = "meter,accuracy_percent\nM2,0.5\n"
    assert traced(unregistered).possibly == ("L3",)  # of the others, not of itself


def test_lots_carry_their_verdict_their_last_disposition_and_unknown_clocks() -> None:
    scenario = single(story(), "03:00", "L4", clock="unknown")
    words = ("seen", "held", "released")
    chain = [decision(n, at(f"09:1{n}"), lot="L2", decision=word) for n, word in enumerate(words, start=1)]
    found = {lot.lot: lot for lot in trace(scenario.assess("10:00", events=chain), "M1").lots}
    assert {lot: one.disposition for lot, one in found.items()} == {"L2": "released (Ada: looked)", "L4": None}
    assert (found["L2"].verdict, found["L2"].support, found["L2"].readings) == ("hold", "open", 1)
    assert [found[lot].unknown_clock for lot in ("L2", "L4")] == [0, 1]
    assert [any("unknown clock" in r for r in traced(one).reasons) for one in (scenario, story())] == [True, False]


def test_only_open_events_of_this_meter_are_named() -> None:
    scenario = failing().check("08:00", 0.6, meter="M2")
    found = scenario.assess("14:00")
    events = events_of(found, [])
    assert len(events) == 2
    assert trace(found, "M1", events=events.values()).events == ("M1/2026-03-02",)
    fired = at("11:00:10").isoformat()
    closing = [
        decision(1, at("15:00"), meter="M1", checks=[fired, fired]),
        *(decision(2, at("15:00"), lot=lot) for lot in ("L2", "L3")),
    ]
    assert trace(found, "M1", events=events_of(found, closing).values()).events == ()
