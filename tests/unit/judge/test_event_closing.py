"""When an event is closed: each condition just inside and just outside, and none of them alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest
from look_back_story import LOTS, decision, events_of, failing, only
from scenario import Scenario, at

if TYPE_CHECKING:
    from datetime import datetime

    from schemas.look_back import EventResult

FIRED, GOOD = at("11:00:10"), at("11:30")  # the failed check of `failing`, and the first run that passed after it
NAME = "M1_20260302T110010Z_FAILED-CHECK"
SPAN = {"meter": "M1", "checks": [FIRED.isoformat(), FIRED.isoformat()]}


def failed(scenario: Scenario, *chain: Any, clock: str = "14:00") -> EventResult:
    found = events_of(scenario.assess(clock), chain)
    return only({name: event for name, event in found.items() if event.meter == "M1"}, "failed_check")


def again(scenario: Scenario, first: datetime, meter: str) -> Scenario:
    """Read L2 from a moment on, between checks of that meter that pass."""
    if meter != "M1":
        scenario.check("08:00", meter=meter)
    for i in range(3):
        scenario.reading(first + timedelta(seconds=i), 58.5, meter=meter, lot="L2", part=str(i + 1), spot="1")
    return scenario.check("13:30", meter=meter)


@pytest.mark.parametrize(
    ("meter", "first", "settled"),
    [
        ("M2", FIRED - timedelta(hours=1), False),
        ("M2", FIRED - timedelta(seconds=1), False),
        ("M2", FIRED, False),
        ("M2", FIRED + timedelta(seconds=1), True),
        ("M1", FIRED - timedelta(hours=3), False),  # between good runs before the failure, and read again in the window
        ("M1", FIRED + timedelta(seconds=1), False),  # after the failure, before anything good followed
        ("M1", GOOD, False),
        ("M1", GOOD + timedelta(seconds=30), True),
    ],
)
def test_only_what_was_read_after_the_failure_was_measured_again(meter: str, first: datetime, settled: bool) -> None:
    found = failed(again(failing(), first, meter))
    lots = {lot.lot: lot for lot in found.lots if lot.meter == "M1"}
    assert lots["L2"].settled is settled
    assert (lots["L2"].measured_again_at is not None) is settled
    assert not lots["L3"].settled
    assert (found.state, found.disposed) == ("open", False)
    # of several times the first
    often = again(failing(), GOOD + timedelta(minutes=10), "M2").lot("13:40", lot="L2", meter="M2")
    twice = failed(often.check("13:50", meter="M2"))
    assert {lot.measured_again_at for lot in twice.lots if lot.lot == "L2"} == {GOOD + timedelta(minutes=10)}


def test_read_again_without_support_settles_nothing() -> None:
    # the closing check of the other meter is missing, or fails
    open_end = failing().check("11:40", meter="M2").lot("12:30", lot="L2", meter="M2")
    assert failed(open_end).undecided == ("L2", "L3")
    assert failed(open_end.check("13:30", 0.9, meter="M2")).undecided == ("L2", "L3")


@pytest.mark.parametrize(("moment", "settles"), [(FIRED - timedelta(microseconds=1), False), (FIRED, True)])
def test_a_decision_on_a_lot_counts_from_the_event_on(moment: datetime, settles: bool) -> None:
    note = replace(decision(1, moment, lot="L3"), kind="note")  # of another kind: it decides nothing, and ends nothing
    assert failed(failing(), note, decision(2, moment, lot="L2")).undecided == (("L3",) if settles else ("L2", "L3"))


def test_neither_the_event_nor_its_lots_alone_close_it() -> None:
    later = at("15:00")
    event, two, three = (
        decision(1, later, event=NAME, **SPAN),
        decision(2, later, lot="L2"),
        decision(3, later, lot="L3"),
    )
    for chain in ([], [event], [event, two], [event, three], [two, three], [two]):
        assert failed(failing(), *chain).state == "open", chain
    assert failed(failing(), event, two, three).state == "closed"
    # lots measured again close nothing as long as the event itself has no disposition
    read = failing().check("11:40", meter="M2").lot("12:30", lot="L2", meter="M2").lot("12:40", lot="L3", meter="M2")
    read.check("13:30", meter="M2")
    assert (failed(read).undecided, failed(read).state) == ((), "open")
    assert failed(read, event).state == "closed"


def test_a_disposition_speaks_of_the_checks_it_saw() -> None:
    """One second before the check it was recorded for, or of another meter, it disposes of nothing."""
    later = at("15:00")
    for span in ([FIRED - timedelta(seconds=1)] * 2, [FIRED + timedelta(seconds=1)] * 2):
        given = {"meter": "M1", "checks": [moment.isoformat() for moment in span]}
        assert not failed(failing(), decision(1, later, event="another", **given)).disposed
    assert not failed(failing(), decision(1, later, event=NAME, **{**SPAN, "meter": "M2"})).disposed
    assert failed(failing(), decision(1, later, event=NAME, **SPAN)).disposed


def test_possible_and_covered_lots_close_with_the_event_and_not_without() -> None:
    later = at("15:00")
    event = decision(1, later, event=NAME, **SPAN)
    possible = failing().lot("10:20", lot="L1", meter="M-l")
    doubts = {lot.lot: lot.settled for lot in failed(possible).lots if lot.doubt == "possible"}
    assert doubts == {"L1": False}
    assert {lot.lot: lot.settled for lot in failed(possible, event).lots} == {"L1": True, "L2": False, "L3": False}
    covered = Scenario(lots=LOTS).check("07:00", 0.01)
    for day in range(1, 12):
        covered.check("07:00", 0.01 * (day % 3 - 1), day=day).lot("07:30", lot="L4", day=day)
        covered.check("09:00", 0.01 * (day % 3 - 1), day=day)
    covered.check("07:00", 0.12, day=12).lot("07:30", lot="L1", day=12).check("09:00", 0.12, day=12)
    found = covered.assess("10:00", day=12)
    signal = only(events_of(found, []), "signal")
    assert {lot.lot: (lot.doubt, lot.settled) for lot in signal.lots if lot.lot == "L1"} == {"L1": ("covered", False)}
    assert signal.state == "open"
    first, last = (moment.isoformat() for moment in (signal.fired_at, signal.last_at))
    disposed = decision(1, at("11:00", 12), event=signal.name, meter="M1", checks=[first, last])
    closed = only(events_of(found, [disposed]), "signal")
    assert (closed.state, all(lot.settled for lot in closed.lots)) == ("closed", True)
    # one check too few, and it goes on
    short = decision(1, at("11:00", 12), event=signal.name, meter="M1", checks=[first, first])
    assert only(events_of(found, [short]), "signal").state == "open"


def test_an_event_without_lots_closes_with_its_disposition() -> None:
    alone = Scenario(lots=LOTS).check("07:00", 0.6)
    found = failed(alone, clock="08:00")
    assert (found.lots, found.state) == ((), "open")
    moment = found.fired_at.isoformat()
    said = decision(1, at("09:00"), event=found.name, meter="M1", checks=[moment, moment])
    assert failed(alone, said, clock="08:00").state == "closed"
