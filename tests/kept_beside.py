"""Results that a load kept beside its history, and what follows from nothing: for tests that alter the one and compare."""

from __future__ import annotations

from typing import TYPE_CHECKING

from watching import day
from workspace_files import loaded_once

from pipeline.history.found import hash_of_found
from pipeline.history.store import History
from pipeline.judge.assess import assess
from pipeline.load.load import load
from pipeline.workspace.settings import find_workspace
from schemas.documents import as_json

if TYPE_CHECKING:
    from workspace_files import Shell

    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace

__all__ = ["given", "next_load", "same", "two_days", "vouch_for_it"]


def two_days(shell: Shell) -> Workspace:
    """A workspace of two loaded days, whose results are kept."""
    return find_workspace(shell.become(loaded_once({f"{number}.csv": day(number) for number in (0, 1)})).root)


def next_load(place: Workspace, shell: Shell) -> tuple[Assessment, Assessment]:
    """Return what the load of another day handed on, and what follows from nothing."""
    handed: list[Assessment] = []
    load(place, [shell.put("2.csv", day(2))], assessed=handed.append)
    with History.open(place.history) as history:
        return handed[0], assess(history, place.settings, as_of=None)


def same(one: Assessment, other: Assessment) -> bool:
    names = ("lots", "meters", "events")
    return all(as_json(dict(getattr(one, name))) == as_json(dict(getattr(other, name))) for name in names)


def given(history: History) -> dict[str, str]:
    return dict(history.verdicts_given().select("lot", "verdict").iter_rows())


def vouch_for_it(place: Workspace) -> None:
    """Append what a load appends: whoever alters the results and the chain."""
    with History.open(place.history, write=True) as history, history.transaction():
        kept = {**(history.last_of("verdicts").subject), "found": hash_of_found(place.history)}  # type: ignore[union-attr]
        history.append_event("verdicts", kept, by="load", why="forged")
