"""Results that lie beside the history are believed only as a load left them: altered, half written, old or gone, they are made anew."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import duckdb
import polars as pl
import pytest
from polars.testing import assert_frame_equal
from watching import day
from workspace_files import loaded_once

from pipeline.errors import FoundDamaged, HistoryBusy
from pipeline.history import found_rows
from pipeline.history.found import _HASHES, FoundStore, found_path, hash_of_found, seen_of_found
from pipeline.history.found_rows import _FEW_LOTS, _FILES, RowsApart
from pipeline.history.store import History
from pipeline.judge import carry_on, kept_rows
from pipeline.judge.assess import assess
from pipeline.judge.carry_on import carried_on, everything, told_of_found, vouched
from pipeline.load.load import load, load_files, take_over_reference
from pipeline.workspace.settings import find_workspace
from schemas.documents import as_json

if TYPE_CHECKING:
    from pathlib import Path

    from workspace_files import Shell

    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace


@pytest.fixture
def place(shell: Shell) -> Workspace:
    return find_workspace(shell.become(loaded_once({f"{number}.csv": day(number) for number in (0, 1)})).root)


def next_load(place: Workspace, shell: Shell) -> tuple[Assessment, Assessment]:
    """Return what the load of another day handed on, and what follows from nothing."""
    handed: list[Assessment] = []
    load(place, [shell.put("2.csv", day(2))], assessed=handed.append)
    with History.open(place.history) as history:
        return handed[0], assess(history, place.settings, as_of=None)


def same(one: Assessment, other: Assessment) -> bool:
    names = ("lots", "meters", "events")
    return all(as_json(dict(getattr(one, name))) == as_json(dict(getattr(other, name))) for name in names)


def say_otherwise(path: Path) -> None:
    with duckdb.connect(str(path)) as file:
        accepted, rejected = '"verdict":"accept"', '"verdict":"reject"'
        file.execute("UPDATE lots SET verdict = 'reject', document = replace(document, ?, ?)", [accepted, rejected])


def left_half(path: Path) -> None:
    path.with_name(f"{path.name}.wal").write_bytes(b"half a change")


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-5000])


@pytest.mark.parametrize("spoil", [say_otherwise, left_half, cut, lambda path: path.unlink()])
def test_what_the_chain_does_not_vouch_for_is_judged_anew(place: Workspace, shell: Shell, spoil: Any) -> None:
    spoil(found_path(place.history))
    with History.open(place.history) as history:
        assert carried_on(history, place.settings) is None
        assert everything(history, place.settings, as_of=None).kept is None
    handed, anew = next_load(place, shell)
    assert handed.kept is not None
    assert handed.kept.judged == frozenset(anew.lots), "every lot, also those that the new file does not touch"
    assert same(handed, anew)


def test_what_the_first_load_left_in_a_log_is_not_believed_either(shell: Shell) -> None:
    """Nothing was vouched for yet, and a file with a log beside it has no hash: two times nothing are not the same."""
    place = find_workspace(shell.make().root)
    take_over_reference(place, now=datetime.now(UTC))
    load_files(place, [shell.put("1.csv", day(1))])
    with History.open(place.history, write=True) as history:
        assert carried_on(history, place.settings, keep=True) is not None
    dies = "import duckdb, os, sys; file = duckdb.connect(sys.argv[1]); file.execute('DELETE FROM meters'); os._exit(0)"
    subprocess.run([sys.executable, "-c", dies, str(found_path(place.history))], check=True)
    assert found_path(place.history).with_name("found.duckdb.wal").exists()
    with History.open(place.history) as history:
        assert hash_of_found(place.history) == vouched(history) == ""
    handed: list[Assessment] = []
    load(place, [], assessed=handed.append)
    with History.open(place.history) as history:
        assert same(handed[0], assess(history, place.settings, as_of=None))


def test_results_of_before_are_not_taken_for_those_of_now(place: Workspace, shell: Shell) -> None:
    old = found_path(place.history).with_name("old")
    shutil.copy(found_path(place.history), old)
    load(place, [shell.put("3.csv", day(3))])
    shutil.copy(old, found_path(place.history))
    handed, anew = next_load(place, shell)
    assert handed.kept is not None
    assert handed.kept.judged == frozenset(anew.lots)
    assert same(handed, anew)


def test_whole_results_are_carried_on_and_looking_does_not_change_them(place: Workspace, shell: Shell) -> None:
    with History.open(place.history) as history:
        assert hash_of_found(place.history) == vouched(history) != ""
        found = carried_on(history, place.settings)
        assert found is not None
        assert len(found.readings), "rows are fetched"
        assert hash_of_found(place.history) == vouched(history)
    handed, anew = next_load(place, shell)
    assert handed.kept is not None
    assert handed.kept.judged < frozenset(anew.lots)
    assert same(handed, anew)


@pytest.mark.parametrize("moment", ["while judging", "before it is vouched for"])
def test_a_load_that_does_not_end_leaves_nothing_that_is_believed(
    place: Workspace, shell: Shell, moment: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as broken:
        if moment == "while judging":
            broken.setattr(FoundStore, "note", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        else:
            broken.setattr(History, "put_verdicts", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            load(place, [shell.put("3.csv", day(3))])
    handed, anew = next_load(place, shell)
    assert same(handed, anew)


def test_rows_that_are_fetched_after_another_load_are_refused(place: Workspace, shell: Shell) -> None:
    handed: list[Assessment] = []
    load(place, [shell.put("3.csv", day(3))], assessed=handed.append)
    load(place, [shell.put("4.csv", day(4))])
    with pytest.raises(HistoryBusy, match="meanwhile"):
        _ = handed[0].spot_values


def test_what_is_found_by_looking_lies_in_memory_alone(place: Workspace, shell: Shell) -> None:
    """Readings that were stored and not judged yet, at a later moment: a change that is taken back would alter the file, too."""
    load_files(place, [shell.put("3.csv", day(3))], now=datetime.now(UTC))
    before = found_path(place.history).read_bytes()
    with History.open(place.history) as history:
        last = history.last_measured_at()
        assert last is not None
        later = last + timedelta(days=2)
        found, anew = everything(history, place.settings, as_of=later), assess(history, place.settings, as_of=later)
        assert found.kept is not None
        assert frozenset() < found.kept.judged < frozenset(anew.lots)
        assert same(found, anew)
        assert_frame_equal(found.spot_values, anew.spot_values, check_row_order=False)
    assert found_path(place.history).read_bytes() == before


def test_a_hash_is_remembered_by_no_file_and_until_the_results_are_others(
    place: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(f"{hash_of_found.__module__}._TICK_NS", 0)
    monkeypatch.setattr(f"{hash_of_found.__module__}._LONG_TICK_NS", 0)
    path, others = found_path(place.history), sorted(place.history.parent.iterdir())
    seen, before = path.stat(), hash_of_found(place.history)
    assert hash_of_found(place.history) == before
    altered = bytearray(path.read_bytes())
    altered[-1] ^= 1
    path.write_bytes(altered)
    os.utime(path, ns=(seen.st_atime_ns, seen.st_mtime_ns))
    assert (path.stat().st_size, path.stat().st_mtime_ns) == (seen.st_size, seen.st_mtime_ns)
    assert hash_of_found(place.history) == hashlib.sha256(altered).hexdigest() != before
    assert sorted(place.history.parent.iterdir()) == others


def test_the_chain_tells_in_which_state_the_file_had_its_hash_and_nobody_gives_another_one_that_state(
    place: Workspace, shell: Shell, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(f"{hash_of_found.__module__}._TICK_NS", 0)
    monkeypatch.setattr(f"{hash_of_found.__module__}._LONG_TICK_NS", 0)
    load(place, [shell.put("2.csv", day(2))])
    path, hashes = found_path(place.history), _HASHES
    digest, seen = hashlib.sha256(path.read_bytes()).hexdigest(), path.stat()
    with History.open(place.history) as history:
        told = told_of_found(history)
        assert told["seen"] == seen_of_found(place.history)
        assert told["seen"] == [seen.st_size, seen.st_mtime_ns, seen.st_ctime_ns, seen.st_ino]
        with monkeypatch.context() as nothing_read:
            hashes.clear()
            nothing_read.delattr(hashlib, "file_digest")
            assert hash_of_found(place.history, told) == digest == vouched(history)
            hashes.clear()
            assert carried_on(history, place.settings) is not None
    altered = bytearray(path.read_bytes())
    altered[-1] ^= 1
    for spoil in (
        lambda: path.write_bytes(altered),
        lambda: (path.with_suffix(".new").write_bytes(altered), path.with_suffix(".new").replace(path)),
    ):
        spoil()
        os.utime(path, ns=(seen.st_atime_ns, seen.st_mtime_ns))
        assert (path.stat().st_size, path.stat().st_mtime_ns) == (seen.st_size, seen.st_mtime_ns)
        hashes.clear()
        with History.open(place.history) as history:
            assert hash_of_found(place.history, told) == hashlib.sha256(altered).hexdigest()
            assert carried_on(history, place.settings) is None
        hashes.clear()
        path.write_bytes(bytes(altered[:-1]) + bytes([altered[-1] ^ 1]))


def test_a_file_that_is_too_new_is_told_in_no_state(place: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    for tick in ("_TICK_NS", "_LONG_TICK_NS"):
        monkeypatch.setattr(f"{hash_of_found.__module__}.{tick}", 10**18)
    _HASHES.clear()
    assert hash_of_found(place.history)
    assert seen_of_found(place.history) == []
    found_path(place.history).unlink()
    assert (hash_of_found(place.history), seen_of_found(place.history)) == ("", [])


def test_results_that_somebody_writes_are_not_waited_for(place: Workspace) -> None:
    writes = "import duckdb, sys; file = duckdb.connect(sys.argv[1]); print('has it', flush=True); sys.stdin.read()"
    with (
        subprocess.Popen(
            [sys.executable, "-c", writes, str(found_path(place.history))],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        ) as other,
        History.open(place.history) as history,
    ):
        assert other.stdout is not None
        assert other.stdout.readline()
        assert carried_on(history, place.settings) is None
        other.communicate()


READS = "import duckdb, sys; file = duckdb.connect(sys.argv[1], read_only=True); print('has it', flush=True); sys.stdin.read()"


def test_results_that_somebody_reads_for_long_keep_no_verdict_back(place: Workspace, shell: Shell) -> None:
    (shell.root / "annealog.toml").write_text("busy_wait_seconds = 0.2\n", encoding="utf-8")
    place = find_workspace(shell.root)
    load(place, [])
    with subprocess.Popen(
        [sys.executable, "-c", READS, str(found_path(place.history))], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline()
        before = hash_of_found(place.history)
        report = load(place, [shell.put("3.csv", day(3).lot("09:30", 56.0, 56.1, 56.2, lot="L3", day=3))])
        other.communicate()
    assert "L3" in report.lots
    with History.open(place.history) as history:
        assert "L3" in given(history)
        assert vouched(history) == hash_of_found(place.history) == before, "what is found is kept the next time"
    handed, anew = next_load(place, shell)
    assert handed.kept is not None
    assert "L3" in handed.kept.judged
    assert same(handed, anew)


def given(history: History) -> dict[str, str]:
    return dict(history.verdicts_given().select("lot", "verdict").iter_rows())


def chain(place: Workspace) -> list[str]:
    with History.open(place.history) as history:
        return [event.kind for event in history.events()]


def test_results_that_this_process_reads_are_neither_taken_away_nor_waited_for_in_vain(
    place: Workspace, shell: Shell
) -> None:
    """One process opens a file to read or to write; that it cannot do both is no damage."""
    (shell.root / "annealog.toml").write_text("busy_wait_seconds = 0.2\n", encoding="utf-8")
    place = find_workspace(shell.root)
    load(place, [])
    before = hash_of_found(place.history)
    with FoundStore.open(place.history) as reader:
        assert reader is not None
        load(place, [shell.put("3.csv", day(3).lot("09:30", 56.0, 56.1, 56.2, lot="L3", day=3))])
        assert found_path(place.history).exists()
        assert reader.read("lots", columns=["lot"])["lot"].to_list() == ["L1", "L2"]
    with History.open(place.history, snapshot=False) as history:
        assert "L3" in given(history)
        assert vouched(history) == hash_of_found(place.history) == before
        with pytest.raises(HistoryBusy, match="another part of this process"):
            History.open(place.history, write=True, wait_s=0.1)


@pytest.mark.parametrize("files", [0, 1])
def test_what_was_stored_and_not_judged_is_judged_by_the_next_load(place: Workspace, shell: Shell, files: int) -> None:
    load_files(place, [shell.put("3.csv", day(3).lot("09:30", 56.0, 56.1, 56.2, lot="L3", day=3))])
    with History.open(place.history) as history:
        assert "L3" not in given(history)
    report = load(place, [shell.root / "inbox" / "3.csv"][:files])
    assert [file.status for file in report.files] == ["already_loaded"][:files]
    assert report.lots.keys() == {"L1", "L3"}
    with History.open(place.history) as history:
        assert (
            given(history)["L3"] == report.lots["L3"] == assess(history, place.settings, as_of=None).lots["L3"].verdict
        )
    before = chain(place)
    assert before[-1] == "verdicts"
    assert load(place, []).lots == {}
    assert chain(place) == before, "nothing is left to be said"


def test_a_table_that_was_taken_over_alone_is_judged_by_the_next_load(place: Workspace, shell: Shell) -> None:
    table = shell.root / "reference" / "lots.csv"
    text = table.read_text(encoding="utf-8").replace("L2,bar", "L2,rod")
    assert text != table.read_text(encoding="utf-8")
    table.write_text(text, encoding="utf-8")
    take_over_reference(place, now=datetime.now(UTC), accept=True, by="A. Ranta", why="rod")
    before = chain(place)
    assert before[-1] == "reference"
    load(place, [])
    assert chain(place) == [*before, "verdicts"]


def test_a_later_moment_and_a_withheld_verdict_are_said_once(place: Workspace, shell: Shell) -> None:
    """Where nothing is kept, too, nothing is judged again and again."""
    load_files(place, [shell.put("3.csv", day(3))])
    with History.open(place.history) as history:
        last = history.last_measured_at()
    assert last is not None
    load(place, [], as_of=last + timedelta(days=1))
    before = chain(place)
    assert before[-1] == "verdicts"
    load(place, [], as_of=last + timedelta(days=1))
    assert chain(place) == before


def vouch_for_it(place: Workspace) -> None:
    """Append what a load appends: whoever alters the results and the chain."""
    with History.open(place.history, write=True) as history, history.transaction():
        kept = {**(history.last_of("verdicts").subject), "found": hash_of_found(place.history)}  # type: ignore[union-attr]
        history.append_event("verdicts", kept, by="load", why="forged")


@pytest.mark.parametrize("document", ["x", "null", "[]", "{}"])
def test_a_kept_document_that_is_no_result_is_judged_anew_whoever_vouches_for_it(
    place: Workspace, shell: Shell, document: str
) -> None:
    for table in ("lots", "meters"):
        with duckdb.connect(str(found_path(place.history))) as file:
            file.execute(f"UPDATE {table} SET document = ?", [document])
        vouch_for_it(place)
        if table == "lots":
            shell("verify")
            assert "are not what follows from the record" in shell.out + shell.err
            assert not found_path(place.history).exists()
            load(place, [shell.put("1b.csv", day(1).check("23:30", day=1))])
    with History.open(place.history) as history:
        assert carried_on(history, place.settings) is None
    handed, anew = next_load(place, shell)
    assert handed.kept is not None
    assert handed.kept.judged == frozenset(anew.lots)
    assert same(handed, anew)


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


def test_many_files_with_few_lots_become_one_and_every_lot_keeps_its_rows(tmp_path: Path) -> None:
    def spots(lot: int, value: float) -> pl.DataFrame:
        return pl.DataFrame({"lot": [f"L-{lot}"] * 2, "value": [value, value + 0.5], "_place": [0, 1]})

    def of(*lots: int) -> list[tuple[str, float]]:
        frames = apart.read("spot_values", "lot", [f"L-{lot}" for lot in lots], ["lot", "value"])
        return sorted(pl.concat(frames).iter_rows())

    apart = RowsApart(duckdb.connect(), tmp_path / "history.duckdb")
    whole = pl.concat(spots(lot, 7.0) for lot in range(1_000, 1_000 + _FEW_LOTS))
    apart.put("spot_values", "lot", None, whole)
    for lot in range(_FILES):
        apart.put("spot_values", "lot", [f"L-{lot}"], spots(lot, float(lot)))
    apart.tidy()
    assert len(list(tmp_path.glob("found/*"))) == _FILES + 1, "as many as may stand beside each other"
    apart.put("spot_values", "lot", [f"L-{_FILES}"], spots(_FILES, 1.0))
    apart.put("spot_values", "lot", ["L-3"], spots(3, 30.0))
    apart.tidy()
    assert len(list(tmp_path.glob("found/*"))) == 2, "that of many lots, and one of all others"
    assert of(_FILES) == [(f"L-{_FILES}", 1.0), (f"L-{_FILES}", 1.5)]
    assert of(3, 4) == [("L-3", 30.0), ("L-3", 30.5), ("L-4", 4.0), ("L-4", 4.5)]
    assert len(of(*range(_FILES + 1), *range(1_000, 1_000 + _FEW_LOTS))) == 2 * (_FILES + 1 + _FEW_LOTS)
    assert apart.whole()


def test_a_file_that_the_disk_changed_is_not_put_together_with_others_and_stays_to_be_told(tmp_path: Path) -> None:
    apart = RowsApart(duckdb.connect(), tmp_path / "history.duckdb")
    for lot in range(_FILES + 1):
        apart.put("spot_values", "lot", None, pl.DataFrame({"lot": [f"L-{lot}"], "value": [1.0 * lot]}))
    files = sorted(tmp_path.glob("found/*"))
    files[0].write_bytes(b"otherwise")
    apart.tidy()
    assert sorted(tmp_path.glob("found/*")) == files
    assert not apart.whole()


def test_a_file_that_was_read_is_read_again_only_where_it_was_written_since(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def asked(lot: str) -> list[float]:
        (rows,) = apart.read("spot_values", "lot", [lot], ["lot", "value"])
        return rows["value"].to_list()

    apart, read = RowsApart(duckdb.connect(), tmp_path / "history.duckdb"), list[str]()
    for first in (0, 2, 4):
        lots = {f"L-{lot}": 1.0 * lot for lot in (first, first + 1)}
        apart.put("spot_values", "lot", None, pl.DataFrame({"lot": list(lots), "value": list(lots.values())}))
    whole = RowsApart._bytes
    monkeypatch.setattr(RowsApart, "_bytes", lambda one, file: read.append(file) or whole(one, file))
    assert [asked(f"L-{lot}") for lot in (0, 1, 0, 2, 3)] == [[0.0], [1.0], [0.0], [2.0], [3.0]]
    assert len(read) == len(set(read)) == 2
    assert asked("L-404") == []
    monkeypatch.setattr(found_rows, "_MOST_AT_HAND", 0)
    assert [asked(f"L-{lot}") for lot in (4, 5, 0)] == [[4.0], [5.0], [0.0]]
    assert len(read) == 4, "more than may be held is let go, that of the first lots with it"
    path = tmp_path / "found" / f"{read[-1]}.parquet"
    data = path.read_bytes()
    path.write_bytes(data[::-1])
    with pytest.raises(FoundDamaged):
        asked("L-0")
    path.write_bytes(data)
    assert asked("L-1") == [1.0]


def test_verify_tells_results_that_do_not_follow(place: Workspace, shell: Shell) -> None:
    say_otherwise(found_path(place.history))
    vouch_for_it(place)
    with History.open(place.history) as history:
        found, anew = everything(history, place.settings, as_of=None), assess(history, place.settings, as_of=None)
        assert not same(found, anew), "some lot was accepted"
    shell("verify")
    assert "are not what follows from the record" in shell.out + shell.err
    assert not found_path(place.history).exists()
