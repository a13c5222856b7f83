"""What was found before, carried on by what is new: only what new readings and decisions touch is judged again.

Found results lie beside the history (`history.found`). A meter is touched by new readings of its own, and is computed from all that it
read on blocks since a setting before them (`judge.cuts`), and from marks of where the parts stand among that. A lot is touched by new
readings of its own, by those of a touched meter since that one's last reading on a block before the new ones, by another bracket, by
other checks before its closing run, and by what tables and people say of it. What is new otherwise (other tables, settings, the program, exclusions, recorded settings) lets everything be
judged anew, along the same way, some lots at a time. A property test holds that the result is that of a judgement from nothing.
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
from dataclasses import fields, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.errors import EnvironmentProblem, FoundDamaged, HistoryBusy
from pipeline.history.found import FoundStore, forget, hash_of_found
from pipeline.judge import carried_lots
from pipeline.judge.assessment import (
    OF_METERS,
    Assessment,
    Basis,
    late,
)
from pipeline.judge.carried_lots import CarriedLots
from pipeline.judge.carried_meters import CarriedMeters, shapes_of
from pipeline.judge.cuts import Cuts, no_cuts
from pipeline.judge.findings import standing_findings, state_of
from pipeline.judge.grown_old import OldBrackets, old_brackets, with_states
from pipeline.judge.kept_documents import result_of
from pipeline.judge.kept_rows import OF_LOTS, Given, Later
from pipeline.judge.marks import NO_MARKS
from pipeline.judge.news import what_is_new
from pipeline.judge.standing import standing_events
from pipeline.judge.values.prepare import (
    exclusions_of,
)
from pipeline.workspace.recorded import recorded_later
from schemas.documents import as_bytes
from schemas.look_back import CameToLight, EventResult
from schemas.page import PageLink
from schemas.results import LotResult, MeterResult

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from pipeline.history.store import History
    from pipeline.judge.found_events import Found
    from pipeline.workspace.settings import Settings

__all__ = ["anew", "carried_on", "everything", "told_of_found", "vouched"]


_OF_EVENTS: dict[str, tuple[str, Any]] = {
    "events": ("event", EventResult),
    "events_on_lots": ("lot", tuple[PageLink, ...]),
    "came_to_light": ("lot", tuple[CameToLight, ...]),
}
"""What the look-back says, kept by event and by lot."""


def carried_on(
    history: History, settings: Settings, *, as_of: datetime | None = None, keep: bool = False, aside: bool = False
) -> Assessment | None:
    """Judge what is new, and return everything.

    Parameters
    ----------
    history
        Open; to write, where what is found is to be kept.
    settings
        Used where the history has none.
    as_of
        Moment of the assessment, not before the last reading; None means the last reading.
    keep
        Keep what is found, for the next time.
    aside
        Judge everything anew, and keep it for whoever holds the assessment alone, in a folder that goes with it: from nothing the rows of
        all lots would be at hand at once, 0.9 GB a million readings.

    Returns
    -------
    Assessment or None
        None where nothing can be carried on: nothing was read yet, an earlier moment is asked about, `verify` found that something
        does not agree (which verdicts are withheld is asked of the whole), or, where nothing is to be kept, everything would
        have to be judged anew. Rows of readings, spots and parts are fetched when somebody looks at them.
    """
    last = history.last_measured_at()
    if last is None or (as_of or last) < last or standing_findings(history.path):
        return None
    told = told_of_found(history)
    digest = hash_of_found(history.path, told)
    if not aside and (not digest or digest != told.get("found")):
        if not keep:
            return None
        forget(history.path)  # altered, or left half by whoever was killed
    texts = history.reference_texts()
    settings, tables = recorded_later(texts, settings)
    sources, events = history.sources(), history.decisions()
    given = Given(
        history=history,
        settings=settings,
        texts=texts,
        tables=tables,
        as_of=as_of or last,
        sources=sources,
        events=events,
        exclusions=exclusions_of(events, sources),
        studies=tables["studies"]["run"].unique().to_list(),
    )
    if keep and history.beside is not None:
        history.beside.close()  # what was opened with it to read keeps nobody from writing
    try:
        with contextlib.ExitStack() as left:
            store: FoundStore | None
            if keep:
                store = left.enter_context(FoundStore.written(history.path, wait_s=settings.busy_wait_seconds))
            elif aside:
                store = left.enter_context(_aside(history.path))
            else:
                store = left.enter_context(FoundStore.open(history.path))
            if store is None:
                return None
            if store.beside is None:
                left.enter_context(store.transaction())
            judgement = _Carrying(given, store)
            found = judgement.found() if store.beside is None or not judgement.new.everything else None
    except HistoryBusy:  # somebody reads it for long: what is found is kept the next time; or writes it
        return carried_on(history, settings, as_of=as_of) if keep else None
    except EnvironmentProblem:
        if keep:
            raise
        return None
    except FoundDamaged:  # its hash was remembered, and the disk changed it since
        if aside:
            return None
        with contextlib.suppress(OSError):
            forget(history.path)
        again = keep and digest and not hash_of_found(history.path)
        return carried_on(history, settings, as_of=as_of, keep=True) if again else None
    return None if found is None else found.restated(history_state=state_of(history))


@contextlib.contextmanager
def _aside(history: Path) -> Iterator[FoundStore]:
    """Give a place for what is found of a history that goes with whoever fetches from it.

    Raises
    ------
    EnvironmentProblem
        If no folder can be made for it.
    """
    try:
        folder = tempfile.mkdtemp(prefix="annealog-")
    except OSError as error:
        raise EnvironmentProblem(f"Cannot make a folder for what is found: {error.strerror}.") from None
    try:
        with FoundStore.written(Path(folder, history.name), wait_s=0.0) as store:
            yield store
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise


def everything(history: History, settings: Settings, *, as_of: datetime | None) -> Assessment:
    """Assess everything as of a moment: carried on from what is kept where that can be, else anew."""
    found = carried_on(history, settings, as_of=as_of)
    return anew(history, settings, as_of=as_of) if found is None else found


def anew(history: History, settings: Settings, *, as_of: datetime | None) -> Assessment:
    """Assess everything as of a moment and take nothing for granted that was found before."""
    many = len(history.lots_of(0, [])) > carried_lots.LOTS_AT_ONCE  # few are at hand at once either way, and quicker
    found = carried_on(history, settings, as_of=as_of, aside=True) if many else None
    if found is None:
        from pipeline.judge.assess import assess

        found = assess(history, settings, as_of=as_of)
    return found


def told_of_found(history: History) -> dict[str, Any]:
    """Return what the last event `verdicts` states: of the kept results their hash (found), and the state of the file that had it (seen)."""
    last = history.last_of("verdicts")
    return {} if last is None else last.subject


def vouched(history: History) -> str:
    """Return the hash of the kept results which the chain of events vouches for; empty where it does for none."""
    return str(told_of_found(history).get("found", ""))


def _events_in(found: Assessment) -> tuple[Found, ...]:
    from pipeline.judge.look_back.events import find_events

    return tuple(find_events(found))


class _Carrying:
    """One judgement, and what is kept of it."""

    def __init__(self, given: Given, store: FoundStore) -> None:
        self.given, self.store = given, store
        self.digest = given.digest()
        self.new = what_is_new(given, store, self.digest, lambda: self.scope, lambda: self.of_lots)
        self.meters = CarriedMeters(given, store, self.new)
        self.lots = CarriedLots(given, store, lambda: self.of_lots, everything=self.new.everything)

    @cached_property
    def scope(self) -> str:
        """What tells from others all that lets everything be judged anew."""
        return self.given.scope()

    @cached_property
    def of_lots(self) -> pl.DataFrame:
        """By lot, what tells from others all that tables say of it alone."""
        return self.given.of_lots()

    def found(self) -> Assessment:
        """Judge, keep, and return everything."""
        given, new, store = self.given, self.new, self.store
        if new.everything:
            store.clear()
        lots_read = set(given.history.lots_of(new.after, given.studies))
        nothing = new.nothing and not lots_read
        meters = {} if new.everything else self._kept_meters()
        touches = bool(new.first or new.everything)
        basis, marks, cuts = self.meters.touched() if touches else (self.meters.untouched(), NO_MARKS, no_cuts([]))
        later = Later(given, store)
        merged = basis.restated(**{name: late(later.of_meters(name, getattr(basis, name))) for name in OF_METERS})
        touched: list[str] = []
        if not nothing:
            in_production = {*meters, *given.history.meters_of(new.after, given.studies)} & set(new.first)
            old = old_brackets(store, new.waiting, basis)
            new.lots.update(lots_read, old.lots, () if new.everything else self.meters.changed_around(basis, cuts))
            self.meters.keep(basis, marks, cuts, old)
            found_meters: dict[str, MeterResult] = {}
            if touches:
                from pipeline.judge.assess import meter_results

                found_meters = meter_results(merged, sorted(in_production))
            found_meters |= with_states(store, (new.old | new.waiting.keys()) & meters.keys(), meters, basis)
            # by a clock that is not believed, too, whose place says nothing
            contradicted = given.history.lots_that_contradict(new.lots)
            asked = {*new.lots, *contradicted}
            known = set() if new.everything else set(store.read("lots", "lot", asked, columns=["lot"])["lot"])
            touched = sorted(asked & (known | lots_read))
            suppliers = None if new.everything else self.lots.suppliers(touched)
            # once for nothing, too: then there are tables
            for first in range(0, max(len(touched), new.everything), carried_lots.LOTS_AT_ONCE):
                self.lots.judge(touched[first : first + carried_lots.LOTS_AT_ONCE], merged)
                if new.everything and store.beside is None:
                    store.settle()  # left half, nothing vouches for the file, and it is made anew
            self.lots.compare_suppliers(None if suppliers is None else suppliers | self.lots.suppliers(touched))
            meters |= found_meters
        found = self._assessment(merged, later, {name: meters[name] for name in sorted(meters)}, frozenset(touched))
        if not nothing:
            from pipeline.judge.look_back.event_lots import with_events

            stands = self._standing(found, cuts, old, touched)
            # no check and no run is other than it was
            as_kept = stands is not None and not stands[1] and not new.first
            found = with_events(found, given.events, stands, as_kept=as_kept)
            if store.beside is None:  # whoever only looks has it at hand
                self._keep_events(found, as_kept=as_kept)
        if store.beside is None:
            sequence, digest = given.history.last_event()
            store.note(
                {
                    "scope": self.scope,
                    "digest": self.digest,
                    "shapes": shapes_of(basis),
                    "event": [sequence, digest],
                    "source": given.history.last_source_id(),
                    "as_of": given.as_of.isoformat(),
                    "pending": {
                        meter: first_at.isoformat()
                        for meter, first_at in basis.new_baselines.group_by("meter")
                        .agg(pl.col("first_at").min())
                        .sort("meter")
                        .iter_rows()
                    },
                }
            )
        later.leave()
        return found

    def _kept_meters(self) -> dict[str, MeterResult]:
        rows = self.store.read("meters", columns=["meter", "document"]).iter_rows()
        return {
            meter: replace(result_of(MeterResult, meter, document), as_of=self.given.as_of) for meter, document in rows
        }

    # -- what the look-back says --------------------------------------------------------------------------------

    def _standing(
        self, found: Assessment, cuts: Cuts, old: OldBrackets, lots: list[str]
    ) -> tuple[dict[str, EventResult], list[Found]] | None:
        """Return which events stand as they were found; None where all are looked for, and what was decided since may be of any."""
        if self.new.everything or self.new.decided:
            return None
        rows = self.store.read("events", columns=["event", "document"]).iter_rows()
        kept = {name: result_of(EventResult, name, said) for name, said in rows}
        last_runs = {**dict(cuts.at.select("meter", "run").iter_rows()), **old.last_runs}
        return standing_events(found, kept, last_runs, set(lots))

    def _keep_events(self, found: Assessment, *, as_kept: bool) -> None:
        """Keep what the look-back says, and what it says of each meter; of lots only where that is not as it is kept."""
        told = {
            "meters": ("meter", found.meters),
            **{
                name: (by, getattr(found, name)) for name, (by, _) in _OF_EVENTS.items() if by == "event" or not as_kept
            },
        }
        there = set() if self.new.everything else {*told}
        for name, (by, results) in told.items():
            rows = [(one, place, as_bytes(result).decode()) for place, (one, result) in enumerate(results.items())]
            gone = self.store.read(name, columns=[by])[by].to_list() if name in there else []
            schema = {by: pl.String, "place": pl.Int64, "document": pl.String}
            self.store.put(name, by, gone, pl.DataFrame(rows, schema=schema, orient="row"))

    # -- the whole ----------------------------------------------------------------------------------------------

    def _assessment(
        self, basis: Basis, later: Later, meters: dict[str, MeterResult], judged: frozenset[str]
    ) -> Assessment:
        """Return everything; what is kept is fetched when somebody looks at it."""
        found = Assessment(
            **{
                **{one.name: basis.__dict__[one.name] for one in fields(basis)},
                **{name: late(later.table(name)) for name in ("readings", "study_readings", "events", *OF_LOTS)},
                **{name: later.results(kind, name) for name, (by, kind) in _OF_EVENTS.items() if by == "lot"},
            },
            lots=later.results(LotResult, "lots", self.given.as_of),
            meters=meters,
            kept=later.kept(judged),
        )
        return found.restated(found_events=late(lambda: _events_in(found)))
