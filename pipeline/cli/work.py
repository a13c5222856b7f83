"""Commands that do the work: demo, init, load, render."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline import stop
from pipeline.cli import output
from pipeline.cli.options import (
    AsOf,
    By,
    Direct,
    DryRun,
    Json,
    Pdf,
    SingleFile,
    Why,
    WorkspaceOption,
    moment,
    workspace_at,
)
from pipeline.errors import EnvironmentProblem, UsageError
from schemas.digits import counted

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.judge.assessment import Assessment
    from pipeline.load.report import LoadReport
    from pipeline.pages.page import PageReport
    from pipeline.workspace.settings import Workspace

__all__ = ["add_to", "exit_code"]


def exit_code(lots: Mapping[str, str], meters: Mapping[str, str], *, held: int = 0, quarantined: int = 0) -> int:
    """Return 4 for a hold, a reject or a suspended meter, else 3 for held files or refused lines, else 0."""
    if any(v in ("hold", "reject") for v in lots.values()) or "suspended" in meters.values():
        return 4
    return 3 if held or quarantined else 0


def _of(report: LoadReport) -> int:
    for file in report.failed:
        return getattr(file.error, "exit_code", 1)
    return exit_code(report.lots, report.meters, held=report.held, quarantined=report.quarantined)


def demo(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="Where to build the demo workspace.")] = Path("demo"),
    direct: Direct = False,
    dry_run: DryRun = False,
    json: Json = False,
) -> None:
    """Build the demo workspace, run the main job and name the reports.

    Example: annealog demo demo
    """
    from pipeline.flows import carrying_out, render_step
    from pipeline.load.load import load as load_into
    from pipeline.workspace.settings import SETTINGS_FILE, Settings, Workspace

    if folder.exists() and any(folder.iterdir()) and not (folder / SETTINGS_FILE).exists():
        raise UsageError(f"{folder} is not empty and no workspace. Name a new folder: annealog demo DIR")
    if dry_run:
        output.would(f"build the demo in {folder}, load its exports and write its pages", json=json)
        return
    workspace = Workspace(folder.resolve(), Settings())
    workspace.root.mkdir(parents=True, exist_ok=True)
    found: list[Assessment] = []
    with (
        stop.gently(),
        output.progress([], "loading files", quiet=json) as callbacks,
        carrying_out(workspace, direct=direct) as carry_out,
    ):

        def work(step: Any) -> tuple[LoadReport, list[PageReport]]:
            from fixtures.demo import build
            from pipeline.workspace.files import collect

            step("build_demo", lambda: build(workspace.root))
            files, passed = collect([workspace.inbox])
            # the workspace got its settings while it was built
            report = load_into(
                workspace_at(workspace.root), files, step=step, progress=callbacks.get("file"), passed_over=passed
            )
            return report, render_step(workspace, step, {**callbacks, "rendered": found.append})

        report, pages = carry_out("demo", work, {"folder": str(workspace.root)})
    _keep_snapshot(workspace_at(workspace.root), found, first=True)
    _show_demo(workspace_at(workspace.root), report, pages, json=json)
    # the demo is a tour: it holds and rejects on purpose, so its success is 0


def _show_demo(workspace: Workspace, report: LoadReport, pages: Any, *, json: bool) -> None:
    from pipeline.history.store import History
    from pipeline.questions.status import status

    with History.open(workspace.history) as history:
        last = history.last_measured_at()
    found = status(workspace, as_of=last)
    document = {
        **output.load_document(report),
        "status": found.document(),
        "pages": str(workspace.pages / "index.html"),
    }
    if json:
        output.print_json(document)
        return
    console = output.out()
    loaded = [item for item in report.files if item.status == "loaded"]
    readings = sum(item.readings for item in loaded)
    console.print(
        f"{counted(len(loaded), 'file')} loaded, {len(report.files) - len(loaded)} known already or held; {counted(readings, 'reading')}, "
        f"{counted(report.quarantined, 'line')} quarantined."
    )
    for item in report.files:
        if item.fates.get("quarantined") or item.fates.get("duplicate") or item.status == "held":
            console.print(output.plain(f"  {item.given or item.name}: {item.sentence}"))
    counts = found.document()["lots"]
    console.print("Verdicts: " + ", ".join(f"{counts[name]} {word}" for name, word in output.VERDICT_WORDS.items()))
    for result in found.assessment.lots.values():
        if result.verdict in ("hold", "reject") or result.conditions:
            console.print(
                output.plain(
                    f"  {result.lot}: {output.verdict_words(result.verdict, result.conditions)} — {result.reasons[0]}"
                )
            )
    for meter in found.assessment.meters.values():
        console.print(output.plain(f"  meter {meter.meter}: {meter.state} — {meter.reasons[0]}"))
    console.print(f"{sum(p.written for p in pages)} of {len(pages)} pages written.")
    console.print(f"Open {workspace.pages / 'index.html'}")


def init(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder of the new workspace.")],
    dry_run: DryRun = False,
    json: Json = False,
) -> None:
    """Make an empty workspace: settings, reference tables with headers, layouts, inbox.

    Example: annealog init works
    """
    from pipeline.workspace.new_workspace import create_workspace

    written = create_workspace(folder, dry_run=dry_run)
    if json:
        output.print_json({"workspace": str(folder), "written": [str(path) for path in written], "dry_run": dry_run})
        return
    console = output.out()
    console.print(f"{'Would make' if dry_run else 'Made'} the workspace {folder}:")
    for path in written:
        console.print(f"  {path}")
    console.print("Next: fill in reference/*.csv, then: annealog load PATH")


def load(
    paths: Annotated[list[Path], typer.Argument(metavar="PATH...", help="Exports, or folders of them.")],
    layout: Annotated[str | None, typer.Option(help="Layout of all these files; default: matched for each.")] = None,
    accept_changes: Annotated[
        bool,
        typer.Option(
            "--accept-changes", help="Accept reference tables that alter verdicts already given (--by, --why)."
        ),
    ] = False,
    by: By = "",
    why: Why = "",
    direct: Direct = False,
    dry_run: DryRun = False,
    as_of: AsOf = None,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Load readings into the history and assess what they touch.

    Example: annealog load inbox
    """
    from pipeline.flows import carrying_out
    from pipeline.load.load import load as load_into
    from pipeline.workspace.files import collect

    place = workspace_at(workspace)
    files, passed = collect(paths)
    given = {
        "layout": layout, "accept_changes": accept_changes, "by": by, "why": why, "dry_run": dry_run,
        "as_of": moment(as_of, place), "passed_over": passed,
    }  # fmt: skip
    found: list[Assessment] = []
    with (
        stop.gently(),
        output.progress(files, "loading files", quiet=json) as callbacks,
        carrying_out(place, direct=direct or dry_run) as carry_out,
    ):
        options: dict[str, Any] = {"progress": callbacks.get("file"), "assessed": found.append, **given}
        about = {"folder": str(place.root), "paths": [str(path) for path in files]}
        report = carry_out("load", lambda step: load_into(place, files, step=step, **options), about)
    if not dry_run:
        _keep_snapshot(place, found)
    if json:
        output.print_json(output.load_document(report))
    else:
        output.print_load(report)
    for file in report.failed:
        output.note(f"annealog: {file.error}")
    raise typer.Exit(_of(report))


def _keep_snapshot(place: Workspace, found: list[Assessment], *, first: bool = False) -> None:
    """Bring the snapshot up to date, where the workspace has one; a failure is no failure of what was done before.

    `found` holds what was computed on the way, if anything; it is taken out.
    """
    from pipeline.kept.snapshot import publish_snapshot

    if first or (place.root / "snapshot").is_dir():
        try:
            # taken out, so that millions of readings are not kept beside what is computed next
            publish_snapshot(place, found.pop() if found else None)
        except EnvironmentProblem as error:
            output.note(str(error))


def render(
    always: Annotated[
        bool, typer.Option("--all", help="Write all pages, also those whose data did not change.")
    ] = False,
    single_file: SingleFile = False,
    pdf: Pdf = False,
    direct: Direct = False,
    dry_run: DryRun = False,
    as_of: AsOf = None,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Write every page whose data changed since it was last written.

    Example: annealog render
    """
    from pipeline.flows import carrying_out, render_step

    place = workspace_at(workspace)
    at = moment(as_of, place)
    if dry_run:
        output.would(f"write the pages whose data changed into {place.pages}", json=json)
        return
    with stop.gently(), output.progress([], "assessing", quiet=json) as callbacks:
        options = {"as_of": at, "always": always, "alone": single_file}
        with carrying_out(place, direct=direct) as carry_out:
            about = {"folder": str(place.root)}
            pages = carry_out("render", lambda step: render_step(place, step, callbacks, **options), about)
        printed = _printed(place, pages, callbacks) if pdf else []
    index = next(page.path for page in pages if page.kind == "index")
    if json:
        output.print_json(
            {
                "index": str(index),
                "pages": [{"path": str(p.path), "kind": p.kind, "id": p.id, "written": p.written} for p in pages],
                "pdf": [str(path) for path in printed],
            }
        )
        return
    console = output.out()
    for page in pages:
        if page.written:
            console.print(output.plain(str(page.path)))
    console.print(f"{sum(p.written for p in pages)} of {len(pages)} pages written. Open {index}")
    if pdf:
        console.print(f"{len(printed)} pages printed; each PDF lies beside its page.")


def _printed(place: Workspace, pages: list[PageReport], callbacks: dict[str, Any]) -> list[Path]:
    """Print the pages that were written now, and those that were never printed."""
    from pipeline.pages.pdf import print_pages

    due = [page.path for page in pages if page.written or not page.path.with_suffix(".pdf").is_file()]
    after = callbacks.get("printed")
    return print_pages(due, place.settings.paper, progress=None if after is None else lambda _: after(len(due)))


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    for command in (demo, init, load, render):
        app.command(help=command.__doc__)(command)
