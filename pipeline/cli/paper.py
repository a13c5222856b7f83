"""Pages on paper, and their texts for another language."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli import output
from pipeline.cli.options import DryRun, Json, WorkspaceOption, workspace_at
from pipeline.errors import UsageError

__all__ = ["add_to"]


def print_(
    pages: Annotated[list[Path], typer.Argument(metavar="PAGE...", help="Pages that were written, as HTML files.")],
    paper: Annotated[
        str | None, typer.Option(metavar="NAME", help="A4 or Letter; default: the setting paper of the workspace.")
    ] = None,
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Print pages to PDF; each lies beside its page. Chromium does it, where it is installed.

    Example: annealog print pages/index.html pages/meters/EC-01.html --paper Letter
    """
    from pipeline.pages.pdf import print_pages

    lacking = [str(path) for path in pages if not path.is_file()]
    if lacking:
        raise UsageError(f"There is no page {', '.join(lacking)}. Write it first: annealog render")
    paper = paper or workspace_at(workspace).settings.paper
    if dry_run:
        output.would(f"print {len(pages)} pages on {paper}", json=json)
        return
    with output.progress([], "printing", quiet=json) as callbacks:
        after = callbacks.get("printed")
        printed = print_pages(pages, paper, progress=None if after is None else lambda _: after(len(pages)))
    if json:
        output.print_json({"paper": paper, "pdf": [str(path) for path in printed]})
        return
    for path in printed:
        output.out().print(output.plain(str(path)))


def texts(
    language: Annotated[str, typer.Argument(metavar="LANGUAGE", help="Such as no, de or pt-BR.")],
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Write every text of the pages into texts/LANGUAGE.toml, in English, to be translated; or say what a file still lacks.

    Example: annealog texts no
    """
    from pipeline.pages.language import check_texts, write_texts

    place = workspace_at(workspace)
    path, lacking = write_texts(place, language, dry_run=dry_run), check_texts(place, language)
    if json:
        output.print_json({"file": str(path), "lacking": lacking})
        return
    output.out().print(output.plain(str(path)))
    for sentence in lacking:
        output.out().print(output.plain(f"  {sentence}"))


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    app.command(help=texts.__doc__)(texts)
    app.command("print", help=print_.__doc__)(print_)
