"""Commands that keep a workspace whole: verify, backup, restore, rebuild."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli import output
from pipeline.cli.options import By, DryRun, Json, Why, WorkspaceOption, workspace_at

if TYPE_CHECKING:
    from pipeline.history.chain import Event
    from pipeline.workspace.settings import Workspace

__all__ = ["add_to"]


def verify(
    every: Annotated[
        bool, typer.Option("--all", help="Compute every kept answer again, not those of a sample.")
    ] = False,
    report_hash: Annotated[
        str | None, typer.Option("--report", metavar="HASH", help="Find the report whose paper carries this hash, too.")
    ] = None,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Make the record again from the journal and the archived files, and compare every value; compute again what is kept beside it.

    Reports that were issued are computed once more from what was known when they were.

    Example: annealog verify
    """
    from pipeline.custody.verify import verify as look

    place = workspace_at(workspace)
    issued = None if report_hash is None else _issued(place, report_hash)
    report = look(place, every=every)
    if json:
        found = {} if report_hash is None else {"report": None if issued is None else issued.subject["states"]}
        output.print_json(
            {"whole": not report.problems, **{name: getattr(report, name) for name in report.__slots__}, **found}
        )
    else:
        console = output.out()
        for problem in report.problems:
            console.print(output.plain(problem))
        for note in report.notes:
            console.print(output.plain(f"note: {note}"))
        console.print(
            f"{report.files} raw files, {report.events} events, {report.readings} readings, {report.quarantined} quarantined "
            f"lines: {'all agree' if not report.problems else f'{len(report.problems)} do not agree'}."
        )
        console.print(f"Head of the chain: {report.chain_head}")
        console.print(f"Content: {report.content}")
        if report.problems:
            console.print(
                "No verdict is given on what of the record does not agree until it was mended and verify finds it whole."
            )
        if report_hash is not None:
            console.print(output.plain(_found(place, issued, report_hash)))
    raise typer.Exit(6 if report.problems or (report_hash is not None and issued is None) else 0)


def _issued(place: Workspace, report_hash: str) -> Event | None:
    from pipeline.history.store import History
    from pipeline.questions.reports_issued import issued_with_hash

    with History.open(place.history, wait_s=place.settings.busy_wait_seconds) as history:
        return issued_with_hash(history, report_hash)


def _found(place: Workspace, event: Event | None, report_hash: str) -> str:
    if event is None:
        return f"No report with the hash {report_hash} was issued here: a paper that carries it is not ours, or was altered."
    states = event.subject["states"]
    lots = "; ".join(
        f"lot {lot['lot']} {output.VERDICT_WORDS[lot['verdict']]}, {lot['mean']:.{lot['decimals']}f}"
        + ("" if lot["expanded_uncertainty"] is None else f" ± {lot['expanded_uncertainty']:.{lot['decimals']}f}")
        + f" {lot['unit']}"
        for lot in states["lots"]
    )
    kind = "statement of nonconformity" if states["kind"] == "nonconformity" else "test report"
    return (
        f"{report_hash} is the hash of {kind} {states['number']}, issued by {event.by} on {output.when(event.at, place.settings)[:10]}, event {event.sequence}. "
        f"It states: {lots}. The whole paper, to compare: annealog test-report --again {states['number']}"
    )


def backup(
    target: Annotated[Path, typer.Argument(metavar="FILE", help="New file to write.")],
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Write the whole workspace into one file.

    Example: annealog backup works-2026-03.zip
    """
    from pipeline.custody.backup import backup as write

    place = workspace_at(workspace)
    if dry_run:
        output.would(f"write {place.root} into {target}", json=json)
        return
    count = write(place, target)
    if json:
        output.print_json({"backup": str(target), "files": count})
    else:
        output.out().print(f"{count} files written into {target}. Keep it on another disk.")


def restore(
    source: Annotated[Path, typer.Argument(metavar="FILE", help="Backup to unpack.")],
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="New folder for the workspace.")],
    dry_run: DryRun = False,
    json: Json = False,
) -> None:
    """Unpack a backup into a new folder and check every hash.

    Example: annealog restore works-2026-03.zip works-again
    """
    from pipeline.custody.backup import restore as unpack

    if dry_run:
        output.would(f"unpack {source} into {folder}", json=json)
        return
    count = unpack(source, folder)
    if json:
        output.print_json({"workspace": str(folder), "files": count})
    else:
        output.out().print(f"{count} files restored into {folder}; all agree with their hashes. Next: annealog verify")


def rebuild(
    take: Annotated[
        bool, typer.Option("--take", help="Put the rebuilt history in the place of the present one (--by, --why).")
    ] = False,
    by: By = "",
    why: Why = "",
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Build a new history from the journal and the raw archive; the present one is not touched.

    Example: annealog rebuild
    """
    from pipeline.custody import rebuild as building

    place = workspace_at(workspace)
    if dry_run:
        output.would("build a new history from the journal and the raw archive", json=json)
        return
    if take:
        kept = building.take(place, by=by, why=why)
        if json:
            output.print_json({"history": str(place.history), "before": str(kept)})
        else:
            output.out().print(f"{place.history} is the rebuilt history; the one before is kept in {kept}.")
        return
    report = building.rebuild(place)
    if json:
        output.print_json({name: getattr(report, name) for name in report.__slots__} | {"path": str(report.path)})
        return
    console = output.out()
    console.print(f"{report.path}: {report.events} events, {report.files} files, {report.readings} readings.")
    console.print(f"Content: {report.content}")
    console.print(
        {
            True: "It equals the present history.",
            False: "It differs from the present history. Run: annealog verify",
            None: "The present history cannot be read, so the two cannot be compared.",
        }[report.same]
    )
    console.print("To take it: annealog rebuild --take --by NAME --why TEXT")


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    for command in (verify, backup, restore, rebuild):
        app.command(help=command.__doc__)(command)
