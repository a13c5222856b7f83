"""Everything that is wrong with a workspace, at once: its settings, its reference tables, its layouts."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

from pipeline.errors import UsageError
from pipeline.load.exports import layouts_of
from pipeline.load.take_over import check_names
from pipeline.workspace.recorded import recorded_tables
from pipeline.workspace.settings import Settings, Workspace, find_folder, find_workspace
from pipeline.workspace.texts import read_reference

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import polars as pl

    from pipeline.intake.layout import Layout

__all__ = ["check_all"]

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
