"""Reference tables filled in as sheets: a workbook to fill in, and what a workbook or a CSV file adds to the tables."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from pipeline.errors import UsageError
from pipeline.intake.reading import HoldFile
from pipeline.intake.tables import parse_table
from pipeline.intake.workbooks.cell_text import plain_text
from pipeline.intake.workbooks.reading import is_workbook, sheets_of
from pipeline.intake.workbooks.writing import sheet_to_fill_in
from pipeline.load.reference_rows import add_rows, declared, table_now
from pipeline.near import all_of
from pipeline.workspace.files import named, read_bytes
from schemas.declare import UTC_TIME
from schemas.reference_tables import REFERENCE_TABLES

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.intake.workbooks.reading import Cell, Sheet
    from pipeline.workspace.settings import Workspace

__all__ = ["FromSheet", "empty_sheet", "import_sheets", "is_table"]

_CAP_BYTES = 100_000_000
_KINDS = {pl.Float64: "number", pl.Int64: "number", UTC_TIME: "date"}


@dataclass(frozen=True, slots=True, kw_only=True)
class FromSheet:
    """What one sheet adds to a table: the rows, and how many stood there already."""

    table: str
    added: tuple[dict[str, str], ...]
    known: int


def is_table(data: bytes) -> bool:
    """Whether a file is a sheet or a table of text, not a certificate, which is XML."""
    return is_workbook(data) or not data.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"<")


def empty_sheet(workspace: Workspace, name: str) -> bytes:
    """Return a workbook with the columns of a table, to be filled in; what can be chosen stands in drop-down lists."""
    table = declared(name)
    keys = {other.key[0]: other.name for other in REFERENCE_TABLES.values() if len(other.key) == 1}
    lists: dict[int, list[str]] = {}
    for place, column in enumerate(table):
        if column.dtype == pl.Boolean:
            lists[place] = ["yes", "no"]
        elif column.allowed is not None:
            lists[place] = list(column.allowed)
        elif column.name in keys and column.name not in table.key:
            lists[place] = table_now(workspace, keys[column.name])[column.name].unique().sort().to_list()
    kinds = [_KINDS.get(column.dtype, "text") for column in table]
    return sheet_to_fill_in(table.names, kinds, lists=lists, name=table.name)


def import_sheets(workspace: Workspace, path: Path, table: str | None, *, dry_run: bool) -> list[FromSheet]:
    """Add what a workbook or a CSV file holds to the reference tables, or nothing of it.

    Parameters
    ----------
    workspace
        Where to write.
    path
        The file. A sheet is named like its table, or is the only one; a CSV file is named so, or the table is given.
    table
        Which table it is, where the name does not say it.
    dry_run
        Check only.

    Returns
    -------
    list of FromSheet

    Raises
    ------
    UsageError
        A line for all that is wrong, with file, sheet, row and column; nothing is written then.
    """
    data, name = read_bytes(path, _CAP_BYTES), named(path.name)
    if is_workbook(data):
        try:
            filled = [sheet for sheet in sheets_of(data) if sheet.rows and not sheet.hidden]
        except HoldFile as stop:
            raise UsageError(f"{name}: {stop.held.sentence} {stop.held.what_to_do}") from None
        if table is not None and len(filled) != 1:
            raise UsageError(
                f"{name} has {len(filled)} filled sheets; --table is for one. Name each sheet like its table."
            )
        found = [
            (
                declared(table or sheet.name),
                _text_of(sheet, f"{name}, sheet {sheet.name!r}"),
                f"{name}, sheet {sheet.name!r}",
            )
            for sheet in filled
        ]
    else:
        try:
            found = [(declared(table or path.stem), data.decode("utf-8-sig"), name)]
        except UnicodeDecodeError as error:
            raise UsageError(f"{name}: byte {error.start} is no UTF-8. Save it as UTF-8, or as XLSX.") from None
    names = [one.name for one, _, _ in found]
    wrong = [
        f"{name}: several sheets are of the table {one}. Put them together."
        for one in dict.fromkeys(names)
        if names.count(one) > 1
    ]
    rows: dict[str, list[dict[str, str]]] = {}
    for one, text, where in found:
        try:
            parse_table(one, text, where=where, zone=workspace.settings.zone)
            rows[one.name] = _dicts(text)
            add_rows(workspace, one.name, rows[one.name], valid_from=None, dry_run=True, pass_known=True)
        except UsageError as error:
            wrong.append(str(error))
    if wrong:
        raise UsageError("\n".join(wrong))
    made = []
    for one, _, _ in found:
        added = add_rows(workspace, one.name, rows[one.name], valid_from=None, dry_run=dry_run, pass_known=True)
        made.append(FromSheet(table=one.name, added=added, known=len(rows[one.name]) - len(added)))
    return made


def _dicts(text: str) -> list[dict[str, str]]:
    lines = [row for row in csv.reader(io.StringIO(text, newline=""), strict=True) if any(cell.strip() for cell in row)]
    while lines and lines[0][0].lstrip().startswith("#"):
        lines.pop(0)
    header = [cell.strip() for cell in lines[0]] if lines else []
    return [dict(zip(header, (cell.strip() for cell in row), strict=True)) for row in lines[1:]]


def _cell(cell: Cell) -> str:
    if isinstance(cell, list) and cell[0] == "boolean":
        return "yes" if cell[1] == "TRUE" else "no"
    return plain_text(cell)


def _text_of(sheet: Sheet, where: str) -> str:
    """Return a sheet as CSV, a line for each row, so that the number of a line is that of its row."""
    wrong = [
        f"{where}, line {row + 1}, column {column + 1}: expected a value as typed, found "
        + {"formula": "a formula", "error": f"the error {said}", "percent": "a number shown as a percentage"}[kind]
        for row, column, kind, said in sheet.faults
    ]
    wrong += [f"{where}, line {top + 1}: cells are merged. Undo that." for top, *_ in sheet.merged]
    if wrong:
        raise UsageError(all_of(wrong, where))
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    width = next((len(row) for row in sheet.rows if row and not _cell(row[0]).startswith("#")), 0)
    for row in sheet.rows:
        cells = [_cell(cell) for cell in row]
        writer.writerow(cells + [""] * (width - len(cells)) if cells else [])
    return text.getvalue()
