"""What was found of lots and meters, kept beside the history: tables that can be made anew, each row under the name it is about.

A table takes its columns from the first frame that is put into it. Times are in UTC without a zone in the file, as in the history.
Written only by whoever holds the history to write.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from typing import TYPE_CHECKING, Any, Self

import duckdb
import polars as pl

from pipeline.errors import AnnealogError, IntegrityProblem
from pipeline.history.connection import connect
from pipeline.history.database import with_utc, without_zone

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

__all__ = ["FoundStore", "forget", "found_path", "hash_of_found"]

_NAME = "found.duckdb"
_PATIENCE_S = 5.0
_BLOCK = 16_384
"""Bytes of a block, of which each table takes some: with the usual 262,144 a small workspace keeps megabytes of nothing."""
_PLACE = "_place"
"""The place of a row among those of its name: the order of a frame is kept."""


def found_path(history: Path) -> Path:
    """Return where the results found of a history lie."""
    return history.parent / _NAME


class FoundStore:
    """The tables of found results; use :meth:`open` as a context manager."""

    def __init__(self, connection: duckdb.DuckDBPyConnection) -> None:
        self._connection = connection

    @classmethod
    @contextlib.contextmanager
    def open(cls, history: Path) -> Iterator[Self | None]:
        """Open the results of a history to read; None where there are none, or what is there cannot be read."""
        connection = None
        if found_path(history).exists():
            with contextlib.suppress(AnnealogError):
                connection = connect(found_path(history), write=False, wait_s=0.0)
        try:
            yield None if connection is None else cls(connection)
        finally:
            if connection is not None:
                connection.close()

    @classmethod
    @contextlib.contextmanager
    def written(cls, history: Path) -> Iterator[Self]:
        """Open the results of a history to write; what cannot be read is begun anew, for nothing in it is a record."""
        try:
            connection = connect(found_path(history), write=True, wait_s=_PATIENCE_S, block_bytes=_BLOCK)
        except IntegrityProblem:
            forget(history)
            connection = connect(found_path(history), write=True, wait_s=_PATIENCE_S, block_bytes=_BLOCK)
        try:
            yield cls(connection)
        finally:
            connection.close()

    def tables(self) -> set[str]:
        """Return the names of the tables."""
        rows = self._connection.execute("SELECT table_name FROM information_schema.tables").fetchall()
        return {row[0] for row in rows}

    def noted(self) -> dict[str, Any]:
        """Return what was noted with :meth:`note`; nothing where nothing was."""
        if "note" not in self.tables():
            return {}
        found: dict[str, Any] = json.loads(self._connection.execute("SELECT content FROM note").fetchall()[0][0])
        return found

    def note(self, content: dict[str, Any]) -> None:
        """Keep a document beside the tables, in the place of the one before."""
        self._connection.execute("CREATE OR REPLACE TABLE note (content VARCHAR)")
        self._connection.execute("INSERT INTO note VALUES (?)", [json.dumps(content)])

    @contextlib.contextmanager
    def transaction(self, *, keep: bool = True) -> Iterator[None]:
        """Keep all that is put inside, or nothing; without `keep`, nothing in any case."""
        self._connection.execute("BEGIN")
        try:
            yield
        except BaseException:
            with contextlib.suppress(duckdb.Error):
                self._connection.execute("ROLLBACK")
            raise
        self._connection.execute("COMMIT" if keep else "ROLLBACK")

    def clear(self) -> None:
        """Take every table away."""
        for name in self.tables():
            self._connection.execute(f'DROP TABLE "{name}"')

    def read(
        self, name: str, by: str | None = None, of: Iterable[str] | None = None, columns: Iterable[str] | None = None
    ) -> pl.DataFrame:
        """Return a table, or its rows under some names, in the order in which they were put, names sorted."""
        what = "*" if columns is None else ", ".join(f'"{column}"' for column in columns)
        where, parameters = "", []
        if of is not None:
            where, parameters = f' WHERE "{by}" IN (SELECT unnest(?))', [list(of)]
        order = f' ORDER BY "{by}", {_PLACE}' if by is not None else ""
        frame = self._connection.sql(f'SELECT {what} FROM "{name}"{where}{order}', params=parameters).pl()
        return with_utc(frame.drop(_PLACE, strict=False))

    def _described(self, table: str) -> list[tuple[str, str]]:
        return [(row[0], row[1]) for row in self._connection.execute(f"DESCRIBE {table}").fetchall()]

    def put(self, name: str, by: str, of: Iterable[str] | None, frame: pl.DataFrame) -> None:
        """Put rows in the place of those under some names; None takes no row away.

        Parameters
        ----------
        name
            Of the table.
        by
            Column that names what a row is about.
        of
            Names whose rows go.
        frame
            Rows in their order.
        """
        rows = without_zone(
            frame.with_columns(pl.col(pl.Categorical).cast(pl.String)).with_columns(
                pl.int_range(pl.len(), dtype=pl.Int64).alias(_PLACE)
            )
        )
        self._connection.register("incoming", rows)
        try:
            if name not in self.tables():
                self._connection.execute(f'CREATE TABLE "{name}" AS SELECT * FROM incoming LIMIT 0')
            else:
                there = {row[0]: row[1] for row in self._described(f'"{name}"')}
                # a column that only some lots need says nothing of the others
                for column, dtype in self._described("incoming"):
                    if column not in there:
                        otherwise = " DEFAULT false" if dtype == "BOOLEAN" else ""
                        self._connection.execute(f'ALTER TABLE "{name}" ADD COLUMN "{column}" {dtype}{otherwise}')
                lacking = [n for n, dtype in there.items() if n not in rows.columns and dtype == "BOOLEAN"]
                if lacking:
                    rows = rows.with_columns(pl.lit(False).alias(column) for column in lacking)
                    self._connection.unregister("incoming")
                    self._connection.register("incoming", rows)
            if of is not None:
                self._connection.execute(f'DELETE FROM "{name}" WHERE "{by}" IN (SELECT unnest(?))', [list(of)])
            if rows.height:
                self._connection.execute(f'INSERT INTO "{name}" BY NAME SELECT * FROM incoming')
        finally:
            self._connection.unregister("incoming")


def forget(history: Path) -> None:
    """Take the results of a history away."""
    for path in (found_path(history), found_path(history).with_name(f"{_NAME}.wal")):
        path.unlink(missing_ok=True)


def hash_of_found(history: Path) -> str:
    """Return the hash of the file of results, which the chain of events vouches for; empty where there is none, or no whole one."""
    if found_path(history).with_name(f"{_NAME}.wal").exists():
        return ""  # whoever wrote it did not end
    try:
        with found_path(history).open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""
