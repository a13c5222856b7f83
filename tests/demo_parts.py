"""The demo's planted truths, and the assessment of what one meter of it exported: for tests of single parts of the demo."""

from __future__ import annotations

import tomllib
from importlib import resources
from typing import TYPE_CHECKING, Any

from pipeline.history.store import History
from pipeline.judge.assess import assess
from pipeline.load.load import load
from pipeline.workspace.files import collect
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.judge.assessment import Assessment

__all__ = ["assess_meter", "planted"]


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
