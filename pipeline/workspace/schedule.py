"""Times of day and month in the five fields of cron (POSIX.1-2017, crontab): minute, hour, day, month, weekday."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from cronsim import CronSim, CronSimError

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

__all__ = ["Schedule", "parse_schedule"]


@dataclass(frozen=True, slots=True)
class Schedule:
    """Five fields that were looked at."""

    text: str

    def next_after(self, moment: datetime, zone: ZoneInfo) -> datetime:
        """Return the first time of the schedule after a moment, in UTC.

        A time that a clock change leaves out comes at the moment of the change; one that it repeats comes once.
        """
        times = CronSim(self.text, moment.astimezone(zone))
        return next(at for at in times if at > moment).astimezone(UTC)


def parse_schedule(text: str) -> Schedule:
    """Read five fields of numbers, ranges (1-5), lists (1,15), steps (*/10) and names (MON).

    Parameters
    ----------
    text
        Such as ``0 6 * * 1-5``: at six o'clock from Monday to Friday.

    Raises
    ------
    ValueError
        Names the field and what was expected.
    """
    if len(text.split()) != 5:
        raise ValueError("expected five fields: minute, hour, day, month, weekday, such as '0 6 * * 1-5'.")
    try:
        CronSim(text, datetime(2000, 1, 1, tzinfo=UTC))
    except CronSimError as error:
        raise ValueError(
            f"{str(error).lower()} in {text!r}: expected numbers, ranges, lists or steps of minutes from 0 to 59, hours from 0 "
            "to 23, days from 1 to 31, months from 1 to 12 and weekdays from 0 to 7, and a day that some month has."
        ) from None
    return Schedule(text)
