"""What is answered as JSON over HTTP: what the commands answer with --json, for another system of the works."""

from __future__ import annotations

import contextlib
from functools import partial
from typing import TYPE_CHECKING, Any

import typer

from pipeline.cli import bring, look, look_back, output, processes
from pipeline.cli.kept import AskedLast, many_questions
from pipeline.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pipeline.workspace.settings import Workspace

__all__ = ["ANSWERS"]


def _asked(command: Callable[..., Any], key: str | None, given: dict[str, Any], place: Workspace, name: str) -> Any:
    """Return what a command answers with --json."""
    if (key is None) != (name == ""):
        raise UsageError("Name what is asked for." if key is not None else "Nothing is named here.")
    named = {} if key is None else {key: name}
    with output.instead_of_printing() as documents, many_questions(_FOUND), contextlib.suppress(typer.Exit):
        command(**named, **given, workspace=place.root, json=True)
    return documents[-1]


_FOUND: dict[Path, AskedLast] = {}
_DRY = {"dry_run": True}
ANSWERS: dict[str, Callable[[Workspace, str], Any]] = {
    "status": partial(_asked, look.status, None, {}),
    "lot": partial(_asked, look.lot, "name", _DRY),
    "meter": partial(_asked, look.meter, "name", _DRY),
    "block": partial(_asked, look_back.block, "name", _DRY),
    "process": partial(_asked, processes.process, "name", _DRY),
    "supplier": partial(_asked, processes.supplier, "name", _DRY),
    "events": partial(_asked, look_back.trace, None, {"every": True}),
    "event": partial(_asked, look_back.trace, "event", {}),
    "trace": partial(_asked, look_back.trace, "meter", {}),
    "quarantine": partial(_asked, bring.quarantine_list, None, {}),
}
"""What is answered under /json: by the first part of the address, the second names the thing."""
