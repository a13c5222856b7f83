"""The conditions of a lot's capability: stability, shape, what lies beyond the limits, and what limits the index."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.statistics.fraction_outside import fraction_outside, observed_fraction
from pipeline.statistics.intervals import cpm, mean_interval, tolerance_interval
from pipeline.statistics.normality import Normality, anderson_darling
from pipeline.statistics.quantiles import DEFINITIONS, pearson_iii_scores, quantile_capability, values_needed
from pipeline.statistics.stability import Stability, stability
from schemas.lot_detail import (
    CapabilityDetail,
    ExpectedOutside,
    IntervalsDetail,
    NormalityDetail,
    OrderSignal,
    QuantileIndices,
    StabilityDetail,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from schemas.results import LotResult

__all__ = ["capability_detail"]

INDICATIVE = 25
"""Fewer subgroups than this make a capability figure indicative."""

NORMAL_FROM = 0.05
"""From this p on part means can be normal."""

CONFIDENCE = 0.95
COVERAGE = 0.95
"""Of the tolerance interval of the parts."""

_ALIKE = "neighbouring parts depend on each other"
_UNSTABLE = "the parts, in the order of measuring, do not come from one stable process"
_MIXED = "the part means fall into two groups, so there is no one process to speak of"


def capability_detail(
    result: LotResult,
    means: NDArray[np.float64],
    names: list[str],
    subgroup_size: int,
    *,
    shape: Normality,
    mixed: bool,
    target: float | None = None,
) -> CapabilityDetail:
    """Judge the conditions of a lot's indices.

    Parameters
    ----------
    result
        The lot's result.
    means, names
        Of its parts, in the order of measuring.
    subgroup_size
        1 for the moving range.
    shape
        Whether the means can be normal.
    mixed
        Whether the part means fall into two groups.
    target
        Of the lot's specification, in the unit of its means; None where there is none.
    """
    order = stability(means)
    normal = None if shape.p_value is None else shape.p_value >= NORMAL_FROM
    unstable = order.state == "unstable"
    subgroups = result.parts if subgroup_size == 1 else -(-result.parts // subgroup_size)
    side, lost = None, None
    if result.mean is not None:
        distances = {
            name: sign * (limit - result.mean)
            for name, limit, sign in (("lower", result.lower, -1.0), ("upper", result.upper, 1.0))
            if limit is not None
        }
        side = min(distances, key=lambda name: distances[name], default=None)
    if result.pp and result.ppk is not None:
        lost = 1.0 - result.ppk / result.pp
    headline_reason = _MIXED if mixed else _UNSTABLE if unstable else None
    return CapabilityDetail(
        headline=headline_reason is None,
        headline_reason=headline_reason,
        subgroups=subgroups,
        indicative=subgroups < INDICATIVE,
        stability=_order(order, names),
        normality=NormalityDetail(
            shape.values, shape.statistic, shape.corrected_statistic, shape.p_value, normal, shape.reason
        ),
        quantile=_quantiles(means, result.lower, result.upper, shape, normal),
        outside=_outside(result, means),
        limiting_side=side,
        lost_off_centre=lost,
        intervals=_intervals(result, order, shape, headline_reason, target),
    )


def _intervals(
    result: LotResult, order: Stability, shape: Normality, headline_reason: str | None, target: float | None
) -> IntervalsDetail:
    """Return the intervals that hold for these parts, and of the others what they lack."""
    n, mean, s, lower, upper = result.parts, result.mean, result.standard_deviation, result.lower, result.upper
    found: dict[str, Any] = dict.fromkeys(
        ("mean_interval", "tolerance_lower", "tolerance_upper", "cpm", "cpm_interval")
    )
    missing: dict[str, str] = {}

    def none(name: str, *reasons: str | None) -> bool:
        reason = next((reason for reason in reasons if reason is not None), None)
        if reason is not None:
            missing[name] = reason
        return reason is not None

    spread = None if s else result.not_computable.get("standard_deviation", "all part means are equal")
    normal = (
        f"whether the part means are normal was not tested: {shape.reason}"
        if shape.p_value is None
        else "the part means are not normal"
        if shape.p_value < NORMAL_FROM
        else None
    )
    alike = _ALIKE if order.independent is False else None
    if not none("mean_interval", spread, headline_reason, alike) and mean is not None and s:
        found["mean_interval"] = mean_interval(n, mean, s, confidence=CONFIDENCE)
    if not none("tolerance_interval", spread, headline_reason, alike, normal) and mean is not None and s:
        side = "both" if (lower is None) == (upper is None) else "upper" if lower is None else "lower"
        found["tolerance_lower"], found["tolerance_upper"] = tolerance_interval(
            n, mean, s, side=side, coverage=COVERAGE, confidence=CONFIDENCE
        )
    aim = (
        "the specification gives no target"
        if target is None
        else "this index needs two limits"
        if lower is None or upper is None
        else None
        if lower < target < upper
        else "the target does not lie between the limits"
    )
    if (
        not none("cpm", aim, spread, headline_reason, alike, normal)
        and mean is not None
        and s
        and lower is not None
        and upper is not None
        and target is not None
    ):
        found["cpm"], found["cpm_interval"] = cpm(n, mean, s, lower, upper, target, confidence=CONFIDENCE)
    return IntervalsDetail(
        parts=n, confidence=CONFIDENCE, tolerance_coverage=COVERAGE, target=target, not_computable=missing, **found
    )


def _order(order: Stability, names: list[str]) -> StabilityDetail:
    return StabilityDetail(
        order.state,
        order.reason,
        order.points,
        tuple(
            OrderSignal(s.rule, s.title, None if s.place is None else names[s.place - 1], s.place, s.length, s.decides)
            for s in order.signals
        ),
        order.autocorrelation,
        order.autocorrelation_bound,
        order.independent,
    )


def _quantiles(
    means: NDArray[np.float64], lower: float | None, upper: float | None, shape: Normality, normal: bool | None
) -> QuantileIndices:
    """Return indices from quantiles where the moment indices do not hold, by the first definition that can be had."""

    def none(reason: str, fit: float | None = None) -> QuantileIndices:
        missing = dict.fromkeys(("quantile_pp", "quantile_ppk"), reason)
        return QuantileIndices(None, None, None, None, None, None, fit, missing)

    if normal is None:
        return none(f"the shape was not tested: {shape.reason}")
    if normal:
        return none("the part means can be normal, so the index from mean and standard deviation holds")
    fit_p: float | None = None
    needed = values_needed("type_6")
    if means.size >= needed:
        found = quantile_capability(means, lower, upper, definition="type_6")
    else:
        fit_p = anderson_darling(pearson_iii_scores(means)).p_value
        if fit_p is None or fit_p < NORMAL_FROM:
            return none(
                f"{means.size} part means are too few for their own quantiles (at least {needed}), and no distribution "
                "that was tried follows them",
                fit_p,
            )
        found = quantile_capability(means, lower, upper, definition="pearson_iii")
    return QuantileIndices(
        found.quantile_pp, found.quantile_ppk, DEFINITIONS[found.definition], found.low_quantile, found.median,
        found.high_quantile, fit_p, found.not_computable,
    )  # fmt: skip


def _outside(result: LotResult, means: NDArray[np.float64]) -> ExpectedOutside:
    lower, upper = result.lower, result.upper
    expected = fraction_outside(result.parts, result.mean, result.standard_deviation, lower, upper)
    if not means.size or (lower is None and upper is None):
        return ExpectedOutside(
            0, None, None, None, None, None, None, conservative=False, reason=expected.reason or "no part was measured"
        )
    beyond = np.zeros(means.size, dtype=bool)
    if lower is not None:
        beyond |= means < lower
    if upper is not None:
        beyond |= means > upper
    counted = int(beyond.sum())
    observed, interval = observed_fraction(counted, int(means.size))
    return ExpectedOutside(
        counted, observed, interval, expected.below, expected.above, expected.total, expected.interval,
        expected.conservative, expected.reason,
    )  # fmt: skip
