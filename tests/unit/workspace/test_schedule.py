"""Schedules in five fields, held against the recurrence rules of another library."""

from __future__ import annotations

import random
import re
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from pipeline.errors import SettingsError
from pipeline.workspace.schedule import parse_schedule
from pipeline.workspace.settings import read_settings


@pytest.mark.parametrize(
    ("text", "after", "expected"),
    [
        ("0 6 1 * *", "2026-03-01T06:00", "2026-04-01T06:00"),
        ("0 6 1 * *", "2026-12-31T23:59", "2027-01-01T06:00"),
        ("*/30 * * * *", "2026-03-02T10:00", "2026-03-02T10:30"),
        ("15,45 8-9 * * 1-5", "2026-03-06T09:45", "2026-03-09T08:15"),
        # both days restricted: either is enough (POSIX.1-2017, crontab, "Note that this means that either ... match")
        ("0 0 13 * 5", "2026-03-01T00:00", "2026-03-06T00:00"),
        ("0 0 29 2 *", "2026-03-01T00:00", "2028-02-29T00:00"),
        ("0 0 * * 7", "2026-03-02T00:00", "2026-03-08T00:00"),
    ],
)
def test_next_time(text: str, after: str, expected: str) -> None:
    found = parse_schedule(text).next_after(datetime.fromisoformat(after).replace(tzinfo=UTC), ZoneInfo("UTC"))
    assert found == datetime.fromisoformat(expected).replace(tzinfo=UTC)


def test_in_the_zone_of_the_site_across_a_clock_change() -> None:
    oslo = ZoneInfo("Europe/Oslo")
    schedule = parse_schedule("30 2 * * *")
    before = datetime(2026, 3, 28, 12, tzinfo=UTC)
    skipped = schedule.next_after(before, oslo)  # 02:30 of 29 March does not exist there
    assert skipped == datetime(2026, 3, 29, 1, 0, tzinfo=UTC), "when the clock was put forward"
    autumn = schedule.next_after(datetime(2026, 10, 24, 12, tzinfo=UTC), oslo)
    assert autumn == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    for later in (autumn, datetime(2026, 10, 25, 1, 10, tzinfo=UTC)):  # the second is 02:10 for the second time
        assert schedule.next_after(later, oslo) == datetime(2026, 10, 26, 1, 30, tzinfo=UTC)


def test_agrees_with_the_recurrence_rules_of_another_library() -> None:
    """RFC 5545 rules by dateutil say `and` of all fields, as crontab does where only one of the two days is restricted."""
    from dateutil.rrule import FR, MINUTELY, MO, SA, SU, TH, TU, WE, rrule

    minutes = {"*": None, "0": [0], "*/7": list(range(0, 60, 7)), "5-50/9": list(range(5, 51, 9)), "3,33": [3, 33]}
    hours = {"*": None, "6": [6], "*/5": list(range(0, 24, 5)), "8-17": list(range(8, 18))}
    days = {"*": (None, None), "1": ([1], None), "10-20": (list(range(10, 21)), None)}
    months = {"*": None, "2": [2], "1-6": list(range(1, 7))}
    weekdays = {"*": None, "1-5": [MO, TU, WE, TH, FR], "0,6": [SU, SA]}
    chance = random.Random("schedules")
    for _ in range(100):
        minute, hour, day, month, weekday = (
            chance.choice(list(field)) for field in (minutes, hours, days, months, weekdays)
        )
        if day != "*":
            weekday = "*"
        start = datetime(
            2026, chance.randint(1, 12), chance.randint(1, 28), chance.randint(0, 23), chance.randint(0, 59), tzinfo=UTC
        )
        rule = rrule(
            MINUTELY, start, byminute=minutes[minute], byhour=hours[hour], bymonthday=days[day][0], bymonth=months[month],
            byweekday=weekdays[weekday],
        )  # fmt: skip
        text = f"{minute} {hour} {day} {month} {weekday}"
        assert parse_schedule(text).next_after(start, ZoneInfo("UTC")) == rule.after(start), text


@pytest.mark.parametrize(
    "text",
    [
        "",
        "* * * *",
        "60 * * * *",
        "* 24 * * *",
        "* * 0 * *",
        "5-1 * * * *",
        "*/0 * * * *",
        "x * * * *",
        "0 0 31 2 *",
        "0 0 6 1 * *",
    ],
)
def test_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"expected"):
        parse_schedule(text)
    with pytest.raises(SettingsError, match=re.escape("watch_review_at")):
        read_settings(f'watch_review_at = "{text}"')


def test_only_verifying_may_be_left_out() -> None:
    assert read_settings('watch_verify_at = ""').watch_verify_at == ""
    with pytest.raises(SettingsError, match=re.escape("watch_verify_at")):
        read_settings('watch_verify_at = "never"')
