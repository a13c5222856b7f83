"""The look-back of a temperature sensor lists what was read with it in its window, and nothing else. Invented."""

from __future__ import annotations

import pytest
from scenario import Scenario, at

from pipeline.errors import UsageError
from pipeline.steps.trace_sensor import trace_sensor

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


def test_a_sensor_that_nobody_knows_is_refused() -> None:
    with pytest.raises(UsageError, match="Known sensors: T1, T2"):
        trace_sensor(history("").assess("12:00", day=4), "T9")
