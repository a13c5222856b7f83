"""Uncertainty of each lot's mean, and of what is compared with its limits: gathers the inputs of the budget."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING

import polars as pl

from pipeline.metrology.lot_budget import LotMeanBudget, LotMeanInputs, lot_mean_budget, lot_mean_budgets
from pipeline.metrology.temperature import sensitivities
from pipeline.metrology.units import convert, convert_expression, derivative
from schemas.versions import join_version, version_at

if TYPE_CHECKING:
    from pipeline.steps.assess import Assessment

__all__ = ["budgets_of_lots"]

_ENOUGH_CHECKS = 6
"""Below this the standard deviation between checks says less than the meter's accuracy statement."""


def budgets_of_lots(
    assessment: Assessment, counted: pl.DataFrame, figures: pl.DataFrame, spots: pl.DataFrame, info: pl.DataFrame
) -> tuple[pl.DataFrame, dict[str, LotMeanBudget]]:
    """Return the expanded uncertainty of each lot's mean and of what is compared with limits.

    Parameters
    ----------
    assessment
        For checks, reference tables and settings.
    counted
        Part readings with a value at the reference temperature.
    figures
        Lot values of `nested`.
    spots
        Spot values, for the fewest repeats.
    info
        What each lot is, with conforms_by and limits_unit.

    Returns
    -------
    (polars.DataFrame, dict)
        lot, expanded_uncertainty, coverage_factor, uncertainty_reason (of the lot mean, in the working unit) and
        expanded_of_compared_in_limits_unit; the budget of the mean by lot.
    """
    inputs = _inputs(assessment, counted, figures, info)
    coverage = assessment.settings.confidence
    whole = lot_mean_budgets(inputs, coverage=coverage)
    fewest = spots.group_by("lot").agg(pl.col("readings").min().alias("_repeats"))
    of_part = (
        spots.group_by("lot", "part")
        .agg(pl.col("readings").sum())
        .group_by("lot")
        .agg(pl.col("readings").min().alias("_of_part"))
    )
    compared = (
        inputs.join(fewest, on="lot", how="left", maintain_order="left")
        .join(of_part, on="lot", how="left", maintain_order="left")
        .with_columns(
            pl.when(pl.col("conforms_by") == "part")
            .then("_of_part")
            .when(pl.col("conforms_by").is_in(["lot_mean", "k_method"]))
            .then("readings")
            .otherwise("_repeats")
            .alias("readings")
        )
    )
    compared = lot_mean_budgets(compared, coverage=coverage)
    unit = assessment.settings.unit
    scale: pl.Expr = pl.lit(None, pl.Float64)
    for given in info["limits_unit"].drop_nulls().unique().sort().to_list():
        ratio = (convert_expression(pl.col("mean"), unit, given) / pl.col("mean")).abs()
        scale = pl.when(pl.col("limits_unit") == given).then(ratio).otherwise(scale)
    in_limits_unit = compared.select(
        "lot", (pl.col("expanded_uncertainty") * scale).alias("expanded_of_compared_in_limits_unit")
    )
    names = [f.name for f in fields(LotMeanInputs)]
    known = [name for name in names if name in inputs.columns]
    tables = {
        row["lot"]: lot_mean_budget(LotMeanInputs(**{name: row[name] for name in known}), coverage=coverage)
        for row in inputs.iter_rows(named=True)
    }
    result = whole.select("lot", "expanded_uncertainty", "coverage_factor", "uncertainty_reason").join(
        in_limits_unit, on="lot", how="left", maintain_order="left"
    )
    return result, tables


def _inputs(assessment: Assessment, counted: pl.DataFrame, figures: pl.DataFrame, info: pl.DataFrame) -> pl.DataFrame:
    """Gather the fields of `LotMeanInputs` for every lot."""
    main_meter = (
        counted.group_by("lot", "meter", "probe", "frequency_khz")
        .agg(pl.len().alias("n"))
        .sort("lot", "n", "meter", "probe", "frequency_khz", descending=[False, True, False, False, False])
        .unique("lot", keep="first", maintain_order=True)
        .drop("n")
    )
    frame = (
        figures.select(
            "lot", "mean", "readings", "parts", "repeatability", "repeatability_degrees_of_freedom",
            pl.col("standard_deviation").alias("part_standard_deviation"),
        )
        .join(main_meter, on="lot", how="left", maintain_order="left")
        .join(info.select("lot", "last_at", "conforms_by", "limits_unit"), on="lot", how="left", maintain_order="left")
    )  # fmt: skip
    frame = _with_block(frame, assessment)
    frame = join_version(
        frame,
        assessment.tables["meters"],
        key="meter",
        at="last_at",
        columns={"accuracy_percent": "accuracy_percent", "resolution": "_resolution", "unit": "_resolution_unit"},
    )
    frame = _with_resolution(frame, assessment.settings.unit)
    return _with_sensor(frame, counted, assessment)


def _with_block(frame: pl.DataFrame, assessment: Assessment) -> pl.DataFrame:
    """Add what the checks say of the meter, from the block nearest to the lot's level in the phase of the lot."""
    blocks = version_at(assessment.tables["blocks"], ["block"], assessment.as_of).select(
        "block",
        "expanded_uncertainty",
        pl.col("coverage_factor").alias("block_coverage_factor"),
        "unit",
        "certified_value",
    )
    unit = assessment.settings.unit
    expanded = {
        row["block"]: abs(row["expanded_uncertainty"] * derivative(row["certified_value"], row["unit"], unit))
        for row in blocks.iter_rows(named=True)
        if row["expanded_uncertainty"] is not None and row["certified_value"] is not None
    }
    series = (
        assessment.checks.filter(pl.col("bias").is_not_null())
        .group_by("meter", "probe", "frequency_khz", "block", "phase")
        .agg(
            pl.len().alias("n"),
            pl.col("mean").std().alias("_deviation"),
            pl.col("bias").mean().alias("check_bias"),
            pl.col("certified_value").last(),
        )
        .with_columns(
            pl.when(pl.col("n") >= _ENOUGH_CHECKS).then("_deviation").alias("check_standard_deviation"),
            pl.when(pl.col("n") >= _ENOUGH_CHECKS)
            .then(pl.col("n") - 1)
            .cast(pl.Float64)
            .alias("check_degrees_of_freedom"),
            pl.col("block")
            .replace_strict(expanded, default=None, return_dtype=pl.Float64)
            .alias("block_expanded_uncertainty"),
        )
        .join(blocks.select("block", "block_coverage_factor"), on="block", how="left")
        .drop("n", "_deviation")
    )
    in_phase = pl.col("phase").is_null() | (pl.col("phase") <= pl.col("last_at"))
    nearest = (
        frame.select("lot", "meter", "probe", "frequency_khz", "last_at", "mean")
        .join(series, on=["meter", "probe", "frequency_khz"], how="inner", nulls_equal=True)
        .filter(in_phase.fill_null(True))
        .with_columns((pl.col("certified_value") - pl.col("mean")).abs().alias("distance"))
        .sort("lot", "phase", "distance", "block", descending=[False, True, False, False], nulls_last=True)
        .unique("lot", keep="first", maintain_order=True)
        .select(
            "lot", "check_standard_deviation", "check_degrees_of_freedom", "check_bias", "block_expanded_uncertainty",
            "block_coverage_factor",
        )
    )  # fmt: skip
    return frame.join(nearest, on="lot", how="left", maintain_order="left")


def _with_resolution(frame: pl.DataFrame, unit: str) -> pl.DataFrame:
    steps = [
        None
        if step is None or given is None or mean is None
        else abs(step * derivative(convert(mean, unit, given), given, unit))
        for step, given, mean in frame.select("_resolution", "_resolution_unit", "mean").iter_rows()
    ]
    return frame.with_columns(pl.Series("resolution", steps, dtype=pl.Float64)).drop("_resolution", "_resolution_unit")


def _with_sensor(frame: pl.DataFrame, counted: pl.DataFrame, assessment: Assessment) -> pl.DataFrame:
    """Add the sensitivities and the sensor's uncertainty for lots that were corrected here."""
    corrected = (
        counted.filter(pl.col("temperature_state") == "at_metal")
        .group_by("lot")
        .agg(
            pl.col("temperature_c").mean(),
            pl.col("temperature_model", "coefficient").first(),
            pl.col("sensor").drop_nulls().first().alias("sensor"),
        )
    )
    sensors = version_at(assessment.tables["sensors"], ["sensor"], assessment.as_of).select(
        "sensor",
        pl.col("expanded_uncertainty_c").alias("sensor_expanded_uncertainty_c"),
        pl.col("coverage_factor").alias("sensor_coverage_factor"),
    )
    unit = assessment.settings.unit
    in_ms_per_m = convert_expression(pl.col("mean"), unit, "MS/m")
    by_temperature, by_coefficient = sensitivities(
        in_ms_per_m,
        pl.col("temperature_c"),
        reference_c=assessment.settings.reference_temperature_c,
        model=pl.col("temperature_model"),
        coefficient=pl.col("coefficient"),
    )
    scale = (pl.col("mean") / in_ms_per_m).abs()
    joined = frame.join(corrected, on="lot", how="left", maintain_order="left").join(
        sensors, on="sensor", how="left", maintain_order="left"
    )
    return joined.with_columns(
        (by_temperature * scale).alias("temperature_sensitivity"),
        (by_coefficient * scale).alias("coefficient_sensitivity"),
    ).drop("temperature_c", "temperature_model", "coefficient", "sensor")
