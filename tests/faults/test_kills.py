"""`kill -9` at 200 random moments of loads, rounds of the watch and renderings (faults, row 5).

The processes are forked from a server that has imported everything and computed nothing (threads that compute do not survive a
fork), so that a kill costs a fraction of a second. SIGKILL does not test the loss of power: what the operating system holds survives it.
"""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import os
import random
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from scenario import Scenario

from pipeline.history.snapshot import Snapshot
from pipeline.history.store import History
from pipeline.workspace.files import write_atomically

if TYPE_CHECKING:
    from workspace_files import Shell

WORKSPACES = 4
KILLS = {"load": 32, "watch": 10, "render": 8}  # in each of the workspaces: a short history lets a run be short
FILES_AT_ONCE = 2
PRELOADED = [
    "pipeline.load.load", "pipeline.pages.render", "pipeline.kept.snapshot", "pipeline.questions.status", "pipeline.judge.carry_on",
    "reports.block.page", "reports.overview.board", "reports.event.page", "reports.overview.index", "reports.lot.page", "reports.meter.page", "reports.process.page",
    "reports.review.page", "altair", "hypothesis", "pandas", "pandera.polars", "pyarrow.dataset", "pytest", "scenario", "vl_convert", "workspace_files",
]  # fmt: skip


def compiled_once(path: Path) -> None:
    """Take charts compiled from a file: it is half of what a new process spends on a rendering, and writes nothing of the workspace."""
    from reports.kit import charts

    made, known = charts._template, json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}

    def template(layers: tuple[str, ...]) -> str:
        name = " ".join(layers)
        if name not in known:
            known[name] = made(layers)
            write_atomically(path, json.dumps(known).encode())
        return str(known[name])

    charts._template = template  # type: ignore[assignment]


def work(kind: str, root: str, began: Any) -> None:
    """What is killed. Runs in a forked process."""
    from pipeline.kept.snapshot import publish_snapshot
    from pipeline.load.load import load
    from pipeline.pages import render as rendering
    from pipeline.workspace.files import collect
    from pipeline.workspace.settings import find_workspace

    os.chdir(root)
    # each page is written alike, and the handbook has three times as many as the short history: kills are to hit the latter
    book = rendering.handbook_pages
    rendering.handbook_pages = lambda place: book(place)[:1]
    compiled_once(Path(root).with_name("charts.json"))
    with contextlib.redirect_stdout(None), contextlib.redirect_stderr(None):
        place = find_workspace(Path(root))
        began.send(True)
        if kind == "render":
            rendering.render(place, always=True)
            return
        load(place, collect([place.inbox])[0])
        if kind == "watch":
            rendering.render(place)
            publish_snapshot(place)


def test_what_is_imported_starts_no_thread_that_computes() -> None:
    """A fork would wait for those threads for ever: here, and in whatever forks to write pages."""
    say = "import sys, importlib, pathlib\nsys.path.insert(0, sys.argv[1])\n"
    say += "for name in sys.argv[2:]: importlib.import_module(name)\n"
    say += "for task in pathlib.Path('/proc/self/task').iterdir(): print((task / 'comm').read_text().strip())"
    words = [sys.executable, "-c", say, str(Path(__file__).resolve().parents[1]), *PRELOADED]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    names = done.stdout.split()
    assert names
    assert [name for name in names if re.match(r"polars-\d|tokio", name)] == []


@pytest.fixture(scope="module")
def server() -> Any:
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(PRELOADED)
    return context


def whole(root: Path) -> set[str]:
    """Check that each file is fully in or fully out; return the names of those that are in."""
    place = root / "history" / "annealog.duckdb"
    if not place.exists():
        return set()
    with History.open(place, write=True) as history:
        sources, counts = history.sources(), history.table("reading")["source_id"].value_counts()
    assert sources["readings"].to_list() == [9] * sources.height
    assert counts["count"].to_list() == [9] * sources.height
    assert sources["sha256"].n_unique() == sources.height
    return set(sources["name"].to_list())


@pytest.mark.parametrize("workspace", range(WORKSPACES))
def test_killed_at_50_random_moments(shell: Shell, server: Any, workspace: int) -> None:
    shell.make()
    chance = random.Random(f"fifty kills of {workspace}")
    day, cut, lengths = 0, dict.fromkeys(KILLS, 0), dict.fromkeys(KILLS, 0.2)
    # a run is cut into as many slices as it has kills, with one at a random moment in each: independent moments leave gaps
    slices = [(kind, number / count, (number + 1) / count) for kind, count in KILLS.items() for number in range(count)]
    chance.shuffle(slices)
    inbox = shell.root / "inbox"

    def put() -> None:
        nonlocal day
        for _ in range(FILES_AT_ONCE):
            lot = "L1" if day % 2 else "L2"
            export = Scenario().check("08:00", day=day).lot("09:00", lot=lot, day=day).check("10:00", day=day)
            shell.put(f"{day:04}.csv", export)
            day += 1

    def run(kind: str, kill_after: float | None) -> bool:
        """Run to the end or to the kill; whether it was killed."""
        reader, writer = server.Pipe(duplex=False)
        process = server.Process(target=work, args=(kind, str(shell.root), writer))
        process.start()
        writer.close()
        with reader:
            assert reader.recv()
        start = time.monotonic()
        process.join(kill_after)
        killed = process.is_alive()
        process.kill()
        process.join()
        if not killed:
            assert process.exitcode == 0
            lengths[kind] = 0.5 * lengths[kind] + 0.5 * (time.monotonic() - start)
        process.close()
        return killed

    put()
    for kind in KILLS:
        run(kind, None)
        put()
    loaded: set[str] = set()
    for kind, start, end in slices:
        cut[kind] += run(kind, 1.1 * lengths[kind] * chance.uniform(start, end))
        now = whole(shell.root)
        assert loaded <= now, "what was loaded once stays"
        loaded = now
        half_pages = [p for p in (shell.root / "pages").rglob("*.html") if not p.read_bytes().endswith(b"</html>\n")]
        assert half_pages == []
        json.loads((shell.root / "pages" / ".written.json").read_text(encoding="utf-8"))
        snapshot = Snapshot.current(shell.root / "history" / "annealog.duckdb")
        assert snapshot is not None
        assert snapshot.whole()
        if kind != "render":
            # few files, so that 200 runs stay short: those that are in leave the inbox
            for name in now:
                (shell.root / name).unlink(missing_ok=True)
            if not any(inbox.iterdir()):
                put()
    assert all(cut[kind] > KILLS[kind] // 3 for kind in KILLS), f"too few kills hit work under way: {cut}"
    print(f"cut short: {cut} of {KILLS}; {len(loaded)} files in")
    shell("load", "--direct", "inbox")
    assert shell.code in (0, 4), shell.err
    assert len(whole(shell.root)) == day
    shell("verify")
    assert shell.code == 0, shell.out
    document = shell.json("rebuild")
    assert document["same"] is True
    shutil.rmtree(shell.root / "pages")
    shell("render", "--direct")
    assert shell.code == 0, shell.err
