"""What is new since what is kept was found: meters and lots that readings, decisions, tables and time reach, or everything."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import polars as pl

from pipeline.judge.cuts import EARLY
from pipeline.judge.passed_days import reached_by_days
from pipeline.judge.values.prepare import actions_of, adjustments_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.history.found import FoundStore
    from pipeline.judge.kept_rows import Given

__all__ = ["New", "what_is_new"]

_CHANGE_LITTLE = {
    "load", "held", "held_closed", "verdicts", "kept", "verified", "account", "brought", "layout", "disposition", "baseline", "report",
    "reference", "process_baseline", "discard", "network_history",
}  # fmt: skip
"""Kinds of events that touch no more than the lot, the meter or the files that they name; what tables say is compared by itself."""
_GROWING_OLD = {"runs": ["meter", "last_at"], "brackets": ["meter", "support", "before_run"]}
_SAY_NOTHING = _CHANGE_LITTLE - {"disposition", "reference", "discard", "network_history"}
"""Kinds of events by which alone the look-back says what it said."""


@dataclass(frozen=True, kw_only=True)
class New:
    """What is to be judged: meters, with the time of their first new reading (None: they read nothing new), and lots."""

    everything: bool
    first: dict[str, datetime | None]
    lots: set[str]
    after: int  # files numbered above are new
    moved: bool = True  # time has passed, or somebody decided something
    decided: bool = True  # somebody decided something
    before: datetime = EARLY  # moment of what is kept
    pending: dict[str, datetime] = field(default_factory=dict)  # of which baselines are to be recorded, from when on
    # meters of which nothing is new but the time: their last run grew old, a day came,
    old: set[str] = field(default_factory=set)
    # or parts wait for a closing check, behind a run of this number
    waiting: dict[str, int] = field(default_factory=dict)

    @property
    def nothing(self) -> bool:
        """Whether what is kept says all there is to say."""
        return not (self.everything or self.moved or self.first or self.lots)


def what_is_new(
    given: Given, store: FoundStore, digest: str, scope: Callable[[], str], of_lots: Callable[[], pl.DataFrame]
) -> New:
    """Return what is new since what is kept was found; its scope and what tables say of lots are asked where another digest was kept."""
    noted = store.noted()

    def anew() -> New:
        return New(everything=True, first=dict.fromkeys(given.history.all_meters()), lots=set(), after=0)

    same = noted.get("digest") == digest
    if not same and (noted.get("scope") != scope() or datetime.fromisoformat(noted["as_of"]) > given.as_of):
        return anew()
    before = datetime.fromisoformat(noted["as_of"])
    sequence, digest = noted["event"]
    since = given.history.events_after(sequence)
    if given.history.hash_of_event(sequence) != digest or any(event.kind not in _CHANGE_LITTLE for event in since):
        return anew()
    decided = any(event.kind not in _SAY_NOTHING for event in since)
    new = New(
        everything=False,
        first=dict(given.history.first_of_meters(noted["source"])),
        lots=set(),
        after=noted["source"],
        moved=given.as_of > before or decided,
        decided=decided,
        before=before,
    )
    if any(event.kind == "baseline" and event.by != "load" for event in since):
        return anew()
    for event in since:
        if event.kind in ("baseline", "disposition"):
            new.lots.update([event.subject["lot"]] if "lot" in event.subject else [])
            if "meter" in event.subject:
                new.first.setdefault(event.subject["meter"], None)
    new.pending.update((meter, datetime.fromisoformat(at)) for meter, at in noted["pending"].items())
    waiting, undated = list(new.pending), pl.lit(False)
    if given.as_of > before:  # what waits for its closing check, and meters whose last run has grown old meanwhile
        runs, brackets = (store.read(name, columns=of) for name, of in _GROWING_OLD.items())
        behind = brackets.filter(pl.col("support") == "open").group_by("meter").agg(pl.col("before_run").min())
        old_at = pl.col("last_at").max() + timedelta(hours=given.settings.check_interval_hours)
        old = runs.group_by("meter").agg(old_at).filter(pl.col("last_at").is_between(before, given.as_of))
        new.old.update(old["meter"])
        new.waiting.update(behind.iter_rows())
        undated = pl.col("last_at").is_null()
        told = (
            frame.select("meter", "measured_at") for frame in (adjustments_of(given.events), actions_of(given.events))
        )
        # what was recorded of a later time than was read
        begun = pl.col("measured_at").is_between(before, given.as_of, closed="right")
        waiting += pl.concat(told).filter(begun)["meter"].unique().to_list()
        reached = reached_by_days(store, given.tables, before=before, as_of=given.as_of)
        if reached is None:
            return anew()
        new.old.update(reached.states)
        waiting += reached.meters
    for meter in waiting:
        new.first.setdefault(meter, None)
    new.old.difference_update(new.first)
    for meter in new.first:
        new.waiting.pop(meter, None)
    if same:
        return new
    lots = store.read("lots", columns=["lot", "of_tables", "last_at"])
    lots = lots.join(of_lots(), on="lot", how="left", suffix="_now")
    said_now = pl.col("of_tables_now").fill_null("")
    new.lots.update(lots.filter(undated | (pl.col("of_tables") != said_now))["lot"])
    return new
