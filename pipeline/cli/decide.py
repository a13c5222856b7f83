"""Commands that record a person's decision as an event."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli import output
from pipeline.cli.options import By, DryRun, Json, Why, WorkspaceOption, is_day, moment, workspace_at
from pipeline.errors import UsageError

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.history.chain import Event
    from pipeline.workspace.settings import Workspace

__all__ = ["add_to"]

record = typer.Typer(
    help="A person's decision: who, why; kept as an event that is never changed.", no_args_is_help=True
)


def _show(event: Event | None, *, json: bool) -> None:
    if json:
        output.print_json(
            {"recorded": event is not None}
            if event is None
            else {
                "recorded": True,
                "sequence": event.sequence,
                "kind": event.kind,
                "subject": event.subject,
                "hash": event.hash,
            }
        )
    elif event is None:
        output.out().print("Nothing was recorded (dry run).")
    else:
        output.out().print(f"Recorded as event {event.sequence}: {event.kind} ({event.hash[:12]}…)")


@record.command()
def adjustment(
    meter: Annotated[str, typer.Option(metavar="ID", help="Meter that was set.")],
    at: Annotated[str, typer.Option(metavar="TIME", help="When it was set.")],
    block: Annotated[
        str | None, typer.Option(metavar="ID", help="Block it was set on; readings in relative state need it.")
    ] = None,
    temperature: Annotated[
        float | None, typer.Option(metavar="DEGREES", help="Temperature of that block then, in °C.")
    ] = None,
    by: By = "",
    why: Why = "",
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Record that a meter was set (adjusted): a new baseline starts there.

    Example: annealog record adjustment --meter EC-01 --at 2026-03-02T07:10 --block BL-C1 --temperature 23.4
    --by Ada --why "after the drop"
    """
    from pipeline.decisions.record import record_adjustment

    place = workspace_at(workspace)
    when = _time(at, place, "An adjustment")
    event = record_adjustment(
        place, meter, when, block=block, temperature_c=temperature, by=by, why=why, dry_run=dry_run
    )
    _show(event, json=json)


def _time(at: str, place: Workspace, what: str) -> datetime:
    when = moment(at, place)
    if when is None or is_day(at):
        raise UsageError(
            f"{what} needs --at with its time, such as {at[:10]}T07:10: it parts the checks before it from those after."
        )
    return when


@record.command("hand-over")
def hand_over(
    meter: Annotated[str, typer.Option(metavar="ID", help="Meter that goes.")],
    at: Annotated[str, typer.Option(metavar="TIME", help="When it was handed over.")],
    to: Annotated[str, typer.Option("--to", metavar="SITE", help="Site that it goes to.")],
    by: By = "",
    why: Why = "",
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Record that a meter went to another site: it ends here. Check it before it goes, or its last lots stay without a closing check.

    Example: annealog record hand-over --meter EC-02 --at 2026-06-03T14:00 --to P-017 --by Ada --why "line 17 reads bars from now on"
    """
    from pipeline.decisions.hand_over import record_hand_over

    place = workspace_at(workspace)
    when = _time(at, place, "A hand-over")
    _show(record_hand_over(place, meter, when, to=to, by=by, why=why, dry_run=dry_run), json=json)


@record.command("receipt")
def receipt(
    meter: Annotated[str, typer.Option(metavar="ID", help="Meter that came, as this site names it.")],
    at: Annotated[str, typer.Option(metavar="TIME", help="When it was received.")],
    sender: Annotated[str, typer.Option("--from", metavar="SITE", help="Site that it came from.")],
    by: By = "",
    why: Why = "",
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Record that a meter came from another site: a baseline of its own starts here. It stands in reference/meters.csv by then.

    Example: annealog record receipt --meter EC-09 --at 2026-06-04T09:00 --from P-003 --by Ben --why "for the bars; case undamaged"
    """
    from pipeline.decisions.hand_over import record_hand_over

    place = workspace_at(workspace)
    when = _time(at, place, "A receipt")
    _show(record_hand_over(place, meter, when, sender=sender, by=by, why=why, dry_run=dry_run), json=json)


@record.command()
def action(
    meter: Annotated[str, typer.Option(metavar="ID", help="Meter that something was done to.")],
    at: Annotated[str | None, typer.Option(metavar="TIME", help="When it was done; default: now.")] = None,
    kind: Annotated[str, typer.Option(help="cleaned, equalised, probe changed, or other.")] = "other",
    by: By = "",
    why: Why = "",
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Record what was done to a meter without setting it: a new run of checks starts there, and the baseline stays.

    Example: annealog record action --meter EC-01 --at 2026-03-02T07:15 --kind cleaned --by Ada --why "oil on block BL-C1"
    """
    from pipeline.decisions.record import record_action

    place = workspace_at(workspace)
    event = record_action(place, meter, moment(at, place), kind=kind, by=by, why=why, dry_run=dry_run)
    _show(event, json=json)


@record.command()
def disposition(
    decision: Annotated[
        str,
        typer.Option(help="re-measured, sorted, accepted with evidence, rejected, customer told, or no effect found."),
    ],
    lot: Annotated[str | None, typer.Option(metavar="ID", help="Lot decided on.")] = None,
    event: Annotated[
        str | None, typer.Option(metavar="ID", help="Event of the look-back decided on; with --lot: one lot of it.")
    ] = None,
    meter: Annotated[str | None, typer.Option(metavar="ID", help="Meter whose signal is decided on.")] = None,
    block: Annotated[str | None, typer.Option(metavar="ID", help="Block of the signal.")] = None,
    at: Annotated[str | None, typer.Option(metavar="TIME", help="Time of the signal's check.")] = None,
    by: By = "",
    why: Why = "",
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Record what was found and done about a lot, an event or a signal. The verdict stays; the decision stands beside it.

    Example: annealog record disposition --lot L-0042 --decision re-measured --by Ada --why "read again on EC-01, in limits"
    """
    from pipeline.decisions.record import record_disposition

    place = workspace_at(workspace)
    recorded = record_disposition(
        place,
        lot=lot,
        event=event,
        meter=meter,
        block=block,
        at=moment(at, place),
        decision=decision,
        by=by,
        why=why,
        dry_run=dry_run,
    )
    _show(recorded, json=json)


@record.command()
def exclusion(
    file: Annotated[str, typer.Option(help="Loaded file: its name in the ledger, or the start of its hash.")],
    line: Annotated[int, typer.Option(help="Line of the file whose readings are left out.")],
    undo: Annotated[bool, typer.Option("--undo", help="Take the line in again.")] = False,
    by: By = "",
    why: Why = "",
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Leave the readings of one line out of every figure; they stay in the record and are shown as left out.

    Example: annealog record exclusion --file inbox/EC-01/week-03.csv --line 17 --by Ada --why "probe lifted"
    """
    from pipeline.decisions.record import record_exclusion

    place = workspace_at(workspace)
    _show(record_exclusion(place, file=file, line=line, by=by, why=why, undo=undo, dry_run=dry_run), json=json)


@record.command()
def baseline(
    meter: Annotated[str, typer.Option(metavar="ID", help="Meter.")],
    block: Annotated[str, typer.Option(metavar="ID", help="Block.")],
    start: Annotated[
        str | None, typer.Option("--from", metavar="TIME", help="First check, or its day; default: the first one.")
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", metavar="TIME", help="Last check, or its day; default: the last one.")
    ] = None,
    by: By = "",
    why: Why = "",
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Name the checks whose mean and standard deviation are the limits of control.

    Example: annealog record baseline --meter EC-01 --block BL-C1 --by Ada --why "first month, reviewed"
    """
    from pipeline.decisions.record import record_baseline

    place = workspace_at(workspace)
    event, limits = record_baseline(
        place,
        meter=meter,
        block=block,
        start=moment(start, place, first=True),
        end=moment(end, place),
        by=by,
        why=why,
        dry_run=dry_run,
    )
    if not json:
        for row in limits.iter_rows(named=True):
            output.out().print(
                f"{row['checks']} checks: centre {row['centre']:.6g}, standard deviation {row['standard_deviation']:.4g}"
            )
    _show(event, json=json)


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    app.add_typer(record, name="record")
