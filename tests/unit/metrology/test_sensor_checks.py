"""Checks of temperature sensors, and which uses of a sensor they leave in doubt. Invented numbers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.metrology.sensor_checks import checks_of_sensors, doubt_of_sensors
from schemas.reference_tables import REFERENCE_TABLES

TIME = pl.Datetime("us", "UTC")


def day(number: float) -> datetime:
    return datetime(2026, 3, 1, tzinfo=UTC) + timedelta(days=number)


def table(name: str, *rows: dict[str, Any]) -> pl.DataFrame:
    times = {column: TIME for column in ("checked_on", "valid_from") if column in rows[0]}
    return REFERENCE_TABLES[name].complete(pl.DataFrame(rows, schema_overrides=times))


def point(
    reading_c: float, reference_c: float = 20.0, *, on: float = 1, sensor: str = "T", **more: float
) -> dict[str, Any]:
    return {"sensor": sensor, "checked_on": day(on), "reference_c": reference_c, "reading_c": reading_c, **more}


def judged(*points: dict[str, Any], sensors: pl.DataFrame | None = None, tolerance_c: float = 0.5) -> pl.DataFrame:
    known = REFERENCE_TABLES["sensors"].empty() if sensors is None else sensors
    return checks_of_sensors(table("sensor_checks", *points), known, tolerance_c=tolerance_c)


@pytest.mark.parametrize(
    ("reading", "passed"), [(20.3, True), (19.7, True), (20.300001, False), (19.699999, False), (20.9, False)]
)
def test_an_error_of_the_tolerance_itself_passes(reading: float, passed: bool) -> None:
    # 20.3 − 20 is a little more than 0.3 in binary arithmetic
    assert judged(point(reading), tolerance_c=0.3)["passed"].to_list() == [passed]


def test_a_point_is_judged_by_its_own_tolerance_and_the_worst_by_it_is_shown() -> None:
    found = judged(
        {**point(20.2), "tolerance_c": 0.1}, {**point(40.6, 40.0), "tolerance_c": 1.0}, {**point(59.9, 60.0), "tolerance_c": 1.0}
    ).row(0, named=True)  # fmt: skip
    assert (found["points"], found["passed"]) == (3, False)
    assert (found["error_c"], found["tolerance_c"]) == (pytest.approx(0.2), 0.1)
    below = judged(point(20.1), point(39.7, 40.0)).row(0, named=True)
    assert (below["error_c"], below["tolerance_c"], below["passed"]) == (pytest.approx(-0.3), 0.5, True)


def test_of_points_alike_the_coldest_is_shown_whatever_their_order_in_the_table() -> None:
    points = [point(30.25, 30.0), point(9.75, 10.0)]
    assert judged(*points)["error_c"].to_list() == judged(*points[::-1])["error_c"].to_list() == [-0.25]


def test_the_correction_that_held_on_that_day_is_added() -> None:
    sensors = table(
        "sensors",
        {"sensor": "T", "correction_c": -1.0, "valid_from": None},
        {"sensor": "T", "correction_c": 2.0, "valid_from": day(5)},
    )
    found = judged(point(21.0, on=4), point(21.0, on=5), sensors=sensors)
    assert found["error_c"].to_list() == [0.0, 3.0]
    # a sensor that is in no table is taken as it reads
    assert judged(point(21.0, sensor="other"), sensors=sensors)["error_c"].to_list() == [1.0]


def test_checks_stand_by_sensor_and_time() -> None:
    names = [f"T{number}" for number in range(30)]
    points = [point(20.0, on=on, sensor=name) for on in (3, 1, 2) for name in names[::-1]]
    found = judged(*points).select("sensor", "checked_on").rows()
    assert found == sorted(found)
    assert len(found) == 90


def doubts(uses: list[float], *checks: tuple[float, bool], interval_days: float | None = None) -> list[str | None]:
    """Doubts of uses on these days; a check is its day and whether it passed."""
    frame = judged(*(point(20.0 if good else 22.0, on=on) for on, good in checks))
    used = pl.DataFrame(
        {"sensor": "T", "measured_at": [day(on) for on in uses]}, schema_overrides={"measured_at": TIME}
    )
    interval = None if interval_days is None else timedelta(days=interval_days)
    return doubt_of_sensors(used, frame, interval=interval)["doubt"].to_list()


def test_a_failure_puts_in_doubt_what_lies_between_the_good_checks_around_it() -> None:
    checks = [(2.0, True), (6.0, False), (8.0, True), (9.0, True)]
    # a failure may have begun right after the good check, so what was read at its moment is in doubt, too
    assert doubts([1.0, 2.0, 2.1, 6.0, 7.9, 8.0, 8.5, 9.5], *checks) == [
        None, "failed", "failed", "failed", "failed", None, None, None
    ]  # fmt: skip
    # while no good check follows, everything after the last good one is in doubt
    assert doubts([1.0, 3.0, 50.0], *checks[:2]) == [None, "failed", "failed"]


def test_doubts_stay_with_their_uses_in_any_order() -> None:
    checks = [(2.0, True), (6.0, False), (8.0, True), (9.0, True), (20.0, False), (30.0, True)]
    uses = [1.0, 2.1, 6.5, 8.5, 9.0, 19.0, 25.0, 31.0] * 5
    one_by_one = [doubts([use], *checks)[0] for use in uses[:8]] * 5
    shuffled = np.random.default_rng(2).permutation(len(uses))
    assert doubts([uses[i] for i in shuffled], *checks) == [one_by_one[i] for i in shuffled]
    assert one_by_one[:8] == [None, "failed", "failed", None, "failed", "failed", "failed", None]


def test_a_sensor_that_failed_its_only_check_was_never_good() -> None:
    assert doubts([1.0, 9.0], (5.0, False)) == ["failed", "failed"]


@pytest.mark.parametrize(("on", "doubt"), [(12.0, None), (12.001, "missing"), (1.9, "missing")])
def test_a_good_check_is_missing_once_the_interval_has_passed(on: float, doubt: str | None) -> None:
    assert doubts([on], (2.0, True), interval_days=10.0) == [doubt]
    assert doubts([on], (2.0, True)) == [None]


def test_a_failure_goes_before_a_missing_check() -> None:
    assert doubts([30.0, 3.0], (2.0, True), (40.0, False), interval_days=10.0) == ["failed", "failed"]


def test_each_sensor_has_its_own_checks_and_uses_keep_their_order_and_columns() -> None:
    checks = judged(point(20.0, on=1, sensor="A"), point(22.0, on=4, sensor="A"), point(20.0, on=3, sensor="B"))
    used = pl.DataFrame(
        {"sensor": ["B", "A", "C", "A"], "measured_at": [day(5), day(5), day(5), day(2)], "line": [1, 2, 3, 4]},
        schema_overrides={"measured_at": TIME},
    )
    found = doubt_of_sensors(used, checks, interval=timedelta(days=30))
    assert found.select("sensor", "measured_at", "line").equals(used)
    assert found["doubt"].to_list() == [None, "failed", "missing", "failed"]
    assert found["good_on"].to_list() == [day(3), day(1), None, day(1)]
    assert found["failed_on"].to_list() == [None, day(4), None, day(4)]
    assert found["error_c"].to_list() == [None, 2.0, None, 2.0]
    assert found["tolerance_c"].to_list() == [None, 0.5, None, 0.5]
    assert set(found.columns) == {*used.columns, "good_on", "failed_on", "error_c", "tolerance_c", "doubt"}


def test_nothing_is_told_of_a_failure_that_leaves_no_doubt() -> None:
    checks = judged(point(22.0, on=4), point(20.0, on=6))
    used = pl.DataFrame({"sensor": ["T"], "measured_at": [day(7)]}, schema_overrides={"measured_at": TIME})
    row = doubt_of_sensors(used, checks, interval=None).row(0, named=True)
    assert (row["doubt"], row["failed_on"], row["error_c"], row["tolerance_c"]) == (None, None, None, None)
