"""A lot's page in the unit of its specification: values of the working unit are converted once, before anything is written.

Only where both units are proportional; statistics of resistivity cannot be made from statistics of conductivity, so such a page
stays in the working unit.
"""

from __future__ import annotations

import dataclasses
from typing import Any, TypeVar

from pipeline.metrology.units import lead_unit
from schemas.bias import BiasAtLevel
from schemas.blocks import MeterDifference
from schemas.corrections import AppliedCorrection
from schemas.evidence import EveryReading, Exclusion, HardnessResult
from schemas.look_back import CameToLight
from schemas.lot_detail import (
    CapabilityDetail,
    ComponentLine,
    ComponentsDetail,
    EarlierLot,
    GroupsDetail,
    HeatTreatmentDetail,
    IntervalsDetail,
    LotDetail,
    MaterialDetail,
    MaterialLine,
    PartMaterial,
    QuantileIndices,
    SuspectsDetail,
    SuspectValue,
)
from schemas.results import LotPage, LotResult
from schemas.uncertainty import Budget, Contribution

__all__ = ["in_lead_unit", "result_in_lead_unit"]

_SCALED: dict[type, tuple[str, ...]] = {
    LotResult: (
        "mean", "standard_deviation", "minimum", "maximum", "repeatability", "within_standard_deviation", "expanded_uncertainty",
    ),
    EveryReading: ("mean", "standard_deviation", "minimum", "maximum", "expanded_uncertainty"),
    Exclusion: ("value_at_reference",),
    HardnessResult: ("conductivity",),
    CameToLight: ("bias", "tolerance"),
    AppliedCorrection: ("mean_before", "mean_after"),
    BiasAtLevel: (
        "level", "bias", "standard_uncertainty", "beyond", "known_bias", "known_bias_standard_uncertainty",
    ),
    Budget: ("level", "standard_uncertainty", "expanded_uncertainty", "uncorrected_bias"),
    Contribution: ("standard_uncertainty",),
    MeterDifference: ("difference", "interval", "standard_uncertainty"),
    QuantileIndices: ("low_quantile", "median", "high_quantile"),
    IntervalsDetail: ("mean_interval", "tolerance_lower", "tolerance_upper", "target"),
    ComponentLine: ("standard_deviation",),
    SuspectValue: ("value", "deviation"),
    MaterialDetail: ("value", "standard_uncertainty"),
    MaterialLine: ("lower", "upper", "distance"),
    PartMaterial: ("mean",),
    HeatTreatmentDetail: ("mean",),
    EarlierLot: ("mean",),
    GroupsDetail: ("lower_mean", "upper_mean", "within_standard_deviation"),
    LotDetail: (), CapabilityDetail: (), ComponentsDetail: (), SuspectsDetail: (),
}  # fmt: skip
"""Values in the working unit, by what holds them; conformity and the plan are in the unit of the limits already."""

_SQUARED: dict[type, tuple[str, ...]] = {ComponentLine: ("raw", "variance", "low", "high")}
_NAMED_UNIT = (LotResult, BiasAtLevel, Budget)
_FRAMES = {
    "readings": ("value_at_reference",),
    "part_values": ("mean", "spot_standard_deviation"),
    "spot_values": ("mean", "standard_deviation"),
    "checks": ("mean", "bias", "tolerance"),
}

Held = TypeVar("Held")


def in_lead_unit(page: LotPage) -> LotPage:
    """Return a lot's page with everything that stood in the working unit in the unit of its limits.

    Parameters
    ----------
    page
        As computed.

    Returns
    -------
    LotPage
        The same page where the units are one, are not proportional, or there are no limits.
    """
    result = page.result
    factor, own = lead_unit(result.unit, result.limits_unit)
    if own == result.unit:
        return page
    frames: dict[str, Any] = {}
    for name, columns in _FRAMES.items():
        frames[name] = frame = getattr(page, name).clone()
        for column in columns:
            if column in frame.columns:
                frame.replace_column(frame.get_column_index(column), frame[column] * factor)
    return dataclasses.replace(
        page,
        result=result_in_lead_unit(result),
        detail=_converted(page.detail, factor, own),
        came_to_light=_converted(page.came_to_light, factor, own),
        meter_differences=_converted(page.meter_differences, factor, own),
        **frames,
    )


def result_in_lead_unit(result: LotResult) -> LotResult:
    """Return what is found of a lot in the unit of its limits, as :func:`in_lead_unit` does a page."""
    factor, unit = lead_unit(result.unit, result.limits_unit)
    if unit == result.unit:
        return result
    return dataclasses.replace(
        _converted(result, factor, unit), lower=result.lower_as_written, upper=result.upper_as_written
    )


def _converted(held: Held, factor: float, unit: str) -> Held:
    """Return a result, or results, with the values of each class that stand in the working unit converted."""
    if isinstance(held, tuple):
        return tuple(_converted(one, factor, unit) for one in held)  # type: ignore[return-value]
    kind = type(held)
    if kind not in _SCALED:
        return held
    changed: dict[str, Any] = {}
    for field in dataclasses.fields(held):  # type: ignore[arg-type]
        value = getattr(held, field.name)
        times = factor if field.name in _SCALED[kind] else factor**2 if field.name in _SQUARED.get(kind, ()) else None
        if times is None:
            changed[field.name] = _converted(value, factor, unit)
        elif value is not None:
            changed[field.name] = tuple(times * v for v in value) if isinstance(value, tuple) else times * value
    if kind in _NAMED_UNIT:
        changed["unit"] = unit
    return dataclasses.replace(held, **changed)  # type: ignore[type-var]
