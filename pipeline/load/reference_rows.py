"""Puts rows into the reference tables of a workspace: what stands there keeps its text, and the whole is checked first."""

from __future__ import annotations

import csv
import difflib
import io
from typing import TYPE_CHECKING

from pipeline.errors import ReferenceTableError, UsageError
from pipeline.intake.tables import parse_table
from pipeline.workspace.files import read_bytes, write_atomically
from schemas.reference_tables import REFERENCE_TABLES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date
    from pathlib import Path

    import polars as pl

    from pipeline.workspace.settings import Workspace
    from schemas.declare import Table

__all__ = ["add_rows", "declared", "table_now"]

_CAP_BYTES = 100_000_000


def declared(name: str) -> Table:
    """Return the declaration of a reference table.

    Raises
    ------
    UsageError
        If there is none of that name; says which is nearest.
    """
    # one row is often named in the singular
    for spelling in (name, f"{name}s"):
        if spelling in REFERENCE_TABLES:
            return REFERENCE_TABLES[spelling]
    near = difflib.get_close_matches(name, REFERENCE_TABLES, n=1)
    hint = f"Did you mean {near[0]}?" if near else f"There are: {', '.join(REFERENCE_TABLES)}."
    raise UsageError(f"There is no reference table {name!r}. {hint}")


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


def add_rows(
    workspace: Workspace, name: str, rows: Sequence[Mapping[str, str]], *, valid_from: date | None, dry_run: bool
) -> tuple[dict[str, str], ...]:
    """Add rows to a reference table.

    Parameters
    ----------
    workspace
        The workspace.
    name
        Table.
    rows
        Texts by column; empty and missing cells are the same.
    valid_from
        From when a row holds that the table knows already by its key; None where that is refused.
    dry_run
        Check only.

    Returns
    -------
    tuple of dict
        The rows as they were added.

    Raises
    ------
    UsageError
        If the table would not hold with them; nothing is written then.
    """
    table = declared(name)
    text = _text(workspace, table)
    # the file must hold as it is: what is wrong in it is not the fault of the new rows
    now = parse_table(table, text, where=f"reference/{table.name}.csv", zone=workspace.settings.zone)
    known = set(now.select(table.key).iter_rows()) if now.height else set()
    added = []
    for row in rows:
        unknown = [column for column in row if column not in table.names]
        if unknown:
            near = difflib.get_close_matches(unknown[0], table.names, n=1)
            hint = f"Did you mean {near[0]}?" if near else f"Columns: {', '.join(table.names)}."
            raise UsageError(f"The table {name} has no column {unknown[0]!r}. {hint}")
        key = tuple(row.get(column) or None for column in table.key)
        again = len(table.key) == 1 and key in known
        if again and valid_from is None and not row.get("valid_from"):
            raise UsageError(
                f"{table.key[0]} {key[0]} stands in reference/{table.name}.csv already. Say from when the new row holds: "
                "valid_from=2026-03-02."
            )
        version = {"valid_from": valid_from.isoformat()} if again and valid_from and not row.get("valid_from") else {}
        added.append({**{column: cell for column, cell in row.items() if cell}, **version})
    whole = _with_rows(text, added)
    parse_table(table, whole, where=f"reference/{table.name}.csv with the new row", zone=workspace.settings.zone)
    if not dry_run:
        write_atomically(_path(workspace, table), whole.encode())
    return tuple(added)


def _with_rows(text: str, rows: Sequence[Mapping[str, str]]) -> str:
    """Return a table with rows at its end; lines that stand there stay as they are unless a column has to be added."""
    lines = [row for row in csv.reader(io.StringIO(text, newline=""), strict=True) if any(cell.strip() for cell in row)]
    header = [cell.strip() for cell in lines[0]] if lines else []
    new = [column for row in rows for column in row if column not in header]
    target = io.StringIO(newline="")
    writer = csv.writer(target, lineterminator="\n")
    if new or not lines:
        columns = [*header, *dict.fromkeys(new)]
        writer.writerow(columns)
        writer.writerows([*line, *[""] * (len(columns) - len(header))] for line in lines[1:])
    else:
        columns = header
        target.write(text if text.endswith("\n") else text + "\n")
    writer.writerows([row.get(column, "") for column in columns] for row in rows)
    return target.getvalue()
