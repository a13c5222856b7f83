"""The axis of time of a chart: places are moments, ticks and words are the local time of the site, also through a change of clock."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from reports.kit.numbers import offset_in_words
from reports.words import general as words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.kit.numbers import Clock

__all__ = ["Stretch", "TimeAxis", "time_axis"]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MINUTE = 60_000
_STEPS = [_MINUTE * m for m in (1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720, 1440, 2880, 7 * 1440, 14 * 1440)]
_MONTHS = (1, 2, 3, 6, 12, 24, 60, 120, 240, 600, 1200)
_LOOK = timedelta(days=7)
"""No zone changes its clock twice within so many days."""

Stretch = tuple[float, float, int]
"""From when to when (milliseconds) local time is so many milliseconds ahead of UTC."""


@dataclass(frozen=True)
class TimeAxis:
    """How moments are placed and written.

    Parameters
    ----------
    clock
        The zone of the site.
    written
        Format of the ticks.
    title
        Names the zone, and what the clock does within the axis.
    """

    clock: Clock
    written: str
    title: str

    @staticmethod
    def place(at: datetime) -> float:
        """Return where a moment stands: the milliseconds since 1970, so that an hour is as long in every night."""
        return at.timestamp() * 1000.0

    def stretches(self, low: float, high: float) -> list[Stretch]:
        """Return the stretches of one offset each that make up the axis; one, but where the clock changes."""
        found: list[Stretch] = []
        start, at, end = low, _moment(low), _moment(high)
        offset = self.clock.offset(at)
        while at < end:
            ahead = min(at + _LOOK, end)
            if self.clock.offset(ahead) != offset:
                change = _change(self.clock, at, ahead)
                found.append((start, self.place(change), _milliseconds(offset)))
                start, ahead, offset = self.place(change), change, self.clock.offset(change)
            at = ahead
        return [*found, (start, high, _milliseconds(offset))]

    def ticks(self, low: float, high: float, most: int) -> list[tuple[float, str]]:
        """Return round local times for the ticks, with their words.

        Parameters
        ----------
        low, high
            Ends of the axis, in milliseconds.
        most
            How many ticks have room.

        Returns
        -------
        list of (float, str)
            Whole minutes, hours, days or weeks of local time, over longer times the first days of months. An hour that the clock
            leaves out has no tick, one that comes twice has two.
        """
        stretches = self.stretches(low, high)
        step = next((step for step in _STEPS if (high - low) / step <= most), None)
        if step is not None:
            found = [
                (float(n * step - offset), n * step)
                for start, end, offset in stretches
                for n in range(-int(-(start + offset) // step), int((end + offset) // step) + 1)
                if start <= n * step - offset < end or (end == high == n * step - offset)
            ]
        else:
            found = _months(stretches, high, most)
        return [(place, f"{_moment(local):{self.written}}") for place, local in found]


def _months(stretches: Sequence[Stretch], high: float, most: int) -> list[tuple[float, int]]:
    """Return first days of months as places and as local times."""
    first, last = (_moment(end + stretches[0][2]).year for end in (stretches[0][0], high))
    starts = [(year, month) for year in range(first, last + 2) for month in range(1, 13)]
    found: list[tuple[float, int]] = []
    for months in _MONTHS:
        local = [
            _milliseconds(datetime(year, month, 1, tzinfo=UTC) - _EPOCH)
            for year, month in starts
            if ((year - 1970) * 12 + month - 1) % months == 0
        ]
        found = [
            (float(at - offset), at)
            for start, end, offset in stretches
            for at in local
            if start <= at - offset < end or end == high == at - offset
        ]
        if len(found) <= most:
            break
    return found


def time_axis(times: Sequence[datetime], clock: Clock) -> TimeAxis:
    """Return the axis of a chart.

    Parameters
    ----------
    times
        All times of the chart; at least one.
    clock
        The zone.
    """
    first, last = min(times), max(times)
    span = last - first
    one_day = clock.day(first) == clock.day(last)
    written = (
        "%H:%M" if one_day else "%m-%d %H:%M" if span < timedelta(days=4)
        else "%Y-%m-%d" if span < timedelta(days=400) else "%Y-%m"
    )  # fmt: skip
    plain = TimeAxis(clock, written, "")
    stretches = plain.stretches(plain.place(first), plain.place(last))
    names = [offset_in_words(timedelta(milliseconds=offset)) for *_, offset in stretches]
    if len(names) == 1:
        zone = names[0]
    elif len(names) == 2:
        change = _moment(stretches[1][0])
        moment = clock.of_day(change) if one_day else clock.minute(change)
        zone = words.FIGURE_OF["clock_changes"].format(first=names[0], at=moment, then=names[1])
    else:
        zone = words.FIGURE_OF["clock_local"]
    if clock.zone not in {"UTC", zone}:
        zone = f"{zone}, {clock.zone}"
    key = "day_axis" if one_day else "time_axis"
    return TimeAxis(clock, written, words.FIGURE_OF[key].format(day=clock.day(first), zone=zone))


def _moment(place: float) -> datetime:
    return _EPOCH + timedelta(milliseconds=place)


def _milliseconds(span: timedelta) -> int:
    return round(span / timedelta(milliseconds=1))


def _change(clock: Clock, before: datetime, after: datetime) -> datetime:
    """Return the first second of the new offset."""
    old = clock.offset(before)
    low, high = (int(at.timestamp()) for at in (before, after))
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if clock.offset(datetime.fromtimestamp(middle, UTC)) != old else (middle, high)
    return datetime.fromtimestamp(high, UTC)
