"""Corrections for geometry: applied to the readings that a row of the site's table fits, and summed up for each lot."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.errors import SettingsError
from pipeline.metrology.corrections import QUANTITIES, matching, overlaps, too_large
from pipeline.metrology.geometry import single_frequency
from pipeline.metrology.units import convert_expression, is_resistivity
from schemas.corrections import AppliedCorrection
from schemas.versions import intervals, join_version

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.workspace.settings import Settings

__all__ = ["check_corrections", "corrections_of_lots", "with_corrections", "with_geometry"]


def check_corrections(table: pl.DataFrame, settings: Settings) -> None:
    """Refuse corrections that contradict each other or are larger than the site allows.

    Raises
    ------
    SettingsError
        Names the rows and what to do.
    """
    for found in overlaps(table):
        raise SettingsError(
            f"reference/corrections.csv: {found.first} and {found.second} (kind {found.kind}) fit one and the same reading. "
            "Make material, probe, frequency or ranges (low included, high not) exclude each other."
        )
    for name, value in too_large(table, largest_iacs=settings.largest_correction_iacs):
        raise SettingsError(
            f"reference/corrections.csv: {name} is {value:g} %IACS, more than largest_correction_iacs = "
            f"{settings.largest_correction_iacs:g}. Measure at a higher frequency instead (MIL-STD-1537C 4.4.3)."
        )


def with_geometry(frame: pl.DataFrame, tables: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Add what stood under the probe: `thickness_used_mm` (of all pieces) and `frequency_used_khz`.

    A reading's own thickness and frequency go first; else the lot's nominal thickness, and the frequency of a probe that
    has only one.

    Parameters
    ----------
    frame
        Columns lot, probe, measured_at, thickness_mm, pieces, frequency_khz.
    tables
        Reference tables.

    Returns
    -------
    polars.DataFrame
        Rows in the same order.
    """
    frame = join_version(
        frame, tables["lots"], key="lot", at="measured_at", columns={"thickness_mm": "_nominal"}
    ).with_columns((pl.coalesce("thickness_mm", "_nominal") * pl.col("pieces").fill_null(1)).alias("thickness_used_mm"))
    probes = tables["probes"].with_columns(
        pl.Series(
            "_frequency", [single_frequency(text) for text in tables["probes"]["frequencies_khz"]], dtype=pl.Float64
        )
    )
    return (
        join_version(frame, probes, key="probe", at="measured_at", columns={"_frequency": "_of_probe"})
        .with_columns(pl.coalesce("frequency_khz", "_of_probe").alias("frequency_used_khz"))
        .drop("_nominal", "_of_probe")
    )


def with_corrections(frame: pl.DataFrame, tables: Mapping[str, pl.DataFrame], settings: Settings) -> pl.DataFrame:
    """Correct readings of parts for geometry; without a table of corrections the frame stays as it is.

    Parameters
    ----------
    frame
        Readings with value_at_reference and standard_deviation_at_reference, in the working unit.
    tables
        Reference tables.
    settings
        Working unit and the largest correction.

    Returns
    -------
    polars.DataFrame
        With value_before_correction, correction_ms_per_m, corrections (names) and correction_problem.
    """
    table = tables["corrections"]
    if not table.height:
        return frame
    frame = frame.with_row_index("_row")
    parts = frame.filter((pl.col("role") == "part") & pl.col("value_at_reference").is_not_null())
    asked = with_geometry(parts, tables).select(
        "_row",
        "measured_at",
        pl.col("material", "probe").cast(pl.String),
        pl.col("frequency_used_khz").alias("frequency_khz"),
        pl.col("thickness_used_mm").alias("thickness_mm"),
        # what the meter compensated itself is not corrected again
        pl.when(~pl.col("curvature_compensated").fill_null(value=False)).then("radius_mm").alias("radius_mm"),
        pl.col("pieces").fill_null(1),
        "coating_um",
    )
    found = matching(asked, table, largest_iacs=settings.largest_correction_iacs)
    frame = frame.join(found, on="_row", how="left", maintain_order="left").drop("_row")
    unit = settings.unit
    before = pl.col("value_at_reference")
    shifted = convert_expression(before, unit, "MS/m") + pl.col("correction_ms_per_m")
    possible = pl.col("correction_ms_per_m").is_not_null() & (shifted > 0)
    after = convert_expression(shifted, "MS/m", unit)
    # resistivity is 1/σ: a standard deviation goes by the first-order factor; a shift of conductivity leaves it
    scale = (after / before) ** 2 if is_resistivity(unit) else pl.lit(1.0)
    deviation = pl.col("standard_deviation_at_reference")
    return frame.with_columns(
        before.alias("value_before_correction"),
        pl.when(possible).then(after).otherwise(before).alias("value_at_reference"),
        pl.when(possible).then(deviation * scale).otherwise(deviation).alias("standard_deviation_at_reference"),
        pl.when(possible).then("correction_ms_per_m").alias("correction_ms_per_m"),
        pl.when(possible).then("corrections").alias("corrections"),
        pl.when(pl.col("correction_ms_per_m").is_not_null() & (shifted <= 0))
        .then(pl.lit("the correction gives no positive conductivity, so it was not applied; check its sign and unit"))
        .otherwise("correction_problem")
        .alias("correction_problem"),
    )


def corrections_of_lots(
    counted: pl.DataFrame, tables: Mapping[str, pl.DataFrame]
) -> dict[str, tuple[AppliedCorrection, ...]]:
    """Return what was corrected on each lot.

    Parameters
    ----------
    counted
        Part readings with a value at the reference temperature.
    tables
        Reference tables.

    Returns
    -------
    dict
        By lot; lots without a correction are missing.
    """
    if "corrections" not in counted.columns or counted["corrections"].null_count() == counted.height:
        return {}
    uses = (
        counted.filter(pl.col("corrections").is_not_null())
        .select(
            pl.col("lot").cast(pl.String), "measured_at", "value_before_correction", "value_at_reference",
            pl.col("corrections").alias("correction"),
        )
        .explode("correction")
    )  # fmt: skip
    columns = ["kind", "low", "high", "value", "unit", "expanded_uncertainty", "coverage_factor", "source"]
    versions = intervals(tables["corrections"], ["correction"]).select(
        "correction", "holds_from", "holds_to", pl.col("source").alias("_source"), *columns
    )
    rows = (
        uses.join(versions, on="correction", how="inner")
        .filter(
            pl.col("measured_at") >= pl.col("holds_from"),
            pl.col("holds_to").is_null() | (pl.col("measured_at") < pl.col("holds_to")),
        )
        .group_by("lot", "correction", "holds_from")
        .agg(
            pl.len().alias("readings"),
            pl.col(columns).first(),
            pl.col("value_before_correction").mean().alias("mean_before"),
            pl.col("value_at_reference").mean().alias("mean_after"),
        )
        .sort("lot", "kind", "correction", "holds_from")
    )
    found: dict[str, list[AppliedCorrection]] = {}
    for row in rows.iter_rows(named=True):
        given = {name: row[name] for name in (*columns, "readings", "correction", "mean_before", "mean_after")}
        found.setdefault(row["lot"], []).append(AppliedCorrection(quantity_unit=QUANTITIES[row["kind"]], **given))
    return {lot: tuple(each) for lot, each in found.items()}
