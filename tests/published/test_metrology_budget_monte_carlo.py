"""The budget of a lot mean against the propagation of distributions (JCGM 101:2008), and its coverage.

The measurement is simulated from its causes, with the nonlinear correction itself and with rounding of every reading,
and knows nothing of sensitivities or Welch-Satterthwaite. Everything is seeded.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from one_by_one import lot_mean_budget

from pipeline.metrology.bias_line import biases_at_levels
from pipeline.metrology.guard_band import conformance_probability, guard_band
from pipeline.metrology.lot_budget import LotMeanInputs, lot_mean_budgets
from pipeline.metrology.temperature import conductivity_at_temperature, sensitivities

REFERENCE_C, TEMPERATURE_C, SLOPE, TRUE = 20.0, 31.0, 0.000115, 20.3
SENSOR_U_C, CERTIFICATE_U, CHECKS_S, SCATTER, COEFFICIENT_U = 0.3, 0.04, 0.03, 0.06, 4e-6
TRIALS = 200_000


def sensitivity() -> tuple[float, float]:
    per_degree, per_coefficient = sensitivities(
        pl.col("value"),
        pl.col("temperature"),
        reference_c=REFERENCE_C,
        model=pl.lit("constant_slope"),
        coefficient=pl.lit(SLOPE),
    )
    row = pl.DataFrame({"value": [TRUE], "temperature": [TEMPERATURE_C]}).select(t=per_degree, c=per_coefficient)
    return row["t"].item(), row["c"].item()


def share_covered(frame: pl.DataFrame, half_width: pl.Expr) -> float:
    """Return the share of lots whose interval about the mean holds the true value."""
    return frame.filter((pl.col("mean") - TRUE).abs() <= half_width).height / frame.height


@pytest.mark.parametrize(
    ("readings", "resolution", "with_checks"), [(5, 0.01, True), (40, 0.01, True), (12, 0.1, True), (12, 0.01, False)]
)
def test_budget_agrees_with_the_propagation_of_distributions(
    readings: int, resolution: float, with_checks: bool
) -> None:
    random = np.random.default_rng(101)
    at_metal = conductivity_at_temperature(
        TRUE, TEMPERATURE_C, reference_c=REFERENCE_C, model="constant_slope", coefficient=SLOPE
    )
    half_width = TRUE * 0.5 / 100
    meter = random.normal(0, CHECKS_S, TRIALS) if with_checks else random.uniform(-half_width, half_width, TRIALS)
    block = random.normal(0, CERTIFICATE_U, TRIALS)
    # the budget speaks of values at the reference temperature, where scatter and resolution are stretched a little
    stretch = (TRUE / at_metal) ** 2
    # the mean of normal readings is normal; the rounding of an even metal is the same for all of them
    shown = at_metal + random.normal(0, SCATTER / stretch, TRIALS) / np.sqrt(readings)
    shown += random.uniform(-resolution / 2, resolution / 2, TRIALS)
    believed_c = TEMPERATURE_C + random.normal(0, SENSOR_U_C, TRIALS)
    believed_slope = SLOPE + random.normal(0, COEFFICIENT_U, TRIALS)
    # corrected from causes: nothing is linearised
    corrected = 1 / (1 / shown - believed_slope * (believed_c - REFERENCE_C)) + block + meter

    per_degree, per_coefficient = sensitivity()
    budget = lot_mean_budget(
        LotMeanInputs(
            mean=TRUE,
            readings=readings,
            repeatability=SCATTER,
            repeatability_degrees_of_freedom=1e9,
            block_expanded_uncertainty=2 * CERTIFICATE_U,
            block_coverage_factor=2.0,
            check_standard_deviation=CHECKS_S if with_checks else None,
            check_degrees_of_freedom=1e9 if with_checks else None,
            accuracy_percent=0.5,
            resolution=resolution * stretch,
            temperature_sensitivity=per_degree,
            sensor_expanded_uncertainty_c=2 * SENSOR_U_C,
            sensor_coverage_factor=2.0,
            coefficient_sensitivity=per_coefficient,
            coefficient_standard_uncertainty=COEFFICIENT_U,
        )
    )
    assert budget.combined is not None
    # a standard deviation from 200,000 trials has a relative standard error of 0.16 %
    assert abs(corrected.std(ddof=1) / budget.combined.standard_uncertainty - 1) < 0.006
    low, high = np.quantile(corrected, [0.025, 0.975], method="hazen")
    # JCGM 101, 8; a rectangular accuracy statement makes the interval a little narrower than a normal one
    assert abs((high - low) / 2 / budget.combined.expanded_uncertainty - 1) < (0.01 if with_checks else 0.04)


def test_expanded_uncertainty_covers_the_truth_as_often_as_it_says() -> None:
    # 40,000 lots: repeatability and the meter's standard deviation are themselves estimated, from 4 and 19 degrees of
    # freedom; the standard error of the share covered is √(0.05·0.95/40000) = 0.11 %
    lots, readings = 40_000, 3
    random = np.random.default_rng(98)
    repeatability = SCATTER * np.sqrt(random.chisquare(4, lots) / 4)
    between = CHECKS_S * np.sqrt(random.chisquare(19, lots) / 19)
    error = (
        random.normal(0, SCATTER / np.sqrt(readings), lots)
        + random.normal(0, CHECKS_S, lots)
        + random.normal(0, 0.01, lots)
    )
    frame = lot_mean_budgets(
        pl.DataFrame(
            {
                "mean": TRUE + error,
                "readings": pl.repeat(readings, lots, eager=True),
                "repeatability": repeatability,
                "repeatability_degrees_of_freedom": pl.repeat(4.0, lots, eager=True),
                "check_standard_deviation": between,
                "check_degrees_of_freedom": pl.repeat(19.0, lots, eager=True),
                "block_expanded_uncertainty": pl.repeat(0.02, lots, eager=True),
                "block_coverage_factor": pl.repeat(2.0, lots, eager=True),
            }
        )
    )
    covered = share_covered(frame, pl.col("expanded_uncertainty"))
    # Welch-Satterthwaite is an approximation, known to be on the safe side by up to about a percent here
    assert 0.945 < covered < 0.965
    # the normal factor, without degrees of freedom, would cover clearly less: the check can tell
    without = share_covered(frame, 1.96 * pl.col("standard_uncertainty"))
    assert without < 0.935


def test_a_known_bias_left_in_is_covered_and_a_forgotten_one_is_not() -> None:
    # GUM F.2.4.5: U = k·u + |b|; the standard error of the share is 0.11 %
    lots, bias = 40_000, 0.05
    error = bias + np.random.default_rng(245).normal(0, 0.03, lots)
    frame = pl.DataFrame({"mean": TRUE + error}).with_columns(
        readings=pl.lit(1),
        repeatability=pl.lit(0.0),
        repeatability_degrees_of_freedom=pl.lit(1e6),
        block_expanded_uncertainty=pl.lit(0.0),
        block_coverage_factor=pl.lit(2.0),
        check_standard_deviation=pl.lit(0.03),
        check_degrees_of_freedom=pl.lit(1e6),
    )
    with_bias = lot_mean_budgets(frame.with_columns(check_bias=pl.lit(bias)))
    forgotten = lot_mean_budgets(frame)
    assert share_covered(with_bias, pl.col("expanded_uncertainty")) > 0.95
    assert share_covered(forgotten, pl.col("expanded_uncertainty")) < 0.7


def test_a_bias_taken_off_by_the_line_leaves_the_truth_covered_and_left_in_it_does_not() -> None:
    # 12,000 works, each with its own certificates' errors, its own line of bias and its own checks; the share covered has a
    # standard error of 0.2 %
    works, checks, level = 12_000, 15, 45.0
    random = np.random.default_rng(543)
    certified, u = np.array([30.0, 48.0, 58.0]), np.array([0.03, 0.05, 0.06])
    # what the certificates of the first two blocks share, they share in every one of these works
    shared = random.normal(size=(works, 1))
    own = random.normal(size=(works, 3))
    r = 0.5
    errors = u * np.where([True, True, False], np.sqrt(r) * shared + np.sqrt(1 - r) * own, own)
    offset, slope = random.normal(0, 0.15, (works, 1)), random.normal(0, 0.004, (works, 1))
    true_bias = offset + slope * (certified - 40.0)
    scatter = random.normal(0, CHECKS_S, (works, 3, checks))
    seen = (certified + errors + true_bias)[:, :, None] + scatter - certified[:, None]
    points = pl.DataFrame(
        {
            "key": np.repeat(np.arange(works), 3),
            "block": np.tile(["B1", "B2", "B3"], works),
            "level": np.full(3 * works, level),
            "certified": np.tile(certified, works),
            "bias": seen.mean(axis=2).ravel(),
            "variance": seen.var(axis=2, ddof=1).ravel(),
            "checks": np.full(3 * works, float(checks)),
            "level_share": np.full(3 * works, 1 / checks),
            "certificate": np.tile(u, works),
            "chain": np.tile(["A", "A", None], works),
        }
    )
    lines = biases_at_levels(points, correlation=r).sort("key")
    at_level = (offset + slope * (level - 40.0)).ravel()
    shown = level + at_level + random.normal(0, CHECKS_S, works) + random.normal(0, SCATTER / np.sqrt(8), works)
    inputs = pl.DataFrame(
        {
            "mean": shown - lines["line_bias"].to_numpy(),
            "readings": np.full(works, 8),
            "repeatability": np.full(works, SCATTER),
            "repeatability_degrees_of_freedom": np.full(works, 1e6),
            "block_expanded_uncertainty": np.full(works, 0.1),
            "block_coverage_factor": np.full(works, 2.0),
            "check_standard_deviation": np.full(works, CHECKS_S),
            "check_degrees_of_freedom": np.full(works, 1e6),
            "bias_line_standard_uncertainty": lines["line_standard_uncertainty"].to_numpy(),
        }
    )
    frame = lot_mean_budgets(inputs)

    def covered(mean: pl.Expr) -> float:
        return frame.filter((mean - level).abs() <= pl.col("expanded_uncertainty")).height / works

    # a third of the lines have their covariance enlarged by what their own scatter happened to be (Birge), hence a little more
    assert 0.945 < covered(pl.col("mean")) < 0.98
    assert covered(pl.col("mean") + lines["line_bias"]) < 0.75
    # without the correlation that the certificates have, the line believes itself surer than it is
    forgotten = biases_at_levels(points, correlation=0.0).sort("key")["line_standard_uncertainty"].mean()
    assert isinstance(forgotten, float)
    assert forgotten < lines["line_standard_uncertainty"].mean() * 0.98  # type: ignore[operator]


@pytest.mark.parametrize(("probability", "upper"), [(0.95, None), (0.95, 0.5), (0.8, None)])
def test_values_at_the_edge_of_acceptance_conform_as_often_as_was_asked_for(
    probability: float, upper: float | None
) -> None:
    # the measurand about a measured value at the edge, from its causes: a normal and a rectangular one (JCGM 101, JCGM 106)
    random = np.random.default_rng(106)
    half_width, normal = 0.05, 0.11
    u = np.hypot(normal, half_width / np.sqrt(3))
    width = guard_band(probability, u, lower=0.0, upper=upper).width
    assert width is not None
    measurand = width + random.normal(0, normal, TRIALS) + random.uniform(-half_width, half_width, TRIALS)
    conforms = (measurand >= 0.0) & (measurand <= (np.inf if upper is None else upper))
    # the standard error of a share of 95 % in 200,000 trials is 0.05 %; the rectangle makes the sum a little less than normal
    assert abs(conforms.mean() - probability) < 0.003
    assert conformance_probability(width, u, lower=0.0, upper=upper) == pytest.approx(probability, abs=1e-9)


def test_with_few_degrees_of_freedom_the_normal_band_would_promise_too_much() -> None:
    # u itself is estimated from four degrees of freedom; the share of wrong acceptances at the edge is 5 % with Student's t
    random = np.random.default_rng(4)
    error = random.normal(0, 1, TRIALS)
    estimated = np.sqrt(random.chisquare(4, TRIALS) / 4)
    by_t = guard_band(0.95, 1.0, lower=0.0, degrees_of_freedom=4).width
    by_normal = guard_band(0.95, 1.0, lower=0.0).width
    assert by_t is not None
    assert by_normal is not None
    # a true value on the limit is accepted wrongly where its error exceeds the band drawn from the estimated u
    assert abs((error > by_t * estimated).mean() - 0.05) < 0.002
    assert (error > by_normal * estimated).mean() > 0.08
