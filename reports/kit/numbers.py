"""Numbers and times as a reader wants them. Rounding is for display only; the data beside the page is not rounded."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from schemas.digits import decimals_for, finite, typeset

__all__ = [
    "Clock",
    "as_written",
    "compact",
    "decimals_for",
    "finite",
    "fixed",
    "offset_in_words",
    "percent",
    "significant",
    "typeset",
]

MINUS = "\u2212"


def fixed(value: float | None, decimals: int, *, sign: bool = False) -> str:
    """Return a number with so many decimals; a negative zero loses its sign; nothing for None."""
    value = finite(value)
    if value is None:
        return ""
    written = f"{value:+.{decimals}f}" if sign else f"{value:.{decimals}f}"
    if not written.strip("+-0."):
        written = written.lstrip("+-")
    return written.replace("-", MINUS)


def significant(value: float | None, digits: int = 3) -> str:
    """Return a number with so many significant digits and no power of ten where it can be read without one."""
    value = finite(value)
    if value is None:
        return ""
    if value == 0:
        return "0"
    exponent = int(f"{value:.{digits - 1}e}".partition("e")[2])
    if not -5 <= exponent <= 7:
        return typeset(f"{value:.{digits - 1}e}")
    return fixed(value, max(digits - 1 - exponent, 0))


def as_written(value: float | None) -> str:
    """Return a number of a reference table as it was written, as far as the number tells."""
    value = finite(value)
    return "" if value is None else typeset(f"{value:.12g}")


def compact(value: float | None, digits: int = 3) -> str:
    """Return a number with at most so many significant digits, without trailing zeros."""
    value = finite(value)
    return "" if value is None else as_written(float(f"{value:.{digits}g}"))


def percent(share: float) -> str:
    """Return a share as whole percent; a share that rounds to nothing is said to be below one percent."""
    return "<1 %" if 0 < share < 0.005 else f"{share * 100:.0f} %"


def offset_in_words(offset: timedelta) -> str:
    """Return an offset from UTC, such as UTC+01:00."""
    minutes = round(offset.total_seconds() / 60)
    if not minutes:
        return "UTC"
    hours, rest = divmod(abs(minutes), 60)
    return f"UTC{'+' if minutes > 0 else MINUS}{hours:02d}:{rest:02d}"


@dataclass(frozen=True)
class Clock:
    """Times in the zone of the page.

    Parameters
    ----------
    zone
        IANA name.
    """

    zone: str

    def _local(self, at: datetime) -> datetime:
        return (at if at.tzinfo else at.replace(tzinfo=UTC)).astimezone(ZoneInfo(self.zone))

    def second(self, at: datetime | None) -> str:
        """Return date and time to the second."""
        return "" if at is None else f"{self._local(at):%Y-%m-%d %H:%M:%S}"

    def minute(self, at: datetime | None) -> str:
        """Return date and time to the minute."""
        return "" if at is None else f"{self._local(at):%Y-%m-%d %H:%M}"

    def day(self, at: datetime | None) -> str:
        """Return the date."""
        return "" if at is None else f"{self._local(at):%Y-%m-%d}"

    def of_day(self, at: datetime) -> str:
        """Return the time of the day to the minute."""
        return f"{self._local(at):%H:%M}"

    def offset(self, at: datetime) -> timedelta:
        """Return the offset from UTC at a moment."""
        return self._local(at).utcoffset() or timedelta(0)
