"""Everything that is wrong with a workspace, at once: its settings, its reference tables, its layouts."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

import polars as pl

from pipeline.errors import UsageError
from pipeline.load.exports import layouts_of
from pipeline.load.take_over import check_names
from pipeline.near import misspelt
from pipeline.workspace.recorded import recorded_tables
from pipeline.workspace.settings import Settings, Workspace, find_folder, find_workspace
from pipeline.workspace.texts import read_reference
from schemas.reference_tables import REFERENCE_TABLES

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from pipeline.intake.layout import Layout

__all__ = ["check_all", "misspelt_names"]

T = TypeVar("T")


def check_all(start: Path) -> tuple[dict[str, pl.DataFrame], dict[str, tuple[Layout, str]]]:
    """Check a workspace without loading anything.

    Parameters
    ----------
    start
        A folder in it.

    Returns
    -------
    (dict, dict)
        Reference tables and layouts, by name.

    Raises
    ------
    UsageError
        A line for each thing that is wrong: file, line, what was found, what was expected, the nearest allowed value.
    """
    folder = find_folder(start)
    wrong: list[str] = []

    def told(step: Callable[[], T]) -> T | None:
        try:
            return step()
        except UsageError as error:
            wrong.append(str(error))
            return None

    # what is wrong with the settings hides nothing of the rest
    workspace = told(lambda: find_workspace(folder)) or Workspace(folder, Settings())
    texts = told(lambda: read_reference(workspace)) or {}
    tables = told(lambda: recorded_tables(texts, workspace.settings, contract=True))
    layouts = told(lambda: layouts_of(workspace))
    if tables is not None and layouts is not None:
        told(lambda: check_names(workspace.settings, tables, layouts))
    if wrong or tables is None or layouts is None:
        raise UsageError("\n".join(wrong))
    return tables, layouts


def misspelt_names(tables: Mapping[str, pl.DataFrame]) -> list[str]:
    """Return names in reference tables that stand in no row of their own table but near one that does.

    Parameters
    ----------
    tables
        From :func:`check_all`. A name that is near none may be registered later, and is not told.

    Returns
    -------
    list of str
        A line for each; none is an error, because a load takes such tables over.
    """
    registers = {table.key[0]: name for name, table in REFERENCE_TABLES.items() if len(table.key) == 1}
    told = []
    for name, table in REFERENCE_TABLES.items():
        for column in table.names:
            register = registers.get(column, name)
            if register == name:
                continue
            for one, near in misspelt(tables[name][column].drop_nulls(), tables[register][column]).items():
                row = tables[name].filter(pl.col(column) == one).select(table.key).row(0)
                key = " ".join(str(part) for part in row if part)
                told.append(
                    f"reference/{name}.csv, {key}: {column} {one!r} does not stand in reference/{register}.csv; did you mean "
                    f"'{near}'?"
                )
    return told
