"""What relative state and corrections for geometry add to the inputs of each lot's budget."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import polars as pl

from pipeline.judge.values.corrections import corrections_of_lots
from pipeline.metrology.units import IACS_100_MS_PER_M, convert, convert_expression
from schemas.versions import join_version

if TYPE_CHECKING:
    from pipeline.judge.assessment import Basis

__all__ = ["with_correction_uncertainty", "with_setting_uncertainty", "with_uncorrected_mean"]


def with_uncorrected_mean(frame: pl.DataFrame, counted: pl.DataFrame) -> pl.DataFrame:
    """Add `uncorrected_mean`: the lot's mean before corrections for geometry, which is what the temperature acted on.

    Parameters
    ----------
    frame
        Columns lot, mean (working unit).
    counted
        Part readings with a value at the reference temperature.

    Returns
    -------
    polars.DataFrame
        The frame with the column uncorrected_mean, in the working unit.
    """
    if "value_before_correction" not in counted.columns:
        return frame.with_columns(pl.col("mean").alias("uncorrected_mean"))
    shift = (pl.col("value_at_reference") - pl.col("value_before_correction")).mean()
    of_lot = counted.group_by("lot").agg(shift.alias("_shift")).with_columns(pl.col("lot").cast(pl.String))
    joined = frame.join(of_lot, on="lot", how="left", maintain_order="left")
    return joined.with_columns((pl.col("mean") - pl.col("_shift").fill_null(0.0)).alias("uncorrected_mean")).drop(
        "_shift"
    )


def with_setting_uncertainty(frame: pl.DataFrame, counted: pl.DataFrame, assessment: Basis) -> pl.DataFrame:
    """Add what the setting's temperature and the block's coefficient contribute to lots read in relative state.

    One sensor at setting and reading is one input: its two sensitivities are added before they are squared; so are those of
    one material's coefficient.

    Parameters
    ----------
    frame
        Columns lot, uncorrected_mean (working unit), material, last_at, temperature_sensitivity, coefficient_sensitivity.
    counted
        Part readings with a value at the reference temperature.
    assessment
        Settings and reference tables.

    Returns
    -------
    polars.DataFrame
        With relative, setting_temperature_standard_uncertainty and setting_coefficient_standard_uncertainty, both in the
        working unit.
    """
    if "setting_factor" not in counted.columns:
        return frame
    settings, tables = assessment.settings, assessment.tables
    of_lot = (
        counted.filter(pl.col("setting_factor").is_not_null())
        .group_by("lot")
        .agg(
            pl.len().alias("_n"),
            pl.col("setting_log_slope_temperature").sum(),
            pl.col("setting_log_slope_coefficient").sum(),
            pl.col("temperature_c").mean().alias("_t"),
            pl.col("coefficient").sort_by("measured_at", "line").first().alias("_coefficient"),
            pl.col("temperature_model").sort_by("measured_at", "line").first().cast(pl.String).alias("_model"),
            pl.col("sensor").drop_nulls().unique().cast(pl.String).sort().alias("_sensors"),
            pl.col("setting_sensor").unique().cast(pl.String).sort().alias("_setting_sensors"),
            pl.col("setting_material").unique().cast(pl.String).sort().alias("_setting_materials"),
        )
        .with_columns(
            pl.col("lot").cast(pl.String),
            *(
                pl.when(pl.col(name).list.len() == 1).then(pl.col(name).list.first()).alias(new)
                for name, new in (
                    ("_sensors", "_sensor"),
                    ("_setting_sensors", "setting_sensor"),
                    ("_setting_materials", "setting_material"),
                )
            ),
        )
        .drop("_sensors", "_setting_sensors", "_setting_materials")
    )
    readings = counted.group_by("lot").agg(pl.len().alias("_all")).with_columns(pl.col("lot").cast(pl.String))
    joined = frame.join(of_lot, on="lot", how="left", maintain_order="left").join(
        readings, on="lot", how="left", maintain_order="left"
    )
    joined = _with_sensor(_with_material(joined, tables["materials"]), tables["sensors"])
    value = convert_expression(pl.col("uncorrected_mean"), settings.unit, "MS/m")
    scale = (pl.col("uncorrected_mean") * (1.0 / value)).abs()
    slope = (
        pl.when(pl.col("_model") == "proportional")
        .then(pl.col("_coefficient") * (1.0 / IACS_100_MS_PER_M))
        .otherwise("_coefficient")
    )
    difference = pl.col("_t") - settings.reference_temperature_c
    along = pl.when(pl.col("_model") == "linear").then(value).otherwise(value * (1.0 + slope * difference * value))
    # readings in another state do not move with the setting: the mean moves by their share
    by_temperature = along * scale * pl.col("setting_log_slope_temperature") * (1.0 / pl.col("_all"))
    by_coefficient = along * scale * pl.col("setting_log_slope_coefficient") * (1.0 / pl.col("_all"))
    same_sensor = (pl.col("setting_sensor") == pl.col("_sensor")).fill_null(value=False)
    same_material = (pl.col("setting_material") == pl.col("material")).fill_null(value=False)
    return joined.with_columns(
        pl.col("_n").is_not_null().alias("relative"),
        pl.when(same_sensor)
        .then(pl.col("temperature_sensitivity") + by_temperature)
        .otherwise("temperature_sensitivity")
        .alias("temperature_sensitivity"),
        pl.when(same_material)
        .then(pl.col("coefficient_sensitivity") + by_coefficient)
        .otherwise("coefficient_sensitivity")
        .alias("coefficient_sensitivity"),
        pl.when(same_sensor)
        .then(0.0)
        .otherwise((by_temperature * pl.col("_expanded_c") * (1.0 / pl.col("_factor_c"))).abs())
        .alias("setting_temperature_standard_uncertainty"),
        pl.when(same_material)
        .then(0.0)
        .otherwise((by_coefficient * pl.col("_expanded_m") * (1.0 / pl.col("_factor_m").fill_null(2.0))).abs())
        .alias("setting_coefficient_standard_uncertainty"),
    ).select(*frame.columns, *_ADDED)


_ADDED = ("relative", "setting_temperature_standard_uncertainty", "setting_coefficient_standard_uncertainty")


def _with_sensor(frame: pl.DataFrame, sensors: pl.DataFrame) -> pl.DataFrame:
    table = sensors.rename({"sensor": "setting_sensor"})
    columns = {"expanded_uncertainty_c": "_expanded_c", "coverage_factor": "_factor_c"}
    return join_version(frame, table, key="setting_sensor", at="last_at", columns=columns)


def _with_material(frame: pl.DataFrame, materials: pl.DataFrame) -> pl.DataFrame:
    table = materials.rename({"material": "setting_material"})
    columns = {"coefficient_expanded_uncertainty": "_expanded_m", "coefficient_coverage_factor": "_factor_m"}
    return join_version(frame, table, key="setting_material", at="last_at", columns=columns)


def with_correction_uncertainty(frame: pl.DataFrame, counted: pl.DataFrame, assessment: Basis) -> pl.DataFrame:
    """Add the standard uncertainty of the corrections for geometry, in the working unit; it does not average down.

    Of several rows of one kind the largest counts, since a spot has one of them; kinds are independent.

    Parameters
    ----------
    frame
        Columns lot and mean (working unit).
    counted
        Part readings with a value at the reference temperature.
    assessment
        Settings and reference tables.

    Returns
    -------
    polars.DataFrame
        With correction_standard_uncertainty (null where nothing was corrected or no uncertainty is known) and
        correction_names.
    """
    applied = corrections_of_lots(counted, assessment.tables)
    if not applied:
        return frame
    rows = []
    for lot, each in applied.items():
        by_kind: dict[str, float] = {}
        for one in each:
            if one.expanded_uncertainty is not None and one.coverage_factor is not None:
                u = (
                    convert(one.expanded_uncertainty, one.unit, "MS/m") / one.coverage_factor
                    if one.expanded_uncertainty
                    else 0.0
                )
                by_kind[one.kind] = max(by_kind.get(one.kind, 0.0), u)
        unknown = [one.correction for one in each if one.expanded_uncertainty is None]
        rows.append(
            {
                "lot": lot,
                "_u": math.hypot(*by_kind.values()) if by_kind else None,
                "correction_names": ", ".join(dict.fromkeys(one.correction for one in each)),
                "corrections_without_uncertainty": ", ".join(dict.fromkeys(unknown)) or None,
            }
        )
    found = pl.DataFrame(
        rows,
        schema={
            "lot": pl.String,
            "_u": pl.Float64,
            "correction_names": pl.String,
            "corrections_without_uncertainty": pl.String,
        },
    )
    # conductivity is proportional, and |dρ/dσ| = ρ/σ
    scale = (pl.col("mean") * (1.0 / convert_expression(pl.col("mean"), assessment.settings.unit, "MS/m"))).abs()
    return (
        frame.join(found, on="lot", how="left", maintain_order="left")
        .with_columns((pl.col("_u") * scale).alias("correction_standard_uncertainty"))
        .drop("_u")
    )
