"""Opening the history's file: storage version, bounded wait, plain words for what can be wrong; and its migrations."""

from __future__ import annotations

import re
import socket
import time
from importlib import resources
from typing import TYPE_CHECKING

import duckdb

from pipeline.errors import AnnealogError, DiskFull, EnvironmentProblem, HistoryBusy, IntegrityProblem, lacking

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["connect", "full_disk", "migrations", "unreadable"]

_STORAGE_VERSION = "v1.5.0"
"""Storage format of a new history, so that DuckDB 1.5 can open it too."""


_HERE = "with a different configuration"
"""It is open in this process, to read where somebody would write, or the other way round: no damage."""
_LOCKED = re.compile(rf"set lock|conflicting lock|used by another process|{_HERE}", re.IGNORECASE)
_FULL = ("No space left", "could not allocate block", "File too large", "quota exceeded")


def full_disk(error: Exception) -> bool:
    """Whether an error of the database says that a disk, a quota or a limit of file size is exhausted."""
    return any(words in str(error) for words in _FULL)


def connect(path: Path, *, write: bool, wait_s: float, block_bytes: int | None = None) -> duckdb.DuckDBPyConnection:
    """Open the file, waiting while another process holds it; a new one is made of blocks of `block_bytes`.

    Raises
    ------
    HistoryBusy
        If it is held for longer than `wait_s`.
    EnvironmentProblem
        If there is no permission.
    IntegrityProblem
        If it cannot be read.
    """
    deadline = time.monotonic() + wait_s
    config: dict[str, str | bool | int | float | list[str]] = {
        "autoinstall_known_extensions": "false",
        "autoload_known_extensions": "false",
        "allow_community_extensions": "false",
        "storage_compatibility_version": _STORAGE_VERSION,
        "temp_directory": str(path.parent / "spill"),
    }
    if block_bytes is not None:
        config["default_block_size"] = str(block_bytes)
    while True:
        try:
            return duckdb.connect(str(path), read_only=not write, config=config)
        except duckdb.Error as error:
            text = str(error)
            if _LOCKED.search(text):
                if time.monotonic() < deadline:
                    time.sleep(0.1)
                    continue
                holder = re.search(r"\(PID (\d+)\)", text)
                elsewhere = f"process {holder[1]} of {socket.gethostname()}" if holder else "another process"
                who = "another part of this process" if _HERE in text else elsewhere
                raise HistoryBusy(
                    f"The history {path} is in use by {who}; waited {wait_s:g} s. Try again when it has finished."
                ) from None
            if "Permission denied" in text or "Read-only file system" in text:
                raise EnvironmentProblem(
                    f"Cannot open {path}: no permission. Check the folder's owner and rights."
                ) from None
            if full_disk(error):
                raise DiskFull(f"The disk of {path} is full. Free some space and try again.") from None
            raise unreadable(path, error) from None


def unreadable(path: Path, error: Exception) -> AnnealogError:
    """Return the words for a history, or a log beside it, that cannot be read; neither is touched.

    Where the computer has no file handle or memory left, nothing is said against the history.
    """
    if lacking(error):
        return EnvironmentProblem(
            f"The history {path} cannot be read now: the computer has no memory or no file handle left "
            f"({(str(error) or 'out of memory').splitlines()[0]}). Nothing is wrong with the record. End other programs, or raise "
            "the limit, and try again."
        )
    return IntegrityProblem(
        f"The history {path} cannot be read: {str(error).splitlines()[0]} Nothing was changed or deleted. "
        "Restore a backup, or build a new history from the raw archive: annealog rebuild"
    )


def migrations() -> list[tuple[int, str, str]]:
    """Return the migrations in order: version, name, SQL."""
    folder = resources.files("pipeline.history") / "migrations"
    found = [
        (int(item.name.split("_")[0]), item.name, item.read_text(encoding="utf-8"))
        for item in folder.iterdir()
        if item.name.endswith(".sql")
    ]
    return sorted(found)
