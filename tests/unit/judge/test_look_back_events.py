"""Look-back events: found with their window and lots, named the same each time, open until people closed them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
from look_back_story import LOTS, decision, events_of, failing, only
from scenario import Scenario, at

from pipeline.history.store import History
from pipeline.judge.assess import assess
from pipeline.judge.look_back.events import _beyond_tolerance
from pipeline.metrology.look_back import errors_to_limit
from pipeline.pages.events import event_pages
from pipeline.questions.trace import trace
from pipeline.workspace.settings import Settings, find_workspace

if TYPE_CHECKING:
    from workspace_files import Shell


NAME = "M1_20260302T110010Z_FAILED-CHECK"


def test_a_failed_check_looks_back_to_the_last_good_one() -> None:
    event = only(events_of(failing().assess("14:00"), []), "failed_check")
    assert (event.event, event.name, event.title) == ("M1/2026-03-02", NAME, "M1, failed check of 2 March")
    assert (event.state, event.disposed, event.meter_state) == ("open", False, "fit")
    assert (event.window_from, event.window_to) == (at("09:00:10"), at("11:30"))
    assert event.last_good_at == at("09:00:10")
    assert {lot.lot: lot.support for lot in event.lots} == {"L2": "suspect", "L3": "suspect"}
    assert event.undecided == ("L2", "L3")
    assert event.changes[0].change == pytest.approx(0.6)


def test_lots_are_ordered_by_what_can_still_be_stopped_then_by_distance() -> None:
    scenario = failing().lot("10:10", 57.9, 57.8, lot="L1")
    event = only(events_of(scenario.assess("14:00"), []), "failed_check")
    # L3 lies nearest to its limit, but it has left the site
    assert [lot.lot for lot in event.lots] == ["L1", "L2", "L3"]
    risks = {lot.lot: lot.errors_to_limit for lot in event.lots}
    assert risks["L3"] is not None
    assert risks["L1"] is not None
    assert risks["L2"] is not None
    assert risks["L3"] < risks["L1"] < risks["L2"]
    assert risks["L3"] < 1  # 57.3 is 0.3 above its limit, and the meter may have read 0.6 high
    assert [lot.shipped_on is not None for lot in event.lots] == [False, False, True]


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ({"change": 0.6, "expanded_uncertainty": 0.2}, min((57.3 - 57.0) / 0.8, (60.0 - 58.0) / 0.2)),
        ({"change": -0.6, "expanded_uncertainty": 0.2}, min((57.3 - 57.0) / 0.2, (60.0 - 58.0) / 0.8)),
        ({"change": 0.6, "expanded_uncertainty": None}, (57.3 - 57.0) / 0.6),
        ({"change": 0.0, "expanded_uncertainty": None}, None),
    ],
)
def test_distance_to_the_limit_in_units_of_the_error(given: dict[str, Any], expected: float | None) -> None:
    found = errors_to_limit(57.3, 58.0, lower=57.0, upper=60.0, **given)
    assert found == (None if expected is None else pytest.approx(expected))


def test_closed_when_signal_and_every_lot_have_a_decision() -> None:
    found = failing().assess("14:00")
    later = datetime(2026, 3, 2, 15, tzinfo=UTC)
    span = {"meter": "M1", "checks": [at("11:00:10").isoformat(), at("11:00:10").isoformat()]}
    signal = decision(1, later, event=NAME, **span)
    of_event, of_lot = decision(2, later, event=NAME, lot="L2"), decision(3, later, lot="L3")
    states = [
        only(events_of(found, chain), "failed_check") for chain in ([signal], [signal, of_event], [of_event, of_lot])
    ]
    assert [event.state for event in states] == ["open", "open", "open"]
    assert [event.undecided for event in states] == [("L2", "L3"), ("L3",), ()]
    closed = only(events_of(found, [signal, of_event, of_lot]), "failed_check")
    assert (closed.state, closed.disposed, closed.undecided) == ("closed", True, ())
    # support is what the checks say; a decision stands beside it
    assert {lot.support for lot in closed.lots} == {"suspect"}
    # nothing is deleted: a second decision stands beside the first
    twice = only(
        events_of(found, [signal, of_event, of_lot, decision(4, later, lot="L3", decision="rejected")]), "failed_check"
    )
    assert [len(lot.dispositions) for lot in twice.lots if lot.lot == "L3"] == [2]


def test_a_decision_of_before_or_on_another_event_settles_nothing() -> None:
    found = failing().assess("14:00")
    chain = [decision(1, at("10:30"), lot="L2"), decision(2, at("15:00"), lot="L3", event="M9_20260301T000000Z_SIGNAL")]
    assert only(events_of(found, chain), "failed_check").undecided == ("L2", "L3")


def test_a_lot_measured_again_with_support_is_settled() -> None:
    again = failing().lot("12:20", lot="L2")
    event = only(events_of(again.assess("14:00"), []), "failed_check")
    assert event.undecided == ("L3",)
    assert next(lot for lot in event.lots if lot.lot == "L2").measured_again_at == at("12:20:10")
    # by another meter it counts from the signal on, but only between checks that passed
    other = failing().check("11:40", meter="M2").lot("12:30", lot="L3", meter="M2")
    assert only(events_of(other.assess("12:45"), []), "failed_check").undecided == ("L2", "L3")
    other.check("13:30", meter="M2")
    assert only(events_of(other.assess("14:00"), []), "failed_check").undecided == ("L2",)


def test_a_check_that_passes_later_clears_the_meter_and_not_the_failure() -> None:
    scenario = Scenario(lots=LOTS).check("07:00").lot("07:30", lot="L1").check("08:00", 0.6)
    event = only(events_of(scenario.assess("08:30"), []), "failed_check")
    assert (event.meter_state, event.window_to) == ("suspended", None)
    # a re-check with neither a setting nor a reading between is part of the same run, which has failed
    scenario.check("08:30")
    event = only(events_of(scenario.assess("09:00"), []), "failed_check")
    assert (event.meter_state, event.window_to, event.state) == ("suspended", None, "open")
    # after a setting a run of its own passes: the meter is fit, the failure and its lot stay
    scenario.reading(at("09:00"), 58.0, role="setting", block="B1").check("09:10")
    event = only(events_of(scenario.assess("09:30"), []), "failed_check")
    assert (event.meter_state, event.window_to, event.state) == ("fit", at("09:10"), "open")
    assert event.undecided == ("L1",)


def test_events_keep_their_names_whatever_follows() -> None:
    scenario = failing()
    early = set(events_of(scenario.assess("11:10"), []))
    assert early
    assert early <= set(events_of(scenario.assess("14:00"), []))
    scenario.lot("13:30").check("14:00", -0.7)
    assert early < set(events_of(scenario.assess("15:00"), []))


def test_readings_with_an_unknown_clock_and_unregistered_meters_are_possibly_touched() -> None:
    scenario = failing().lot("03:00", lot="L4", clock="unknown").lot("10:20", lot="L1", meter="M-l")
    found = scenario.assess("14:00")
    event = only({n: e for n, e in events_of(found, []).items() if e.meter == "M1"}, "failed_check")
    assert {(lot.lot, lot.meter, lot.doubt) for lot in event.lots} == {
        ("L2", "M1", "touched"), ("L3", "M1", "touched"), ("L4", "M1", "touched"), ("L1", "M-l", "possible"),
    }  # fmt: skip
    assert sum(lot.unknown_clock for lot in event.lots) == 3
    assert any("unknown clock" in note for note in event.notes)
    assert any("reference/meters.csv" in note for note in event.notes)
    evening = scenario.assess("11:10")
    result = trace(evening, "M1", events=events_of(evening, []).values())
    assert result.possibly == ("L1",)
    assert result.events == ("M1/2026-03-02",)


def test_a_reject_leaves_supported_lots_covered_by_the_checks_around_them() -> None:
    scenario = Scenario(lots=LOTS)
    for day in range(-20, 1):  # on provisional limits no rule would reject
        scenario.check("07:00", 0.1 + 0.01 * (day % 3), day=day)
    for hour in range(8, 13):
        scenario.lot(f"{hour:02d}:00", lot="L1" if hour < 10 else "L2").check(f"{hour:02d}:30", 0.28)
    found = scenario.assess("13:00")
    event = only(events_of(found, []), "signal")
    assert "4-1s" in event.sentence
    assert {lot.doubt for lot in event.lots} == {"covered"}
    # its disposition is enough, and only as far as it went
    chain = [decision(1, at("12:45"), event=event.name, meter="M1", checks=[event.fired_at.isoformat()] * 2)]
    first = only(events_of(scenario.assess(f"{event.fired_at:%H:%M}:59"), chain), "signal")
    assert (first.disposed, first.state) == (True, "closed")
    assert only(events_of(found, chain), "signal").disposed is False


def test_a_check_that_came_too_late_is_an_event() -> None:
    scenario = Scenario(lots=LOTS).check("07:00").lot("07:30", lot="L1").lot("16:00", lot="L2").check("17:00")
    found = scenario.assess("18:00")
    event = only(events_of(found, []), "check_overdue")
    assert event.fired_at == at("07:00:10") + timedelta(hours=8)
    assert {lot.lot for lot in event.lots} == {"L1", "L2"}
    assert not event.disposed
    # one that is not due yet is none
    assert not events_of(Scenario(lots=LOTS).check("07:00").lot("07:30", lot="L1").assess("09:00"), [])


def test_what_is_read_later_in_the_gap_does_not_rename_an_overdue_check() -> None:
    scenario = Scenario(lots=LOTS).check("07:00").lot("07:30", lot="L1")
    first = only(events_of(scenario.assess("16:00"), []), "check_overdue")
    chain = [decision(1, at("16:10"), event=first.name, lot="L1")]
    later = only(events_of(scenario.lot("16:30", lot="L2").assess("23:00"), chain), "check_overdue")
    assert later.event == first.event
    # what was decided on the event still stands
    assert {lot.lot: lot.settled for lot in later.lots} == {"L1": True, "L2": False}


def test_the_run_before_an_overdue_check_is_shown_as_before(shell: Shell) -> None:
    shell.make(lots=LOTS)
    shell.load(shell.put("a.csv", Scenario().check("07:00").lot("07:30", lot="L1").check("23:00")))
    place = find_workspace(shell.root)
    with History.open(place.history) as history:
        found = assess(history, place.settings, as_of=None)
        (page,) = event_pages(place, found, history, history.sources())
    assert page.result.kind == "check_overdue"
    assert page.checks.select("part", "at").rows() == [("before", at("07:00:10")), ("after", at("23:00:10"))]
    assert page.provenance.files["readings"].to_list() == [9]


CALIBRATIONS = (
    "meter,calibrated_on,condition,nominal,indicated,unit,tolerance,expanded_uncertainty,coverage_factor,certificate,laboratory\n"
    "M1,2026-02-01,as_left,58,58.02,MS/m,0.2,0.1,2,K-1,an invented laboratory\n"
    "M1,2026-03-03,as_found,58,58.35,MS/m,0.2,0.1,2,K-2,an invented laboratory\n"
    "M1,2026-03-03,as_left,58,58.01,MS/m,0.2,0.1,2,K-2,an invented laboratory\n"
)


def test_an_as_found_failure_looks_back_to_the_last_good_calibration() -> None:
    scenario = Scenario(lots=LOTS, calibrations=CALIBRATIONS)
    scenario.check("07:00").lot("07:30", lot="L1").check("09:00").lot("09:30", lot="L2").check("07:00", day=3)
    event = only(events_of(scenario.assess("08:00", day=3), []), "calibration")
    assert (event.event, event.name) == ("M1/2026-03-03", "M1_20260303T000000Z_CALIBRATION")
    assert event.last_good_at == datetime(2026, 2, 1, tzinfo=UTC)
    assert event.changes[0].change == pytest.approx(0.33)
    # a run that passed stands on both sides of L1; the last word before L2 went out is the failure
    assert {lot.lot: lot.doubt for lot in event.lots} == {"L1": "covered", "L2": "touched"}
    # a lot that the deviation could carry beyond its limit is not covered by checks that did not see the deviation
    near = (
        Scenario(lots=LOTS, calibrations=CALIBRATIONS).check("07:00").lot("07:30", 57.1, 57.2, lot="L1").check("09:00")
    )
    near.check("07:00", day=3)
    lot = only(events_of(near.assess("08:00", day=3), []), "calibration").lots[0]
    assert (lot.lot, lot.doubt, lot.support) == ("L1", "touched", "supported")
    assert lot.errors_to_limit is not None
    assert lot.errors_to_limit < 1
    # support goes by checks on blocks alone
    assert scenario.assess("08:00", day=3).lots["L1"].support == "supported"
    chain = [decision(1, at("12:00", 4), event=event.name), decision(2, at("12:00", 4), lot="L2")]
    assert only(events_of(scenario.assess("08:00", day=3), chain), "calibration").state == "closed"


def test_what_came_back_good_starts_no_look_back() -> None:
    good = CALIBRATIONS.replace("58.35", "58.15")
    scenario = Scenario(lots=LOTS, calibrations=good).check("07:00").lot("07:30").check("08:00").check("07:00", day=3)
    assert not events_of(scenario.assess("08:00", day=3), [])
    # without a tolerance of its own a point is held against the tolerance of the site
    own = CALIBRATIONS.replace(",0.2,", ",,")
    scenario = Scenario(lots=LOTS, calibrations=own).check("07:00").check("07:00", day=3)
    wide = Settings(tolerance=0.7)
    assert not events_of(scenario.assess("08:00", day=3, settings=wide), [])
    assert len(events_of(scenario.assess("08:00", day=3), [])) == 1
    # one that lies ahead is not known yet
    assert not events_of(scenario.assess("08:00"), [])


def test_later_files_rewrite_no_page_of_a_closed_window_nor_of_other_blocks(shell: Shell) -> None:
    from pipeline.pages.blocks import block_pages

    def pages(given: Any, name: str) -> dict[str, tuple[str, datetime]]:
        shell.load(shell.put(name, given))
        place = find_workspace(shell.root)
        with History.open(place.history) as history:
            found = assess(history, place.settings, as_of=None)
            made = [
                *event_pages(place, found, history, history.sources()),
                *block_pages(place, found, history, history.sources()),
            ]
            return {p.link.identifier: (p.provenance.data_sha256, p.provenance.as_of) for p in made}

    shell.make(lots=LOTS + "L5,bar,copper,S,Q,\nL6,bar,copper,S,Q,\n")
    first = pages(failing(), "a.csv")
    later = (
        Scenario()
        .check("07:00", day=2, block="B2")
        .lot("07:30", day=2, lot="L5")
        .check("08:00", 3.0, day=2, block="B2")
    )
    second = pages(later, "b.csv")
    assert second[NAME] == first[NAME]
    assert second[NAME][1] == at("11:30:10")
    assert second["B1"] == first["B1"]
    # an open window goes on with time
    (open_one,) = second.keys() - first.keys()
    third = pages(Scenario().check("09:00", day=2, meter="M2").lot("09:30", day=2, lot="L6", meter="M2"), "c.csv")
    assert third[NAME] == first[NAME]
    assert third["B1"] != first["B1"]
    assert third[open_one][1] > second[open_one][1]


@pytest.mark.parametrize(
    ("deviation", "said"), [(0.24, "+0.24 %IACS"), (-0.1602, "-0.1602 %IACS"), (0.16001, "+0.16001 %IACS")]
)
def test_an_external_calibration_beyond_tolerance_does_not_read_as_on_it(deviation: float, said: str) -> None:
    told = _beyond_tolerance(nominal=31.0, unit="%IACS", deviation=deviation, tolerance=0.16)
    assert told == f"31 %IACS: {said} (tolerance ±0.16 %IACS)"
