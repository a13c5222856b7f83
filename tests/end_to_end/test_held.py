"""Held files can be settled: listed, discarded one by one or many at once, closed by a later file that holds all of them."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Any

import pytest
from scenario import Scenario
from workspace_files import neutral_csv

from pipeline.custody.rebuild import rebuild
from pipeline.history.store import History
from pipeline.load.held import _telling_line, holds_every_line

if TYPE_CHECKING:
    from pathlib import Path

    from workspace_files import Shell

WHOLE = Scenario().check("07:00").lot("07:30").check("08:00")
WHY = ("--by", "Ada", "--why", "a trial of the meter's software")


def settle(shell: Shell, *words: str) -> Any:
    return shell.json("quarantine", "discard", *words, "--workspace", str(shell.root))


def waiting(shell: Shell) -> list[tuple[str, str]]:
    rows = shell.json("quarantine", "list", "--workspace", str(shell.root))
    return [(row["file"], row["reason"]) for row in rows if row["state"] == "held"]


def held_in_status(shell: Shell) -> list[str]:
    return [file["name"] for file in shell.json("status", "--workspace", str(shell.root))["files_held"]]


def test_a_held_file_is_listed_discarded_with_a_reason_and_not_held_again(shell: Shell) -> None:
    shell.make()
    strange = shell.put("strange.csv", "no;table\n")
    assert shell.load(strange)["held"] == 1
    ((name, reason),) = waiting(shell)
    assert name == "inbox/strange.csv"
    for words in (("inbox/strange.csv",), ("inbox/other.csv", *WHY), ("1", *WHY), WHY, ("--reason", "no-such", *WHY)):
        shell("quarantine", "discard", *words, "--workspace", str(shell.root))
        assert shell.code == 2, words
    shell("quarantine", "discard", "strange.csv", *WHY, "--workspace", str(shell.root))
    assert "Held: inbox/strange.csv." in shell.err  # whoever leaves the folder out is told the whole name
    assert settle(shell, "inbox/strange.csv", *WHY, "--dry-run")["files"] == ["inbox/strange.csv"]
    assert held_in_status(shell) == ["inbox/strange.csv"]
    assert settle(shell, "inbox/strange.csv", *WHY) == {
        "discarded": 0,
        "files": ["inbox/strange.csv"],
        "dry_run": False,
    }
    assert (waiting(shell), held_in_status(shell)) == ([], [])
    shell("status", "--workspace", str(shell.root))
    assert shell.code == 0
    # the same bytes again say what became of them, and wait no more
    (again,) = shell.load(strange)["files"]
    assert again["status"] == "discarded"
    assert "by Ada (a trial of the meter's software)" in again["sentence"]
    assert (shell.code, held_in_status(shell)) == (0, [])
    # other bytes under the name are another file
    assert shell.load(shell.put("strange.csv", "no;table;either\n"))["held"] == 1
    with History.open(shell.root / "history" / "annealog.duckdb") as history:
        (event,) = history.events("discard")
    assert [(one["name"], one["reason"]) for one in event.subject["files"]] == [("inbox/strange.csv", reason)]


def test_many_are_discarded_by_file_or_by_reason_and_nothing_else(shell: Shell) -> None:
    shell.make()
    lines = neutral_csv(WHOLE).splitlines()
    bad = [line.replace(",B1,5", ",B1,x5", 1) for line in lines[1:3]]
    shell.load(shell.put("a.csv", "\n".join([lines[0], *bad, *lines[3:]]) + "\n"))
    shell.load(shell.put("b.csv", "no;table\n"), shell.put("c.csv", "none;either\n"))
    rows = shell.json("quarantine", "list", "--workspace", str(shell.root))
    of_lines = [row for row in rows if row["state"] == "new"]
    assert len(of_lines) == 2
    reason = of_lines[0]["reason"]
    # of a file and for a reason: what both fit, which is nothing here
    shell("quarantine", "discard", "--file", "inbox/b.csv", "--reason", reason, *WHY, "--workspace", str(shell.root))
    assert shell.code == 2
    assert settle(shell, "--reason", reason, *WHY)["discarded"] == 2
    assert [name for name, _ in waiting(shell)] == ["inbox/b.csv", "inbox/c.csv"]
    ((_, held_for), _) = waiting(shell)
    assert settle(shell, "--file", "inbox/b.csv", *WHY)["files"] == ["inbox/b.csv"]
    assert settle(shell, "--reason", held_for, *WHY)["files"] == ["inbox/c.csv"]
    assert shell.json("status", "--workspace", str(shell.root))["quarantined"] == 0
    # a rebuild knows what was discarded
    report = rebuild(find(shell))
    assert report.same is True
    with History.open(report.path) as history:
        assert history.quarantine(states=["new"]).height == 0
        assert len(history.events("discard")) == 3


def find(shell: Shell) -> Any:
    from pipeline.workspace.settings import find_workspace

    return find_workspace(shell.root)


def test_a_file_that_holds_every_line_of_a_held_one_closes_it(shell: Shell) -> None:
    shell.make()
    # the first copy was cut off inside its header; other things wait, too
    cut = shell.put("m1-cut.csv", neutral_csv(WHOLE)[:30])
    shell.load(cut, shell.put("strange.csv", "no;table\n"))
    assert [name for name, _ in waiting(shell)] == ["inbox/m1-cut.csv", "inbox/strange.csv"]
    (done,) = shell.load(shell.put("m1.csv", WHOLE))["files"]
    assert "held no more: inbox/m1-cut.csv, every line of which stands here" in done["sentence"]
    # what does not hold it closes nothing, not even under the same name; a person is told of it
    assert [name for name, _ in waiting(shell)] == ["inbox/strange.csv"]
    (same_name,) = shell.load(shell.put("strange.csv", Scenario().check("09:00")))["files"]
    assert (same_name["status"], "held no more" in same_name["sentence"]) == ("loaded", False)
    (row,) = shell.json("quarantine", "list", "--state", "held", "--workspace", str(shell.root))
    assert row["loaded_since"] is not None
    assert settle(shell, row["sha256"][:12], *WHY)["files"] == ["inbox/strange.csv"]
    with History.open(shell.root / "history" / "annealog.duckdb") as history:
        (event,) = history.events("held_closed")
    assert (event.by, [one["name"] for one in event.subject["files"]]) == ("load", ["inbox/m1-cut.csv"])
    shell("verify", "--workspace", str(shell.root))
    assert shell.code == 0, shell.out
    assert rebuild(find(shell)).same is True


@pytest.mark.parametrize(
    ("part", "expected"),
    [
        (b"a\nb\n", True),
        (b"a\r\nb\r\n", True),  # how a line ends says nothing
        (b"b\n\na\n", True),
        (b"a\nb", True),
        (b"a\nc1", True),  # cut off inside c12
        (b"a\nc13", False),
        (b"a\nc1\n", False),  # a whole line, and no such line there
        (b"b\nb\n", False),  # twice here, once there
        (b"a\nb\nc12\nd", False),
        (b"a\nb\nc12\nc1", False),  # c12 is needed by the line that is whole
        (b"", False),
        (b"\n \n", False),
    ],
)
def test_what_holds_every_line(part: bytes, expected: bool, tmp_path: Path) -> None:
    assert holds_every_line(b"a\nb\nc12\n", part) is expected
    # the line by which files are passed over unread never passes over one that is held by this
    (tmp_path / "held").write_bytes(part)
    telling = _telling_line(tmp_path / "held")
    assert not expected or telling is None or telling in {hashlib.sha256(one).digest() for one in (b"a", b"b", b"c12")}


def test_a_held_file_that_is_gone_is_passed_over(tmp_path: Path) -> None:
    assert _telling_line(tmp_path / "gone") == b""
