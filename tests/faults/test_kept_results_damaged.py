"""Kept results of which the disk changed a block are not believed, keep no verdict back, and are told by verify."""

from __future__ import annotations

from typing import TYPE_CHECKING

import duckdb
import pytest
from kept_beside import given, next_load, same, two_days, vouch_for_it
from polars.testing import assert_frame_equal
from watching import day

from pipeline.errors import HistoryBusy
from pipeline.history.found import found_path
from pipeline.history.store import History
from pipeline.judge import carry_on, kept_rows
from pipeline.judge.assess import assess
from pipeline.judge.carry_on import everything
from pipeline.load.load import load

if TYPE_CHECKING:
    from pathlib import Path

    from workspace_files import Shell

    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace


@pytest.fixture
def place(shell: Shell) -> Workspace:
    return two_days(shell)


def spots_of(place: Workspace) -> list[Path]:
    return sorted((place.history.parent / "found").glob("*.parquet"))


def damage(place: Workspace, table: str) -> None:
    """Change one bit of the block that holds a table, as a disk does; behind three headers of 4,096 bytes a block has 16,384."""
    path = found_path(place.history)
    if table == "spot_values":  # they stand apart
        for apart in spots_of(place):
            data = bytearray(apart.read_bytes())
            data[len(data) // 2] ^= 1
            apart.write_bytes(data)
        return
    with duckdb.connect(str(path), read_only=True) as file:
        block = file.execute(
            f"SELECT max(block_id) FROM pragma_storage_info('{table}') WHERE segment_type = 'VARCHAR'"
        ).fetchall()[0][0]
    changed = bytearray(path.read_bytes())
    changed[3 * 4096 + block * 16_384 + 8_000] ^= 1
    path.write_bytes(changed)
    with (
        duckdb.connect(str(path), read_only=True) as file,
        pytest.raises(duckdb.Error, match="checksum"),
    ):
        file.execute(f"SELECT * FROM {table}").fetchall()


@pytest.mark.parametrize("table", ["lots", "meters", "note", "spot_values", "on_blocks"])
def test_a_block_that_the_disk_changed_is_not_believed_and_keeps_no_verdict_back(
    place: Workspace, shell: Shell, table: str
) -> None:
    damage(place, table)
    vouch_for_it(place)  # a process remembers the hash: it is as if the disk changed the block just now
    spoilt = found_path(place.history).read_bytes()
    with History.open(place.history) as history:
        found, anew = everything(history, place.settings, as_of=None), assess(history, place.settings, as_of=None)
        assert same(found, anew)
        assert_frame_equal(found.spot_values, anew.spot_values, check_row_order=False)
        assert len(found.on_blocks()) == len(anew.on_blocks()) > 0
        assert found.lines()[0].verdict == anew.lines()[0].verdict
        assert found.document_keys() == anew.document_keys()
    assert not found_path(place.history).exists()
    found_path(place.history).write_bytes(spoilt)
    handed, anew = next_load(place, shell)
    assert same(handed, anew)
    with History.open(place.history) as history:
        assert given(history) == {lot: result.verdict for lot, result in anew.lots.items()}


def test_a_changed_block_that_cannot_be_taken_away_is_not_believed(
    place: Workspace, shell: Shell, monkeypatch: pytest.MonkeyPatch
) -> None:
    damage(place, "note")
    vouch_for_it(place)

    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    for module in (carry_on, kept_rows):
        monkeypatch.setattr(module, "forget", refuse)
    with History.open(place.history) as history:
        assert same(everything(history, place.settings, as_of=None), assess(history, place.settings, as_of=None))
    handed, anew = next_load(place, shell)
    assert same(handed, anew)


@pytest.mark.parametrize("how", ["a block is changed", "gone"])
def test_what_was_handed_on_is_said_from_nothing_where_its_rows_are_lost(
    place: Workspace, shell: Shell, how: str
) -> None:
    handed, _ = next_load(place, shell)
    loaded: list[Assessment] = []
    load(place, [shell.put("3.csv", day(3))], assessed=loaded.append)
    with History.open(place.history) as history:
        anew_of_now = assess(history, place.settings, as_of=None)
    if how == "gone":
        found_path(place.history).unlink()
    else:
        damage(place, "lots")
    assert same(loaded[0], anew_of_now)
    with pytest.raises(HistoryBusy, match="meanwhile"):
        _ = handed.lots["L1"]


@pytest.mark.parametrize("table", ["lots", "spot_values"])
def test_verify_tells_a_changed_block(place: Workspace, shell: Shell, table: str) -> None:
    damage(place, table)
    vouch_for_it(place)
    shell("verify")
    assert "cannot be read, and are not what follows from the record" in (shell.out + shell.err).replace("\n", " ")
    assert not found_path(place.history).exists()


def test_of_rows_apart_only_those_files_stay_in_which_lots_stand(place: Workspace, shell: Shell) -> None:
    (place.history.parent / "found" / "left.parquet").write_bytes(b"by whoever was killed")
    before = set(spots_of(place))
    next_load(place, shell)
    with duckdb.connect(str(found_path(place.history)), read_only=True) as file:
        told = {row[0] for row in file.execute("SELECT file FROM rows_apart").fetchall()}
    assert {path.stem for path in spots_of(place)} == told
    assert told - {path.stem for path in before}, "the lots of the new day stand in files of their own"
