"""Uncertainty budgets of means, of lots, parts or spots, many at once; with their tables for those that are shown.

Inputs are independent quantities, each once. What does not average down with the count of readings stands undivided.
Clauses of the GUM (JCGM 100:2008) are from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import polars as pl

from pipeline.metrology.local_level import WEIGHT
from pipeline.metrology.uncertainty import CombinedUncertainty, coverage_factors
from schemas.uncertainty import Contribution

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["LotMeanBudget", "LotMeanInputs", "budget_tables", "lot_mean_budgets"]

# below this weight in Welch-Satterthwaite the degrees of freedom are infinite for every purpose
_NO_WEIGHT: Final = 1e-300


@dataclass(frozen=True, slots=True)
class LotMeanInputs:
    """What the budget of one mean is made of; None where it is not known.

    All in one unit, except as named, and of values at the reference temperature (a resolution is carried there as a
    standard deviation is).

    For the mean of one spot, `readings` are its repeats. `repeatability` is pooled over spots (or from history) and has
    its degrees of freedom. `check_standard_deviation` is that of the means of checks on one block about the meter's level
    since the setting: what the meter moves between checks. `check_bias` is that level minus the certified value, not
    corrected, and `check_level_standard_uncertainty` how well it is known, from the same scatter
    (:func:`pipeline.metrology.local_level.local_levels`).
    The sensitivities are ∂(mean)/∂(temperature read) per °C and ∂(mean)/∂(coefficient), see
    :func:`pipeline.metrology.temperature.sensitivities`; None where the meter had corrected the readings itself.
    The mean speaks of the parts that were measured. `averaged_parts` are the parts in this mean (1 for a spot), where the
    scatter between `parts` must stand in for repeatability; None for all of them.
    `repeatability_from` is ``repeats`` (on the lot's own spots), ``checks`` (pooled from the meter's checks) or
    ``meter`` (the same, where there is no lot).
    `drift_bound` is how far the meter may have drifted since its last check; the allowances are half widths in percent of the
    value. `block` is the one whose checks and certificate these are. `bias_line_standard_uncertainty` is that of a bias taken
    off by the line over the blocks, with its degrees of freedom (None for infinite); it contains their certificates. `relative` says that readings were carried back by the
    block the meter was set on; the standard uncertainties of the setting's temperature and of that block's coefficient are
    multiplied by their sensitivity already (`judge.lots.setting_and_correction_budgets`), 0 where the sensitivities above contain them.
    `correction_standard_uncertainty` is that of corrections for geometry.
    """

    mean: float
    readings: int
    repeatability: float | None = None
    repeatability_degrees_of_freedom: float | None = None
    parts: int | None = None
    part_standard_deviation: float | None = None
    block_expanded_uncertainty: float | None = None
    block_coverage_factor: float | None = None
    check_standard_deviation: float | None = None
    check_degrees_of_freedom: float | None = None
    check_bias: float | None = None
    check_level_standard_uncertainty: float | None = None
    accuracy_percent: float | None = None
    resolution: float | None = None
    temperature_sensitivity: float | None = None
    sensor_expanded_uncertainty_c: float | None = None
    sensor_coverage_factor: float | None = None
    coefficient_sensitivity: float | None = None
    coefficient_standard_uncertainty: float | None = None
    averaged_parts: int | None = None
    repeatability_from: Literal["repeats", "checks", "meter"] = "repeats"
    drift_bound: float | None = None
    thickness_allowance_percent: float | None = None
    lift_off_allowance_percent: float | None = None
    bias_line_standard_uncertainty: float | None = None
    bias_line_degrees_of_freedom: float | None = None
    block: str | None = None
    relative: bool | None = None
    setting_temperature_standard_uncertainty: float | None = None
    setting_coefficient_standard_uncertainty: float | None = None
    correction_standard_uncertainty: float | None = None
    correction_names: str | None = None
    corrections_without_uncertainty: str | None = None


@dataclass(frozen=True, slots=True)
class LotMeanBudget:
    """Contributions of a mean and what they come to; `combined` is None where `reason` says why.

    `notes` name what was left out because nobody stated it, and a bias that was added. A budget with something left out
    is too small by it.
    """

    contributions: tuple[Contribution, ...]
    combined: CombinedUncertainty | None
    reason: str | None
    notes: tuple[str, ...]


_NO_SCATTER = "neither repeats on a spot by one meter nor more than one part: the scatter of the readings is not known"
_NO_METER = (
    "nothing is known of the meter's error: no limits from checks on a block with a certificate, no accuracy statement"
)


_POOLED: Final = {
    "meter": "pooled over repeats on blocks in the meter's checks (GUM 4.2.4)",
    "repeats": "pooled over repeats on a spot of this lot by one meter",
    "checks": "pooled over repeats on blocks in the meter's checks, because the lot has too few repeats of its own (GUM 4.2.4)",
}

_NOTHING_WHERE_ZERO: Final = (
    "sensor", "coefficient", "setting_temperature", "setting_coefficient", "thickness", "lift_off",
)  # fmt: skip
"""Lines of what does not concern a mean where it comes to nothing."""


def _divided(count: int, what: str) -> str:
    return "" if count == 1 else f", divided by the root of {count} {what}s (GUM 4.2.3)"


def budget_tables(inputs: Sequence[LotMeanInputs], *, coverage: float) -> list[LotMeanBudget]:
    """Return uncertainty budgets of means with their tables: what :func:`lot_mean_budgets` computes, in words.

    Parameters
    ----------
    inputs
        What is known of each mean.
    coverage
        Coverage probability of the expanded uncertainty.

    Returns
    -------
    list of LotMeanBudget
        In the same order.

    Raises
    ------
    ValueError
        If `readings` is below 1 or an uncertainty is negative.
    """
    names = [f.name for f in fields(LotMeanInputs)]
    frame = pl.DataFrame([{name: getattr(one, name) for name in names} for one in inputs], infer_schema_length=None)
    lines, whole = _computed(frame, coverage)
    rows = zip(inputs, lines.iter_rows(named=True), whole.iter_rows(named=True), strict=True)
    return [_in_words(one, line, total, coverage) for one, line, total in rows]


def _in_words(
    one: LotMeanInputs, line: dict[str, float | None], total: dict[str, Any], coverage: float
) -> LotMeanBudget:
    parts = one.parts if one.averaged_parts is None else one.averaged_parts
    on_block = f" on {one.block}" if one.block else ""
    by_line = line["certificate"] is not None and one.bias_line_standard_uncertainty is not None
    sources = {
        "scatter": (
            "scatter of parts",
            f"standard deviation of part means{_divided(parts or 1, 'part')}; contains repeatability",
        ),
        "certificate": (
            "block certificate",
            f"certificate{on_block.replace(' on ', ' of ')}, U/k with k = {one.block_coverage_factor or 0:g}",
        ),
        "meter": (
            "meter accuracy statement",
            f"±{one.accuracy_percent or 0:g} % of reading, rectangular (GUM 4.3.7); no limits from checks yet",
        ),
        "level": (
            "level of the meter",
            f"local level over the checks{on_block} since the setting, the newest with weight {WEIGHT:g}",
        ),
        "drift": (
            "drift since the last check",
            "95 % bound of the trend of the bias times the time since the last check, rectangular (GUM 4.3.7)",
        ),
        "resolution": ("resolution", "rectangular (GUM F.2.2.1)"),
        "sensor": (
            "temperature sensor",
            f"certificate of the sensor, U/k with k = {one.sensor_coverage_factor or 0:g}, times the change per °C",
        ),
        "coefficient": (
            "temperature coefficient",
            "standard uncertainty of the coefficient, times the change it makes at this temperature",
        ),
        "setting_temperature": (
            "temperature of the setting",
            "certificate of the sensor that took the block's temperature at the setting, times the change per °C",
        ),
        "setting_coefficient": (
            "coefficient of the setting's block",
            "standard uncertainty of the coefficient of the block the meter was set on, times the change it makes",
        ),
        "correction": (
            "correction for geometry",
            f"U/k of {one.correction_names or 'what was applied'} in the table of corrections; the same for all readings",
        ),
        "thickness": ("thickness", _allowed(one.thickness_allowance_percent)),
        "lift_off": ("lift-off", _allowed(one.lift_off_allowance_percent)),
    }
    if line["by_repeats"]:
        sources["scatter"] = ("repeatability", _POOLED[one.repeatability_from] + _divided(one.readings, "reading"))
    if by_line:
        sources["certificate"] = (
            "bias line over the blocks",
            "standard uncertainty of the line at this level, whose bias is taken off; contains the block certificates",
        )
    if line["meter_nu"] is not None:
        sources["meter"] = (
            "meter between checks", f"standard deviation of check means about the meter's level{on_block} since the setting",
        )  # fmt: skip
    notes = (
        (line["certificate"] is None, "no certificate of a block with uncertainty and coverage factor"),
        (one.resolution is None, "resolution of the meter not known"),
        (one.temperature_sensitivity and line["sensor"] is None, "uncertainty of the temperature sensor not known"),
        (
            one.coefficient_sensitivity and line["coefficient"] is None,
            "uncertainty of the temperature coefficient not known",
        ),
        (
            one.relative and line["setting_temperature"] is None,
            "uncertainty of the temperature at the setting not known",
        ),
        (
            one.relative and line["setting_coefficient"] is None,
            "uncertainty of the coefficient of the setting's block not known",
        ),
        (
            one.corrections_without_uncertainty,
            f"uncertainty of correction {one.corrections_without_uncertainty} not known",
        ),
    )
    said = [f"{lack}: not counted" for is_lacking, lack in notes if is_lacking]
    if total["uncorrected_bias"]:
        said.insert(
            0,
            f"the known bias is not corrected; its amount, the meter's level{on_block} as the checks let it be "
            "followed, is added to the expanded uncertainty (GUM F.2.4.5)",
        )
    contributions = tuple(
        Contribution(title, u, line.get(f"{name}_nu"), name == "scatter", source)
        for name, (title, source) in sources.items()
        if (u := line[name]) is not None and (u or name not in _NOTHING_WHERE_ZERO)
    )
    reason = total["uncertainty_reason"]
    figures = (total[f.name] if f.name != "coverage" else coverage for f in fields(CombinedUncertainty))
    return LotMeanBudget(contributions, None if reason else CombinedUncertainty(*figures), reason, tuple(said))


def _allowed(percent: float | None) -> str:
    return f"the site allows ±{percent or 0:g} % for what is left of it, rectangular (GUM 4.3.7)"


def lot_mean_budgets(frame: pl.DataFrame, *, coverage: float = 0.95) -> pl.DataFrame:
    """Return combined and expanded uncertainty of means: of lots, parts or spots.

    Parameters
    ----------
    frame
        Columns named as the fields of :class:`LotMeanInputs`; ``mean`` and ``readings`` are needed, the others may be
        missing. Other columns are kept. Shape (n, any).
    coverage
        Coverage probability of the expanded uncertainty.

    Returns
    -------
    polars.DataFrame
        The frame, rows in the same order, with ``standard_uncertainty``, ``degrees_of_freedom`` (null for infinite),
        ``coverage_factor``, ``expanded_uncertainty``, ``uncorrected_bias`` (signed; its amount is in the expanded uncertainty)
        and ``uncertainty_reason`` (why there is none, else null).

    Raises
    ------
    ValueError
        If `readings` is below 1 or an uncertainty is negative.

    Notes
    -----
    Only the scatter of readings or parts averages down; certificate, meter, resolution, sensor and coefficient are the
    same for all readings. The meter's accuracy statement (half width a, rectangular, a/√3, GUM 4.3.7) stands in only
    where no standard deviation between checks on a certified block is known, because it contains drift. A known bias is added
    to the expanded uncertainty (F.2.4.5), also where a few checks tell it and no scatter yet: the statement is made for a meter
    whose bias nobody knows. Resolution r is rectangular with r/√12 (F.2.2.1) and is not
    divided by the root of the count: readings of an even metal are rounded alike.
    """
    return _computed(frame, coverage)[1]


def _computed(frame: pl.DataFrame, coverage: float) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the lines of each budget with their degrees of freedom, and the frame with what they come to."""
    have = set(frame.columns)

    def column(name: str) -> pl.Expr:
        return pl.col(name).cast(pl.Float64) if name in have else pl.lit(None, pl.Float64)

    r, r_nu = column("repeatability"), column("repeatability_degrees_of_freedom")
    by_repeats = r.is_not_null() & (r_nu >= 1)
    parts = column("parts")
    by_parts = pl.when((parts >= 2) & column("part_standard_deviation").is_not_null())
    scatter = (
        pl.when(by_repeats)
        .then(r * (1.0 / column("readings").sqrt()))
        .otherwise(
            by_parts.then(
                column("part_standard_deviation") * (1.0 / pl.coalesce(column("averaged_parts"), parts).sqrt())
            )
        )
    )
    scatter_nu = pl.when(by_repeats).then(r_nu).otherwise(parts - 1)
    certificate = column("block_expanded_uncertainty") * (1.0 / column("block_coverage_factor"))
    by_checks = (
        certificate.is_not_null()
        & column("check_standard_deviation").is_not_null()
        & (column("check_degrees_of_freedom") >= 1)
    )
    accuracy = column("mean").abs() * column("accuracy_percent") * (0.01 / math.sqrt(3))
    meter = pl.when(by_checks).then(column("check_standard_deviation")).otherwise(accuracy)
    line = pl.when(certificate.is_not_null()).then(column("bias_line_standard_uncertainty"))

    def allowance(name: str) -> pl.Expr:
        return column("mean").abs() * column(name) * (0.01 / math.sqrt(3))

    # one step after another: an expression that holds the others again and again takes longer to plan than to compute
    lines = frame.select(
        scatter=scatter,
        certificate=pl.coalesce(line, certificate),
        meter=meter,
        resolution=column("resolution") * (1 / math.sqrt(12)),
        sensor=column("temperature_sensitivity").abs()
        * column("sensor_expanded_uncertainty_c")
        * (1.0 / column("sensor_coverage_factor")),
        coefficient=column("coefficient_sensitivity").abs() * column("coefficient_standard_uncertainty"),
        level=pl.when(by_checks & line.is_null()).then(column("check_level_standard_uncertainty")),
        drift=pl.when(by_checks).then(column("drift_bound") * (1 / math.sqrt(3))),
        setting_temperature=column("setting_temperature_standard_uncertainty"),
        setting_coefficient=column("setting_coefficient_standard_uncertainty"),
        correction=column("correction_standard_uncertainty"),
        thickness=allowance("thickness_allowance_percent"),
        lift_off=allowance("lift_off_allowance_percent"),
    )
    table = frame.select(
        by_repeats=by_repeats,
        scatter_nu=scatter_nu,
        certificate_nu=pl.when(line.is_not_null()).then(column("bias_line_degrees_of_freedom")),
        level_nu=pl.when(by_checks).then(column("check_degrees_of_freedom")),
        meter_nu=pl.when(by_checks).then(column("check_degrees_of_freedom")),
        bias=pl.when(certificate.is_not_null() & line.is_null()).then(column("check_bias")).fill_null(0.0),
        wrong=(~(column("readings") >= 1)).fill_null(value=True),
    ).hstack(lines)
    is_broken = table.select(
        pl.col("wrong") | pl.any_horizontal(~(pl.col(name) >= 0) for name in lines.columns)
    ).to_series()
    if is_broken.any():
        raise ValueError(
            f"row {is_broken.arg_max()} of the budgets: expected readings of at least 1, and uncertainties of at least 0"
        )
    table = table.with_columns(
        combined=pl.sum_horizontal(pl.col(name) ** 2 for name in lines.columns).sqrt(),
        reason=pl.when(pl.col("scatter").is_null())
        .then(pl.lit(_NO_SCATTER))
        .when(pl.col("meter").is_null())
        .then(pl.lit(_NO_METER)),
    )
    share = (
        (pl.col(name) * (1.0 / pl.col("combined"))) ** 4 * (1.0 / pl.col(f"{name}_nu"))
        for name in ("scatter", "certificate", "meter", "level")
    )
    table = table.with_columns(weight=pl.sum_horizontal(share))
    # no number, which is above nothing, where every line is zero
    weight = table["weight"].to_numpy()
    degrees_of_freedom = np.divide(1.0, weight, out=np.full(weight.shape, np.inf), where=weight > _NO_WEIGHT)
    factor = pl.Series(coverage_factors(degrees_of_freedom, coverage=coverage))
    nu = pl.Series(degrees_of_freedom)
    computable = table["reason"].is_null()
    whole = frame.with_columns(
        standard_uncertainty=pl.when(computable).then(table["combined"]),
        degrees_of_freedom=pl.when(computable & nu.is_finite()).then(nu),
        coverage_factor=pl.when(computable).then(factor),
        expanded_uncertainty=pl.when(computable).then(factor * table["combined"] + table["bias"].abs()),
        uncorrected_bias=table["bias"],
        uncertainty_reason=table["reason"],
    )
    return table, whole
