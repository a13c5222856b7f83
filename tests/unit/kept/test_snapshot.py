"""The published snapshot: the same answers as the history, up to date or not, whole or refused."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from scenario import Scenario

from pipeline.errors import IntegrityProblem
from pipeline.history.snapshot import Snapshot
from pipeline.history.store import History
from pipeline.kept.snapshot import publish_snapshot, published_before, published_status
from pipeline.load.load import load
from pipeline.questions.status import status
from pipeline.workspace.settings import find_workspace
from schemas.documents import as_json

if TYPE_CHECKING:
    from workspace_files import Shell

NOW = datetime(2026, 3, 2, 11, 0, tzinfo=UTC)


def fill(shell: Shell, days: int = 2) -> None:
    for day in range(days):
        lot = "L1" if day % 2 else "L2"
        export = Scenario().check("08:00", day=day).lot("09:00", lot=lot, day=day).check("10:00", day=day)
        shell.put(f"{day}.csv", export)
    shell("load", "--direct", "inbox")


def test_a_snapshot_reads_like_the_history(shell: Shell) -> None:
    fill(shell.make())
    place = find_workspace(shell.root)
    publish_snapshot(place)
    with (
        History.open(place.history, snapshot=False) as real,
        History.open(place.history) as read,
    ):
        assert read.counts() == real.counts()
        assert read.readings().equals(real.readings())
        assert read.readings(lots=["L1"]).equals(real.readings(lots=["L1"]))
        assert read.events() == real.events()
        assert read.sources().equals(real.sources())
        assert read.baselines().equals(real.baselines())
        assert read.reference_texts() == real.reference_texts()
        assert read.state() == real.state()
        assert read.snapshot_of is None
        assert "readings" not in repr(read)


def test_each_publication_adds_to_few_parts_and_keeps_only_what_is_needed(shell: Shell) -> None:
    """A small part is written again together with what comes; one that is more than twice as big stays."""
    shell.make()
    place = find_workspace(shell.root)
    ends = []
    for day, readings in enumerate((90, 3, 3, 3, 21)):
        shell.put(f"{day}.csv", Scenario().check("08:00", day=day, n=readings))
        shell("load", "--direct", "inbox")
        made = publish_snapshot(place)
        ends.append([part["to"] for part in made.manifest["parts"]])
    assert ends == [[1], [1, 2], [1, 3], [1, 4], [1, 5]]
    files = [path.name for path in (shell.root / "snapshot" / "parts").iterdir()]
    assert len(files) == 3, "those of this snapshot and of the one before"
    folders = [p.name for p in (shell.root / "snapshot").iterdir() if p.is_dir() and p.name != "parts"]
    assert len(folders) == 2
    with History.open(place.history) as read:
        assert read.counts()["reading"] == 120
    # nothing new: nothing is written
    assert publish_snapshot(place).folder == made.folder


def test_lines_read_later_into_an_old_file_are_there(shell: Shell) -> None:
    fill(shell.make())
    place = find_workspace(shell.root)
    publish_snapshot(place)
    with History.open(place.history, write=True) as history, history.transaction():
        history._run("DELETE FROM reading WHERE source_id = 1 AND line = 2")
    publish_snapshot(place)
    with History.open(place.history) as read:
        assert read.counts()["reading"] == 17


def test_status_from_the_snapshot_is_what_would_be_computed(shell: Shell) -> None:
    """At every moment up to the one until which it is said to hold, and that moment is not too late."""
    shell.make()
    shell.put("0.csv", Scenario().check("08:00").lot("09:00"))  # open until 17:00
    shell("load", "--direct", "inbox")
    place = find_workspace(shell.root)
    snapshot = publish_snapshot(place, now=NOW)
    until = datetime.fromisoformat(snapshot.document("status")["until"])
    assert until == datetime(2026, 3, 2, 16, 0, 10, tzinfo=UTC), "the last check grows old eight hours after it"
    last = datetime(2026, 3, 2, 9, 0, 30, tzinfo=UTC)
    for moment in (last, NOW - timedelta(seconds=1), NOW, NOW + timedelta(hours=2), until - timedelta(seconds=1)):
        kept = published_status(place, now=moment)
        assert kept is not None
        computed = status(place, as_of=moment).document()
        assert kept["more_waiting"] == 0
        assert {**kept["status"], "as_of": computed["as_of"]} == computed
    later = status(place, as_of=until + timedelta(seconds=1)).document()
    assert {**later, "as_of": None} != {**computed, "as_of": None}
    assert published_status(place, now=until) is None
    assert published_status(place, now=last - timedelta(seconds=1)) is None, "a reading is to come"


def test_a_history_that_has_gone_on_is_read_itself(shell: Shell) -> None:
    fill(shell.make())
    place = find_workspace(shell.root)
    publish_snapshot(place)
    load(place, [shell.put("9.csv", Scenario().check("08:00", day=9))])  # the command would publish, too
    assert published_status(place) is None or shell.json("status")["as_of"]
    with History.open(place.history) as read:
        assert read.sources().height == 3


HOLD = """
import sys
from pathlib import Path
from pipeline.history.store import History
history = History.open(Path(sys.argv[1]), write=True)
print("held", flush=True)
sys.stdin.read()
"""


def test_a_report_asked_for_while_loading_is_served_from_the_snapshot(shell: Shell) -> None:
    """It does not wait, says which snapshot it is, and the loader is not kept waiting (faults, row 9)."""
    fill(shell.make())
    place = find_workspace(shell.root)
    made = publish_snapshot(place)
    load(place, [shell.put("9.csv", Scenario().check("08:00", day=9))])  # the command would publish, too
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(place.history)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        cwd=Path(__file__).resolve().parents[3],
    )  # fmt: skip
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        for words in (["lot", "L1"], ["meter", "M1"], ["status"], ["render", "--direct"]):
            shell(*words)
            assert shell.code in (0, 4), shell.err
        with History.open(place.history) as read:
            assert read.sources().height == 2
            assert read.snapshot_of == made.made_at
        board = (shell.root / "pages" / "boards" / "LINE.html").read_text(encoding="utf-8")
        assert f"this is the snapshot of {made.made_at:%Y-%m-%d %H:%M}" in board
    finally:
        holder.communicate("")


def test_the_state_is_that_of_the_last_snapshot_while_somebody_writes_and_nothing_is_judged_for_it(
    shell: Shell, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    fill(shell.make())
    place = find_workspace(shell.root)
    made = publish_snapshot(place)
    assert published_before(place) is None, "nobody writes"
    said = made.document("status")["status"]
    load(place, [shell.put("9.csv", Scenario().check("08:00", day=9))])  # the command would publish, too
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(place.history)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=Path(__file__).resolve().parents[3],
    ) as holder:  # fmt: skip
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with monkeypatch.context() as nothing:
            nothing.setattr("pipeline.questions.status.everything", None)
            found = shell.json("status")
            assert found == {**said, "as_of": as_json(made.made_at)}
            assert f"snapshot taken at {made.made_at:%Y-%m-%d %H:%M:%S} UTC" in caplog.text + shell.err
            nothing.setattr("pipeline.kept.snapshot.program", lambda: "another")
            assert published_before(place) is None, "what another program said is not said again"
        holder.communicate()
    assert published_before(place) is None
    assert shell.json("status")["as_of"] > found["as_of"]


@pytest.mark.parametrize("what", ["parts/*.parquet", "*/event.parquet", "*/manifest.json", "*/status.json"])
def test_one_flipped_byte_of_a_snapshot_is_never_read(shell: Shell, what: str) -> None:
    fill(shell.make())
    place = find_workspace(shell.root)
    made = publish_snapshot(place)
    files = [p for p in (shell.root / "snapshot").glob(what) if p.parent in (made.folder, made.root / "parts")]
    path = files[0]
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(bytes(data))
    current = Snapshot.current(place.history)
    if what.endswith("manifest.json"):
        assert current is None
    else:
        assert current is not None
        with pytest.raises(IntegrityProblem, match="has changed"):
            current.document("status") if what.endswith("status.json") else current.tables()
    # the history itself answers
    shell("status")
    assert shell.code in (0, 4), shell.err
    shell("snapshot")
    assert shell.code == 0, shell.err
    repaired = Snapshot.current(place.history)
    assert repaired is not None
    assert repaired.tables()


def test_a_load_keeps_the_snapshot_of_a_workspace_that_has_one(shell: Shell) -> None:
    fill(shell.make())
    place = find_workspace(shell.root)
    assert Snapshot.current(place.history) is None
    shell("snapshot")
    shell.put("9.csv", Scenario().check("08:00", day=9))
    shell("load", "--direct", "inbox/9.csv")
    current = Snapshot.current(place.history)
    assert current is not None
    assert current.fresh(place.history)
    assert current.manifest["counts"]["source_file"] == 3


def test_the_command(shell: Shell) -> None:
    fill(shell.make())
    assert "Would publish" in shell("snapshot", "--dry-run")
    assert not (shell.root / "snapshot").exists()
    document = shell.json("snapshot")
    assert document["rows"]["reading"] == 18
    assert json.loads((shell.root / "snapshot" / "current.json").read_text(encoding="utf-8"))
