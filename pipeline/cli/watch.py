"""Commands of the resident service: watch, snapshot, alert."""

from __future__ import annotations

import json as json_module
import signal
import sys
from contextlib import ExitStack
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline import stop
from pipeline.cli import output
from pipeline.cli.options import Direct, DryRun, Json, WorkspaceOption, workspace_at
from pipeline.errors import EnvironmentProblem, UsageError
from schemas.digits import counted

if TYPE_CHECKING:
    from pipeline.service.watch import Round
    from pipeline.workspace.settings import Workspace

__all__ = ["add_to"]


def watch(
    once: Annotated[bool, typer.Option("--once", help="Take what is there now, then end.")] = False,
    serve: Annotated[
        int | None, typer.Option(metavar="PORT", help="Serve the pages on this port of the loopback address.")
    ] = None,
    direct: Direct = False,
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Keep loading what arrives in the inbox, write again what it touched, publish a snapshot, alert. Ctrl-C ends it.

    Example: annealog watch --serve 8080
    """
    from pipeline.workspace.locks import only_one

    place = workspace_at(workspace)
    folders = [place.inbox, *(place.root / folder for folder in place.settings.watch_folders)]
    if dry_run:
        output.would("watch " + ", ".join(str(folder) for folder in folders), json=json)
        return
    with ExitStack() as stack:
        stack.enter_context(only_one(place.root / ".watch.lock", "watch", output.note))
        if serve is not None:
            from pipeline.cli.answers import ANSWERS
            from pipeline.web.server import Listen, beside

            address = stack.enter_context(beside(place.root, ANSWERS, Listen(port=serve)))
            output.note(f"Pages at {address}")
        try:
            with stop.gently(signal.SIGTERM):
                _watch(place, direct=direct, once=once, json=json)
        except KeyboardInterrupt:
            output.note("Stopped. What was loaded is whole; the next start goes on from here.")


def _watch(place: Workspace, *, direct: bool, once: bool, json: bool) -> None:
    from pipeline.service.memory import keep_together
    from pipeline.service.watch import Watch

    keep_together()

    def say(done: Round) -> None:
        if json:
            sys.stdout.write(json_module.dumps(done.document(), ensure_ascii=False) + "\n")
        else:
            for line in _lines(done, place):
                output.out().print(output.plain(line))
        sys.stdout.flush()

    if direct:
        Watch(place.root, say).run(once=once)
        return
    from pipeline.flows import resident

    with resident(place, output.note) as in_flow:
        Watch(place.root, say, in_flow).run(once=once)


def _lines(done: Round, place: Workspace) -> list[str]:
    at = output.when(done.at, place.settings)
    lines = []
    if done.report is not None:
        lines += [f"{file.name}: {file.sentence}" for file in done.report.files]
        lines += [
            f"lot {lot}: {output.verdict_words(verdict, done.report.conditions.get(lot, ()))}"
            for lot, verdict in done.report.lots.items()
            if verdict != "accept" or lot in done.report.conditions
        ]
        lines += [f"meter {meter}: {state}" for meter, state in done.report.meters.items() if state != "fit"]
        lines += [f"changed: {change.sentence}" for change in done.report.changes]
        if done.pages:
            lines.append(f"{counted(done.pages, 'page')} written")
    lines += [f"alert sent: {alert.sentence}" for alert in done.alerts]
    lines += [f"note: {note}" for note in done.notes]
    return [f"{at}  {line}" for line in lines]


def snapshot(dry_run: DryRun = False, workspace: WorkspaceOption = None, json: Json = False) -> None:
    """Publish the history as a read-only snapshot (Parquet with a manifest of hashes), which reports read.

    Example: annealog snapshot
    """
    from pipeline.kept.snapshot import publish_snapshot

    place = workspace_at(workspace)
    if dry_run:
        output.would(f"publish the history in {place.root / 'snapshot'}", json=json)
        return
    made = publish_snapshot(place)
    counts = made.manifest["counts"]
    if json:
        output.print_json({"folder": str(made.folder), "made_at": made.made_at, "rows": counts})
    else:
        output.out().print(f"{made.folder}: {counts['reading']} readings, {counts['event']} events")


alert = typer.Typer(help="Messages to people: what stands, and whether they arrive.", no_args_is_help=True)


@alert.command("list")
def alert_list(workspace: WorkspaceOption = None, json: Json = False) -> None:
    """Show what would be alerted about now.

    Example: annealog alert list
    """
    found = _standing(workspace_at(workspace))
    if json:
        output.print_json([{"kind": a.kind, "sentence": a.sentence, "page": a.page} for a in found])
        return
    for item in found:
        output.out().print(output.plain(item.sentence))
    if not found:
        output.out().print("Nothing stands that would be alerted about.")


@alert.command("try")
def alert_try(dry_run: DryRun = False, workspace: WorkspaceOption = None, json: Json = False) -> None:
    """Send a message to every address in `alert_targets`, to see that it arrives.

    Example: annealog alert try
    """
    from pipeline.service.alerts import send, targets

    place = workspace_at(workspace)
    addresses = targets(place.settings)
    if not addresses:
        raise UsageError('No address to send to. Set alert_targets = ["..."] in annealog.toml; README tells how.')
    if dry_run:
        output.would(f"send a message to {len(addresses)} addresses", json=json)
        return
    name = place.settings.name or place.root.name
    failed = send(addresses, f"{name}: a trial", "This is a trial. Whoever reads it gets the alerts of this line.")
    if json:
        output.print_json({"addresses": len(addresses), "failed": failed})
    else:
        output.out().print(f"{len(addresses) - len(failed)} of {len(addresses)} addresses took the message.")
    if failed:
        raise EnvironmentProblem(f"These addresses did not take the message: {', '.join(failed)}.")


def _standing(place: Workspace) -> list[Any]:
    from pipeline.kept.snapshot import status_document
    from pipeline.service.alerts import found_in

    kept = status_document(place)
    return found_in(kept["status"])


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    for command in (watch, snapshot):
        app.command(help=command.__doc__)(command)
    app.add_typer(alert, name="alert")
