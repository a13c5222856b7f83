"""How the history's file is opened, made, migrated and read: DuckDB, locked down, behind one class.

The connection touches no file but the history: data come in as registered frames and go out as frames. External access is off, the
configuration locked, extensions never install themselves. One process writes at a time; a second one waits for a
bounded time and then names the one that holds the file.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Self

import duckdb
import polars as pl

from pipeline.errors import DiskFull, EnvironmentProblem, HistoryBusy, HistoryTooNew, IntegrityProblem
from pipeline.history.chain import GENESIS_HASH
from pipeline.history.connection import Opened, connect, full_disk, in_memory, migrations, unreadable
from pipeline.history.journal import Journal, follows
from pipeline.history.snapshot import Snapshot
from schemas.tables import EVENT

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

__all__ = ["Database", "naive", "with_utc", "without_zone"]

_log = logging.getLogger(__name__)
_DAMAGE = (
    duckdb.IOException, duckdb.FatalException, duckdb.InternalException, duckdb.SerializationException,
    duckdb.OutOfMemoryException, MemoryError,
)  # fmt: skip
_PATIENCE_S = 0.5
"""How long a reader waits for a history in use where there is a snapshot to read instead."""


def naive(moment: datetime) -> datetime:
    """UTC without a zone, the one form of time in the file."""
    return moment.astimezone(UTC).replace(tzinfo=None)


def with_utc(frame: pl.DataFrame) -> pl.DataFrame:
    """Give times read from the file their zone back."""
    return frame.with_columns(
        pl.col(name).cast(pl.Datetime("us")).dt.replace_time_zone("UTC")
        for name, dtype in frame.schema.items()
        if isinstance(dtype, pl.Datetime) and dtype.time_zone is None
    )


def without_zone(frame: pl.DataFrame) -> pl.DataFrame:
    """Take the zone from times that go into the file, which are in UTC there."""
    return frame.with_columns(
        pl.col(name).dt.convert_time_zone("UTC").dt.replace_time_zone(None)
        for name, dtype in frame.schema.items()
        if isinstance(dtype, pl.Datetime) and dtype.time_zone is not None
    )


class Database:
    """An opened history: its file, its transactions, its journal, and how queries are run.

    Use :meth:`open` as a context manager; a history opened to read never creates or changes a file.
    """

    def __init__(self, opened: Opened, path: Path, snapshot_of: datetime | None = None) -> None:
        self._opened, self._connection = opened, opened.connection
        self._closed = False
        self.path = path
        self.snapshot_of = snapshot_of
        """When the snapshot was taken that is read here while the history is being written; else None."""
        self.beside: contextlib.ExitStack | None = contextlib.ExitStack()
        """What is left when the file is closed; None where no file is kept from whoever writes."""

    # -- opening and closing ------------------------------------------------------------------------------------

    @classmethod
    def open(cls, path: Path, *, write: bool = False, wait_s: float = 10.0, snapshot: bool = True) -> Self:
        """Open a history; to write, create it where there is none and bring it to this version.

        To read, the published snapshot is taken where it is up to date, so that reading never keeps a loader waiting, and
        where the history is being written.

        Parameters
        ----------
        path
            The history's file.
        write
            To write or to read.
        wait_s
            How long to wait while another process holds it.
        snapshot
            Whether a snapshot may be read instead.

        Raises
        ------
        HistoryBusy
            If another process holds it for longer than `wait_s`.
        HistoryTooNew
            If a newer version of the product wrote it.
        IntegrityProblem
            If the file cannot be read.
        EnvironmentProblem
            If there is no such file (to read), or no permission.
        """
        if not path.exists():
            if not write:
                raise EnvironmentProblem(f"There is no history at {path} yet. Load readings first: annealog load PATH")
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise EnvironmentProblem(f"Cannot make {path.parent}: {error.strerror}.") from None
            cls._create(path, wait_s)
        published = Snapshot.current(path) if snapshot and not write else None
        if published is not None and published.fresh(path):
            # one that does not agree with its hashes is left alone
            with contextlib.suppress(IntegrityProblem):
                return cls.of(published, path, None)
        try:
            opened = connect(path, write=write, wait_s=wait_s if published is None else min(wait_s, _PATIENCE_S))
        except HistoryBusy as busy:
            if published is None:
                raise
            _log.warning("%s What follows is of the snapshot taken at %s UTC.", str(busy).partition(";")[0] + ".",
                         f"{published.made_at:%Y-%m-%d %H:%M:%S}")  # fmt: skip
            return cls.of(published, path, published.made_at)
        history = cls(opened, path)
        try:
            history._prepare(write=write)
        except BaseException as error:
            with contextlib.suppress(duckdb.Error):
                opened.close()
            if isinstance(error, duckdb.Error | MemoryError):
                raise (
                    DiskFull(f"The disk of {path} is full. Free some space and try again.")
                    if full_disk(error)
                    else unreadable(path, error)
                ) from None
            raise
        return history

    @classmethod
    def _create(cls, path: Path, wait_s: float) -> None:
        """Make an empty history under another name and put it in place whole: a full disk leaves no torn file behind."""
        part = path.with_name(f".{path.name}.{os.getpid()}.tmp")
        try:
            new = cls(connect(part, write=True, wait_s=wait_s), part)
            try:
                new._prepare(write=True)
            finally:
                with contextlib.suppress(duckdb.Error):
                    new.close()
            try:
                os.link(part, path)  # unlike a rename it leaves what another process made meanwhile
            except FileExistsError:
                pass
            except OSError:  # a file system without links
                part.replace(path)
        except OSError as error:
            raise EnvironmentProblem(f"Cannot make {path}: {error.strerror}.") from None
        finally:
            part.unlink(missing_ok=True)
            part.with_name(part.name + ".wal").unlink(missing_ok=True)

    @classmethod
    def of(cls, published: Snapshot, path: Path, snapshot_of: datetime | None) -> Self:
        """Return a published snapshot as a history to read; `snapshot_of` is its time where the history has gone on."""
        opened = in_memory(path.parent)
        for name, data in published.tables().items():
            opened.connection.register(name, data)
        history = cls(opened, path, snapshot_of)
        history.beside = None
        return history

    def _prepare(self, *, write: bool) -> None:
        run = self._run
        known = migrations()
        try:
            at = int(run("SELECT coalesce(max(version), 0) FROM migration")[0][0])
        except duckdb.CatalogException:  # a new file
            at = 0
        if at > known[-1][0]:
            raise HistoryTooNew(
                f"The history {self.path} has version {at}; this program knows up to {known[-1][0]}. "
                "Nothing was changed. Install the newer program."
            )
        due = [item for item in known if item[0] > at]
        if due and not write:
            raise IntegrityProblem(
                f"The history {self.path} has version {at}, this program needs {known[-1][0]}. Run 'annealog load' once."
            )
        if due:
            with self.transaction():
                run("CREATE TABLE IF NOT EXISTS migration (version INTEGER, name VARCHAR, applied_at TIMESTAMP)")
                for version, name, sql in due:
                    run(sql)
                    run("INSERT INTO migration VALUES (?, ?, ?)", [version, name, naive(datetime.now(UTC))])
            run("CHECKPOINT")

    def close(self) -> None:
        """Close the file."""
        self._closed = True
        if self.beside is not None:
            self.beside.close()
        self._opened.close()

    def is_open(self) -> bool:
        """Whether the file was not closed yet."""
        return not self._closed

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextlib.contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing.

        Raises
        ------
        EnvironmentProblem
            If the disk is full.
        """
        self._run("BEGIN")
        try:
            yield
            self._run("COMMIT")
        except BaseException:
            with contextlib.suppress(duckdb.Error, EnvironmentProblem, IntegrityProblem):
                self._run("ROLLBACK")
            raise
        self._keep_journal()

    def checkpoint(self) -> None:
        """Write the log into the file.

        Raises
        ------
        EnvironmentProblem
            If the disk is full; what was committed stays in the log and is there when the history is opened again.
        """
        self._run("CHECKPOINT")

    def _keep_journal(self) -> None:
        """Add to the journal the events that it does not have yet, with what a rebuild needs beside the raw files."""
        journal = Journal(self.path)
        sequence, digest = journal.last()
        row = self._one('SELECT hash FROM event WHERE "sequence" = ?', [sequence]) if sequence else (GENESIS_HASH,)
        if row is None and self.notes_alone():
            return
        if row is None or row[0] != digest:
            raise IntegrityProblem(
                f"The journal {journal.path} goes on to event {sequence}, which this history does not hold: it is older "
                "than its journal, or another one. Run 'annealog rebuild', or restore a whole backup."
            )
        fresh = self._frame('SELECT * FROM event WHERE "sequence" > ? ORDER BY "sequence"', [sequence])
        rows = EVENT.complete(fresh).to_dicts()
        for entry in rows:
            self._keep_texts(journal, entry["kind"], json.loads(entry["subject"]))
        journal.append({**entry, "at": entry["at"].isoformat()} for entry in rows)

    def _last_event(self) -> tuple[int, str]:
        row = self._one('SELECT "sequence", hash FROM event ORDER BY "sequence" DESC LIMIT 1')
        return (0, GENESIS_HASH) if row is None else (int(row[0]), str(row[1]))

    def notes_alone(self) -> bool:
        """Whether the journal goes on beyond this history with notes alone, which the next event takes into the chain."""
        sequence, head = self._last_event()
        return follows(Journal(self.path).after(sequence), sequence, head) is not None

    def _keep_texts(self, journal: Journal, kind: str, subject: dict[str, Any]) -> None:
        """Keep the texts that an event names by their hash."""
        if kind in ("load", "replay"):
            found = self._run("SELECT layout_text FROM source_file WHERE sha256 = ?", [subject["sha256"]])
        elif kind == "reference":
            found = [
                row
                for name, digest in subject["changed"].items()
                for row in self._run(
                    "SELECT content FROM reference_text WHERE name = ? AND sha256 = ? LIMIT 1", [name, digest]
                )
            ]
        else:
            return
        for (text,) in found:
            journal.keep_text(text)

    # -- small queries ------------------------------------------------------------------------------------------

    def _run(self, sql: str, parameters: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """Run a statement and read it to its end: an unread result blocks the connection."""
        with self._readable():
            return self._execute(sql, parameters)

    def _execute(self, sql: str, parameters: Sequence[Any]) -> list[tuple[Any, ...]]:
        return self._connection.execute(sql, list(parameters)).fetchall()

    def _frame(self, sql: str, parameters: Sequence[Any] = ()) -> pl.DataFrame:
        with self._readable():
            return with_utc(self._connection.sql(sql, params=list(parameters)).pl())

    def _one(self, sql: str, parameters: Sequence[Any] = ()) -> tuple[Any, ...] | None:
        rows = self._run(sql, parameters)
        return rows[0] if rows else None

    @contextlib.contextmanager
    def _readable(self) -> Iterator[None]:
        """Turn the database's word for a damaged block into ours."""
        try:
            yield
        except Exception as error:  # batches come through another library, with errors of its own
            if isinstance(error, duckdb.Error) and full_disk(error):
                raise DiskFull(
                    f"The disk of {self.path} is full. What was loaded before is kept; free some space and try again."
                ) from None
            if isinstance(error, _DAMAGE) or "Corrupt database" in str(error):
                raise unreadable(self.path, error) from None
            raise

    @contextlib.contextmanager
    def _registered(self, name: str, frame: pl.DataFrame) -> Iterator[None]:
        """Let a query see a frame under a name."""
        self._connection.register(name, without_zone(frame))
        try:
            yield
        except BaseException:
            # an aborted transaction refuses this, too; the first error is the one to tell
            with contextlib.suppress(duckdb.Error):
                self._connection.unregister(name)
            raise
        self._connection.unregister(name)

    def _insert(self, table: str, frame: pl.DataFrame) -> None:
        """Insert a frame by column name; columns that it does not have become null."""
        if frame.height:
            with self._registered("incoming", frame):
                self._run(f"INSERT INTO {table} BY NAME SELECT * FROM incoming")
