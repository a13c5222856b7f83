"""What the look-back hands to pages and to `--json`: one event from its signal to its closure."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

from schemas.documents import as_json
from schemas.page import PageLink

if TYPE_CHECKING:
    from datetime import datetime

    import polars as pl

    from schemas.page import Decision, Provenance

__all__ = ["BiasChange", "CameToLight", "EventGlance", "EventLot", "EventOnLot", "EventPage", "EventResult"]


@dataclass(frozen=True, slots=True)
class BiasChange:
    """How far the meter moved at one level, from its last good evidence to the signal; all in the working unit."""

    name: str  # block, or calibration point
    level: float
    change: float


@dataclass(frozen=True, slots=True)
class EventLot:
    """A lot that an event touched, and what became of it.

    `doubt` is `touched` (no good check stands on both sides), `covered` (checks that passed stand before and after) or
    `possible` (read by a meter that nobody registered, so perhaps by this one). `errors_to_limit` is the distance of the lot's
    extreme value to the limit on the side on which an error may have hidden it, in units of the bias change plus the
    expanded uncertainty: below 1 the lot may lie beyond its limit; None where it cannot be computed.
    """

    lot: str
    meter: str
    doubt: str  # touched | covered | possible
    readings: int
    first: datetime
    last: datetime
    unknown_clock: int
    verdict: str
    support: str
    errors_to_limit: float | None
    shipped_on: datetime | None
    measured_again_at: datetime | None  # a later reading with checks that passed before and after
    dispositions: tuple[Decision, ...]
    settled: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class EventGlance:
    """An event in a list: consecutive checks of one meter at which something fired, without a run that passed between.

    `event` is the id that people type, such as EC-02/2026-04-24, `title` what they say ("EC-02, signal of 24 April"), `name` what
    its page goes by. `disposed` says that the event itself has its disposition, `undecided` which lots still need one of their own.
    """

    event: str
    name: str
    title: str
    kind: str
    state: str  # open | closed
    sentence: str
    fired_at: datetime
    last_at: datetime
    blocks: tuple[str, ...]
    rules: tuple[str, ...]
    disposed: bool
    undecided: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class EventOnLot:
    """An open event as a lot that it touched shows it."""

    event: str
    name: str
    title: str
    kind: str
    sentence: str
    doubt: str  # touched | covered | possible
    settled: bool  # this lot is; the event itself is open


@dataclass(frozen=True, slots=True, kw_only=True)
class CameToLight:
    """What later came to light of a meter that read a lot: it is suspended now, or an open event touched the lot.

    The figure is that of the check that came nearest to its tolerance, or went farthest beyond, in the runs before and after
    the meter's readings of the lot: `bias` and `tolerance` in the working unit; None where no such check has a bias.
    """

    meter: str
    suspended: bool
    block: str | None
    checked_at: datetime | None
    bias: float | None
    tolerance: float | None
    events: tuple[EventOnLot, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class EventResult:
    """One event: what fired and when, the last good evidence, the window, what it touched, who decided what.

    The window is open at its end while nothing good has followed (`window_to` None). `event`, `name` and `title` are as in
    :class:`EventGlance`; `last_at`, `blocks` and `rules` say when, where and how it fired.
    """

    event: str
    name: str
    title: str
    kind: str  # failed_check | signal | precision | calibration | check_overdue
    state: str  # open | closed
    meter: str
    meter_state: str
    sentence: str
    fired_at: datetime
    last_at: datetime
    blocks: tuple[str, ...]
    rules: tuple[str, ...]
    last_good: str
    last_good_at: datetime | None
    window_from: datetime | None
    window_to: datetime | None
    notes: tuple[str, ...]
    changes: tuple[BiasChange, ...]
    lots: tuple[EventLot, ...]
    dispositions: tuple[Decision, ...]
    disposed: bool
    unit: str
    as_of: datetime

    @property
    def undecided(self) -> tuple[str, ...]:
        """Names of the lots that still need a decision or a supported reading of their own.

        For what checks that passed cover, or perhaps another meter read, the disposition of the event is enough.
        """
        return tuple(sorted({lot.lot for lot in self.lots if not lot.settled and lot.doubt == "touched"}))

    @property
    def glance(self) -> EventGlance:
        """The event as lists show it."""
        return EventGlance(**{field.name: getattr(self, field.name) for field in fields(EventGlance)})

    def document(self) -> dict[str, Any]:
        """Return the JSON document."""
        return {**as_json(self), "undecided": list(self.undecided)}


@dataclass(frozen=True, slots=True)
class EventPage:
    """Everything an event page shows.

    Frames, sorted: `checks` (block, run, at, mean, bias, tolerance, passes, rejects, certificate, certificate_due_on,
    certificate_overdue, part [before, signal, after]), `calibrations` (calibrated_on, condition, nominal, indicated,
    deviation, tolerance, expanded_uncertainty, unit, passes, certificate, laboratory).
    """

    result: EventResult
    checks: pl.DataFrame
    calibrations: pl.DataFrame
    provenance: Provenance

    @property
    def answer(self) -> dict[str, Any]:
        """The JSON document of the command."""
        return self.result.document()

    @property
    def link(self) -> PageLink:
        """How other pages name this one."""
        result = self.result
        return PageLink("event", result.name, result.title, result.state, result.sentence, result.fired_at)
