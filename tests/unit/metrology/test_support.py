"""Support of lots on frames alone: each rule just inside and just outside its boundary, and which one decides."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import polars as pl
import pytest
from polars.testing import assert_frame_equal
from sample_streams import PARTS, at, parts, runs

from pipeline.metrology.support import BRACKET_COLUMNS, SUPPORT_ORDER, brackets_of, grown_old, support_of_lots

EIGHT_HOURS = timedelta(hours=8)
LATE = at(10_000)

SUPPORTED = ("supported", "checks that passed stand before and after")
OPEN = ("open", "the closing check is missing")
BEFORE, AFTER = {"at": 0, "parts_before": 0}, {"at": 120, "parts_before": 2}
TWICE = "is stated differently by two exports; a person must decide which one holds (annealog record exclusion)"
OLD = "the last check before the readings is more than 8 h older than the last of them"
LATE_CHECK = "the first check came more than 8 h after the first of the readings"


@pytest.mark.parametrize(
    ("given", "as_of", "expected"),
    [
        ([BEFORE, AFTER], LATE, SUPPORTED),
        # a run before ends at 08:01, the last reading is taken at 09:10
        ([{**BEFORE, "last_at": at(70) - EIGHT_HOURS}, AFTER], LATE, SUPPORTED),
        ([{**BEFORE, "last_at": at(70, -1) - EIGHT_HOURS}, AFTER], LATE, ("unsupported", OLD)),
        # a run after begins so long after the first reading, at 09:00
        ([BEFORE, {**AFTER, "at": at(60) + EIGHT_HOURS}], LATE, SUPPORTED),
        ([BEFORE, {**AFTER, "at": at(60, 1) + EIGHT_HOURS}], LATE, ("unsupported", LATE_CHECK)),
        ([BEFORE], at(60) + EIGHT_HOURS, OPEN),
        ([BEFORE], at(60, 1) + EIGHT_HOURS, ("unsupported", "no check came within 8 h after the readings")),
        ([AFTER], LATE, ("unsupported", "no check stands before the readings")),
        ([], LATE, ("unsupported", "no check stands before the readings")),
        ([{**BEFORE, "passed": False}, AFTER], LATE, ("suspect", "the last check before the readings failed")),
        ([BEFORE, {**AFTER, "passed": False}], LATE, ("suspect", "the first check after the readings failed")),
        ([{**BEFORE, "passed": False, "conflicts": 1}, AFTER], LATE, ("suspect", f"the last check before the readings {TWICE}")),
        ([BEFORE, {**AFTER, "passed": False, "conflicts": 1}], LATE, ("suspect", f"the first check after the readings {TWICE}")),
        # a failure weighs more than an interval that was not kept, and than a check that is missing
        ([{**BEFORE, "at": at(0) - EIGHT_HOURS}, {**AFTER, "passed": False}], LATE, ("suspect", "the first check after the readings failed")),
        ([{**AFTER, "passed": False}], LATE, ("suspect", "the first check after the readings failed")),
        ([{**BEFORE, "passed": False}], at(80), ("suspect", "the last check before the readings failed")),
        # what could not be judged brackets nothing
        ([BEFORE, {**AFTER, "passed": None}], at(150), OPEN),
        ([{**BEFORE, "passed": None}, AFTER], LATE, ("unsupported", "no check stands before the readings")),
        ([{**BEFORE, "passed": False}, {"at": 30, "parts_before": 0}, {"at": 40, "parts_before": 0, "passed": None}, AFTER], LATE, SUPPORTED),
    ],
)  # fmt: skip
def test_support_of_a_bracket_on_both_sides_of_each_boundary(
    given: list[dict[str, Any]], as_of: Any, expected: tuple[str, str]
) -> None:
    two = parts({"at": 60, "parts_before": 1}, {"at": 70, "parts_before": 2})
    (found,) = brackets_of(two, runs(*given), interval=EIGHT_HOURS, as_of=as_of).to_dicts()
    assert (found["support"], found["reason"]) == expected
    (lot,) = support_of_lots(pl.DataFrame([found], schema=BRACKET_COLUMNS)).to_dicts()
    assert lot == {"lot": "L1", "support": expected[0], "support_reasons": [f"M1: {expected[1]}"]}


@pytest.mark.parametrize(
    "later", [timedelta(), timedelta(microseconds=1), timedelta(minutes=10), timedelta(minutes=10, microseconds=1)]
)
def test_what_waited_is_what_it_would_be_if_asked_later(later: timedelta) -> None:
    """Two brackets wait, the second one ten minutes longer; what else stands does not move with time."""
    read = parts(
        {"at": 60, "parts_before": 1},
        {"at": 70, "parts_before": 1, "meter": "M2"},
        {"at": 70, "parts_before": 2, "meter": "M3"},
        {"at": 65, "clock": "unknown"},
    )
    told = runs(
        BEFORE,
        {**BEFORE, "meter": "M2"},
        {**BEFORE, "meter": "M3"},
        {**AFTER, "meter": "M3", "at": at(80), "passed": False},
    )
    earlier, now = (
        brackets_of(read, told, interval=EIGHT_HOURS, as_of=moment) for moment in (at(90), at(60) + EIGHT_HOURS + later)
    )
    assert (earlier["support"] == "open").sum() == 2
    assert_frame_equal(grown_old(earlier, interval=EIGHT_HOURS, as_of=at(60) + EIGHT_HOURS + later), now)
    still = {timedelta(): 2, timedelta(microseconds=1): 1, timedelta(minutes=10): 1}
    assert (now["support"] == "open").sum() == still.get(later, 0)


def test_readings_lie_between_the_runs_of_their_own_meter_by_place_also_at_one_minute() -> None:
    """A meter that exports to the minute: part, check, part in one minute; the order of the export decides."""
    read = parts(
        {"lot": "L2", "at": 5, "parts_before": 1, "meter": "M2"},
        {"at": 10, "parts_before": 1, "count": 3},
        {"at": 10, "parts_before": 2},
        {"lot": "L2", "at": 11, "parts_before": 3},
        {"at": 12, "parts_before": 4, "count": 2},
        {"at": 1, "clock": "unknown", "count": 4},
        {"at": 3, "clock": "unknown"},
    )
    told = runs(
        {"run": 4, "at": 20, "parts_before": 4, "passed": False},
        {"run": 3, "at": 10, "parts_before": 1},
        {"run": 2, "at": 10, "parts_before": 1, "passed": False},
        {"run": 1, "at": 0, "parts_before": 0},
        {"at": 4, "parts_before": 0, "meter": "M2"},
        {"at": 6, "parts_before": 1, "meter": "M2"},
    )
    found = brackets_of(read, told, interval=EIGHT_HOURS, as_of=LATE)
    assert found.schema == BRACKET_COLUMNS
    shown = ["lot", "meter", "first_at", "last_at", "readings", "unknown_clock", "before_run", "after_run", "support"]
    assert found.select(shown).rows() == [
        ("L1", "M1", at(10), at(10), 3, 0, 1, 2, "suspect"),
        ("L1", "M1", at(10), at(12), 3, 0, 3, 4, "suspect"),
        ("L1", "M1", at(1), at(3), 5, 5, None, None, "unsupported"),
        ("L2", "M1", at(11), at(11), 1, 0, 3, 4, "suspect"),
        ("L2", "M2", at(5), at(5), 1, 0, 5, 6, "supported"),
    ]
    times = ["before_at", "before_passed", "after_at", "after_passed"]
    assert found.select(times).rows() == [
        (at(1), True, at(10), False), (at(11), True, at(20), False), (None, None, None, None),
        (at(11), True, at(20), False), (at(5), True, at(6), True),
    ]  # fmt: skip
    assert found["reason"][2] == "the meter's clock was wrong, so no check can be said to stand before or after"


def test_nothing_but_a_wrong_clock_is_unsupported_and_nothing_read_is_no_bracket() -> None:
    asked: dict[str, Any] = {"interval": EIGHT_HOURS, "as_of": LATE}
    (wrong,) = brackets_of(parts({"at": 60, "clock": "unknown"}), runs(BEFORE, AFTER), **asked).to_dicts()
    assert (wrong["support"], wrong["readings"], wrong["unknown_clock"]) == ("unsupported", 1, 1)
    empty = brackets_of(pl.DataFrame(schema=PARTS), runs(BEFORE, AFTER), **asked)
    assert (empty.height, empty.schema) == (0, BRACKET_COLUMNS)


def test_the_worst_bracket_decides_a_lot_with_its_own_reasons_once_each_in_order() -> None:
    assert SUPPORT_ORDER == ("suspect", "unsupported", "open", "supported")
    usual: dict[str, Any] = dict.fromkeys(BRACKET_COLUMNS)
    told = [
        ("A", "M1", "supported", "well"), ("A", "M1", "open", "late"), ("A", "M2", "open", "late"), ("A", "M2", "open", "late"),
        ("A", "M2", "open", "later"), ("B", "M1", "unsupported", "none"), ("B", "M2", "suspect", "failed"), ("B", "M3", "open", "late"),
        *(("C", "M1", "unsupported", f"{n}") for n in range(90, 0, -1)), ("C", "M2", "open", "late"), ("D", "M1", "supported", "well"),
    ]  # fmt: skip
    brackets = pl.DataFrame(
        [{**usual, "lot": lot, "meter": meter, "support": support, "reason": why} for lot, meter, support, why in told],
        schema=BRACKET_COLUMNS,
    )
    assert support_of_lots(brackets).rows() == [
        ("A", "open", ["M1: late", "M2: late", "M2: later"]),
        ("B", "suspect", ["M2: failed"]),
        ("C", "unsupported", [f"M1: {n}" for n in range(90, 0, -1)]),
        ("D", "supported", ["M1: well"]),
    ]
