"""The monthly review."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli import output
from pipeline.cli.kept import written
from pipeline.cli.options import Direct, DryRun, Json, Pdf, SingleFile, WorkspaceOption, workspace_at
from pipeline.cli.work import exit_code

if TYPE_CHECKING:
    from schemas.review import ReviewResult

__all__ = ["add_to"]


def review(
    month: Annotated[str, typer.Argument(metavar="YYYY-MM", help="Month, in the site's zone.")],
    direct: Direct = False,
    dry_run: DryRun = False,
    single_file: SingleFile = False,
    pdf: Pdf = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Write the metrology review of a month: what is open, meters, signals, what is due, the head of the chain.

    Example: annealog review 2026-06
    """
    from pipeline.flows import carrying_out
    from pipeline.questions.review import review_page

    place = workspace_at(workspace)
    page = review_page(place, month)

    def write() -> str | None:
        return written(place, page, None, dry_run=dry_run, alone=single_file, pdf=pdf)

    with carrying_out(place, direct=direct or dry_run) as carry_out:
        about = {"folder": str(place.root), "month": month}
        path = carry_out("review", lambda step: step("write_review", write), about)
    result = page.result
    if json:
        output.print_json({**result.document(), "page": path})
    else:
        _show(result, path)
    lots = {lot.lot: lot.verdict for lot in result.not_accepted}
    raise typer.Exit(exit_code(lots, {meter.meter: meter.state for meter in result.meters}))


def _show(result: ReviewResult, path: str | None) -> None:
    console = output.out()
    console.print(f"Review of {result.month}: {len(result.actions)} open")
    for place, action in enumerate(result.actions, start=1):
        console.print(output.plain(f"  {place}. {action.sentence}"))
    counts = ", ".join(f"{result.lots[name]} {word}" for name, word in output.VERDICT_WORDS.items())
    console.print(f"  lots read: {counts}")
    console.print(f"  head of the chain: {result.chain.head or 'none'} (event {result.chain.sequence})")
    if path:
        console.print(path)


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    app.command(help=review.__doc__)(review)
