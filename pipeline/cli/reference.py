"""Commands on the reference tables: what they hold, a row more, and certificates read into them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.cli import output
from pipeline.cli.options import By, DryRun, Json, WorkspaceOption, moment, workspace_at
from pipeline.errors import UsageError

if TYPE_CHECKING:
    from pipeline.load.certificates import Imported
    from pipeline.workspace.settings import Workspace

__all__ = ["add_to"]

reference = typer.Typer(help="Reference tables: meters, blocks, certificates, lots, limits.", no_args_is_help=True)


@reference.command("columns")
def columns(
    table: Annotated[str, typer.Argument(metavar="TABLE", help="Such as blocks.")],
    json: Json = False,
) -> None:
    """Say which columns a reference table has, what they hold and in which unit.

    Example: annealog reference columns blocks
    """
    from pipeline.load.reference_rows import declared

    found = declared(table)
    rows = [
        {
            "column": column.name,
            "holds": column.doc,
            "unit": column.unit,
            "allowed": list(column.allowed) if column.allowed else None,
            "needed": not column.nullable,
            "key": column.name in found.key,
        }
        for column in found
    ]
    if json:
        output.print_json({"table": table, "about": found.doc, "columns": rows})
        return
    output.table(
        f"{table}: {found.doc}",
        ("column", "holds", "unit", "allowed"),
        (
            (
                column.name + ("" if column.nullable else " *"), column.doc, column.unit or "",
                " | ".join(column.allowed or ()),
            )
            for column in found
        ),
    )  # fmt: skip
    output.note("* is always needed; every other column may be missing or empty.")


@reference.command("add")
def add(
    table: Annotated[str, typer.Argument(metavar="TABLE", help="Such as lots.")],
    cells: Annotated[list[str], typer.Argument(metavar="COLUMN=VALUE...", help="The row, such as lot=L-0107.")],
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Add a row to a reference table, with the checks that a load makes; the next load takes it over.

    Example: annealog reference add lots lot=L-0107 product=bar material=Cu-ETP specification=CU-BAR
    """
    from pipeline.load.reference_rows import add_rows

    row: dict[str, str] = {}
    for text in cells:
        column, mark, value = text.partition("=")
        if not mark:
            raise UsageError(f"{text!r}: expected COLUMN=VALUE, such as lot=L-0107.")
        if column.strip() in row:
            raise UsageError(f"{column.strip()} is given twice.")
        row[column.strip()] = value.strip()
    place = workspace_at(workspace)
    added = add_rows(place, table, [row], valid_from=None, dry_run=dry_run)
    if json:
        output.print_json({"table": table, "added": [] if dry_run else list(added)})
        return
    words = ", ".join(f"{column}={value}" for column, value in added[0].items())
    output.out().print(output.plain(f"{'Would add' if dry_run else 'Added'} to reference/{table}.csv: {words}"))
    if not dry_run:
        output.note("The next load takes it over: annealog load")


@reference.command("sheet")
def sheet(
    table: Annotated[str, typer.Argument(metavar="TABLE", help="Such as blocks.")],
    to: Annotated[Path, typer.Option(metavar="FILE", help="New XLSX file.")],
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Write a workbook with the columns of a reference table, to be filled in and imported.

    Example: annealog reference sheet blocks --to blocks.xlsx
    """
    from pipeline.load.reference_sheets import empty_sheet
    from pipeline.workspace.files import write_atomically

    if to.exists():
        raise UsageError(f"{to} exists. Name a new file.")
    data = empty_sheet(workspace_at(workspace), table)
    if dry_run:
        output.would(f"write {to}", json=json)
        return
    write_atomically(to, data)
    if json:
        output.print_json({"table": table, "file": str(to)})
        return
    output.out().print(output.plain(f"Written to {to}. Fill it in, then: annealog reference import {to}"))


@reference.command("import")
def import_(
    file: Annotated[
        Path,
        typer.Argument(metavar="FILE", help="A digital calibration certificate (XML), or a sheet (XLSX, XLS, CSV)."),
    ],
    table: Annotated[
        str | None,
        typer.Option(
            metavar="TABLE",
            help="Table of a sheet that is not named so; of a certificate blocks, calibrations or sensors, where it is not clear.",
        ),
    ] = None,
    name: Annotated[
        str | None, typer.Option("--as", metavar="ID", help="Which block, meter or sensor of the site it is.")
    ] = None,
    result: Annotated[int | None, typer.Option(metavar="N", help="Which of several results is meant.")] = None,
    condition: Annotated[
        str | None, typer.Option(metavar="WHEN", help="as_found or as_left, where the certificate does not say.")
    ] = None,
    percent_is_iacs: Annotated[
        bool, typer.Option("--percent-is-iacs", help="Values in percent without a name are %IACS.")
    ] = False,
    at_reference: Annotated[
        bool,
        typer.Option("--at-reference", help="The certificate states the value at the reference temperature."),
    ] = False,
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Read a digital calibration certificate or a filled-in sheet into the reference tables.

    What a certificate leaves open is asked, never guessed. Of a sheet all that is wrong is said, with row and column, and rows that
    stand in the table already are passed over.

    Example: annealog reference import certificates/BL-C1.xml --as BL-C1 --dry-run
    """
    from pipeline.certificates.proposal import TABLES, Answers
    from pipeline.load.certificates import import_certificate
    from pipeline.load.reference_sheets import is_table
    from pipeline.workspace.files import read_bytes

    if is_table(read_bytes(file, 100_000_000)[:1000]):
        if name or result or condition or percent_is_iacs or at_reference:
            raise UsageError(f"{file} is no certificate: only --table belongs to a sheet.")
        _import_sheets(workspace_at(workspace), file, table, dry_run=dry_run, json=json)
        return
    if table is not None and table not in TABLES:
        raise UsageError(f"{table!r}: certificates fill {', '.join(TABLES)}.")
    if condition not in (None, "as_found", "as_left"):
        raise UsageError(f"{condition!r}: expected as_found or as_left.")
    answers = Answers(
        table=table,
        name=name,
        result=result,
        condition=condition,
        percent_is_iacs=percent_is_iacs,
        at_reference=at_reference,
    )
    found = import_certificate(workspace_at(workspace), file, answers, dry_run=dry_run)
    if json:
        output.print_json(_document(found))
    else:
        _show(found, file, dry_run=dry_run)
    if found.proposal.questions:
        raise typer.Exit(2)


def _import_sheets(place: Workspace, file: Path, table: str | None, *, dry_run: bool, json: bool) -> None:
    from pipeline.load.reference_sheets import import_sheets

    made = import_sheets(place, file, table, dry_run=dry_run)
    if json:
        rows = [{"table": one.table, "added": list(one.added), "known": one.known} for one in made]
        output.print_json({"dry_run": dry_run, "sheets": rows})
        return
    for one in made:
        known = f", {one.known} stand there already" if one.known else ""
        verb = "Would add" if dry_run else "Added"
        output.out().print(output.plain(f"{verb} {len(one.added)} rows to reference/{one.table}.csv{known}"))
    if not dry_run:
        output.note("The next load takes them over: annealog load")


def certificate(
    meter: Annotated[str, typer.Argument(metavar="METER", help="Meter whose checks it states.")],
    to: Annotated[Path, typer.Option(metavar="FILE", help="New XML file.")],
    by: By = "",
    at: Annotated[
        str | None, typer.Option(metavar="TIME", help="The last run of checks that began by then; default: the last.")
    ] = None,
    dry_run: DryRun = False,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Write a run of checks of a meter as a digital calibration certificate (DCC 3.2.1), marked as not accredited.

    Where the meter was set just before, the run before that stands in it as found.

    Example: annealog certificate EC-01 --by "A. Ranta" --to ec-01.xml
    """
    from pipeline.history.store import History
    from pipeline.judge.carry_on import everything
    from pipeline.questions.check_certificate import check_certificate
    from pipeline.workspace.files import sha256_of, write_atomically
    from pipeline.workspace.program import software_version

    if to.exists():
        raise UsageError(f"{to} exists. Name a new file.")
    place = workspace_at(workspace)
    with History.open(place.history, wait_s=place.settings.busy_wait_seconds) as history:
        found = everything(history, place.settings, as_of=None)
        identifier, data = check_certificate(
            found, meter, place.settings, at=moment(at, place), by=by, software=software_version()
        )
    if not dry_run:
        write_atomically(to, data)
    if json:
        output.print_json({"certificate": identifier, "file": None if dry_run else str(to), "sha256": sha256_of(data)})
        return
    output.out().print(output.plain(f"{'Would write' if dry_run else 'Written'}: certificate {identifier} to {to}"))
    output.note("It is no accredited calibration, and says so.")


def _document(found: Imported) -> dict[str, Any]:
    from schemas.documents import as_json

    certificate, proposal = found.certificate, found.proposal
    return {
        "certificate": certificate.identifier,
        "version": certificate.version,
        "held_against": certificate.held_against,
        "laboratory": certificate.laboratory,
        "dated": certificate.dated.isoformat(),
        "sha256": found.sha256,
        "signature": None if found.signature is None else as_json(found.signature),
        "table": proposal.table,
        "rows": list(proposal.rows),
        "written": list(found.written),
        "notes": list(proposal.notes),
        "questions": [
            {"text": one.text, "choices": list(one.choices), "option": one.option} for one in proposal.questions
        ],
    }


def _show(found: Imported, file: Path, *, dry_run: bool) -> None:
    certificate, proposal = found.certificate, found.proposal
    say = output.out().print
    schema = f", agrees with the schema {certificate.held_against}" if certificate.held_against else ""
    say(output.plain(f"Certificate {certificate.identifier} of {certificate.dated}, {certificate.laboratory}"))
    say(output.plain(f"  version {certificate.version}{schema}; {_signed(found)}"))
    for note in proposal.notes:
        say(output.plain(f"  {note}"))
    for question in proposal.questions:
        say(output.plain(f"OPEN: {question.text}"))
        for choice in question.choices:
            say(output.plain(f"    {choice}"))
    if proposal.questions:
        options = " ".join(f"{question.option} ..." for question in proposal.questions)
        say(output.plain(f"Nothing was written. Answer with: annealog reference import {file} {options}"))
        return
    for row in found.written or proposal.rows:
        words = ", ".join(f"{column}={value}" for column, value in row.items() if value)
        say(output.plain(f"{'Would add' if dry_run else 'Added'} to reference/{proposal.table}.csv: {words}"))
    if not dry_run:
        output.note("The file lies in the archive by its hash. The next load takes the row over: annealog load")


def _signed(found: Imported) -> str:
    signature = found.signature
    if signature is None:
        return "not signed"
    if not signature.intact:
        return f"signed, but whether it is intact cannot be said: {signature.problem}"
    if signature.trusted:
        return f"signed by {signature.signer}, intact, and the signer is trusted here"
    return (
        f"the signature is intact, but who signed is not known here (it says {signature.signer}); "
        "to trust a signer, put the laboratory's certificate into trust/ as a .pem file"
    )


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    app.add_typer(reference, name="reference")
    app.command(help=certificate.__doc__)(certificate)
