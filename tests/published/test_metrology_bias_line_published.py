"""The line of a meter's bias against GUM H.3, and propagation against a general library; decision rules of ILAC-G8."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import uncertainties
from one_by_one import lot_mean_budget
from scipy.optimize import curve_fit
from uncertainties import ufloat

from pipeline.metrology.bias_line import LineFit, bias_at, fit_bias_line
from pipeline.metrology.guard_band import conformance_probability, guard_band
from pipeline.metrology.lot_budget import LotMeanInputs
from pipeline.metrology.temperature import conductivity_at_temperature, sensitivities

PUBLISHED = Path(__file__).resolve().parents[2] / "fixtures" / "published"


def read(folder: str) -> dict[str, Any]:
    return tomllib.loads((PUBLISHED / folder / "expected.toml").read_text(encoding="utf-8"))


def test_the_thermometer_of_the_gum() -> None:
    published = read("jcgm_2008_thermometer_line")
    x = published["inputs"]
    n = len(x["temperature_c"])
    # weights far below the scatter about the line: the Birge ratio then makes the residual standard deviation of it
    weight = 0.001
    fit = fit_bias_line(x["temperature_c"], x["correction_c"], [weight] * n, [0.0] * n, [None] * n)
    assert isinstance(fit, LineFit)
    intercept, u_intercept, _ = bias_at(fit, x["origin_c"])
    predicted, u_predicted, beyond = bias_at(fit, x["predicted_at_c"])
    u_slope = math.sqrt(fit.covariance[1][1])
    shared = fit.covariance[0][1] + (x["origin_c"] - fit.centre) * fit.covariance[1][1]
    found = {
        "intercept at 20 °C in °C": intercept,
        "standard uncertainty of the intercept in °C": u_intercept,
        "slope": fit.slope,
        "standard uncertainty of the slope": u_slope,
        "correlation of intercept and slope": shared / (u_intercept * u_slope),
        "standard deviation about the line in °C": weight * math.sqrt(fit.enlarged),
        "correction predicted at 30 °C in °C": predicted,
        "standard uncertainty of the prediction in °C": u_predicted,
    }
    assert {case["name"] for case in published["value"]} == set(found)
    for case in published["value"]:
        assert abs(found[case["name"]] - float(case["printed"])) <= float(case["tolerance"]), case
    # the GUM predicts beyond its readings; the number by which it does is named
    assert beyond == pytest.approx(30 - 26.511)


@pytest.mark.parametrize("case", read("iso_ts_28037_straight_line")["line"], ids=lambda case: case["name"])
def test_the_straight_lines_of_iso_ts_28037_and_their_chi_squared_test(case: dict[str, Any]) -> None:
    fit = fit_bias_line(case["x"], case["y"], [0.0] * 6, case["standard_uncertainty"], [None] * 6)
    assert isinstance(fit, LineFit)
    intercept, u_intercept, _ = bias_at(fit, 0.0)
    found = {
        "intercept": intercept,
        "slope": fit.slope,
        "standard_uncertainty_of_intercept": u_intercept,
        "standard_uncertainty_of_slope": math.sqrt(fit.covariance[1][1]),
        "covariance": fit.covariance[0][1] - fit.centre * fit.covariance[1][1],
        "chi_squared": fit.chi_squared,
        "chi_squared_95": fit.chi_squared_limit,
    }
    for name, value in found.items():
        assert value == pytest.approx(float(case[name]), abs=0.0005), name
    # 4.131 is more than its four degrees of freedom and less than what chance allows
    assert (fit.enlarged > 1) == case["enlarged"]


@pytest.mark.parametrize("case", read("ilac_2019_decision_rules")["value"], ids=lambda case: case["name"])
def test_risks_of_the_decision_rules(case: dict[str, Any]) -> None:
    if "probability" in case:
        found = guard_band(case["probability"], 1.0, upper=0.0).width
    else:
        # at the edge of acceptance, U = 2u
        found = 100 * (1 - conformance_probability(-case["guard_in_expanded"] * 2.0, 1.0, upper=0.0))
    assert found is not None
    assert abs(found - float(case["printed"])) <= float(case["tolerance"])


# second opinions: `uncertainties` (Lebigot), a general library of linear propagation; scipy's least squares --------------


def test_a_weighted_line_is_that_of_scipy() -> None:
    levels = [17.99, 34.83, 55.10, 58.02]
    biases, scatter, certificates = [0.03, -0.02, 0.05, 0.01], [0.01, 0.008, 0.012, 0.01], [0.046, 0.087, 0.12, 0.125]
    fit = fit_bias_line(levels, biases, scatter, certificates, [None] * 4)
    assert isinstance(fit, LineFit)
    sigma = np.hypot(scatter, certificates)
    (a, c), covariance = curve_fit(
        lambda x, a, c: a + c * (x - fit.centre), levels, biases, p0=(0.0, 0.0), sigma=sigma, absolute_sigma=True
    )
    assert (fit.bias, fit.slope) == pytest.approx((a, c), rel=1e-6)
    np.testing.assert_allclose(np.array(fit.covariance) / fit.enlarged, covariance, rtol=1e-5, atol=1e-10)


def test_a_line_with_correlated_certificates_is_that_of_scipy_and_its_bias_that_of_linear_propagation() -> None:
    levels, biases = np.array([17.99, 34.83, 55.10, 58.02]), np.array([0.03, -0.02, 0.05, 0.01])
    scatter, certificates = np.array([0.01, 0.008, 0.012, 0.01]), np.array([0.046, 0.087, 0.12, 0.125])
    chains, r = ["A", "A", "B", "B"], 0.6
    same = np.array([[one == other for other in chains] for one in chains])
    v = r * same * np.outer(certificates, certificates)
    np.fill_diagonal(v, scatter**2 + certificates**2)
    fit = fit_bias_line(
        levels.tolist(), biases.tolist(), scatter.tolist(), certificates.tolist(), chains, correlation=r
    )
    assert isinstance(fit, LineFit)
    assert fit.enlarged == 1.0
    assert fit.covariance[0][1] == fit.covariance[1][0]
    (a, c), covariance = curve_fit(
        lambda x, a, c: a + c * (x - fit.centre), levels, biases, p0=(0.0, 0.0), sigma=v, absolute_sigma=True
    )
    assert (fit.bias, fit.slope) == pytest.approx((a, c), rel=1e-6)
    np.testing.assert_allclose(np.array(fit.covariance), covariance, rtol=1e-5, atol=1e-10)
    # the estimator as a linear function of the four biases, carried by the library with their correlation
    design = np.column_stack([np.ones(4), levels - fit.centre])
    weights = np.linalg.inv(v)
    gain = np.linalg.inv(design.T @ weights @ design) @ design.T @ weights
    given = uncertainties.correlated_values(biases, v)
    for level in (18.0, 40.0, 58.0):
        at = sum((gain[0, i] + gain[1, i] * (level - fit.centre)) * given[i] for i in range(4))
        bias, u, _ = bias_at(fit, level)
        assert (at.n, at.s) == pytest.approx((bias, u), rel=1e-9)


@pytest.mark.parametrize("model", ["linear", "constant_slope", "proportional"])
def test_a_whole_budget_is_that_of_linear_propagation(model: str) -> None:
    import polars as pl

    coefficient = {"linear": 0.00393, "constant_slope": 0.0000681, "proportional": 0.00393}[model]
    u_coefficient, true, temperature, reference = coefficient * 0.02, 57.3, 31.0, 20.0
    shown = conductivity_at_temperature(true, temperature, reference_c=reference, model=model, coefficient=coefficient)
    # the measurement function written once more, with numbers that carry their own uncertainty
    t, k = ufloat(temperature, 0.25), ufloat(coefficient, u_coefficient)
    if model == "linear":
        corrected = shown * (1 + k * (t - reference))
    else:
        slope = k / 58 if model == "proportional" else k
        corrected = 1 / (1 / shown - slope * (t - reference))
    repeatability, between, certificate = ufloat(0, 0.05 / math.sqrt(12)), ufloat(0, 0.04), ufloat(0, 0.11)
    resolution, thickness = ufloat(0, 0.01 / math.sqrt(12)), ufloat(0, true * 0.001 / math.sqrt(3))
    total = corrected + repeatability + between + certificate + resolution + thickness
    by_temperature, by_coefficient = sensitivities(
        pl.lit(true), pl.lit(temperature), reference_c=reference, model=pl.lit(model), coefficient=pl.lit(coefficient)
    )
    row = pl.select(by_temperature.alias("t"), by_coefficient.alias("c"))
    budget = lot_mean_budget(
        LotMeanInputs(
            mean=true,
            readings=12,
            repeatability=0.05,
            repeatability_degrees_of_freedom=30.0,
            block_expanded_uncertainty=0.22,
            block_coverage_factor=2.0,
            check_standard_deviation=0.04,
            check_degrees_of_freedom=20.0,
            resolution=0.01,
            temperature_sensitivity=row["t"].item(),
            sensor_expanded_uncertainty_c=0.5,
            sensor_coverage_factor=2.0,
            coefficient_sensitivity=row["c"].item(),
            coefficient_standard_uncertainty=u_coefficient,
            thickness_allowance_percent=0.1,
        )
    )
    assert budget.combined is not None
    assert total.n == pytest.approx(true, rel=1e-12)
    assert budget.combined.standard_uncertainty == pytest.approx(total.s, rel=1e-9)
