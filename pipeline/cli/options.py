"""Options that many commands share, and how their texts are read."""

from __future__ import annotations

import re
import sys
from datetime import UTC, datetime, time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.errors import UsageError
from schemas.terms import YEARS, in_years

if TYPE_CHECKING:
    from pipeline.workspace.settings import Workspace

__all__ = [
    "AsOf",
    "By",
    "Direct",
    "DryRun",
    "Json",
    "Pdf",
    "SingleFile",
    "Why",
    "WorkspaceOption",
    "is_day",
    "moment",
    "workspace_at",
]

_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_WRITTEN = re.compile(_DAY.pattern + r"([T ]\d{2}:\d{2}(:\d{2}([.,]\d+)?)?(Z|[+-]\d{2}:?\d{2})?)?", re.ASCII)

WorkspaceOption = Annotated[
    Path | None,
    typer.Option(
        "--workspace", metavar="DIR", help="The workspace; default: this folder or a parent with annealog.toml."
    ),
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON document on standard output.")]
AsOf = Annotated[
    str | None,
    typer.Option(
        "--as-of", metavar="TIME", help="Look at everything as of this time (2026-03-02 means the end of that day)."
    ),
]
DryRun = Annotated[bool, typer.Option("--dry-run", help="Say what would be done; write nothing.")]
Direct = Annotated[bool, typer.Option("--direct", help="Work without the flow server; the result is the same.")]
SingleFile = Annotated[
    bool,
    typer.Option("--single-file", help="Write pages that travel alone, without links to others, into pages/single."),
]
Pdf = Annotated[bool, typer.Option("--pdf", help="Print to PDF as well, beside the page (needs Chromium).")]
By = Annotated[str, typer.Option("--by", metavar="NAME", help="Who decides.")]
Why = Annotated[str, typer.Option("--why", metavar="TEXT", help="Why.")]


def workspace_at(folder: Path | None) -> Workspace:
    """Return the workspace of an option, or of the current folder, where its history may lie there."""
    from pipeline.workspace.location import check_place, open_to_all
    from pipeline.workspace.settings import find_workspace

    workspace = find_workspace(folder or Path.cwd())
    check_place(workspace)
    for path in open_to_all(workspace):
        # before anything else is imported, and so not through `output`
        print(f"note: everybody on this computer may change {path}. Narrow it: chmod o-w {path}", file=sys.stderr)  # noqa: T201
    return workspace


def is_day(text: str) -> bool:
    """Whether a time on the command line is a whole day."""
    return _DAY.fullmatch(text) is not None


def moment(text: str | None, workspace: Workspace, *, first: bool = False) -> datetime | None:
    """Read a time given on the command line; without an offset it is in the workspace's zone.

    Parameters
    ----------
    text
        A time, or a day, which stands for its end.
    workspace
        For its zone.
    first
        A day stands for its beginning.

    Raises
    ------
    UsageError
        If it is no time, or none that can be meant.
    """
    if text is None:
        return None
    try:
        found = datetime.fromisoformat(text) if _WRITTEN.fullmatch(text) else None
    except ValueError:
        found = None
    if found is None:
        raise UsageError(f"{text!r} is no time. Expected 2026-03-02, 2026-03-02T14:30 or 2026-03-02T14:30+01:00.")
    if is_day(text):
        found = datetime.combine(
            found.date(), time() if first else time.max.replace(fold=1)
        )  # of an hour told twice the later
    try:
        at = (found if found.tzinfo else found.replace(tzinfo=workspace.settings.zone)).astimezone(UTC)
    except OverflowError:
        at = datetime.max.replace(tzinfo=UTC)
    if not in_years(at):
        raise UsageError(f"{text!r}: expected a time in {YEARS}.")
    return at
