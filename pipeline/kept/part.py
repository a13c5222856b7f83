"""The part of an assessment that one page shows: computed from the readings concerned, beside what a snapshot says of all lots.

A snapshot keeps a line of each lot, what look-back events say of it, and what they say of each meter: all that a lot or meter has to
do with others. Everything else follows from its own readings and the checks of its meters (:func:`pipeline.judge.assess.assess`).
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
from pipeline.judge.assess import assess
from pipeline.judge.findings import standing_findings
from pipeline.questions.lot_detail.detail import earlier_lots
from pipeline.workspace.program import program
from pipeline.workspace.recorded import recorded_settings
from pipeline.workspace.texts import changed_texts, hashes, hashes_of_texts
from schemas.documents import as_bytes, from_json
from schemas.look_back import CameToLight, EventGlance
from schemas.page import PageLink

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace

__all__ = ["Part", "computed_document", "computed_tables", "part_of_lot", "part_of_meter"]

_DOCUMENTS = 2_000
"""Results that lie in one file: each is a few thousand characters."""
_TABLE = "table-"


def computed_document(assessment: Assessment) -> dict[str, Any]:
    """Return what a snapshot keeps of an assessment beside its tables."""
    return {"as_of": assessment.as_of.isoformat(), "program": program()}


def computed_tables(assessment: Assessment) -> dict[str, Computed]:
    """Return the tables that a snapshot keeps of an assessment."""
    told = {
        "links": ("lot", assessment.events_on_lots),
        "light": ("lot", assessment.came_to_light),
        "events": ("meter", {name: meter.events for name, meter in assessment.meters.items()}),
    }
    return {
        **{name: Computed(_documents(key, results), key, _DOCUMENTS) for name, (key, results) in told.items()},
        "glance": Computed(assessment.lots_at_a_glance(), None),
        # parsed already: thousands of lots take longer to read as text than everything else
        **{f"{_TABLE}{name}": Computed(table, None) for name, table in assessment.tables.items()},
    }


def _documents(key: str, results: Mapping[str, Any]) -> pl.DataFrame:
    rows = [(name, as_bytes(result).decode()) for name, result in results.items()]
    return pl.DataFrame(rows, schema={key: pl.String, "document": pl.String}, orient="row")


class _Kept:
    """A snapshot that holds now, and the open history with its tables, settings and files."""

    def __init__(self, snapshot: Snapshot, history: History, workspace: Workspace, as_of: datetime) -> None:
        self.snapshot = snapshot
        self.history = history
        self.as_of = as_of
        texts = history.reference_texts()
        self.taken_over = hashes(texts)
        self.settings = recorded_settings(texts, workspace.settings)
        self.tables = {
            name.removeprefix(_TABLE): snapshot.computed(name)
            for name in snapshot.manifest["computed"]
            if name.startswith(_TABLE)
        }
        self.all_lots = snapshot.computed("glance")

    def told(self, name: str, kind: Any, key: str) -> Any:
        """Return what events say of a lot or a meter."""
        rows = self.snapshot.computed(name, [key])
        return from_json(kind, orjson.loads(rows["document"][0])) if rows.height else ()

    def part(self, *, lots: list[str], meters: list[str]) -> Assessment:
        """Return the part of the assessment that concerns some lots or meters."""
        return assess(
            self.history,
            self.settings,
            as_of=self.as_of,
            lots=lots,
            meters=meters,
            tables=self.tables,
            all_lots=self.all_lots,
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
        # what does not agree withholds verdicts by file: only the whole knows which
        if kept is None or kept.get("program") != program() or standing_findings(workspace.history):
            return None
        with History.open(workspace.history, wait_s=_PATIENCE_S, snapshot=False) as history:
            if not snapshot.fresh(workspace.history):
                return None
            said = _Kept(snapshot, history, workspace, datetime.fromisoformat(kept["as_of"]))
            found = ask(said)
            edited = changed_texts(hashes_of_texts(workspace), said.taken_over)
            return None if found is None else Part(found, history.sources(), said.taken_over, edited)
    except (HistoryBusy, IntegrityProblem):
        return None  # the whole is computed, and says what is wrong


_PATIENCE_S = 0.2


def part_of_lot(workspace: Workspace, lot: str) -> Part | None:
    """Return what the page of a lot needs, as of the last reading; None where no snapshot holds or the lot was not read."""

    def ask(kept: _Kept) -> Assessment | None:
        if lot not in kept.all_lots["lot"]:
            return None
        part = kept.part(lots=[lot, *earlier_lots(kept.all_lots, [lot])[lot]], meters=[])
        return replace(
            part,
            lots={lot: part.lots[lot]},
            events_on_lots={lot: kept.told("links", tuple[PageLink, ...], lot)},
            came_to_light={lot: kept.told("light", tuple[CameToLight, ...], lot)},
        )

    return _with_kept(workspace, ask)


def part_of_meter(workspace: Workspace, meter: str) -> Part | None:
    """Return what the page of a meter needs, as of the last reading; None where no snapshot holds or the meter read nothing."""

    def ask(kept: _Kept) -> Assessment | None:
        part = kept.part(lots=[], meters=[meter])
        if meter not in part.meters:
            return None
        events = kept.told("events", tuple[EventGlance, ...], meter)
        return replace(part, meters={meter: replace(part.meters[meter], events=events)})

    return _with_kept(workspace, ask)
