"""What is kept beside the history, made to agree with itself by somebody: believed no more, named by `verify`, written anew."""

from __future__ import annotations

import hashlib
import json
import os
from typing import TYPE_CHECKING, Any

import duckdb
import pytest
from scenario import Scenario
from workspace_files import loaded_once

from pipeline.history.snapshot import Snapshot
from pipeline.kept.answers import answer_of
from pipeline.pages.writer import Register
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from pathlib import Path

    from workspace_files import Shell


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


@pytest.fixture
def works(shell: Shell) -> Shell:
    """Return a workspace with a rejected lot, published and rendered."""
    told = Scenario().check("08:00").lot("09:00", 61.0, 61.2, 61.1).check("10:00")
    shell.become(loaded_once({"L1.csv": told}, ("snapshot",), ("render", "--direct"), ("verify",)))
    assert answer_of(find_workspace(shell.root), "lot", "L1") is not None
    assert shell.json("lot", "L1")["verdict"] == "reject"
    return shell


def forge_answers(root: Path) -> None:
    """Every answer and the mark, with hashes that agree, and the size and time of the page as they are."""
    folder = root / "pages" / ".answers"
    digests = {}
    for path in folder.glob("*.json"):
        if path.name != "mark.json":
            data = path.read_bytes().replace(b'"reject"', b'"accept"').replace(b"REJECT", b"ACCEPT")
            path.write_bytes(data)
            digests[path.name] = sha256(data)
    mark = json.loads((folder / "mark.json").read_bytes())
    (folder / "mark.json").write_text(json.dumps({**mark, "answers": digests}), encoding="utf-8")


def forge_snapshot(root: Path) -> None:
    """Every document and table, the manifest, and the pointer to it, with hashes that agree."""
    import polars as pl

    found = Snapshot.current(root / "history" / "annealog.duckdb")
    assert found is not None
    manifest = dict(found.manifest)
    for name in manifest["files"]:
        path = found.root / name
        if path.suffix == ".json":
            path.write_bytes(
                path.read_bytes().replace(b'"reject"', b'"accept"').replace(b'"reject": 1', b'"reject": 0')
            )
        elif "computed-lots" in name:
            frame = pl.read_parquet(path).with_columns(pl.col("document").str.replace_all('"reject"', '"accept"'))
            frame.write_parquet(path)
        manifest["files"][name] = sha256(path.read_bytes())
    data = json.dumps(manifest).encode()
    (found.folder / "manifest.json").write_bytes(data)
    (found.root / "current.json").write_text(
        json.dumps({"folder": found.folder.name, "manifest": sha256(data)}), encoding="utf-8"
    )


def verdicts(shell: Shell) -> list[str]:
    waiting = shell.json("status")["waiting"]
    return [shell.json("lot", "L1")["verdict"], *(lot["verdict"] for lot in waiting)]


@pytest.mark.parametrize("forge", [forge_answers, forge_snapshot])
def test_a_forged_verdict_is_not_believed(works: Shell, forge: Any) -> None:
    forge(works.root)
    works("verify")
    assert works.code == 6
    assert "believed no more" in works.out
    assert verdicts(works) == ["reject", "reject"]
    works("lot", "L1", "--dry-run")
    assert works.code == 4
    assert "REJECT" in works.out
    # what the advice says mends it
    works("snapshot")
    works("render", "--direct")
    works("verify")
    assert works.code == 0, works.out
    assert verdicts(works) == ["reject", "reject"]


def test_a_load_with_nothing_new_publishes_anew_where_the_snapshot_was_forged(works: Shell) -> None:
    forge_snapshot(works.root)
    assert Snapshot.current(works.root / "history" / "annealog.duckdb") is None
    works.load(works.root / "inbox")
    found = Snapshot.current(works.root / "history" / "annealog.duckdb")
    assert found is not None
    assert found.whole()


def test_an_older_snapshot_in_the_place_of_this_one_is_not_believed(works: Shell) -> None:
    place = works.root / "history" / "annealog.duckdb"
    older = (works.root / "snapshot" / "current.json").read_bytes()
    works.load(works.put("later.csv", Scenario().lot("11:00", 58.0, lot="L2").check("12:00")))
    assert Snapshot.up_to_date(place) is not None
    (works.root / "snapshot" / "current.json").write_bytes(older)
    assert Snapshot.up_to_date(place) is None
    assert "L2" in works("lot", "L2", "--dry-run")


@pytest.mark.parametrize("what", ["emptied", "altered", "altered, of the same size and time"])
def test_altered_pages_are_named_and_written_again(works: Shell, what: str) -> None:
    pages = {name: works.root / "pages" / name for name in ("lots/L1.html", "index.html")}
    whole = {name: path.read_bytes() for name, path in pages.items()}
    for name, path in pages.items():
        state = path.stat()
        path.write_bytes(b"" if what == "emptied" else whole[name].replace(b"html", b"htmm"))
        if "time" in what:
            os.utime(path, ns=(state.st_atime_ns, state.st_mtime_ns))
    works("verify")
    assert works.code == 6
    for name in pages:
        assert name in "".join(works.out.split())
    works("render", "--direct")
    assert {name: path.read_bytes() for name, path in pages.items()} == whole
    works("verify")
    assert works.code == 0, works.out


def test_a_rendering_killed_before_it_noted_its_pages_raises_no_alarm(
    works: Shell, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What it wrote stands as it was about to be written; what somebody altered since does not."""
    works.load(works.put("later.csv", Scenario().lot("11:00", 58.0, lot="L2").check("12:00")))
    path = works.root / "pages" / "index.html"
    before = path.read_bytes()
    with monkeypatch.context() as patch:
        patch.setattr(Register, "write", lambda _: None)  # as a process that is killed there
        works("render", "--direct")
    assert path.read_bytes() != before
    works("verify")
    assert works.code == 0, works.out
    whole = path.read_bytes()
    path.write_bytes(whole + b" ")
    works("verify")
    assert works.code == 6
    path.write_bytes(whole)
    works("render", "--direct")
    assert not (works.root / "pages" / ".writing").exists()
    works("verify")
    assert works.code == 0, works.out


def test_a_page_altered_with_its_register_is_named(works: Shell) -> None:
    """The rendering kept its hash with the answer, too, and the chain vouches for that."""
    path = works.root / "pages" / "lots" / "L1.html"
    register = works.root / "pages" / ".written.json"
    before = sha256(path.read_bytes())
    path.write_bytes(path.read_bytes().replace(b"reject", b"accept"))
    register.write_text(
        register.read_text(encoding="utf-8").replace(before, sha256(path.read_bytes())), encoding="utf-8"
    )
    works("verify")
    assert works.code == 6
    assert "lots/L1.html" in "".join(works.out.split())


@pytest.mark.parametrize("what", ["gone", "emptied", "made good", "journal too"])
def test_findings_taken_away_give_no_verdict_back(works: Shell, what: str) -> None:
    place = works.root / "history" / "annealog.duckdb"
    with duckdb.connect(str(place)) as connection:
        connection.execute("UPDATE reading SET value = 58.0 WHERE lot = 'L1'")
    works("verify")
    assert works.code == 6
    findings = place.parent / "findings.json"
    if what == "emptied":
        findings.write_bytes(b"")
    elif what == "made good":
        findings.write_text('{"files": {}, "everything": []}', encoding="utf-8")
    else:
        findings.unlink()
    if what == "journal too":
        (place.parent / "journal.jsonl").unlink()
    assert works.json("lot", "L1")["verdict"] == "not_assessed"


def test_what_verify_finds_and_what_is_mended_stands_in_the_chain(works: Shell) -> None:
    """Notes are written into the journal first, and taken into the chain by the next event."""
    place = works.root / "history" / "annealog.duckdb"
    kept = place.read_bytes()
    with duckdb.connect(str(place)) as connection:
        connection.execute("UPDATE reading SET value = 58.0 WHERE lot = 'L1'")
    works("verify")
    place.write_bytes(kept)
    works("verify")
    assert works.code == 0, works.out
    assert verdicts(works) == ["reject", "reject"]
    works("record", "disposition", "--lot", "L1", "--decision", "rejected", "--by", "Ada", "--why", "sorted")
    assert works.code == 0, works.err
    with duckdb.connect(str(place), read_only=True) as connection:
        kinds = [row[0] for row in connection.execute('SELECT kind FROM event ORDER BY "sequence"').fetchall()]
    assert kinds[-3:] == ["verified", "verified", "disposition"]
    assert kinds.count("kept") == 2
    works("verify")
    assert works.code == 0, works.out
    assert works.json("rebuild")["same"] is True


def test_a_note_that_was_changed_is_an_older_or_another_history(works: Shell) -> None:
    """A note that does not follow the chain vouches for nothing, and no event is written after it."""
    journal = works.root / "history" / "journal.jsonl"
    *lines, last = journal.read_text(encoding="utf-8").splitlines()
    assert json.loads(last)["kind"] == "kept"
    journal.write_text("\n".join([*lines, last.replace("annealog", "somebody")]) + "\n", encoding="utf-8")
    assert answer_of(find_workspace(works.root), "lot", "L1") is None
    works("verify")
    assert works.code == 6
    works("record", "disposition", "--lot", "L1", "--decision", "rejected", "--by", "Ada", "--why", "sorted")
    assert works.code == 6


def test_the_journal_is_read_from_its_end_whatever_its_length(tmp_path: Path) -> None:
    """Lines longer than what is read at a time, and a last one that a crash cut off."""
    from pipeline.history.journal import Journal

    journal = Journal(tmp_path / "annealog.duckdb")
    for number in range(1, 6):
        journal.note("kept", {"snapshot": str(number) * (70_000 if number % 2 else 10)})
    assert [entry["sequence"] for entry in journal.after(0)] == [1, 2, 3, 4, 5]
    assert [entry["sequence"] for entry in journal.after(3)] == [4, 5]
    for tail in (b"", b'{"half', b"x" * 200_000):
        with journal.path.open("ab") as file:
            file.write(tail)
        assert journal.last()[0] == 5
        assert journal.vouches("4" * 10)
        assert not journal.vouches("6" * 10)
    journal.note("verified", {"findings": ""})
    assert [json.loads(line)["sequence"] for line in journal.path.read_bytes().splitlines()] == [1, 2, 3, 4, 5, 6]
    assert Journal(tmp_path / "none" / "annealog.duckdb").last_verified() is None
