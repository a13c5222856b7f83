"""A day on the command line is a whole day of the site's zone, its first and its last moment in it, also where the clock changes."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import pytest
from scenario import Scenario
from workspace_files import neutral_csv

from pipeline.cli.options import moment
from pipeline.errors import UsageError
from pipeline.workspace.settings import Settings, Workspace

if TYPE_CHECKING:
    from pathlib import Path

    from workspace_files import Shell

WHY = ("--by", "Ada", "--why", "tried")

# day, zone, hours of that day: clocks set forward and back at night, at midnight, and not at all
DAYS = [
    ("2026-03-29", "Europe/Oslo", 23), ("2026-10-25", "Europe/Oslo", 25), ("2026-06-01", "Europe/Oslo", 24),
    ("2026-04-04", "America/Santiago", 25), ("2026-09-06", "America/Santiago", 23), ("2026-11-01", "America/Havana", 25),
    ("2026-03-08", "America/Havana", 23), ("2026-03-08", "America/New_York", 23), ("2026-05-01", "Asia/Kolkata", 24),
]  # fmt: skip


@pytest.mark.parametrize(("day", "zone", "hours"), DAYS)
def test_first_and_last_moment_of_a_day(tmp_path: Path, day: str, zone: str, hours: int) -> None:
    place = Workspace(tmp_path, Settings(time_zone=zone))
    start, end = moment(day, place, first=True), moment(day, place)
    assert start is not None
    assert end is not None
    assert end - start == timedelta(hours=hours) - timedelta(microseconds=1)
    local = ZoneInfo(zone)
    tick = timedelta(microseconds=1)
    assert {start.astimezone(local).date().isoformat(), end.astimezone(local).date().isoformat()} == {day}
    assert (start - tick).astimezone(local).date().isoformat() != day
    assert (end + tick).astimezone(local).date().isoformat() != day


def test_what_is_no_day_is_taken_as_it_stands(tmp_path: Path) -> None:
    place = Workspace(tmp_path, Settings(time_zone="Europe/Oslo"))
    for text in (
        "2026-03-29T12:00",
        "2026-03-29 12:00",
        "2026-03-29T12:00:00",
        "2026-03-29T10:00Z",
        "2026-03-29T10:00:00.0+00:00",
    ):
        for first in (False, True):
            assert moment(text, place, first=first) == datetime(2026, 3, 29, 10, tzinfo=UTC)
    for text in (
        "20260329",
        "2026-088",
        "2026-W13-7",
        "2026-03-29T12",
        "2026-03-29T12:00.5",
        "29.03.2026",
        "2026-3-29",
        "",
    ):
        with pytest.raises(UsageError, match="is no time"):
            moment(text, place)


def test_both_days_of_a_window_are_in_it(shell: Shell) -> None:
    """Oslo, 29 March 2026: checks of one minute before, in and after the day of 23 hours."""
    shell.make()
    (shell.root / "annealog.toml").write_text(
        'time_zone = "Europe/Oslo"\ncheck_interval_hours = 900\n', encoding="utf-8"
    )
    # at UTC: 22:59 and 23:00 of the 28th are 23:59 and 00:00 in Oslo; 21:59 and 22:00 of the 29th are 23:59 and 00:00
    scenario = Scenario()
    for clock, day in (("22:59", 26), ("23:00", 26), ("12:00", 27), ("21:59", 27), ("22:00", 27)):
        scenario.check(clock, day=day, n=1)
    for name, clock, day in (("L1", "22:59:20", 26), ("L2", "21:59:20", 27), ("L3", "22:30", 27)):
        scenario.lot(clock, lot=name, day=day)
    lots = "lot,product,material,specification,supplier\n" + "".join(
        f"{name},bar,copper,S,Q\n" for name in ("L1", "L2", "L3")
    )
    (shell.root / "reference" / "lots.csv").write_text(lots, encoding="utf-8")
    shell.load(shell.put("1.csv", neutral_csv(scenario)))
    assert shell.code in (0, 4), shell.err

    def named(*window: str) -> int:
        shell("record", "baseline", "--meter", "M1", "--block", "B1", "--dry-run", *window, *WHY)
        assert shell.code in (0, 2), shell.err
        return sum(int(line.split()[0]) for line in shell.out.splitlines() if " checks: centre" in line)

    assert named("--from", "2026-03-29", "--to", "2026-03-29") == 3
    assert named("--from", "2026-03-28") == 5
    assert named("--from", "2026-03-29") == 4
    assert named("--to", "2026-03-29") == 4
    assert named("--from", "2026-03-29T00:00", "--to", "2026-03-29T23:59") == 3

    def traced(since: str) -> set[str]:
        return {lot["lot"] for lot in shell.json("trace", "--meter", "M1", "--since", since)["lots"]}

    assert traced("2026-03-28") == {"L1", "L2", "L3"}
    assert traced("2026-03-29") == {"L2", "L3"}
    assert traced("2026-03-30") == {"L3"}

    def packed(*window: str) -> set[str]:
        shell("export", str(shell.root / "pack.zip"), "--dry-run", *window)
        return {shell.out.split("Would pack ")[1].split(" lot")[0]}

    assert packed("--from", "2026-03-29", "--to", "2026-03-29") == {"1"}
    assert packed("--from", "2026-03-28", "--to", "2026-03-29") == {"2"}
    assert packed("--from", "2026-03-29", "--to", "2026-03-30") == {"2"}
    shell("record", "adjustment", "--meter", "M1", "--at", "2026-03-29", *WHY)
    assert shell.code == 2
    assert "2026-03-29T07:10" in shell.err
