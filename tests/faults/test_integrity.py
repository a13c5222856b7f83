"""Damage: flipped bytes, an unreadable log, a newer program's history; and the way back from the raw archive."""

from __future__ import annotations

import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import pytest
from scenario import Scenario
from workspace_files import loaded_once

from pipeline.errors import IntegrityProblem
from pipeline.history.content import content_hash
from pipeline.history.store import History

if TYPE_CHECKING:
    from workspace_files import Shell

ROOT = Path(__file__).resolve().parents[2]


def fill(shell: Shell) -> Shell:
    return shell.become(
        loaded_once(
            {
                f"{lot}.csv": Scenario().check("08:00", day=day).lot("09:00", lot=lot, day=day).check("10:00", day=day)
                for day, lot in enumerate(("L1", "L2"))
            }
        )
    )


def flip(path: Path, at: int) -> None:
    with path.open("r+b") as file:
        file.seek(at)
        old = file.read(1)
        file.seek(at)
        file.write(bytes([old[0] ^ 0x10]))


def content(shell: Shell) -> str:
    with History.open(shell.root / "history" / "annealog.duckdb", snapshot=False) as history:
        return content_hash(history)


def test_a_byte_flipped_in_a_raw_file(shell: Shell) -> None:
    """`verify` names the file; no verdict is given on the lot that it touches, and on no other (faults, row 14)."""
    fill(shell)
    ledger = {f["name"]: f["sha256"] for f in shell.json("load", "--direct", "inbox")["files"]}
    digest = ledger["inbox/L1.csv"]
    raw = shell.root / "archive" / digest[:2] / digest
    assert shell.json("lot", "L1")["verdict"] == "accept"
    flip(raw, 200)
    shell("verify")
    assert shell.code == 6
    assert "inbox/L1.csv: the raw file" in shell.out
    for words in (("lot", "L1"), ("meter", "M1")):
        document = shell.json(*words)
        assert document.get("verdict", document.get("state")) == "not_assessed"
        assert "does not agree with itself: inbox/L1.csv" in document["reasons"][0]
    shell("render", "--direct")
    assert "not agree with itself" in (shell.root / "pages" / "lots" / "L1.html").read_text(encoding="utf-8")
    assert "L1" not in [lot["lot"] for lot in shell.json("status")["waiting"]]
    # mended and found whole: the verdict is back
    flip(raw, 200)
    shell("verify")
    assert shell.code == 0, shell.out
    assert shell.json("lot", "L1")["verdict"] == "accept"


@pytest.mark.parametrize("what", ["event", "journal", "text", "reading"])
def test_a_change_in_the_record(shell: Shell, what: str) -> None:
    fill(shell)
    place = shell.root / "history" / "annealog.duckdb"
    if what in ("event", "reading"):
        with duckdb.connect(str(place)) as connection:
            connection.execute(
                "UPDATE event SET why = 'another reason' WHERE \"sequence\" = 2"
                if what == "event"
                else "UPDATE reading SET value = value + 1 WHERE lot = 'L1'"
            )
    elif what == "journal":
        journal = place.parent / "journal.jsonl"
        flip(journal, journal.read_bytes().index(b'"by": "load"') + 8)
    else:
        flip(next((place.parent / "texts").iterdir()), 40)
    shell("verify")
    assert shell.code == 6, shell.out
    assert {"event": "Event 2", "journal": "journal", "text": "has changed", "reading": "L1.csv: 3 stored lines"}[
        what
    ] in shell.out
    assert shell.json("lot", "L1")["verdict"] == "not_assessed"


def test_a_byte_flipped_anywhere_in_the_database(shell: Shell) -> None:
    """Found wherever it lies; where nothing is stored the content is the same to the last digit (faults, row 14)."""
    fill(shell)
    place = shell.root / "history" / "annealog.duckdb"
    before, kept = content(shell), place.read_bytes()
    chance = random.Random("one byte")
    # the headers and the first bytes of each block, and anywhere
    spots = [
        20,
        4096 + 20,
        8192 + 20,
        *(12288 + 262144 * block + 100 for block in range((len(kept) - 12288) // 262144)),
    ]
    spots += [chance.randrange(len(kept)) for _ in range(6)]
    found = 0
    for at in spots:
        place.write_bytes(kept)
        flip(place, at)
        shell("verify")
        assert "Traceback" not in shell.err
        if shell.code == 6:
            found += 1
            assert "annealog.duckdb" in shell.err or "do not agree" in shell.out
            shell("lot", "L1")
            assert shell.code == 6 or "NOT ASSESSED" in shell.out, at
        else:
            assert shell.code == 0, (at, shell.err)
            assert content(shell) == before, at
            (said,) = re.findall(r"Bytes (\d+) to (\d+) of", shell.out)
            assert int(said[0]) <= at <= int(said[1])
    print(f"{found} of {len(spots)} flipped bytes lay in stored data")
    assert 1 < found < len(spots)


def test_an_unreadable_log(shell: Shell) -> None:
    """Exit 6; the log is not deleted; a new history is built from the raw archive (faults, row 13)."""
    fill(shell)
    before = content(shell)
    place = shell.root / "history" / "annealog.duckdb"
    log = place.with_name(place.name + ".wal")
    # a process that dies with its last commits in the log
    code = (
        "import sys, os, signal; from pathlib import Path; from datetime import datetime, UTC\n"
        "from pipeline.history.store import History\n"
        "history = History.open(Path(sys.argv[1]), write=True)\n"
        "with history.transaction(): history.append_event('note', {}, by='a', why='b', at=datetime.now(UTC))\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(place)], cwd=ROOT, check=False)
    assert done.returncode == -signal.SIGKILL
    data = bytearray(log.read_bytes())
    for at in range(len(data) // 4, len(data) - 8, 7):
        data[at] ^= 0xFF
    log.write_bytes(bytes(data))
    damaged = log.read_bytes()
    for words in (("status",), ("lot", "L1"), ("load", "--direct", "inbox"), ("verify",)):
        shell(*words)
        assert shell.code == 6, (words, shell.out, shell.err)
        assert "annealog rebuild" in shell.err
        assert log.read_bytes() == damaged, words
    document = shell.json("rebuild")
    assert document["same"] is None
    assert document["events"] == 5
    shell("rebuild", "--take", "--by", "Ada", "--why", "the log was damaged")
    assert shell.code == 0, shell.err
    kept = next((shell.root / "history").glob("before-*"))
    assert (kept / log.name).read_bytes() == damaged
    shell("verify")
    assert shell.code == 0, shell.out
    shell("load", "--direct", "inbox")
    assert "already loaded" in shell.out
    assert shell.json("lot", "L1")["verdict"] == "accept"
    assert content(shell) != before, "two events more"


def test_a_rebuilt_history_has_the_same_content(shell: Shell) -> None:
    """Duplicates, conflicts, refused and replayed lines, decisions, frozen limits and changed tables come out the same."""
    shell.make()
    for day in range(21):
        shell.put(
            f"{day:02}.csv", Scenario().check("08:00", 0.01 * (day % 5), day=day).check("08:02", block="B2", day=day)
        )
    shell.put("40.csv", Scenario().lot("09:00", lot="L1"))
    shell("load", "--direct", "inbox")
    text = (shell.root / "inbox" / "40.csv").read_text(encoding="utf-8")
    shell.put("41.csv", text.replace("58.5000", "58.7000") + "no,such,line\n")
    shell.put("42.csv", text.replace("L1", "L2").replace("09:00", "10:00").replace("2026-03-02", "1999-01-01"))
    shell("load", "--direct", "inbox")
    quarantined = shell.json("quarantine", "list")
    if quarantined:
        shell("quarantine", "discard", "1", "--by", "Ada", "--why", "not a reading")
        assert shell.code == 0, shell.err
    for words in (
        ("adjustment", "--meter", "M1", "--at", "2026-03-25T12:00"),
        ("exclusion", "--file", "inbox/41.csv", "--line", "2"),
        ("baseline", "--meter", "M1", "--block", "B2"),
    ):
        shell("record", *words, "--by", "Ada", "--why", "a test of the rebuild")
        assert shell.code == 0, shell.err
    (shell.root / "reference" / "suppliers.csv").write_text("supplier\nQ\n", encoding="utf-8")
    shell("load", "--direct", "inbox")
    document = shell.json("rebuild")
    assert document["same"] is True
    assert document["content"] == shell.json("verify")["content"]
    # a rebuilt history gives the same pages
    shell("render", "--direct")
    pages = {p: p.read_bytes() for p in (shell.root / "pages").rglob("*.html")}
    place = shell.root / "history" / "annealog.duckdb"
    shutil.copy(place.parent / "rebuilt" / place.name, place)
    shell("render", "--direct", "--all")
    assert {p: p.read_bytes() for p in (shell.root / "pages").rglob("*.html")} == pages


def test_rebuild_refuses_what_was_changed(shell: Shell) -> None:
    fill(shell)
    raw = next(p for p in (shell.root / "archive").rglob("*") if p.is_file())
    flip(raw, 100)
    shell("rebuild")
    assert shell.code == 6
    assert "has changed" in shell.err
    assert not (shell.root / "history" / "rebuilt" / "annealog.duckdb").exists()
    flip(raw, 100)
    assert "Would build" in shell("rebuild", "--dry-run")
    shell("rebuild")
    assert shell.code == 0, shell.err
    shell("rebuild")
    assert shell.code == 2
    shell("rebuild", "--take")
    assert shell.code == 2
    assert "--by" in shell.err


def test_an_older_history_in_the_place_of_this_one(shell: Shell) -> None:
    """The end of the chain cannot be cut off unseen: the journal knows of it."""
    fill(shell)
    place = shell.root / "history" / "annealog.duckdb"
    older = place.read_bytes()
    shell.put("later.csv", Scenario().check("08:00", day=5))
    shell("load", "--direct", "inbox")
    place.write_bytes(older)
    shell("verify")
    assert shell.code == 6
    assert "the history ends with" in shell.out
    shell("load", "--direct", "inbox")
    assert shell.code == 6
    assert "older" in shell.err


def test_a_torn_last_line_of_the_journal_is_mended(shell: Shell) -> None:
    fill(shell)
    journal = shell.root / "history" / "journal.jsonl"
    lines = journal.read_bytes().splitlines(keepends=True)
    journal.write_bytes(b"".join(lines[:-1]) + lines[-1][:40])
    shell.put("later.csv", Scenario().check("08:00", day=5))
    shell("load", "--direct", "inbox")
    assert shell.code == 0, shell.err
    assert [json.loads(line)["sequence"] for line in journal.read_bytes().splitlines()] == [1, 2, 3, 4, 5, 6]
    shell("verify")
    assert shell.code == 0, shell.out


def test_a_history_of_a_newer_program(shell: Shell) -> None:
    """Refused, both versions named, nothing written (faults, row 12)."""
    fill(shell)
    place = shell.root / "history" / "annealog.duckdb"
    with duckdb.connect(str(place)) as connection:
        connection.execute("INSERT INTO migration VALUES (9999, '9999_later.sql', TIMESTAMP '2030-01-01')")
    before = place.read_bytes()
    for words in (("status",), ("load", "--direct", "inbox")):
        shell(*words)
        assert shell.code == 6
        assert "9999" in shell.err
        assert "knows up to" in shell.err
    assert place.read_bytes() == before


def test_the_clock_was_set_back(shell: Shell) -> None:
    """Events keep their order by number; a warning says so (faults, row 35)."""
    from datetime import UTC, datetime, timedelta

    fill(shell)
    place = shell.root / "history" / "annealog.duckdb"
    early = datetime.now(UTC) - timedelta(hours=1)
    with History.open(place, write=True) as history, history.transaction():
        history.append_event("note", {}, by="Ada", why="an hour back", at=early)
    with History.open(place) as history:
        assert history.events()[-1].why == "an hour back"
    shell("verify")
    assert shell.code == 0, shell.out
    assert "the clock was set back" in shell.out


def test_the_history_is_busy_and_two_loaders(shell: Shell) -> None:
    """One works, the other waits, then works or exits 5 naming the process; nothing is there twice (faults, row 8)."""
    shell.make()
    (shell.root / "annealog.toml").write_text("busy_wait_seconds = 120\n", encoding="utf-8")
    for day in range(8):
        shell.put(f"{day}.csv", Scenario().check("08:00", day=day))
    command = [sys.executable, "-m", "pipeline", "load", "--direct", "inbox", "--json"]
    loaders = [
        subprocess.Popen(
            command, cwd=shell.root, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        for _ in range(2)
    ]  # fmt: skip
    answers = [loader.communicate(timeout=300) for loader in loaders]
    assert [loader.returncode for loader in loaders] == [0, 0], answers
    loaded = [f["status"] for out, _ in answers for f in json.loads(out)["files"]]
    assert sorted(loaded) == ["already_loaded"] * 8 + ["loaded"] * 8
    place = shell.root / "history" / "annealog.duckdb"
    (shell.root / "annealog.toml").write_text("busy_wait_seconds = 0.2\n", encoding="utf-8")
    code = (
        "import sys; from pathlib import Path; from pipeline.history.store import History\n"
        "history = History.open(Path(sys.argv[1]), write=True); print('held', flush=True); sys.stdin.read()\n"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", code, str(place)], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert holder.stdout is not None
    holder.stdout.readline()
    shell("load", "--direct", "inbox")
    assert shell.code == 5
    assert f"process {holder.pid}" in shell.err
    # a lock does not outlive its process (row 10)
    holder.kill()
    holder.communicate()
    shell("load", "--direct", "inbox")
    assert shell.code == 0, shell.err


def test_the_hash_of_the_content_sees_every_value(shell: Shell) -> None:
    fill(shell)
    place = shell.root / "history" / "annealog.duckdb"
    before = content(shell)
    changes = [
        "UPDATE reading SET value = value + 1e-13 WHERE source_id = 1 AND line = 2",
        "UPDATE reading SET remark = '' WHERE source_id = 1 AND line = 2",
        "UPDATE source_file SET warnings = '[1]' WHERE source_id = 2",
        'DELETE FROM event WHERE "sequence" = 3',
    ]
    kept = place.read_bytes()
    for change in changes:
        place.write_bytes(kept)
        with duckdb.connect(str(place)) as connection:
            connection.execute(change)
        assert content(shell) != before, change
    # not the order in which rows lie in the file
    place.write_bytes(kept)
    with duckdb.connect(str(place)) as connection:
        connection.execute("CREATE TABLE other AS SELECT * FROM reading ORDER BY value DESC")
        connection.execute("DELETE FROM reading")
        connection.execute("INSERT INTO reading SELECT * FROM other")
        connection.execute("DROP TABLE other")
    assert content(shell) == before


def test_a_place_that_is_gone_or_forbidden(shell: Shell) -> None:
    """Exit 7, no traceback, the path named (faults, row 7)."""
    fill(shell)
    folder = shell.root / "history"
    folder.rename(shell.root / "elsewhere")
    shell("status")
    assert shell.code == 7
    assert str(folder) in shell.err
    assert "Traceback" not in shell.err
    folder.write_text("a file in the way", encoding="utf-8")
    shell("load", "--direct", "inbox")
    assert shell.code == 7
    assert str(folder) in shell.err
    broken = shell.root / "broken.duckdb"
    broken.write_bytes(b"no database" * 2000)
    with pytest.raises(IntegrityProblem, match="annealog rebuild"):
        History.open(broken)
