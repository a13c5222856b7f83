"""Puts rows into the reference tables of a workspace: what stands there keeps its text, and the whole is checked first."""

from __future__ import annotations

import csv
import io
from itertools import takewhile
from typing import TYPE_CHECKING, Any

from pipeline.errors import ReferenceTableError, UsageError
from pipeline.intake.tables import parse_table
from pipeline.near import all_of, nearest
from pipeline.workspace.files import read_bytes, write_atomically
from schemas.reference_tables import REFERENCE_TABLES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date
    from pathlib import Path
    from zoneinfo import ZoneInfo

    import polars as pl

    from pipeline.workspace.settings import Workspace
    from schemas.declare import Table

__all__ = ["add_rows", "declared", "known_name", "table_now"]

_CAP_BYTES = 100_000_000


def declared(name: str) -> Table:
    """Return the declaration of a reference table.

    Raises
    ------
    UsageError
        If there is none of that name; says which is nearest.
    """
    # one row is often named in the singular
    for spelling in (name, f"{name}s", f"{name[:-1]}ies"):
        if spelling in REFERENCE_TABLES:
            return REFERENCE_TABLES[spelling]
    hint = nearest(name, REFERENCE_TABLES) or f". There are: {', '.join(REFERENCE_TABLES)}."
    raise UsageError(f"There is no reference table {name!r}{hint}")


def _path(workspace: Workspace, table: Table) -> Path:
    return workspace.reference / f"{table.name}.csv"


def _text(workspace: Workspace, table: Table) -> str:
    path = _path(workspace, table)
    if not path.exists():
        return ""
    try:
        return read_bytes(path, _CAP_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ReferenceTableError(f"{path.name}: byte {error.start} is no UTF-8. Save the table as UTF-8.") from None


def table_now(workspace: Workspace, name: str) -> pl.DataFrame:
    """Return a reference table as it stands in the folder, taken over or not."""
    table = declared(name)
    return parse_table(
        table, _text(workspace, table), where=f"reference/{table.name}.csv", zone=workspace.settings.zone
    )


def known_name(workspace: Workspace, table: str, name: str) -> None:
    """Refuse a name that does not stand in a reference table, and say which is nearest.

    Raises
    ------
    UsageError
        If it does not.
    """
    (column,) = declared(table).key
    names = table_now(workspace, table)[column].unique().sort().to_list()
    if name not in names:
        hint = nearest(name, names) or (f". It has {', '.join(names[:10])}." if names else ", which is empty.")
        raise UsageError(f"{column.capitalize()} {name!r} does not stand in reference/{table}.csv{hint}")


def add_rows(
    workspace: Workspace,
    name: str,
    rows: Sequence[Mapping[str, str]],
    *,
    valid_from: date | None,
    dry_run: bool,
    pass_known: bool = False,
) -> tuple[dict[str, str], ...]:
    """Add rows to a reference table.

    Parameters
    ----------
    name
        Table.
    rows
        Texts by column; empty and missing cells are the same.
    valid_from
        From when a row holds that the table knows already by its key; None where that is refused.
    dry_run
        Check only.
    pass_known
        Pass over a row that stands in the table with every one of its cells, instead of refusing it.

    Returns
    -------
    tuple of dict
        The rows as they were added.

    Raises
    ------
    UsageError
        If the table would not hold with them, for each of them; nothing is written then.
    """
    table = declared(name)
    text = _text(workspace, table)
    where, zone = f"reference/{table.name}.csv", workspace.settings.zone
    # the file must hold as it is: what is wrong in it is not the fault of the new rows
    now = parse_table(table, text, where=where, zone=zone)
    known = set(now.select(table.key).iter_rows())
    stand = set(now.iter_rows()) if pass_known else set()
    added, wrong = [], []
    for row in rows:
        unknown = [column for column in row if column not in table.names]
        if unknown:
            hint = nearest(unknown[0], table.names) or f". Columns: {', '.join(table.names)}."
            raise UsageError(f"The table {name} has no column {unknown[0]!r}{hint}")
        key = tuple(row.get(column) or None for column in table.key)
        again = len(table.key) == 1 and key in known
        cells = {column: cell for column, cell in row.items() if cell}
        if pass_known and _parsed(table, cells, zone) in stand:
            continue
        if again and valid_from is None and not row.get("valid_from"):
            wrong.append(
                f"{table.key[0]} {key[0]} stands in {where} already. Say from when the new row holds: valid_from=2026-03-02."
            )
        version = {"valid_from": valid_from.isoformat()} if again and valid_from and not row.get("valid_from") else {}
        added.append({**cells, **version})
    if wrong:
        raise UsageError(all_of(wrong, where))
    whole = _with_rows(text, added)
    parse_table(table, whole, where=f"{where} with the new row", zone=zone)
    if added and not dry_run:
        write_atomically(_path(workspace, table), whole.encode())
    return tuple(added)


def _parsed(table: Table, cells: Mapping[str, str], zone: ZoneInfo) -> tuple[Any, ...] | None:
    """Return a row as the table would hold it, or None where it would not."""
    try:
        return parse_table(table, _with_rows("", [cells]), where="", zone=zone).row(0)
    except ReferenceTableError:
        return None


def _with_rows(text: str, rows: Sequence[Mapping[str, str]]) -> str:
    """Return a table with rows at its end; lines that stand there stay as they are unless a column has to be added."""
    lines = [row for row in csv.reader(io.StringIO(text, newline=""), strict=True) if any(cell.strip() for cell in row)]
    comments = list(takewhile(lambda row: row[0].lstrip().startswith("#"), lines))
    lines = lines[len(comments) :]
    header = [cell.strip() for cell in lines[0]] if lines else []
    new = [column for row in rows for column in row if column not in header]
    target = io.StringIO(newline="")
    writer = csv.writer(target, lineterminator="\n")
    if new or not lines:
        columns = [*header, *dict.fromkeys(new)]
        target.writelines(f"{','.join(row)}\n" for row in comments)
        writer.writerow(columns)
        writer.writerows([*line, *[""] * (len(columns) - len(header))] for line in lines[1:])
    else:
        columns = header
        target.write(text if text.endswith("\n") else text + "\n")
    writer.writerows([row.get(column, "") for column in columns] for row in rows)
    return target.getvalue()
