"""Every byte of a database file is under a checksum, as DuckDB wrote it."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

import duckdb
import pytest

from pipeline.history.disk_checksums import changed_places

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def database(tmp_path: Path) -> Path:
    """A file with free blocks: rows were written, checkpointed and deleted again."""
    path = tmp_path / "some.duckdb"
    with duckdb.connect(str(path)) as connection:
        connection.execute("CREATE TABLE t AS SELECT range AS i, md5(range::VARCHAR) AS s FROM range(200000)")
        connection.execute("CHECKPOINT")
        connection.execute("DROP TABLE t")
        connection.execute("CREATE TABLE u AS SELECT random() AS x FROM range(90000)")
        connection.execute("CHECKPOINT")
        free = connection.execute("SELECT free_blocks FROM pragma_database_size()").fetchone()
    assert free is not None
    assert free[0] > 0
    return path


def test_a_file_as_written_agrees(database: Path) -> None:
    """Against files that DuckDB itself wrote, blocks in use and free ones."""
    assert changed_places(database) == []
    assert database.stat().st_size > 4 * 262_144


def test_a_flipped_bit_is_placed_wherever_it_is(database: Path) -> None:
    data = database.read_bytes()
    chance = random.Random("bits")
    # the main header's own bytes are looked at by DuckDB, which does not open the file
    for at in [4096, 8191, 8192, 12287, 12288, len(data) - 1] + [chance.randrange(4096, len(data)) for _ in range(60)]:
        changed = bytearray(data)
        changed[at] ^= 1 << chance.randrange(8)
        database.write_bytes(changed)
        found = changed_places(database)
        assert found is not None
        ((first, last),) = found
        assert first <= at <= last


def test_a_torn_block_and_one_never_written(database: Path) -> None:
    data = database.read_bytes()
    database.write_bytes(data + bytes(262_144))
    assert changed_places(database) == []
    database.write_bytes(data + data[-262_144:-1000])
    assert changed_places(database) == [(len(data), len(data) + 262_144 - 1001)]


def test_another_layout_says_nothing(database: Path) -> None:
    data = bytearray(database.read_bytes())
    data[8:12] = b"DUCX"
    database.write_bytes(data)
    assert changed_places(database) is None
    database.write_bytes(b"")
    assert changed_places(database) is None
