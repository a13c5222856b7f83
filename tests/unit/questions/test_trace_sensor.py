"""The look-back of a temperature sensor lists what was read with it in its window, and nothing else. Invented."""

from __future__ import annotations

import pytest
from look_back_story import decision
from scenario import Scenario, at

from pipeline.errors import UsageError
from pipeline.questions.trace_sensor import known_sensors, trace_sensor
from pipeline.workspace.settings import Settings

# a check of a sensor that passes on the second morning, and one that fails on the fourth
GOOD, FAILED = "T1,2026-03-03T10:00:00Z,20,20.0,0.3\n", "T1,2026-03-05T10:00:00Z,20,21.0,0.3\n"


def history(checks: str) -> Scenario:
    """L1 before the good check, L2 at its very moment, L3 a day after it, L4 with another sensor."""
    scenario = Scenario(
        lots="lot,product,material,specification,supplier\n" + "".join(f"L{i},bar,copper,S,Q\n" for i in range(1, 5)),
        sensors="sensor,correction_c,expanded_uncertainty_c,coverage_factor\nT1,0,0.2,2\nT2,0,0.2,2\n",
        sensor_checks="sensor,checked_on,reference_c,reading_c,tolerance_c\n" + checks,
    )
    for day, clock, lot, sensor in (
        (1, "09:59", "L1", "T1"), (1, "10:00", "L2", "T1"), (2, "10:00", "L3", "T1"), (2, "11:00", "L4", "T2"),
    ):  # fmt: skip
        scenario.reading(at(clock, day), 58.5, lot=lot, part="1", spot="1", sensor=sensor)
    return scenario


def traced(checks: str, **given: object) -> list[str]:
    found = trace_sensor(history(checks).assess("12:00", day=4), "T1", **given)  # type: ignore[arg-type]
    return [one.lot for one in found.lots]


def test_the_window_begins_with_the_last_check_that_passed() -> None:
    assert traced(GOOD) == ["L2", "L3"]
    assert traced(GOOD + FAILED) == ["L2", "L3"]


def test_without_a_check_that_passed_everything_is_looked_at() -> None:
    assert traced(FAILED) == ["L1", "L2", "L3"]
    assert traced("") == ["L1", "L2", "L3"]


@pytest.mark.parametrize(("clock", "lots"), [("10:00", ["L3"]), ("10:01", [])])
def test_a_window_that_was_asked_for_begins_there(clock: str, lots: list[str]) -> None:
    assert traced(GOOD, since=at(clock, 2)) == lots
    found = trace_sensor(history(GOOD).assess("12:00", day=4), "T1", since=at(clock, 2))
    assert found.reasons[0] == f"Window from 2026-03-04 {clock} UTC, as asked."


def test_a_sensor_that_nobody_knows_is_refused() -> None:
    others = "".join(f"T{n},2026-03-03T10:00:00Z,20,20.0,0.3\n" for n in (7, 5, 3))
    with pytest.raises(UsageError, match=r"Known sensors: T1, T2, T3, T5, T7\."):
        trace_sensor(history(others).assess("12:00", day=4), "Z")


def test_of_a_lot_read_within_the_interval_and_beyond_it_the_doubt_counts_and_lots_stand_in_order_of_time() -> None:
    scenario = history(GOOD)
    for clock, day, lot in (("09:00", 4, "L3"), ("08:00", 4, "L1"), ("07:00", 3, "L4")):
        scenario.reading(at(clock, day), 58.5, lot=lot, part="9", spot="1", sensor="T1")
    found = trace_sensor(scenario.assess("12:00", day=4, settings=Settings(sensor_check_interval_days=2)), "T1")
    assert [(lot.lot, lot.readings, lot.first, lot.last) for lot in found.lots] == [
        ("L2", 1, at("10:00", 1), at("10:00", 1)), ("L3", 2, at("10:00", 2), at("09:00", 4)),
        ("L4", 1, at("07:00", 3), at("07:00", 3)), ("L1", 1, at("08:00", 4), at("08:00", 4)),
    ]  # fmt: skip
    doubts = {lot.lot: lot.doubt for lot in found.lots}
    assert (doubts["L2"], doubts["L4"]) == (None, None)
    assert doubts["L3"] == doubts["L1"] is not None


def test_known_are_the_sensors_of_tables_and_of_readings_of_parts() -> None:
    scenario = history("T7,2026-03-03T10:00:00Z,20,20.0,0.3\n").check("08:00", sensor="T8")
    scenario.reading(at("08:30"), 58.5, lot="L1", part="9", spot="1", sensor="T9")
    scenario.reading(at("08:40"), 58.5, lot="L1", part="10", spot="1")
    found = scenario.assess("12:00", day=4)
    assert known_sensors(found) == ["T1", "T2", "T7", "T9"]
    # asked for, each of them has an answer
    assert [len(trace_sensor(found, name).lots) for name in known_sensors(found)] == [3, 1, 0, 1]


@pytest.mark.parametrize(("clock", "known"), [("10:00", True), ("09:59:59", False)])
def test_a_check_counts_from_its_moment_on(clock: str, known: bool) -> None:
    found = trace_sensor(history(GOOD).assess(clock, day=1), "T1")
    assert (found.from_, found.last_check_passed) == ((at("10:00", 1), True) if known else (None, None))
    assert "that passed was on 2026-03-03" in found.reasons[0] if known else "ever passed" in found.reasons[0]


def test_a_check_that_failed_last_is_told_and_one_before_a_good_one_is_not() -> None:
    last = trace_sensor(history(GOOD + FAILED).assess("12:00", day=4), "T1")
    assert (last.last_check_passed, [check.passed for check in last.checks]) == (False, [True, False])
    assert [check.checked_on for check in last.checks] == [at("10:00", 1), at("10:00", 3)]
    assert any("2026-03-05 failed: +1 °C, tolerance 0.3 °C" in reason for reason in last.reasons)
    mended = trace_sensor(
        history(GOOD.replace("20,20.0", "20,21.0") + FAILED.replace("21.0", "20.0")).assess("12:00", day=4), "T1"
    )
    assert (mended.last_check_passed, mended.from_, mended.lots) == (True, at("10:00", 3), ())
    assert [word in " ".join(mended.reasons) for word in ("failed", "No lot was read")] == [False, True]


def test_what_is_left_out_or_has_no_certain_moment_is_not_listed_but_counted() -> None:
    scenario = history(GOOD)
    for clock, day, part in (("11:00", 2, "7"), ("11:10", 2, "8")):
        scenario.reading(at(clock, day), 58.5, lot="L3", part=part, spot="1", sensor="T1", clock="unknown")
    scenario.reading(at("11:20", 2), None, lot="L4", part="5", spot="1", sensor="T1", non_reading="OVR")  # type: ignore[arg-type]
    found = trace_sensor(scenario.assess("12:00", day=4), "T1")
    assert [(lot.lot, lot.readings) for lot in found.lots] == [("L2", 1), ("L3", 1)]
    assert any(reason.startswith("2 readings with an unknown clock") for reason in found.reasons)
    assert not any(
        "unknown clock" in reason for reason in trace_sensor(history(GOOD).assess("12:00", day=4), "T1").reasons
    )


def test_lots_are_told_with_first_last_verdict_and_last_disposition() -> None:
    scenario = history(GOOD).reading(at("12:00", 2), 58.5, lot="L3", part="2", spot="1", sensor="T1")
    words = ("seen", "held", "released")
    chain = [decision(n, at(f"13:0{n}", 2), lot="L3", decision=word) for n, word in enumerate(words, start=1)]
    found = trace_sensor(scenario.assess("12:00", day=4, events=chain), "T1").lots
    assert [(lot.lot, lot.readings, lot.first, lot.last) for lot in found] == [
        ("L2", 1, at("10:00", 1), at("10:00", 1)), ("L3", 2, at("10:00", 2), at("12:00", 2)),
    ]  # fmt: skip
    assert [(lot.verdict, lot.disposition) for lot in found] == [("hold", None), ("hold", "released (Ada: looked)")]
