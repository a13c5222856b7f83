"""Commands on gauge studies: a plan, and the report."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.cli import output
from pipeline.cli.kept import asked, judged, written
from pipeline.cli.options import AsOf, DryRun, Json, Pdf, SingleFile, WorkspaceOption, moment, workspace_at
from pipeline.errors import UsageError
from schemas.terms import TEMPERATURE_STATES, UNITS

if TYPE_CHECKING:
    from pipeline.cli.kept import Computed
    from pipeline.workspace.settings import Workspace

__all__ = ["add_to"]

study = typer.Typer(
    help="Gauge studies: repeatability and reproducibility of a meter and its people.", no_args_is_help=True
)


def _names(text: str) -> list[str]:
    return [name.strip() for name in text.split(",") if name.strip()]


@study.command("plan")
def plan(
    run: Annotated[
        str, typer.Argument(metavar="RUN", help="Name of the study, as its readings will state it under run.")
    ],
    operators: Annotated[str, typer.Option(metavar="NAMES", help="Who reads, separated by commas.")] = "",
    meters: Annotated[str, typer.Option(metavar="IDS", help="Meters, separated by commas; several are compared.")] = "",
    parts: Annotated[int, typer.Option(help="Parts in all, or of each where they are nested.")] = 10,
    repeats: Annotated[int, typer.Option(help="How often each part is read by each.")] = 3,
    nested: Annotated[
        bool, typer.Option("--nested", help="Each has parts of his own, as in destructive testing.")
    ] = False,
    unit: Annotated[str, typer.Option(help=f"Unit of the readings: {', '.join(UNITS)}.")] = "%IACS",
    state: Annotated[str, typer.Option(help=f"Temperature state: {', '.join(TEMPERATURE_STATES)}.")] = "at_metal",
    specification: Annotated[
        str | None, typer.Option(metavar="ID", help="Specification that makes the tolerance.")
    ] = None,
    seed: Annotated[str, typer.Option(help="Text that draws the order; default: the study's name.")] = "",
    to: Annotated[
        Path | None, typer.Option(metavar="FILE", help="New file, CSV or XLSX; default: CSV on standard output.")
    ] = None,
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Write the order in which to read a gauge study, as a sheet to fill in and load, and register the study.

    In a workspace its row goes into reference/studies.csv; the next load takes it over.

    Example: annealog study plan GRR-7 --operators Ada,Bo,Cy --meters EC-01 --parts 10 --repeats 3 --to grr-7.xlsx
    """
    from pipeline.load.reference_rows import add_rows, known_name
    from pipeline.questions.studies.plan import plan_rows, plan_text, plan_workbook, register_row
    from pipeline.workspace.files import write_atomically
    from pipeline.workspace.settings import find_folder

    for given, allowed, what in ((unit, UNITS, "unit"), (state, TEMPERATURE_STATES, "temperature state")):
        if given not in allowed:
            raise UsageError(f"{given!r} is no {what}. Expected one of: {', '.join(allowed)}.")
    people, devices = _names(operators), _names(meters)
    kind = "nested" if nested else "crossed"
    rows = plan_rows(
        run,
        operators=people,
        meters=devices,
        parts=parts,
        repeats=repeats,
        kind=kind,
        unit=unit,
        state=state,
        seed=seed or run,
    )
    if to is not None and to.exists():
        raise UsageError(f"{to} exists. Name a new file.")
    row = register_row(run, kind=kind, by_meter=len(devices) > 1, meters=devices, specification=specification)
    # a plan can be made anywhere; only where a workspace is, the study is registered
    place = None if workspace is None and find_folder(Path.cwd(), needed=False) is None else workspace_at(workspace)
    if place is not None:
        for table, names in (("meters", devices), ("specifications", [specification] if specification else [])):
            for name in names:
                known_name(place, table, name)
        add_rows(place, "studies", [row], valid_from=None, dry_run=True, pass_known=True)
    if dry_run:
        output.would(f"write a plan of {len(rows)} readings", json=json)
        return
    as_workbook = to is not None and to.suffix.lower() == ".xlsx"
    sheet = plan_text(rows)
    if to is not None:
        write_atomically(to, plan_workbook(rows) if as_workbook else sheet.encode())
    if place is not None:
        add_rows(place, "studies", [row], valid_from=None, dry_run=False, pass_known=True)
    if json:
        output.print_json(
            {
                "run": run,
                "readings": len(rows),
                "register": row,
                "registered": place is not None,
                "plan": str(to) if to else sheet,
            }
        )
        return
    if to is None:
        output.out().print(output.plain(sheet), end="")
    words = ", ".join(f"{column}={value}" for column, value in row.items() if value)
    where = "stands in" if place is not None else "has to be put into"
    output.note(
        f"{len(rows)} readings, in the order of the column sequence. The study {where} reference/studies.csv: {words}"
    )
    output.note(
        "Fill in value, temperature_c and measured_at, or let the meter export with this run; then: annealog load FILE"
    )


@study.command("report")
def report(
    run: Annotated[str, typer.Argument(metavar="RUN", help="Study.")],
    dry_run: DryRun = False,
    single_file: SingleFile = False,
    pdf: Pdf = False,
    as_of: AsOf = None,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Evaluate a gauge study, write its page, and say whether the gauge will do.

    Example: annealog study report GRR-7
    """
    place = workspace_at(workspace)
    document, path = asked(
        place,
        "study",
        run,
        lambda: _evaluate(place, run, as_of, dry_run=dry_run, alone=single_file, pdf=pdf),
        usual=as_of is None and not single_file,
        dry_run=dry_run,
        pdf=pdf,
    )
    if json:
        output.print_json({**document, "page": path})
    else:
        _show(output.Shown.of(document), path)


def _evaluate(place: Workspace, run: str, as_of: str | None, *, dry_run: bool, alone: bool, pdf: bool) -> Computed:
    from pipeline.questions.studies.studies import study_pages

    with judged(place, as_of) as (found, history):
        pages = list(study_pages(place, found, history, history.sources(), [run]))
    if not pages:
        raise UsageError("No study stands in reference/studies.csv. A plan for one: annealog study plan --help")
    page = pages[0]
    return page.answer, written(place, page, moment(as_of, place), dry_run=dry_run, alone=alone, pdf=pdf)


def _number(value: float | None, digits: int = 3) -> str:
    return "" if value is None else f"{value:.{digits}g}"


def _show(result: Any, path: str | None) -> None:
    console = output.out()
    console.print(output.plain(f"{result.study}: {result.state.upper().replace('_', ' ')}"))
    for reason in result.reasons:
        console.print(output.plain(f"  {reason}"))
    if result.components:
        output.table(
            f"Components, in {result.unit}",
            ("source", "s", "95 %", "% of study", "% of tolerance"),
            (
                (
                    c.source, _number(c.standard_deviation), f"{_number(c.interval[0])} to {_number(c.interval[1])}",
                    _number(c.percent_of_study), _number(c.percent_of_tolerance),
                )
                for c in result.components
            ),
        )  # fmt: skip
    for caution in result.cautions:
        console.print(output.plain(f"  caution: {caution}"))
    if path:
        console.print(path)


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    app.add_typer(study, name="study")
