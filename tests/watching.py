"""The resident service as a process, and what it showed: for tests that watch it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from scenario import Scenario

from pipeline.history.snapshot import Snapshot

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from workspace_files import Shell

__all__ = ["PATIENCE_S", "day", "loaded", "settings", "shown", "until", "watching"]

PATIENCE_S = 240
"""How long a slow, shared machine may take; the ten seconds that are promised are measured beside it."""


def day(number: int) -> Scenario:
    lot = "L1" if number % 2 else "L2"
    return Scenario().check("08:00", day=number).lot("09:00", lot=lot, day=number).check("10:00", day=number)


@contextmanager
def watching(root: Path, *words: str) -> Iterator[subprocess.Popen[str]]:
    clean = {name: value for name, value in os.environ.items() if not name.startswith("PREFECT_")}
    process = subprocess.Popen(
        [sys.executable, "-m", "pipeline", "watch", "--json", "--workspace", str(root), *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**clean, "PYTHONPATH": str(Path(__file__).resolve().parents[1])},
    )
    try:
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


def until(true: Callable[[], Any], process: subprocess.Popen[str]) -> Any:
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        found = true()
        if found:
            return found
        assert process.poll() is None, process.communicate()
        time.sleep(0.05)
    raise AssertionError("nothing happened")


def loaded(root: Path) -> int:
    snapshot = Snapshot.current(root / "history" / "annealog.duckdb")
    return 0 if snapshot is None else int(snapshot.manifest["counts"]["source_file"])


def shown(root: Path) -> int:
    """Return how many files the pages show, all of them written."""
    snapshot = Snapshot.current(root / "history" / "annealog.duckdb")
    mark = root / "pages" / ".answers" / "mark.json"  # written last
    try:
        whole = snapshot is not None and json.loads(mark.read_bytes())["history"] == snapshot.manifest["history"]
    except FileNotFoundError:
        whole = False
    return loaded(root) if whole else 0


def settings(shell: Shell, **given: str) -> None:
    lines = "".join(f"{name} = {value}\n" for name, value in {"watch_settle_seconds": "0.5", **given}.items())
    (shell.root / "annealog.toml").write_text(lines, encoding="utf-8")
