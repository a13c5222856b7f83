"""Options that many commands share, and how their texts are read."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.workspace.moments import is_day, moment

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
