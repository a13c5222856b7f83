"""Events of the look-back: what fired, since when, and which lots were read in doubt."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import groupby
from typing import TYPE_CHECKING

from second_opinion.lots import of_bracket

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from second_opinion.checks import Check, Meter, Run
    from second_opinion.exports import Cells, Workspace
    from second_opinion.lots import Lot

__all__ = ["Event", "events"]


@dataclass(frozen=True, kw_only=True)
class Event:
    """Lots by what stands around their readings: `touched` by a run that failed or was missing, or `covered` by runs that passed."""

    meter: str
    kind: str
    fired_at: datetime
    window_from: datetime | None
    window_to: datetime | None
    lots: dict[str, str]

    @property
    def name(self) -> str:
        kind = {"precision": "PRECISION-SIGNAL"}.get(self.kind, self.kind.upper().replace("_", "-"))
        return f"{self.meter}_{self.fired_at.astimezone(UTC):%Y%m%dT%H%M%SZ}_{kind}"


def events(workspace: Workspace, meters: Iterable[Meter], lots: dict[str, Lot], as_of: datetime) -> dict[str, Event]:
    """Return every event by name."""
    found: list[Event] = []
    for meter in meters:
        found += _of_runs(meter, lots)
        found += _of_calibrations(workspace, meter, lots)
        found += _of_late_checks(workspace, meter, lots, as_of)
    return {event.name: event for event in found}


RUNS: dict[str, tuple[Callable[[Run], bool], Callable[[Run], bool], Callable[[Check], bool]]] = {
    "failed_check": (
        lambda run: run.passed is False,
        lambda run: run.passed is True,
        lambda check: check.passes is False,
    ),
    "signal": (
        lambda run: run.rejected and run.passed is not False,
        lambda run: run.passed is True and not run.rejected,
        lambda check: bool(check.rejects),
    ),
    "precision": (lambda run: run.imprecise, lambda run: not run.imprecise, lambda check: check.imprecise),
}
"""Kind: runs that show it, runs that end it, checks that show it."""


def _of_runs(meter: Meter, lots: dict[str, Lot]) -> Iterator[Event]:
    """Each kind reaches from the last run that was good before it to the next one: what lies between is one event."""
    for kind, (bad, good, fires) in RUNS.items():
        before: Run | None = None
        pending: list[Run] = []
        for run in meter.runs:
            if bad(run):
                pending.append(run)
            elif good(run):
                if pending:
                    yield _event(meter, kind, before, pending, run, fires, lots)
                before, pending = run, []
        if pending:
            yield _event(meter, kind, before, pending, None, fires, lots)


def _event(
    meter: Meter, kind: str, before: Run | None, pending: list[Run], after: Run | None,
    fires: Callable[[Check], bool], lots: dict[str, Lot],
) -> Event:  # fmt: skip
    found = _lots(meter, lots, before.place if before else -1, after.place if after else len(meter.stream))
    return Event(
        meter=meter.name, kind=kind, fired_at=next(c.at for run in pending for c in run.checks if fires(c)),
        window_from=before and before.at, window_to=after and after.first_at,
        lots={} if kind == "precision" else found,  # the mean of a check that scatters may be right
    )  # fmt: skip


def _of_calibrations(workspace: Workspace, meter: Meter, lots: dict[str, Lot]) -> Iterator[Event]:
    """An as-found failure of an external calibration reaches back to the last one that found or left the meter good."""
    rows = [row for row in workspace.tables.get("calibrations", []) if row["meter"] == meter.name]
    good: datetime | None = None
    for (day, condition), group in groupby(sorted(rows, key=_when), key=_when):
        points = list(group)
        at = workspace.day(day)
        fails = any(abs(float(p["indicated"]) - float(p["nominal"])) > float(p["tolerance"]) for p in points)
        if condition == "as_found" and fails:
            places = [
                place
                for place, one in enumerate(meter.stream)
                if (good is None or one.reading.at >= good) and one.reading.at < at
            ]
            yield Event(
                meter=meter.name, kind="calibration", fired_at=at, window_from=good, window_to=at + timedelta(days=1),
                lots=_lots(meter, lots, min(places, default=0) - 1, max(places, default=-1) + 1),
            )  # fmt: skip
        elif not fails:
            good = at


def _of_late_checks(workspace: Workspace, meter: Meter, lots: dict[str, Lot], as_of: datetime) -> Iterator[Event]:
    """Readings that no run followed, or preceded, within the interval: the check was due that long after the run before."""
    interval = timedelta(hours=workspace.settings["check_interval_hours"])
    found: defaultdict[tuple[Run, Run | None], dict[str, str]] = defaultdict(dict)
    for name, lot in lots.items():
        for of, before, after, first, last in lot.brackets:
            if of is meter and before and of_bracket(workspace, before, after, first, last, as_of) == "unsupported":
                found[before, after][name] = "touched"
    for (before, after), names in found.items():
        yield Event(
            meter=meter.name, kind="check_overdue", fired_at=before.at + interval, window_from=before.at,
            window_to=after and after.first_at, lots=names,
        )  # fmt: skip


def _when(row: Cells) -> tuple[str, str]:
    return row["calibrated_on"], row["condition"]


def _lots(meter: Meter, lots: dict[str, Lot], after: int, before: int) -> dict[str, str]:
    found: dict[str, str] = {}
    for name, lot in lots.items():
        for of, place, _ in lot.readings:
            if of is meter and after < place < before:
                stands = all(run is not None and run.passed for run in meter.around(place))
                found[name] = "covered" if stands and found.get(name) != "touched" else "touched"
    return found
