"""Times as people write them, on the command line and in forms."""

from __future__ import annotations

import re
from datetime import UTC, datetime, time
from typing import TYPE_CHECKING

from pipeline.errors import UsageError
from schemas.terms import YEARS, in_years

if TYPE_CHECKING:
    from pipeline.workspace.settings import Workspace

__all__ = ["is_day", "moment"]

_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_WRITTEN = re.compile(_DAY.pattern + r"([T ]\d{2}:\d{2}(:\d{2}([.,]\d+)?)?(Z|[+-]\d{2}:?\d{2})?)?", re.ASCII)


def is_day(text: str) -> bool:
    """Whether a written time is a whole day."""
    return _DAY.fullmatch(text) is not None


def moment(text: str | None, workspace: Workspace, *, first: bool = False) -> datetime | None:
    """Read a time that somebody wrote; without an offset it is in the workspace's zone.

    Parameters
    ----------
    text
        A time, or a day, which stands for its end.
    workspace
        For its zone.
    first
        A day stands for its beginning.

    Raises
    ------
    UsageError
        If it is no time, or none that can be meant.
    """
    if text is None:
        return None
    try:
        found = datetime.fromisoformat(text) if _WRITTEN.fullmatch(text) else None
    except ValueError:
        found = None
    if found is None:
        raise UsageError(f"{text!r} is no time. Expected 2026-03-02, 2026-03-02T14:30 or 2026-03-02T14:30+01:00.")
    if is_day(text):
        found = datetime.combine(
            found.date(), time() if first else time.max.replace(fold=1)
        )  # of an hour told twice the later
    try:
        at = (found if found.tzinfo else found.replace(tzinfo=workspace.settings.zone)).astimezone(UTC)
    except OverflowError:
        at = datetime.max.replace(tzinfo=UTC)
    if not in_years(at):
        raise UsageError(f"{text!r}: expected a time in {YEARS}.")
    return at
