"""What commands print, and what becomes of it where nobody reads on."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from scenario import Scenario
from workspace_files import Shell, loaded_once

from pipeline.cli import output
from pipeline.cli.output import table, widths
from pipeline.cli.terminal import Terminal

TABLE = [
    ["event", "EC-02_20260424T050529Z_SIGNAL", "EC-03_20260610T124000Z_FAILED-CHECK"],
    ["state", "open", "open"],
    ["when", "2026-04-24 07:05", "2026-06-10 14:40"],
    ["what", "The multi-rule scheme rejected 1 check on BL-A2 (rules 2-2s).", "2 checks on BL-C1, BL-C2 failed."],
    ["lots undecided", "2 of 2", "3 of 3"],
]


@pytest.mark.parametrize(("room", "whole"), [(80, False), (100, True), (160, True)])
def test_a_table_breaks_no_word_where_it_has_room(room: int, whole: bool) -> None:
    found = widths(TABLE, room)
    assert sum(found) + 2 * (len(found) - 1) <= room
    for column, width in zip(TABLE, found, strict=True):
        assert all(len(word) <= width for text in column for word in text.split())
    assert (found[2] >= 16) == whole, "a time stays on one line where there is room for it"


def test_a_table_that_has_no_room_breaks_its_longest_words() -> None:
    found = widths(TABLE, 60)
    assert sum(found) + 2 * (len(found) - 1) == 60
    assert found[1] == 5
    assert found[0] == max(found)
    assert widths([["a", ""], ["", ""]], 80) == [1, 1]
    assert widths([["a" * 9], ["b" * 9], ["c" * 9]], 1) == [1, 1, 1]
    # wide characters take two places each
    assert widths([["名前"]], 80) == [4]


@pytest.mark.parametrize(("width", "heading"), [(32, False), (33, True)])
def test_a_column_that_says_nothing_goes_before_a_word_is_broken(
    width: int, heading: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(output, "out", lambda: Terminal(width=width, force_terminal=True, color_system=None))
    table(
        "Lots",
        ("lot", "doubt", "shipped", "verdict"),
        [("L-0036", "touched", "", "HOLD"), ("L-0037", "touched", "", "HOLD")],
    )
    said = capsys.readouterr().out
    assert ("shipped" in said) is heading
    assert said.count("touched") == 2


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("piped") / "works"


@pytest.mark.parametrize("words", [("status",), ("config", "show"), ("meter", "M1", "--dry-run"), ("status", "--json")])
def test_a_pipe_that_nobody_reads_is_no_error(
    root: Path, words: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    if not root.exists():
        shell = Shell(root, capsys).make()
        scenario = Scenario()
        scenario.check("08:00").lot("08:30").check("09:30")
        shell.load(shell.put("a.csv", scenario))
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(
        [sys.executable, "-m", "pipeline", *words, "--workspace", str(root)],
        stdout=writing, stderr=subprocess.PIPE, text=True, check=False,
    )  # fmt: skip
    os.close(writing)
    assert (done.returncode, done.stderr) == (0, "")


def _printed(root: Path, *words: str, stdout: int = subprocess.PIPE, **given: str) -> tuple[int, str, str]:
    done = subprocess.run(
        [sys.executable, "-m", "pipeline", *words, "--workspace", str(root)],
        stdout=stdout, stderr=subprocess.PIPE, check=False, env=os.environ | given, encoding=given.get("PYTHONIOENCODING", "utf-8"),
    )  # fmt: skip
    return done.returncode, done.stdout or "", done.stderr


@pytest.mark.parametrize(("encoding", "sign"), [("ascii", "+/-"), ("latin-1", "±"), ("utf-8", "±")])
def test_a_terminal_without_a_sign_has_the_sentence_whole(tmp_path: Path, encoding: str, sign: str) -> None:
    at_work = loaded_once({"a.csv": Scenario().check("08:00", bias=-0.1).lot("08:30").check("09:30")})
    root = shutil.copytree(at_work, tmp_path / "works")
    code, said, complaint = _printed(root, "lot", "L1", PYTHONIOENCODING=encoding)
    assert (code, complaint) == (0, "")
    assert f"mean 58.50 {sign} " in said
    assert said.rstrip().endswith(".html")
    assert json.loads(_printed(root, "lot", "L1", "--json", PYTHONIOENCODING=encoding)[1]) == json.loads(
        _printed(root, "lot", "L1", "--json")[1]
    )


@pytest.mark.parametrize("words", [("status",), ("status", "--json")])
def test_what_cannot_be_printed_is_named(tmp_path: Path, words: tuple[str, ...]) -> None:
    root = shutil.copytree(loaded_once({"a.csv": Scenario().check("08:00").lot("08:30")}), tmp_path / "works")
    with Path("/dev/full").open("wb") as full:
        code, _, complaint = _printed(root, *words, stdout=full.fileno())
    assert (code, complaint.partition(":")[2]) == (
        7, " what this command prints, or the folder it was typed in: No space left on device.\n",
    )  # fmt: skip
