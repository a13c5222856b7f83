"""A supplier or a process at all plants: its level over them, and which plant differs.

Each lot mean is a determination of its plant (ISO 5725-2: a plant takes the place of a laboratory). Over plants: mean of the plants'
means and components of variance between plants and between lots of a plant (one-way random effects, `statistics.between_lots`).
That plants differ says E_n of a pair beyond 1 (ISO 13528, ISO/IEC 17043), with what the meters of each plant leave; which of them, from three plants
on, Mandel's h at 1 % (ISO 5725-2).
"""

from __future__ import annotations

from dataclasses import replace
from math import hypot, sqrt
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.errors import UsageError
from pipeline.metrology.agreement import COVERAGE_FACTOR, MeterMean, compare_meters, differences_of
from pipeline.metrology.interlaboratory import compared
from pipeline.near import nearest
from pipeline.statistics.between_lots import lots_together
from pipeline.statistics.intervals import mean_interval
from schemas.digits import counted
from schemas.union import GroupOverPlants, OverPlants, PlantLevel

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from schemas.blocks import MeterDifference


__all__ = ["LEAST_LOTS", "apart", "disagreements", "names_over_plants", "over_plants"]

LEAST_LOTS = 8
"""Lots of a plant below which nothing is said of its level, as for the limits of a supplier (`supplier_baseline_lots`)."""

_COLUMN = {"supplier": "company_supplier", "process": "company_product"}


def names_over_plants(kind: str, lots: pl.DataFrame, *, sites: int = 1) -> list[str]:
    """Return the suppliers or processes of the company whose lots were read at so many sites or more."""
    column = _COLUMN[kind]
    counts = lots.drop_nulls(column).group_by(column).agg(pl.col("site").n_unique())
    return sorted(counts.filter(pl.col("site") >= sites)[column].to_list())


def over_plants(kind: str, name: str, lots: pl.DataFrame) -> OverPlants:
    """Hold the plants that read lots of a supplier, or made a product, against one another.

    Parameters
    ----------
    kind
        supplier or process.
    name
        As the company writes it.
    lots
        The narrow lots of all sites: named, counted once, in MS/m.

    Raises
    ------
    UsageError
        If no lot bears the name.
    """
    own = lots.filter(pl.col(_COLUMN[kind]) == name)
    if not own.height:
        known = names_over_plants(kind, lots)
        raise UsageError(
            f"No lot of {kind} {name!r} was read under that name of the company. Known: {', '.join(known) or 'none'}; "
            f"'annealog centre names --unmapped' lists what no table explains{nearest(name, known)}"
        )
    parts = own.with_columns(pl.col("company_material").fill_null("")).partition_by("company_material", as_dict=True)
    groups = tuple(_group(str(key[0]), part) for key, part in sorted(parts.items()))
    said = [f"{group.material}: {sentence}" for group in groups for sentence in group.differ]
    compared_ones = [group for group in groups if group.pairs]
    state = "differs" if said else "agrees" if compared_ones else "not_assessed"
    reasons = said or (
        [f"{group.material}: {len(_told(group.plants))} plants agree" for group in compared_ones]
        or [f"{group.material}: {group.not_said[0]}" for group in groups]
    )
    return OverPlants(kind=kind, name=name, state=state, reasons=tuple(reasons), groups=groups)


def _told(plants: Iterable[PlantLevel]) -> list[PlantLevel]:
    return [plant for plant in plants if plant.mean is not None]


def _plant(site: str, lots: pl.DataFrame, temperature: float | None) -> tuple[PlantLevel, str | None]:
    """Return what a plant's lots say, and why they say nothing."""
    # a meter that failed its check throws doubt on a lot's level, so such a lot says nothing of its supplier
    suspect = lots.filter(pl.col("support") == "suspect")
    usable = lots.filter(pl.col("mean").is_not_null() & (pl.col("support") != "suspect"))
    keys = ("mean", "mean_interval", "standard_deviation", "own_standard_uncertainty", "expanded_uncertainty")
    level: dict[str, Any] = dict.fromkeys(keys)
    reason = None
    if usable.height < LEAST_LOTS:
        reason = f"{site} has {counted(usable.height, 'lot')} that can be relied on, {LEAST_LOTS} are needed"
    elif set(usable["reference_temperature_c"]) != {temperature}:
        reason = f"{site} states its values at another temperature than most, {temperature:g} °C"
    else:
        # summed in order of size, so that the order of loading leaves no trace
        means = usable["mean"].sort()
        mean, s = float(means.mean()), float(means.std())  # type: ignore[arg-type]
        own = usable.select((pl.col("expanded_uncertainty") / pl.col("k")).median()).item()
        level = {
            "mean": mean,
            "mean_interval": mean_interval(means.len(), mean, s, confidence=0.95),
            "standard_deviation": s,
            "own_standard_uncertainty": own,
            "expanded_uncertainty": None if own is None else COVERAGE_FACTOR * hypot(s / sqrt(means.len()), own),
        }
    verdicts = lots["verdict"]
    plant = PlantLevel(
        site=site, lots=lots.height, held=int((verdicts == "hold").sum()), rejected=int((verdicts == "reject").sum()),
        suspect=tuple(sorted(suspect["lot"])),
        on_suspended=tuple(sorted(usable.filter(pl.col("on_suspended"))["lot"])), **level, h=None,
    )  # fmt: skip
    return plant, reason


def _group(material: str, lots: pl.DataFrame) -> GroupOverPlants:
    temperatures = lots["reference_temperature_c"].drop_nulls()
    # the lowest of those that are most common, whatever the order of sites
    usual = temperatures.mode().min()
    parts = sorted(lots.partition_by("site", as_dict=True).items())
    found = [_plant(str(key[0]), part, usual) for key, part in parts]  # type: ignore[arg-type]
    plants, not_said = [plant for plant, _ in found], [reason for _, reason in found if reason]
    told = [plant for plant in plants if plant.mean is not None]
    result: dict[str, Any] = {"mean": None, "mean_interval": None, "between": None, "within": None, "h_limit": None}
    pairs: tuple[MeterDifference, ...] = ()
    differ: list[str] = []
    if not material:
        not_said.insert(0, "the company knows no material for these lots, so they may be of several")
    elif len(told) < 2:
        not_said.insert(0, "fewer than two plants have enough lots to be compared")
    else:
        counts = {
            str(key[0]): part.filter(pl.col("mean").is_not_null() & (pl.col("support") != "suspect")).height
            for key, part in parts
        }
        means = [
            MeterMean(p.site, float(p.mean or 0.0), p.standard_deviation, counts[p.site], p.own_standard_uncertainty)
            for p in told
        ]
        together = lots_together(
            [one.mean for one in means],
            [(one.standard_deviation or 0.0) ** 2 for one in means],
            [one.n for one in means],
        )
        result |= {
            "mean": together.mean, "mean_interval": together.mean_interval,
            "between": together.between_standard_deviation, "within": together.within_standard_deviation,
        }  # fmt: skip
        pairs = differences_of(compare_meters(means), "lots")
        beside = compared(material, means)
        if beside is not None and beside.h_limit is not None:
            result["h_limit"] = beside.h_limit
            h = {one.meter: one.h for one in beside.meters}
            plants = [replace(plant, h=h.get(plant.site)) for plant in plants]
        differ = apart(pairs, {plant.site: plant.h for plant in plants}, result["h_limit"]) + disagreements(pairs)
        drifting = [plant for plant in plants if plant.site in disagreeing(pairs) and plant.on_suspended]
        differ += [
            f"{counted(len(plant.on_suspended), 'lot')} of {plant.site} read on a meter that is suspended now: look at it first"
            for plant in drifting
        ]
    return GroupOverPlants(
        material=material or "not stated", plants=tuple(plants), mean=result["mean"], mean_interval=result["mean_interval"],
        between_standard_deviation=result["between"], within_standard_deviation=result["within"], h_limit=result["h_limit"],
        least_lots=LEAST_LOTS, pairs=pairs, differ=tuple(differ), not_said=tuple(not_said),
    )  # fmt: skip


def disagreements(pairs: Sequence[MeterDifference]) -> list[str]:
    """Return in words the pairs whose |Eₙ| is above 1, the furthest apart first."""
    return [
        f"{one.first} and {one.second} differ by {one.difference:+.3g} MS/m (Eₙ {one.e_n:+.2f})"
        for one in sorted(pairs, key=lambda pair: -abs(pair.e_n or 0.0))
        if one.e_n is not None and abs(one.e_n) > 1.0
    ]


def disagreeing(pairs: Iterable[MeterDifference]) -> set[str]:
    """Return who stands in a pair whose |E_n| is above 1."""
    return {name for one in pairs if one.e_n is not None and abs(one.e_n) > 1.0 for name in (one.first, one.second)}


def apart(pairs: Sequence[MeterDifference], h: Mapping[str, float | None], limit: float | None) -> list[str]:
    """Return in words who of those that disagree with another lies apart from all: Mandel's h alone says nothing of size."""
    disagree = disagreeing(pairs)
    return [
        f"{name} lies apart from the others (Mandel's h {value:+.2f}, limit {limit:.2f})"
        for name, value in h.items()
        if name in disagree and value is not None and limit is not None and abs(value) > limit
    ]
