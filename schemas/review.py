"""What the monthly metrology review says: typed, frozen, numbers not rounded, in the order of its agenda."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from schemas.documents import as_json
from schemas.page import PageLink

if TYPE_CHECKING:
    from datetime import date, datetime

    from schemas.comparison import MeterComparison
    from schemas.page import Decision, Provenance

__all__ = [
    "ReviewAction",
    "ReviewAgreement",
    "ReviewBlock",
    "ReviewBudget",
    "ReviewChain",
    "ReviewDue",
    "ReviewEvent",
    "ReviewFiles",
    "ReviewLot",
    "ReviewMeter",
    "ReviewMonth",
    "ReviewPage",
    "ReviewResult",
    "ReviewSignal",
]


@dataclass(frozen=True, slots=True)
class ReviewAction:
    """Something that waits for a person: about what, and in words what.

    `kind` and `identifier` name its page, `shown` is the id that people type where that is another.
    """

    kind: str
    identifier: str
    sentence: str
    shown: str = ""


@dataclass(frozen=True, slots=True)
class ReviewBlock:
    """The month's checks of one block by one meter, probe and frequency; drift since the last setting.

    `bias_interval` (95 %, of the mean) is None with fewer than three checks: with two it says how lucky they were.
    """

    meter: str
    block: str
    probe: str | None
    frequency_khz: float | None
    checks: int
    failed: int
    bias: float | None
    bias_interval: tuple[float, float] | None
    standard_deviation: float | None  # of the check means of the month
    tolerance: float | None
    slope_per_30_days: float | None
    interval: tuple[float, float] | None
    leaves_tolerance_on: datetime | None
    no_forecast_reason: str | None


@dataclass(frozen=True, slots=True)
class ReviewMonth:
    """What went wrong in one of the last months: lots held or rejected, failed checks, events. Counts are None without a reading."""

    month: str  # YYYY-MM
    held: int | None
    failed_checks: int | None
    events: int | None


@dataclass(frozen=True, slots=True)
class ReviewMeter:
    """What a meter did in the month. `missed` are lots it read without a check within the interval on both sides."""

    meter: str
    state: str
    reason: str
    readings: int
    lots: int
    runs: int
    failed_runs: int
    checks: int
    missed: tuple[str, ...]
    signals: dict[str, int]  # by rule
    settings: int


@dataclass(frozen=True, slots=True)
class ReviewSignal:
    """A signal of the month and how it was closed; `closed_on` is None as long as nobody has."""

    meter: str
    block: str
    at: datetime
    rules: tuple[str, ...]
    value_z: float | None
    bias: float | None
    passes: bool | None
    decisions: tuple[Decision, ...]
    closed_on: datetime | None


@dataclass(frozen=True, slots=True)
class ReviewLot:
    """A lot of the month that was not accepted, and what was decided since."""

    lot: str
    verdict: str
    support: str
    reason: str
    last_at: datetime | None
    decisions: tuple[Decision, ...]


@dataclass(frozen=True, slots=True)
class ReviewDue:
    """A block, meter or sensor whose calibration is due."""

    kind: str  # block | meter | sensor
    identifier: str
    certificate: str | None
    due_on: date
    overdue: bool


@dataclass(frozen=True, slots=True)
class ReviewBudget:
    """Uncertainty of the lot means of one meter and material, and what contributes most."""

    meter: str
    material: str
    unit: str
    lots: int
    lowest: float
    median: float
    highest: float
    largest: str
    share_of_variance: float


@dataclass(frozen=True, slots=True)
class ReviewAgreement:
    """Two meters on one block in the month: mean bias of the first less that of the other.

    The certificate, which both share, counts in neither. `interval` (95 %) speaks of repeating alone; `e_n` compares the
    difference with what both meters claim.
    """

    block: str
    meter: str
    other: str
    checks: int
    other_checks: int
    difference: float
    interval: tuple[float, float] | None
    e_n: float | None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class ReviewEvent:
    """An event of the look-back that fired in the month, or before it and was still open; `undecided` are lots.

    `event`, `name` and `title` are as in :class:`schemas.look_back.EventGlance`.
    """

    event: str
    name: str
    title: str
    kind: str
    state: str  # open | closed
    meter: str
    fired_at: datetime
    last_at: datetime
    sentence: str
    lots: int
    undecided: tuple[str, ...]
    decisions: tuple[Decision, ...]


@dataclass(frozen=True, slots=True)
class ReviewFiles:
    """What was loaded in the month, by time of loading."""

    files: int
    lines: int
    readings: int
    duplicates: int
    quarantined: int
    held_now: int
    quarantined_now: int


@dataclass(frozen=True, slots=True)
class ReviewChain:
    """The chain of events: what was recorded in the month, and its head. To be kept with the minutes."""

    recorded: dict[str, int]  # by kind, in the month
    sequence: int
    head: str
    at: datetime | None


@dataclass(frozen=True, slots=True)
class ReviewResult:
    """A month, in the order of the agenda: what is open first."""

    month: str  # YYYY-MM
    start: datetime
    end: datetime
    over: bool
    as_of: datetime
    unit: str
    readings: int
    lots: dict[str, int]  # lots read in the month, by verdict
    actions: tuple[ReviewAction, ...]
    months: tuple[ReviewMonth, ...]  # this month last
    meters: tuple[ReviewMeter, ...]
    blocks: tuple[ReviewBlock, ...]
    events: tuple[ReviewEvent, ...]
    signals: tuple[ReviewSignal, ...]
    not_accepted: tuple[ReviewLot, ...]
    due: tuple[ReviewDue, ...]
    budgets: tuple[ReviewBudget, ...]
    agreement: tuple[ReviewAgreement, ...]
    comparisons: tuple[MeterComparison, ...]  # of every block that two meters or more checked in the month
    studies: tuple[PageLink, ...]
    files: ReviewFiles
    chain: ReviewChain

    def document(self) -> dict[str, Any]:
        """Return the JSON document."""
        document: dict[str, Any] = as_json(self)
        return document


@dataclass(frozen=True, slots=True)
class ReviewPage:
    """Everything the page of a month shows."""

    result: ReviewResult
    provenance: Provenance

    @property
    def answer(self) -> None:
        """No command tells of it in the same words."""

    @property
    def link(self) -> PageLink:
        """How other pages name this one."""
        actions = len(self.result.actions)
        sentence = f"{actions} open" if actions else "nothing open"
        return PageLink("review", self.result.month, self.result.month, None, sentence, self.result.as_of)
