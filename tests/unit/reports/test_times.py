"""The axis of time tells local time: before, in and after the night in which a clock changes.

When the clocks change: Directive 2000/84/EC for Berlin (last Sunday of March and of October, 01:00 UTC), 15 USC 260a for Denver
(second Sunday of March, first of November, 02:00 local time); the moments below are worked out from these by hand.
"""

from __future__ import annotations

import itertools
import json
import re
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.kit.charts import Plot, svg
from reports.kit.numbers import Clock
from reports.kit.times import TimeAxis, time_axis

BERLIN, DENVER, OSLO = Clock("Europe/Berlin"), Clock("America/Denver"), Clock("Europe/Oslo")
HOUR, DAY = 3_600_000, 86_400_000


def at(written: str) -> datetime:
    return datetime.fromisoformat(written).replace(tzinfo=UTC)


def hours(clock: Clock, first: str, last: str) -> list[tuple[str, str]]:
    """Return ticks an hour apart as UTC and as they are written."""
    axis = time_axis([at(first), at(last)], clock)
    ends = axis.place(at(first)), axis.place(at(last))
    return [
        (f"{datetime.fromtimestamp(place / 1000, UTC):%H:%M}", name)
        for place, name in axis.ticks(*ends, most=round((ends[1] - ends[0]) / HOUR))
    ]


@pytest.mark.parametrize(
    ("clock", "first", "last", "expected", "title"),
    [
        # 02:00 becomes 03:00
        (BERLIN, "2026-03-28T23:30", "2026-03-29T02:30", [("00:00", "01:00"), ("01:00", "03:00"), ("02:00", "04:00")],
         "Time on 2026-03-29 (UTC+01:00, from 03:00 on UTC+02:00, Europe/Berlin)"),
        # 03:00 becomes 02:00: the hour comes twice
        (BERLIN, "2026-10-24T22:30", "2026-10-25T02:30",
         [("23:00", "01:00"), ("00:00", "02:00"), ("01:00", "02:00"), ("02:00", "03:00")],
         "Time on 2026-10-25 (UTC+02:00, from 02:00 on UTC+01:00, Europe/Berlin)"),
        (DENVER, "2026-03-08T07:30", "2026-03-08T10:30", [("08:00", "01:00"), ("09:00", "03:00"), ("10:00", "04:00")],
         "Time on 2026-03-08 (UTC−07:00, from 03:00 on UTC−06:00, America/Denver)"),
        (DENVER, "2026-11-01T06:30", "2026-11-01T09:30", [("07:00", "01:00"), ("08:00", "01:00"), ("09:00", "02:00")],
         "Time on 2026-11-01 (UTC−06:00, from 01:00 on UTC−07:00, America/Denver)"),
    ],
)  # fmt: skip
def test_ticks_are_what_the_clock_on_the_wall_says(
    clock: Clock, first: str, last: str, expected: list[tuple[str, str]], title: str
) -> None:
    assert hours(clock, first, last) == expected
    assert time_axis([at(first), at(last)], clock).title == title


def test_days_begin_at_local_midnight_on_both_sides_of_a_change() -> None:
    first, last = at("2026-03-26T12:00"), at("2026-04-01T12:00")
    axis = time_axis([first, last], BERLIN)
    ticks = axis.ticks(axis.place(first), axis.place(last), most=6)
    assert [name for _, name in ticks] == [f"2026-03-{day}" for day in (27, 28, 29, 30, 31)] + ["2026-04-01"]
    utc = [f"{datetime.fromtimestamp(place / 1000, UTC):%H:%M}" for place, _ in ticks]
    assert utc == ["23:00"] * 3 + ["22:00"] * 3
    # the night of the change is an hour shorter, and drawn so
    assert [round((b[0] - a[0]) / HOUR) for a, b in itertools.pairwise(ticks)] == [24, 24, 23, 24, 24]


def test_an_axis_without_a_change_names_one_offset_and_one_with_many_the_zone() -> None:
    morning = at("2026-03-02T07:00")
    axis = time_axis([morning, morning + timedelta(hours=2)], OSLO)
    assert (axis.written, axis.title) == ("%H:%M", "Time on 2026-03-02 (UTC+01:00, Europe/Oslo)")
    month = time_axis([morning, morning + timedelta(days=30)], OSLO)
    assert (month.written, month.title) == (
        "%Y-%m-%d", "Time (UTC+01:00, from 2026-03-29 03:00 on UTC+02:00, Europe/Oslo)",
    )  # fmt: skip
    assert time_axis([morning, morning + timedelta(days=390)], OSLO).title == "Time (local time, Europe/Oslo)"
    assert time_axis([morning], Clock("UTC")).title == "Time on 2026-03-02 (UTC)"
    assert time_axis([morning, morning + timedelta(days=900)], OSLO).written == "%Y-%m"


def test_the_second_before_a_change_has_the_old_offset_and_the_next_one_the_new() -> None:
    change = at("2026-10-25T01:00")
    axis = time_axis([change], BERLIN)
    inside = axis.stretches(axis.place(change) - 1000, axis.place(change) + 1000)
    assert [(start - axis.place(change), offset // HOUR) for start, _, offset in inside] == [(-1000, 2), (0, 1)]
    assert len(axis.stretches(axis.place(change), axis.place(change) + DAY)) == 1
    assert len(axis.stretches(axis.place(change) - DAY, axis.place(change) - 1)) == 1


def test_a_chart_tells_its_script_what_the_clock_does() -> None:
    first, last = at("2026-10-24T22:30"), at("2026-10-25T02:30")
    axis = time_axis([first, last], BERLIN)
    plot = Plot((axis.place(first), axis.place(last)), (0.0, 1.0), axis.title, "MS/m", x_time=axis)
    plot.point(axis.place(first), 0.5, "plain")
    data = json.loads(re.findall(r"<script[^>]*>(.*?)</script>", svg(plot, ""))[0])
    assert data["timed"] == [
        [axis.place(first), 2 * HOUR, "UTC+02:00"], [axis.place(at("2026-10-25T01:00")), HOUR, "UTC+01:00"],
    ]  # fmt: skip


@given(st.floats(0, 4e12).map(round), st.floats(1e3, 4e12), st.integers(3, 12), st.sampled_from([BERLIN, DENVER]))
def test_ticks_are_few_within_the_axis_and_read_as_local_time(low: float, span: float, most: int, clock: Clock) -> None:
    axis = TimeAxis(clock, "%Y-%m-%d %H:%M", "")
    ticks = axis.ticks(low, low + span, most)
    assert len(ticks) <= most + 3  # an hour that comes twice adds up to two
    assert [place for place, _ in ticks] == sorted({place for place, _ in ticks})
    for place, name in ticks:
        assert low <= place <= low + span
        assert clock.minute(datetime.fromtimestamp(place / 1000, UTC)) == name


def test_ticks_of_time_are_round() -> None:
    start = at("2026-03-02T07:50").timestamp() * 1000
    clock = Clock("UTC")
    said = [name for _, name in TimeAxis(clock, "%H:%M", "").ticks(start, start + 2 * HOUR, 6)]
    assert said == ["08:00", "08:30", "09:00", "09:30"]
    said = [name for _, name in TimeAxis(clock, "%m-%d", "").ticks(start, start + 200 * DAY, 6)]
    assert said == ["04-01", "05-01", "06-01", "07-01", "08-01", "09-01"]
