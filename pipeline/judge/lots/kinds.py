"""Whether a lot is of one kind: groups of parts, uneven parts, a material that is not the one it is entered as. Each is a flag."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.metrology.units import convert, derivative, is_resistivity
from pipeline.statistics.grouping import two_groups_of_lots
from schemas.digits import finite, p_in_words, probability_in_words
from schemas.versions import intervals, version_at

if TYPE_CHECKING:
    from pipeline.judge.assessment import Basis
    from pipeline.workspace.settings import Settings

__all__ = ["groups_of_lots", "in_working_unit", "materials_that_do_not_fit", "soft_spots_of_lots"]

_SPOT_EFFECT_P = 1e-4
"""Spots inside parts are called different below this p: with hundreds of lots, 0.05 would call many by chance."""

_STEPS = 2.0
"""Spots closer than so many steps of the display are not called different: each may be rounded by half of one (our own rule)."""


def groups_of_lots(part_values: pl.DataFrame, lead: pl.DataFrame) -> dict[str, str]:
    """Return a flag for each lot whose part means fall into two groups, in the unit that leads.

    There is no least distance: what two clean groups differ by is not known, and a mixed lot costs more than a look.

    Parameters
    ----------
    part_values
        By lot and part.
    lead
        From `lead_units`.
    """
    found = two_groups_of_lots(part_values).filter("found").join(lead, on="lot", how="left", maintain_order="left")
    return {
        row["lot"]: (
            f"more_than_one_group: part means fall into two groups, {row['lower_count']} around "
            f"{_told(row['lower_mean'], row)} and {row['parts'] - row['lower_count']} around {_told(row['upper_mean'], row)} "
            f"{row['lead_unit']} ({row['separation']:.1f} standard deviations within a group apart; by chance in "
            f"{_chance(row['p_value'])} lots of one kind); look for mixed material"
        )
        for row in found.iter_rows(named=True)
    }


def _told(value: float, row: dict[str, object]) -> str:
    return f"{value * float(str(row['lead_factor'])):.{row['decimals']}f}"


def _chance(p: float) -> str:
    words = probability_in_words(p)
    return words if "1 in" in words else f"1 in {1 / p:,.0f}"


def soft_spots_of_lots(
    assessment: Basis, info: pl.DataFrame, figures: pl.DataFrame, spots: pl.DataFrame, lead: pl.DataFrame
) -> dict[str, str]:
    """Return a flag for each lot with parts whose spots differ both beyond doubt and by a size that matters.

    Beyond doubt: p below 1 in 10,000 against repeats. The size: spots of one part at least `soft_spot_percent` of the
    width of the limits apart, at most the tolerance of block checks (which decides alone where there is one limit or
    none: what a meter may be wrong by is no soft spot), and two steps of the display. Our own rule.

    Parameters
    ----------
    assessment
        Settings and meters.
    info
        With the limits in the working unit.
    figures, spots
        By lot, and by spot.
    lead
        From `lead_units`.
    """
    doubtless = figures.filter(pl.col("spot_p_value") < _SPOT_EFFECT_P)
    if not doubtless.height:
        return {}
    ranges = (
        spots.join(doubtless.select("lot"), on="lot", how="semi")
        .group_by("lot", "part", maintain_order=True)
        .agg((pl.col("mean").max() - pl.col("mean").min()).alias("range"))
        .join(doubtless.select("lot", "mean", "spot_f_ratio", "spot_p_value"), on="lot", maintain_order="left")
        .join(info.select("lot", "lower", "upper", "meters"), on="lot", how="left", maintain_order="left")
        .join(lead, on="lot", how="left", maintain_order="left")
        .sort("lot", "range", descending=[False, True], maintain_order=True)
    )
    steps = {
        row["meter"]: (row["resolution"], row["unit"])
        for row in version_at(assessment.tables["meters"], ["meter"], assessment.as_of).iter_rows(named=True)
        if row["resolution"] is not None and row["unit"] is not None
    }
    found: dict[str, str] = {}
    for (lot,), parts in ranges.group_by("lot", maintain_order=True):
        row = parts.row(0, named=True)
        size = _size_that_matters(row, assessment.settings, steps)
        apart = parts.filter(pl.col("range") >= size)
        if apart.height:
            f = finite(row["spot_f_ratio"])
            least = max(0, row["decimals"])
            found[str(lot)] = (
                f"spots_differ_within_parts: on {apart.height} of {parts.height} parts spots lie "
                f"{size * row['lead_factor']:.{least}f} {row['lead_unit']} or more apart, most on part {row['part']} "
                f"({_told(row['range'], row)} {row['lead_unit']}), which repeats on one spot do not explain "
                f"({'' if f is None else f'F = {f:.3g}, '}{p_in_words(row['spot_p_value'])}); look for soft spots"
            )
    return found


def _size_that_matters(row: dict[str, Any], settings: Settings, steps: dict[str, tuple[float, str]]) -> float:
    """Return from which difference on, in the working unit, spots of one part call for a look."""
    level, unit = row["mean"], settings.unit
    at_level = convert(level, unit, settings.tolerance_unit)
    size = settings.tolerance * abs(derivative(at_level, settings.tolerance_unit, unit))
    if row["lower"] is not None and row["upper"] is not None:
        size = min(size, settings.soft_spot_percent / 100 * (row["upper"] - row["lower"]))
    shown = [
        step * abs(derivative(convert(level, unit, given), given, unit))
        for step, given in (steps[meter] for meter in row["meters"] or () if meter in steps)
    ]
    return max([size, *(_STEPS * step for step in shown)])


def materials_that_do_not_fit(
    assessment: Basis, info: pl.DataFrame, figures: pl.DataFrame, budgets: pl.DataFrame, lead: pl.DataFrame
) -> dict[str, str]:
    """Return a flag for each lot whose mean fits no range of the material it is entered as, with its expanded uncertainty.

    Parameters
    ----------
    assessment
        For the table of ranges; without it nothing is said.
    info
        Material and time of each lot.
    figures, budgets
        Means and their expanded uncertainty.
    lead
        From `lead_units`.
    """
    table = assessment.tables.get("material_ranges")
    if table is None or not table.height:
        return {}
    ranges = in_working_unit(intervals(table, ["material", "temper"]), assessment.settings.unit)
    lots = (
        info.select("lot", "material", pl.col("last_at").fill_null(assessment.as_of).alias("at"))
        .join(figures.select("lot", "mean"), on="lot")
        .join(budgets.select("lot", "expanded_uncertainty"), on="lot")
        .drop_nulls(["material", "mean", "expanded_uncertainty"])
    )
    near = (
        lots.join(ranges.select("material", "low", "high", "holds_from", "holds_to"), on="material")
        .filter(
            (pl.col("holds_from") <= pl.col("at"))
            & (pl.col("holds_to").is_null() | (pl.col("at") < pl.col("holds_to")))
        )
        .with_columns(
            pl.max_horizontal(pl.col("low") - pl.col("mean"), pl.col("mean") - pl.col("high"), 0.0).alias("outside")
        )
        .group_by("lot")
        .agg(pl.col("material", "expanded_uncertainty").first(), pl.col("outside").min())
        .filter(pl.col("outside") > pl.col("expanded_uncertainty"))
        .join(lead, on="lot", how="left")
        .sort("lot")
    )
    return {
        row["lot"]: (
            f"material_does_not_fit: the mean lies {_told(row['outside'], row)} {row['lead_unit']} outside every range of "
            f"{row['material']} in reference/material_ranges.csv, more than its expanded uncertainty of "
            f"{_told(row['expanded_uncertainty'], row)} {row['lead_unit']}; find out what the lot is"
        )
        for row in near.iter_rows(named=True)
    }


def in_working_unit(ranges: pl.DataFrame, unit: str) -> pl.DataFrame:
    """Add low and high in the working unit; between conductivity and resistivity the two ends change places."""
    ends = []
    for lower, upper, given in ranges.select("lower", "upper", "unit").iter_rows():
        pair = [convert(lower, given, unit), convert(upper, given, unit)]
        ends.append(pair[::-1] if is_resistivity(given) != is_resistivity(unit) else pair)
    return ranges.with_columns(
        pl.Series("low", [pair[0] for pair in ends], dtype=pl.Float64),
        pl.Series("high", [pair[1] for pair in ends], dtype=pl.Float64),
        pl.col("weight").fill_null(1.0),
        pl.col("example").fill_null(value=False),
    ).sort("low", "high", "material", "temper", nulls_last=False)
