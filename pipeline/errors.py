"""The whole exception tree. Bad data is a value (quarantine); bad use is one of these.

A message says what was found, where, what was expected and what to type next. Each class carries the exit code of
the command line.
"""

from __future__ import annotations

import errno

__all__ = [
    "AnnealogError",
    "ChangesRefused",
    "DiskFull",
    "EnvironmentProblem",
    "FoundDamaged",
    "HistoryBusy",
    "HistoryTooNew",
    "IntegrityProblem",
    "LayoutError",
    "ReferenceTableError",
    "SettingsError",
    "SnapshotDamaged",
    "UsageError",
    "lacking",
]


class AnnealogError(Exception):
    """Anything this product raises on purpose."""

    exit_code = 1


class UsageError(AnnealogError):
    """The command cannot be carried out as typed."""

    exit_code = 2


class SettingsError(UsageError):
    """`annealog.toml` is missing or says something that cannot be."""


class LayoutError(UsageError):
    """A layout file says something that cannot be."""


class ReferenceTableError(UsageError):
    """A reference table cannot be read: names file, line and column."""


class ChangesRefused(UsageError):
    """Changed reference tables would alter verdicts already given."""


class HistoryBusy(AnnealogError):
    """Another process holds the history."""

    exit_code = 5


class IntegrityProblem(AnnealogError):
    """A hash, the chain or a count does not agree."""

    exit_code = 6


class EnvironmentProblem(AnnealogError):
    """Disk, permission or a missing folder."""

    exit_code = 7


class DiskFull(EnvironmentProblem):
    """No room is left, for this file and for all others."""


class HistoryTooNew(IntegrityProblem):
    """The history was written by a newer version of this product."""


class FoundDamaged(IntegrityProblem):
    """What was found is not kept beside the history as it was written; the history itself is not in doubt."""


class SnapshotDamaged(IntegrityProblem):
    """A file of the published snapshot is not as it was written; the history itself is not in doubt."""


_LACKING = ("Too many open files", "Cannot allocate memory", "Out of Memory", "failed to allocate", "bad_alloc")


def lacking(error: Exception) -> bool:
    """Whether a handle, memory or rights were lacking when something was read: nothing is wrong with it then."""
    if isinstance(error, MemoryError):
        return True
    if isinstance(error, OSError):
        return error.errno in (errno.EMFILE, errno.ENFILE, errno.ENOMEM, errno.EACCES, errno.EPERM)
    return any(words in str(error) for words in _LACKING)
