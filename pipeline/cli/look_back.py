"""Commands of the look-back: trace a meter or an event, list what is open, look at a block."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.cli import output
from pipeline.cli.kept import asked, judged, kept_answer, written
from pipeline.cli.options import AsOf, DryRun, Json, Pdf, SingleFile, WorkspaceOption, moment, workspace_at
from pipeline.cli.work import exit_code
from pipeline.errors import UsageError
from pipeline.kept.answers import EVENTS, OF_METER, OF_SENSOR
from pipeline.near import nearest
from schemas.digits import p_in_words

if TYPE_CHECKING:
    from pipeline.cli.kept import Computed
    from pipeline.workspace.settings import Settings, Workspace
    from schemas.look_back import EventPage, EventResult

__all__ = ["add_to"]


def trace(
    meter: Annotated[
        str | None, typer.Option(metavar="ID", help="Meter: the lots it touched since its last good check.")
    ] = None,
    event: Annotated[
        str | None, typer.Option(metavar="ID", help="Event: from its signal to its closure, lot by lot.")
    ] = None,
    sensor: Annotated[
        str | None,
        typer.Option(metavar="ID", help="Temperature sensor: the lots read with it since its last good check."),
    ] = None,
    since: Annotated[
        str | None,
        typer.Option(metavar="TIME", help="Start of the window instead of the last good check; a day counts whole."),
    ] = None,
    every: Annotated[bool, typer.Option("--all", help="List closed events, too.")] = False,
    single_file: SingleFile = False,
    pdf: Pdf = False,
    as_of: AsOf = None,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Look back: what a meter, a sensor or an event touched; without any, list the events that are open.

    Example: annealog trace --meter EC-03 --as-of 2026-06-11T17:00
    """
    if sum(name is not None for name in (meter, event, sensor)) > 1:
        raise UsageError("Name a meter (--meter), a sensor (--sensor) or an event (--event), one of them.")
    if since is not None and meter is None and sensor is None:
        raise UsageError("--since goes with --meter or --sensor.")
    if (single_file or pdf) and event is None:
        raise UsageError("--single-file and --pdf write the page of an event: they go with --event.")
    place = workspace_at(workspace)
    if meter is not None:
        _trace_meter(place, meter, since, as_of, json=json)
        return
    if sensor is not None:
        _trace_sensor(place, sensor, since, as_of, json=json)
        return
    if event is None:
        _list_events(place, as_of, every=every, json=json)
    else:
        _trace_event(place, event, as_of, single_file=single_file, pdf=pdf, json=json)


def _trace_event(place: Workspace, event: str, as_of: str | None, *, single_file: bool, pdf: bool, json: bool) -> None:
    paper = single_file or pdf
    answer = kept_answer(place, EVENTS, "") if as_of is None and not paper else None
    kept = answer.document["events"] if answer is not None else []
    document = next((one for one in kept if event in (one["event"], one["name"])), None)
    path = None
    if document is None:
        from pipeline.judge.look_back.events import the_event

        found, pages = _event_pages(place, as_of)
        name = the_event(found.found_events, event).name
        page = next(one for one in pages if one.result.name == name)
        document = page.result.document()
        if paper:
            path = written(place, page, moment(as_of, place), dry_run=False, alone=single_file, pdf=pdf)
    result = output.Shown.of(document)
    if json:
        output.print_json({**document, "page": path} if paper else document)
    else:
        _show_event(result, place.settings)
        if path:
            output.out().print(path)
    verdicts = {lot.lot: lot.verdict for lot in result.lots}
    raise typer.Exit(4 if result.state == "open" else exit_code(verdicts, {result.meter: result.meter_state}))


def _event_pages(place: Workspace, as_of: str | None) -> tuple[Any, list[EventPage]]:
    """Return everything as of a moment, and the pages of its events."""
    from pipeline.pages.events import event_pages

    with judged(place, as_of) as (found, history):
        return found, list(event_pages(place, found, history, history.sources()))


def _events(place: Workspace, as_of: str | None) -> tuple[Any, list[EventResult]]:
    """Return everything as of a moment, and its events in order of time."""
    from pipeline.kept.trace_answers import by_time

    found, pages = _event_pages(place, as_of)
    return found, by_time(pages)


def _list_events(place: Workspace, as_of: str | None, *, every: bool, json: bool) -> None:
    answer = kept_answer(place, EVENTS, "") if as_of is None else None
    if answer is not None:
        document = answer.document
    else:
        from pipeline.kept.trace_answers import events_document

        document = events_document(*_events(place, as_of))
    events = [event for event in document["events"] if every or event["state"] == "open"]
    shown = output.Shown.of(events)
    if json:
        output.print_json({**document, "events": events})
    elif not shown:
        output.out().print("No event is open.")
    else:
        output.table(
            "Events" if every else "Open events",
            ("event", "state", "when", "event in words", "what", "lots undecided"),
            (
                (
                    e.event, e.state, output.when(e.fired_at, place.settings), e.title, e.sentence,
                    f"{len(e.undecided)} of {len(e.lots)}",
                )
                for e in shown
            ),
        )  # fmt: skip
    raise typer.Exit(4 if any(event.state == "open" for event in shown) else 0)


def _show_event(result: Any, settings: Settings) -> None:
    console = output.out()
    console.print(output.plain(f"{result.title} ({result.event}): {result.state.upper()}"))
    console.print(output.plain(f"  {output.when(result.fired_at, settings)} {settings.time_zone}: {result.sentence}"))
    if result.last_good_at is not None:
        console.print(f"  last good {result.last_good}: {output.when(result.last_good_at, settings)}")
    else:
        console.print("  nothing good is known before it")
    for note in result.notes:
        console.print(output.plain(f"  {note}"))
    for decision in result.dispositions:
        console.print(output.plain(f"  {output.decided(decision)}"))
    if not result.disposed:
        console.print(output.plain(f"  to do: annealog record disposition --event {result.event} --decision ..."))
    output.table(
        "Lots, the most urgent first",
        ("lot", "doubt", "errors to limit", "readings", "first", "verdict", "support", "shipped", "decided", "settled"),
        (
            (
                t.lot, t.doubt, "" if t.errors_to_limit is None else f"{t.errors_to_limit:.2g}", t.readings, output.when(t.first, settings),
                output.VERDICT_WORDS[t.verdict], t.support, output.when(t.shipped_on, settings)[:10],
                t.dispositions[-1].decision if t.dispositions else "measured again" if t.measured_again_at else "",
                "yes" if t.settled else "no",
            )
            for t in result.lots
        ),
    )  # fmt: skip


def _trace_meter(place: Workspace, meter: str, since: str | None, as_of: str | None, *, json: bool) -> None:
    answer = kept_answer(place, OF_METER, meter) if as_of is None and since is None else None
    if answer is not None:
        document = answer.document
    else:
        from pipeline.kept.trace_answers import meter_document
        from pipeline.questions.trace import trace as look_back

        found, events = _events(place, as_of)
        document = meter_document(found, look_back(found, meter, since=moment(since, place, first=True), events=events))
    result = output.Shown.of(document["trace"])
    if json:
        output.print_json(document["trace"])
    else:
        for reason in result.reasons:
            output.out().print(output.plain(reason))
        output.table(
            f"Lots touched by {output.plain(meter)}",
            ("lot", "readings", "first", "last", "verdict", "support", "decided"),
            (
                (
                    t.lot, t.readings, output.when(t.first, place.settings), output.when(t.last, place.settings),
                    output.VERDICT_WORDS[t.verdict], t.support, t.disposition,
                )
                for t in result.lots
            ),
        )  # fmt: skip
        if result.possibly:
            output.out().print(
                output.plain("Perhaps touched, read by an unregistered meter: " + ", ".join(result.possibly))
            )
        for name in result.events:
            output.out().print(output.plain(f"open event: {name}"))
    raise typer.Exit(exit_code({t.lot: t.verdict for t in result.lots}, {meter: document["state"]}))


def _trace_sensor(place: Workspace, sensor: str, since: str | None, as_of: str | None, *, json: bool) -> None:
    answer = kept_answer(place, OF_SENSOR, sensor) if as_of is None and since is None else None
    if answer is not None:
        document = answer.document
    else:
        from pipeline.questions.trace_sensor import trace_sensor

        with judged(place, as_of) as (found, _):
            document = trace_sensor(found, sensor, since=moment(since, place, first=True)).document()
    result = output.Shown.of(document)
    if json:
        output.print_json(document)
    else:
        for reason in result.reasons:
            output.out().print(output.plain(reason))
        output.table(
            f"Checks of {output.plain(sensor)}",
            ("checked on", "points", "worst error", "tolerance", "result"),
            (
                (
                    output.when(c.checked_on, place.settings)[:10], c.points, f"{c.error_c:+.2g} °C", f"{c.tolerance_c:g} °C",
                    "passed" if c.passed else "failed",
                )
                for c in result.checks
            ),
        )  # fmt: skip
        output.table(
            f"Lots read with {output.plain(sensor)}",
            ("lot", "readings", "first", "last", "in doubt", "verdict", "decided"),
            (
                (
                    t.lot, t.readings, output.when(t.first, place.settings), output.when(t.last, place.settings),
                    _DOUBT[t.doubt], output.VERDICT_WORDS[t.verdict], t.disposition,
                )
                for t in result.lots
            ),
        )  # fmt: skip
    code = exit_code({t.lot: t.verdict for t in result.lots}, {})
    raise typer.Exit(4 if result.last_check_passed is False else code)


_DOUBT = {"failed": "a check failed", "missing": "no check in time", None: ""}


def block(
    name: Annotated[str, typer.Argument(metavar="ID", help="Block.")],
    dry_run: DryRun = False,
    single_file: SingleFile = False,
    pdf: Pdf = False,
    as_of: AsOf = None,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Write the report of a reference block, and print its path and state.

    Example: annealog block BL-C1
    """
    place = workspace_at(workspace)
    document, path = asked(
        place,
        "block",
        name,
        lambda: _look_at_block(place, name, as_of, dry_run=dry_run, alone=single_file, pdf=pdf),
        usual=as_of is None and not single_file,
        dry_run=dry_run,
        pdf=pdf,
    )
    if json:
        output.print_json({**document, "page": path})
    else:
        _show_block(output.Shown.of(document), path, place.settings)
    raise typer.Exit(4 if document["state"] == "moved" else 0)


def _look_at_block(
    place: Workspace, name: str, as_of: str | None, *, dry_run: bool, alone: bool, pdf: bool
) -> Computed:
    from pipeline.pages.blocks import block_pages

    with judged(place, as_of) as (found, history):
        pages = block_pages(place, found, history, history.sources(), [name])
    if not pages:
        known = sorted({*found.tables["blocks"]["block"], *found.checks["block"]})
        hint = nearest(name, known) or f". Known blocks: {', '.join(known) or 'none'}."
        raise UsageError(f"Block {name!r} is not known{hint}")
    page = pages[0]
    return page.answer, written(place, page, moment(as_of, place), dry_run=dry_run, alone=alone, pdf=pdf)


def _show_block(result: Any, path: str | None, settings: Settings) -> None:
    console = output.out()
    console.print(output.plain(f"{result.block}: {result.state.upper().replace('_', ' ')}"))
    for reason in result.reasons:
        console.print(output.plain(f"  {reason}"))
    output.table(
        f"Meters on it, in {result.unit}",
        ("meter", "checks", "mean", "bias", "last bias", "s"),
        (
            (
                one.meter, one.checks, f"{one.mean:.6g}", "" if one.bias is None else f"{one.bias:+.3g}",
                "" if one.last_bias is None else f"{one.last_bias:+.3g}",
                "" if one.standard_deviation is None else f"{one.standard_deviation:.2g}",
            )
            for one in result.meters
        ),
    )  # fmt: skip
    for one in result.movements:
        console.print(
            output.plain(
                f"  {one.kind} {one.name}: {one.shape} of {one.size:+.3g} from {output.when(one.at, settings)} on, {p_in_words(one.p_value)}"
            )
        )
    if path:
        console.print(path)


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    for command in (trace, block):
        app.command(help=command.__doc__)(command)
