"""The resident service from outside: a file arrives, and within seconds pages, snapshot and alerts say so."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from watching import PATIENCE_S, day, loaded, settings, shown, until, watching

from pipeline.errors import EnvironmentProblem
from pipeline.history.store import History
from pipeline.judge import assess as assessing
from pipeline.load.load import load
from pipeline.pages import render as rendering
from pipeline.service import alerts, watch
from pipeline.service.watch import Watch
from pipeline.workspace.locks import only_one
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from datetime import datetime

    from workspace_files import Shell

    from pipeline.history.snapshot import Snapshot


def test_what_arrives_is_loaded_shown_and_published(shell: Shell) -> None:
    shell.make()
    settings(shell)
    shell.put("0.csv", day(0))
    board = shell.root / "pages" / "boards" / "LINE.html"
    with watching(shell.root, "--direct", "--serve", "0") as process:
        assert process.stderr is not None
        address = re.search(r"http://127\.0\.0\.1:\d+/", process.stderr.readline())
        assert address is not None
        until(lambda: shown(shell.root) == 1 and board.is_file(), process)
        began = time.monotonic()
        shell.put("1.csv", day(1).check("11:00", 2.0, day=1))
        until(lambda: loaded(shell.root) == 2, process)
        published = time.monotonic() - began
        until(lambda: shown(shell.root) == 2, process)
        print(f"a new file was published after {published:.1f} s, shown after {time.monotonic() - began:.1f} s")
        until(lambda: "suspended" in board.read_text(encoding="utf-8").lower() or None, process)
        # served to this computer, under its own name only, and nothing hidden
        with urllib.request.urlopen(f"{address[0]}boards/LINE.html") as answer:
            assert b'http-equiv="refresh"' in answer.read()
        for path, headers in (("boards/", {}), (".written.json", {}), ("index.html", {"Host": "evil.example"})):
            with pytest.raises(urllib.error.HTTPError, match=r"40[34]") as refused:
                urllib.request.urlopen(urllib.request.Request(address[0] + path, headers=headers))
            refused.value.close()
        process.send_signal(signal.SIGTERM)
        out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0, err
    assert "Traceback" not in err
    rounds = [json.loads(line) for line in out.splitlines()]
    assert [f["name"] for r in rounds for f in r["files"]] == ["inbox/0.csv", "inbox/1.csv"]
    assert (shell.root / ".watch.lock").read_bytes() == b""
    # the pages are those that a rendering from nothing writes
    kept = {p: p.read_bytes() for p in (shell.root / "pages").rglob("*.html") if p != board}
    shell("render", "--direct", "--all")
    assert {p: p.read_bytes() for p in (shell.root / "pages").rglob("*.html") if p != board} == kept


def test_a_round_judges_nothing_but_what_is_new_and_shows_what_follows_from_everything(
    shell: Shell, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither what pages show nor what holds now is computed from nothing; `render --all` does, and writes the same."""
    shell.make()
    settings(shell, watch_settle_seconds="0")
    asked: list[datetime] = []
    frames = assessing.assess_frames

    def count(*given: Any, **more: Any) -> Any:
        asked.append(more["as_of"])
        return frames(*given, **more)

    monkeypatch.setattr(assessing, "assess_frames", count)
    service = Watch(shell.root, lambda _: None)
    service.run(once=True)
    for number in range(2):
        shell.put(f"{number}.csv", day(number))
        asked.clear()
        service.run(once=True)
        assert shown(shell.root) == number + 1
        assert asked == []
    kept = {p: p.read_bytes() for p in (shell.root / "pages" / "lots").glob("*.html")}
    assert len(kept) == 2
    shell("render", "--direct", "--all")
    assert len(asked) == 1
    assert {p: p.read_bytes() for p in (shell.root / "pages" / "lots").glob("*.html")} == kept


def test_snapshot_and_alerts_do_not_wait_for_pages(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """A meter that failed is published and told before the first page is written."""
    shell.make()
    settings(shell, watch_settle_seconds="0", alert_targets='["json://127.0.0.1:9"]')
    shell.put("0.csv", day(0).check("11:00", 2.0))
    sent: list[str] = []
    at_first_page: list[tuple[int, list[str]]] = []
    write = rendering.write_pages

    def look(*given: Any, **more: Any) -> Any:
        at_first_page.append((loaded(shell.root), list(sent)))
        return write(*given, **more)

    monkeypatch.setattr(alerts, "send", lambda _, title, body: sent.append(f"{title} {body}") or [])
    monkeypatch.setattr(rendering, "write_pages", look)
    Watch(shell.root, lambda _: None).run(once=True)
    files, told = at_first_page[-1]  # the round before took over the reference tables
    assert files == 1
    assert len(told) == 1
    assert "Meter M1 is suspended" in told[0]
    assert sent == told, "it is told once"


def test_a_decision_stands_on_the_board_before_anything_else_is_made(
    shell: Shell, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever signed looks there; neither snapshot nor alerts nor pages are waited for, and no rendering sets the board back."""
    shell.make()
    settings(shell, watch_settle_seconds="0")
    shell.put("0.csv", day(0).check("11:00", 2.0))
    board = shell.root / "pages" / "boards" / "LINE.html"
    service = Watch(shell.root, lambda _: None)
    service.run(once=True)
    shell("record", "disposition", "--lot", "L2", "--decision", "re-measured", "--by", "Ada", "--why", "read once more")
    assert shell.code == 0, shell.err
    told: list[list[str]] = []
    at_first: dict[str, tuple[int, bytes]] = {}

    def shown(*given: Any, **more: Any) -> Any:
        (page,) = pages = watch_board(*given, **more)
        told.append([said.decision for lot in page.waiting for said in lot.dispositions])
        return pages

    def looked(name: str, function: Any) -> Any:
        def call(*given: Any, **more: Any) -> Any:
            at_first.setdefault(name, (len(told), board.read_bytes()))
            return function(*given, **more)

        return call

    watch_board = watch.board_pages
    before = board.read_bytes()
    monkeypatch.setattr(watch, "board_pages", shown)
    monkeypatch.setattr(watch, "publish_snapshot", looked("snapshot", watch.publish_snapshot))
    monkeypatch.setattr(rendering, "everything", looked("rendering", rendering.everything))
    monkeypatch.setattr(watch.Watch, "_publish", looked("end", watch.Watch._publish))
    service.run(once=True)
    assert told[0] == ["re-measured"]
    assert list(at_first) == ["rendering", "snapshot", "end"]
    assert {boards for boards, _ in at_first.values()} == {1}
    first, *others = (page for _, page in at_first.values())
    assert first != before
    assert all(page == first for page in others)


def test_what_is_written_between_two_looks_ends_the_pause(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    shell.make()
    settings(shell, watch_settle_seconds="0")
    service = Watch(shell.root, lambda _: None)
    service.run(once=True)
    pauses: list[float] = []

    def pause(seconds: float) -> None:
        pauses.append(seconds)
        if len(pauses) == 3:
            (service.workspace.history.parent / "findings.json").write_text("{}", encoding="utf-8")
        assert len(pauses) < 4

    monkeypatch.setattr(watch.stop, "wait", pause)
    service._rest(3600.0)
    assert pauses == [0.1, 0.1, 0.1]
    service._looked = watch.signature(service.workspace.history)
    pauses[:] = []
    ticks = iter((0.0, 0.0, 0.15, 0.2))
    monkeypatch.setattr(watch.time, "monotonic", lambda: next(ticks))
    service._rest(0.2)
    assert pauses == [0.1, pytest.approx(0.05)], "no longer than asked for"


def test_pages_are_written_where_the_snapshot_cannot_be(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    shell.make()
    settings(shell, watch_settle_seconds="0")

    def full(*_: object, **__: object) -> None:
        raise EnvironmentProblem("The snapshot cannot be written: No space left on device.")

    said: list[Any] = []
    service = Watch(shell.root, said.append)
    service.run(once=True)
    shell.put("1.csv", day(1))
    with monkeypatch.context() as patch:
        patch.setattr(watch, "publish_snapshot", full)
        with pytest.raises(EnvironmentProblem):  # a service would try again; `--once` says so by its code
            service.run(once=True)
    assert (shell.root / "pages" / "lots" / "L1.html").is_file()
    assert [note for one in said for note in one.notes] == ["The snapshot cannot be written: No space left on device."]
    service.run(once=True)
    assert shown(shell.root) == 1


def test_as_a_flow_service_that_loses_its_server(shell: Shell) -> None:
    """The server is killed between two rounds: the second file is loaded all the same (faults, row 34)."""
    shell.make()
    settings(shell)
    shell.put("0.csv", day(0))
    with watching(shell.root) as process:
        until(lambda: shown(shell.root) == 1, process)
        server = until(lambda: _server_of(process.pid), process)
        os.kill(server, signal.SIGKILL)
        shell.put("1.csv", day(1))
        until(lambda: shown(shell.root) == 2, process)
        process.send_signal(signal.SIGTERM)
        _, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0, err
    assert "the work went on without it" in err
    assert "Traceback" not in err
    shell("verify")
    assert shell.code == 0, shell.out


def _server_of(pid: int) -> int | None:
    for status in Path("/proc").glob("[0-9]*/stat"):
        try:
            parent = int(status.read_text(encoding="utf-8").rpartition(")")[2].split()[1])
            words = (status.parent / "cmdline").read_bytes()
        except (OSError, ValueError, IndexError):
            continue
        if parent == pid and b"flow_server" in words:
            return int(status.parent.name)
    return None


def test_once_takes_everything_and_ends(shell: Shell) -> None:
    shell.make()
    settings(shell, watch_settle_seconds="0", watch_folders='["share"]')
    shell.put("0.csv", day(0))
    (shell.root / "share").mkdir()
    shell.put("../share/1.csv", day(1))
    shell.put("odd.csv", "no;table\n")
    shell("watch", "--once", "--direct")
    assert shell.code == 0, shell.err
    assert "1.csv: loaded 9 readings" in shell.out
    assert "odd.csv: held" in shell.out
    with History.open(shell.root / "history" / "annealog.duckdb") as history:
        assert history.sources().height == 2
    shell("watch", "--once", "--direct")
    assert "loaded" not in shell.out
    assert "odd.csv" not in shell.out


def test_a_held_file_is_tried_again_when_a_layout_comes(shell: Shell) -> None:
    shell.make()
    settings(shell, watch_settle_seconds="0")
    fixtures = Path(__file__).resolve().parents[2] / "fixtures"
    shell.put("0.csv", (fixtures / "exports" / "block_means.csv").read_bytes())
    shell("watch", "--once", "--direct")
    assert "held" in shell.out
    layout = (fixtures / "layouts" / "block_means.toml").read_bytes()
    (shell.root / "layouts" / "block_means.toml").write_bytes(layout)

    said: list[Any] = []
    service = Watch(find_workspace(shell.root).root, said.append)
    service._rules = "as it was"
    service.run(once=True)
    assert [f.status for r in said if r.report for f in r.report.files] == ["loaded"], said


def test_what_another_process_loads_while_a_round_ends_is_shown_by_the_next(
    shell: Shell, monkeypatch: pytest.MonkeyPatch
) -> None:

    shell.make()
    settings(shell, watch_settle_seconds="0")
    place = find_workspace(shell.root)
    shell.put("1.csv", day(1))
    other = shell.root / "other.csv"
    shell.put("2.csv", day(2)).rename(other)
    publish = watch.publish_snapshot

    def meanwhile(*given: Any, **more: Any) -> Snapshot:
        if other.exists() and (place.pages / "lots" / "L1.html").exists():
            load(place, [other])
            other.unlink()
        return publish(*given, **more)

    monkeypatch.setattr(watch, "publish_snapshot", meanwhile)
    service = watch.Watch(place.root, lambda _: None)
    deadline = time.monotonic() + PATIENCE_S
    while not (place.pages / "lots" / "L1.html").exists() and time.monotonic() < deadline:
        service._look()
    assert not (place.pages / "lots" / "L2.html").exists()
    # the snapshot says what the history holds, not what was assessed before
    assert loaded(shell.root) == 2
    assert sum(shell.json("status")["lots"].values()) == 2
    service._look()
    assert (place.pages / "lots" / "L2.html").exists()


def test_a_second_service_is_refused_and_a_dead_ones_lock_taken_over(shell: Shell) -> None:
    """Faults, row 10: the lock ends with its holder, whoever has its number now; a note of another host's is respected."""
    shell.make()
    lock = shell.root / ".watch.lock"
    me = os.uname().nodename

    def noted(host: str, pid: int) -> None:
        lock.write_text(json.dumps({"host": host, "pid": pid, "since": "2026-03-02T08:00:00+00:00"}), encoding="utf-8")

    with only_one(lock, "watch", lambda _: None):
        shell("watch", "--once", "--direct")
        assert shell.code == 5
        assert f"process {os.getpid()} of {me}" in shell.err
    assert lock.read_bytes() == b"", "free, and nobody is noted"
    noted("elsewhere", 1)
    shell("watch", "--once", "--direct")
    assert shell.code == 5
    assert "runs on elsewhere" in shell.err
    assert "remove" in shell.err
    # left by a power cut; the number lives again
    noted(me, os.getppid())
    shell("watch", "--once", "--direct")
    assert shell.code == 0
    assert f"process {os.getppid()} of {me}, which is gone, was taken over" in shell.err
    lock.write_text("{", encoding="utf-8")
    shell("watch", "--once", "--direct")
    assert shell.code == 0
    assert lock.read_bytes() == b""


def test_of_many_that_start_at_the_same_moment_one_holds_the_lock(tmp_path: Path) -> None:
    """Also where the lock was left by one that is gone."""
    program = (
        "import sys, time\n"
        "from pathlib import Path\n"
        "from pipeline.errors import HistoryBusy\n"
        "from pipeline.workspace.locks import only_one\n"
        "print('ready', flush=True)\n"
        "for line in sys.stdin:\n"
        "    try:\n"
        "        with only_one(Path(line.strip()), 'watch', lambda _: None):\n"
        "            print('holds', flush=True)\n"
        "            sys.stdin.readline()\n"
        "    except HistoryBusy as busy:\n"
        "        print(busy, flush=True)\n"
        "        sys.stdin.readline()\n"
    )
    root = Path(__file__).resolve().parents[2]
    many = [
        subprocess.Popen(
            [sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=root
        )
        for _ in range(4)
    ]

    def said(process: subprocess.Popen[str]) -> str:
        assert process.stdout is not None
        return process.stdout.readline().strip()

    def say(process: subprocess.Popen[str], text: str) -> None:
        assert process.stdin is not None
        process.stdin.write(f"{text}\n")
        process.stdin.flush()

    assert [said(process) for process in many] == ["ready"] * 4
    for number in range(100):
        lock = tmp_path / f"{number}.lock"
        if number % 2:
            lock.write_text(json.dumps({"host": os.uname().nodename, "pid": 1, "since": "2026"}), encoding="utf-8")
        for process in many:
            say(process, str(lock))
        answers = [said(process) for process in many]
        assert answers.count("holds") == 1, answers
        assert all("runs already" in answer for answer in answers if answer != "holds")
        for process in many:
            say(process, "on")
    for process in many:
        process.communicate()


def test_dry_run_and_a_taken_port(shell: Shell) -> None:
    shell.make()
    assert "inbox" in shell("watch", "--dry-run")
    assert not (shell.root / "history").exists()
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        shell("watch", "--once", "--direct", "--serve", str(taken.getsockname()[1]))
    assert shell.code == 7
    assert "Choose another one" in shell.err
