"""An engine of the database stays for the next opening; the file does not, and nothing but the file can be reached."""

from __future__ import annotations

import threading
from pathlib import Path

import duckdb
import pytest

from pipeline.errors import HistoryBusy, IntegrityProblem
from pipeline.history import connection
from pipeline.history.connection import connect, in_memory


def made(path: Path) -> Path:
    """Return a file with one row."""
    opened = connect(path, write=True, wait_s=0)
    opened.connection.execute("CREATE TABLE one AS SELECT 1 AS number")
    opened.close()
    return path


def number(path: Path) -> int:
    """Return what stands in the row."""
    opened = connect(path, write=False, wait_s=0)
    try:
        ((found,),) = opened.connection.execute("SELECT number FROM one").fetchall()
    finally:
        opened.close()
    return int(found)


def engines(monkeypatch: pytest.MonkeyPatch) -> list[Path | None]:
    """Return the files for which engines begin from now on."""
    begun: list[Path | None] = []
    first = connection._Engine.__init__

    def begins(self: connection._Engine, file: Path | None, folder: Path) -> None:
        begun.append(file)
        first(self, file, folder)

    monkeypatch.setattr(connection._Engine, "__init__", begins)
    return begun


def test_one_engine_serves_every_opening_of_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    begun = engines(monkeypatch)
    place = made(tmp_path / "history.duckdb")
    assert [number(place) for _ in range(5)] == [1] * 5
    assert begun == [place]


def test_the_file_is_let_go_with_its_last_user_alone(tmp_path: Path) -> None:
    place = made(tmp_path / "history.duckdb")
    one, other = connect(place, write=False, wait_s=0), connect(place, write=False, wait_s=0)
    one.close()
    one.close()  # a second time is not the other's
    with pytest.raises(HistoryBusy, match="another part of this process"):
        connect(place, write=True, wait_s=0)
    assert other.connection.execute("FROM one").fetchall() == [(1,)]
    other.close()
    connect(place, write=True, wait_s=0).close()


def test_what_another_program_puts_in_its_place_is_read(tmp_path: Path) -> None:
    place, new = made(tmp_path / "history.duckdb"), tmp_path / "new.duckdb"
    assert number(place) == 1
    with duckdb.connect(str(new)) as file:
        file.execute("CREATE TABLE one AS SELECT 2 AS number")
    new.replace(place)
    assert number(place) == 2


def test_files_of_the_same_name_in_two_folders_are_two(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
    with duckdb.connect(str(tmp_path / "b" / "history.duckdb")) as file:
        file.execute("CREATE TABLE one AS SELECT 2 AS number")
    made(tmp_path / "a" / "history.duckdb")
    monkeypatch.chdir(tmp_path / "a")
    here = Path("history.duckdb")
    assert number(here) == 1
    monkeypatch.chdir(tmp_path / "b")
    assert number(here) == 2


def test_nothing_but_the_file_is_reached_and_no_setting_changed(tmp_path: Path) -> None:
    place = made(tmp_path / "it's.duckdb")
    (tmp_path / "beside.csv").write_text("a\n1\n")
    made(tmp_path / "other.duckdb")
    opened = connect(place, write=True, wait_s=0)
    for sql in (
        f"FROM read_csv('{tmp_path}/beside.csv')",
        f"COPY one TO '{tmp_path}/out.csv'",
        f"ATTACH '{tmp_path}/other.duckdb'",
        "SET enable_external_access = true",
        f"SET allowed_paths = ['{tmp_path}/beside.csv']",
        "INSTALL httpfs",
    ):
        with pytest.raises(duckdb.Error, match=r"disabled by configuration|locked|Cannot"):
            opened.connection.execute(sql)
    opened.close()


def test_snapshots_of_one_folder_see_their_own_frames_alone(tmp_path: Path) -> None:
    one, other = in_memory(tmp_path), in_memory(tmp_path)
    one.connection.execute("CREATE TEMP VIEW seen AS SELECT 1 AS number")
    with pytest.raises(duckdb.CatalogException):
        other.connection.execute("FROM seen")
    one.close()
    again = in_memory(tmp_path)
    with pytest.raises(duckdb.CatalogException):
        again.connection.execute("FROM seen")
    again.close()
    other.close()


def test_an_engine_that_an_error_came_from_is_not_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    begun = engines(monkeypatch)
    place = tmp_path / "history.duckdb"
    place.write_bytes(b"x" * 50_000)
    with pytest.raises(IntegrityProblem, match="cannot be read"):
        connect(place, write=False, wait_s=0)
    place.unlink()
    made(place)
    assert begun == [place, place]


def test_no_more_engines_stay_than_said_and_none_in_use_goes(tmp_path: Path) -> None:
    held = connect(made(tmp_path / "held.duckdb"), write=False, wait_s=0)
    for index in range(connection._KEPT + 3):
        made(tmp_path / f"{index}.duckdb")
    assert len(connection._ENGINES) <= connection._KEPT + 1
    assert held.connection.execute("FROM one").fetchall() == [(1,)]
    held.close()


def test_threads_that_open_at_the_same_time_share_the_file(tmp_path: Path) -> None:
    place = made(tmp_path / "history.duckdb")
    found: list[int] = []
    threads = [threading.Thread(target=lambda: found.extend(number(place) for _ in range(20))) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert found == [1] * 80


def test_a_transaction_that_nobody_ended_is_taken_back(tmp_path: Path) -> None:
    place = made(tmp_path / "history.duckdb")
    opened = connect(place, write=True, wait_s=0)
    opened.connection.execute("BEGIN")
    opened.connection.execute("UPDATE one SET number = 2")
    opened.close()
    assert number(place) == 1
    assert not place.with_name("history.duckdb.wal").exists()
