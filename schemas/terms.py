"""The words that cells, options and settings may use. On its own, so that a command that only looks imports no frames."""

from __future__ import annotations

import re
from datetime import UTC, datetime

__all__ = [
    "END_OF_TIME",
    "START_OF_TIME",
    "TEMPERATURE_SOURCES",
    "TEMPERATURE_STATES",
    "UNITS",
    "UNSEEN",
    "YEARS",
    "in_years",
    "is_site_name",
]

UNITS = ("MS/m", "%IACS", "Ohm.cm", "uOhm.cm", "nOhm.m")
TEMPERATURE_STATES = ("at_metal", "at_reference", "relative")
START_OF_TIME, END_OF_TIME = datetime(1900, 1, 1, tzinfo=UTC), datetime(2201, 1, 1, tzinfo=UTC)
"""What is measured, due or decided lies between these: a date outside is a slip, and no library reckons safely at its ends."""
YEARS = "the years 1900 to 2200"


def in_years(moment: datetime) -> bool:
    """Whether a time with a zone lies in :data:`YEARS`, by UTC."""
    return START_OF_TIME <= moment < END_OF_TIME


UNSEEN = "\u00ad\u180e\u200b\u2060"
"""Marks that no reader sees and that make another name of the same one: soft hyphen, spaces of no width."""
TEMPERATURE_SOURCES = ("internal", "external", "ambient")
_SITE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")


def is_site_name(text: str) -> bool:
    """Whether a text can name a site of a company: letters, digits and ``. _ -``, at most 64, a letter or a digit first."""
    return _SITE.fullmatch(text) is not None
