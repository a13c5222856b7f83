"""Uncertainty of each lot's mean, and of what is compared with its limits: gathers the inputs of the budget."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING

import polars as pl

from pipeline.metrology.lot_budget import LotMeanBudget, LotMeanInputs, lot_mean_budget, lot_mean_budgets
from pipeline.metrology.temperature import sensitivities
from pipeline.metrology.units import convert, convert_expression, derivative
from schemas.versions import join_version

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
        .with_columns(pl.col(pl.Categorical).cast(pl.String))
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
    """Add what the checks before the lot's closing run say of the meter, from the block nearest to the lot's level.

    Later checks change nothing: a budget that was given stays as it is.
    """
    series = ["meter", "probe", "frequency_khz", "block"]
    known = assessment.checks.filter(pl.col("bias").is_not_null()).sort(*series, "at", "check", nulls_last=False)
    if not known.height:
        return frame.with_columns(pl.lit(None, pl.Float64).alias(name) for name in _OF_CHECKS)
    phase = [*series, "phase"]
    origin = pl.col("bias").first().over(phase)
    n = pl.int_range(1, pl.len() + 1).over(phase).cast(pl.Float64)
    shifted = pl.col("bias") - origin
    total, squares = shifted.cum_sum().over(phase), (shifted**2).cum_sum().over(phase)
    # bias and mean have one standard deviation as long as the certificate stays; from the first value on, for its digits
    variance = pl.when(n > 1).then((squares - total**2 / n) / (n - 1)).clip(lower_bound=0.0)
    enough = n >= _ENOUGH_CHECKS
    so_far = known.select(
        *series,
        "at",
        pl.col("certified_value").alias("_certified"),
        pl.when(enough).then(variance.sqrt()).alias("check_standard_deviation"),
        pl.when(enough).then(n - 1).alias("check_degrees_of_freedom"),
        (origin + total / n).alias("check_bias"),
        (pl.col("certificate_standard_uncertainty") * pl.col("certificate_coverage_factor")).alias(
            "block_expanded_uncertainty"
        ),
        pl.col("certificate_coverage_factor").alias("block_coverage_factor"),
    )
    # the closing run itself does not count: it goes on as long as no part is read, so it could change what was given
    closing = assessment.brackets.group_by("lot").agg(
        pl.max_horizontal(pl.col("after_at").max(), pl.col("last_at").max()).alias("_until")
    )
    wanted = frame.select("lot", "meter", "probe", "frequency_khz", "last_at", "mean").join(
        closing, on="lot", how="left"
    )
    blocks = so_far.select(series).unique()
    candidates = (
        wanted.with_columns(pl.coalesce("_until", "last_at").alias("_until"))
        .drop_nulls("_until")
        .join(blocks, on=["meter", "probe", "frequency_khz"], how="inner", nulls_equal=True)
    )
    # join_asof matches no nulls, so probe and frequency become a number together with meter and block
    number = blocks.sort(series, nulls_last=False).with_row_index("_series")
    candidates = candidates.join(number, on=series, how="inner", nulls_equal=True).sort("_until")
    so_far = so_far.join(number, on=series, how="inner", nulls_equal=True).drop(series).sort("at")
    nearest = (
        candidates.join_asof(
            so_far,
            left_on="_until",
            right_on="at",
            by="_series",
            strategy="backward",
            allow_exact_matches=False,
            check_sortedness=False,
        )
        .drop_nulls("_certified")
        .with_columns((pl.col("_certified") - pl.col("mean")).abs().alias("_distance"))
        .sort("lot", "_distance", "block")
        .unique("lot", keep="first", maintain_order=True)
        .select("lot", *_OF_CHECKS)
    )
    return frame.join(nearest, on="lot", how="left", maintain_order="left")


_OF_CHECKS = (
    "check_standard_deviation",
    "check_degrees_of_freedom",
    "check_bias",
    "block_expanded_uncertainty",
    "block_coverage_factor",
)


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
        .with_columns(pl.col(pl.Categorical).cast(pl.String))
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
    joined = join_version(
        frame.join(corrected, on="lot", how="left", maintain_order="left"),
        assessment.tables["sensors"],
        key="sensor",
        at="last_at",
        columns={
            "expanded_uncertainty_c": "sensor_expanded_uncertainty_c",
            "coverage_factor": "sensor_coverage_factor",
        },
    )
    return joined.with_columns(
        (by_temperature * scale).alias("temperature_sensitivity"),
        (by_coefficient * scale).alias("coefficient_sensitivity"),
    ).drop("temperature_c", "temperature_model", "coefficient", "sensor")
