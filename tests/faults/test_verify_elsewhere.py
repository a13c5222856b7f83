"""What `verify` says of a journal that was cut, of a copy that cannot be written, and where the computer lacks something."""

from __future__ import annotations

import errno
import json
import os
import resource
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb
import pytest
from scenario import Scenario
from workspace_files import loaded_once

from pipeline.errors import EnvironmentProblem
from pipeline.history import connection
from pipeline.judge import findings

if TYPE_CHECKING:
    from collections.abc import Callable

    from workspace_files import Shell

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def works(shell: Shell) -> Shell:
    whole = {"L1.csv": Scenario().check("08:00").lot("09:00").check("10:00")}
    return shell.become(loaded_once(whole, ("lot", "L1", "--json")))


def test_before_anything_is_damaged_the_lot_is_accepted(works: Shell) -> None:
    assert works.json("lot", "L1")["verdict"] == "accept"


def cut(path: Path) -> None:
    path.write_bytes(b"".join(path.read_bytes().splitlines(keepends=True)[:-1]))


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        (cut, "ends with event 2, the history goes on to event 3"),
        (lambda path: path.write_bytes(b""), "holds no event"),
        (Path.unlink, "holds no event"),
        (lambda path: (path.unlink(), shutil.rmtree(path.parent / "texts")), "holds no event"),
        (lambda path: path.write_bytes(b"[]\n" + path.read_bytes()), "Line 1 of"),
        (lambda path: path.write_bytes(b"null\n"), "Line 1 of"),
    ],
)
def test_a_journal_that_does_not_go_to_the_end(works: Shell, damage: Callable[[Path], Any], said: str) -> None:
    damage(works.root / "history" / "journal.jsonl")
    works("verify")
    assert works.code == 6
    assert said in " ".join(works.out.split())
    assert works.json("lot", "L1")["verdict"] == "not_assessed"


def test_a_journal_that_a_crash_left_behind_is_mended_by_the_next_load(works: Shell) -> None:
    cut(works.root / "history" / "journal.jsonl")
    works("verify")
    assert works.code == 6
    works.load(works.root / "inbox")
    works("verify")
    assert works.code == 0, works.out
    assert works.json("lot", "L1")["verdict"] == "accept"


@pytest.mark.parametrize("words", [("snapshot",), ("render", "--direct")])
def test_what_is_noted_after_a_crash_follows_the_events_that_the_journal_lacks(
    works: Shell, words: tuple[str, ...]
) -> None:
    cut(works.root / "history" / "journal.jsonl")
    works(*words)
    assert works.code == 0, works.err
    works.load(works.put("later.csv", Scenario().check("08:00", day=1)))
    works("verify")
    assert works.code == 0, works.out


def test_a_text_that_is_gone_leaves_the_file_in_doubt(works: Shell) -> None:
    journal = (works.root / "history" / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    (load,) = (json.loads(line) for line in journal if json.loads(line)["kind"] == "load")
    (works.root / "history" / "texts" / json.loads(load["subject"])["layout_sha256"]).unlink()
    works("verify")
    assert works.code == 6
    assert works.json("lot", "L1")["verdict"] == "not_assessed"


def test_a_raw_file_that_is_gone_leaves_the_file_in_doubt_and_no_other(works: Shell) -> None:
    """What comes after it is compared as if it were there: a reading known already stays known."""
    works.load(works.put("both.csv", Scenario().check("08:00").lot("11:00", lot="L2").check("12:00")))
    works.load(
        works.put("L3.csv", Scenario().check("08:00", day=1, meter="M2").lot("09:00", lot="L3", day=1, meter="M2"))
    )
    (raw,) = (p for p in (works.root / "archive").rglob("*") if p.is_file() and b"L1" in p.read_bytes())
    raw.unlink()
    works("verify")
    assert works.code == 6
    assert works.out.count("inbox/") == 1
    assert "inbox/L1.csv: the raw file" in works.out
    assert works.json("lot", "L1")["verdict"] == "not_assessed"
    works("lot", "L3")
    assert "does not agree" not in works.out


@pytest.mark.parametrize("wrong", [False, True])
def test_a_copy_that_cannot_be_written_is_verified(
    works: Shell, monkeypatch: pytest.MonkeyPatch, *, wrong: bool
) -> None:
    """An auditor's: what was found is told, and that nothing follows from it there."""
    if wrong:
        with duckdb.connect(str(works.root / "history" / "annealog.duckdb")) as database:
            database.execute("UPDATE reading SET value = value + 1 WHERE lot = 'L1'")

    def refuse(path: Path, data: bytes) -> None:
        assert data
        assert works.root in path.parents, "everything else lies in a folder of its own"
        raise EnvironmentProblem(f"Cannot write {path}: Read-only file system.")

    monkeypatch.setattr(findings, "write_atomically", refuse)
    works("verify")
    assert works.code == (6 if wrong else 0), works.err
    assert ("L1.csv: 3 stored lines" in works.out) == wrong
    assert ("is not kept" in works.out) == wrong


MOUNTED = (
    'mount --bind "$1" "$1" && mount -o remount,ro,bind "$1" && cd "$1" && ! touch x && exec "$2" -m pipeline verify'
)


def test_a_mount_that_cannot_be_written_is_verified(works: Shell) -> None:
    """Where this may be done here: the same through a real mount."""
    mounted = subprocess.run(
        ["unshare", "-m", "sh", "-c", MOUNTED, "sh", str(works.root), sys.executable],
        env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    if "agree" not in mounted.stdout:
        assert "permitted" in mounted.stderr, mounted  # no rights to mount
        return
    assert mounted.returncode == 0, mounted
    assert "all agree" in mounted.stdout


@pytest.mark.parametrize("number", [errno.EMFILE, errno.ENFILE, errno.ENOMEM, errno.EACCES])
@pytest.mark.parametrize("place", ["archive", "texts", "journal.jsonl", "findings.json"])
def test_a_file_that_cannot_be_opened_now_is_no_finding(
    works: Shell, monkeypatch: pytest.MonkeyPatch, number: int, place: str
) -> None:
    findings_there = works.root / "history" / "findings.json"
    if place == "findings.json":
        findings_there.write_text('{"files": {}, "everything": []}', encoding="utf-8")
    opened, opened_below = Path.open, os.open

    def fail(path: Path, *given: Any, **more: Any) -> Any:
        if place in path.parts:
            raise OSError(number, os.strerror(number), str(path))
        return opened(path, *given, **more)

    def fail_below(path: Any, *given: Any, **more: Any) -> int:
        if isinstance(path, (str, Path)) and place in Path(path).parts:
            raise OSError(number, os.strerror(number), str(path))
        return opened_below(path, *given, **more)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "open", fail)
        patch.setattr(os, "open", fail_below)
        for words in (("verify",), ("lot", "L1", "--dry-run")) if place == "findings.json" else (("verify",),):
            if words == ("verify",) and place == "findings.json":
                continue  # it writes that file
            works(*words)
            assert works.code == 7, (works.out, works.err)
            assert os.strerror(number) in works.err
    findings_there.unlink(missing_ok=True)
    assert works.json("lot", "L1")["verdict"] == "accept"


@pytest.mark.parametrize("words", ["Too many open files", "Cannot allocate memory", "failed to allocate 4096 bytes"])
def test_the_database_without_handle_or_memory_is_no_finding(
    works: Shell, monkeypatch: pytest.MonkeyPatch, words: str
) -> None:
    def fail(*_: Any, **__: Any) -> Any:
        raise duckdb.IOException(f'IO Error: Cannot open file "annealog.duckdb": {words}')

    with monkeypatch.context() as patch:
        patch.setattr(connection.duckdb, "connect", fail)
        for command in (("verify",), ("lot", "L1")):
            works(*command)
            assert works.code == 7, (works.out, works.err)
            assert words in works.err
    assert not (works.root / "history" / "findings.json").exists()
    assert works.json("lot", "L1")["verdict"] == "accept"


def test_no_memory_left_is_the_computers_fault(works: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: Any, **__: Any) -> Any:
        raise MemoryError

    with monkeypatch.context() as patch:
        patch.setattr("pipeline.custody.verify._verify", fail)
        works("verify")
    assert works.code == 7
    assert "no memory left" in works.err
    assert not (works.root / "history" / "findings.json").exists()


HANDLES = """
import resource, sys
from pathlib import Path
from pipeline.cli import run

codes = [run(["verify"])]
used = len(list(Path("/proc/self/fd").iterdir())) - 1
_, most = resource.getrlimit(resource.RLIMIT_NOFILE)
for free in range(0, 14, 2):
    resource.setrlimit(resource.RLIMIT_NOFILE, (used + free, most))
    codes.append(run(["verify"]))
resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))
print("codes", *codes, run(["verify"]))
"""


def test_however_few_handles_are_left_nothing_is_found_against_the_record(works: Shell) -> None:
    assert resource.getrlimit(resource.RLIMIT_NOFILE)[1] > 0
    done = subprocess.run(
        [sys.executable, "-c", HANDLES], cwd=works.root, env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    *_, last = done.stdout.splitlines()
    first, *few, after = (int(code) for code in last.split()[1:])
    assert (first, after) == (0, 0), done
    assert set(few) <= {0, 7}, done
    assert 7 in few
    assert not (works.root / "history" / "findings.json").exists()


@pytest.mark.parametrize("content", ["null", "[]", "3", '{"lots/L1.html": null}', '{"lots/L1.html": [["x"]]}', "{", ""])
def test_a_register_of_pages_that_holds_something_else_is_written_anew(works: Shell, content: str) -> None:
    works("render", "--direct")
    register = works.root / "pages" / ".written.json"
    whole = json.loads(register.read_text(encoding="utf-8"))
    register.write_text(content, encoding="utf-8")
    for words in (("lot", "L1"), ("render", "--direct")):
        works(*words)
        assert works.code == 0, (words, works.err)
    assert json.loads(register.read_text(encoding="utf-8")) == whole
