"""The resident service beside damage and other programs: told, withheld, waited for or ended, and mended where it can be."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import duckdb
import pytest
from watching import day, settings
from workspace_files import loaded_once

from pipeline.errors import FoundDamaged, HistoryTooNew, IntegrityProblem, SnapshotDamaged
from pipeline.history.snapshot import Snapshot
from pipeline.history.store import History
from pipeline.judge.findings import standing_findings
from pipeline.service import alerts, watch
from pipeline.service.watch import Watch
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from workspace_files import Shell


@pytest.fixture
def sent(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What is sent to people, instead of sending it."""
    found: list[str] = []
    monkeypatch.setattr(alerts, "send", lambda _, title, body: found.append(f"{title} {body}") or [])
    return found


def test_the_record_is_verified_on_time_and_damage_is_shown_and_alerted(shell: Shell, sent: list[str]) -> None:
    """A byte of a raw file flips while the service runs; nobody has to ask (faults, row 14)."""
    shell.make()
    settings(shell, watch_settle_seconds="0", watch_verify_at='"0 0 1 1 *"', alert_targets='["json://127.0.0.1:9"]')
    shell.put("1.csv", day(1))
    said: list[Any] = []
    service = Watch(find_workspace(shell.root).root, said.append)
    service.run(once=True)
    page = shell.root / "pages" / "lots" / "L1.html"
    assert "Accept" in page.read_text(encoding="utf-8")

    def a_minute_later() -> list[str]:
        said.clear()
        service._on_time()
        assert said == [], "not due yet"
        earlier = {"at": (datetime.now(UTC) - timedelta(days=400)).isoformat()}
        (shell.root / "history" / "verified.json").write_text(json.dumps(earlier), encoding="utf-8")
        service._on_time()
        return [note for one in said for note in one.notes if note.startswith("verified: 1 raw files")]

    assert [note.rpartition(": ")[2] for note in a_minute_later()] == ["all agree"]
    (raw,) = [path for path in (shell.root / "archive").rglob("*") if path.is_file()]
    raw.chmod(0o644)
    data = raw.read_bytes()
    raw.write_bytes(data.replace(b"58.5", b"58.6", 1))
    (note,) = a_minute_later()
    assert "has changed" in note
    said.clear()
    service._look()
    assert "Nothing is said, because the record does not agree with itself" in page.read_text(encoding="utf-8")
    assert "damage" in [alert.kind for one in said for alert in one.alerts]
    assert "does not agree" in sent[-1]
    shell("lot", "L1")
    assert "NOT ASSESSED" in shell.out
    raw.write_bytes(data)
    assert [note.rpartition(": ")[2] for note in a_minute_later()] == ["all agree"]
    service._look()
    assert "Accept" in page.read_text(encoding="utf-8")
    assert "ACCEPT" in shell("lot", "L1")


@pytest.mark.parametrize(("kind", "ends"), [(IntegrityProblem, True), (SnapshotDamaged, False), (FoundDamaged, False)])
def test_damage_of_what_can_be_made_anew_ends_no_service(
    shell: Shell, sent: list[str], monkeypatch: pytest.MonkeyPatch, kind: type[IntegrityProblem], ends: bool
) -> None:
    shell.become(loaded_once({"1.csv": day(1)}))
    service = Watch(find_workspace(shell.root).root, lambda _: None)

    def damaged(_: Watch) -> bool:
        raise kind("A block does not agree.")

    monkeypatch.setattr(Watch, "_look", damaged)
    with pytest.raises(kind):
        service.run(once=True)
    assert bool(service.telling.ended) == bool(standing_findings(find_workspace(shell.root).history)) == ends


def test_a_history_that_cannot_be_read_any_more_is_alerted_before_the_service_ends(
    shell: Shell, sent: list[str]
) -> None:
    """The disk changes a byte without anybody writing: neither size nor time of the file tell."""
    shell.make()
    settings(shell, watch_settle_seconds="0", alert_targets='["json://127.0.0.1:9"]')
    shell.put("1.csv", day(1))
    service = Watch(find_workspace(shell.root).root, lambda _: None)
    service.run(once=True)
    place = shell.root / "history" / "annealog.duckdb"
    data, state = bytearray(place.read_bytes()), place.stat()
    for block in range(12288, len(data), 262_144):
        data[block + 100] ^= 1
    place.write_bytes(data)
    os.utime(place, ns=(state.st_atime_ns, state.st_mtime_ns))
    (shell.root / "history" / "verified.json").write_text('{"at": "2020-01-01T00:00:00+00:00"}', encoding="utf-8")
    with pytest.raises(IntegrityProblem):
        service.run(once=True)
    assert "The history cannot be read, and the service has ended" in sent[-1]
    shell("lot", "L1")
    assert shell.code == 6, shell.out


@pytest.mark.parametrize("file", ["parts/reading*", "*/status.json"])
def test_a_damaged_snapshot_is_written_anew(shell: Shell, file: str) -> None:
    """It is made from the history, which is not in doubt: the service goes on, and no verdict is withheld."""
    shell.make()
    settings(shell, watch_settle_seconds="0")
    shell.put("1.csv", day(1))
    service = Watch(find_workspace(shell.root).root, lambda _: None)
    service.run(once=True)
    for path in (shell.root / "snapshot").glob(file):
        data = bytearray(path.read_bytes())
        data[len(data) // 2] ^= 1
        path.write_bytes(data)
    shell.put("2.csv", day(2))
    service.run(once=True)
    snapshot = Snapshot.current(shell.root / "history" / "annealog.duckdb")
    assert snapshot is not None
    assert snapshot.whole()
    assert snapshot.manifest["counts"]["source_file"] == 2
    assert "ACCEPT" in shell("lot", "L1")


def test_a_newer_programs_history_ends_the_service_and_leaves_no_finding(shell: Shell, sent: list[str]) -> None:
    """Nothing is wrong with it: the newer program must not find verdicts withheld (faults, row 12)."""
    shell.make()
    settings(shell, watch_settle_seconds="0", alert_targets='["json://127.0.0.1:9"]')
    shell.load(shell.put("1.csv", day(1)))
    with duckdb.connect(str(shell.root / "history" / "annealog.duckdb")) as connection:
        connection.execute("INSERT INTO migration VALUES (9999, '9999_later.sql', TIMESTAMP '2030-01-01')")
    with pytest.raises(HistoryTooNew):
        Watch(find_workspace(shell.root).root, lambda _: None).run(once=True)
    assert "the service has ended" in sent[-1]
    assert not (shell.root / "history" / "findings.json").exists()


def test_a_history_that_is_busy_at_the_start_is_waited_for(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """With `--once` nobody waits: it ends with the code for a busy history."""
    shell.make()
    settings(shell, watch_settle_seconds="0", busy_wait_seconds="0.2")
    shell.load(shell.put("1.csv", day(1)))
    later = shell.put("2.csv", day(2))
    monkeypatch.setattr(watch, "_TRY_AGAIN_S", 0.1)
    holder = subprocess.Popen(
        [sys.executable, "-c", "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print('held', flush=True); input()",
         str(shell.root / "history" / "annealog.duckdb")],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert holder.stdout is not None
    assert holder.stdout.readline() == "held\n"
    notes: list[str] = []

    def say(done: watch.Round) -> None:
        notes.extend(done.notes)
        if holder.poll() is None:
            holder.communicate("\n")  # what was noted is that it is busy; now it is free
        elif done.report is not None and done.report.files:
            raise KeyboardInterrupt

    shell("watch", "--once", "--direct")
    assert shell.code == 5
    with pytest.raises(KeyboardInterrupt):
        Watch(find_workspace(shell.root).root, say).run()
    assert "busy" in notes[0] or "another" in notes[0], notes
    with History.open(shell.root / "history" / "annealog.duckdb", snapshot=False) as history:
        assert f"inbox/{later.name}" in history.sources()["name"].to_list()
