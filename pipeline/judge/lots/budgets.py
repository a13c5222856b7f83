"""Uncertainty of a reading, of each lot's mean, and of what is compared with its limits: gathers the inputs of the budgets.

Figures of all lots come out of one pass over frames; the tables of contributions are made for the lots that are shown.
"""

from __future__ import annotations

import math
from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

import polars as pl
import scipy

from pipeline.judge.lots.bias import bias_at_lots
from pipeline.judge.lots.setting_and_correction_budgets import (
    with_correction_uncertainty,
    with_setting_uncertainty,
    with_uncorrected_mean,
)
from pipeline.judge.meters.checks_so_far import ENOUGH_CHECKS
from pipeline.metrology.lot_budget import LotMeanBudget, LotMeanInputs, budget_tables, lot_mean_budgets
from pipeline.metrology.temperature import sensitivities
from pipeline.metrology.units import convert, convert_expression, derivative
from schemas.uncertainty import Budget
from schemas.versions import join_version

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.judge.assessment import Assessment, Basis
    from pipeline.judge.lots.bias import BiasFound
    from schemas.results import LotResult

__all__ = ["all_with_budgets", "as_budget", "budgets_of_lots", "with_budgets"]

_ENOUGH_REPEATS = 10
"""With fewer degrees of freedom than this a lot's own repeatability gives way to what the meter's checks pooled."""

_DAY_US = 86_400_000_000.0


def budgets_of_lots(
    assessment: Basis,
    counted: pl.DataFrame,
    figures: pl.DataFrame,
    spots: pl.DataFrame,
    info: pl.DataFrame,
    bias: BiasFound,
) -> tuple[pl.DataFrame, pl.DataFrame]:
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
        What each lot is, with material, conforms_by and limits_unit.
    bias
        What the checks on the block nearest to each lot said of the meters that read it, and the lines over their blocks.

    Returns
    -------
    (polars.DataFrame, polars.DataFrame)
        lot, expanded_uncertainty, coverage_factor, uncertainty_reason (of the lot mean, in the working unit) and
        compared_standard_uncertainty, compared_degrees_of_freedom, compared_coverage_factor, compared_expanded_uncertainty,
        compared_bias (of one compared value, in the unit of the limits); and what the budgets were made of, for
        :func:`with_budgets`.
    """
    inputs = _inputs(assessment, counted, figures, info, bias)
    fewest = spots.group_by("lot").agg(pl.col("readings").min().alias("_repeats"))
    of_part = (
        spots.group_by("lot", "part")
        .agg(pl.col("readings").sum())
        .group_by("lot")
        .agg(pl.col("readings").min().alias("_of_part"))
    )
    inputs = inputs.join(fewest, on="lot", how="left", maintain_order="left").join(
        of_part, on="lot", how="left", maintain_order="left"
    )
    coverage = assessment.settings.confidence
    whole = lot_mean_budgets(inputs, coverage=coverage)
    by_lot = pl.col("conforms_by").is_in(["lot_mean", "k_method"])
    compared = lot_mean_budgets(
        inputs.with_columns(
            pl.when(pl.col("conforms_by") == "part")
            .then("_of_part")
            .when(by_lot)
            .then("readings")
            .otherwise("_repeats")
            .alias("readings"),
            pl.when(by_lot).then("parts").otherwise(1).alias("averaged_parts"),
        ),
        coverage=coverage,
    )
    unit = assessment.settings.unit
    scale: pl.Expr = pl.lit(None, pl.Float64)
    for given in info["limits_unit"].drop_nulls().unique().sort().to_list():
        ratio = convert_expression(pl.col("mean"), unit, given) * (1.0 / pl.col("mean"))
        # conductivity and resistivity go opposite ways
        ratio = -ratio.abs() if derivative(1.0, unit, given) < 0 else ratio.abs()
        scale = pl.when(pl.col("limits_unit") == given).then(ratio).otherwise(scale)
    in_limits_unit = compared.select(
        "lot",
        (pl.col("standard_uncertainty") * scale.abs()).alias("compared_standard_uncertainty"),
        pl.col("degrees_of_freedom").alias("compared_degrees_of_freedom"),
        pl.col("coverage_factor").alias("compared_coverage_factor"),
        (pl.col("expanded_uncertainty") * scale.abs()).alias("compared_expanded_uncertainty"),
        (pl.col("uncorrected_bias") * scale).alias("compared_bias"),
    )
    result = whole.select("lot", "expanded_uncertainty", "coverage_factor", "uncertainty_reason").join(
        in_limits_unit, on="lot", how="left", maintain_order="left"
    )
    return result, inputs


_FIELDS = tuple(f.name for f in fields(LotMeanInputs))


def with_budgets(assessment: Assessment, result: LotResult) -> LotResult:
    """Return a lot as :func:`all_with_budgets` returns many."""
    return all_with_budgets(assessment, [result])[0]


def all_with_budgets(assessment: Assessment, results: Sequence[LotResult]) -> list[LotResult]:
    """Return lots with their tables of contributions: of the mean, of a single reading, of the compared value.

    Parameters
    ----------
    assessment
        From which the lots came.
    results
        The lots.

    Returns
    -------
    list of LotResult
        In the same order; the same where no reading counts.
    """
    lots = [result.lot for result in results]
    biases, found = bias_at_lots(assessment, lots), assessment.budget_inputs
    rows = (
        {row["lot"]: row for row in found.filter(pl.col("lot").is_in(lots)).iter_rows(named=True)}
        if found.height
        else {}
    )
    wanted: dict[str, dict[str, LotMeanInputs]] = {}
    for result in results:
        if (row := rows.get(result.lot)) is None:
            continue
        inputs = LotMeanInputs(**{name: row[name] for name in _FIELDS if name in row})
        compared = result.conforms_by or "spot"
        wanted[result.lot] = {"reading": replace(inputs, readings=1, averaged_parts=1)}
        if compared in ("spot", "part"):
            count = row["_repeats"] if compared == "spot" else row["_of_part"]
            wanted[result.lot][compared] = replace(inputs, readings=count, averaged_parts=1)
        wanted[result.lot]["lot_mean"] = inputs
    every = [inputs for of_lot in wanted.values() for inputs in of_lot.values()]
    tables = iter(budget_tables(every, coverage=assessment.settings.confidence) if every else ())
    made = {lot: [(of, inputs, next(tables)) for of, inputs in of_lot.items()] for lot, of_lot in wanted.items()}
    unit = assessment.settings.unit
    shown = []
    for result in results:
        result = replace(result, bias_at_level=biases.get(result.lot, ()))
        if of_lot := made.get(result.lot):
            of_mean = of_lot[-1][2]
            result = replace(
                result,
                contributions=of_mean.contributions,
                uncertainty_notes=of_mean.notes,
                budgets=tuple(as_budget(*one, unit) for one in of_lot),
            )
        shown.append(result)
    return shown


def as_budget(of: str, inputs: LotMeanInputs, made: LotMeanBudget, unit: str, **place: Any) -> Budget:
    """Return a budget as pages and `--json` show it."""
    total = made.combined
    return Budget(
        of=of,
        unit=unit,
        level=inputs.mean,
        readings=inputs.readings,
        contributions=made.contributions,
        standard_uncertainty=None if total is None else total.standard_uncertainty,
        degrees_of_freedom=None if total is None else total.degrees_of_freedom,
        coverage_factor=None if total is None else total.coverage_factor,
        expanded_uncertainty=None if total is None else total.expanded_uncertainty,
        uncorrected_bias=0.0 if total is None else total.uncorrected_bias,
        reason=made.reason,
        notes=made.notes,
        **place,
    )


def _inputs(
    assessment: Basis, counted: pl.DataFrame, figures: pl.DataFrame, info: pl.DataFrame, bias: BiasFound
) -> pl.DataFrame:
    """Gather the fields of `LotMeanInputs` for every lot."""
    meters = bias.at_level.select(
        "lot",
        "meter",
        "probe",
        "frequency_khz",
        "n",
        pl.when("applied").then("line_standard_uncertainty").alias("bias_line_standard_uncertainty"),
        pl.when("applied").then("line_degrees_of_freedom").alias("bias_line_degrees_of_freedom"),
    )
    frame = (
        figures.select(
            "lot", "mean", "readings", "parts", "repeatability", "repeatability_degrees_of_freedom",
            pl.col("standard_deviation").alias("part_standard_deviation"),
        )
        .join(meters, on="lot", how="left", maintain_order="left")
        .join(
            info.select("lot", "last_at", "conforms_by", "limits_unit", "material"),
            on="lot", how="left", maintain_order="left",
        )
    )  # fmt: skip
    frame = _with_chosen_repeatability(_with_block(frame, bias.nearest))
    frame = join_version(
        frame,
        assessment.tables["meters"],
        key="meter",
        at="last_at",
        columns={"accuracy_percent": "accuracy_percent", "resolution": "_resolution", "unit": "_resolution_unit"},
    )
    frame = _with_resolution(_of_least_certain_meter(frame), assessment.settings.unit)
    settings = assessment.settings
    frame = frame.with_columns(
        pl.lit(settings.thickness_allowance_percent).alias("thickness_allowance_percent"),
        pl.lit(settings.lift_off_allowance_percent).alias("lift_off_allowance_percent"),
    )
    frame = _with_sensor(with_uncorrected_mean(frame, counted), counted, assessment)
    frame = with_setting_uncertainty(_with_coefficient(frame, assessment), counted, assessment)
    return with_correction_uncertainty(frame, counted, assessment)


def _of_least_certain_meter(frame: pl.DataFrame) -> pl.DataFrame:
    """Keep one row a lot: of several meters that read it the one that leaves most open, of equal ones that of most readings.

    What each of them read is compared with the limits, so the better known one must not speak for the other. Most open: twice the
    standard uncertainty by its checks, and the bias that is left in.
    """
    claimed = pl.col("accuracy_percent").fill_null(0.0) * pl.col("mean") * (0.01 / math.sqrt(3.0))
    checked = pl.col("check_standard_deviation").pow(2) + pl.col("check_level_standard_uncertainty").fill_null(0.0).pow(
        2
    )
    certificate = (pl.col("block_expanded_uncertainty") * (1.0 / pl.col("block_coverage_factor"))).fill_null(0.0)
    by_checks = (certificate.pow(2) + pl.coalesce(checked, claimed.pow(2))).sqrt()
    left = pl.coalesce(
        2.0 * pl.col("bias_line_standard_uncertainty"), 2.0 * by_checks + pl.col("check_bias").abs().fill_null(0.0)
    )
    order = frame.select(pl.col("lot").unique(maintain_order=True))
    chosen = (
        frame.with_columns(left.alias("_left"))
        .sort(
            "lot", "_left", "n", "meter", "probe", "frequency_khz", descending=[False, True, True, False, False, False]
        )
        .unique("lot", keep="first", maintain_order=True)
        .drop("_left", "n")
    )
    return order.join(chosen, on="lot", how="left", maintain_order="left")


def _with_block(frame: pl.DataFrame, nearest: pl.DataFrame) -> pl.DataFrame:
    """Add what the checks before the lot's closing run say of the meter, from the block nearest to the lot's level.

    Of a block not checked since the meter's last setting only the certificate and the scatter within checks hold.
    """
    n, current = pl.col("checks"), pl.col("current")
    enough = current & (n >= ENOUGH_CHECKS)
    since = (pl.col("read_at") - pl.col("checked_at")).dt.total_microseconds() * (1.0 / _DAY_US)
    key = ["lot", "meter", "probe", "frequency_khz"]
    of_block = nearest.select(
        *key,
        "block",
        pl.when(enough).then(pl.col("variance").sqrt()).alias("check_standard_deviation"),
        pl.when(enough).then(n - 1).alias("check_degrees_of_freedom"),
        pl.when(current).then("bias").alias("check_bias"),
        pl.when(enough)
        .then((pl.col("variance") * pl.col("level_share")).sqrt())
        .alias("check_level_standard_uncertainty"),
        (pl.col("certificate") * pl.col("certificate_coverage_factor")).alias("block_expanded_uncertainty"),
        pl.col("certificate_coverage_factor").alias("block_coverage_factor"),
        pl.when(current).then(pl.col("drift_a_day") * since.clip(lower_bound=0.0)).alias("drift_bound"),
        "pooled_within",
        "pooled_degrees_of_freedom",
    )
    return frame.join(of_block, on=key, how="left", nulls_equal=True, maintain_order="left")


def _with_chosen_repeatability(frame: pl.DataFrame) -> pl.DataFrame:
    """Let the repeatability that the meter's checks pooled stand where the lot has too few repeats of its own.

    A lot that scatters more than that (F test, 5 %) keeps its own: its surface is not that of a block.
    """
    own, of_checks = pl.col("repeatability"), pl.col("pooled_within")
    own_degrees, degrees = (
        pl.col("repeatability_degrees_of_freedom").fill_null(0),
        pl.col("pooled_degrees_of_freedom").fill_null(0.0),
    )
    counts = frame.select(
        own_degrees.cast(pl.Float64).clip(lower_bound=1.0).alias("own"), degrees.clip(lower_bound=1.0).alias("pooled")
    )
    critical = pl.Series("_critical", scipy.special.fdtri(counts["own"].to_numpy(), counts["pooled"].to_numpy(), 0.95))
    frame = frame.with_columns(critical)
    rougher = (own_degrees >= 1) & (own**2 > pl.col("_critical") * of_checks**2)
    pooled = (
        (own_degrees < _ENOUGH_REPEATS) & (degrees > own_degrees) & (of_checks > 0) & ~rougher.fill_null(value=False)
    ).fill_null(value=False)
    return frame.with_columns(
        pl.when(pooled).then(of_checks).otherwise(own).alias("repeatability"),
        pl.when(pooled)
        .then(degrees)
        .otherwise("repeatability_degrees_of_freedom")
        .alias("repeatability_degrees_of_freedom"),
        pl.when(pooled).then(pl.lit("checks")).otherwise(pl.lit("repeats")).alias("repeatability_from"),
    ).drop("_critical", "pooled_within", "pooled_degrees_of_freedom")


def _with_coefficient(frame: pl.DataFrame, assessment: Basis) -> pl.DataFrame:
    """Add the standard uncertainty of the material's temperature coefficient, where somebody stated it."""
    stated = join_version(
        frame,
        assessment.tables["materials"],
        key="material",
        at="last_at",
        columns={"coefficient_expanded_uncertainty": "_expanded", "coefficient_coverage_factor": "_factor"},
    )
    return stated.with_columns(
        (pl.col("_expanded") * (1.0 / pl.col("_factor").fill_null(2.0))).alias("coefficient_standard_uncertainty")
    ).drop("_expanded", "_factor")


def _with_resolution(frame: pl.DataFrame, unit: str) -> pl.DataFrame:
    steps = [
        None
        if step is None or given is None or mean is None
        else abs(step * derivative(convert(mean, unit, given), given, unit))
        for step, given, mean in frame.select("_resolution", "_resolution_unit", "mean").iter_rows()
    ]
    return frame.with_columns(pl.Series("resolution", steps, dtype=pl.Float64)).drop("_resolution", "_resolution_unit")


def _with_sensor(frame: pl.DataFrame, counted: pl.DataFrame, assessment: Basis) -> pl.DataFrame:
    """Add the sensitivities and the sensor's uncertainty for lots that were corrected here.

    Where several sensors read a lot, the least certain one counts; of several coefficients that of the most readings.
    """
    pairs = (
        counted.filter(pl.col("temperature_state") != "at_reference")
        .group_by("lot", "sensor", "temperature_model", "coefficient")
        .agg(pl.len().alias("_n"), pl.col("temperature_c").sum().alias("_sum"))
        .with_columns(pl.col(pl.Categorical).cast(pl.String))
        .join(frame.select("lot", "last_at"), on="lot", how="inner")
    )
    pairs = join_version(
        pairs,
        assessment.tables["sensors"],
        key="sensor",
        at="last_at",
        columns={
            "expanded_uncertainty_c": "sensor_expanded_uncertainty_c",
            "coverage_factor": "sensor_coverage_factor",
        },
    )
    standard = pl.col("sensor_expanded_uncertainty_c") * (1.0 / pl.col("sensor_coverage_factor"))
    of_sensor = (
        pairs.with_columns(standard.alias("_u"))
        .sort("lot", "_u", "sensor", descending=[False, True, False], nulls_last=True)
        .unique("lot", keep="first", maintain_order=True)
        .select("lot", "sensor_expanded_uncertainty_c", "sensor_coverage_factor")
    )
    of_coefficient = (
        pairs.group_by("lot", "temperature_model", "coefficient")
        .agg(pl.col("_n").sum())
        .sort("lot", "_n", "temperature_model", "coefficient", descending=[False, True, False, False])
        .unique("lot", keep="first", maintain_order=True)
        .drop("_n")
    )
    corrected = (
        pairs.sort("lot", "sensor", "temperature_model", "coefficient")
        .group_by("lot", maintain_order=True)
        .agg((pl.col("_sum").sum() * (1.0 / pl.col("_n").sum())).alias("temperature_c"))
        .join(of_coefficient, on="lot", how="left")
        .join(of_sensor, on="lot", how="left")
    )
    unit = assessment.settings.unit
    in_ms_per_m = convert_expression(pl.col("uncorrected_mean"), unit, "MS/m")
    by_temperature, by_coefficient = sensitivities(
        in_ms_per_m,
        pl.col("temperature_c"),
        reference_c=assessment.settings.reference_temperature_c,
        model=pl.col("temperature_model"),
        coefficient=pl.col("coefficient"),
    )
    scale = (pl.col("uncorrected_mean") * (1.0 / in_ms_per_m)).abs()
    joined = frame.join(corrected, on="lot", how="left", maintain_order="left")
    return joined.with_columns(
        (by_temperature * scale).alias("temperature_sensitivity"),
        (by_coefficient * scale).alias("coefficient_sensitivity"),
    ).drop("temperature_c", "temperature_model", "coefficient")
