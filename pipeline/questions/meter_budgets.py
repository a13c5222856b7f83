"""What a meter's page says beyond its checks: the line of its bias, and the budget of a single reading near each block."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.judge.lots.bias import bias_lines_of_meter
from pipeline.judge.lots.budgets import as_budget
from pipeline.judge.meters.checks_so_far import ENOUGH_CHECKS, last_setting_of, latest_checks
from pipeline.metrology.lot_budget import LotMeanInputs, budget_tables
from pipeline.metrology.temperature import sensitivities
from pipeline.metrology.units import convert, derivative
from schemas.versions import version_at

if TYPE_CHECKING:
    from pipeline.judge.assessment import Assessment
    from schemas.results import MeterResult
    from schemas.uncertainty import Budget

__all__ = ["with_meter_budgets"]


def with_meter_budgets(assessment: Assessment, result: MeterResult) -> MeterResult:
    """Return a meter with the lines of its bias and the budgets of a single reading.

    Parameters
    ----------
    assessment
        From which the meter came.
    """
    latest = latest_checks(assessment, result.meter)
    return replace(
        result,
        bias_lines=bias_lines_of_meter(assessment, result.meter, latest),
        budgets=tuple(_reading_budgets(assessment, result.meter, latest)),
    )


def _of_meter(assessment: Assessment, table: str, key: str, value: str | None) -> dict[str, Any]:
    if value is None:
        return {}
    rows = version_at(assessment.tables[table], [key], assessment.as_of).filter(pl.col(key) == value)
    return rows.row(0, named=True) if rows.height else {}


def _reading_budgets(assessment: Assessment, meter: str, latest: pl.DataFrame) -> list[Budget]:
    """Return the budget of one reading at the value of each block, as the latest checks of the meter have it."""
    settings = assessment.settings
    if not latest.height:
        return []
    register = _of_meter(assessment, "meters", "meter", meter)
    last = (
        assessment.on_blocks([meter])
        .filter(pl.col("role") == "block")
        .sort("measured_at", "file_rank", "line", "replicate")
        .unique("block", keep="last", maintain_order=True)
        .select(
            pl.col("block", "sensor", "temperature_state", "temperature_model").cast(pl.String),
            "temperature_c",
            "coefficient",
            pl.col("material").cast(pl.String),
        )
    )
    conditions = {row["block"]: row for row in last.iter_rows(named=True)}
    last_set = last_setting_of(assessment, meter)
    interval_days = settings.check_interval_hours / 24
    wanted, places = [], []
    for row in latest.sort("block", "probe", "frequency_khz", nulls_last=False).iter_rows(named=True):
        level, n, factor = row["certified"], row["checks"], row["certificate_coverage_factor"]
        current = row["phase"] == last_set
        enough = current and n >= ENOUGH_CHECKS
        given, step = register.get("unit"), register.get("resolution")
        resolution = None
        if given is not None and step is not None:
            resolution = abs(step * derivative(convert(level, settings.unit, given), given, settings.unit))
        inputs = LotMeanInputs(
            mean=level,
            readings=1,
            repeatability=row["pooled_within"],
            repeatability_degrees_of_freedom=row["pooled_degrees_of_freedom"] or None,
            repeatability_from="meter",
            block_expanded_uncertainty=None
            if row["certificate"] is None or factor is None
            else row["certificate"] * factor,
            block_coverage_factor=factor,
            check_standard_deviation=row["variance"] ** 0.5 if enough else None,
            check_degrees_of_freedom=n - 1 if enough else None,
            check_bias=row["bias"] if current else None,
            check_level_standard_uncertainty=(row["variance"] * row["level_share"]) ** 0.5 if enough else None,
            accuracy_percent=register.get("accuracy_percent"),
            resolution=resolution,
            drift_bound=None if row["drift_a_day"] is None or not current else row["drift_a_day"] * interval_days,
            thickness_allowance_percent=settings.thickness_allowance_percent,
            lift_off_allowance_percent=settings.lift_off_allowance_percent,
            **_temperature(assessment, conditions.get(row["block"]), level),
        )
        wanted.append(inputs)
        places.append({name: row[name] for name in ("block", "probe", "frequency_khz")})
    tables = budget_tables(wanted, coverage=settings.confidence)
    return [
        as_budget("reading", inputs, table, settings.unit, **place)
        for inputs, table, place in zip(wanted, tables, places, strict=True)
    ]


def _temperature(assessment: Assessment, condition: dict[str, Any] | None, level: float) -> dict[str, Any]:
    """Return the inputs of the correction to the reference temperature, as at the last reading of the block."""
    if condition is None or condition["temperature_state"] != "at_metal" or condition["temperature_c"] is None:
        return {}
    unit = assessment.settings.unit
    in_ms_per_m = convert(level, unit, "MS/m")
    by_temperature, by_coefficient = sensitivities(
        pl.lit(in_ms_per_m),
        pl.lit(condition["temperature_c"]),
        reference_c=assessment.settings.reference_temperature_c,
        model=pl.lit(condition["temperature_model"]),
        coefficient=pl.lit(condition["coefficient"], pl.Float64),
    )
    row = pl.select(by_temperature.alias("temperature"), by_coefficient.alias("coefficient")).row(0, named=True)
    scale = abs(level / in_ms_per_m)
    sensor = _of_meter(assessment, "sensors", "sensor", condition["sensor"])
    material = _of_meter(assessment, "materials", "material", condition["material"])
    expanded = material.get("coefficient_expanded_uncertainty")
    return {
        "temperature_sensitivity": None if row["temperature"] is None else row["temperature"] * scale,
        "coefficient_sensitivity": None if row["coefficient"] is None else row["coefficient"] * scale,
        "sensor_expanded_uncertainty_c": sensor.get("expanded_uncertainty_c"),
        "sensor_coverage_factor": sensor.get("coverage_factor"),
        "coefficient_standard_uncertainty": None
        if expanded is None
        else expanded / (material.get("coefficient_coverage_factor") or 2.0),
    }
