"""Is what is kept beside the history what would be computed now: the snapshot's tables and state, and answers of commands."""

from __future__ import annotations

import contextlib
import hashlib
from datetime import datetime
from typing import TYPE_CHECKING, Any

from pipeline import stop
from pipeline.errors import IntegrityProblem
from pipeline.history.found import FoundStore, forget, hash_of_found
from pipeline.history.snapshot import Snapshot, withdraw_snapshot
from pipeline.judge.assess import assess
from pipeline.judge.carry_on import carried_on
from pipeline.kept.answers import answer_of, withdraw
from pipeline.kept.snapshot import said_now, status_said
from pipeline.pages.lots_and_meters import lot_pages, meter_pages
from pipeline.workspace.program import program
from schemas.documents import as_bytes, as_json

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from pipeline.history.store import History
    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace

__all__ = ["SAMPLE", "verify_computed"]

SAMPLE = 20
"""So many lots, and so many meters, are computed again where nobody asks for all."""

_TOLD = (
    ("lot", "lots"),
    ("meter", "meters"),
    ("event", "events"),
    ("lot", "events_on_lots"),
    ("lot", "came_to_light"),
)
"""What is kept of results, and under whose names."""


def verify_computed(workspace: Workspace, history: History, *, every: bool) -> Iterator[str]:
    """Compute again what is kept and would be believed now; say what differs, and let it be believed no more.

    Parameters
    ----------
    workspace
        Whose snapshot and answers.
    history
        Open, and found whole.
    every
        The answers on all lots and meters, not those of a sample.

    Yields
    ------
    str
        Sentences.
    """
    if history.last_measured_at() is None:
        return
    snapshot = Snapshot.up_to_date(workspace.history)
    kept = None if snapshot is None else snapshot.document("status")
    of_program = kept is not None and kept.get("program") == program()
    found = assess(history, workspace.settings, as_of=None)
    different = list(_of_results(history, workspace, found))
    if different:
        with contextlib.suppress(OSError):
            forget(history.path)
    yield from different
    different = []
    if snapshot is not None and of_program:
        different = list(_of_snapshot(workspace, history, snapshot, found))
        if different:
            with contextlib.suppress(OSError):
                withdraw_snapshot(workspace.history)
    yield from different
    different = list(_of_answers(workspace, history, found, every=every))
    if different:
        with contextlib.suppress(OSError):
            withdraw(workspace)
    yield from different


def _of_results(history: History, workspace: Workspace, found: Assessment) -> Iterator[str]:
    """Compare the results that the next load would carry on with those of a judgement from nothing."""
    believed = hash_of_found(history.path)
    carried = carried_on(history, workspace.settings)
    for kind, of in _TOLD if carried is not None else ():
        kept, anew = getattr(carried, of), getattr(found, of)
        other = [name for name in sorted({*kept, *anew}) if not _same(kept, anew, name)]
        if other:
            yield (
                f"The results kept of {kind} {', '.join(other[:5])}{' and others' if len(other) > 5 else ''} are not what follows from "
                "the record. They are taken away, and the next load judges everything anew."
            )
    with FoundStore.open(history.path) as store:
        lost = carried is not None and store is not None and not store.apart.whole()
    if lost:
        with contextlib.suppress(OSError):
            forget(history.path)
    if lost or hash_of_found(history.path) != believed:
        yield (
            "The results kept beside the history cannot be read, and are not what follows from the record. They were taken away, and "
            "the next load judges everything anew."
        )


def _same(kept: Mapping[str, Any], anew: Mapping[str, Any], name: str) -> bool:
    return name in kept and name in anew and bool(as_bytes(kept[name]) == as_bytes(anew[name]))


def _of_snapshot(workspace: Workspace, history: History, snapshot: Snapshot, found: Assessment) -> Iterator[str]:
    anew = "It is taken away, and no verdict rests on it. Take a new one: annealog snapshot"
    try:
        said = said_now(snapshot)
        moment = datetime.fromisoformat(said["from"])
        now = found if moment == found.as_of else assess(history, workspace.settings, as_of=moment)
        if as_json(status_said(workspace, history, now)["status"]) != said["status"]:
            yield f"The state of meters and lots in the snapshot is not what follows from the record. {anew}"
    except (IntegrityProblem, KeyError) as error:
        yield f"{error} {anew}"


def _of_answers(workspace: Workspace, history: History, found: Assessment, *, every: bool) -> Iterator[str]:
    sources = history.sources()
    for kind, names, pages in (("lot", found.lots, lot_pages), ("meter", found.meters, meter_pages)):
        kept = [name for name in names if answer_of(workspace, kind, name) is not None]
        chosen = kept if every else sorted(kept, key=_drawn)[:SAMPLE]
        make: Any = pages
        for page in make(workspace, found, sources, chosen):
            stop.look()
            name = page.link.identifier
            answer = answer_of(workspace, kind, name)
            if answer is not None and answer.document != as_json(page.answer):
                yield (
                    f"The answer kept on {kind} {name} is not what follows from the record. What is kept is taken away, and no "
                    "verdict rests on it. Write it anew: annealog render"
                )


def _drawn(name: str) -> str:
    """Return a place that nothing in the name decides."""
    return hashlib.sha256(name.encode()).hexdigest()
