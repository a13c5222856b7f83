"""Lots of an event: in which order they stand, those of strangers, and what lots and meters say of the event. Invented numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from look_back_story import decision, events_of, failing, only
from scenario import REFERENCE, Scenario, at

if TYPE_CHECKING:
    from datetime import datetime

    from schemas.look_back import EventResult

# L1 to L4 with limits, L5 and L6 without, L7 and L8 gone
LOTS = "lot,product,material,specification,supplier,shipped_on\n" + "".join(
    f"L{n},bar,copper,{'S' if n not in (5, 6) else ''},Q,{'2026-03-02' if n > 6 else ''}\n" for n in range(1, 9)
)


def single(scenario: Scenario, moment: datetime, lot: str, value: float = 58.5, **given: Any) -> Scenario:
    return scenario.reading(moment, value, lot=lot, part="1", spot="1", **given)


def failed(scenario: Scenario, *chain: Any, clock: str = "14:00") -> EventResult:
    found = events_of(scenario.assess(clock), chain)
    return only({name: event for name, event in found.items() if event.meter == "M1"}, "failed_check")


def story() -> Scenario:
    """Eight lots before a run that reads 0.6 MS/m high, the nearest to the lower limit of 57 among them read last."""
    scenario = Scenario(lots=LOTS).check("09:00")
    values = {"L1": 59.0, "L2": 57.2, "L3": 57.9, "L4": 57.2, "L5": 57.0, "L6": 57.0, "L7": 57.3, "L8": 57.1}
    for minute, (lot, value) in enumerate(values.items()):
        single(scenario, at(f"09:{10 + minute}"), lot, value)
    return scenario.check("11:00", 0.6)


def test_lots_stand_by_what_can_be_done_then_by_risk_then_by_name() -> None:
    found = failed(story())
    # still here by risk, equal ones by name, those of which no risk can be told after them; then those that are gone
    assert [lot.lot for lot in found.lots] == ["L2", "L4", "L3", "L1", "L5", "L6", "L8", "L7"]
    assert [lot.lot for lot in found.lots if lot.errors_to_limit is None] == ["L5", "L6"]
    # what is settled stands last, and a stranger's after the meter's own
    scenario = single(single(story(), at("09:30"), "L4", 57.2, meter="M-l"), at("09:31"), "L4", 57.2, meter="M-k")
    found = failed(scenario, decision(1, at("12:00"), lot="L2"), decision(2, at("12:00"), lot="L8"))
    assert [(lot.lot, lot.meter) for lot in found.lots][-4:] == [
        ("L4", "M-k"),
        ("L4", "M-l"),
        ("L2", "M1"),
        ("L8", "M1"),
    ]
    assert [lot.settled for lot in found.lots] == [False] * 8 + [True] * 2
    assert found.undecided == ("L1", "L3", "L4", "L5", "L6", "L7")


@pytest.mark.parametrize(
    ("clock", "day", "possible"),
    [("09:00:10", 0, False), ("09:00:11", 0, True), ("11:29:59", 0, True), ("11:30", 0, False), ("12:00", 0, False)],
)
def test_a_stranger_is_possible_inside_the_window_alone(clock: str, day: int, possible: bool) -> None:
    found = failed(single(failing(), at(clock, day), "L1", meter="M-l"))
    assert (found.window_from, found.window_to) == (at("09:00:10"), at("11:30"))
    doubts = [(lot.lot, lot.meter, lot.doubt, lot.readings) for lot in found.lots if lot.meter != "M1"]
    assert doubts == [("L1", "M-l", "possible", 1)] * possible
    assert any("reference/meters.csv" in note for note in found.notes) == possible
    # a meter that is registered is no stranger, and none is where nobody is registered
    assert all(lot.meter == "M1" for lot in failed(single(failing(), at(clock), "L1", meter="M2")).lots)
    nobody = single(failing(), at(clock), "L1", meter="M-l")
    nobody.reference = {**nobody.reference, "meters": "meter,accuracy_percent\n"}
    assert all(lot.meter == "M1" for lot in failed(nobody).lots)


def test_a_stranger_with_a_lost_clock_may_have_read_at_any_time_and_the_meter_itself_is_none() -> None:
    lost = failed(single(failing(), at("03:00"), "L1", meter="M-l", clock="unknown"))
    assert [(lot.lot, lot.doubt, lot.unknown_clock) for lot in lost.lots if lot.meter == "M-l"] == [
        ("L1", "possible", 1)
    ]
    itself = failing()
    itself.reference = {**itself.reference, "meters": "meter,accuracy_percent,resolution,unit\nM2,0.5,0.01,MS/m\n"}
    assert {lot.doubt for lot in failed(itself).lots} == {"touched"}
    # without a window that ends, or begins, all after it, or before it, are inside
    still_open = Scenario(lots=LOTS).check("09:00", 0.6)
    for clock, lot in (("03:00", "L1"), ("13:00", "L2")):
        single(still_open, at(clock), lot, meter="M-l")
    assert {lot.lot for lot in failed(still_open).lots} == {"L1", "L2"}


@pytest.mark.parametrize(
    ("kind", "value", "doubt"),
    [("calibration", 57.2, "touched"), ("calibration", 58.5, "covered"), ("calibration", 56.5, "covered"), ("signal", 57.2, "covered")],
)  # fmt: skip
def test_checks_cover_a_lot_unless_a_calibration_found_what_could_have_carried_it_over_its_limit(
    kind: str, value: float, doubt: str
) -> None:
    """One that lies beyond its limit anyway is rejected, whatever the meter did."""
    calibrations = (
        "meter,calibrated_on,condition,nominal,indicated,unit,tolerance\n"
        "M1,2026-02-01,as_left,58,58.0,MS/m,0.2\nM1,2026-03-23,as_found,58,58.45,MS/m,0.2\n"
    )
    scenario = Scenario(lots=LOTS, calibrations=calibrations if kind == "calibration" else REFERENCE["lots"][:0])
    for day in range(20):
        scenario.check("07:00", 0.01 * (day % 3 - 1), day=day)
    single(scenario.check("07:00", day=20), at("07:30", 20), "L1", value).check(
        "08:00", 0.15 if kind == "signal" else 0.0, day=20
    )
    event = only(events_of(scenario.assess("12:00", day=22), []), kind)
    (lot,) = (one for one in event.lots if one.lot == "L1")
    assert (lot.doubt, lot.support) == (doubt, "supported")
    assert lot.errors_to_limit is not None
    assert (lot.errors_to_limit < 1) == (value != 58.5)


def test_decisions_on_an_event_stand_once_in_order_of_time() -> None:
    fired = at("11:00:10").isoformat()
    name = failed(failing()).name
    both = [
        decision(2, at("16:00"), event=name, meter="M1", checks=[fired, fired], decision="second"),
        decision(1, at("15:00"), event=name, decision="first"),
    ]
    found = failed(failing(), *both)
    assert [said.decision for said in found.dispositions] == ["first", "second"]


def test_meters_and_lots_name_their_events_the_latest_first_and_each_once() -> None:
    scenario = failing().check("08:00", meter="M2").lot("13:10", lot="L2").check("13:30", 0.6).lot("13:40", lot="L2")
    found = scenario.check("13:50", 0.6).assess("14:00")
    assert [one.fired_at for one in found.meters["M1"].events] == [at("13:30:10"), at("11:00:10")]
    assert found.meters["M2"].events == ()
    links = {lot: [link.at for link in links] for lot, links in found.events_on_lots.items()}
    assert links == {"L2": [at("13:30:10"), at("11:00:10")], "L3": [at("11:00:10")]}
    (first, second) = found.events_on_lots["L2"]
    assert (second.kind, second.identifier, second.title) == (
        "event",
        found.found_events[0].name,
        found.found_events[0].title,
    )
    assert first.identifier == found.found_events[1].name
    assert [one.name for one in found.came_to_light["L2"][0].events] == [first.identifier, second.identifier]
