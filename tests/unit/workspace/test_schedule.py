"""Schedules in five fields, held against a general-purpose library's reading of the same texts."""

from __future__ import annotations

import asyncio
import random
import re
from concurrent.futures import ThreadPoolExecutor
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


def test_there_may_be_no_such_day() -> None:
    assert parse_schedule("0 0 31 2 *").next_after(datetime(2026, 1, 1, tzinfo=UTC), ZoneInfo("UTC")) is None


def test_in_the_zone_of_the_site_across_a_clock_change() -> None:
    oslo = ZoneInfo("Europe/Oslo")
    schedule = parse_schedule("30 2 * * *")
    before = datetime(2026, 3, 28, 12, tzinfo=UTC)
    skipped = schedule.next_after(before, oslo)  # 02:30 of 29 March does not exist there
    assert skipped == datetime(2026, 3, 29, 1, 30, tzinfo=UTC)
    autumn = schedule.next_after(datetime(2026, 10, 24, 12, tzinfo=UTC), oslo)
    assert autumn == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert autumn is not None
    assert schedule.next_after(autumn, oslo) == datetime(2026, 10, 26, 1, 30, tzinfo=UTC)


def test_agrees_with_the_scheduler_of_a_general_purpose_library() -> None:
    from prefect.server.schemas.schedules import CronSchedule

    chance = random.Random("schedules")
    for _ in range(200):
        fields = [
            chance.choice(["*", "0", "*/7", "5-50/9", "3,33"]),
            chance.choice(["*", "6", "*/5", "8-17"]),
            chance.choice(["*", "*", "1", "10-20"]),
            chance.choice(["*", "*", "2", "1-6"]),
            chance.choice(["*", "*", "1-5", "0,6"]),
        ]
        text = " ".join(fields)
        start = datetime(
            2026, chance.randint(1, 12), chance.randint(1, 28), chance.randint(0, 23), chance.randint(0, 59), tzinfo=UTC
        )
        # theirs may begin at the start itself, ours is later than it
        dates = CronSchedule(cron=text, timezone="UTC").get_dates(2, start)
        with ThreadPoolExecutor(1) as other:  # another test of this process may have left a loop running
            found = other.submit(asyncio.run, dates).result()
        theirs = next(moment for moment in found if moment > start)
        assert parse_schedule(text).next_after(start, ZoneInfo("UTC")) == theirs, text


@pytest.mark.parametrize(
    "text", ["", "* * * *", "60 * * * *", "* 24 * * *", "* * 0 * *", "5-1 * * * *", "*/0 * * * *", "x * * * *"]
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
