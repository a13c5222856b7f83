"""What a critical reader of a lot asks beside its verdict, computed for the lots that are shown.

Capability with its conditions, components of variance, suspect values, the plan by variables, likely materials. The keys are
those of `--json`, under `detail`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

    import polars as pl

__all__ = [
    "CapabilityDetail",
    "ComponentLine",
    "ComponentsDetail",
    "EarlierLot",
    "ExpectedOutside",
    "GroupsDetail",
    "HeatTreatmentDetail",
    "IntervalsDetail",
    "LotDetail",
    "MaterialDetail",
    "MaterialLine",
    "NormalityDetail",
    "OrderSignal",
    "PartMaterial",
    "PlanDetail",
    "QuantileIndices",
    "StabilityDetail",
    "SuspectValue",
    "SuspectsDetail",
]


@dataclass(frozen=True, slots=True)
class OrderSignal:
    """A signal in the order of parts; only one that `decides` makes the lot unstable."""

    rule: str
    title: str
    part: str | None
    place: int | None
    length: int | None
    decides: bool


@dataclass(frozen=True, slots=True)
class StabilityDetail:
    """Whether the part means, in the order of measuring, come from one stable process.

    `state` is stable, unstable or not_judged (with its reason). `independent` says whether neighbours keep the bound of
    the autocorrelation at lag 1; None where it cannot be had.
    """

    state: str
    reason: str | None
    points: int
    signals: tuple[OrderSignal, ...]
    autocorrelation: float | None
    autocorrelation_bound: float | None
    independent: bool | None


@dataclass(frozen=True, slots=True)
class NormalityDetail:
    """Anderson-Darling test of the part means; `normal` is p of at least 0.05, None where it was not tested."""

    values: int
    statistic: float | None
    corrected_statistic: float | None
    p_value: float | None
    normal: bool | None
    reason: str | None


@dataclass(frozen=True, slots=True)
class QuantileIndices:
    """Indices from quantiles (ISO 22514-2), computed where the part means are not normal; else the reason why not."""

    quantile_pp: float | None
    quantile_ppk: float | None
    definition: str | None
    low_quantile: float | None
    median: float | None
    high_quantile: float | None
    fit_p_value: float | None
    not_computable: dict[str, str]


@dataclass(frozen=True, slots=True)
class ExpectedOutside:
    """Fractions of part means beyond the limits: counted, and expected of a normal lot, each with its interval."""

    counted: int
    observed: float | None
    observed_interval: tuple[float, float] | None
    below: float | None
    above: float | None
    total: float | None
    interval: tuple[float, float] | None
    conservative: bool
    reason: str | None


@dataclass(frozen=True, slots=True)
class CapabilityDetail:
    """The conditions of the indices in the lot's result.

    `headline` says whether the page may show Cp and Cpk; the figures stay in the result. `subgroups` is what the indicative
    limit of 25 counts. `limiting_side` is the nearer limit (lower, upper); `lost_off_centre` the part of Pp that Ppk lacks.
    """

    headline: bool
    headline_reason: str | None
    subgroups: int
    indicative: bool
    stability: StabilityDetail
    normality: NormalityDetail
    quantile: QuantileIndices
    outside: ExpectedOutside
    limiting_side: str | None
    lost_off_centre: float | None
    intervals: IntervalsDetail


@dataclass(frozen=True, slots=True, kw_only=True)
class IntervalsDetail:
    """Intervals of the part means and Cpm; None where one does not hold, with the reason under its key in `not_computable`.

    `mean_interval` is the t interval of the mean; `tolerance_lower` and `tolerance_upper` bound the tolerance interval of the parts
    (ISO 16269-6), on one side only where the lot has one limit. They count the scatter of the values, not what the meter may be off.
    """

    parts: int
    confidence: float
    mean_interval: tuple[float, float] | None
    tolerance_coverage: float
    tolerance_lower: float | None
    tolerance_upper: float | None
    target: float | None
    cpm: float | None
    cpm_interval: tuple[float, float] | None
    not_computable: dict[str, str]


@dataclass(frozen=True, slots=True)
class ComponentLine:
    """One component of variance; `raw` may be negative, `variance` is then zero. Null with a reason where it cannot be had.

    `share` is the part of the sum of the components; `p_value` tests the level against the next one inside.
    """

    level: str
    degrees_of_freedom: float
    raw: float | None
    variance: float | None
    standard_deviation: float | None
    share: float | None
    low: float | None
    high: float | None
    f_ratio: float | None
    p_value: float | None
    reason: str | None


@dataclass(frozen=True, slots=True)
class ComponentsDetail:
    """Components of variance from the outermost level inwards. Intervals are of the variance, two-sided 95 %.

    `lots` counts the lots behind the level `lot`: this one and earlier ones of the same product, supplier and specification.
    """

    lines: tuple[ComponentLine, ...]
    lots: int
    balanced: bool
    interval_method: str
    dominant: str | None


@dataclass(frozen=True, slots=True)
class SuspectValue:
    """A value that a test points at. It is shown, never left out.

    `level` is part, spot (against the others of its part) or reading (against the others of its spot). `deviation` is from the mean
    of those others that no test points at. `tests` names those that point at it.
    """

    level: str
    part: str | None
    spot: str | None
    source: str | None
    line: int | None
    value: float
    deviation: float | None
    statistic: float
    critical: float
    tests: str


@dataclass(frozen=True, slots=True)
class SuspectsDetail:
    """Tests for outliers, two-sided at 5 % each; `tested` says on how many values of each level, or why not."""

    values: tuple[SuspectValue, ...]
    tested: dict[str, str]
    significance: float


@dataclass(frozen=True, slots=True)
class PlanDetail:
    """Acceptance by variables, k method, standard deviation unknown; and the operating curve of the plan, one limit.

    `curve` has the columns nonconforming and accepted (chances). `quality_at` are the fractions nonconforming that the plan
    accepts with 95, 50 and 10 percent chance.
    """

    parts: int
    plan_parts: int | None
    k: float | None
    accepted: bool | None
    rule: str | None
    quality_lower: float | None
    quality_upper: float | None
    nonconforming: float | None
    most_nonconforming: float | None
    reason: str | None
    quality_at: dict[str, float]
    curve: pl.DataFrame


@dataclass(frozen=True, slots=True)
class MaterialLine:
    """A range of the site's table against a value. `probability` holds if one of the listed ranges is true."""

    material: str
    temper: str | None
    lower: float
    upper: float
    distance: float
    fits: bool
    likelihood: float
    probability: float
    odds: float | None
    source: str | None
    example: bool


@dataclass(frozen=True, slots=True)
class PartMaterial:
    """The likeliest range for one part, and how many fit it."""

    part: str
    mean: float
    material: str | None
    temper: str | None
    probability: float | None
    fitting: int


@dataclass(frozen=True, slots=True)
class GroupsDetail:
    """Whether the part means fall into two groups. `found` needs both a small p and groups well apart.

    `possible` says that they are as far apart, and too often so by chance to be called. `lower_parts` and `upper_parts` name the parts below and above the best cut, whether it is called or not; `meters_differ` says that one meter read the one group and
    another meter the other, so that the meters may be what differs.
    """

    found: bool | None
    reason: str | None
    p_value: float | None
    separation: float | None
    lower_mean: float | None
    upper_mean: float | None
    within_standard_deviation: float | None
    lower_parts: tuple[str, ...]
    upper_parts: tuple[str, ...]
    meters_differ: bool
    possible: bool = False


@dataclass(frozen=True, slots=True)
class MaterialDetail:
    """Which of the site's ranges fit the lot and its parts. `lines` are sorted by probability; `declared` is the lot's own.

    `declared_fits` is None where the table has no range of that material. `reason` says why nothing was compared.
    """

    reason: str | None
    value: float | None
    standard_uncertainty: float | None
    declared: str | None
    declared_fits: bool | None
    fitting: int
    lines: tuple[MaterialLine, ...]
    parts: tuple[PartMaterial, ...]
    groups: GroupsDetail


@dataclass(frozen=True, slots=True)
class HeatTreatmentDetail:
    """Parts with conductivity out of limits on one side and hardness on one side: what they could be, never what they are.

    `conductivity` and `hardness` are low or high; `parts` is empty for results of the lot as a whole. `fitting` names the
    ranges of the site's table that fit the mean of these parts (material and temper, those of the lot's own material first);
    None where there is no table to compare with.
    """

    conductivity: str
    hardness: str
    parts: tuple[str, ...]
    mean: float
    fitting: tuple[tuple[str, str | None], ...] | None


@dataclass(frozen=True, slots=True)
class EarlierLot:
    """A lot before this one of the same product, supplier and specification; its mean is in the working unit."""

    lot: str
    first_at: datetime | None
    mean: float | None
    verdict: str


@dataclass(frozen=True, slots=True)
class LotDetail:
    """Everything above, of one lot; `earlier` are the last lots before it, the earliest first."""

    capability: CapabilityDetail
    components: ComponentsDetail | None
    suspects: SuspectsDetail
    plan: PlanDetail | None
    material: MaterialDetail
    heat_treatment: tuple[HeatTreatmentDetail, ...] = ()
    earlier: tuple[EarlierLot, ...] = ()
