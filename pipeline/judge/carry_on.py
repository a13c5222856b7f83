"""What was found before, carried on by what is new: only what new readings and decisions touch is judged again.

Found results lie beside the history (`history.found`). A meter is touched by new readings of its own, and is computed from all that it
read on blocks since a setting before them (`judge.cuts`), and from marks of where the parts stand among that. A lot is touched by new
readings of its own, by those of a touched meter since that one's last reading on a block before the new ones, by another bracket, by
other checks before its closing run, and by what tables and people say of it. What is new otherwise (other tables, settings, the program, exclusions, recorded settings) lets everything be
judged anew, along the same way, some lots at a time. A property test holds that the result is that of a judgement from nothing.
"""

from __future__ import annotations

import base64
import contextlib
import io
import shutil
import tempfile
from dataclasses import dataclass, field, fields, replace
from datetime import datetime, timedelta
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.errors import EnvironmentProblem, FoundDamaged, HistoryBusy
from pipeline.history.found import FoundStore, forget, hash_of_found
from pipeline.judge.assessment import (
    NARROW,
    OF_METERS,
    Assessment,
    Basis,
    decisions_on_signals,
    late,
    narrow,
    spot_ranges,
)
from pipeline.judge.cuts import AFTER, EARLY, LATE, Cuts, behind_all, cuts_of, no_cuts
from pipeline.judge.findings import standing_findings, state_of
from pipeline.judge.grown_old import OldBrackets, old_brackets, with_states
from pipeline.judge.kept_documents import document_of, key_of, result_of
from pipeline.judge.kept_rows import NUMBERS, OF_LOTS, Given, Later, as_read, marks_in, rows_of_lots
from pipeline.judge.marks import MARK_COLUMNS, NO_MARKS, marks_of
from pipeline.judge.passed_days import reached_by_days
from pipeline.judge.rows import files_of_lots, row_keys
from pipeline.judge.standing import standing_events
from pipeline.judge.values.prepare import (
    actions_of,
    adjustments_of,
    exclusions_of,
    taken_by_hand,
    with_excluded,
    with_file_rank,
)
from pipeline.metrology.block_checks import NUMBERS_OF_A_METER
from pipeline.workspace.recorded import recorded_later
from schemas.conditions import conditions_of
from schemas.documents import as_bytes
from schemas.look_back import CameToLight, EventResult
from schemas.page import PageLink
from schemas.results import LotResult, MeterResult

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from pipeline.history.store import History
    from pipeline.judge.found_events import Found
    from pipeline.workspace.settings import Settings

__all__ = ["anew", "carried_on", "everything", "told_of_found", "vouched"]

_LOTS_AT_ONCE = 1_000
"""Lots judged together: what is held at a time does not grow with the history."""
_CHANGE_LITTLE = {
    "load", "held", "held_closed", "verdicts", "kept", "verified", "account", "brought", "layout", "disposition", "baseline", "report",
    "reference", "process_baseline", "discard", "network_history",
}  # fmt: skip
"""Kinds of events that touch no more than the lot, the meter or the files that they name; what tables say is compared by itself."""
_BLOCKS_AT_ONCE = 5_000
"""Readings on blocks of a meter among which its parts are looked through at a time."""
_TICK = timedelta(microseconds=1)
_SUPPLIER_LEVEL, _BEHIND_IT = "supplier_level:", "block_overdue:"

_SHAPES = (*OF_METERS, "new_baselines")
_GROWING_OLD = {"runs": ["meter", "last_at"], "brackets": ["meter", "support", "before_run"]}
_OF_EVENTS: dict[str, tuple[str, Any]] = {
    "events": ("event", EventResult),
    "events_on_lots": ("lot", tuple[PageLink, ...]),
    "came_to_light": ("lot", tuple[CameToLight, ...]),
}
"""What the look-back says, kept by event and by lot."""
_SAY_NOTHING = _CHANGE_LITTLE - {"disposition", "reference", "discard", "network_history"}
"""Kinds of events by which alone the look-back says what it said."""


@dataclass(frozen=True, kw_only=True)
class _New:
    """What is to be judged: meters, with the time of their first new reading (None: they read nothing new), and lots."""

    everything: bool
    first: dict[str, datetime | None]
    lots: set[str]
    after: int  # files numbered above are new
    moved: bool = True  # time has passed, or somebody decided something
    decided: bool = True  # somebody decided something
    before: datetime = EARLY  # moment of what is kept
    pending: dict[str, datetime] = field(default_factory=dict)  # of which baselines are to be recorded, from when on
    old: set[str] = field(
        default_factory=set
    )  # meters of which nothing is new but the time: their last run grew old, a day came
    waiting: dict[str, int] = field(
        default_factory=dict
    )  # or parts wait for a closing check, behind a run of this number

    @property
    def nothing(self) -> bool:
        """Whether what is kept says all there is to say."""
        return not (self.everything or self.moved or self.first or self.lots)


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
    found = carried_on(history, settings, as_of=as_of, aside=True)
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


_LOT_COLUMNS: dict[str, Any] = {
    **NARROW,
    "spot_low": pl.Float64,
    "spot_high": pl.Float64,
    "row_key": pl.String,
    "supplier_level": pl.String,
    "of_tables": pl.String,
    "document_key": pl.String,
    "document": pl.String,
}


def _of_meters(frame: pl.DataFrame) -> pl.DataFrame:
    """Return a frame by meter with numbers that no other meter moves."""
    return frame.with_columns(pl.col(name) % NUMBERS_OF_A_METER for name in NUMBERS if name in frame.columns)


def _differing(one: pl.DataFrame, other: pl.DataFrame) -> pl.DataFrame:
    """Return the rows that stand in one of two frames alone."""
    told = [
        frame.select(other.columns).cast(other.schema).with_columns(pl.struct(pl.all()).hash().alias("_hash"))
        for frame in (one, other)
    ]
    return pl.concat(mine.join(theirs, on="_hash", how="anti") for mine, theirs in (told, reversed(told))).drop("_hash")


def _shape(frame: pl.DataFrame) -> str:
    """Return the columns of a frame, as text that is kept."""
    told = io.BytesIO()
    frame.clear().write_ipc(told)
    return base64.b64encode(told.getvalue()).decode()


def _of_shape(said: str) -> pl.DataFrame:
    return pl.read_ipc(base64.b64decode(said))


def _events_in(found: Assessment) -> tuple[Found, ...]:
    from pipeline.judge.look_back.events import find_events

    return tuple(find_events(found))


def _supplier_level(result: LotResult) -> str | None:
    return next((flag for flag in result.flags if flag.startswith(_SUPPLIER_LEVEL)), None)


def _with_supplier_level(result: LotResult, said: str | None) -> LotResult:
    """Return a result with another flag on its level, or none, in the place where it stands among the flags."""
    flags = [flag for flag in result.flags if not flag.startswith(_SUPPLIER_LEVEL)]
    behind = [flag for flag in flags if flag.startswith(_BEHIND_IT)]
    flags = [*flags[: len(flags) - len(behind)], *([said] if said else []), *behind]
    return replace(result, flags=tuple(flags), conditions=conditions_of(result.verdict, flags))


class _Carrying:
    """One judgement, and what is kept of it."""

    def __init__(self, given: Given, store: FoundStore) -> None:
        self.given, self.store = given, store
        self.digest = given.digest()
        self.new = self._new()

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
        basis, marks, cuts = self._touched_meters() if touches else (self._untouched(), NO_MARKS, no_cuts([]))
        later = Later(given, store)
        merged = basis.restated(**{name: late(later.of_meters(name, getattr(basis, name))) for name in OF_METERS})
        touched: list[str] = []
        if not nothing:
            in_production = {*meters, *given.history.meters_of(new.after, given.studies)} & set(new.first)
            old = old_brackets(store, new.waiting, basis)
            new.lots.update(lots_read, old.lots, () if new.everything else self._changed_around(basis, cuts))
            self._keep_meters(basis, marks, cuts, old)
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
            suppliers = None if new.everything else self._suppliers(touched)
            # once for nothing, too: then there are tables
            for first in range(0, max(len(touched), new.everything), _LOTS_AT_ONCE):
                self._judge(touched[first : first + _LOTS_AT_ONCE], merged)
                if new.everything and store.beside is None:
                    store.settle()  # left half, nothing vouches for the file, and it is made anew
            self._compare_suppliers(None if suppliers is None else suppliers | self._suppliers(touched))
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
                    "shapes": {name: _shape(getattr(basis, name)) for name in _SHAPES},
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

    # -- what is new --------------------------------------------------------------------------------------------

    def _new(self) -> _New:
        given, noted = self.given, self.store.noted()

        def anew() -> _New:
            return _New(everything=True, first=dict.fromkeys(given.history.all_meters()), lots=set(), after=0)

        same = noted.get("digest") == self.digest
        if not same and (noted.get("scope") != self.scope or datetime.fromisoformat(noted["as_of"]) > given.as_of):
            return anew()
        before = datetime.fromisoformat(noted["as_of"])
        sequence, digest = noted["event"]
        since = given.history.events_after(sequence)
        if given.history.hash_of_event(sequence) != digest or any(event.kind not in _CHANGE_LITTLE for event in since):
            return anew()
        decided = any(event.kind not in _SAY_NOTHING for event in since)
        new = _New(
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
            runs, brackets = (self.store.read(name, columns=of) for name, of in _GROWING_OLD.items())
            behind = brackets.filter(pl.col("support") == "open").group_by("meter").agg(pl.col("before_run").min())
            old_at = pl.col("last_at").max() + timedelta(hours=given.settings.check_interval_hours)
            old = runs.group_by("meter").agg(old_at).filter(pl.col("last_at").is_between(before, given.as_of))
            new.old.update(old["meter"])
            new.waiting.update(behind.iter_rows())
            undated = pl.col("last_at").is_null()
            told = (
                frame.select("meter", "measured_at")
                for frame in (adjustments_of(given.events), actions_of(given.events))
            )
            # what was recorded of a later time than was read
            begun = pl.col("measured_at").is_between(before, given.as_of, closed="right")
            waiting += pl.concat(told).filter(begun)["meter"].unique().to_list()
            reached = reached_by_days(self.store, given.tables, before=before, as_of=given.as_of)
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
        lots = self.store.read("lots", columns=["lot", "of_tables", "last_at"])
        lots = lots.join(self.of_lots, on="lot", how="left", suffix="_now")
        said_now = pl.col("of_tables_now").fill_null("")
        new.lots.update(lots.filter(undated | (pl.col("of_tables") != said_now))["lot"])
        return new

    def _kept_meters(self) -> dict[str, MeterResult]:
        rows = self.store.read("meters", columns=["meter", "document"]).iter_rows()
        return {
            meter: replace(result_of(MeterResult, meter, document), as_of=self.given.as_of) for meter, document in rows
        }

    # -- meters -------------------------------------------------------------------------------------------------

    def _untouched(self) -> Basis:
        """Return what no meter is judged from: of all frames that are kept the columns alone."""
        given = self.given
        nothing = pl.DataFrame()
        return Basis(
            settings=given.settings,
            as_of=given.as_of,
            tables=given.tables,
            readings=nothing,
            study_readings=nothing,
            **{name: _of_shape(said) for name, said in self.store.noted()["shapes"].items()},
            signal_decisions=decisions_on_signals(given.events),
            by_hand=taken_by_hand(given.sources),
            exclusions=given.exclusions,
            actions=actions_of(given.events).filter(pl.col("measured_at") <= given.as_of),
            all_lots=None,
        )

    def _touched_meters(self) -> tuple[Basis, pl.DataFrame, Cuts]:
        """Return what the touched meters are judged from, and the marks of their parts, behind cuts; what they read on blocks is kept."""
        from pipeline.judge.assess import basis_of

        given, new, kept = self.given, self.new, NO_MARKS
        names = sorted(new.first)
        rows = given.history.readings(roles=["block", "setting"], after=new.after, categorical=True)
        cuts = no_cuts(names)
        if names or new.everything:  # else nothing was read
            self.store.put("on_blocks", "meter", None, rows)
            nowhere = given.history.parts_without_lot(new.after, given.studies)
            self.store.put("files_of_lots", "lot", None, nowhere.with_columns(pl.lit("").alias("lot")))
        if names and not new.everything:
            cuts = self._cuts(rows)
            behind = self.store.read(
                "on_blocks", "meter", between=behind_all(cuts.at), where=(AFTER["on_blocks"], cuts.at)
            )
            rows = as_read(behind, rows.schema)
            kept = marks_in(self.store, where=(AFTER["marks"], cuts.at))
        marks = [
            self._marks(meter, *(frame.filter(pl.col("meter") == meter) for frame in (rows, kept))) for meter in names
        ]
        every = pl.concat([NO_MARKS, *marks])
        basis = basis_of(
            rows,
            given.tables,
            given.settings,
            as_of=given.as_of,
            events=given.events,
            sources=given.sources,
            baselines=given.history.baselines().filter(pl.col("meter").is_in(names)),
            marks=given.ranked(every),
            cuts=cuts,
        )
        return basis, every, cuts

    def _cuts(self, new_rows: pl.DataFrame) -> Cuts:
        """Return where the touched meters are cut: before all that is new of them, by a clock that is not believed, too."""
        new = self.new
        limits = {meter: min(at or LATE, new.before + _TICK) for meter, at in new.first.items()}
        read = new_rows.group_by(pl.col("meter").cast(pl.String)).agg(pl.col("measured_at").min()).iter_rows()
        for meter, at in (*read, *new.pending.items()):
            limits[meter] = min(limits[meter], at)
        recorded = adjustments_of(self.given.events).filter(pl.col("measured_at") <= self.given.as_of)
        return cuts_of(self.store, limits, adjustments=recorded, studies=self.given.studies)

    def _marks(self, meter: str, on_blocks: pl.DataFrame, kept: pl.DataFrame) -> pl.DataFrame:
        """Return where the parts of a meter stand; the lots whose readings were looked at for it are to be judged."""
        given, new = self.given, self.new
        first, since, again = new.first[meter], EARLY, list[pl.DataFrame]()
        if not new.everything:
            # from the last reading on a block before the new ones on; at one time the order of the export decides
            earlier = on_blocks.filter((pl.col("clock") == "known") & (pl.col("measured_at") < (first or EARLY)))
            clear = earlier.join(kept, on="measured_at", how="anti")["measured_at"].max()
            since = LATE if first is None else clear if isinstance(clear, datetime) else EARLY
        for first_at, last_at in self._windows(meter, on_blocks, since):
            rows = given.history.readings(
                meters=[meter], between=(first_at, last_at), believed=True, columns=MARK_COLUMNS, categorical=True
            )
            again.append(self._marks_of(rows))
        unknown = given.history.readings(
            meters=[meter], after=new.after, believed=False, columns=MARK_COLUMNS, categorical=True
        )
        again.append(self._marks_of(unknown))
        before = kept.filter((pl.col("clock") != "known") | (pl.col("measured_at") < since))
        return pl.concat([before, *again])

    def _marks_of(self, rows: pl.DataFrame) -> pl.DataFrame:
        given = self.given
        self.new.lots.update(rows["lot"].drop_nulls().unique().cast(pl.String))
        rows = with_file_rank(with_excluded(rows, given.exclusions), given.sources)
        return marks_of(rows, at_hand=[], studies=given.studies)

    def _windows(self, meter: str, on_blocks: pl.DataFrame, since: datetime) -> list[tuple[datetime, datetime]]:
        """Return the time from a moment on in pieces, each begun by a reading on a block beside which no part was read."""
        on_blocks = on_blocks.filter((pl.col("clock") == "known") & (pl.col("measured_at") > since))
        ask = self.given.history.readings
        cuts = [since] + [
            at
            for at in on_blocks["measured_at"].unique().sort().gather_every(_BLOCKS_AT_ONCE, _BLOCKS_AT_ONCE)
            if not ask(meters=[meter], roles=["part"], between=(at, at), columns=["lot"]).height
        ]
        return [(cut, after - _TICK) for cut, after in pairwise([*cuts, LATE + _TICK])]

    def _changed_around(self, basis: Basis, cuts: Cuts) -> set[str]:
        """Return the lots around which other runs stand than before, or other checks up to their closing run."""
        if not self.new.first:
            return set()
        compared = ("checks", "meter_settings", "brackets")
        was = {name: self.store.read(name, "meter", where=(AFTER[name], cuts.at)) for name in compared}
        now = {name: _of_meters(getattr(basis, name)) for name in was}
        lots = set(_differing(was["brackets"], now["brackets"])["lot"])
        checks = _differing(was["checks"], now["checks"])
        moved = pl.concat(
            [
                checks.select("meter", pl.col("first_at").alias("at")),
                _differing(was["meter_settings"], now["meter_settings"]).select("meter", "at"),
            ]
        )
        since = moved.group_by("meter").agg(pl.col("at").min().alias("since"))
        around = now["brackets"].join(since, on="meter", how="left")
        lots |= set(around.filter(pl.max_horizontal("after_at", "last_at") > pl.col("since"))["lot"])
        for side in ("before_run", "after_run"):
            runs = checks.select("meter", pl.col("run").alias(side)).unique()
            lots |= set(around.join(runs, on=["meter", side], how="semi")["lot"])
        return lots | set(around.filter(pl.col("support") == "open")["lot"])

    def _keep_meters(self, basis: Basis, marks: pl.DataFrame, cuts: Cuts, old: OldBrackets) -> None:
        frames = {**{name: _of_meters(getattr(basis, name)) for name in OF_METERS}, "marks": marks}
        for name, frame in frames.items():
            at = cuts.at
            if name == "brackets" and old.at.height:
                at, frame = (
                    pl.concat([at, old.at]),
                    pl.concat([frame, old.rows.select(frame.columns).cast(frame.schema)]),
                )
            if at.height or self.new.everything:
                self.store.put(name, "meter", at["meter"].to_list(), frame, where=(AFTER[name], at))

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

    # -- lots ---------------------------------------------------------------------------------------------------

    def _judge(self, lots: list[str], basis: Basis) -> None:
        """Judge some lots from their readings, and keep what was found."""
        from pipeline.judge.lots.lots import lot_results

        given = self.given
        prepared = given.prepared(*rows_of_lots(given.history, self.store, lots))
        around = basis.brackets.filter(pl.col("lot").is_in(lots))
        found = lot_results(basis.restated(readings=prepared, brackets=around), given.events, lots)
        frames = {name: getattr(found, name) for name in OF_LOTS}
        own = prepared.filter((pl.col("role") == "part") & pl.col("lot").is_in(lots))
        for name, frame in {**frames, "files_of_lots": files_of_lots(own)}.items():
            self.store.put(name, "lot", None if self.new.everything else lots, frame)
        ranges = spot_ranges(found.spot_values).select("lot", "low", "high").iter_rows()
        spots = {lot: (low, high) for lot, low, high in ranges}
        keys = row_keys(
            own, given.exclusions, *(frames[name] for name in ("spot_values", "budget_inputs", "bias_at_level"))
        )
        self._put_lots(
            found.results,
            {lot: (*spots.get(lot, (None, None)), keys.get(lot, "")) for lot in found.results},
            instead=not self.new.everything,
        )

    def _put_lots(
        self,
        results: Mapping[str, LotResult],
        rows_of: Mapping[str, tuple[float | None, float | None, str]],
        *,
        instead: bool = True,
    ) -> None:
        of_tables = dict(self.of_lots.filter(pl.col("lot").is_in(list(results))).iter_rows())
        rows = [
            (
                *narrow(result),
                *rows_of[lot],
                _supplier_level(result),
                of_tables.get(lot, ""),
                key_of(said),
                said,
            )
            for lot, result in results.items()
            for said in [document_of(result)]
        ]
        self.store.put(
            "lots", "lot", list(results) if instead else None, pl.DataFrame(rows, schema=_LOT_COLUMNS, orient="row")
        )

    def _suppliers(self, lots: list[str]) -> set[str]:
        """Return the suppliers of some lots, as they are kept."""
        return set(self.store.read("lots", "lot", lots, columns=["supplier"])["supplier"].drop_nulls())

    def _compare_suppliers(self, suppliers: set[str] | None) -> None:
        """Say of each lot of some suppliers, or of all, how it lies to the first ones of its own: the one thing that other lots decide."""
        if suppliers is not None and not suppliers:
            return
        from pipeline.judge.lots.flags import supplier_levels

        names = ["lot", "supplier", "material", "first_at", "mean", "supplier_level"]
        lots = self.store.read("lots", "supplier", None if suppliers is None else sorted(suppliers), columns=names)
        levels = supplier_levels(lots.filter(pl.col("mean").is_not_null()), self.given.settings)
        others = [lot for lot, said in lots.select("lot", "supplier_level").iter_rows() if levels.get(lot) != said]
        for first in range(0, len(others), _LOTS_AT_ONCE):
            kept = self.store.read("lots", "lot", others[first : first + _LOTS_AT_ONCE])
            rows = {
                lot: tuple(said) for lot, *said in kept.select("lot", "spot_low", "spot_high", "row_key").iter_rows()
            }
            results = {lot: result_of(LotResult, lot, said) for lot, said in kept.select("lot", "document").iter_rows()}
            self._put_lots({lot: _with_supplier_level(one, levels.get(lot)) for lot, one in results.items()}, rows)

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
