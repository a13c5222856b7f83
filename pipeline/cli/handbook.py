"""The handbook, as pages of the workspace."""

from __future__ import annotations

from typing import Annotated

import typer

from pipeline.cli import output
from pipeline.cli.options import DryRun, Json, WorkspaceOption, workspace_at

__all__ = ["add_to"]


def handbook(
    word: Annotated[
        str,
        typer.Argument(metavar="[WORD]", help="A figure, flag, rule, setting, table or page; default: the first page."),
    ] = "index",
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Write the handbook beside the reports and print the path of a page: how a figure is had, what a setting does.

    Example: annealog handbook cpk
    """
    from pipeline.pages.handbook import page_about, write_handbook

    place = workspace_at(workspace)
    name = page_about(word)
    if dry_run:
        output.would(f"write the handbook into {place.pages / 'handbook'}", json=json)
        return
    written = {page.id: page for page in write_handbook(place)}
    path = str(written[name].path)
    if json:
        output.print_json({"page": path, "pages": len(written)})
    else:
        output.out().print(output.plain(path))


def add_to(app: typer.Typer) -> None:
    """Add the command."""
    app.command(help=handbook.__doc__)(handbook)
