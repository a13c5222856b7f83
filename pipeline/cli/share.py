"""Commands that hand something over: export."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli import output
from pipeline.cli.options import AsOf, DryRun, Json, WorkspaceOption, moment, workspace_at
from pipeline.errors import UsageError
from schemas.digits import counted

__all__ = ["add_to"]


def export(
    target: Annotated[
        Path, typer.Argument(metavar="TO", help="New folder, or a new file that ends with .zip or .xlsx.")
    ],
    lot: Annotated[list[str] | None, typer.Option(metavar="ID", help="A lot; may be given several times.")] = None,
    supplier: Annotated[
        str | None, typer.Option(metavar="NAME", help="Lots of this supplier, with its report, theirs and a letter.")
    ] = None,
    start: Annotated[
        str | None,
        typer.Option("--from", metavar="TIME", help="Only lots last read since then, a day from its beginning."),
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", metavar="TIME", help="Only lots last read until then, a day to its end.")
    ] = None,
    with_raw: Annotated[bool, typer.Option("--with-raw", help="Add the files as they came, by hash.")] = False,
    with_pages: Annotated[bool, typer.Option("--with-pages", help="Add the reports of the lots.")] = False,
    xlsx: Annotated[
        bool, typer.Option("--xlsx", help="Write the tables into one workbook instead, a sheet a table.")
    ] = False,
    dry_run: DryRun = False,
    as_of: AsOf = None,
    workspace: WorkspaceOption = None,
    json: Json = False,
) -> None:
    """Write readings and results as a data pack: tables, their schema, and hashes to check them by.

    Example: annealog export for-customer.zip --lot L-0007 --with-pages
    """
    from pipeline.custody.pack import gathered, write_pack, write_workbook
    from pipeline.custody.pack_tables import chosen_lots
    from pipeline.history.store import History
    from pipeline.judge.carry_on import everything
    from pipeline.questions.over_time.suppliers import supplier_pages

    if xlsx and (with_raw or with_pages):
        raise UsageError("A workbook holds tables alone. For files and reports write a data pack, without --xlsx.")
    if not xlsx and target.suffix.lower() == ".xlsx":
        raise UsageError(f"To write {target} as a workbook: --xlsx")
    place = workspace_at(workspace)
    with History.open(place.history, wait_s=place.settings.busy_wait_seconds) as history:
        found = everything(history, place.settings, as_of=moment(as_of, place))
        sources, events = history.sources(), history.events()
        since, until = moment(start, place, first=True), moment(end, place)
        lots = chosen_lots(found, lots=lot or (), supplier=supplier, start=since, end=until)
        of_supplier = None
        if supplier is not None and not xlsx:
            (of_supplier,) = supplier_pages(place, found, history, sources, [supplier], start=since, end=until)
        if dry_run:
            output.would(f"pack {counted(len(lots), 'lot')} into {target}", json=json)
            return
        pages = with_pages or of_supplier is not None
        given = gathered(place, found, sources, events, lots, results=not xlsx, pages=pages)
    if xlsx:
        pack = write_workbook(place, given, target)
    else:
        pack = write_pack(place, given, target, with_raw=with_raw, supplier=of_supplier)
    if json:
        output.print_json(
            {
                "pack": str(pack.target), "lots": lots, "readings": pack.readings, "files": pack.files,
                "data_sha256": pack.data_sha256,
            }
        )  # fmt: skip
    else:
        output.out().print(
            output.plain(
                f"{counted(pack.lots, 'lot')}, {counted(pack.readings, 'reading')}, {counted(pack.files, 'file')} in {pack.target}. "
                f"Hash of the {'workbook' if xlsx else 'pack (of its SHA256SUMS)'}: {pack.data_sha256}"
            )
        )


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    app.command(help=export.__doc__)(export)
