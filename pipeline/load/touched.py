"""After a load: what it touched is judged, the verdicts are given, and what was found is vouched for."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.history.content import verdicts_hash
from pipeline.history.found import hash_of_found, seen_of_found
from pipeline.history.store import History
from pipeline.judge.assess import assess
from pipeline.judge.carry_on import carried_on, vouched
from pipeline.judge.findings import findings_state, state_of
from pipeline.load.changes import changes_since, keep_said
from pipeline.load.report import Touched
from pipeline.questions.status import without_decision
from schemas.tables import BASELINE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from datetime import datetime

    from pipeline.history.chain import Event
    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace

__all__ = ["assess_touched"]


def assess_touched(
    workspace: Workspace,
    source_ids: Iterable[int],
    *,
    now: datetime,
    as_of: datetime | None = None,
    refresh: bool = False,
    assessed: Callable[[Assessment], None] | None = None,
) -> Touched:
    """Assess what some files touched; freeze baselines that are due and keep the verdicts given.

    What was stored and not judged, because somebody had the history or the computer stopped, is judged with it.

    Parameters
    ----------
    workspace
        Where they were loaded.
    source_ids
        Numbers of the files.
    now
        Time of the events.
    as_of
        Moment of the assessment; None means the last reading.
    refresh
        Assess even if no file was loaded, because reference tables changed.
    assessed
        Told everything computed as of the last reading, where that still says what the history says afterwards: whoever shows
        it next need not compute it again.

    Returns
    -------
    Touched
    """
    settings = workspace.settings
    ids = set(source_ids)
    with History.open(workspace.history, write=True, wait_s=settings.busy_wait_seconds) as history:
        left = _not_judged(history)
        if not ids and not refresh and not left:
            return Touched()
        ids.update(history.source_ids(event.subject["sha256"] for event in left if event.kind != "reference"))
        damage = findings_state(history.path)
        carried = carried_on(history, settings, keep=True) if as_of is None else None
        found = assess(history, settings, as_of=as_of) if carried is None else carried
        lots, meters = history.lots_and_meters_of(ids)
        changes, said = changes_since(history, found)
        to_give = _to_give(history, found)
        with history.transaction():
            history.add_baselines(found.new_baselines)
            for row in BASELINE.complete(found.new_baselines).iter_rows(named=True):
                history.append_event(
                    "baseline",
                    BASELINE.as_json(row),
                    by="load",
                    why=f"the first {row['checks']} checks since the last setting are complete",
                    at=now,
                )
            kept = vouched(history)
            before = "" if left else verdicts_hash(history)
            history.put_verdicts(to_give)
            digest = verdicts_hash(history)
            now_kept = kept if carried is None else hash_of_found(history.path)
            seen = [] if carried is None else seen_of_found(history.path)
            if left or (digest, now_kept) != (before, kept):
                history.append_event(
                    "verdicts",
                    {"verdicts": digest, "found": now_kept, **({"seen": seen} if seen else {})},
                    by="load",
                    why="what a later change is compared with",
                    at=now,
                )
        history.checkpoint()
        keep_said(history.path, said)
        same = not found.new_baselines.height and findings_state(history.path) == damage
        if assessed is not None and as_of is None and same:
            # the verdicts written meanwhile are a record of what was given; nothing follows from them
            assessed(found.restated(history_state=state_of(history)))
        # while it is open: what is said of lots is read from what is kept beside it
        return Touched(
            {lot: found.lots[lot].verdict for lot in lots if lot in found.lots},
            {meter: found.meters[meter].state for meter in meters if meter in found.meters},
            changes,
            {r.lot: r.conditions for r in without_decision(found.lots[lot] for lot in lots if lot in found.lots)},
        )


def _not_judged(history: History) -> list[Event]:
    """Return what took over readings or tables since verdicts were given last."""
    if history.is_empty():
        return []
    last = history.last_of("verdicts")
    events = history.events_after(0 if last is None else last.sequence)
    return [event for event in events if event.kind in ("load", "replay", "reference")]


def _to_give(history: History, found: Assessment) -> pl.DataFrame:
    """Return the verdicts that are new, or other than those given last: lot, verdict, support, as_of."""
    last = history.verdicts_given().select("lot", "verdict")
    lots = found.columns_of_lots(["lot", "verdict", "support"])
    others = lots.join(last, on=["lot", "verdict"], how="anti")["lot"]
    judged = found.lots if found.kept is None else found.kept.judged
    return lots.filter(pl.col("lot").is_in({*judged, *others})).with_columns(
        pl.lit(found.as_of, pl.Datetime("us", "UTC")).alias("as_of")
    )
