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
import pytest
from kept_beside import next_load, same, two_days, vouch_for_it
from polars.testing import assert_frame_equal
from watching import day

from pipeline.errors import HistoryBusy
from pipeline.history.found import _HASHES, FoundStore, found_path, hash_of_found, seen_of_found
from pipeline.history.store import History
from pipeline.judge.assess import assess
from pipeline.judge.carry_on import carried_on, everything, told_of_found, vouched
from pipeline.load.load import load, load_files
from pipeline.load.take_over import take_over_reference
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from pathlib import Path

    from workspace_files import Shell

    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace


@pytest.fixture
def place(shell: Shell) -> Workspace:
    return two_days(shell)


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


def test_verify_tells_results_that_do_not_follow(place: Workspace, shell: Shell) -> None:
    say_otherwise(found_path(place.history))
    vouch_for_it(place)
    with History.open(place.history) as history:
        found, anew = everything(history, place.settings, as_of=None), assess(history, place.settings, as_of=None)
        assert not same(found, anew), "some lot was accepted"
    shell("verify")
    assert "are not what follows from the record" in shell.out + shell.err
    assert not found_path(place.history).exists()
