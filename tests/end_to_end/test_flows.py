"""Flows and direct work give the same history and byte-identical pages; the server is quiet and gone afterwards."""

from __future__ import annotations

import contextlib
import io
import os
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from once import render_anew
from scenario import Scenario
from workspace_files import neutral_csv, silent_shell

from pipeline.cli import run
from pipeline.history.store import History

if TYPE_CHECKING:
    import polars as pl
    from workspace_files import Shell


def annealog(*words: str, **environment: str) -> subprocess.CompletedProcess[str]:
    clean = {name: value for name, value in os.environ.items() if not name.startswith("PREFECT_")}
    return subprocess.run(
        [sys.executable, "-m", "pipeline", *words],
        capture_output=True,
        text=True,
        check=False,
        env={**clean, "PYTHONPATH": str(Path(__file__).resolve().parents[2]), **environment},
    )


def directly(*words: str) -> subprocess.CompletedProcess[str]:
    """Carry out a command without Prefect, in this process."""
    with contextlib.redirect_stdout(io.StringIO()) as out:
        code = run([*words, "--direct"])
    return subprocess.CompletedProcess(words, code, out.getvalue(), "")


def make(root: Path) -> Path:
    shell = silent_shell(root).make()
    shell.put("day-0.csv", Scenario().check("08:00").check("08:01", block="B2").lot("09:00").check("10:00"))
    later = Scenario().check("08:00", day=1).lot("09:00", 55.0, 58.0, lot="L2", day=1)
    shell.put("day-1.csv", later.check("10:00", 0.4, day=1))
    return root


def _points_to(link: Path, target: Path) -> bool:
    try:
        return link.readlink() == target
    except OSError:
        return False


def content(root: Path) -> tuple[pl.DataFrame, list[Any]]:
    with History.open(root / "history" / "annealog.duckdb") as history:
        readings = history.readings().sort("source_id", "line", "replicate")
        events = [(e.kind, e.by, e.why) for e in history.events()]
    return readings, events


def pages(root: Path) -> dict[str, bytes]:
    folder = root / "pages"
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*.html"))}


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, list[subprocess.CompletedProcess[str]]]]:
    found = {}
    for kind in ("flow", "direct"):
        root = make(tmp_path_factory.mktemp(kind) / "works")
        carry_out = annealog if kind == "flow" else directly
        done = [
            carry_out("load", str(root / "inbox"), "--workspace", str(root)),
            carry_out("render", "--workspace", str(root)),
        ]
        found[kind] = (root, done)
    return found


def test_same_history_and_same_pages(both: dict[str, tuple[Path, list[subprocess.CompletedProcess[str]]]]) -> None:
    (flow, flow_done), (direct, direct_done) = both["flow"], both["direct"]
    assert [d.returncode for d in flow_done] == [d.returncode for d in direct_done] == [4, 0]
    assert flow_done[0].stdout.replace(str(flow), "") == direct_done[0].stdout.replace(str(direct), "")
    (readings, events), (readings_direct, events_direct) = content(flow), content(direct)
    assert readings.equals(readings_direct)
    assert events == events_direct
    assert {"index.html", "boards/LINE.html", "meters/M1.html", "lots/L1.html", "lots/L2.html"} <= set(pages(flow))
    assert pages(flow) == pages(direct)


def test_the_flow_is_quiet_and_stays_in_the_workspace(
    both: dict[str, tuple[Path, list[subprocess.CompletedProcess[str]]]],
) -> None:
    root, done = both["flow"]
    for one in done:
        assert one.stderr == ""
        assert "prefect" not in one.stdout.lower()
    with contextlib.closing(sqlite3.connect(_store(root))) as store:
        runs = store.execute("SELECT f.name, r.state_type FROM flow_run r JOIN flow f ON f.id = r.flow_id").fetchall()
    assert sorted(runs) == [("load", "COMPLETED"), ("render", "COMPLETED")], "both commands, in one store"
    assert not (both["direct"][0] / ".flows").exists()
    # no process of this machine has the server's log open any more
    log = (root / ".flows" / "server.log").resolve()
    holders = [p for p in Path("/proc").glob("[0-9]*/fd/*") if _points_to(p, log)]
    assert not holders


def test_pages_are_written_again_only_when_their_data_change(
    both: dict[str, tuple[Path, list[subprocess.CompletedProcess[str]]]], shell: Shell
) -> None:
    root = both["direct"][0]
    before = pages(root)

    def annealog(*words: str) -> str:
        return shell(*words, "--direct", "--workspace", str(root))

    assert '"written": true' not in annealog("render", "--json")
    assert shell.code == 0
    (root / "inbox" / "later.csv").write_text(neutral_csv(Scenario().check("08:00", day=2)), encoding="utf-8")
    annealog("load", str(root / "inbox"))
    annealog("render")
    after = pages(root)
    changed = {name for name in after if before.get(name) != after[name]}
    # the new run closes no lot, but it releases the meter: the pages of what it read no longer say that it is suspended
    assert {name for name in changed if name.startswith(("lots/", "meters/"))} == {
        "meters/M1.html", "lots/L1.html", "lots/L2.html",
    }  # fmt: skip
    for lot in ("lots/L1.html", "lots/L2.html"):
        assert (b"is suspended now" in before[lot], b"is suspended now" in after[lot]) == (True, False)
    assert {"index.html", "boards/LINE.html"} <= changed
    # all pages written from nothing are the same bytes
    annealog("render", "--all")
    assert pages(root) == after


def test_ten_renderings_are_the_same_bytes(tmp_path: Path) -> None:
    from pipeline.load.load import load
    from pipeline.pages.render import render
    from pipeline.workspace.files import collect
    from pipeline.workspace.settings import find_workspace

    seen = set()
    for name, step in (("one", 1), ("two", -1)):
        root = make(tmp_path / name / "works")
        workspace = find_workspace(root)
        files, _ = collect([workspace.inbox])
        for file in files[::step]:  # in the order of the days, and the other way round
            load(workspace, [file])
        for _ in range(5):
            render_anew()
            render(workspace, always=True)
            seen.add(tuple(sorted(pages(root).items())))
    assert len(seen) == 1


def test_an_error_inside_a_flow_reaches_the_user_once(tmp_path: Path) -> None:
    root = make(tmp_path / "works")
    (root / "reference" / "blocks.csv").write_text("block,certified_value\nB1,x\n", encoding="utf-8")
    done = annealog("load", str(root / "inbox"), "--workspace", str(root))
    assert done.returncode == 2
    assert done.stderr.count("expected a number with a decimal point") == 1
    assert "Traceback" not in done.stderr


def test_the_store_has_the_columns_that_the_servers_own_migrations_make(
    both: dict[str, tuple[Path, list[subprocess.CompletedProcess[str]]]], tmp_path: Path
) -> None:
    """The server declares its tables twice, as objects and as migrations; the store is made from the first, quickly."""
    migrate = (
        "import asyncio; from prefect.server.database import provide_database_interface as database; "
        "asyncio.run(database().create_db())"
    )
    clean = {name: value for name, value in os.environ.items() if not name.startswith("PREFECT_")}
    subprocess.run(
        [sys.executable, "-c", migrate], check=True, env={**clean, "PREFECT_HOME": str(tmp_path), "DO_NOT_TRACK": "1"}
    )
    made, slow = _columns(_store(both["flow"][0])), _columns(tmp_path / "prefect.db")
    assert len(made) > 300
    assert made - slow == set(), "what the server reads and writes must be what its declarations say"


def test_a_database_that_the_environment_names_is_used_as_it_is(tmp_path: Path) -> None:
    root, own = make(tmp_path / "works"), tmp_path / "own.db"
    address = {"PREFECT_SERVER_DATABASE_CONNECTION_URL": f"sqlite+aiosqlite:///{own}"}
    assert annealog("load", str(root / "inbox"), "--workspace", str(root), **address).returncode == 4
    assert ("alembic_version", "version_num") in _columns(own), "with its migrations"
    assert not list((root / ".flows").glob("*.db"))


def _store(root: Path) -> Path:
    (store,) = (root / ".flows").glob("runs-*.db")
    return store


def _columns(store: Path) -> set[tuple[str, str]]:
    with contextlib.closing(sqlite3.connect(store)) as connection:
        return set(
            connection.execute(
                "SELECT t.name, c.name FROM sqlite_master t, pragma_table_info(t.name) c WHERE t.type = 'table'"
            )
        )
