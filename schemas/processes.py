"""What is said of processes over time: streams of subgroups against frozen limits. Keys are stable; the handbook lists them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from schemas.documents import as_json
from schemas.page import PageLink

if TYPE_CHECKING:
    from datetime import datetime

    import polars as pl

    from schemas.page import Provenance

__all__ = [
    "Baseline",
    "ControlLimits",
    "LevelChange",
    "Phase",
    "ProcessPage",
    "ProcessResult",
    "ProcessSignal",
    "StreamResult",
]


@dataclass(frozen=True, slots=True)
class Baseline:
    """Limits of one phase, and where they come from.

    `kind` is named (recorded by a person, frozen) or provisional (the first subgroups). `standard_deviation` is that of
    subgroup means, `within_standard_deviation` that of a part inside its subgroup.
    """

    kind: str
    subgroups: int
    first_at: datetime | None
    last_at: datetime | None
    centre: float | None
    standard_deviation: float | None
    within_standard_deviation: float | None
    by: str | None = None
    why: str | None = None
    recorded_at: datetime | None = None
    note: str | None = None  # why there are no limits, or what a person should know about them


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlLimits:
    """Control limits of subgroups of so many parts: of their means (`lower`, `upper`) and of their spread; null where there is none."""

    parts: int
    lower: float | None
    upper: float | None
    spread_centre: float | None
    spread_lower: float | None
    spread_upper: float | None


@dataclass(frozen=True, slots=True)
class Phase:
    """A stretch of subgroups with one set of limits, by the number of parts of a subgroup.

    `estimate` names what the standard deviation behind the limits of means comes from (moving_range of subgroup means,
    mean_standard_deviation or mean_range within subgroups), `spread_estimate` the same for the limits of spread.
    """

    number: int
    first_at: datetime
    last_at: datetime
    subgroups: int
    baseline: Baseline
    estimate: str
    spread_estimate: str
    limits: tuple[ControlLimits, ...]


@dataclass(frozen=True, slots=True)
class ProcessSignal:
    """A subgroup that completes a pattern: `rules` by id, `value` its mean, `z` against the limits of its phase.

    `suspended` names the meters that read it, are suspended now and have an open event that touches it: they may drift, not
    the process.
    """

    subgroup: str
    at: datetime
    rules: tuple[str, ...]
    value: float
    z: float | None
    phase: int
    suspended: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LevelChange:
    """A change of level: between the subgroup before and the first one at the new level."""

    subgroup: str
    at: datetime
    previous_subgroup: str
    previous_at: datetime
    shift: float
    p_value: float


@dataclass(frozen=True, slots=True)
class StreamResult:
    """One stream: the lots of one product, line and supplier, as the site tells streams apart.

    `state` is in_control, watch, out_of_control or not_assessed; `since` is the first signal of the stretch that still
    lasts. Standard deviations are of part means: `between` of the true levels of lots, `within` of parts of one lot.
    """

    name: str
    product: str | None
    line: str | None
    supplier: str | None
    state: str
    reasons: tuple[str, ...]
    unit: str
    subgroups: int
    parts: int
    not_judged: int
    baseline_subgroups: int  # that provisional limits need
    since: datetime | None
    since_subgroup: str | None
    phases: tuple[Phase, ...]
    signals: tuple[ProcessSignal, ...]
    level_changes: tuple[LevelChange, ...]
    mean: float | None
    between_standard_deviation: float | None
    between_interval: tuple[float, float] | None
    within_standard_deviation: float | None
    ppk: float | None
    ppk_interval: tuple[float, float] | None
    lower: float | None
    upper: float | None
    not_computable: dict[str, str]
    ewma_weight: float = 0.2
    lots: int = 0  # behind mean, standard deviations and Ppk

    @property
    def suspended(self) -> frozenset[str]:
        """The suspended meters that read a subgroup with a signal."""
        return frozenset(meter for signal in self.signals for meter in signal.suspended)


@dataclass(frozen=True, slots=True)
class ProcessResult:
    """A product or a line with its streams; `state` is that of the worst one."""

    process: str
    kind: str  # product | line
    state: str
    reasons: tuple[str, ...]
    subgroups_by: str
    limits_from: str
    spread: str
    patterns: tuple[tuple[str, str, str], ...]  # id, what it looks for, source
    streams: tuple[StreamResult, ...]
    unit: str
    reference_temperature_c: float
    as_of: datetime


@dataclass(frozen=True, slots=True)
class ProcessPage:
    """Everything a process page shows.

    `points`, sorted by stream and time: stream (place in `result.streams`), place, subgroup, at, parts, mean, spread, judged,
    phase, centre, lower, upper, within_lower, within_upper, z, spread_centre, spread_lower, spread_upper, ewma, ewma_lower,
    ewma_upper, rules, ewma_beyond, lots, suspended (meters that read it and are suspended now, separated by commas).
    """

    result: ProcessResult
    points: pl.DataFrame
    provenance: Provenance

    @property
    def answer(self) -> dict[str, Any]:
        """The JSON document of the command."""
        return dict(as_json(self.result))

    @property
    def link(self) -> PageLink:
        """How other pages name this one."""
        result = self.result
        return PageLink(
            "process", result.process, result.process, result.state, " ".join(result.reasons[:1]), result.as_of
        )
