"""The reports that were issued: found by number or hash, and computed once more from what was known when they were."""

from __future__ import annotations

import re
from datetime import datetime
from typing import TYPE_CHECKING

import polars as pl

from pipeline.errors import AnnealogError, UsageError
from pipeline.judge.assess import assess
from pipeline.questions.report_on_lots import next_number, report_on_lots
from pipeline.workspace.program import software_version
from schemas.documents import from_json
from schemas.page import Provenance
from schemas.papers import SHORT, PaperPage, ReportOnLots, states_hash

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.history.chain import Event
    from pipeline.history.store import History
    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Settings

__all__ = ["KIND", "issued_with_hash", "issued_with_number", "paper_of", "what_differs"]

KIND = "report"
"""Of the events that issue reports."""


def issued_with_number(history: History, number: str) -> Event:
    """Return the event of a report by its running number.

    Raises
    ------
    UsageError
        If there is none.
    """
    issued = {event.subject["states"]["number"]: event for event in history.events(KIND)}
    if number not in issued:
        raise UsageError(f"No report {number!r} was issued here. Issued: {', '.join(issued) or 'none'}.")
    return issued[number]


def issued_with_hash(history: History, given: str) -> Event | None:
    """Return the event of a report by the short hash on its paper, blanks and hyphens aside; None if none was issued with it.

    The hash is computed from what the event states, never taken from beside it.

    Raises
    ------
    UsageError
        If it is no such hash.
    """
    wanted = re.sub(r"[\s-]", "", given).lower()
    if not re.fullmatch(rf"[0-9a-f]{{{SHORT},64}}", wanted):
        raise UsageError(
            f"{given!r}: expected the hash of a report: {SHORT} digits and letters a to f, as its paper shows it."
        )
    return next((e for e in history.events(KIND) if states_hash(e.subject["states"]).startswith(wanted)), None)


def paper_of(event: Event) -> PaperPage:
    """Return the paper of a report as it was issued."""
    report = from_json(ReportOnLots, event.subject["states"])
    sha256 = states_hash(event.subject["states"])
    nothing = pl.DataFrame(schema=dict.fromkeys(("name", "sha256", "layout"), pl.String))
    made = Provenance(
        software_version=report.program,
        workspace=report.works,
        as_of=report.as_of,
        zone=report.zone,
        unit=report.limits_unit,
        reference_temperature_c=report.reference_temperature_c,
        files=nothing,
        data_sha256=sha256,
    )
    return PaperPage(report, sha256, made)


def what_differs(history: History, settings: Settings, events: Sequence[Event]) -> list[str]:
    """Compute reports once more from a history that ends with their issue, and say of each what differs, where anything does.

    Parameters
    ----------
    history
        As it was when the first of them was issued, with nothing since but these events.
    settings
        Of the workspace; those taken over count.
    events
        The issues, in order.
    """
    said = []
    by_moment: dict[str, list[Event]] = {}
    for event in events:
        states = event.subject["states"]
        if states_hash(states) != event.subject["sha256"]:
            said.append(f"{_named(event)}: what it states does not have the hash that was printed on it.")
        else:
            by_moment.setdefault(states["as_of"], []).append(event)
    for moment, together in by_moment.items():
        lots = sorted({lot for event in together for lot in event.subject["lots"]})
        found = assess(history, settings, as_of=datetime.fromisoformat(moment), lots=lots, withheld=False)
        said += [sentence for event in together if (sentence := _differs(found, history, event)) is not None]
    return said


def _named(event: Event) -> str:
    return f"Report {event.subject['states']['number']} (event {event.sequence})"


def _differs(found: Assessment, history: History, event: Event) -> str | None:
    states, lots = event.subject["states"], event.subject["lots"]
    issued = [before for before in history.events(KIND) if before.sequence < event.sequence]
    try:
        again = report_on_lots(
            found,
            lots,
            nonconformity=states["kind"] == "nonconformity",
            number=next_number(issued, event.at, found),
            issued=issued,
            issued_at=event.at,
            by=event.by,
        ).states()
        differing = [name for name in again if again[name] != states.get(name) and name != "program"]
        for ours, theirs in zip(again["lots"], states["lots"], strict=True):
            differing += [f"{name} of lot {ours['lot']}" for name in ours if ours[name] != theirs.get(name)]
    except (AnnealogError, KeyError, ValueError) as error:
        return f"{_named(event)} cannot be computed again: {error}"
    if not differing:
        return None
    said = ", ".join(name for name in differing if name != "lots") or "lots"
    if states["program"] != software_version():
        said += f" (it was issued by version {states['program']} of the program, this is {software_version()})"
    return f"{_named(event)} states other than what follows from the record: {said}."
