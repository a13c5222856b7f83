"""Flags on the geometry of what was read: thickness, coating, curvature, spot, range of the meter, corrections."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.judge.values.corrections import with_geometry
from pipeline.metrology.geometry import (
    coating_sentence,
    curvature_sentence,
    depths_of_penetration,
    spot_sentence,
    thickness_sentence,
)
from schemas.digits import counted, digits_that_tell
from schemas.versions import join_version

if TYPE_CHECKING:
    from pipeline.judge.assessment import Basis

__all__ = ["geometry_flags"]

_MOST = 3
"""Sentences of one kind that a lot carries; what is worst comes first."""


def geometry_flags(assessment: Basis, live: pl.DataFrame) -> dict[str, list[str]]:
    """Return the flags of each lot that speak of geometry.

    Parameters
    ----------
    assessment
        Settings and reference tables.
    live
        Part readings that count.

    Returns
    -------
    dict
        Lot -> flags.
    """
    found: dict[str, list[str]] = {}
    for each in (_thickness, _coating, _curvature, _spot, _range, _corrections):
        for lot, text in each(assessment, live):
            found.setdefault(lot, []).append(text)
    return found


def _not_corrected(live: pl.DataFrame, assessment: Basis, *kinds: str) -> pl.DataFrame:
    """Return readings to which no correction of these kinds was applied."""
    if "corrections" not in live.columns:
        return live
    table = assessment.tables["corrections"]
    names = table.filter(pl.col("kind").is_in(kinds))["correction"].unique().to_list()
    applied = pl.col("corrections").list.eval(pl.element().is_in(names)).list.any()
    return live.filter(~applied.fill_null(value=False))


def _worst_first(rows: pl.DataFrame, by: str, *, descending: bool) -> pl.DataFrame:
    return (
        rows.sort("lot", by, descending=[False, descending], nulls_last=True)
        .group_by("lot", maintain_order=True)
        .head(_MOST)
    )


def _thickness(assessment: Basis, live: pl.DataFrame) -> list[tuple[str, str]]:
    tables, multiple = assessment.tables, assessment.settings.penetration_multiple
    stated = live["thickness_mm"].null_count() < live.height
    if not live.height or (not stated and not tables["lots"]["thickness_mm"].count()):
        return []
    readings = _not_corrected(live, assessment, "thickness", "stacked").filter(pl.col("value_ms_per_m") > 0)
    geometry = ["lot", "probe", "frequency_khz", "thickness_mm", "pieces"]
    groups = with_geometry(
        readings.group_by(geometry).agg(
            pl.len().alias("n"), pl.col("value_ms_per_m").min(), pl.col("measured_at").max()
        ),
        tables,
    ).filter(pl.col("thickness_used_mm").is_not_null() & pl.col("frequency_used_khz").is_not_null())
    depths = depths_of_penetration(pl.col("value_ms_per_m"), pl.col("frequency_used_khz"), pl.col("thickness_used_mm"))
    # the lowest value of a group tells whether any of its readings is too thin; only then they are looked at one by one
    thin = groups.filter(depths < multiple * (1 - 1e-12))
    if not thin.height:
        return []
    of_thin = readings.join(
        thin.select(*geometry, "thickness_used_mm", "frequency_used_khz"), on=geometry, how="inner", nulls_equal=True
    ).filter(depths < multiple * (1 - 1e-12))
    rows = (
        of_thin.group_by("lot", "meter", "frequency_used_khz", "thickness_used_mm")
        .agg(pl.len().alias("n"), pl.col("value_ms_per_m").min())
        .with_columns(pl.col("lot", "meter").cast(pl.String), depths.alias("_depths"))
        .sort("meter", "frequency_used_khz", "thickness_used_mm")
    )
    frequencies = _frequencies(assessment)
    return [
        (
            row["lot"],
            "too_thin: "
            + thickness_sentence(
                readings=row["n"],
                conductivity_ms_per_m=row["value_ms_per_m"],
                frequency_khz=row["frequency_used_khz"],
                thickness_mm=row["thickness_used_mm"],
                multiple=multiple,
                frequencies=frequencies.get(row["meter"], ()),
            ),
        )
        for row in _worst_first(rows, "_depths", descending=False).iter_rows(named=True)
    ]


def _frequencies(assessment: Basis) -> dict[str, tuple[float, ...]]:
    """Return the frequencies of each meter's probes."""
    found: dict[str, set[float]] = {}
    for meter, text in assessment.tables["probes"].select("meter", "frequencies_khz").drop_nulls().iter_rows():
        for part in text.replace(";", " ").split():
            try:
                found.setdefault(meter, set()).add(float(part))
            except ValueError:
                continue
    return {meter: tuple(sorted(each)) for meter, each in found.items()}


def _coating(assessment: Basis, live: pl.DataFrame) -> list[tuple[str, str]]:
    if live["coating_um"].null_count() == live.height:
        return []
    coated = _not_corrected(live, assessment, "coating").filter(pl.col("coating_um").is_not_null())
    rows = (
        join_version(
            coated.select("lot", "probe", "measured_at", "coating_um"), assessment.tables["probes"], key="probe",
            at="measured_at", columns={"lift_off_limit_um": "limit"},
        )
        .filter(pl.col("coating_um") > pl.col("limit"))
        .group_by("lot", "probe", "limit")
        .agg(pl.len().alias("n"), pl.col("coating_um").max())
        .with_columns(pl.col("lot", "probe").cast(pl.String))
        .sort("probe", "limit")
    )  # fmt: skip
    return [
        (
            row["lot"],
            "coating_beyond_lift_off: "
            + coating_sentence(
                readings=row["n"], coating_um=row["coating_um"], probe=row["probe"], limit_um=row["limit"]
            ),
        )
        for row in _worst_first(rows, "coating_um", descending=True).iter_rows(named=True)
    ]


def _curvature(assessment: Basis, live: pl.DataFrame) -> list[tuple[str, str]]:
    if live["radius_mm"].null_count() == live.height:
        return []
    flat = assessment.settings.flat_from_radius_mm
    rows = (
        _not_corrected(live, assessment, "curvature")
        .filter((pl.col("radius_mm") < flat) & ~pl.col("curvature_compensated").fill_null(value=False))
        .group_by(pl.col("lot").cast(pl.String))
        .agg(pl.len().alias("n"), pl.col("radius_mm").min())
        .sort("lot")
    )
    return [
        (lot, "curved_without_compensation: " + curvature_sentence(readings=n, radius_mm=radius, flat_from_mm=flat))
        for lot, n, radius in rows.iter_rows()
    ]


def _spot(assessment: Basis, live: pl.DataFrame) -> list[tuple[str, str]]:
    tables = assessment.tables
    if not (tables["lots"]["smallest_flat_mm"].count() and tables["probes"]["spot_diameter_mm"].count()):
        return []
    groups = live.group_by("lot", "probe").agg(pl.len().alias("n"), pl.col("measured_at").max())
    groups = join_version(groups, tables["lots"], key="lot", at="measured_at", columns={"smallest_flat_mm": "flat"})
    rows = (
        join_version(groups, tables["probes"], key="probe", at="measured_at", columns={"spot_diameter_mm": "spot"})
        .filter(pl.col("spot") > pl.col("flat"))
        .with_columns(pl.col("lot", "probe").cast(pl.String))
        .sort("lot", "probe")
    )
    return [
        (
            row["lot"],
            "spot_too_small: "
            + spot_sentence(readings=row["n"], probe=row["probe"], spot_mm=row["spot"], flat_mm=row["flat"]),
        )
        for row in rows.iter_rows(named=True)
    ]


def _range(assessment: Basis, live: pl.DataFrame) -> list[tuple[str, str]]:
    meters = assessment.tables["meters"]
    if not meters["range_low_ms_per_m"].count() + meters["range_high_ms_per_m"].count():
        return []
    groups = live.group_by("lot", "meter").agg(
        pl.col("value_ms_per_m").min().alias("lowest"),
        pl.col("value_ms_per_m").max().alias("highest"),
        pl.col("measured_at").max(),
    )
    joined = join_version(
        groups,
        meters,
        key="meter",
        at="measured_at",
        columns={"range_low_ms_per_m": "low", "range_high_ms_per_m": "high"},
    )
    rows = (
        joined.filter((pl.col("lowest") < pl.col("low")) | (pl.col("highest") > pl.col("high")))
        .with_columns(pl.col("lot", "meter").cast(pl.String))
        .sort("lot", "meter")
    )
    return [
        (
            row["lot"],
            (
                f"outside_meter_range: readings from {_told(row['lowest'], row['low'])} to {_told(row['highest'], row['high'])} MS/m, "
                f"meter {row['meter']} is stated "
                f"for {_stated(row['low'], row['high'])}; take a meter whose range reaches that far"
            ),
        )
        for row in rows.iter_rows(named=True)
    ]


def _told(value: float, limit: float | None) -> str:
    return f"{value:.{4 if limit is None else digits_that_tell(4, value, limit)}g}"


def _stated(low: float | None, high: float | None) -> str:
    if low is None:
        return f"at most {high:g} MS/m"
    return f"at least {low:g} MS/m" if high is None else f"{low:g} to {high:g} MS/m"


def _corrections(assessment: Basis, live: pl.DataFrame) -> list[tuple[str, str]]:
    if "corrections" not in live.columns:
        return []
    unit = assessment.settings.unit
    applied = (
        live.filter(pl.col("corrections").is_not_null())
        .group_by(pl.col("lot").cast(pl.String), pl.col("corrections").list.join(", ").alias("names"))
        .agg(
            pl.len().alias("n"),
            pl.col("value_before_correction").mean().alias("before"),
            pl.col("value_at_reference").mean().alias("after"),
        )
        .sort("lot", "names")
    )
    found = [
        (
            row["lot"],
            (
                f"corrected_for_geometry: {counted(row['n'], 'reading')} by {row['names']}, mean {row['before']:.5g} before and "
                f"{row['after']:.5g} {unit} after"
            ),
        )
        for row in applied.iter_rows(named=True)
    ]
    problems = (
        live.filter(pl.col("correction_problem").is_not_null())
        .group_by(pl.col("lot").cast(pl.String), "correction_problem")
        .agg(pl.len().alias("n"))
        .sort("lot", "correction_problem")
    )
    return found + [
        (lot, f"correction_not_applied: {counted(n, 'reading')}: {problem}") for lot, problem, n in problems.iter_rows()
    ]
