"""What was found before, carried on by what is new: only what new readings and decisions touch is judged again.

Found results lie beside the history (`history.found`). A meter is touched by new readings of its own, and is computed from all that it
read on blocks and from marks of where the parts stand among them. A lot is touched by new readings of its own, by those of a touched meter
since that one's last reading on a block before the new ones, by another bracket, by other checks before its closing run, and by what
tables and people say of it. What is new otherwise (other tables, settings, the program, exclusions, recorded settings) lets everything be
judged anew, along the same way, some lots at a time. A property test holds that the result is that of a judgement from nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.errors import EnvironmentProblem, HistoryBusy
from pipeline.history.found import FoundStore, forget, hash_of_found
from pipeline.judge.assess import assess, basis_of, meter_results, state_of
from pipeline.judge.assessment import AT_A_GLANCE, Assessment, Basis, Kept, late, spot_ranges
from pipeline.judge.findings import standing_findings
from pipeline.judge.kept_lots import KeptLots, NoResult, document_of, result_of
from pipeline.judge.kept_rows import OF_LOTS, Given, Later, as_read, marks_in, prepared_of_lots
from pipeline.judge.look_back.event_lots import with_events
from pipeline.judge.lots.flags import supplier_levels
from pipeline.judge.lots.lots import lot_results
from pipeline.judge.marks import MARK_COLUMNS, NO_MARKS, marks_of
from pipeline.judge.rows import files_of_lots, row_keys
from pipeline.judge.values.prepare import exclusions_of, with_excluded, with_file_rank
from pipeline.metrology.block_checks import NUMBERS_OF_A_METER
from pipeline.workspace.recorded import recorded_settings, recorded_tables
from schemas.conditions import conditions_of
from schemas.documents import as_bytes
from schemas.results import LotResult, MeterResult

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.history.store import History
    from pipeline.workspace.settings import Settings

__all__ = ["carried_on", "everything", "vouched"]

_LOTS_AT_ONCE = 1_000
"""Lots judged together: what is held at a time does not grow with the history."""
_CHANGE_LITTLE = {
    "load", "held", "held_closed", "verdicts", "kept", "verified", "account", "brought", "layout", "disposition", "baseline", "report",
    "reference", "process_baseline", "discard", "network_history",
}  # fmt: skip
"""Kinds of events that touch no more than the lot, the meter or the files that they name; what tables say is compared by itself."""
_EARLY, _LATE = datetime(1, 1, 2, tzinfo=UTC), datetime(9999, 12, 30, tzinfo=UTC)
_SUPPLIER_LEVEL, _BEHIND_IT = "supplier_level:", "block_overdue:"

_OF_METERS = {
    "checks": ["meter", "at", "check"],
    "runs": ["meter", "first_at", "run"],
    "meter_settings": ["meter", "at"],
    "brackets": ["lot", "meter", "unknown_clock", "first_at", "before_run"],
    "late_baselines": [],
    "part_stream": [],
}
"""Frames kept by meter, with the order in which an assessment has them."""
_NUMBERS = ("check", "run", "before_run", "after_run")


@dataclass(frozen=True, kw_only=True)
class _New:
    """What is to be judged: meters, with the time of their first new reading (None: they read nothing new), and lots."""

    everything: bool
    first: dict[str, datetime | None]
    lots: set[str]
    after: int  # files numbered above are new


def carried_on(
    history: History, settings: Settings, *, as_of: datetime | None = None, keep: bool = False
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
    digest = hash_of_found(history.path)
    if not keep and not digest:
        return None
    if digest != vouched(history):
        if not keep:
            return None
        forget(history.path)  # altered, or left half by whoever was killed
    texts = history.reference_texts()
    settings = recorded_settings(texts, settings)
    tables = recorded_tables(texts, settings)
    sources, events = history.sources(), history.decisions()
    given = Given(
        history=history,
        settings=settings,
        tables=tables,
        as_of=as_of or last,
        sources=sources,
        events=events,
        exclusions=exclusions_of(events, sources),
        studies=tables["studies"]["run"].unique().to_list(),
    )
    try:
        with FoundStore.written(history.path) as store, store.transaction(keep=keep):
            judgement = _Carrying(given, store, keep=keep)
            if judgement.new.everything and not keep:
                return None
            found = judgement.found()
    except (HistoryBusy, EnvironmentProblem):
        if keep:
            raise
        return None  # somebody else has it, or it may not be written
    except NoResult:
        if not keep:
            return None
        forget(history.path)
        return carried_on(history, settings, as_of=as_of, keep=True)
    return found.restated(history_state=state_of(history))


def everything(history: History, settings: Settings, *, as_of: datetime | None) -> Assessment:
    """Assess everything as of a moment: carried on from what is kept where that can be, else from nothing."""
    return carried_on(history, settings, as_of=as_of) or assess(history, settings, as_of=as_of)


def vouched(history: History) -> str:
    """Return the hash of the kept results which the chain of events vouches for; empty where it does for none."""
    last = history.last_of("verdicts")
    return "" if last is None else str(last.subject.get("found", ""))


_LOT_COLUMNS: dict[str, Any] = {
    **AT_A_GLANCE,
    "support": pl.String,
    "last_at": pl.Datetime("us", "UTC"),
    "spot_low": pl.Float64,
    "spot_high": pl.Float64,
    "row_key": pl.String,
    "supplier_level": pl.String,
    "of_tables": pl.String,
    "document": pl.String,
}


def _of_meters(frame: pl.DataFrame) -> pl.DataFrame:
    """Return a frame by meter with numbers that no other meter moves."""
    return frame.with_columns(pl.col(name) % NUMBERS_OF_A_METER for name in _NUMBERS if name in frame.columns)


def _differing(one: pl.DataFrame, other: pl.DataFrame) -> pl.DataFrame:
    """Return the rows that stand in one of two frames alone."""
    told = [
        frame.select(other.columns).cast(other.schema).with_columns(pl.struct(pl.all()).hash().alias("_hash"))
        for frame in (one, other)
    ]
    return pl.concat(mine.join(theirs, on="_hash", how="anti") for mine, theirs in (told, reversed(told))).drop("_hash")


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

    def __init__(self, given: Given, store: FoundStore, *, keep: bool) -> None:
        self.given, self.store, self.keep = given, store, keep
        self.of_lots = given.of_lots()
        self.scope = given.scope()
        self.new = self._new()
        if self.new.everything:
            store.clear()
        self.lots_read = set(given.history.lots_of(self.new.after, given.studies))

    def found(self) -> Assessment:
        """Judge, keep, and return everything."""
        given, new = self.given, self.new
        known = set() if new.everything else set(self.store.read("lots", columns=["lot"])["lot"])
        meters = {} if new.everything else self._kept_meters()
        basis, marks = self._touched_meters()
        in_production = {*meters, *given.history.meters_of(new.after, given.studies)} & set(new.first)
        found_meters = meter_results(basis, sorted(in_production))
        new.lots.update(self.lots_read, () if new.everything else self._changed_around(basis))
        self._keep_meters(basis, found_meters, marks)
        merged = self._merged(basis)
        # by a clock that is not believed, too, whose place says nothing
        contradicted = given.history.lots_that_contradict(new.lots)
        touched = sorted({*new.lots, *contradicted} & (known | self.lots_read))
        # once for nothing, too: then there are tables
        for first in range(0, max(len(touched), new.everything), _LOTS_AT_ONCE):
            self._judge(touched[first : first + _LOTS_AT_ONCE], merged)
        self._compare_suppliers()
        kept = self.store.read("lots", "lot")
        if self.keep:
            sequence, digest = given.history.last_event()
            self.store.note(
                {
                    "scope": self.scope,
                    "event": [sequence, digest],
                    "source": given.history.last_source_id(),
                    "as_of": given.as_of.isoformat(),
                    "pending": sorted(set(basis.new_baselines["meter"])),
                }
            )
        meters |= found_meters
        return self._assessment(merged, kept, {name: meters[name] for name in sorted(meters)}, frozenset(touched))

    # -- what is new --------------------------------------------------------------------------------------------

    def _new(self) -> _New:
        given, noted = self.given, self.store.noted()
        anew = _New(everything=True, first=dict.fromkeys(given.history.all_meters()), lots=set(), after=0)
        if noted.get("scope") != self.scope or (before := datetime.fromisoformat(noted["as_of"])) > given.as_of:
            return anew
        sequence, digest = noted["event"]
        since = given.history.events_after(sequence)
        if given.history.hash_of_event(sequence) != digest or any(event.kind not in _CHANGE_LITTLE for event in since):
            return anew
        new = _New(
            everything=False,
            first=dict(given.history.first_of_meters(noted["source"])),
            lots=set(),
            after=noted["source"],
        )
        if any(event.kind == "baseline" and event.by != "load" for event in since):
            return anew
        for event in since:
            if event.kind in ("baseline", "disposition"):
                new.lots.update([event.subject["lot"]] if "lot" in event.subject else [])
                if "meter" in event.subject:
                    new.first.setdefault(event.subject["meter"], None)
        # what waits for its closing check, and meters whose last run has grown old meanwhile
        runs, brackets = self.store.read("runs", "meter"), self.store.read("brackets", "meter")
        old_at = pl.col("last_at").max() + timedelta(hours=given.settings.check_interval_hours)
        old = runs.group_by("meter").agg(old_at).filter(pl.col("last_at").is_between(before, given.as_of))
        for meter in (
            *brackets.filter(pl.col("support") == "open")["meter"].unique(),
            *old["meter"],
            *noted["pending"],
        ):
            new.first.setdefault(meter, None)
        lots = self.store.read("lots", columns=["lot", "of_tables", "last_at"])
        rows = lots.select("lot", "of_tables", pl.col("last_at").is_null()).iter_rows()
        new.lots.update(lot for lot, said, undated in rows if undated or self.of_lots.get(lot, "") != said)
        return new

    def _kept_meters(self) -> dict[str, MeterResult]:
        rows = self.store.read("meters", columns=["meter", "document"]).iter_rows()
        return {
            meter: replace(result_of(MeterResult, meter, document), as_of=self.given.as_of) for meter, document in rows
        }

    # -- meters -------------------------------------------------------------------------------------------------

    def _touched_meters(self) -> tuple[Basis, pl.DataFrame]:
        """Return what the touched meters are judged from, and the marks of their parts; what they read on blocks is kept."""
        given, new = self.given, self.new
        names = sorted(new.first)
        rows = given.history.readings(roles=["block", "setting"], after=new.after, categorical=True)
        self.store.put("on_blocks", "meter", None, rows)
        nowhere = given.history.parts_without_lot(new.after, given.studies)
        self.store.put("files_of_lots", "lot", None, nowhere.with_columns(pl.lit("").alias("lot")))
        if not new.everything:
            rows = as_read(self.store.read("on_blocks", "meter", names), rows.schema)
        marks = [self._marks(meter, rows.filter(pl.col("meter") == meter)) for meter in names]
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
        )
        return basis, every

    def _marks(self, meter: str, on_blocks: pl.DataFrame) -> pl.DataFrame:
        """Return where the parts of a meter stand; the lots whose readings were looked at for it are to be judged."""
        given, new = self.given, self.new
        first, kept, since = new.first[meter], NO_MARKS, _EARLY
        if not new.everything:
            kept = marks_in(self.store, [meter])
            # from the last reading on a block before the new ones on; at one time the order of the export decides
            earlier = on_blocks.filter((pl.col("clock") == "known") & (pl.col("measured_at") < (first or _EARLY)))
            clear = earlier.join(kept, on="measured_at", how="anti")["measured_at"].max()
            since = _LATE if first is None else clear if isinstance(clear, datetime) else _EARLY
        rows = given.history.readings(meters=[meter], between=(since, _LATE), columns=MARK_COLUMNS, categorical=True)
        new.lots.update(rows["lot"].drop_nulls().unique().cast(pl.String))
        unknown = given.history.readings(meters=[meter], after=new.after, columns=MARK_COLUMNS, categorical=True)
        rows = pl.concat([rows.filter(pl.col("clock") == "known"), unknown.filter(pl.col("clock") != "known")])
        rows = with_file_rank(with_excluded(rows, given.exclusions), given.sources)
        again = marks_of(rows, at_hand=[], studies=given.studies)
        return pl.concat([kept.filter((pl.col("clock") != "known") | (pl.col("measured_at") < since)), again])

    def _changed_around(self, basis: Basis) -> set[str]:
        """Return the lots around which other runs stand than before, or other checks up to their closing run."""
        names = sorted(self.new.first)
        was = {name: self.store.read(name, "meter", names) for name in ("checks", "meter_settings", "brackets")}
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

    def _keep_meters(self, basis: Basis, results: Mapping[str, MeterResult], marks: pl.DataFrame) -> None:
        names = sorted(self.new.first)
        for name in _OF_METERS:
            self.store.put(name, "meter", names, _of_meters(getattr(basis, name)))
        self.store.put("marks", "meter", names, marks)
        rows = [(name, as_bytes(result).decode()) for name, result in results.items()]
        schema = {"meter": pl.String, "document": pl.String}
        self.store.put("meters", "meter", names, pl.DataFrame(rows, schema=schema, orient="row"))

    def _merged(self, basis: Basis) -> Basis:
        """Return the basis with the checks, runs, settings and brackets of all meters, numbered as if judged together."""
        frames = {name: self.store.read(name, "meter") for name in _OF_METERS}
        checked = frames["checks"]["meter"].unique().sort().to_list()
        offset = pl.col("meter").replace_strict(
            checked, [place * NUMBERS_OF_A_METER for place in range(len(checked))], default=None, return_dtype=pl.Int64
        )
        frames = {
            name: frame.with_columns(
                (pl.col(column) + offset).alias(column) for column in _NUMBERS if column in frame.columns
            )
            for name, frame in frames.items()
        }
        for name, order in _OF_METERS.items():
            known = getattr(basis, name)
            frames[name] = frames[name].select(known.columns).cast(known.schema)
            frames[name] = frames[name].sort(order, maintain_order=True) if order else frames[name]
        return basis.restated(**frames)

    # -- lots ---------------------------------------------------------------------------------------------------

    def _judge(self, lots: list[str], basis: Basis) -> None:
        """Judge some lots from their readings, and keep what was found."""
        given = self.given
        prepared = prepared_of_lots(given, given.history, self.store, lots)
        around = basis.brackets.filter(pl.col("lot").is_in(lots))
        found = lot_results(basis.restated(readings=prepared, brackets=around), given.events, lots)
        frames = {name: getattr(found, name) for name in OF_LOTS}
        own = prepared.filter((pl.col("role") == "part") & pl.col("lot").is_in(lots))
        for name, frame in {**frames, "files_of_lots": files_of_lots(own)}.items():
            self.store.put(name, "lot", lots, frame)
        ranges = spot_ranges(found.spot_values).select("lot", "low", "high").iter_rows()
        spots = {lot: (low, high) for lot, low, high in ranges}
        keys = row_keys(
            own, given.exclusions, *(frames[name] for name in ("spot_values", "budget_inputs", "bias_at_level"))
        )
        self._put_lots(
            found.results, {lot: (*spots.get(lot, (None, None)), keys.get(lot, "")) for lot in found.results}
        )

    def _put_lots(
        self, results: Mapping[str, LotResult], rows_of: Mapping[str, tuple[float | None, float | None, str]]
    ) -> None:
        rows = [
            (
                *(getattr(result, name) for name in AT_A_GLANCE),
                result.support,
                result.last_at,
                *rows_of[lot],
                _supplier_level(result),
                self.of_lots.get(lot, ""),
                document_of(result),
            )
            for lot, result in results.items()
        ]
        self.store.put("lots", "lot", list(results), pl.DataFrame(rows, schema=_LOT_COLUMNS, orient="row"))

    def _compare_suppliers(self) -> None:
        """Say of each lot how it lies to the first ones of its supplier: the one thing that other lots decide."""
        names = ["lot", "supplier", "material", "first_at", "mean", "supplier_level"]
        lots = self.store.read("lots", columns=names)
        levels = supplier_levels(lots.filter(pl.col("mean").is_not_null()), self.given.settings)
        others = [lot for lot, said in lots.select("lot", "supplier_level").iter_rows() if levels.get(lot) != said]
        for first in range(0, len(others), _LOTS_AT_ONCE):
            kept = self.store.read("lots", "lot", others[first : first + _LOTS_AT_ONCE])
            rows = {
                lot: tuple(said) for lot, *said in kept.select("lot", "spot_low", "spot_high", "row_key").iter_rows()
            }
            results = KeptLots(dict(kept.select("lot", "document").iter_rows()), self.given.as_of)
            self._put_lots({lot: _with_supplier_level(one, levels.get(lot)) for lot, one in results.items()}, rows)

    # -- the whole ----------------------------------------------------------------------------------------------

    def _assessment(
        self, basis: Basis, lots: pl.DataFrame, meters: dict[str, MeterResult], judged: frozenset[str]
    ) -> Assessment:
        given = self.given
        later = Later(given, self.store)
        found = Assessment(
            **{
                **{field.name: basis.__dict__[field.name] for field in fields(basis)},
                "all_lots": lots.select(*AT_A_GLANCE),
                "readings": late(later.readings),
                "study_readings": later.study_readings(),
            },
            lots=KeptLots(dict(lots.select("lot", "document").iter_rows()), given.as_of),
            meters=meters,
            spot_values=late(later.of_lots("spot_values")),
            part_values=late(later.of_lots("part_values")),
            budget_inputs=late(later.of_lots("budget_inputs")),
            bias_at_level=late(later.of_lots("bias_at_level")),
            kept=Kept(
                judged=judged,
                ask=later.ask,
                spot_ranges=lots.select("lot", pl.col("spot_low").alias("low"), pl.col("spot_high").alias("high")),
                row_keys=dict(lots.select("lot", "row_key").iter_rows()),
                first_file=later.first_file,
                sensors=later.sensors,
                on_blocks=later.on_blocks,
                files_of_lots=later.files_of_lots,
                rows_of=later.rows_of,
            ),
        )
        found = with_events(found, given.events)
        later.leave()
        return found
