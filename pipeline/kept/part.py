"""The part of an assessment that one page shows, put together from what a snapshot keeps, without computing the rest.

A snapshot keeps what was found of checks, brackets, spots, parts, lots and meters, in pieces by lot or by meter. The readings
themselves come from the history, and only they are prepared again. Whoever asks for a part gets none where something beyond
it could matter, and computes the whole.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

import orjson
import polars as pl

from pipeline.errors import HistoryBusy, IntegrityProblem
from pipeline.history.publish import Computed
from pipeline.history.snapshot import Snapshot
from pipeline.history.store import History
from pipeline.judge.assess import taken_by_hand
from pipeline.judge.assessment import Assessment, decisions_on_signals
from pipeline.judge.values.prepare import actions_of, adjustments_of, exclusions_of, prepare
from pipeline.judge.values.study_runs import split_studies
from pipeline.questions.lot_detail.detail import earlier_lots
from pipeline.workspace.program import program
from pipeline.workspace.recorded import recorded_settings
from pipeline.workspace.texts import changed_texts, hashes, hashes_of_texts
from schemas.documents import from_json
from schemas.look_back import CameToLight
from schemas.page import PageLink
from schemas.results import LotResult, MeterResult

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from pipeline.workspace.settings import Workspace

__all__ = ["Part", "computed_document", "computed_tables", "part_of_lot", "part_of_meter"]


def computed_document(assessment: Assessment) -> dict[str, Any]:
    """Return what a snapshot keeps of an assessment beside its tables."""
    return {"as_of": assessment.as_of.isoformat(), "program": program()}


def computed_tables(assessment: Assessment) -> dict[str, Computed]:
    """Return the tables that a snapshot keeps of an assessment."""
    touched = [
        {"lot": lot, "event": link.identifier, "title": link.title, "sentence": link.sentence, "fired_at": link.at}
        for lot, links in assessment.events_on_lots.items()
        for link in links
    ]
    found = {
        "checks": Computed(assessment.checks, "meter"),
        "runs": Computed(assessment.runs, "meter"),
        "settings": Computed(assessment.meter_settings, "meter"),
        "brackets-of-lots": Computed(assessment.brackets, "lot"),
        "brackets-of-meters": Computed(assessment.brackets, "meter"),
        "spots": Computed(assessment.spot_values, "lot"),
        "parts": Computed(assessment.part_values, "lot"),
        "budgets": Computed(assessment.budget_inputs, "lot"),
        "bias": Computed(assessment.bias_at_level, "lot"),
        "events": Computed(pl.DataFrame(touched, schema=_TOUCHED), "lot"),
        "light": Computed(_documents("lot", assessment.came_to_light), "lot", _DOCUMENTS),
        "lots": Computed(_documents("lot", assessment.lots), "lot", _DOCUMENTS),
        "meters": Computed(_documents("meter", assessment.meters), "meter", _DOCUMENTS),
        "glance": Computed(assessment.lots_at_a_glance(), None),
        **{f"{_TABLE}{name}": Computed(table, None) for name, table in assessment.tables.items()},
    }
    # a frame without columns says that nothing was computed
    return {name: one for name, one in found.items() if one.frame.width}


_DOCUMENTS = 2_000
"""Results that lie in one file: each is a few thousand characters."""
_TABLE = "table-"
_TOUCHED: dict[str, Any] = {
    "lot": pl.String,
    "event": pl.String,
    "title": pl.String,
    "sentence": pl.String,
    "fired_at": pl.Datetime("us", "UTC"),
}


def _documents(key: str, results: Mapping[str, Any]) -> pl.DataFrame:
    rows = [(name, orjson.dumps(result).decode()) for name, result in results.items()]
    return pl.DataFrame(rows, schema={key: pl.String, "document": pl.String}, orient="row")


class _Kept:
    """A snapshot that holds now, and the open history with its tables, settings, files and events."""

    def __init__(self, snapshot: Snapshot, history: History, workspace: Workspace, as_of: datetime) -> None:
        self.snapshot = snapshot
        self.history = history
        self.as_of = as_of
        texts = history.reference_texts()
        self.taken_over = hashes(texts)
        self.settings = recorded_settings(texts, workspace.settings)
        # parsed already: thousands of lots take longer to read as text than everything else
        self.tables = {
            name.removeprefix(_TABLE): snapshot.computed(name)
            for name in snapshot.manifest["computed"]
            if name.startswith(_TABLE)
        }
        self.sources = history.sources()
        self.events = history.decisions()

    def read(self, name: str, wanted: Iterable[str]) -> pl.DataFrame:
        """Return a computed table of some lots or meters; a frame without columns where there is none."""
        if name not in self.snapshot.manifest["computed"]:
            return pl.DataFrame()
        return self.snapshot.computed(name, wanted)

    def result(self, name: str, kind: Any, key: str) -> Any:
        """Return what was said of a lot or a meter; None where nothing was."""
        rows = self.read(name, [key])
        return from_json(kind, orjson.loads(rows["document"][0])) if rows.height else None

    def prepared(self, readings: pl.DataFrame) -> pl.DataFrame | None:
        """Return readings with their values at the reference temperature; None where one rests on a setting before it."""
        readings, _ = split_studies(readings, self.tables)
        if (readings["temperature_state"] == "relative").any():
            return None
        return prepare(
            readings,
            self.tables,
            self.settings,
            exclusions=exclusions_of(self.events, self.sources),
            as_of=self.as_of,
            sources=self.sources,
            adjustments=adjustments_of(self.events),
        )

    def part(self, readings: pl.DataFrame, of_meters: list[str], **given: Any) -> Assessment:
        """Return the part of the assessment that concerns some meters."""
        nothing = pl.DataFrame()
        return Assessment(
            settings=self.settings,
            as_of=self.as_of,
            tables=self.tables,
            readings=readings,
            checks=self.read("checks", of_meters),
            runs=self.read("runs", of_meters),
            meter_settings=self.read("settings", of_meters),
            new_baselines=nothing,
            late_baselines=nothing,
            part_stream=nothing,
            signal_decisions=decisions_on_signals(self.events),
            actions=actions_of(self.events).filter(pl.col("measured_at") <= self.as_of),
            by_hand=taken_by_hand(self.sources),
            all_lots=self.snapshot.computed("glance"),
            **given,
        )


@dataclass(frozen=True, slots=True)
class Part:
    """Part of an assessment and the ledger of files; of the reference texts the hashes, and which were edited since."""

    assessment: Assessment
    sources: pl.DataFrame
    taken_over: dict[str, str]
    not_taken_over: list[str]


def _with_kept(workspace: Workspace, ask: Callable[[_Kept], Assessment | None]) -> Part | None:
    """Let something ask what is kept, where the snapshot holds and the history can be read beside it."""
    snapshot = Snapshot.up_to_date(workspace.history)
    if snapshot is None:
        return None
    try:
        kept = snapshot.document("computed")
        if kept is None or kept.get("program") != program():
            return None
        with History.open(workspace.history, wait_s=_PATIENCE_S, snapshot=False) as history:
            if not snapshot.fresh(workspace.history):
                return None
            said = _Kept(snapshot, history, workspace, datetime.fromisoformat(kept["as_of"]))
            found = ask(said)
            edited = changed_texts(hashes_of_texts(workspace), said.taken_over)
            return None if found is None else Part(found, said.sources, said.taken_over, edited)
    except (HistoryBusy, IntegrityProblem):
        return None  # the whole is computed, and says what is wrong


_PATIENCE_S = 0.2


def part_of_lot(workspace: Workspace, lot: str) -> Part | None:
    """Return what the page of a lot needs, as of the last reading.

    Parameters
    ----------
    workspace
        A workspace.
    lot
        The lot.

    Returns
    -------
    Part or None
        None where no snapshot holds, where the lot was not read, or where readings elsewhere decide:
        relative readings, contradicting exports, readings that were left out.
    """

    def ask(kept: _Kept) -> Assessment | None:
        result = kept.result("lots", LotResult, lot)
        if result is None or kept.history.conflicting([lot]):
            return None
        own = kept.history.readings(lots=[lot], roles=["part"], categorical=True)
        brackets = kept.read("brackets-of-lots", [lot])
        meters = sorted({*own["meter"].cast(pl.String).to_list(), *brackets["meter"].to_list()})
        runs = pl.concat([brackets["before_run"], brackets["after_run"]]).drop_nulls()
        part = kept.part(
            own,
            meters,
            brackets=brackets,
            lots={lot: result},
            part_values=kept.read("parts", [lot]),
            budget_inputs=kept.read("budgets", [lot]),
            bias_at_level=kept.read("bias", [lot]),
            events_on_lots={lot: _links(kept.read("events", [lot]))},
            came_to_light={lot: kept.result("light", tuple[CameToLight, ...], lot) or ()},
        )
        around = part.checks.filter(pl.col("run").is_in(runs.to_list()))
        if around.height:
            span = (around["first_at"].min(), around["at"].max())
            on_blocks = kept.history.readings(meters=meters, roles=["block"], between=span, categorical=True)  # type: ignore[arg-type]
            own = pl.concat([own, on_blocks])
        prepared = kept.prepared(own)
        if prepared is None or prepared.filter((pl.col("lot") == lot) & pl.col("excluded")).height:
            return None
        behind = earlier_lots(part.lots_at_a_glance(), [lot])[lot]
        spots = kept.read("spots", behind)
        return replace(part, readings=prepared, spot_values=spots)

    return _with_kept(workspace, ask)


def part_of_meter(workspace: Workspace, meter: str) -> Part | None:
    """Return what the page of a meter needs, as of the last reading.

    Parameters
    ----------
    workspace
        A workspace.
    meter
        The meter.

    Returns
    -------
    Part or None
        None where no snapshot holds, where the meter read nothing, or where it reads relative.
    """

    def ask(kept: _Kept) -> Assessment | None:
        result = kept.result("meters", MeterResult, meter)
        if result is None:
            return None
        own = kept.history.readings(meters=[meter], roles=["block", "setting"], categorical=True)
        prepared = kept.prepared(own)
        if prepared is None:
            return None
        brackets = kept.read("brackets-of-meters", [meter])
        return kept.part(prepared, [meter], brackets=brackets, meters={meter: result})

    return _with_kept(workspace, ask)


def _links(rows: pl.DataFrame) -> tuple[PageLink, ...]:
    return tuple(
        PageLink("event", row["event"], row["title"], None, row["sentence"], row["fired_at"])
        for row in rows.iter_rows(named=True)
    )
