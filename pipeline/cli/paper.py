"""Papers: reports on lots that leave the house, pages printed, and texts for another language."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli import output
from pipeline.cli.kept import printed as printed_now
from pipeline.cli.options import By, DryRun, Json, Pdf, WorkspaceOption, workspace_at
from pipeline.errors import UsageError

if TYPE_CHECKING:
    from pipeline.history.chain import Event
    from pipeline.workspace.settings import Workspace
    from schemas.papers import ReportOnLots

__all__ = ["add_to"]


def report(
    lots: Annotated[list[str] | None, typer.Argument(metavar="LOT...", help="Lots of one specification.")] = None,
    nonconformity: Annotated[
        bool, typer.Option("--nonconformity", help="State that conformity is not shown: of lots on hold or rejected.")
    ] = False,
    again: Annotated[
        str | None, typer.Option(metavar="NUMBER", help="Write the paper of a report once more, as it was issued.")
    ] = None,
    pdf: Pdf = False,
    by: By = "",
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Issue a test report on accepted lots, one sheet: recorded with what it states, under a running number and a hash.

    A lot that is not accepted gets none; --nonconformity states that its conformity is not shown, and says so in its title.

    Example: annealog test-report L-0007 --by "A. Ranta" --pdf
    """
    if bool(lots) == (again is not None):
        raise UsageError("Name lots to issue a report, or the number of one that was issued: --again NUMBER.")
    place = workspace_at(workspace)
    if again is None:
        from pipeline.decisions.issue_report import issue_report

        event, issued = issue_report(place, lots or [], nonconformity=nonconformity, by=by, dry_run=dry_run)
    else:
        event, issued = _issued(place, again)
    path = (
        None
        if dry_run or event is None
        else printed_now(place, _paper(place, event), dry_run=False, pdf=pdf, one_sheet=True)
    )
    if json:
        hashed = {} if event is None else {"sequence": event.sequence, "sha256": event.subject["sha256"]}
        output.print_json({"recorded": event is not None, **hashed, **issued.states(), "page": path})
        return
    _show(issued, event, path)


def _issued(place: Workspace, number: str) -> tuple[Event, ReportOnLots]:
    from pipeline.history.store import History
    from pipeline.questions.reports_issued import issued_with_number, paper_of

    with History.open(place.history, wait_s=place.settings.busy_wait_seconds) as history:
        event = issued_with_number(history, number)
    return event, paper_of(event).report


def _paper(place: Workspace, event: Event) -> Path:
    from pipeline.pages.writer import write_pages
    from pipeline.questions.reports_issued import paper_of

    return write_pages(place, [paper_of(event)], always=True)[0].path


def _show(report: ReportOnLots, event: Event | None, path: str | None) -> None:
    console = output.out()
    kind = "Statement of nonconformity" if report.kind == "nonconformity" else "Test report"
    console.print(output.plain(f"{kind} {report.number}, for {report.customer or 'a customer not stated'}"))
    for lot in report.lots:
        u = "" if lot.expanded_uncertainty is None else f" ± {lot.expanded_uncertainty:.{lot.decimals}f}"
        console.print(
            output.plain(f"  {lot.lot}: {output.VERDICT_WORDS[lot.verdict]}, {lot.mean:.{lot.decimals}f}{u} {lot.unit}")
        )
    if event is None:
        console.print("Nothing was recorded (dry run).")
        return
    console.print(f"Recorded as event {event.sequence}; hash {event.subject['sha256'][:16]}")
    if path:
        console.print(path)


def label(
    lot: Annotated[list[str] | None, typer.Option(metavar="ID", help="A lot; may be given several times.")] = None,
    block: Annotated[list[str] | None, typer.Option(metavar="ID", help="A block; may be given several times.")] = None,
    pdf: Pdf = False,
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Write labels of 62 mm by 29 mm: id, state, dates, and a QR code of the id; as SVG, and as PDF with --pdf.

    Example: annealog label --lot L-0007 --block BL-C1 --pdf
    """
    from pipeline.pages.labels import write_labels

    if not lot and not block:
        raise UsageError("Name what is to be labelled: --lot ID, --block ID.")
    place = workspace_at(workspace)
    if dry_run:
        output.would(f"write {len([*(lot or ()), *(block or ())])} labels", json=json)
        return
    paths = write_labels(place, lots=lot or (), blocks=block or (), pdf=pdf)
    if json:
        output.print_json({"labels": [str(path) for path in paths]})
        return
    for path in paths:
        output.out().print(output.plain(str(path)))


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
    app.command("test-report", help=report.__doc__)(report)
    app.command(help=label.__doc__)(label)
    app.command(help=texts.__doc__)(texts)
    app.command("print", help=print_.__doc__)(print_)
