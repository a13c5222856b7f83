"""What the computations hand to pages and to `--json`: typed, frozen, numbers not rounded.

The keys of `documents.as_json` are stable; the handbook lists them. A statistic that cannot be computed is null there and its
reason stands in `not_computable` under the same key.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, ClassVar
from zoneinfo import ZoneInfo

from schemas.documents import as_json
from schemas.page import PageLink
from schemas.uncertainty import Budget, Conformity, Contribution

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    import polars as pl

    from schemas.bias import BiasAtLevel, BiasLine
    from schemas.blocks import MeterDifference
    from schemas.corrections import AppliedCorrection
    from schemas.drift import CheckInterval, DriftChart, DriftSignal
    from schemas.evidence import EveryReading, Exclusion, HardnessResult
    from schemas.look_back import CameToLight, EventGlance
    from schemas.lot_detail import LotDetail
    from schemas.page import Decision, Provenance

__all__ = [
    "BlockSummary",
    "ChecksPage",
    "Contribution",
    "Drift",
    "FilesPage",
    "IndexPage",
    "LotLine",
    "LotPage",
    "LotResult",
    "MeterPage",
    "MeterResult",
    "MonthPage",
    "ReadingsPage",
    "Signal",
    "TouchedLot",
    "TraceResult",
]


UNDATED = "UNDATED"
"""What stands for the month of lots without a reading."""
MOST_OF_A_MONTH = 400
"""Lots on one page of a month."""
FILES = "FILES"
"""Identifier of the one page of files."""
LONG_LOT = 300
"""A lot of more readings than this shows points and readings on a page of their own."""


@dataclass(frozen=True, slots=True)
class LotResult:
    """What the tool says of a lot.

    `mean`, `standard_deviation`, `minimum`, `maximum`, `pp`, `ppk` are of part means at the reference temperature, in
    `unit`. `repeatability` pools repeats on one spot by one meter. Intervals are two-sided 95 %. `contributions`,
    `uncertainty_notes` and `budgets` are filled for lots that are shown (`pipeline.judge.lots.budgets.with_budgets`).
    """

    lot: str
    verdict: str  # accept | hold | reject | not_assessed
    reasons: tuple[str, ...]
    support: str  # supported | open | suspect | unsupported
    limits_met: str | None  # in | out | undecided | None where it cannot be said
    unit: str
    readings: int
    parts: int
    spots: int
    mean: float | None
    standard_deviation: float | None
    minimum: float | None
    maximum: float | None
    repeatability: float | None
    repeatability_degrees_of_freedom: float | None
    within_standard_deviation: float | None
    within_estimator: str | None
    within_degrees_of_freedom: float | None
    cp: float | None
    cp_interval: tuple[float, float] | None
    cpk: float | None
    cpk_interval: tuple[float, float] | None
    pp: float | None
    pp_interval: tuple[float, float] | None
    ppk: float | None
    ppk_interval: tuple[float, float] | None
    not_computable: dict[str, str]
    expanded_uncertainty: float | None
    coverage_factor: float | None
    contributions: tuple[Contribution, ...]
    decision_rule: str | None
    conforms_by: str | None
    rounding: str | None
    specification: str | None
    lower: float | None  # limits in `unit`
    upper: float | None
    limits_unit: str | None  # the specification's own unit, and its limits as written
    lower_as_written: float | None
    upper_as_written: float | None
    material: str | None
    supplier: str | None
    product: str | None
    reference_temperature_c: float
    temperature_models: tuple[str, ...]  # in words, with coefficient and source
    meters: tuple[str, ...]
    first_at: datetime | None
    last_at: datetime | None
    flags: tuple[str, ...]
    dispositions: tuple[Decision, ...]
    as_of: datetime
    left_out: dict[str, int] = field(default_factory=dict)  # part readings that enter no figure, by reason
    uncertainty_notes: tuple[str, ...] = ()  # what the budget leaves out, and a bias it adds
    conformity: Conformity | None = None  # None without limits
    bias_at_level: tuple[BiasAtLevel, ...] = ()  # of each meter that read it, by the line over its blocks
    budgets: tuple[Budget, ...] = ()  # of a single reading and of the compared value; filled for lots that are shown
    corrections: tuple[AppliedCorrection, ...] = ()  # for the geometry of the metal
    conditions: tuple[str, ...] = ()  # of an accept: what comes first (`schemas.conditions`), the weightiest first
    decimals: int | None = None  # of values in words, in `limits_unit` where there are limits, else in `unit`
    hardness: tuple[HardnessResult, ...] = ()
    hardness_state: str | None = None  # missing | some_parts | all_parts; None: none asked for, none there
    exclusions: tuple[Exclusion, ...] = ()  # these two are filled for lots that are shown
    with_every_reading: EveryReading | None = None  # None where nothing was left out

    @property
    def long(self) -> bool:
        """Whether points and readings have a page of their own."""
        return self.readings > LONG_LOT

    @property
    def whole(self) -> LotResult:
        """The lot itself, as :attr:`LotLine.whole` has it."""
        return self


@dataclass(frozen=True)
class LotLine:
    """Stands for a lot's result among `found` and says a few things of it; what else is asked is looked up there."""

    lot: str
    verdict: str
    support: str
    conditions: tuple[str, ...]
    last_at: datetime | None
    readings: int
    found: Mapping[str, LotResult]

    @property
    def long(self) -> bool:
        """Whether points and readings have a page of their own."""
        return self.readings > LONG_LOT

    @property
    def whole(self) -> LotResult:
        """Everything said of it."""
        return self.found[self.lot]

    def __getattr__(self, name: str) -> Any:
        """Return what only the whole result says."""
        if name.startswith("_"):
            raise AttributeError(name)
        return getattr(self.whole, name)

    def __reduce__(self) -> tuple[Any, ...]:
        """Travel to another process as the whole result."""
        return _itself, (self.whole,)


def _itself(result: LotResult) -> LotResult:
    return result


@dataclass(frozen=True, slots=True)
class Signal:
    """A reject of the multi-rule scheme (`reject`) or a warning."""

    rule: str
    block: str
    at: datetime
    value_z: float
    reject: bool
    limits_kind: str
    dispositions: tuple[Decision, ...] = ()


@dataclass(frozen=True, slots=True)
class Drift:
    """Trend of the bias on one block since the last setting, by least squares."""

    block: str
    slope_per_30_days: float | None
    interval: tuple[float, float] | None
    leaves_tolerance_on: datetime | None
    checks: int
    reason: str | None = None  # why there is no slope or no date
    probe: str | None = None
    frequency_khz: float | None = None
    # of a level that begins to drift at some check (the date above is its); the last day is None where there is no end
    leaves_tolerance_interval: tuple[datetime, datetime | None] | None = None
    drifting_since: datetime | None = None  # None: from the first check on
    slope_since_per_30_days: float | None = None
    scatter: float | None = None  # standard deviation of check means about that line
    correlation: float | None = None  # of neighbouring checks about that line


@dataclass(frozen=True, slots=True)
class PrecisionSignal:
    """A check whose readings scatter more than the action limit of its standard deviation allows, both in the working unit.

    The limit is from the checks of the series before it that were not outlying. It suspends no meter and changes no lot.
    """

    block: str
    probe: str | None
    frequency_khz: float | None
    at: datetime
    readings: int
    standard_deviation: float
    limit: float
    dispositions: tuple[Decision, ...] = ()


@dataclass(frozen=True, slots=True)
class BlockSummary:
    """Checks of one block by one meter, probe and frequency since the last setting.

    `limits` are centre ± 3 s, `warning_limits` centre ± 2 s, all in `unit`, with s of the limits: that of the certificate and
    the meter's accuracy, or that of the baseline times `limit_widening`. `bias` is the mean over these checks,
    `last_bias` that of the last one; both null without a certificate. `within_standard_deviation` pools the checks that were not outlying in
    it; `precision_limit` is the action limit of the next check with as many readings as the last.
    """

    block: str
    probe: str | None
    frequency_khz: float | None
    unit: str
    checks: int
    certified_value: float | None
    tolerance: float | None
    bias: float | None
    last_bias: float | None
    standard_deviation: float | None
    within_standard_deviation: float | None
    within_degrees_of_freedom: float | None
    precision_limit: float | None
    centre: float | None
    limits: tuple[float, float] | None
    warning_limits: tuple[float, float] | None
    limits_kind: str  # provisional | frozen
    baseline_checks: int
    not_computable: dict[str, str]
    limit_widening: float = 1.0


@dataclass(frozen=True, slots=True)
class MeterResult:
    """What the tool says of a meter."""

    meter: str
    state: str  # fit | suspended | overdue | not_assessed
    reasons: tuple[str, ...]
    unit: str
    checks: int
    runs: int
    last_run_at: datetime | None
    last_run_passed: bool | None
    last_setting_at: datetime | None
    blocks: tuple[BlockSummary, ...]
    signals: tuple[Signal, ...]
    warnings: int
    drift: tuple[Drift, ...]
    suspect_lots: tuple[str, ...]
    flags: tuple[str, ...]
    as_of: datetime
    left_out: dict[str, int] = field(default_factory=dict)  # readings on blocks and settings in no check, by reason
    drift_signals: tuple[DriftSignal, ...] = ()
    precision_signals: tuple[PrecisionSignal, ...] = ()
    drift_charts: tuple[DriftChart, ...] = ()
    check_intervals: tuple[CheckInterval, ...] = ()
    bias_lines: tuple[BiasLine, ...] = ()  # these two are filled for meters that are shown
    budgets: tuple[Budget, ...] = ()  # of a single reading near the value of each block
    events: tuple[EventGlance, ...] = ()  # of the look-back, the latest first

    @property
    def open_events(self) -> tuple[EventGlance, ...]:
        """The events that wait for a person."""
        return tuple(event for event in self.events if event.state == "open")


@dataclass(frozen=True, slots=True)
class TouchedLot:
    """A lot that a meter read inside a window."""

    lot: str
    readings: int
    first: datetime
    last: datetime
    unknown_clock: int
    verdict: str
    support: str
    disposition: str | None


@dataclass(frozen=True, slots=True)
class TraceResult:
    """Lots that a meter touched since its last good check. `from_` is None where there was no good check.

    `possibly` names lots read in the window by meters that nobody registered; `events` the open events of the meter.
    """

    meter: str
    from_: datetime | None
    to: datetime
    last_run_passed: bool | None
    reasons: tuple[str, ...]
    lots: tuple[TouchedLot, ...]
    possibly: tuple[str, ...] = ()
    events: tuple[str, ...] = ()

    def document(self) -> dict[str, Any]:
        """Return the JSON document, with the key `from`."""
        document = as_json(self)
        document["from"] = document.pop("from_")
        keys = ("meter", "from", "to", "last_run_passed", "reasons", "lots", "possibly", "events")
        return {key: document[key] for key in keys}


@dataclass(frozen=True, slots=True)
class LotPage:
    """Everything a lot page shows.

    Frames, sorted: `readings` (source, line, replicate, measured_at, clock, meter, probe, operator, part, spot, value,
    unit, count, standard_deviation, temperature_c, temperature_state, factor, value_at_reference, no_reference_reason,
    excluded, conflict, non_reading, corrections), `part_values` (part, order, spots, readings, mean, spot_standard_deviation),
    `spot_values` (part, part_order, spot, readings, mean, standard_deviation, mean_in_limits_unit, within),
    `brackets` (meter, first_at, last_at, readings, before_at, before_state, after_at, after_state, support),
    `checks` (the checks of the bracketing runs: meter, block, at, mean, bias, tolerance, passes).
    """

    result: LotResult
    readings: pl.DataFrame
    part_values: pl.DataFrame
    spot_values: pl.DataFrame
    brackets: pl.DataFrame
    checks: pl.DataFrame
    provenance: Provenance
    detail: LotDetail | None = None
    meter_differences: tuple[MeterDifference, ...] = ()  # of a lot that several meters read
    events: tuple[PageLink, ...] = ()  # of the look-back, that touched the lot
    came_to_light: tuple[CameToLight, ...] = ()  # since, of the meters that read it; by meter

    @property
    def answer(self) -> dict[str, Any]:
        """The JSON document of the command."""
        return {
            **as_json(self.result),
            "detail": as_json(self.detail),
            "came_to_light": as_json(self.came_to_light),
            "meter_differences": as_json(self.meter_differences),
        }

    @property
    def link(self) -> PageLink:
        """How other pages name this one."""
        result = self.result
        return PageLink("lot", result.lot, result.lot, result.verdict, " ".join(result.reasons[:1]), result.last_at)


@dataclass(frozen=True, slots=True)
class MeterPage:
    """Everything a meter page shows.

    Frames, sorted: `checks` (block, probe, frequency_khz, phase, run, at, readings, mean, within_standard_deviation,
    temperature_c, certified_value, bias, tolerance, passes, centre, limit_standard_deviation, limits_kind, z, warning,
    rejects [text, rule names separated by a space], ewma, ewma_limit, cusum_high, cusum_low, cusum_limit [in standard
    deviations, null without a chart], drift [text, charts beyond their limit]), `settings` (at, kind, by, why), `lots` (lot, readings, first_at,
    last_at, support, verdict), `calibrations` (as on an event page). `events` are the look-back events of the meter.
    """

    result: MeterResult
    checks: pl.DataFrame
    settings: pl.DataFrame
    lots: pl.DataFrame
    provenance: Provenance
    calibrations: pl.DataFrame | None = None
    events: tuple[PageLink, ...] = ()

    @property
    def answer(self) -> dict[str, Any]:
        """The JSON document of the command."""
        return dict(as_json(self.result))

    @property
    def link(self) -> PageLink:
        """How other pages name this one."""
        result = self.result
        return PageLink(
            "meter", result.meter, result.meter, result.state, " ".join(result.reasons[:1]), result.last_run_at
        )


class _LongPart:
    """What is too long for the page `of` which it is: it rests on the same, and that page has the answer."""

    __slots__ = ()
    kind: ClassVar[str]
    of: LotPage | MeterPage

    @property
    def answer(self) -> None:
        """The page itself has it."""

    @property
    def provenance(self) -> Provenance:
        """That of the page itself."""
        return self.of.provenance

    @property
    def link(self) -> PageLink:
        """How other pages name this one."""
        return replace(self.of.link, kind=self.kind)


@dataclass(frozen=True, slots=True)
class ChecksPage(_LongPart):
    """Every check and signal of a meter."""

    kind = "checks"
    of: MeterPage


@dataclass(frozen=True, slots=True)
class ReadingsPage(_LongPart):
    """Points and readings of a lot."""

    kind = "readings"
    of: LotPage


@dataclass(frozen=True, slots=True)
class IndexPage:
    """The list of lots and meters, with the pages' addresses relative to the index; `others` are all further pages."""

    lots: tuple[LotResult, ...]
    meters: tuple[MeterResult, ...]
    lot_addresses: dict[str, str]
    lot_keys: dict[str, str]  # tell a lot's result from others
    meter_addresses: dict[str, str]
    files_held: tuple[str, ...]
    quarantined: int
    provenance: Provenance
    notes: tuple[str, ...] = field(default=())
    others: tuple[PageLink, ...] = ()
    check_by: dict[str, datetime | None] = field(default_factory=dict)  # of each meter in use, when it is checked next

    @property
    def months(self) -> dict[str, tuple[LotResult, ...]]:
        """The lots by the month of their last reading in the zone of the page, the latest month and lot first.

        A month of very many lots has several parts: 2026-08, 2026-08.2 and so on.
        """
        found: dict[str, list[LotResult]] = {}
        zone = ZoneInfo(self.provenance.zone)
        dated = [lot for lot in self.lots if lot.last_at is not None]
        for lot in sorted(dated, key=lambda lot: (lot.last_at, lot.lot), reverse=True):
            assert lot.last_at is not None  # noqa: S101 - just looked at
            found.setdefault(f"{lot.last_at.astimezone(zone):%Y-%m}", []).append(lot)
        if undated := [lot for lot in self.lots if lot.last_at is None]:
            found[UNDATED] = sorted(undated, key=lambda lot: lot.lot)
        return {
            month if not start else f"{month}.{start // MOST_OF_A_MONTH + 1}": tuple(
                lots[start : start + MOST_OF_A_MONTH]
            )
            for month, lots in found.items()
            for start in range(0, len(lots), MOST_OF_A_MONTH)
        }

    @property
    def answer(self) -> None:
        """No command tells of it in the same words."""

    @property
    def link(self) -> PageLink:
        """How other pages name this one."""
        return PageLink("index", "", self.provenance.workspace)


@dataclass(frozen=True, slots=True)
class MonthPage:
    """The lots of one month, that of their last reading."""

    month: str  # as 2026-08, or UNDATED
    lots: tuple[LotResult, ...]
    provenance: Provenance

    @property
    def answer(self) -> None:
        """No command tells of it."""

    @property
    def link(self) -> PageLink:
        """How other pages name this one."""
        return PageLink("month", self.month, self.month)


@dataclass(frozen=True, slots=True)
class FilesPage:
    """The files that all readings came from, with their hashes."""

    provenance: Provenance

    @property
    def answer(self) -> None:
        """No command tells of it in the same words."""

    @property
    def link(self) -> PageLink:
        """How other pages name this one."""
        return PageLink("files", FILES, self.provenance.workspace)
