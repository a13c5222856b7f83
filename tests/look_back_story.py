"""A failed check and what it touched, for tests of the look-back. Invented numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from scenario import Scenario, at

from pipeline.history.chain import GENESIS_HASH, Event
from pipeline.judge.look_back.event_lots import decided, event_result, lot_facts
from pipeline.judge.look_back.events import find_events

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from pipeline.judge.assessment import Assessment
    from schemas.look_back import EventResult

__all__ = ["LOTS", "decision", "events_of", "failing", "only"]

LOTS = "lot,product,material,specification,supplier,shipped_on\n" + "".join(
    f"{lot},bar,copper,S,Q,{gone}\n" for lot, gone in (("L1", ""), ("L2", ""), ("L3", "2026-03-02"), ("L4", ""))
)


def failing() -> Scenario:
    """L1 before a good run; L2, L3 before a run that reads 0.6 MS/m high; L4 after a setting and a good run."""
    return (
        Scenario(lots=LOTS)
        .check("07:00")
        .lot("07:30", lot="L1")
        .check("09:00")
        .lot("09:30", 58.6, 58.7, lot="L2")
        .lot("10:00", 57.3, 57.4, lot="L3")
        .check("11:00", 0.6)
        .reading(at("11:20"), 58.0, role="setting", block="B1")
        .check("11:30")
        .lot("12:00", lot="L4")
        .check("13:00")
    )


def events_of(assessment: Assessment, chain: Iterable[Event]) -> dict[str, EventResult]:
    """Return the look-back events, by the names of their pages, in order of time."""
    found = find_events(assessment)
    said, facts = decided(chain), lot_facts(assessment, found)
    return {event.name: event_result(assessment, event, said, facts) for event in found}


def decision(sequence: int, when: datetime, **subject: Any) -> Event:
    given = {"decision": "re-measured", **subject}
    return Event(sequence, when, "disposition", given, "Ada", "looked", GENESIS_HASH, GENESIS_HASH)


def only(found: dict[str, EventResult], kind: str) -> EventResult:
    events = [event for event in found.values() if event.kind == kind]
    assert len(events) == 1, list(found)
    return events[0]
