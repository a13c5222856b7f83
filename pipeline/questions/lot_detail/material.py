"""Which of the site's materials a lot and its parts fit, and whether the parts fall into two groups."""

from __future__ import annotations

from math import sqrt
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.judge.lots.kinds import in_working_unit
from pipeline.metrology.heat_treatment import pairs_of_sides, side
from pipeline.metrology.material_fit import fit_ranges
from pipeline.statistics.grouping import LEAST_SEPARATION, POSSIBLE_BELOW
from schemas.lot_detail import GroupsDetail, HeatTreatmentDetail, MaterialDetail, MaterialLine, PartMaterial
from schemas.versions import version_at

if TYPE_CHECKING:
    import polars as pl

    from pipeline.statistics.grouping import Grouping
    from schemas.results import LotResult

__all__ = ["heat_treatment_detail", "material_detail"]


def material_detail(
    result: LotResult, parts: pl.DataFrame, readings: pl.DataFrame, ranges: pl.DataFrame | None, grouping: Grouping
) -> MaterialDetail:
    """Compare a lot and its parts with the ranges of the site.

    Parameters
    ----------
    result
        The lot's result.
    parts
        Its part values, by order: part, order, mean, readings.
    readings
        Its readings as the page shows them.
    ranges
        All versions of the table of ranges; None where there is none.
    grouping
        How its part means fall into two groups.
    """
    groups = _groups(parts, readings, grouping)
    nothing = MaterialDetail(None, result.mean, None, result.material, None, 0, (), (), groups)

    def unknown(reason: str) -> MaterialDetail:
        return MaterialDetail(reason, *(getattr(nothing, name) for name in MaterialDetail.__slots__[1:]))

    if ranges is None:
        return unknown("reference/material_ranges.csv holds no range")
    if result.mean is None:
        return unknown("no part has a value at the reference temperature")
    if not result.expanded_uncertainty or not result.coverage_factor:
        return unknown(
            "the uncertainty of the mean is not known: "
            + result.not_computable.get("expanded_uncertainty", "it is zero")
        )
    at = result.last_at or result.as_of
    known = in_working_unit(version_at(ranges, ["material", "temper"], at), result.unit)
    u = result.expanded_uncertainty / result.coverage_factor
    per_part = [_part_uncertainty(result, n, u) for n in parts["readings"].to_list()]
    fit = fit_ranges(
        [result.mean, *parts["mean"].to_list()], [u, *per_part], known["low"], known["high"], known["weight"],
        result.coverage_factor,
    )  # fmt: skip
    rows = known.to_dicts()
    order = sorted(range(len(rows)), key=lambda i: (-fit.probability[0, i], fit.distance[0, i], i))
    lines = tuple(_line(rows[i], fit.probability[0, i], fit.likelihood[0, i], fit.distance[0, i], fit.fits[0, i]) for i in order)  # fmt: skip
    of_parts = []
    for place, (name, mean) in enumerate(parts.select("part", "mean").iter_rows(), start=1):
        best = int(np.argmax(np.where(fit.fits[place], fit.probability[place], -1.0)))
        likely = rows[best] if fit.fits[place].any() else None
        of_parts.append(
            PartMaterial(
                "" if name is None else str(name),
                mean,
                None if likely is None else likely["material"],
                None if likely is None else likely["temper"],
                None if likely is None else float(fit.probability[place, best]),
                int(fit.fits[place].sum()),
            )
        )
    own = [line for line in lines if line.material == result.material]
    return MaterialDetail(
        None, result.mean, u, result.material, any(line.fits for line in own) if own else None,
        sum(line.fits for line in lines), lines, tuple(of_parts), groups,
    )  # fmt: skip


def heat_treatment_detail(result: LotResult, material: MaterialDetail) -> tuple[HeatTreatmentDetail, ...]:
    """Return the parts with conductivity and hardness both out of limits, by the sides, and which ranges fit them.

    Parameters
    ----------
    result
        The lot, with its hardness results; limits and conductivity of a part in the working unit.
    material
        Its ranges, for :func:`material_detail` found them.
    """
    if result.limits_met == "in":  # a limit in another unit is hit exactly only there
        return ()
    low, high = result.lower, result.upper
    pairs = pairs_of_sides(
        (one.part, side(one.conductivity, low, high), side(one.value, one.lower, one.upper), one.conductivity)
        for one in result.hardness
        if one.read is not False
    )
    reach = result.expanded_uncertainty or 0.0
    found = []
    for pair in pairs:
        fits = [x for x in material.lines if x.lower - reach <= pair.conductivity_mean <= x.upper + reach]
        named = sorted(fits, key=lambda x: (x.material != result.material, x.material, x.temper or ""))
        found.append(
            HeatTreatmentDetail(
                pair.conductivity, pair.hardness, pair.parts, pair.conductivity_mean,
                tuple((x.material, x.temper) for x in named) if material.lines else None,
            )
        )  # fmt: skip
    return tuple(found)


def _groups(parts: pl.DataFrame, readings: pl.DataFrame, found: Grouping) -> GroupsDetail:
    lower: tuple[str, ...] = ()
    upper: tuple[str, ...] = ()
    differ = False
    if found.lower_count is not None:
        names = ["" if part is None else str(part) for part in parts["part"].to_list()]
        by_mean = sorted(zip(parts["mean"].to_list(), parts["order"].to_list(), names, strict=True))
        in_lower = {name for _, _, name in by_mean[: found.lower_count]}
        lower = tuple(name for name in names if name in in_lower)
        upper = tuple(name for name in names if name not in in_lower)
        read_on = set(zip(readings["part"].to_list(), readings["meter"].to_list(), strict=True))
        meters = [{meter for part, meter in read_on if part in group} for group in (set(lower), set(upper))]
        differ = bool(meters[0]) and bool(meters[1]) and not meters[0] & meters[1]
    possible = (
        found.found is False and found.p_value is not None and found.p_value < POSSIBLE_BELOW
        and found.separation is not None and found.separation >= LEAST_SEPARATION
    )  # fmt: skip
    return GroupsDetail(
        found.found, found.reason, found.p_value, found.separation, found.lower_mean, found.upper_mean,
        found.within_standard_deviation, lower, upper, differ, possible,
    )  # fmt: skip


def _part_uncertainty(result: LotResult, readings: int, of_mean: float) -> float:
    """Return the standard uncertainty of one part mean: what does not average stays, what does is of fewer readings.

    A known bias that was not corrected is spread over the coverage factor, as it is in the uncertainty of the lot's mean.
    """
    budget = next((b for b in result.budgets if b.of == "part" and b.standard_uncertainty and b.coverage_factor), None)
    lines, behind = (budget.contributions, budget.readings) if budget else (result.contributions, result.readings)
    if not lines:
        return of_mean
    fewer = behind / max(readings, 1)
    bias = abs(budget.uncorrected_bias) / budget.coverage_factor if budget and budget.coverage_factor else 0.0
    return sqrt(sum(c.standard_uncertainty**2 * (fewer if c.averages else 1.0) for c in lines)) + bias or of_mean


def _line(row: dict[str, Any], probability: float, likelihood: float, distance: float, fits: bool) -> MaterialLine:
    p = float(probability)
    return MaterialLine(
        row["material"], row["temper"], row["low"], row["high"], float(distance), bool(fits), float(likelihood), p,
        p / (1.0 - p) if p < 1.0 else None, row["source"], row["example"],
    )  # fmt: skip
