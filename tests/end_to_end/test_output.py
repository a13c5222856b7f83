"""What commands print, and what becomes of it where nobody reads on."""

from __future__ import annotations

import os
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest
from scenario import Scenario
from workspace_files import Shell

if TYPE_CHECKING:
    from pathlib import Path


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
