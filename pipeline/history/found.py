"""What was found of lots and meters, kept beside the history: tables that can be made anew, each row under the name it is about.

A table takes its columns from the first frame that is put into it. Times are in UTC without a zone in the file, as in the history.
Written only by whoever holds the history to write; what others find beyond it stays in their memory, for a change that is taken
back leaves other bytes in the file, too, and nobody would vouch for these.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import sys
import time
from functools import reduce
from typing import TYPE_CHECKING, Any, NamedTuple, Self

import duckdb
import polars as pl

from pipeline.errors import DiskFull, FoundDamaged, IntegrityProblem, lacking
from pipeline.history.connection import connect, full_disk, unreadable
from pipeline.history.database import naive, with_utc, without_zone
from pipeline.history.found_rows import RowsApart, together

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from datetime import datetime
    from pathlib import Path

__all__ = ["Beside", "FoundStore", "damage_told", "forget", "found_path", "hash_of_found", "seen_of_found"]

_NAME = "found.duckdb"
_BLOCK, _LARGE_BLOCK = 16_384, 65_536
"""Bytes of a block, of which each table takes some: with the usual 262,144 a small workspace keeps megabytes of nothing. Of 20
million readings small ones take half as much again, for whole numbers and times are packed in large ones alone."""
_LARGE = 32_000_000
"""Bytes of a history from which on blocks are large, where the file is begun."""
_HASHES: dict[tuple[str | int, ...], str] = {}
_TICK_NS, _LONG_TICK_NS = 50_000_000, 2_000_000_000
"""More than the clock of files goes on by at once; the second where it knows whole seconds alone."""
_APART = ("spot_values", "part_values")
"""Tables by lot that stand apart: of 20 million readings they took 270 of 437 MB, which each load hashes."""
_BEHIND = 2**40
_PLACE = "_place"
"""The place of a row among those of its name: the order of a frame is kept."""


def found_path(history: Path) -> Path:
    """Return where the results found of a history lie."""
    return history.parent / _NAME


Behind = tuple[str, pl.DataFrame]
"""A condition on rows `t` of a table by meter and the row of their meter in a frame, `cuts`."""


class Beside(NamedTuple):
    """What stands in the place of rows of a table in the file: by which column, under which names, and the rows.

    With `behind` only those rows of the names are gone of which it holds.
    """

    by: str
    gone: set[str]
    rows: pl.DataFrame
    behind: Behind | None = None


class FoundStore:
    """The tables of found results; use :meth:`open` or :meth:`written` as a context manager."""

    def __init__(
        self, connection: duckdb.DuckDBPyConnection, history: Path, beside: dict[str, Beside] | None = None
    ) -> None:
        self.apart, self.history = RowsApart(connection, history), history
        self._connection = connection
        self.beside = beside
        """By table what is put, where the file is open to read; None where it is written."""
        self.is_open = True
        self._noted: dict[str, Any] | None = None
        self._known: set[str] | None = None
        """The tables, until one may have been taken back: each frame that is put asks for them."""

    @classmethod
    @contextlib.contextmanager
    def open(cls, history: Path, beside: dict[str, Beside] | None = None) -> Iterator[Self | None]:
        """Open the results of a history to read; None where there are none.

        What is put stays in memory; what lies `beside` the file already is read with it.

        Raises
        ------
        HistoryBusy
            If somebody writes them.
        FoundDamaged
            If they cannot be read, also later by whoever has them open.
        EnvironmentProblem
            If the computer keeps them from being read.
        """
        if not found_path(history).exists():
            yield None
            return
        try:
            opened = connect(found_path(history), write=False, wait_s=0.0)
        except IntegrityProblem as error:
            raise _damaged(error) from None
        store = cls(opened.connection, history, {} if beside is None else beside)
        try:
            with damage_told(history):
                yield store
        finally:
            store.is_open = False
            opened.close()

    @classmethod
    @contextlib.contextmanager
    def written(cls, history: Path, *, wait_s: float) -> Iterator[Self]:
        """Open the results of a history to write; what cannot be opened is begun anew, for nothing in it is a record."""
        block = _LARGE_BLOCK if history.exists() and history.stat().st_size >= _LARGE else _BLOCK
        try:
            opened = connect(found_path(history), write=True, wait_s=wait_s, block_bytes=block)
        except IntegrityProblem:
            forget(history)
            opened = connect(found_path(history), write=True, wait_s=wait_s, block_bytes=block)
        with contextlib.closing(opened), damage_told(history):
            store = cls(opened.connection, history)
            yield store
            store.apart.tidy()

    def tables(self) -> set[str]:
        """Return the names of the tables, but for that of rows apart, which may come later."""
        if self._known is None:
            rows = self._connection.execute("SELECT table_name FROM duckdb_tables()").fetchall()
            self._known = {row[0] for row in rows}
        return self._known

    def noted(self) -> dict[str, Any]:
        """Return what was noted with :meth:`note`; nothing where nothing was. While it is open to read, nobody else writes it."""
        if self._noted is None or self.beside is None:
            rows = self._connection.execute("SELECT content FROM note").fetchall() if "note" in self.tables() else []
            self._noted = json.loads(rows[0][0]) if rows else {}
        return self._noted

    def note(self, content: dict[str, Any]) -> None:
        """Keep a document beside the tables, in the place of the one before."""
        self._connection.execute("CREATE OR REPLACE TABLE note (content VARCHAR)")
        self._connection.execute("INSERT INTO note VALUES (?)", [json.dumps(content)])
        self._known = None

    @contextlib.contextmanager
    def transaction(self) -> Iterator[None]:
        """Keep all that is put inside, or nothing but what was settled."""
        self._connection.execute("BEGIN")
        try:
            yield
        except BaseException:
            with contextlib.suppress(duckdb.Error):
                self._connection.execute("ROLLBACK")
            self._known = None
            raise
        self._connection.execute("COMMIT")

    def settle(self) -> None:
        """Keep what was put so far: held back until all is put, it would take memory for all of it."""
        self._connection.execute("COMMIT")
        self._connection.execute("BEGIN")

    def clear(self) -> None:
        """Take every table away."""
        self._known = None
        for name in self.tables():
            self._connection.execute(f'DROP TABLE "{name}"')
        self._known = set()

    def read(
        self,
        name: str,
        by: str | None = None,
        of: Iterable[str] | None = None,
        columns: Iterable[str] | None = None,
        *,
        role: str | None = None,
        between: tuple[datetime, datetime] | None = None,
        where: Behind | None = None,
    ) -> pl.DataFrame:
        """Return a table, or its rows under some names, in the order in which they were put, names sorted.

        Of readings those in a `role` alone, or measured `between` two times, ends included; rows of meters alone `where` something holds.
        """
        there = None if self.beside is None else self.beside.get(name)
        asked, order = None if columns is None else list(columns), [] if by is None else [by, _PLACE]
        if name in _APART:
            wanted = None if asked is None else list(dict.fromkeys([*asked, "lot", _PLACE]))
            frame = reduce(together, self.apart.read(name, "lot", of, wanted))
            frame = (
                frame if there is None else together(frame.filter(~pl.col("lot").is_in(list(there.gone))), there.rows)
            )
            frame = frame if of is None else frame.filter(pl.col("lot").is_in(list(of)))
            frame = frame.sort("lot", _PLACE)
            return frame.drop(_PLACE) if asked is None else frame.select(asked)
        what = "*" if asked is None else ", ".join(f'"{column}"' for column in dict.fromkeys([*asked, *order]))
        conditions, parameters = list[str](), list[Any]()
        if of is not None:
            conditions.append(f'"{by}" IN (SELECT unnest(?))')
            parameters.append(list(of))
        if role is not None:
            conditions.append("role = ?")
            parameters.append(role)
        if between is not None:
            conditions.append("measured_at BETWEEN ? AND ?")
            parameters += [naive(moment) for moment in between]
        if where is not None:
            conditions.append(f"EXISTS (SELECT 1 FROM cuts WHERE cuts.meter = t.meter AND ({where[0]}))")
        behind = None if there is None else there.behind
        if behind is not None:
            conditions.append(f"NOT EXISTS (SELECT 1 FROM gone AS cuts WHERE cuts.meter = t.meter AND ({behind[0]}))")
        elif there is not None:
            conditions.append(f'"{there.by}" NOT IN (SELECT unnest(?))')
            parameters.append(sorted(there.gone))
        sql = f'SELECT {what} FROM "{name}" AS t' + (" WHERE " + " AND ".join(conditions) if conditions else "")
        if by is not None:
            sql += f' ORDER BY "{by}", {_PLACE}'
        with self._with_cuts(where), self._with_cuts(behind, "gone"):
            frame = with_utc(self._connection.sql(sql, params=parameters).pl())
        if there is not None:
            own = there.rows if of is None else there.rows.filter(pl.col(str(by)).is_in(parameters[0]))
            own = own if role is None else own.filter(pl.col("role") == role)
            own = own if between is None else own.filter(pl.col("measured_at").is_between(*between))
            own = own if where is None else own.filter(pl.col("meter").is_in(where[1]["meter"].to_list()))
            own = own if asked is None else own.select(frame.columns)
            frame = together(frame, own)
            frame = frame.sort(order, maintain_order=True) if order else frame
        return frame.drop(_PLACE, strict=False) if asked is None else frame.select(asked)

    def _described(self, table: str) -> list[tuple[str, str]]:
        return [(row[0], row[1]) for row in self._connection.execute(f"DESCRIBE {table}").fetchall()]

    @contextlib.contextmanager
    def _with_cuts(self, where: Behind | None, name: str = "cuts") -> Iterator[None]:
        if where is None:
            yield
            return
        self._connection.register(name, without_zone(where[1]))
        try:
            yield
        finally:
            self._connection.unregister(name)

    def put(
        self, name: str, by: str, of: Iterable[str] | None, frame: pl.DataFrame, *, where: Behind | None = None
    ) -> None:
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
        where
            Of those rows only these go.
        """
        rows = frame.with_columns(pl.col(pl.Categorical).cast(pl.String)).with_columns(
            pl.int_range(pl.len(), dtype=pl.Int64).alias(_PLACE)
        )
        if self.beside is not None:
            before, names = self.beside.get(name), set(of or ())
            if where is not None and before is None:  # behind what stays
                self.beside[name] = Beside(by, names, rows.with_columns(pl.col(_PLACE) + _BEHIND), where)
                return
            if before is not None and before.behind is not None:
                raise ValueError(f"rows of {name} are put twice beside the file")
            if before is not None:
                left = before.rows.filter(~pl.col(by).is_in(list(names)))
                rows = together(left, rows)
            self.beside[name] = Beside(by, names if before is None else before.gone | names, rows)
            return
        if name in _APART:
            self.apart.put(name, by, of, rows)
            return
        rows = without_zone(rows)
        if where is not None and name in self.tables():  # what stays stands before
            ((before_it,),) = self._connection.execute(
                f'SELECT coalesce(max({_PLACE}) + 1, 0) FROM "{name}"'
            ).fetchall()
            rows = rows.with_columns(pl.col(_PLACE) + before_it)
        self._connection.register("incoming", rows)
        try:
            if name not in self.tables():
                columns = ", ".join(
                    f'"{column}" {dtype}' + (" USING COMPRESSION zstd" if column == "document" else "")
                    for column, dtype in self._described("incoming")
                )
                self._connection.execute(f'CREATE TABLE "{name}" ({columns})')
                self.tables().add(name)
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
            if where is not None:
                with self._with_cuts(where):
                    self._connection.execute(
                        f'DELETE FROM "{name}" AS t USING cuts WHERE cuts.meter = t.meter AND ({where[0]})'
                    )
            elif of is not None:
                self._connection.execute(f'DELETE FROM "{name}" WHERE "{by}" IN (SELECT unnest(?))', [list(of)])
            if rows.height:
                self._connection.execute(f'INSERT INTO "{name}" BY NAME SELECT * FROM incoming')
        finally:
            self._connection.unregister("incoming")


@contextlib.contextmanager
def damage_told(history: Path) -> Iterator[None]:
    """Turn the database's word for a block that the disk changed, or a table that is lacking, into ours."""
    try:
        yield
    except duckdb.InterruptException:
        raise
    except duckdb.Error as error:
        if full_disk(error):
            raise DiskFull(f"The disk of {found_path(history)} is full. Free some space and try again.") from None
        raise (unreadable(found_path(history), error) if lacking(error) else _damaged(error)) from None


def _damaged(error: Exception) -> FoundDamaged:
    return FoundDamaged(
        f"{_NAME}, which lies beside the history and is no record, cannot be read ({str(error).splitlines()[0]}). The next "
        "load makes it anew."
    )


def forget(history: Path) -> None:
    """Take the results of a history away."""
    for path in (found_path(history), found_path(history).with_name(f"{_NAME}.wal")):
        path.unlink(missing_ok=True)
    RowsApart.forget(history)


def hash_of_found(history: Path, told: Mapping[str, Any] | None = None) -> str:
    """Return the hash of the file of results, which the chain of events vouches for; empty where there is none, or no whole one.

    Of 20 million readings it takes half a second. So a process remembers it with size, times and number of the file, also the time that
    nobody can set back; and `told`, an event of the chain, may say which hash the file had in the state in which it is. No file
    beside the chain says so: somebody could write another one.
    """
    try:
        seen = _seen(history)
        state: tuple[str | int, ...] = (str(history), *seen)
        if not seen or state in _HASHES:
            return _HASHES.get(state, "")
        # on Windows the third time is that of creation, which says nothing of changes
        if told is not None and told.get("seen") == seen and sys.platform != "win32":
            digest, old = str(told["found"]), True
        else:
            # within one tick of the clock of files another one could be written
            tick = _TICK_NS if seen[2] % 1_000_000_000 else _LONG_TICK_NS
            old = time.time_ns() - max(seen[1:3]) >= tick
            with found_path(history).open("rb") as file:
                digest = hashlib.file_digest(file, "sha256").hexdigest()
        if old:
            _HASHES.clear()
            _HASHES[state] = digest
    except OSError:
        return ""
    return digest


def seen_of_found(history: Path) -> list[int]:
    """Return the state of the file in which its hash was taken, with which an event of the chain may tell it; empty where it was too new."""
    seen = _seen(history)
    return seen if (str(history), *seen) in _HASHES else []


def _seen(history: Path) -> list[int]:
    """Return size, times and number of the file of results; nothing where there is none, or whoever wrote it did not end."""
    path = found_path(history)
    if path.with_name(f"{_NAME}.wal").exists() or not path.exists():
        return []
    state = path.stat()
    return [state.st_size, state.st_mtime_ns, state.st_ctime_ns, state.st_ino]
