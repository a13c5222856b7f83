"""Opening the history's file: storage version, bounded wait, plain words for what can be wrong; and its migrations."""

from __future__ import annotations

import re
import time
from importlib import resources
from typing import TYPE_CHECKING

import duckdb

from pipeline.errors import EnvironmentProblem, HistoryBusy, IntegrityProblem

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["STORAGE_VERSION", "connect", "migrations"]

STORAGE_VERSION = "v1.5.0"
"""Storage format of a new history, so that DuckDB 1.5 can open it too."""


def connect(path: Path, *, write: bool, wait_s: float) -> duckdb.DuckDBPyConnection:
    """Open the file, waiting while another process holds it.

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
        "storage_compatibility_version": STORAGE_VERSION,
        "temp_directory": str(path.parent / "spill"),
    }
    while True:
        try:
            return duckdb.connect(str(path), read_only=not write, config=config)
        except duckdb.IOException as error:
            text = str(error)
            if "lock" in text.lower():
                if time.monotonic() < deadline:
                    time.sleep(0.1)
                    continue
                holder = re.search(r"\(PID (\d+)\)", text)
                who = f"process {holder[1]}" if holder else "another process"
                raise HistoryBusy(
                    f"The history {path} is in use by {who}; waited {wait_s:g} s. Try again when it has finished."
                ) from None
            if "Permission denied" in text or "Read-only file system" in text:
                raise EnvironmentProblem(
                    f"Cannot open {path}: no permission. Check the folder's owner and rights."
                ) from None
            raise IntegrityProblem(
                f"The history {path} cannot be read: {text.splitlines()[0]} Restore a backup, or rebuild it from the archive."
            ) from None
        except duckdb.Error as error:
            raise IntegrityProblem(
                f"The history {path} cannot be read: {str(error).splitlines()[0]} "
                "Restore a backup, or rebuild it from the archive."
            ) from None


def migrations() -> list[tuple[int, str, str]]:
    """Return the migrations in order: version, name, SQL."""
    folder = resources.files("pipeline.history") / "migrations"
    found = [
        (int(item.name.split("_")[0]), item.name, item.read_text(encoding="utf-8"))
        for item in folder.iterdir()
        if item.name.endswith(".sql")
    ]
    return sorted(found)
