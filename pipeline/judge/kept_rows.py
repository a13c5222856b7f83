"""Rows behind results that are kept: fetched from the history and from beside it when somebody looks at them."""

from __future__ import annotations

import contextlib
import hashlib
import logging
import shutil
import weakref
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache, partial
from operator import attrgetter
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.errors import FoundDamaged, HistoryBusy
from pipeline.history.found import FoundStore, damage_told, forget
from pipeline.history.store import History
from pipeline.judge.assessment import BLOCKS_READ, OF_METERS, Kept
from pipeline.judge.cuts import LATE
from pipeline.judge.kept_documents import KeptDocuments, document_of, result_of
from pipeline.judge.marks import NO_MARKS
from pipeline.judge.sums import sums
from pipeline.judge.values.prepare import adjustments_of, prepare, with_file_rank
from pipeline.judge.values.study_runs import split_studies
from pipeline.metrology.block_checks import NUMBERS_OF_A_METER
from pipeline.workspace.program import program
from schemas.look_back import EventResult

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from pipeline.history.chain import Event
    from pipeline.history.found import Behind
    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Settings

__all__ = ["NUMBERS", "OF_LOTS", "Given", "Later", "as_read", "marks_in", "rows_of_lots"]

_log = logging.getLogger(__name__)
_MEANWHILE = "The history, or what is kept beside it, changed meanwhile. What is shown is of before: try again."
_FORMAT = 9
OF_LOTS = ("spot_values", "part_values", "budget_inputs", "bias_at_level")
"""Frames kept by lot."""
NUMBERS = ("check", "run", "before_run", "after_run")


@dataclass(frozen=True, kw_only=True)
class Given:
    """What everything is judged with."""

    history: History
    settings: Settings
    texts: Mapping[str, str]
    tables: Mapping[str, pl.DataFrame]
    as_of: datetime
    sources: pl.DataFrame
    events: list[Event]
    exclusions: pl.DataFrame
    studies: list[str]

    def digest(self) -> str:
        """Return what tells from others all that `scope` and `of_lots` follow from, without reading a table."""
        told = f"{_FORMAT} {program()} {pl.__version__} {self.settings!r} {self.as_of!r} {sorted(self.texts.items())!r}"
        return hashlib.sha256(told.encode()).hexdigest()

    def scope(self) -> str:
        """Return what tells from others all that lets everything be judged anew."""
        shared = sorted((name, sums(table, None)) for name, table in self.tables.items() if "lot" not in table.columns)
        return f"{_FORMAT} {program()} {pl.__version__} {self.settings!r} {shared!r}"

    def of_lots(self) -> pl.DataFrame:
        """Return, by lot, what tells from others all that tables say of it alone: lot, of_tables."""
        told = [
            self._begun(table).select("lot", pl.struct(pl.lit(name), pl.all()).hash().alias("hash"))
            for name, table in self.tables.items()
            if "lot" in table.columns
        ]
        of_lot = (
            pl.concat(told)
            .group_by("lot")
            .agg(pl.len(), (pl.col("hash") // 2**32).sum().alias("high"), (pl.col("hash") % 2**32).sum().alias("low"))
        )
        return of_lot.select("lot", pl.format("{} {} {}", "len", "high", "low").alias("of_tables"))

    def prepared(self, rows: pl.DataFrame, marks: pl.DataFrame | None = None) -> pl.DataFrame:
        """Return the readings of production among some rows, prepared; `marks` of what is not among them."""
        return prepare(
            split_studies(rows, self.tables)[0],
            self.tables,
            self.settings,
            exclusions=self.exclusions,
            as_of=self.as_of,
            sources=self.sources,
            adjustments=adjustments_of(self.events).filter(pl.col("measured_at") <= self.as_of),
            marks=None if marks is None else self.ranked(marks),
        )

    def ranked(self, marks: pl.DataFrame) -> pl.DataFrame:
        """Return marks with the places of their files."""
        return with_file_rank(marks.drop("file_rank"), self.sources).select(NO_MARKS.columns)

    def _begun(self, table: pl.DataFrame) -> pl.DataFrame:
        """Add which days have come: a version began to hold, a certificate fell due."""
        days = [name for name, dtype in table.schema.items() if dtype.is_temporal()]
        return table.with_columns(
            *((pl.col(day) <= self.as_of).alias(f"{day} begun") for day in days),
            *((pl.col(day) + timedelta(days=1) <= self.as_of).alias(f"{day} over") for day in days),
        )


def as_read(frame: pl.DataFrame, schema: Mapping[str, Any]) -> pl.DataFrame:
    """Return rows as the history gives them, text as categories."""
    return frame.select(pl.col(name).cast(dtype) for name, dtype in schema.items())


def marks_in(store: FoundStore, meters: list[str] | None = None, where: Behind | None = None) -> pl.DataFrame:
    """Return the marks of some meters, or of all, where something holds."""
    return store.read("marks", "meter", meters, where=where).select(NO_MARKS.columns).cast(NO_MARKS.schema)


def rows_of_lots(history: History, store: FoundStore, lots: list[str]) -> tuple[pl.DataFrame, pl.DataFrame | None]:
    """Return the part readings of some lots, and of those that contradict theirs, to be prepared with marks of the others.

    Where some are relative, what the meters were set on stands with them.
    """
    involved = history.lots_that_contradict(lots)
    own = history.readings(lots=involved, roles=["part"], categorical=True)
    if not (own["temperature_state"] == "relative").any():
        return own, None
    meters = own["meter"].unique().cast(pl.String).sort().to_list()
    marks = marks_in(store, meters).filter(~pl.col("lot").is_in(involved).fill_null(value=False))
    set_on = as_read(store.read("on_blocks", "meter", meters, role="setting"), own.schema)
    return pl.concat([own, set_on]), marks


class Later:
    """Fetches rows of readings, spots and parts when somebody looks at them: within the judgement, or after it."""

    def __init__(self, given: Given, store: FoundStore) -> None:
        self._given, self._store, self._history = given, store, given.history
        self._beside, self._place = store.beside, store.history
        self._inside = True
        if self._place != given.history.path:  # made for this one alone
            weakref.finalize(self, shutil.rmtree, self._place.parent, ignore_errors=True)
        self._held: tuple[History, FoundStore] | None = None
        self._on_blocks: pl.DataFrame | None = None
        self._noted: dict[str, Any] = {}
        self._anew: Assessment | None = None
        self._source = given.history.last_source_id()

    def leave(self) -> None:
        """From now on history and results are opened anew for each look, and are to be those of now."""
        self._noted, self._inside = self._store.noted(), False

    def ask(self, history: History) -> None:
        """Ask this opened history from now on, for as long as it is open: one process opens it once."""
        self._history, self._on_blocks = history, None

    def _asked(self) -> contextlib.AbstractContextManager[History]:
        still = self._history
        return contextlib.nullcontext(still) if still.is_open() else History.open(self._given.history.path)

    @contextlib.contextmanager
    def _open(self) -> Iterator[tuple[History, FoundStore]]:
        if self._inside:
            yield self._given.history, self._store
            return
        opened = FoundStore.open(self._place, self._beside)
        with self._asked() as history, contextlib.ExitStack() as left:
            with_it, held = history.beside, self._held
            if history.last_source_id() != self._source:
                raise HistoryBusy(_MEANWHILE)
            if held is not None and held[0] is history and held[1].is_open:
                store: FoundStore | None = held[1]
            elif history is self._history and with_it is not None:
                # its file keeps whoever would write the results away: they are opened once with it, which costs 16 ms each time
                store = with_it.enter_context(opened)
                self._held = None if store is None else (history, store)
            else:
                store = left.enter_context(opened)
            if store is None:
                raise FoundDamaged("What was found is kept beside the history no more.")
            left.enter_context(damage_told(self._place))
            if store.noted() != self._noted:
                raise HistoryBusy(_MEANWHILE)
            yield history, store

    def kept(self, judged: frozenset[str]) -> Kept:
        """Return what answers for rows of an assessment, of which some lots were judged for it."""
        columns = cache(lambda names: self.columns_of("lots", list(names)))
        fetched: dict[str, Callable[..., Any]] = {
            "columns_of_lots": lambda names, lots: (
                columns(tuple(names)) if lots is None else self.columns_of("lots", names, of=lots)
            ),
            "document_keys": lambda lots: dict(self.columns_of("lots", ["lot", "document_key"], of=lots).iter_rows()),
            "spot_ranges": lambda lots: self.columns_of("lots", ["lot", "spot_low", "spot_high"], of=lots).rename(
                {"spot_low": "low", "spot_high": "high"}
            ),
            "row_keys": lambda: dict(self.columns_of("lots", ["lot", "row_key"]).iter_rows()),
            **{
                name: getattr(self, name)
                for name in ("first_file", "sensors", "readings_with", "on_blocks", "blocks_read", "files_of_lots")
            },
        }
        ways = {
            name: self._or_anew(fetch, lambda anew, *asked, name=name: getattr(anew, name)(*asked))
            for name, fetch in fetched.items()
        }
        rows_of = self._or_anew(
            self.rows_of, lambda anew, *_: {name: getattr(anew, name) for name in ("readings", *OF_LOTS)}
        )
        aside = self._place != self._given.history.path
        return Kept(judged=judged, aside=aside, ask=self.ask, rows_of=rows_of, **ways)

    def results(self, kind: Any, name: str, as_of: datetime | None = None) -> KeptDocuments[Any]:
        """Return results of lots that are kept as documents, under the name that an assessment has for them."""
        of = attrgetter(name)
        return KeptDocuments(
            kind,
            self._or_anew(lambda: self.columns_of(name, ["lot"])["lot"].to_list(), lambda anew: sorted(of(anew))),
            self._or_anew(
                partial(self.documents, name, "lot"),
                lambda anew, lots: {lot: document_of(of(anew)[lot]) for lot in lots if lot in of(anew)},
            ),
            lambda damage: of(self.anew(damage)),
            as_of,
        )

    def table(self, name: str) -> Callable[[], Any]:
        """Return what fetches a table of an assessment."""
        return self._or_anew(
            partial(self.columns_of, name, None) if name in OF_LOTS else getattr(self, name), attrgetter(name)
        )

    def _or_anew(self, fetch: Callable[..., Any], of: Callable[..., Any]) -> Callable[..., Any]:
        """Return what fetches, or says `of` a judgement from nothing the same where what is kept cannot be read."""

        def fetched(*asked: Any) -> Any:
            try:
                return fetch(*asked)
            except FoundDamaged as damage:
                return of(self.anew(damage), *asked)

        return fetched

    def anew(self, damage: FoundDamaged) -> Assessment:
        """Judge from nothing, once, where what is kept is damaged and the history says what it said; within the judgement it is given up."""
        if self._inside:
            raise damage
        if self._anew is None:
            from pipeline.judge.assess import assess

            _log.warning("%s Everything is judged from nothing.", damage)
            with self._asked() as history:
                if history.last_source_id() != self._source or history.decisions() != self._given.events:
                    raise HistoryBusy(_MEANWHILE)
                with contextlib.suppress(OSError):
                    forget(self._place)
                self._anew = assess(history, self._given.settings, as_of=self._given.as_of)
        return self._anew

    def columns_of(
        self, name: str, columns: list[str] | None, by: str = "lot", of: list[str] | None = None
    ) -> pl.DataFrame:
        """Return a table, or some columns of it, under some names or all."""
        with self._open() as (_, store):
            return store.read(name, by, of, columns)

    def documents(self, name: str, by: str, of: list[str]) -> dict[str, str]:
        """Return documents kept in a table, by name."""
        with self._open() as (_, store):
            return dict(store.read(name, by, of, columns=[by, "document"]).iter_rows())

    def events(self) -> dict[str, EventResult]:
        """Return the events of the look-back in order of time, by name."""
        rows = self.columns_of("events", ["event", "place", "document"], "event").sort("place")
        return {name: result_of(EventResult, name, said) for name, _, said in rows.iter_rows()}

    def of_meters(self, name: str, like: pl.DataFrame) -> Callable[[], pl.DataFrame]:
        """Return what fetches a table kept by meter, numbered as if all meters had been judged together."""

        def fetch() -> pl.DataFrame:
            with self._open() as (_, store):
                frame = store.read(name, "meter")
                if any(column in frame.columns for column in NUMBERS):
                    checked = store.read("checks", columns=["meter"])["meter"].unique().sort().to_list()
                    places = [place * NUMBERS_OF_A_METER for place in range(len(checked))]
                    offset = pl.col("meter").replace_strict(checked, places, default=None, return_dtype=pl.Int64)
                    frame = frame.with_columns(pl.col(one) + offset for one in NUMBERS if one in frame.columns)
            frame, order = frame.select(like.columns).cast(like.schema), OF_METERS[name]
            return frame.sort(order, maintain_order=True) if order else frame

        return self._or_anew(fetch, attrgetter(name))

    def readings(self) -> pl.DataFrame:
        """Return every reading of production, prepared."""
        with self._open() as (history, _):
            rows = history.readings(categorical=True)
        return self._given.prepared(rows)

    def study_readings(self) -> pl.DataFrame:
        """Return the readings of studies as stored."""
        given = self._given
        with self._open() as (history, _):
            rows = history.readings(runs=given.studies, categorical=True)
        return split_studies(rows, given.tables)[1]

    def on_blocks(self, meters: list[str] | None) -> pl.DataFrame:
        """Return the readings of some meters, or of all, on blocks and of settings, prepared."""
        if self._on_blocks is not None:
            return self._on_blocks if meters is None else self._on_blocks.filter(pl.col("meter").is_in(meters))
        with self._open() as (history, store):
            schema = history.readings(meters=[], categorical=True).schema
            rows, marks = as_read(store.read("on_blocks", "meter", meters), schema), marks_in(store, meters)
        found = self._given.prepared(rows, marks)
        if meters is None:
            self._on_blocks = found
        return found

    def blocks_read(self, meters: list[str] | None, between: tuple[datetime, datetime] | None) -> pl.DataFrame:
        """Return what says which checks readings belong to, and from which file they are: those of some meters, within a time."""
        if self._on_blocks is not None:
            rows = self.on_blocks(meters).select(BLOCKS_READ)
            return rows if between is None else rows.filter(pl.col("measured_at").is_between(*between))
        with self._open() as (_, store):
            rows = store.read("on_blocks", "meter", meters, BLOCKS_READ, between=between)
        rows = rows.filter((pl.col("measured_at") <= self._given.as_of) | (pl.col("clock") != "known"))
        return split_studies(rows, self._given.tables)[0]

    def files_of_lots(self) -> pl.DataFrame:
        """Return how many part readings of each lot came from each file."""
        with self._open() as (_, store):
            frame = store.read("files_of_lots", "lot")
        return frame.with_columns(pl.col("lot").replace("", None))

    def rows_of(self, lots: list[str], beside: list[str]) -> dict[str, pl.DataFrame]:
        """Return the readings, parts and inputs of some lots, and the spots of theirs and of others."""
        with self._open() as (history, store):
            spots_of = sorted({*lots, *beside})
            found = {name: store.read(name, "lot", spots_of if name == "spot_values" else lots) for name in OF_LOTS}
            rows, marks = rows_of_lots(history, store, lots)
        return {"readings": self._given.prepared(rows, marks), **found}

    def sensors(self) -> list[str]:
        """Return the temperature sensors that stand on readings of parts."""
        with self._open() as (history, _):
            return history.sensors(self._given.studies)

    def readings_with(self, sensor: str, since: datetime | None) -> pl.DataFrame:
        """Return the readings of parts with a sensor from a moment on, prepared."""
        between = None if since is None else (since, LATE)  # without a clock also behind the moment that is asked about
        with self._open() as (history, _):
            rows = history.readings(sensors=[sensor], roles=["part"], between=between, categorical=True)
        return self._given.prepared(rows)

    def first_file(self, meter: str, role: str, start: datetime, end: datetime) -> int | None:
        """Return the number of the first file with a reading of a meter within a time."""
        with self._open() as (history, _):
            return history.first_file(meter, role, start, end, studies=self._given.studies)
