"""What was found of lots and meters, as everybody else reads it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cache
from typing import TYPE_CHECKING, Any, Self, TypeVar, cast

import polars as pl

from pipeline.judge.kept_documents import KeptDocuments, document_of, key_of
from pipeline.judge.rows import files_of_lots, row_keys
from schemas.page import Decision
from schemas.results import LotLine

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from pipeline.history.chain import Event
    from pipeline.history.store import History
    from pipeline.judge.found_events import Found
    from pipeline.workspace.settings import Settings
    from schemas.look_back import CameToLight, EventResult
    from schemas.page import PageLink
    from schemas.results import LotResult, MeterResult

__all__ = [
    "AT_A_GLANCE",
    "BLOCKS_READ",
    "NARROW",
    "OF_METERS",
    "Assessment",
    "Basis",
    "Kept",
    "SignalDecision",
    "decisions_on_signals",
    "late",
    "narrow",
    "spot_ranges",
]


Kind = TypeVar("Kind")

OF_METERS: dict[str, list[str]] = {
    "checks": ["meter", "at", "check"],
    "runs": ["meter", "first_at", "run"],
    "meter_settings": ["meter", "at"],
    "brackets": ["lot", "meter", "unknown_clock", "first_at", "before_run"],
    "late_baselines": [],
    "part_stream": [],
    "unused": [],
}
"""What follows from what meters read on blocks, and from where parts stand between, with the order in which an assessment has it."""


def late(make: Callable[[], Kind]) -> Kind:
    """Give a value of an assessment that is made when somebody looks at it, and then only once."""
    return cast("Kind", cache(make))


class _Late:
    """A value, or what makes it."""

    def __set_name__(self, owner: type, name: str) -> None:
        self._name = name

    def __get__(self, found: Any, owner: type) -> Any:
        value = found.__dict__[self._name]
        if callable(value):
            value = found.__dict__[self._name] = value()
        return value

    def __set__(self, found: Any, value: Any) -> None:
        found.__dict__[self._name] = value


def _may_be_late(*names: str) -> Callable[[type[Kind]], type[Kind]]:
    def change(kind: type[Kind]) -> type[Kind]:
        for name in names:
            place = _Late()
            place.__set_name__(kind, name)
            setattr(kind, name, place)
        return kind

    return change


@_may_be_late("readings", "study_readings", *OF_METERS)
@dataclass(frozen=True, kw_only=True)
class Basis:
    """What lots and meters are judged from at one moment: readings, the checks on them, tables. Frames are sorted by key and time."""

    settings: Settings
    as_of: datetime
    tables: Mapping[str, pl.DataFrame]
    readings: pl.DataFrame
    checks: pl.DataFrame
    runs: pl.DataFrame
    meter_settings: pl.DataFrame
    brackets: pl.DataFrame
    new_baselines: pl.DataFrame
    late_baselines: pl.DataFrame
    part_stream: pl.DataFrame
    unused: pl.DataFrame  # of what was read on blocks, what enters no figure
    signal_decisions: list[SignalDecision]
    by_hand: frozenset[int]
    exclusions: pl.DataFrame
    study_readings: pl.DataFrame  # as stored; they count nowhere else
    actions: pl.DataFrame  # recorded; each ends a run and keeps the baseline
    all_lots: pl.DataFrame | None  # of a part of an assessment: what `lots_at_a_glance` says of the whole

    def restated(self, **changes: Any) -> Self:
        """Return it with other values; what is late stays late."""
        found = object.__new__(type(self))
        found.__dict__.update(self.__dict__ | changes)
        return found


@_may_be_late("spot_values", "part_values", "budget_inputs", "bias_at_level", "found_events", "events")
@dataclass(frozen=True, kw_only=True)
class Assessment(Basis):
    """Everything computed from the history at one moment: what was found of lots and meters, beside what it follows from."""

    lots: Mapping[str, LotResult]
    meters: Mapping[str, MeterResult]
    spot_values: pl.DataFrame
    part_values: pl.DataFrame
    budget_inputs: pl.DataFrame
    bias_at_level: pl.DataFrame
    history_state: str | None = None  # of the history that it follows from, as :func:`state_of` says it
    found_events: tuple[Found, ...] = ()  # of the look-back, in order of time; these four where every lot was asked for
    events: Mapping[str, EventResult] = field(default_factory=dict)  # by the names of their pages
    events_on_lots: Mapping[str, tuple[PageLink, ...]] = field(default_factory=dict)  # that touched a lot
    came_to_light: Mapping[str, tuple[CameToLight, ...]] = field(default_factory=dict)  # since a lot was read
    kept: Kept | None = None  # what answers for rows that are not at hand

    def ask(self, history: History) -> Self:
        """Fetch rows that are not at hand from this opened history while it is open; return the assessment."""
        if self.kept is not None:
            self.kept.ask(history)
        return self

    def held(self) -> Self:
        """Fetch now what pages ask of all lots and meters, while the history stands still; return the assessment."""
        for name in (*OF_METERS, "found_events", "events"):
            getattr(self, name)
        for told in (self.events_on_lots, self.came_to_light):
            list(told.values())
        self.lots_at_a_glance()
        self.on_blocks()
        return self

    def spot_ranges(self, lots: Iterable[str]) -> pl.DataFrame:
        """Return the smallest and the largest spot mean of some lots: lot, low, high."""
        asked = list(lots)
        if self.kept is not None:
            return self.kept.spot_ranges(asked)
        return spot_ranges(self.spot_values.filter(pl.col("lot").is_in(asked)))

    def first_file(self, meter: str, role: str, start: datetime, end: datetime) -> int | None:
        """Return the number of the first file with a reading of a meter in some role within a time, ends included."""
        if self.kept is not None:
            return self.kept.first_file(meter, role, start, end)
        own = (pl.col("meter") == meter) & (pl.col("role") == role)
        sources = self.readings.filter(own & pl.col("measured_at").is_between(start, end))["source_id"]
        return int(sources.min()) if sources.len() else None  # type: ignore[arg-type]

    def on_blocks(self, meters: list[str] | None = None) -> pl.DataFrame:
        """Return the readings of some meters, or of all, on blocks and of settings, prepared."""
        if self.kept is not None:
            return self.kept.on_blocks(meters)
        own = pl.col("role") != "part"
        return self.readings.filter(own if meters is None else own & pl.col("meter").is_in(meters))

    def blocks_read(
        self, meters: list[str] | None = None, between: tuple[datetime, datetime] | None = None
    ) -> pl.DataFrame:
        """Return the columns `BLOCKS_READ` of readings on blocks and of settings: of some meters or all, within a time or ever."""
        if self.kept is not None:
            return self.kept.blocks_read(meters, between)
        own = pl.col("role") != "part"
        own = own if meters is None else own & pl.col("meter").is_in(meters)
        own = own if between is None else own & pl.col("measured_at").is_between(*between)
        return self.readings.filter(own).select(BLOCKS_READ)

    def files_of_lots(self) -> pl.DataFrame:
        """Return how many part readings of each lot came from each file: lot, source_id, n."""
        return files_of_lots(self.readings) if self.kept is None else self.kept.files_of_lots()

    def sensors(self) -> list[str]:
        """Return the temperature sensors that stand on readings of parts."""
        if self.kept is not None:
            return self.kept.sensors()
        return self.readings.filter(pl.col("role") == "part")["sensor"].unique().drop_nulls().cast(pl.String).to_list()

    def readings_with(self, sensor: str, since: datetime | None) -> pl.DataFrame:
        """Return the readings of parts with a temperature sensor from a moment on, prepared; None is from the first."""
        if self.kept is not None:
            return self.kept.readings_with(sensor, since)
        own = self.readings.filter((pl.col("role") == "part") & (pl.col("sensor") == sensor))
        return own if since is None else own.filter(pl.col("measured_at") >= since)

    def row_keys(self) -> dict[str, str]:
        """Return, by lot, what tells its rows from others."""
        if self.kept is not None:
            return self.kept.row_keys()
        rows = (self.spot_values, self.budget_inputs, self.bias_at_level)
        return row_keys(self.readings, self.exclusions, *rows)

    def at_hand(self, lots: Iterable[str], beside: Iterable[str] = ()) -> Assessment:
        """Return it with the readings and parts of some lots at hand, and the spots of theirs and of those beside; others may be lacking."""
        if self.kept is None:
            return self
        asked = list(lots)
        self.bring(asked)
        return self.restated(**self.kept.rows_of(asked, list(beside)))

    def lots_at_a_glance(self) -> pl.DataFrame:
        """Return what other lots ask of a lot, by lot: lot, verdict, product, supplier, specification, material, mean, first_at."""
        return self.columns_of_lots(AT_A_GLANCE) if self.all_lots is None else self.all_lots

    def columns_of_lots(self, names: Iterable[str], lots: Iterable[str] | None = None) -> pl.DataFrame:
        """Return some of the columns of `NARROW`, one row a lot, by name; of some lots or of all."""
        schema, asked = {name: NARROW[name] for name in names}, None if lots is None else sorted(lots)
        if self.kept is not None:
            return self.kept.columns_of_lots(list(schema), asked)
        of = sorted(self.lots) if asked is None else [lot for lot in asked if lot in self.lots]
        return pl.DataFrame([narrow(self.lots[lot], schema) for lot in of], schema=schema, orient="row")

    def lines(self) -> tuple[LotResult, ...]:
        """Return the lots by name, at a glance: a result becomes whole when more is asked of it."""
        if self.kept is None:
            return tuple(self.lots[lot] for lot in sorted(self.lots))
        rows = self.columns_of_lots(["lot", "verdict", "support", "conditions", "last_at", "readings"]).iter_rows()
        return tuple(
            cast(
                "LotResult",
                LotLine(lot, verdict, support, tuple(said.split(", ")) if said else (), last_at, readings, self.lots),
            )
            for lot, verdict, support, said, last_at, readings in rows
        )

    def bring(self, lots: Iterable[str]) -> None:
        """Look up together what is said of lots, whose results are made when somebody asks for them."""
        if isinstance(self.lots, KeptDocuments):
            self.lots.bring(lots)

    def results(self, lots: Iterable[str]) -> list[LotResult]:
        """Return the results of some lots, looked up together."""
        asked = list(lots)
        self.bring(asked)
        return [self.lots[lot] for lot in asked]

    def document_keys(self, lots: Iterable[str] | None = None) -> dict[str, str]:
        """Return, by lot, what tells its result from others, whatever the moment of the assessment: of some lots, or of all."""
        asked = None if lots is None else list(lots)
        if self.kept is not None:
            return self.kept.document_keys(asked)
        return {lot: key_of(document_of(self.lots[lot])) for lot in (self.lots if asked is None else asked)}


def spot_ranges(spot_values: pl.DataFrame) -> pl.DataFrame:
    """Return the smallest and the largest spot mean of each lot: lot, low, high."""
    if not spot_values.height:
        return pl.DataFrame(schema={"lot": pl.String, "low": pl.Float64, "high": pl.Float64})
    return spot_values.group_by("lot").agg(pl.col("mean").min().alias("low"), pl.col("mean").max().alias("high"))


@dataclass(frozen=True, kw_only=True)
class Kept:
    """What answers for the rows of an assessment that was carried on, and which lots were judged anew for it."""

    judged: frozenset[str]
    aside: bool  # nobody else finds it: it is kept for this assessment alone
    ask: Callable[[History], None]
    columns_of_lots: Callable[[list[str], list[str] | None], pl.DataFrame]
    document_keys: Callable[[list[str] | None], dict[str, str]]
    spot_ranges: Callable[[list[str]], pl.DataFrame]
    row_keys: Callable[[], dict[str, str]]
    first_file: Callable[[str, str, datetime, datetime], int | None]
    sensors: Callable[[], list[str]]
    readings_with: Callable[[str, datetime | None], pl.DataFrame]
    on_blocks: Callable[[list[str] | None], pl.DataFrame]
    blocks_read: Callable[[list[str] | None, tuple[datetime, datetime] | None], pl.DataFrame]
    files_of_lots: Callable[[], pl.DataFrame]
    rows_of: Callable[[list[str], list[str]], dict[str, pl.DataFrame]]


BLOCKS_READ = ["meter", "probe", "frequency_khz", "block", "measured_at", "source_id", "role", "run", "clock"]
"""What says which check a reading belongs to, from which file it is, and whether it counts."""
AT_A_GLANCE: dict[str, Any] = {
    "lot": pl.String,
    "verdict": pl.String,
    "product": pl.String,
    "supplier": pl.String,
    "specification": pl.String,
    "material": pl.String,
    "mean": pl.Float64,
    "first_at": pl.Datetime("us", "UTC"),
}
NARROW: dict[str, Any] = {
    **AT_A_GLANCE,
    "support": pl.String,
    "conditions": pl.String,  # joined by a comma
    "reasons": pl.String,  # one a line, the deciding one first
    "meters": pl.String,  # joined by a space
    "flags": pl.String,  # one a line
    "disposition": pl.String,  # the last one that somebody recorded
    "conforms_by": pl.String,
    "last_at": pl.Datetime("us", "UTC"),
    "readings": pl.Int64,
    "parts": pl.Int64,
    **dict.fromkeys(("standard_deviation", "minimum", "maximum", "lower", "upper"), pl.Float64),
    **dict.fromkeys(("expanded_uncertainty", "coverage_factor", "cpk", "ppk"), pl.Float64),
}
"""What is asked of all lots at once, as columns: a result takes as long to be made as hundreds of them."""


_IN_WORDS: dict[str, Callable[[LotResult], Any]] = {
    "conditions": lambda lot: ", ".join(lot.conditions),
    "reasons": lambda lot: "\n".join(lot.reasons) or None,
    "meters": lambda lot: " ".join(lot.meters),
    "flags": lambda lot: "\n".join(lot.flags),
    "disposition": lambda lot: lot.dispositions[-1].decision if lot.dispositions else None,
}


def narrow(result: LotResult, names: Iterable[str] = NARROW) -> list[Any]:
    """Return the values of some columns of `NARROW`."""
    return [_IN_WORDS[name](result) if name in _IN_WORDS else getattr(result, name) for name in names]


@dataclass(frozen=True, slots=True)
class SignalDecision:
    """A disposition of signals: of one meter, of one block or all, of one moment or of all up to its record.

    One of an event of the look-back speaks of the checks of its `span`.
    """

    meter: str
    block: str | None
    at: datetime | None
    decision: Decision
    span: tuple[datetime, datetime] | None = None

    def fits(self, check: dict[str, Any]) -> bool:
        """Whether it is about this check; a time fits to the minute."""
        if self.meter != check["meter"] or self.block not in (None, check["block"]):
            return False
        minute = timedelta(minutes=1)
        if self.span is not None:
            return bool(self.span[0] <= check["at"] <= self.span[1])
        if self.at is None:
            return bool(check["at"] <= self.decision.at)
        return bool(check["first_at"] - minute < self.at < check["at"] + minute)


def decisions_on_signals(events: Iterable[Event]) -> list[SignalDecision]:
    """Return the dispositions of signals."""
    found = []
    for event in events:
        if event.kind == "disposition" and "meter" in event.subject:
            at, span = event.subject.get("at"), event.subject.get("checks")
            found.append(
                SignalDecision(
                    event.subject["meter"],
                    event.subject.get("block"),
                    datetime.fromisoformat(at) if at else None,
                    Decision(event.at, event.by, event.subject["decision"], event.why, event.signed_as),
                    (datetime.fromisoformat(span[0]), datetime.fromisoformat(span[1])) if span else None,
                )
            )
    return found
