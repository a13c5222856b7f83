"""Opening the history's file: storage version, bounded wait, plain words for what can be wrong; and its migrations.

An engine of the database costs 20 ms to begin, and letting it take a file in hand 1 ms. A load opens history and found results some
twenty times, for between two looks others must be able to write. So the engine of a file stays, locked down to this file alone, and
only the file is taken and let go.
"""

from __future__ import annotations

import contextlib
import os
import re
import socket
import threading
import time
from importlib import resources
from pathlib import Path

import duckdb

from pipeline.errors import AnnealogError, DiskFull, EnvironmentProblem, HistoryBusy, IntegrityProblem, lacking

__all__ = ["Opened", "connect", "full_disk", "in_memory", "migrations", "unreadable"]

_STORAGE_VERSION = "v1.5.0"
"""Storage format of a new history, so that DuckDB 1.5 can open it too."""


_HERE = "Unique file handle conflict"
"""It is open in this process, to read where somebody would write, or the other way round: no damage."""
_LOCKED = re.compile(rf"set lock|conflicting lock|used by another process|{_HERE}", re.IGNORECASE)
_KEPT = 6
"""Engines that stay without a file in hand: those of two workspaces, each with history, found results and snapshot."""
_FULL = ("No space left", "could not allocate block", "File too large", "quota exceeded")


def full_disk(error: Exception) -> bool:
    """Whether an error of the database says that a disk, a quota or a limit of file size is exhausted."""
    return any(words in str(error) for words in _FULL)


class _Engine:
    """An engine of the database that may have one file in hand, and touches nothing else."""

    def __init__(self, file: Path | None, folder: Path) -> None:
        self.file = file
        self.users, self.writes = 0, False
        self.spill = folder / "spill"
        self.base = duckdb.connect(
            ":memory:",
            config={
                "autoinstall_known_extensions": "false",
                "autoload_known_extensions": "false",
                "allow_community_extensions": "false",
                "storage_compatibility_version": _STORAGE_VERSION,
                "temp_directory": str(self.spill),
            },
        )
        if file is not None:  # what the database allows itself where it begins with a file
            beside = ", ".join(_quoted(f"{file}{end}") for end in ("", ".wal", ".wal.checkpoint", ".wal.recovery"))
            self.base.execute(f"SET allowed_paths = [{beside}]")
        self.base.execute("SET enable_external_access = false")
        self.base.execute("SET lock_configuration = true")

    def taken(self, *, write: bool, block_bytes: int | None) -> duckdb.DuckDBPyConnection:
        """Return a connection; the first one takes the file in hand."""
        if self.users and self.writes != write:
            raise duckdb.ConnectionException(f"{_HERE}: {self.file}")
        if self.file is not None and not self.users:
            options = [] if write else ["READ_ONLY"]
            if block_bytes is not None and not self.file.exists():
                options.append(f"BLOCK_SIZE {block_bytes}")
            in_words = f" ({', '.join(options)})" if options else ""
            self.base.execute(f"ATTACH {_quoted(str(self.file))} AS history{in_words}")
        connection = self.base.cursor()
        if self.file is not None:
            connection.execute("USE history")
        self.users, self.writes = self.users + 1, write
        return connection

    def left(self) -> bool:
        """Let go of the file with its last user; whether the engine is as good as new."""
        self.users -= 1
        if self.users:
            return True
        try:
            if self.file is not None:
                self.base.execute("DETACH history")
        except duckdb.Error:  # a full disk, say: what was committed stays in the log
            return False
        return not self.spill.exists() or not any(self.spill.iterdir())


class Opened:
    """A file of the database in use: `connection` asks it, until it is closed."""

    def __init__(self, key: tuple[int, Path], engine: _Engine, connection: duckdb.DuckDBPyConnection) -> None:
        self.connection = connection
        self._key, self._engine = key, engine
        self._closed = False

    def close(self) -> None:
        """Let go of the file, if nobody else in this process has it open; a second time does nothing."""
        with _LOCK:
            if self._closed:
                return
            self._closed = True
            self.connection.close()
            if not self._engine.left():
                _end(self._key, self._engine)


_LOCK = threading.Lock()
_ENGINES: dict[tuple[int, Path], _Engine] = {}
"""By process (one that was forked begins with none of its own) and place; that of last use comes last."""


def _end(key: tuple[int, Path], engine: _Engine) -> None:
    if _ENGINES.get(key) is engine:
        del _ENGINES[key]
    with contextlib.suppress(duckdb.Error):
        engine.base.close()


def _opened(folder: Path, file: Path | None = None, *, write: bool, block_bytes: int | None = None) -> Opened:
    key = (os.getpid(), file or folder)
    with _LOCK:
        engine = _ENGINES.pop(key, None) or _Engine(file, folder)
        _ENGINES[key] = engine
        idle = [(one, other) for one, other in _ENGINES.items() if not other.users and other is not engine]
        for one, other in idle[: max(0, len(_ENGINES) - _KEPT)]:
            _end(one, other)
        try:
            return Opened(key, engine, engine.taken(write=write, block_bytes=block_bytes))
        except BaseException:
            if not engine.users:
                _end(key, engine)
            raise


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def in_memory(folder: Path) -> Opened:
    """Open a database of frames that are registered, which spills into a folder and touches nothing else."""
    return _opened(folder, write=True)


def connect(path: Path, *, write: bool, wait_s: float, block_bytes: int | None = None) -> Opened:
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
    file = Path(os.path.realpath(path))  # a name that begins elsewhere is refused
    while True:
        try:
            return _opened(path.parent, file, write=write, block_bytes=block_bytes)
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
