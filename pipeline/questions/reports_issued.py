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
    from pipeline.history.chain import Event
    from pipeline.history.store import History
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


def what_differs(history: History, settings: Settings, event: Event) -> str | None:
    """Compute a report once more from a history that ends before its issue, and say what differs; None where nothing does.

    Parameters
    ----------
    history
        As it was then.
    settings
        Of the workspace; those taken over count.
    event
        The issue.
    """
    states = event.subject["states"]
    number = f"Report {states['number']} (event {event.sequence})"
    if states_hash(states) != event.subject["sha256"]:
        return f"{number}: what it states does not have the hash that was printed on it."
    lots, issued = event.subject["lots"], history.events(KIND)
    try:
        found = assess(history, settings, as_of=datetime.fromisoformat(states["as_of"]), lots=lots, withheld=False)
        again = report_on_lots(
            found,
            lots,
            nonconformity=states["kind"] == "nonconformity",
            number=next_number(issued, event.at, found),
            issued=issued,
            issued_at=event.at,
            by=event.by,
        ).states()
    except (AnnealogError, KeyError) as error:
        return f"{number} cannot be computed again: {error}"
    differing = [name for name in again if again[name] != states.get(name) and name != "program"]
    for ours, theirs in zip(again["lots"], states["lots"], strict=True):
        differing += [f"{name} of lot {ours['lot']}" for name in ours if ours[name] != theirs.get(name)]
    if not differing:
        return None
    said = ", ".join(name for name in differing if name != "lots")
    if states["program"] != software_version():
        said += f" (it was issued by version {states['program']} of the program, this is {software_version()})"
    return f"{number} states other than what follows from the record: {said}."
