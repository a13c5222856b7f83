"""What was found of lots and meters, as everybody else reads it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import polars as pl

from schemas.page import Decision

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from pipeline.history.chain import Event
    from pipeline.judge.found_events import Found
    from pipeline.workspace.settings import Settings
    from schemas.look_back import CameToLight, EventResult
    from schemas.page import PageLink
    from schemas.results import LotResult, MeterResult

__all__ = ["Assessment", "Basis", "SignalDecision", "decisions_on_signals"]


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
    signal_decisions: list[SignalDecision]
    by_hand: frozenset[int]
    exclusions: pl.DataFrame
    study_readings: pl.DataFrame  # as stored; they count nowhere else
    actions: pl.DataFrame  # recorded; each ends a run and keeps the baseline
    all_lots: pl.DataFrame | None  # of a part of an assessment: what `lots_at_a_glance` says of the whole


@dataclass(frozen=True, kw_only=True)
class Assessment(Basis):
    """Everything computed from the history at one moment: what was found of lots and meters, beside what it follows from."""

    lots: dict[str, LotResult]
    meters: dict[str, MeterResult]
    spot_values: pl.DataFrame
    part_values: pl.DataFrame
    budget_inputs: pl.DataFrame
    bias_at_level: pl.DataFrame
    history_state: str | None = None  # of the history that it follows from, as :func:`state_of` says it
    found_events: tuple[Found, ...] = ()  # of the look-back, in order of time; these four where every lot was asked for
    events: Mapping[str, EventResult] = field(default_factory=dict)  # by the names of their pages
    events_on_lots: Mapping[str, tuple[PageLink, ...]] = field(default_factory=dict)  # that touched a lot
    came_to_light: Mapping[str, tuple[CameToLight, ...]] = field(default_factory=dict)  # since a lot was read

    def lots_at_a_glance(self) -> pl.DataFrame:
        """Return what other lots ask of a lot, by lot: lot, verdict, product, supplier, specification, material, mean, first_at."""
        if self.all_lots is not None:
            return self.all_lots
        rows = [[getattr(self.lots[lot], name) for name in _AT_A_GLANCE] for lot in sorted(self.lots)]
        return pl.DataFrame(rows, schema=_AT_A_GLANCE, orient="row")


_AT_A_GLANCE: dict[str, Any] = {
    "lot": pl.String,
    "verdict": pl.String,
    "product": pl.String,
    "supplier": pl.String,
    "specification": pl.String,
    "material": pl.String,
    "mean": pl.Float64,
    "first_at": pl.Datetime("us", "UTC"),
}


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
