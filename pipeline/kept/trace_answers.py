"""What `annealog trace` would answer of each meter and sensor, and of all events, kept with a rendering."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.kept.answers import EVENTS, OF_METER, OF_SENSOR
from pipeline.questions.trace import trace
from pipeline.questions.trace_sensor import known_sensors, trace_sensor
from schemas.documents import as_json

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.judge.assessment import Assessment
    from schemas.look_back import EventPage, EventResult
    from schemas.results import TraceResult

__all__ = ["by_time", "events_document", "meter_document", "traces"]


def by_time(pages: Iterable[EventPage]) -> list[EventResult]:
    """Return the events of pages in order of time."""
    return sorted((page.result for page in pages), key=lambda one: (one.fired_at, one.meter, one.kind))


def events_document(assessment: Assessment, events: Iterable[EventResult]) -> dict[str, Any]:
    """Return the document of the list of events, open and closed."""
    return {"as_of": as_json(assessment.as_of), "events": [event.document() for event in events]}


def meter_document(assessment: Assessment, result: TraceResult) -> dict[str, Any]:
    """Return the document of the trace of a meter, and the state of the meter beside it."""
    return {"trace": result.document(), "state": assessment.meters[result.meter].state}


def traces(assessment: Assessment, pages: Iterable[EventPage]) -> list[tuple[str, str, dict[str, Any]]]:
    """Return the answers: kind, name, document."""
    events = by_time(pages)
    return [
        (EVENTS, "", events_document(assessment, events)),
        *(
            (OF_METER, meter, meter_document(assessment, trace(assessment, meter, events=events)))
            for meter in assessment.meters
        ),
        *((OF_SENSOR, sensor, trace_sensor(assessment, sensor).document()) for sensor in known_sensors(assessment)),
    ]
