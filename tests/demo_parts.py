"""The demo: its planted truths, the assessment of what one meter of it exported, and the whole of it, made once in a run of the tests."""

from __future__ import annotations

import fcntl
import os
import pickle
import shutil
import tomllib
from datetime import UTC, datetime
from importlib import resources
from typing import TYPE_CHECKING, Any

from fixtures.demo import build
from pipeline.history.store import History
from pipeline.judge.assess import assess
from pipeline.load.load import load
from pipeline.pages.render import render
from pipeline.pages.writer import write_pages
from pipeline.questions.review import review_page
from pipeline.workspace.files import collect
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import pytest

    from pipeline.judge.assessment import Assessment
    from pipeline.load.report import LoadReport

__all__ = ["assess_meter", "loaded_demo", "planted", "shown_demo"]


def planted(name: str) -> dict[str, Any]:
    """Return one table of truths.toml."""
    text = (resources.files("fixtures.demo") / "truths.toml").read_text(encoding="utf-8")
    found: dict[str, Any] = tomllib.loads(text)[name]
    return found


def assess_meter(root: Path, truth: dict[str, Any]) -> Assessment:
    """Load what one meter of a built demo exported, compare the counts with the truth, and assess it."""
    workspace = find_workspace(root)
    files, passed = collect([workspace.inbox / truth["meter"]])
    report = load(workspace, files, passed_over=passed)
    assert report.held == 0
    assert (len(report.files), sum(file.readings for file in report.files)) == (truth["files"], truth["readings"])
    with History.open(workspace.history) as history:
        return assess(history, workspace.settings, as_of=None)


def _once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], None]) -> Path:
    """Return a folder that whichever process of this run asks first makes, and the others wait for."""
    base = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        base = base.parent
    made, done = base / name, base / f"{name}.done"
    with (base / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not done.exists():
            shutil.rmtree(made, ignore_errors=True)
            make(made)
            done.touch()
    return made


def _load(folder: Path) -> None:
    build(folder / "works")
    workspace = find_workspace(folder / "works")
    files, passed = collect([workspace.inbox])
    report = load(workspace, files, passed_over=passed, now=datetime(2026, 9, 1, tzinfo=UTC))
    (folder / "report.pickle").write_bytes(pickle.dumps(report))


def loaded_demo(factory: pytest.TempPathFactory) -> tuple[Path, LoadReport]:
    """Return a copy of the demo, loaded on 2026-09-01, and what the load said."""
    made = _once(factory, "loaded-demo", _load)
    report: LoadReport = pickle.loads((made / "report.pickle").read_bytes())
    return shutil.copytree(made / "works", factory.mktemp("demo") / "works"), report


def shown_demo(factory: pytest.TempPathFactory) -> Path:
    """Return the demo with every kind of page that the program writes, only to be read."""

    def make(folder: Path) -> None:
        shutil.copytree(_once(factory, "loaded-demo", _load), folder)
        workspace = find_workspace(folder / "works")
        render(workspace)
        write_pages(workspace, [review_page(workspace, "2026-06")], as_of=None)

    return _once(factory, "shown-demo", make) / "works"
