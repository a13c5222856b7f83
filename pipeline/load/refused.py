"""Refused lines as a person looks at them. It computes nothing, and so imports little."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.errors import UsageError
from pipeline.history.store import History
from pipeline.load.held import listed_held
from pipeline.near import nearest
from schemas.documents import as_json

if TYPE_CHECKING:
    from pipeline.workspace.settings import Workspace

__all__ = ["held", "listed", "shown"]

STATES = ("new", "replayed", "discarded")


def listed(workspace: Workspace, *, state: str = "new") -> pl.DataFrame:
    """Return refused lines in a state, with the file they came from.

    Raises
    ------
    UsageError
        If the state is none of ours.
    """
    if state not in (*STATES, "all"):
        raise UsageError(
            f"State {state!r} is not known. Expected one of: {', '.join((*STATES, 'all'))}{nearest(state, STATES)}"
        )
    with History.open(workspace.history, wait_s=workspace.settings.busy_wait_seconds) as history:
        return history.quarantine(states=None if state == "all" else [state])


def held(workspace: Workspace) -> list[dict[str, Any]]:
    """Return the files that are held, as rows beside those of refused lines."""
    with History.open(workspace.history, wait_s=workspace.settings.busy_wait_seconds) as history:
        found: list[dict[str, Any]] = as_json(listed_held(history))
    return found


def shown(workspace: Workspace, quarantine_id: int) -> dict[str, object]:
    """Return one refused line with everything known of it.

    Raises
    ------
    UsageError
        If there is no such line.
    """
    rows = listed(workspace, state="all").filter(pl.col("quarantine_id") == quarantine_id)
    if not rows.height:
        raise UsageError(f"There is no quarantined line {quarantine_id}. See: annealog quarantine list --state all")
    return rows.row(0, named=True)
