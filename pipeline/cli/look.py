"""Commands that look: status, lot, meter, config. They never start a flow server."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.cli import output
from pipeline.cli.kept import Computed, asked, judged, written
from pipeline.cli.lot_lines import detail_lines
from pipeline.cli.options import AsOf, DryRun, Json, Pdf, SingleFile, WorkspaceOption, moment, workspace_at
from pipeline.cli.work import exit_code
from pipeline.errors import UsageError
from pipeline.metrology.units import lead_unit
from pipeline.near import nearest
from schemas.digits import counted, decimals_for, probability_in_words
from schemas.documents import as_json

if TYPE_CHECKING:
    from pipeline.workspace.settings import Settings, Workspace
    from schemas.results import LotPage, MeterPage

__all__ = ["add_to"]


def _number(value: float | None, digits: int = 5) -> str:
    return "" if value is None else f"{value:.{digits}g}".replace("-", "\u2212")


def status(
    every: Annotated[bool, typer.Option("--all", help="List every lot that waits, however many they are.")] = False,
    as_of: AsOf = None,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Say which meters are fit for use, which lots wait, which checks are overdue, which files are held.

    Example: annealog status --as-of 2026-03-02T14:00
    """
    from pipeline.kept.snapshot import FIRST_WAITING, published_before, published_status

    place = workspace_at(workspace)
    kept, more = None, 0
    if as_of is None:
        kept = published_status(place, whole=every or json) or published_before(place, whole=every or json)
    if kept is not None:
        document = {**kept["status"], "as_of": as_json(kept["as_of"])}
        changed, more = kept["not_taken_over"], kept["more_waiting"]
    else:
        from pipeline.questions.status import status as look

        found = look(place, as_of=moment(as_of, place))
        document, changed = found.document(), found.not_taken_over
    output.note_edits(lambda: changed)
    if json:
        output.print_json(document)
    else:
        if not every:
            more += max(len(document["waiting"]) - FIRST_WAITING, 0)
            document = {**document, "waiting": document["waiting"][:FIRST_WAITING]}
        _show_status(document, place, more=more, every=every)
    lots = {verdict: verdict for verdict, count in document["lots"].items() if count}
    meters = {meter["meter"]: meter["state"] for meter in document["meters"]}
    code = exit_code(lots, meters, held=len(document["files_held"]), quarantined=document["quarantined"])
    raise typer.Exit(code)


def _show_status(document: dict[str, Any], place: Workspace, *, more: int, every: bool) -> None:
    from pipeline.kept.snapshot import FIRST_WAITING

    settings = place.settings

    def when(text: str | None) -> str:
        return output.when(datetime.fromisoformat(text) if text else None, settings)

    output.table(
        f"Meters, as of {when(document['as_of'])} {settings.time_zone}",
        ("meter", "state", "last check", "why"),
        ((m["meter"], m["state"], when(m["last_run_at"]), m["reasons"][0]) for m in document["meters"]),
    )
    counts = document["lots"]
    output.out().print("Lots: " + ", ".join(f"{counts[name]} {word}" for name, word in output.VERDICT_WORDS.items()))
    if document["waiting"]:
        output.table(
            "Lots that wait for a person",
            ("lot", "verdict", "support", "why"),
            (
                (lot["lot"], output.VERDICT_WORDS[lot["verdict"]], lot["support"], lot["reasons"][0])
                for lot in document["waiting"]
            ),
        )
    if more:
        output.out().print(f"... and {more} more; all of them: annealog status --all")
    if conditional := document["accepted_with_conditions"]:
        output.table(
            "Lots that are accepted, but not at once",
            ("lot", "verdict", "why"),
            (
                (lot["lot"], output.verdict_words("accept", lot["conditions"]), lot["flags"][0].partition(": ")[2])
                for lot in conditional[: len(conditional) if every else FIRST_WAITING]
            ),
        )
        if len(conditional) > FIRST_WAITING and not every:
            output.out().print(f"... and {len(conditional) - FIRST_WAITING} more; all of them: annealog status --all")
    if document.get("events_open"):
        names = [f"{event['title']} ({event['event']})" for event in document["events_open"]]
        count = "1 event of the look-back is" if len(names) == 1 else f"{len(names)} events of the look-back are"
        shown = "; ".join(names[:5]) + (" ..." if len(names) > 5 else "")
        output.out().print(output.plain(f"{count} open (annealog trace): {shown}"))
    for meter in document["meters"]:
        unknown = meter.get("left_out", {}).get("clock_unknown")
        if unknown:
            output.out().print(
                output.plain(
                    f"meter {meter['meter']}: {unknown} readings on blocks are in no check: its clock is not believed."
                )
            )
    for block in document.get("blocks_overdue", ()):
        output.out().print(output.plain(f"block {block}: its certificate is overdue."))
    for file in document["files_held"]:
        output.out().print(output.plain(f"held: {file['name']}: {file['sentence']}"))
    if document["quarantined"]:
        output.out().print(f"{document['quarantined']} quarantined lines wait for a decision.")


def lot(
    name: Annotated[str, typer.Argument(metavar="ID", help="Lot.")],
    dry_run: DryRun = False,
    single_file: SingleFile = False,
    pdf: Pdf = False,
    as_of: AsOf = None,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Write the report of a lot, and print its path and verdict.

    Example: annealog lot L-0007 --json
    """
    place = workspace_at(workspace)

    def compute() -> Computed:
        page = _lot_page(place, name, as_of)
        return page.answer, written(place, page, moment(as_of, place), dry_run=dry_run, alone=single_file, pdf=pdf)

    usual = as_of is None and not single_file
    document, path = asked(place, "lot", name, compute, usual=usual, dry_run=dry_run, pdf=pdf)
    if json:
        output.print_json({**document, "page": path})
    else:
        _show_lot(output.Shown.of(document), path, place.settings)
    raise typer.Exit(exit_code({name: document["verdict"]}, {}))


def _lot_page(place: Workspace, name: str, as_of: str | None) -> LotPage:
    from pipeline.pages.lots_and_meters import lot_pages

    with judged(place, as_of) as (found, history):
        if name not in found.lots:
            registered = set(found.tables["lots"]["lot"].to_list())
            if name not in registered:
                hint = nearest(name, sorted({*found.lots, *registered})) or ". Check the spelling."
                raise UsageError(f"Lot {name!r} has no readings and does not stand in reference/lots.csv{hint}")
            from pipeline.judge.assess import assess

            found = assess(history, place.settings, as_of=found.as_of, lots=[name])
        (page,) = lot_pages(place, found, history.sources(), [name])
        return page


def _conformity_lines(result: Any) -> list[str]:
    """Return the guard band, how surely the lot conforms, and what leaving readings out changed, in words."""
    found, lines = result.conformity, []
    if found is not None and found.guard_band is not None:
        lines.append(f"guard band {found.guard_band:.{_decimals(result)}f} {found.unit}")
    if found is not None and found.conformance_probability is not None:
        lines.append(
            f"the {found.compared.replace('_', ' ')} that conforms least surely does so with a probability of "
            + probability_in_words(found.conformance_probability)
        )
    whole = result.with_every_reading
    if whole is not None:
        lines.append(
            f"{len(result.exclusions)} readings left out; with every reading: {output.VERDICT_WORDS[whole.verdict]}"
        )
    return lines


def _decimals(result: Any) -> int:
    return 3 if result.decimals is None else int(result.decimals)


def _lead_decimals(result: Any) -> int:
    """Return the decimals in the unit that leads; those of the limits, unless that is another one."""
    factor, unit = lead_unit(result.unit, result.limits_unit)
    if result.limits_unit in (None, unit) and result.decimals is not None:
        return int(result.decimals)
    spread = result.expanded_uncertainty or result.standard_deviation
    return decimals_for(spread and spread * factor, result.mean and result.mean * factor)


def _mean_in_words(result: Any) -> str:
    """Return the mean with its uncertainty in the unit of the specification, the working unit beside it."""
    factor, unit = lead_unit(result.unit, result.limits_unit)
    u, decimals = result.expanded_uncertainty, _lead_decimals(result)

    def told(times: float, places: int) -> str:
        return f"{result.mean * times:.{places}f}" + ("" if u is None else f" ± {u * times:.{places}f}")

    said = [] if u is None else [f"k = {_number(result.coverage_factor, 3)}"]
    if unit != result.unit:
        said.append(f"{told(1.0, decimals_for(u, result.mean))} {result.unit}")
    beside = f" ({'; '.join(said)})" if said else ""
    return (
        f"{told(factor, decimals)} {unit}{beside} at {result.reference_temperature_c:g} °C, {counted(result.parts, 'part')}, "
        f"{counted(result.readings, 'reading')}"
    )


_DOUBT = {
    "touched": "touched this lot",
    "possible": "possibly touched this lot",
    "covered": "covers this lot, with checks that passed on both sides",
}


def _since_lines(result: Any, settings: Settings) -> list[str]:
    """Return what later came to light of the meters that read the lot."""
    (factor, unit), decimals, lines = lead_unit(result.unit, result.limits_unit), _lead_decimals(result), []
    for one in result.came_to_light:
        known = one.bias is not None and one.tolerance is not None
        figure = (
            f"{one.bias * factor:+.{decimals}f} {unit} off on block {one.block} at {output.when(datetime.fromisoformat(one.checked_at), settings)}, "
            f"tolerance ±{one.tolerance * factor:.{decimals}f}".replace("-", "\u2212", 1 if one.bias < 0 else 0)
            if known
            else "no check with a certified block beside this lot"
        )
        state = "is suspended now" if one.suspended else "has an open event"
        lines.append(f"since then: meter {one.meter} {state}; beside this lot: {figure}")
        lines += [
            f"since then: {event.title} ({event.event}) is open and {_DOUBT[event.doubt]}"
            + (", this lot is settled" if event.settled else "")
            for event in one.events
        ]
    return lines


def _show_lot(result: Any, path: str | None, settings: Settings) -> None:
    console, detail = output.out(), result.detail
    console.print(output.plain(f"{result.lot}: {output.verdict_words(result.verdict, result.conditions)}"))
    for reason in result.reasons:
        console.print(output.plain(f"  {reason}"))
    if result.mean is not None:
        console.print(output.plain(f"  mean {_mean_in_words(result)}"))
    for line in (*_since_lines(result, settings), *_conformity_lines(result)):
        console.print(output.plain(f"  {line}"))
    for index in ("cp", "cpk", "pp", "ppk"):
        value = result[index]
        if index in ("cp", "cpk") and value is not None and detail is not None and not detail.capability.headline:
            console.print(output.plain(f"  {index.capitalize()} not stated: {detail.capability.headline_reason}"))
            continue
        interval = result[f"{index}_interval"]
        if value is None:
            console.print(output.plain(f"  {index.capitalize()} not computable: {result.not_computable[index]}"))
        else:
            shown = "" if interval is None else f" ({interval[0]:.2f} to {interval[1]:.2f})"
            console.print(f"  {index.capitalize()} {value:.2f}{shown}".replace("-", "\u2212"))
    if detail is not None and result.parts:
        factor, unit = lead_unit(result.unit, result.limits_unit)
        for line in detail_lines(detail, unit, factor, _lead_decimals(result)):
            console.print(output.plain(f"  {line}"))
    for flag in result.flags:
        console.print(output.plain(f"  flag: {flag}"))
    for decision in result.dispositions:
        console.print(output.plain(f"  {output.decided(decision)}"))
    if path:
        console.print(path)


def meter(
    name: Annotated[str, typer.Argument(metavar="ID", help="Meter.")],
    dry_run: DryRun = False,
    single_file: SingleFile = False,
    pdf: Pdf = False,
    as_of: AsOf = None,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Write the report of a meter, and print its path and state.

    Example: annealog meter EC-01 --json
    """
    place = workspace_at(workspace)

    def compute() -> Computed:
        page = _meter_page(place, name, as_of)
        return page.answer, written(place, page, moment(as_of, place), dry_run=dry_run, alone=single_file, pdf=pdf)

    usual = as_of is None and not single_file
    document, path = asked(place, "meter", name, compute, usual=usual, dry_run=dry_run, pdf=pdf)
    if json:
        output.print_json({**document, "page": path})
    else:
        _show_meter(output.Shown.of(document), path, place.settings)
    raise typer.Exit(exit_code({}, {name: document["state"]}))


def _meter_page(place: Workspace, name: str, as_of: str | None) -> MeterPage:
    from pipeline.pages.lots_and_meters import meter_pages

    with judged(place, as_of) as (found, history):
        if name not in found.meters:
            hint = nearest(name, found.meters) or f". Known meters: {', '.join(found.meters) or 'none'}."
            up_to = "" if as_of is None else f" up to {as_of}"
            raise UsageError(f"No reading of meter {name!r}{up_to} was loaded{hint}")
        (page,) = meter_pages(place, found, history.sources(), [name])
        return page


def _drift_line(drift: Any, unit: str, settings: Settings) -> str:
    """Return what is said of the trend on one block: of the line that leaves the tolerance, as on the page, where one does."""
    if drift.leaves_tolerance_on and drift.leaves_tolerance_interval and drift.slope_since_per_30_days is not None:
        first, last = drift.leaves_tolerance_interval
        since = f" since {output.when(drift.drifting_since, settings)[:10]}" if drift.drifting_since else ""
        return (
            f"  drift on {drift.block}: {_number(drift.slope_since_per_30_days, 3)} {unit} in 30 days{since}; "
            f"leaves tolerance about {output.when(drift.leaves_tolerance_on, settings)[:10]} "
            f"({output.when(first, settings)[:10]} to {output.when(last, settings)[:10] if last else 'no end'})"
        )
    if drift.slope_per_30_days is None or drift.interval is None:
        return ""
    low, high = drift.interval
    return (
        f"  drift on {drift.block}: {_number(drift.slope_per_30_days, 3)} {unit} in 30 days "
        f"({_number(low, 3)} to {_number(high, 3)})"
    )


def _show_meter(result: Any, path: str | None, settings: Settings) -> None:
    console = output.out()
    console.print(output.plain(f"{result.meter}: {result.state.upper().replace('_', ' ')}"))
    for reason in result.reasons:
        console.print(output.plain(f"  {reason}"))
    output.table(
        f"Blocks, in {result.unit}",
        ("block", "checks", "bias", "last bias", "s", "centre", "lower", "upper"),
        (
            (
                b.block, b.checks, _number(b.bias, 3), _number(b.last_bias, 3), _number(b.standard_deviation, 3),
                _number(b.centre, 6), *((_number(v, 6) for v in b.limits) if b.limits else ("", "")),
            )
            for b in result.blocks
        ),
    )  # fmt: skip
    if provisional := [b.block for b in result.blocks if b.limits_kind == "provisional"]:
        said = "limits are provisional until a baseline is complete: " + ", ".join(dict.fromkeys(provisional))
        console.print(output.plain(f"  {said}"))
    waiting = [event for event in result.events if event.state == "open"]
    console.print(f"  {len(result.events)} events, {len(waiting)} open (annealog trace); {result.warnings} warnings")
    for event in waiting[:5]:
        console.print(output.plain(f"  open event {event.event}: {event.title}: {event.sentence}"))
    for signal in result.drift_signals:
        if signal.open:
            console.print(
                output.plain(
                    f"  {signal.chart} on {signal.block} beyond its limit since {output.when(signal.first_at, settings)[:10]}: "
                    f"reads {'higher' if signal.side == 'high' else 'lower'} than in its baseline"
                )
            )
    if rough := [one for one in result.precision_signals if not one.dispositions]:
        console.print(
            output.plain(
                f"  readings scattered beyond the action limit in {counted(len(rough), 'check')}, the last on {rough[-1].block} on "
                f"{output.when(rough[-1].at, settings)[:10]}: look at probe, surface and fixture"
            )
        )
    for drift in result.drift:
        line = _drift_line(drift, result.unit, settings)
        if line:
            console.print(output.plain(line))
    if result.suspect_lots:
        console.print(output.plain("  suspect lots: " + ", ".join(result.suspect_lots)))
    for flag in result.flags:
        console.print(output.plain(f"  flag: {flag}"))
    if path:
        console.print(path)


config = typer.Typer(help="The settings of a workspace.", no_args_is_help=True)


@config.command("check")
def config_check(workspace: WorkspaceOption = None, json: Json = False) -> None:
    """Check settings, reference tables and layouts without loading anything, and say all that is wrong at once.

    Example: annealog config check
    """
    from pipeline.load.check_workspace import check_all, misspelt_names

    tables, layouts = check_all(workspace or Path.cwd())
    workspace_at(workspace)  # says who else may change it
    if json:
        output.print_json(
            {
                "tables": {n: t.height for n, t in tables.items()},
                "layouts": sorted(layouts),
                "misspelt": misspelt_names(tables),
            }
        )
        return
    for name, frame in tables.items():
        output.out().print(f"reference/{name}.csv: {frame.height} rows")
    output.out().print("layouts: " + ", ".join(sorted(layouts)))
    for line in misspelt_names(tables):
        output.note(line)


@config.command("show")
def config_show(workspace: WorkspaceOption = None, json: Json = False) -> None:
    """Show every setting with its value and meaning.

    Example: annealog config show
    """
    from dataclasses import fields

    place = workspace_at(workspace)
    rows = [(f.name, getattr(place.settings, f.name), f.metadata["doc"]) for f in fields(place.settings)]
    if json:
        output.print_json({name: value for name, value, _ in rows})
        return
    output.table(f"Settings of {place.root}", ("setting", "value", "meaning"), rows)


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    for command in (status, lot, meter):
        app.command(help=command.__doc__)(command)
    app.add_typer(config, name="config")
