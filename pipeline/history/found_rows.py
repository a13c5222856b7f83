"""Rows of lots that are long and seldom read, apart from the file of results: files of the lots that were judged together.

Each is named by its hash, which stands in the file of results: whoever vouches for that one vouches for these, and a load that judges a
few lots of 100,000 neither reads nor hashes the others' spots.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import shutil
import threading
from functools import reduce
from typing import TYPE_CHECKING

import polars as pl

from pipeline.errors import FoundDamaged

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    import duckdb

__all__ = ["RowsApart", "together"]

_FOLDER = "found"
_FEW_LOTS, _FILES = 1_000, 64
"""A service that loads each minute would leave a file each time: so many of one table with few lots become one."""

_READ: dict[Path, tuple[tuple[int, ...], pl.DataFrame]] = {}
"""Files read last, with the state in which each had its hash: a rendering and a server ask for lots of one file one after another."""
_MOST_AT_HAND = 32_000_000
_LOCK = threading.Lock()


class RowsApart:
    """The files beside one opened file of results, in which `rows_apart` says which lots stand in which."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, history: Path) -> None:
        self._connection, self._folder = connection, history.parent / _FOLDER

    def put(self, name: str, by: str, of: Iterable[str] | None, rows: pl.DataFrame) -> None:
        """Put rows of a table in the place of those under some names; None takes no row away."""
        data = io.BytesIO()
        rows.write_parquet(data, compression="zstd", compression_level=1, statistics=False)
        digest = hashlib.sha256(data.getbuffer()).hexdigest()
        self._folder.mkdir(exist_ok=True)
        (self._folder / f"{digest}.parquet").write_bytes(data.getbuffer())
        self._connection.execute('CREATE TABLE IF NOT EXISTS rows_apart ("table" VARCHAR, name VARCHAR, file VARCHAR)')
        if of is not None:
            gone = 'DELETE FROM rows_apart WHERE "table" = ? AND name IN (SELECT unnest(?))'
            self._connection.execute(gone, [name, list(of)])
        # one without a name tells the columns where no lot has a row
        stand = pl.DataFrame({"name": [None, *rows[by].unique().sort()]}, schema={"name": pl.String})
        self._connection.register("incoming", stand)
        try:
            self._connection.execute("INSERT INTO rows_apart SELECT ?, name, ? FROM incoming", [name, digest])
        finally:
            self._connection.unregister("incoming")

    def read(self, name: str, by: str, of: Iterable[str] | None, columns: Iterable[str] | None) -> list[pl.DataFrame]:
        """Return the rows of a table, or those under some names, by file; at least one frame, which may be empty.

        Raises
        ------
        FoundDamaged
            If a file is lacking, or another one than was written.
        """
        ask = 'SELECT file, list(name) FROM rows_apart WHERE "table" = ? AND {} GROUP BY file ORDER BY file'
        in_file, parameters = ("name IS NOT NULL", []) if of is None else ("name IN (SELECT unnest(?))", [list(of)])
        stand = self._connection.execute(ask.format(in_file), [name, *parameters]).fetchall()
        if not stand:
            stand = self._connection.execute(ask.format("name IS NULL"), [name]).fetchall()[:1]
        asked = None if columns is None else list(columns)
        found = []
        for file, names in stand:
            rows = pl.read_parquet(self._bytes(file), columns=asked) if of is None else self._at_hand(file, asked)
            found.append(rows.filter(pl.col(by).is_in([one for one in names if one is not None])))
        return found

    def _at_hand(self, file: str, columns: list[str] | None) -> pl.DataFrame:
        """Return the rows of a file, which are kept for whoever asks for its next lots, up to some files."""
        path = self._folder / f"{file}.parquet"
        with contextlib.suppress(OSError):
            there = path.stat()
            state = (there.st_size, there.st_mtime_ns, there.st_ctime_ns, there.st_ino)
            with _LOCK:
                known = _READ.pop(path, None)
                if known is None or known[0] != state:
                    known = state, pl.read_parquet(self._bytes(file))
                _READ[path] = known
                sizes = {one: rows.estimated_size() for one, (_, rows) in _READ.items()}
                for one in list(_READ)[:-1]:
                    if sum(sizes.values()) > _MOST_AT_HAND:
                        del _READ[one], sizes[one]
            return known[1] if columns is None else known[1].select(columns)
        return pl.read_parquet(self._bytes(file), columns=columns)

    def _bytes(self, file: str) -> bytes:
        with contextlib.suppress(OSError):
            data = (self._folder / f"{file}.parquet").read_bytes()
            if hashlib.sha256(data).hexdigest() == file:
                return data
        raise FoundDamaged(
            f"{_FOLDER}/{file[:12]}..., which lies beside the history and is no record, is not what was written. The next load makes it anew."
        )

    def whole(self) -> bool:
        """Whether every file is there as it was written."""
        try:
            for (file,) in self._connection.execute("SELECT DISTINCT file FROM rows_apart").fetchall():
                self._bytes(file)
        except FoundDamaged:
            return False
        return True

    def _merge(self) -> None:
        small = """SELECT "table", list(file) FROM (
            SELECT "table", file FROM rows_apart WHERE name IS NOT NULL GROUP BY "table", file HAVING count(*) < ?
        ) GROUP BY "table" HAVING count(*) > ?"""
        of = 'SELECT name FROM rows_apart WHERE "table" = ? AND name IS NOT NULL AND file IN (SELECT unnest(?))'
        for name, files in self._connection.execute(small, [_FEW_LOTS, _FILES]).fetchall():
            lots = [row[0] for row in self._connection.execute(of, [name, files]).fetchall()]
            with contextlib.suppress(FoundDamaged):  # whoever asks for it tells
                rows = reduce(together, self.read(name, "lot", lots, None))
                self._connection.execute("BEGIN")
                self.put(name, "lot", lots, rows)
                self._connection.execute("COMMIT")

    def tidy(self) -> None:
        """Put many files with few lots into one, and take away those that no lot stands in any more, or that were written for nothing."""
        told = {row[0] for row in self._connection.execute("SELECT table_name FROM duckdb_tables()").fetchall()}
        known = set()
        if "rows_apart" in told:
            self._merge()
            self._connection.execute(
                "DELETE FROM rows_apart WHERE name IS NULL AND rowid NOT IN "
                '(SELECT max(rowid) FROM rows_apart WHERE name IS NULL GROUP BY "table")'
            )
            known = {row[0] for row in self._connection.execute("SELECT DISTINCT file FROM rows_apart").fetchall()}
        for path in self._folder.glob("*.parquet"):
            if path.stem not in known:
                path.unlink(missing_ok=True)

    @staticmethod
    def forget(history: Path) -> None:
        """Take all of them away."""
        shutil.rmtree(history.parent / _FOLDER, ignore_errors=True)


def together(one: pl.DataFrame, other: pl.DataFrame) -> pl.DataFrame:
    """Return the rows of both; a column that only some lots need says nothing of the others."""
    lacking = {name: dtype for name, dtype in (*one.schema.items(), *other.schema.items()) if dtype == pl.Boolean}
    frames = [
        frame.with_columns(pl.lit(value=False).alias(name) for name in lacking if name not in frame.columns)
        for frame in (one, other)
    ]
    return pl.concat(frames, how="diagonal_relaxed")
