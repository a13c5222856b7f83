"""Times of day and month in the five fields of cron (POSIX.1-2017, crontab): minute, hour, day, month, weekday."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

__all__ = ["Schedule", "parse_schedule"]

_FIELDS = (("minute", 0, 59), ("hour", 0, 23), ("day", 1, 31), ("month", 1, 12), ("weekday", 0, 7))


@dataclass(frozen=True, slots=True)
class Schedule:
    """The values that each field admits; weekdays count from Sunday as 0."""

    minutes: frozenset[int]
    hours: frozenset[int]
    days: frozenset[int]
    months: frozenset[int]
    weekdays: frozenset[int]
    either_day: bool
    """With both days restricted, one of them is enough, as crontab has it."""

    def fits(self, at: datetime) -> bool:
        """Whether a time of the wall clock, to the minute, is one of the schedule's."""
        return at.minute in self.minutes and at.hour in self.hours and self._fits_day(at)

    def _fits_day(self, at: datetime) -> bool:
        if at.month not in self.months:
            return False
        day, weekday = at.day in self.days, at.isoweekday() % 7 in self.weekdays
        return (day or weekday) if self.either_day else (day and weekday)

    def next_after(self, moment: datetime, zone: ZoneInfo) -> datetime | None:
        """Return the first time of the schedule after a moment, in UTC; None where there is none within five years.

        A time that a clock change leaves out comes at the moment of the change; one that it repeats comes once.
        """
        wall = moment.astimezone(zone).replace(tzinfo=None, second=0, microsecond=0) + timedelta(minutes=1)
        last = wall + timedelta(days=5 * 366)
        while wall < last:
            if not self._fits_day(wall):
                wall = (wall + timedelta(days=1)).replace(hour=0, minute=0)
            elif wall.hour not in self.hours:
                wall = (wall + timedelta(hours=1)).replace(minute=0)
            elif wall.minute not in self.minutes:
                wall += timedelta(minutes=1)
            else:
                found = wall.replace(tzinfo=zone).astimezone(UTC)
                if found > moment:
                    return found
                wall += timedelta(minutes=1)
        return None


def parse_schedule(text: str) -> Schedule:
    """Read five fields of numbers, ranges (1-5), lists (1,15) and steps (*/10).

    Parameters
    ----------
    text
        Such as ``0 6 * * 1-5``: at six o'clock from Monday to Friday.

    Raises
    ------
    ValueError
        Names the field and what was expected.
    """
    parts = text.split()
    if len(parts) != len(_FIELDS):
        raise ValueError("expected five fields: minute, hour, day, month, weekday, such as '0 6 * * 1-5'.")
    values = [_field(part, *field) for part, field in zip(parts, _FIELDS, strict=True)]
    weekdays = frozenset(day % 7 for day in values[4])
    either = not parts[2].startswith("*") and not parts[4].startswith("*")
    return Schedule(values[0], values[1], values[2], values[3], weekdays, either)


def _field(text: str, name: str, low: int, high: int) -> frozenset[int]:
    found: set[int] = set()
    for part in text.split(","):
        span, slash, step_text = part.partition("/")
        first, dash, last = span.partition("-")
        if (
            (slash and not step_text.isdecimal())
            or not (span == "*" or first.isdecimal())
            or (dash and not last.isdecimal())
        ):
            raise ValueError(f"{name} {part!r}: expected a number from {low} to {high}, a range, a list or a step.")
        step = int(step_text) if slash else 1
        start = low if span == "*" else int(first)
        end = high if span == "*" or (slash and not dash) else int(last) if dash else start
        if step < 1 or not low <= start <= end <= high:
            raise ValueError(f"{name} {part!r}: expected values from {low} to {high}, the lower one first.")
        found.update(range(start, end + 1, step))
    return frozenset(found)
