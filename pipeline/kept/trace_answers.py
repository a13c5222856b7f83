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
    from pipeline.kept.answers import Answers
    from schemas.look_back import EventPage, EventResult
    from schemas.results import TraceResult

__all__ = ["by_time", "events_document", "keep_traces", "meter_document"]


def by_time(pages: Iterable[EventPage]) -> list[EventResult]:
    """Return the events of pages in order of time."""
    return sorted((page.result for page in pages), key=lambda one: (one.fired_at, one.meter, one.kind))


def events_document(assessment: Assessment, events: Iterable[EventResult]) -> dict[str, Any]:
    """Return the document of the list of events, open and closed."""
    return {"as_of": as_json(assessment.as_of), "events": [event.document() for event in events]}


def meter_document(assessment: Assessment, result: TraceResult) -> dict[str, Any]:
    """Return the document of the trace of a meter, and the state of the meter beside it."""
    return {"trace": result.document(), "state": assessment.meters[result.meter].state}


def keep_traces(answers: Answers, assessment: Assessment, pages: Iterable[EventPage]) -> list[tuple[str, str]]:
    """Keep the answers; return the kind and name of each."""
    events = by_time(pages)
    answers.keep(EVENTS, "", events_document(assessment, events))
    for meter in assessment.meters:
        answers.keep(OF_METER, meter, meter_document(assessment, trace(assessment, meter, events=events)))
    sensors = known_sensors(assessment)
    for sensor in sensors:
        answers.keep(OF_SENSOR, sensor, trace_sensor(assessment, sensor).document())
    return [
        (EVENTS, ""),
        *((OF_METER, meter) for meter in assessment.meters),
        *((OF_SENSOR, sensor) for sensor in sensors),
    ]
