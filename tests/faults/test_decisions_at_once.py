"""Two people decide at the same moment: what the second one is told to be allowed fits what the first one recorded."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from scenario import Scenario

from pipeline.history.store import History

if TYPE_CHECKING:
    from workspace_files import Shell

ROOT = Path(__file__).resolve().parents[2]
PATIENCE_S = 240

SLOW = """
import sys
from pipeline.cli import main
from pipeline.history.store import History

opened = History.open.__func__

def slowly(cls, path, *, write=False, **more):
    if write:  # whatever was looked at before is looked at, and nothing is held
        print("ready", flush=True)
        sys.stdin.readline()
    return opened(cls, path, write=write, **more)

History.open = classmethod(slowly)
main(sys.argv[1:])
"""

EXCLUSION = ("exclusion", "--file", "inbox/a.csv", "--line", "8")
SIGNAL = ("disposition", "--meter", "M1", "--block", "B1", "--decision", "no effect found")


def decision(root: Path, words: tuple[str, ...], by: str, *, slow: bool) -> subprocess.Popen[str]:
    start = ["-c", SLOW] if slow else ["-m", "pipeline"]
    return subprocess.Popen(
        [sys.executable, *start, "record", *words, "--by", by, "--why", "looked at it"],
        cwd=root, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip


def decided(root: Path) -> list[tuple[str, str]]:
    with History.open(root / "history" / "annealog.duckdb", snapshot=False) as history:
        return [(event.kind, event.by) for event in history.decisions() if event.kind in ("exclusion", "disposition")]


@pytest.mark.parametrize(
    ("slow", "quick", "told"),
    [
        (EXCLUSION, EXCLUSION, "left out already, by Ben: looked at it"),
        # the failed check that it is about was left out meanwhile
        (SIGNAL, EXCLUSION, "No signal and no failed check of M1 fits"),
    ],
)
def test_what_was_decided_meanwhile_is_looked_at(
    shell: Shell, slow: tuple[str, ...], quick: tuple[str, ...], told: str
) -> None:
    shell.make()
    shell.load(shell.put("a.csv", Scenario().check("08:00").lot("09:00").check("10:00", 5.0, n=1)))
    first = decision(shell.root, slow, "Ada", slow=True)
    assert first.stdout is not None
    assert first.stdout.readline() == "ready\n"
    second = decision(shell.root, quick, "Ben", slow=False)
    said = second.communicate(timeout=PATIENCE_S)
    assert second.returncode == 0, said
    _, err = first.communicate("go\n", timeout=PATIENCE_S)
    assert (first.returncode, told in err) == (2, True), err
    assert decided(shell.root) == [(quick[0], "Ben")]
    shell("verify")
    assert shell.code == 0, shell.out


def test_one_of_two_who_leave_out_the_same_line_is_told(shell: Shell) -> None:
    """Without a pause anywhere, in whatever order the two come."""
    shell.make()
    (shell.root / "annealog.toml").write_text("busy_wait_seconds = 200\n", encoding="utf-8")
    shell.load(shell.put("a.csv", Scenario().check("08:00").lot("09:00").check("10:00", 5.0, n=1)))
    both = {by: decision(shell.root, EXCLUSION, by, slow=False) for by in ("Ada", "Ben")}
    said = {by: process.communicate(timeout=PATIENCE_S)[1] for by, process in both.items()}
    assert sorted(process.returncode for process in both.values()) == [0, 2], said
    (first,) = (by for by, process in both.items() if process.returncode == 0)
    assert decided(shell.root) == [("exclusion", first)]


def test_what_is_decided_already_is_not_decided_again(shell: Shell) -> None:
    """A line is left out once and taken in again once; a dry run says the same and writes nothing."""
    shell.make()
    shell.load(shell.put("a.csv", Scenario().check("08:00").lot("09:00")))
    words = ("record", *EXCLUSION[:-1], "2", "--by", "Ada", "--why", "a slip")
    for more, code in ((("--undo",), 2), (("--dry-run",), 0), ((), 0), ((), 2), (("--dry-run",), 2)):
        shell(*words, *more)
        assert shell.code == code, (more, shell.err)
    for code in (0, 2):
        shell(*words, "--undo")
        assert shell.code == code, shell.err
    assert decided(shell.root) == [("exclusion", "Ada")]
    with History.open(shell.root / "history" / "annealog.duckdb") as history:
        assert [event.kind for event in history.decisions()][-2:] == ["exclusion", "inclusion"]


def test_a_decision_without_a_history_makes_none(shell: Shell) -> None:
    shell.make()
    shell("record", *EXCLUSION, "--by", "Ada", "--why", "x")
    assert shell.code == 7
    assert not (shell.root / "history" / "annealog.duckdb").exists()
