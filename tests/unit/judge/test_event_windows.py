"""From when to when an event looks back, and what stands in between: each border just inside and just outside. Invented."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
from look_back_story import decision, events_of, failing, only
from scenario import REFERENCE, Scenario, at

from pipeline.workspace.settings import Settings

if TYPE_CHECKING:
    from pipeline.judge.found_events import Found
    from schemas.look_back import EventResult

NAMES = tuple(f"L{n}" for n in range(1, 9))
LOTS = "lot,product,material,specification,supplier\n" + "".join(f"{lot},bar,copper,S,Q\n" for lot in NAMES)


def single(scenario: Scenario, moment: datetime, lot: str, value: float = 58.5, **given: Any) -> Scenario:
    """Add one reading of one part at a moment."""
    return scenario.reading(moment, value, lot=lot, part="1", spot="1", **given)


def events(scenario: Scenario, kind: str, clock: str = "23:00", day: int = 0, **given: Any) -> list[Found]:
    found = scenario.assess(clock, day=day, settings=Settings(**given)).found_events
    return [event for event in found if event.kind == kind]


def lots(event: Found) -> set[str]:
    return set(event.touched["lot"].to_list())


# signals where nothing could be judged -------------------------------------------------------------------------------------


def unjudged(*, closed: bool = True) -> Scenario:
    """A block without a certificate, whose limits are frozen, read far off on the last day; nothing is judged by tolerance."""
    scenario = Scenario(lots=LOTS)
    for day in range(20):
        scenario.check("07:00", 0.01 * (day % 3), block="BX", day=day)
    scenario.check("07:00", 0.01, block="BX", day=20)
    single(scenario, at("07:00:10", 20), "L1")  # at the very end of the good run
    single(scenario, at("07:00:11", 20), "L2")
    scenario.check("08:00", 0.5, block="BX", day=20)
    single(scenario, at("08:30", 20), "L3")
    single(scenario, at("08:59:59", 20), "L4")
    single(scenario, at("09:00", 20), "L5")  # at the very begin of the next good one
    single(scenario, at("09:00", 20), "L6", meter="M2")
    single(scenario, at("03:00", 20), "L7", clock="unknown")
    if closed:
        scenario.check("09:00", 0.01, block="BX", day=20).check("12:00", 0.0, block="BX", day=20)
    return scenario


def test_where_no_run_could_be_judged_the_window_goes_by_time() -> None:
    (event,) = events(unjudged(), "signal", day=20)
    assert (event.window_from, event.window_to) == (at("07:00:10", 20), at("09:00", 20))
    assert lots(event) == {"L2", "L3", "L4", "L7"}
    assert (event.blocks, event.rules) == (("BX",), ("1-3s",))
    assert event.changes == ()  # without a certificate there is no bias
    (still_open,) = events(unjudged(closed=False), "signal", "08:59:59", day=20)
    assert (still_open.window_to, lots(still_open)) == (None, {"L2", "L3", "L4", "L7"})


def test_what_was_read_before_the_good_run_is_not_inside() -> None:
    scenario = single(Scenario(lots=LOTS), at("05:00", -1), "L8")
    for day in range(20):
        scenario.check("07:00", 0.01 * (day % 3), block="BX", day=day)
    scenario.check("08:00", 0.5, block="BX", day=20).check("08:20", 0.5, block="BX", day=20)
    (event,) = events(scenario, "signal", day=20)
    assert (lots(event), event.checks.height, event.sentence[:40]) == (
        set(),
        2,
        "The multi-rule scheme rejected 2 checks ",
    )


# what fired, and how far the meter moved -----------------------------------------------------------------------------------


def test_of_a_failed_run_only_the_checks_that_failed_fired() -> None:
    scenario = Scenario(lots=LOTS).check("07:00", 0.1).check("07:15", -0.1, block="B2")
    for clock, bias, block in (("00", 0.05, "B1"), ("15", -0.5, "B2"), ("30", -0.7, "B2"), ("45", 0.0, "BX")):
        scenario.check(f"10:{clock}", bias, block=block)
    (event,) = events(scenario, "failed_check", "11:00")
    assert (event.blocks, event.fired_at, event.last_at) == (("B2",), at("10:15:10"), at("10:30:10"))
    # of each block the check that went farthest from where the block stood in the last good run
    assert [(one.name, one.level, round(one.change, 9)) for one in event.changes] == [
        ("B1", 58.0, -0.05),
        ("B2", 50.0, -0.6),
    ]
    assert event.rules == ()


def test_the_last_check_of_the_good_run_is_where_the_meter_stood_and_nought_where_there_was_none() -> None:
    scenario = Scenario(lots=LOTS).check("07:00", 0.2).check("07:15", 0.1)
    scenario.check("10:00", 0.4).check("10:15", 0.5).check("10:30", 0.45).check("10:45", 0.4, block="B2")
    (event,) = events(scenario, "failed_check", "11:00")
    assert [(one.name, round(one.change, 9)) for one in event.changes] == [("B1", 0.4), ("B2", 0.4)]
    first_run = Scenario(lots=LOTS).check("10:00", 0.5, block="B2").check("10:15", -0.5).check("10:30", -0.4)
    (first,) = events(first_run, "failed_check", "11:00")
    assert [(one.name, round(one.change, 9)) for one in first.changes] == [("B1", -0.5), ("B2", 0.5)]
    assert first.sentence == "3 checks on B1, B2 failed."
    assert (first.last_good, first.window_from, first.around) == ("", None, (1,))


def frozen(*after: float, meter: str = "M1") -> Scenario:
    """Twenty checks that freeze the limits, then checks an hour apart with these biases, each after a lot."""
    scenario = Scenario(lots=LOTS)
    for day in range(20):
        scenario.check("07:00", 0.01 * (day % 3 - 1), day=day, meter=meter)
    for hour, bias in enumerate(after, start=8):
        single(scenario, at(f"{hour:02}:00", 20), f"L{hour - 7}", meter=meter)
        scenario.check(f"{hour:02}:30", bias, day=20, meter=meter)
    return scenario


def test_a_reject_within_tolerance_is_a_failure_only_where_the_site_says_so() -> None:
    scenario = frozen(0.0, 0.15, 0.0)
    assert [len(events(scenario, kind, day=20)) for kind in ("signal", "failed_check")] == [1, 0]
    (event,) = events(scenario, "failed_check", day=20, signals_make_suspect=True)
    assert (event.fired_at, event.rules, lots(event)) == (at("09:30:10", 20), ("1-3s",), {"L2", "L3"})
    assert events(scenario, "signal", day=20, signals_make_suspect=True) == []
    # beside a check that fails, one that is rejected is part of it only there
    both = single(frozen(0.0), at("09:00", 20), "L2").check("09:30", 0.15, day=20).check("09:45", 0.6, day=20)
    for suspect, count in ((False, 1), (True, 2)):
        (event,) = events(both, "failed_check", day=20, signals_make_suspect=suspect)
        assert (event.checks.height, event.sentence.startswith(f"{count} check")) == (count, True)


def test_an_event_looks_at_its_own_meter_alone() -> None:
    scenario = failing()
    for clock, bias in (("08:00", 0.0), ("10:55", 0.3), ("13:30", 0.0)):
        scenario.check(clock, bias, meter="M2")
    single(scenario, at("08:30"), "L1", meter="M2")
    single(scenario, at("11:05"), "L4", meter="M2")
    found = {event.meter: event for event in events(scenario, "failed_check")}
    assert {meter: (event.fired_at, lots(event)) for meter, event in found.items()} == {
        "M1": (at("11:00:10"), {"L2", "L3"}), "M2": (at("10:55:10"), {"L1", "L4"}),
    }  # fmt: skip


def test_a_failure_over_days_says_so_and_counts_what_failed() -> None:
    scenario = Scenario(lots=LOTS).check("07:00").check("10:00", 0.6).check("10:00", 0.6, day=2)
    (event,) = events(scenario, "failed_check", day=3)
    assert event.sentence == "2 checks on B1 failed from 2026-03-02 to 2026-03-04."
    (one,) = events(Scenario(lots=LOTS).check("23:30", 0.6), "failed_check", day=3, time_zone="Asia/Tokyo")
    assert one.sentence == "1 check on B1 failed."
    assert any("30 min" in note for note in events(scenario, "failed_check", day=3, run_gap_minutes=30.0)[0].notes)


@pytest.mark.parametrize(("clock", "day", "late"), [("23:59:59", 0, False), ("00:00", 1, True)])
def test_a_certificate_holds_to_the_end_of_its_day(clock: str, day: int, late: bool) -> None:
    blocks = (
        "block,material,certified_value,unit,expanded_uncertainty,coverage_factor,certificate,due_on\n"
        "B1,copper,58.0,MS/m,0.2,2,C-1,2026-03-02\nB2,copper,50.0,MS/m,0.2,2,C-2,2026-03-09\n"
    )
    scenario = Scenario(lots=LOTS, blocks=blocks).check("12:00", 0.6, block="B2", n=1).check(clock, 0.6, n=1, day=day)
    found = events(scenario, "failed_check", day=3)[-1]
    told = [note for note in found.notes if "overdue" in note]
    assert (len(told), all("B1" in note and "2026-03-02" in note for note in told)) == (late, True)
    both = Scenario(lots=LOTS, blocks=blocks).check("12:00", 0.6, block="B2", day=9).check("12:15", 0.6, day=9)
    (event,) = events(both, "failed_check", day=9)
    assert [note.split()[4] for note in event.notes if "overdue" in note] == ["B1", "B2"]


def test_around_an_event_stand_the_run_before_those_that_failed_and_the_one_after() -> None:
    for clock, around in (("23:00", ["09:00", "11:00", "11:30"]), ("11:10", ["09:00", "11:00"])):
        found = failing().assess(clock)
        began = dict(found.runs.select("run", "first_at").iter_rows())
        assert [f"{began[run]:%H:%M}" for run in found.found_events[0].around] == around


def test_the_note_speaks_of_the_run_that_passed_or_of_none() -> None:
    (closed,) = events(failing(), "failed_check")
    assert [("2026-03-02 11:30" in note, "No later run" in note) for note in closed.notes] == [(True, False)]
    (still,) = events(failing(), "failed_check", "11:10")
    assert [("passed at" in note, "No later run" in note) for note in still.notes] == [(False, True)]


def test_two_failures_of_one_second_have_names_of_their_own() -> None:
    scenario = Scenario(lots=LOTS)
    for micro, bias in ((0, 0.6), (200_000, 0.0), (400_000, 0.6)):
        scenario.reading(at("11:00") + timedelta(microseconds=micro), 58.0 + bias, role="block", block="B1")
        scenario.reading(at("11:00") + timedelta(microseconds=micro + 1), 58.0, role="setting", block="B1")
    found = events(scenario, "failed_check")
    assert [event.name for event in found] == ["M1_20260302T110000Z_FAILED-CHECK", "M1_20260302T110001Z_FAILED-CHECK"]


# checks that were overdue --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("last", "said"),
    [("15:00:10", "No check followed"), ("15:00:11", "after the next check was due")],
)
def test_a_check_is_due_at_the_interval_after_the_run_before(last: str, said: str) -> None:
    scenario = Scenario(lots=LOTS).check("07:00", 0.1)
    single(scenario, at("07:30"), "L1")
    single(single(scenario, at(last), "L2"), at("03:00"), "L5", clock="unknown").check("23:59", -0.1)
    (event,) = events(scenario, "check_overdue", "01:00", day=1)
    assert (event.fired_at, event.last_good_at, event.last_good) == (at("15:00:10"), at("07:00:10"), "run of checks")
    assert (event.window_from, event.window_to) == (at("07:00:10"), at("23:59"))
    assert said in event.sentence
    assert "Interval: 8 h" in event.sentence
    assert lots(event) == {"L1", "L2", "L5"}
    assert len(event.around) == 2
    assert [round(one.change, 9) for one in event.changes] == [-0.2]
    assert (event.checks.height, event.last_at) == (0, event.fired_at)


def test_parts_without_any_check_before_are_overdue_from_the_first_on() -> None:
    scenario = single(single(Scenario(lots=LOTS), at("08:00"), "L2"), at("07:30"), "L1").check("09:00")
    (event,) = events(scenario, "check_overdue")
    assert (event.fired_at, event.last_good, event.last_good_at, event.window_from) == (at("07:30"), "", None, None)
    assert (event.window_to, len(event.around), event.changes) == (at("09:00"), 1, ())
    assert "no check that could be judged" in event.sentence
    (alone,) = events(single(Scenario(lots=LOTS), at("08:00"), "L2"), "check_overdue")
    assert (alone.around, alone.window_to) == ((), None)
    # nothing tells that the meter moved, nor how sure its values are: no risk is stated
    assert [lot.errors_to_limit for one in scenario.assess().events.values() for lot in one.lots] == [None, None]


def test_unknown_clocks_alone_make_no_overdue_check() -> None:
    scenario = single(Scenario(lots=LOTS).check("07:00"), at("03:00"), "L5", clock="unknown").check("09:00")
    assert events(scenario, "check_overdue") == []
    assert events(single(scenario, at("11:00"), "L1", meter="M2"), "check_overdue")[0].touched["lot"].to_list() == [
        "L1"
    ]


# calibrations --------------------------------------------------------------------------------------------------------------

HEAD = "meter,calibrated_on,condition,nominal,indicated,unit,tolerance\n"


def calibrated(*rows: str, scenario: Scenario | None = None) -> list[Found]:
    """Return the events of calibrations given as `meter day condition indicated [nominal]`; the tolerance is 0.2 MS/m."""
    table = HEAD
    for row in rows:
        meter, day, condition, indicated, nominal = (*row.split(), "58")[:5]
        table += f"{meter},2026-{day},{condition},{nominal},{'' if indicated == '-' else indicated},MS/m,0.2\n"
    scenario = scenario or Scenario(lots=LOTS).check("07:00").check("07:00", meter="M2")
    scenario.reference = {**scenario.reference, "calibrations": table}
    return events(scenario, "calibration", day=9)


def summary(event: Found) -> tuple[Any, ...]:
    good = None if event.last_good_at is None else f"{event.last_good_at:%m-%d}"
    return f"{event.fired_at:%m-%d}", good, *(round(one.change, 6) for one in event.changes)


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        (["M1 02-01 as_left 58.02", "M1 03-03 as_found 58.35"], [("03-03", "02-01", 0.33)]),
        (["M1 02-01 as_left 58.02", "M1 03-03 as_found 57.65"], [("03-03", "02-01", -0.37)]),
        (["M1 02-01 as_left 58.02", "M1 03-03 as_found 58.2"], []),
        (["M1 02-01 as_left 58.02", "M1 03-03 as_found 58.2001"], [("03-03", "02-01", 0.1801)]),
        # nothing good stands before
        (["M1 03-03 as_found 58.35"], [("03-03", None, 0.35)]),
        (["M1 02-01 as_left 58.3", "M1 03-03 as_found 58.35"], [("03-03", None, 0.35)]),
        (["M2 02-01 as_left 58.02", "M1 03-03 as_found 58.35"], [("03-03", None, 0.35)]),
        (["M1 02-01 as_left -", "M1 03-03 as_found 58.35"], [("03-03", None, 0.35)]),
        # found good and left alone is as good as left good
        (["M1 02-01 as_found 58.02", "M1 03-03 as_found 58.35"], [("03-03", "02-01", 0.33)]),
        # what it was left at counts, not what it was found at
        (["M1 02-01 as_found 58.02", "M1 02-01 as_left 58.3", "M1 03-03 as_found 58.35"], [("03-03", None, 0.35)]),
        (["M1 02-01 as_found 58.4", "M1 02-01 as_left 58.1", "M1 03-03 as_found 58.35"],
         [("02-01", None, 0.4), ("03-03", "02-01", 0.25)]),
        # one left out of tolerance takes the good one before it not away
        (["M1 01-10 as_left 58.1", "M1 02-01 as_left 58.3", "M1 03-03 as_found 58.35"], [("03-03", "01-10", 0.25)]),
        # a point that was not read neither fails nor passes
        (["M1 02-01 as_left 58.02", "M1 03-03 as_found -"], []),
        (["M1 02-01 as_left 58.02", "M1 03-03 as_left 58.5"], []),
        # two levels: each from the nearest level of before
        (["M1 02-01 as_left 58.1", "M1 02-01 as_left 29.95 30", "M1 03-03 as_found 58.35", "M1 03-03 as_found 30.1 30"],
         [("03-03", "02-01", 0.15, 0.25)]),
        (["M1 02-01 as_left 58.1", "M1 02-01 as_left - 30", "M1 03-03 as_found 58.35", "M1 03-03 as_found 30.1 30"],
         [("03-03", None, 0.1, 0.35)]),
        (["M1 02-01 as_left 58.1", "M1 02-01 as_left 29.95 30", "M1 03-03 as_found 40.5 40", "M1 03-03 as_found - 58"],
         [("03-03", "02-01", 0.55)]),
    ],
)  # fmt: skip
def test_an_as_found_failure_looks_back_to_what_was_left_good(rows: list[str], expected: list[Any]) -> None:
    found = calibrated(*rows)
    assert [summary(event) for event in found] == expected
    assert {event.meter for event in found} <= {"M1"}
    for event in found:
        assert (event.last_good == "external calibration") == (event.last_good_at is not None)
        assert (event.window_from, event.window_to) == (event.last_good_at, event.fired_at + timedelta(days=1))
        assert any("No earlier good calibration" in note for note in event.notes) == (event.last_good_at is None)


def test_only_the_points_that_failed_are_told() -> None:
    (event,) = calibrated("M1 03-03 as_found 58.35", "M1 03-03 as_found 30.1 30", "M1 03-03 as_found - 45")
    assert "at 58 MS/m: +0.35 MS/m (tolerance ±0.2 MS/m)." in event.sentence
    assert [one.name for one in event.changes] == ["30 MS/m", "58 MS/m"]
    assert [one.level for one in event.changes] == [30.0, 58.0]


def test_the_window_of_a_calibration_is_from_the_good_one_to_the_end_of_its_day() -> None:
    scenario = Scenario(lots=LOTS)
    end = datetime(2026, 3, 4, tzinfo=UTC)
    begin = datetime(2026, 2, 28, tzinfo=UTC)
    second = timedelta(seconds=1)
    for lot, moment in (
        ("L1", begin - second),
        ("L2", begin),
        ("L3", begin + second),
        ("L4", end - second),
        ("L5", end),
    ):
        single(scenario, moment, lot)
        scenario.check(f"{moment + timedelta(hours=1):%H:%M}", day=(moment - at("00:00")).days)
    single(scenario, end - second, "L6", meter="M2")
    single(scenario, end, "L7", clock="unknown")
    rows = ("M1 02-28 as_left 58.0", "M1 03-03 as_found 58.35")
    (event,) = calibrated(*rows, scenario=scenario)
    assert lots(event) == {"L3", "L4", "L7"}
    (event,) = calibrated(rows[1], scenario=scenario)
    assert lots(event) == {"L1", "L2", "L3", "L4", "L7"}


def test_a_check_of_the_day_covers_what_was_read_before_it_and_one_of_the_next_day_nothing() -> None:
    row = "M1 03-03 as_found 58.35"

    def covered(*clocks: tuple[str, int, float]) -> Any:
        scenario = Scenario(lots=LOTS)
        for clock, day, bias in clocks:
            scenario.check(clock, bias, n=1, day=day)
        scenario.check("12:00", 0.0, day=1, meter="M2")
        (event,) = calibrated(row, scenario=scenario)
        assert any("passed before it" in note for note in event.notes) == (event.covered_until is not None)
        return event.covered_until

    assert covered(("07:00", 1, 0.0), ("23:59:59", 1, 0.0)) == at("23:59:59", 1)
    assert covered(("07:00", 1, 0.0), ("00:00", 2, 0.0)) == at("07:00", 1)
    assert covered(("07:00", 1, 0.0), ("10:00", 1, 0.6)) == at("07:00", 1)
    assert covered(("07:00", 1, 0.6)) is None
    assert covered(("00:00", 2, 0.0)) is None
    # a check that nothing certified can judge covers nothing
    unjudged_last = Scenario(lots=LOTS).check("07:00", n=1, day=1).check("10:00", block="BX", day=1)
    assert [event.covered_until for event in calibrated(row, scenario=unjudged_last)] == [at("07:00", 1)]


def test_lots_read_up_to_the_last_check_are_covered_and_those_after_it_touched() -> None:
    scenario = Scenario(lots=LOTS).check("07:00", day=1)
    for lot, clock in (
        ("L1", "08:00"),
        ("L6", "08:10"),
        ("L5", "09:00:10"),
    ):  # the last: at the very moment of the check
        single(scenario, at(clock, 1), lot)
    scenario.check("09:00", day=1)
    single(scenario, at("09:00:10", 1), "L2").check("10:00", 0.6, day=1)
    single(single(scenario, at("11:00", 1), "L3"), at("03:00", 1), "L4", clock="unknown")
    single(scenario, at("11:10", 1), "L6")  # of a lot that was read before and after it the worse counts
    calibrated("M1 03-03 as_found 58.35", scenario=scenario)
    event = only(events_of(scenario.assess(day=9), []), "calibration")
    assert {lot.lot: lot.doubt for lot in event.lots} == {
        "L1": "covered",
        "L2": "touched",
        "L3": "touched",
        "L4": "touched",
        "L5": "covered",
        "L6": "touched",
    }


# lots of an event: their values, their risk, their order --------------------------------------------------------------------


def failed(scenario: Scenario, *chain: Any, clock: str = "14:00", **given: Any) -> EventResult:
    return only(events_of(scenario.assess(clock, **given), chain), "failed_check")


@pytest.mark.parametrize(
    ("conforms_by", "low", "high"), [("spot", 57.4, 59.5), ("part", 57.6, 59.3), ("lot_mean", 58.45, 58.45)]
)
@pytest.mark.parametrize("bias", [0.6, -0.6])
def test_the_risk_is_of_what_the_limits_are_compared_with(
    conforms_by: str, low: float, high: float, bias: float
) -> None:
    text = f"specification,material,lower,upper,unit,conforms_by\nS,copper,57,60,MS/m,{conforms_by}\n"
    scenario = Scenario(specifications=text).check("09:00", 0.1)
    for part, pair in (("1", (57.4, 57.8)), ("2", (59.1, 59.5))):
        for spot, value in zip("12", pair, strict=True):
            for _ in range(2):
                scenario.reading(at(f"09:3{part}"), value, lot="L1", part=part, spot=spot, replicate=1)
    single(scenario, at("09:40"), "L2", 59.99)
    scenario.check("11:00", bias)
    event = failed(scenario, clock="11:30")
    u = scenario.assess("11:30").lots["L1"].expanded_uncertainty
    assert u is not None
    change = bias - 0.1
    wanted = min((low - 57) / (max(change, 0.0) + u), (60 - high) / (max(-change, 0.0) + u))
    risk = {lot.lot: lot.errors_to_limit for lot in event.lots}
    assert risk["L1"] == pytest.approx(wanted)
    assert [lot.lot for lot in event.lots] == sorted(risk, key=lambda lot: risk[lot] or 0.0)


def test_the_change_counts_of_the_block_nearest_to_the_lot() -> None:
    for value, change in ((58.5, 0.6), (50.5, 0.4), (54.1, 0.6), (53.9, 0.4)):
        text = REFERENCE["specifications"].replace("57,60", "40,60")
        scenario = Scenario(specifications=text).check("09:00").check("09:05", block="B2")
        single(scenario, at("09:30"), "L1", value).check("11:00", 0.6).check("11:05", 0.4, block="B2")
        u = scenario.assess("11:30").lots["L1"].expanded_uncertainty
        assert u is not None
        event = failed(scenario, clock="11:30")
        assert [round(one.change, 9) for one in event.changes] == [0.6, 0.4]
        assert event.lots[0].errors_to_limit == pytest.approx(min((value - 40) / (change + u), (60 - value) / u))


@pytest.mark.parametrize(
    ("shipped", "at_clock", "gone"),
    [("2026-03-02", ("23:59", 0), True), ("2026-03-03", ("23:59", 0), False), ("2026-03-03", ("00:00", 1), True)],
)
def test_a_lot_has_left_the_site_from_that_day_on(shipped: str, at_clock: tuple[str, int], gone: bool) -> None:
    table = f"lot,product,material,specification,supplier,shipped_on\nL1,bar,copper,S,Q,{shipped}\nL2,bar,copper,S,Q,\n"
    scenario = (
        Scenario(lots=table).check("09:00").lot("09:30", 57.1, lot="L1").lot("09:40", lot="L2").check("11:00", 0.6)
    )
    event = failed(scenario, clock=at_clock[0], day=at_clock[1])
    assert {lot.lot: lot.shipped_on is not None for lot in event.lots} == {"L1": gone, "L2": False}
    assert [lot.lot for lot in event.lots] == (["L2", "L1"] if gone else ["L1", "L2"])


def test_lots_stand_in_order_of_decision_doubt_departure_and_risk() -> None:
    scenario = failing().lot("10:20", lot="L1", meter="M-l")
    chain = [decision(1, at("15:00"), lot="L2")]
    assert [lot.lot for lot in failed(scenario).lots] == ["L2", "L3", "L1"]
    assert [lot.lot for lot in failed(scenario, *chain).lots] == ["L3", "L1", "L2"]
    without = REFERENCE["lots"].replace("L2,bar,copper,S,Q", "L2,bar,copper,,Q")
    limitless = Scenario(lots=without).check("09:00").lot("09:30", lot="L2").lot("09:40", lot="L1").check("11:00", 0.6)
    assert [(lot.lot, lot.errors_to_limit is None) for lot in failed(limitless, clock="11:30").lots] == [
        ("L1", False),
        ("L2", True),
    ]


def test_readings_of_one_lot_on_both_sides_are_one_row_with_all_of_them() -> None:
    scenario = Scenario().check("07:00")
    single(scenario, at("08:00"), "L1").check("09:00", 0.6)
    single(scenario, at("09:30"), "L1", count=4, standard_deviation=0.1)
    single(scenario, at("03:00"), "L1", clock="unknown", count=2, standard_deviation=0.1).check("10:00")
    event = failed(scenario)
    (lot,) = event.lots
    assert (lot.readings, lot.first, lot.last, lot.unknown_clock) == (7, at("03:00"), at("09:30"), 2)
    assert (lot.meter, lot.doubt, lot.support, lot.verdict) == ("M1", "touched", "suspect", "hold")


WINDOW = [("09:00:10", False), ("09:00:11", True), ("11:29:59", True), ("11:30", False)]


@pytest.mark.parametrize(("clock", "inside"), WINDOW)
def test_a_meter_that_nobody_registered_counts_inside_the_window(clock: str, inside: bool) -> None:
    event = failed(single(failing(), at(clock), "L1", meter="M-l"))
    assert ("L1" in {lot.lot for lot in event.lots}) is inside
    assert any("reference/meters.csv" in note for note in event.notes) is inside
    known = single(failing(), at(clock), "L1", meter="M2").check("08:00", meter="M2").check("12:00", meter="M2")
    assert "L1" not in {lot.lot for lot in failed(known).lots}


def test_strangers_at_any_time_where_the_window_or_their_clock_has_no_bound() -> None:
    alone = Scenario(lots=LOTS).check("08:00", 0.6)
    for lot, clock in (("L1", "00:01"), ("L2", "22:00")):
        single(alone, at(clock), lot, meter="M-l")
    assert {lot.lot for lot in failed(alone, clock="23:00").lots} == {"L1", "L2"}
    lost = single(failing(), at("03:00"), "L1", meter="M-l", clock="unknown")
    assert {lot.lot: lot.doubt for lot in failed(lost).lots}["L1"] == "possible"
    # where no meter is registered, nobody is a stranger
    none = single(failing(), at("10:20"), "L1", meter="M-l")
    none.reference = {**none.reference, "meters": "meter,accuracy_percent\n"}
    assert "L1" not in {lot.lot for lot in failed(none).lots}
    # nor is the meter itself, where another one is registered
    other = failing()
    other.reference = {**other.reference, "meters": "meter,accuracy_percent\nM2,0.5\n"}
    assert {lot.lot: lot.doubt for lot in failed(other).lots} == {"L2": "touched", "L3": "touched"}


def test_what_is_said_of_an_event_is_said_of_its_meter_and_lots() -> None:
    scenario = failing().check("13:30", 0.7)
    found = scenario.assess("14:00")
    names = list(found.events)
    assert [found.events[name].fired_at for name in names] == [at("11:00:10"), at("13:30:10")]
    # the latest first
    assert [event.name for event in found.meters["M1"].events] == names[::-1]
    assert {lot: [link.identifier for link in links] for lot, links in found.events_on_lots.items()} == {
        "L2": names[:1], "L3": names[:1], "L4": names[1:],
    }  # fmt: skip
    event = found.events[names[0]]
    assert (event.meter_state, event.unit, event.as_of, event.kind) == (
        "suspended",
        "MS/m",
        at("14:00"),
        "failed_check",
    )
    assert (event.blocks, event.rules, event.last_good) == (("B1",), (), "run of checks")
    assert events_of(found, []) == dict(found.events)


def test_what_was_decided_is_told_in_order_of_time_and_once() -> None:
    name = failed(failing()).name
    fired = at("11:00:10").isoformat()
    span = {"event": name, "meter": "M1", "checks": [fired, fired]}
    late, early = decision(2, at("16:00"), **span), decision(1, at("15:00"), **span)
    assert [said.at for said in failed(failing(), late, early, early).dispositions] == [at("15:00"), at("16:00")]
    # what is no disposition, or is one of something else, says nothing here
    from dataclasses import replace

    other = replace(early, kind="action")
    assert failed(failing(), other).dispositions == ()
    assert (
        failed(failing(), decision(1, at("15:00"), event="M2_X", meter="M2", checks=[fired, fired])).dispositions == ()
    )
