"""Lines with errors in both axes, what readings stand for, and a run against the line as one statement. Invented unless a source is named."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, stats

from pipeline.metrology.bias_line import LineFit, bias_at, degrees_at, fit_bias_line
from pipeline.metrology.calibration_line import (
    LEAST_DEGREES,
    LineControl,
    TwoAxesFit,
    fit_both_axes,
    inverse_prediction,
    line_control,
    simultaneous_factor,
)
from pipeline.metrology.uncertainty import coverage_factor


def test_the_line_of_iso_ts_28037_with_errors_in_both_axes() -> None:
    """Example of clause 7 (data and results from memory; the results follow from the data)."""
    fit = fit_both_axes(
        [1.2, 1.9, 2.9, 4.0, 4.7, 5.9], [3.4, 4.4, 7.2, 8.5, 10.8, 13.5], [0.2] * 6, [0.2, 0.2, 0.2, 0.4, 0.4, 0.4]
    )
    assert isinstance(fit, TwoAxesFit)
    found = (
        fit.intercept,
        fit.slope,
        fit.intercept_standard_uncertainty,
        fit.slope_standard_uncertainty,
        fit.covariance,
    )
    assert found == pytest.approx((0.5788, 2.1597, 0.4764, 0.1355, -0.0577), abs=5e-5)
    assert fit.chi_squared == pytest.approx(2.743, abs=5e-4)
    assert fit.degrees_of_freedom == 4


def test_the_line_of_pearson_with_the_weights_of_york() -> None:
    """York, Canadian Journal of Physics 44, 1079, 1966: slope −0.4805, intercept 5.4799, S 11.866 (from memory)."""
    x = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
    y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]
    w_x = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1])
    w_y = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])
    fit = fit_both_axes(x, y, w_x**-0.5, w_y**-0.5)
    assert isinstance(fit, TwoAxesFit)
    assert (fit.slope, fit.intercept) == pytest.approx((-0.48053, 5.47991), abs=1e-5)
    assert fit.chi_squared == pytest.approx(11.866, abs=1e-3)


def test_without_errors_along_the_value_it_is_the_weighted_line() -> None:
    x, b, u = [10.0, 30.0, 58.0], [0.1, 0.05, -0.2], [0.02, 0.03, 0.05]
    fit, plain = fit_both_axes(x, np.add(x, b), [0.0] * 3, u), fit_bias_line(x, b, u, [0.0] * 3, [None] * 3)
    assert isinstance(fit, TwoAxesFit)
    assert isinstance(plain, LineFit)
    assert (fit.slope - 1, fit.chi_squared) == pytest.approx((plain.slope, plain.chi_squared), rel=1e-9)


def test_the_line_is_the_same_with_its_axes_changed_over_and_in_another_unit() -> None:
    """What Pearson asked of it (Philosophical Magazine 2, 559, 1901; from memory): no axis is before the other."""
    x, y = np.array([10.0, 30.0, 44.0, 58.0]), np.array([10.4, 29.2, 44.9, 58.3])
    u_x, u_y = np.array([0.2, 0.4, 0.0, 0.5]), np.array([0.3, 0.0, 0.6, 0.1])
    for one, other in ((u_x, u_y), (np.full(4, 0.3), np.zeros(4)), (20 * u_x, 20 * u_y)):
        fit, over, scaled = (
            fit_both_axes(x, y, one, other),
            fit_both_axes(y, x, other, one),
            fit_both_axes(x / 1e3, y / 1e3, one / 1e3, other / 1e3),
        )
        assert isinstance(fit, TwoAxesFit)
        assert isinstance(over, TwoAxesFit)
        assert isinstance(scaled, TwoAxesFit)
        assert (over.slope, over.intercept) == pytest.approx((1 / fit.slope, -fit.intercept / fit.slope), rel=1e-9)
        assert over.chi_squared == pytest.approx(fit.chi_squared, rel=1e-9)
        assert over.slope_standard_uncertainty == pytest.approx(fit.slope_standard_uncertainty / fit.slope**2, rel=1e-9)
        assert (scaled.slope, scaled.intercept) == pytest.approx((fit.slope, fit.intercept / 1e3), rel=1e-9)
        assert scaled.covariance == pytest.approx(fit.covariance / 1e3, rel=1e-9)
        assert scaled.intercept_standard_uncertainty == pytest.approx(
            fit.intercept_standard_uncertainty / 1e3, rel=1e-9
        )


def test_exact_readings_that_are_all_equal_make_no_line() -> None:
    x, level, exact = [1.0, 2.0, 3.0], [5.0] * 3, [0.0] * 3
    assert "level line" in str(fit_both_axes(x, level, [0.1] * 3, exact))
    assert isinstance(fit_both_axes(x, level, [0.1] * 3, [0.1] * 3), TwoAxesFit)
    assert isinstance(fit_both_axes(x, [5.0, 5.0, 5.1], [0.1] * 3, exact), TwoAxesFit)


@pytest.mark.parametrize(
    ("x", "u", "reason"),
    [([1.0], [0.1], "two points"), ([1.0, 1.0], [0.1, 0.1], "two points"), ([1.0, 2.0], [0.1, 0.0], "no uncertainty")],
)
def test_a_line_says_why_there_is_none(x: list[float], u: list[float], reason: str) -> None:
    assert reason in str(fit_both_axes(x, x, u, u))


LINE = LineFit(
    centre=30.0, bias=0.2, slope=0.01, covariance=((1e-4, 1e-6), (1e-6, 1e-6)), chi_squared=0.0, degrees_of_freedom=1, enlarged=1.0,
    lowest=10.0, highest=58.0, chi_squared_limit=None, scatter_covariance=((0.0, 0.0), (0.0, 0.0)), scatter_degrees_of_freedom=None,
)  # fmt: skip


def test_a_reading_stands_for_the_value_that_gives_it() -> None:
    found = inverse_prediction(LINE, 40.0 + bias_at(LINE, 40.0)[0], 0.03, None)
    assert not isinstance(found, str)
    value, low, high = found
    assert value == pytest.approx(40.0)
    # to first order the half width is k·√(u² + u²(line))/(1 + slope) (GUM 5.1.2)
    half = 1.96 * math.sqrt(0.03**2 + bias_at(LINE, 40.0)[1] ** 2) / 1.01
    assert (value - low, high - value) == pytest.approx((half, half), rel=0.02)
    for end in (low, high):
        bias, u, _ = bias_at(LINE, end)
        off = 40.0 + bias_at(LINE, 40.0)[0] - end - bias
        assert abs(off) == pytest.approx(1.959964 * math.hypot(0.03, u), rel=1e-5)


@pytest.mark.parametrize(("own", "of_line"), [(3.0, 5.0), (4.0, None), (None, 2.0)])
def test_the_interval_of_a_reading_ends_where_the_line_allows_it_no_further(
    own: float | None, of_line: float | None
) -> None:
    """Found by a general root finder; k is Student's t on the degrees of freedom of Welch and Satterthwaite at the value."""
    line = replace(
        LINE, slope=-0.2, covariance=((4e-4, 2e-5), (2e-5, 4e-6)), scatter_covariance=((2e-4, 1e-5), (1e-5, 3e-6)),
        scatter_degrees_of_freedom=of_line,
    )  # fmt: skip
    reading = 50.0 + bias_at(line, 50.0)[0]
    found = inverse_prediction(line, reading, 0.03, own)
    assert not isinstance(found, str)
    value, low, high = found
    assert value == pytest.approx(50.0, rel=1e-12)
    u = bias_at(line, 50.0)[1]
    freedom = [(0.03, own), (u, degrees_at(line, (1.0, 20.0)))]
    k = coverage_factor((0.03**2 + u**2) ** 2 / sum(one**4 / nu for one, nu in freedom if nu is not None))

    def room(x: float) -> float:
        bias, u, _ = bias_at(line, x)
        return abs(reading - x - bias) - k * math.hypot(0.03, u)

    assert low == pytest.approx(optimize.brentq(room, 45.0, 50.0, xtol=1e-13), rel=1e-10)
    assert high == pytest.approx(optimize.brentq(room, 50.0, 55.0, xtol=1e-13), rel=1e-10)


def test_a_reading_beyond_the_blocks_stands_for_nothing() -> None:
    for level, stated in ((57.999, True), (58.001, False), (9.999, False), (10.001, True)):
        found = inverse_prediction(LINE, level + bias_at(LINE, level)[0], 0.03, 12.0)
        assert isinstance(found, str) is not stated
    assert "not known well enough" in str(
        inverse_prediction(replace(LINE, covariance=((1.0, 0.0), (0.0, 1.0))), 30.0, 0.1, None)
    )
    assert "does not rise" in str(inverse_prediction(replace(LINE, slope=-1.0), 30.0, 0.1, None))


@pytest.mark.parametrize(("points", "freedom"), [(1, 12.0), (3, 38.0), (6, 10.0)])
def test_all_points_together_pass_with_the_level(points: int, freedom: float) -> None:
    """1 − (1 − 0.95^(1/m)) each: independent points pass together with 95 %."""
    each = 1 - 2 * stats.t.sf(simultaneous_factor(points, freedom), freedom)
    assert each**points == pytest.approx(0.95, rel=1e-9)


def test_control_of_a_line_is_that_of_least_squares() -> None:
    rng = np.random.default_rng(31)
    x = np.tile([10.0, 35.0, 58.0], 8)
    y = 0.2 + 1.01 * x + rng.normal(0, 0.05, 24)
    line = stats.linregress(x, y)
    s = math.sqrt(float(((y - line.intercept - line.slope * x) ** 2).sum()) / 22)
    found = line_control(x, y, [10.0, 35.0, 58.0], [10.4, 35.5, 58.8])
    assert isinstance(found, LineControl)
    assert found.limit == pytest.approx(simultaneous_factor(3, 22) * s / line.slope)
    assert (found.residual_standard_deviation, found.degrees_of_freedom) == (pytest.approx(s), 22)
    assert found.largest == max(abs(one) for one in found.deviations) > 0.1
    wider = line_control(x, y, [10.0, 35.0, 58.0], [10.4, 35.5, 58.8], level=0.99)
    assert isinstance(wider, LineControl)
    assert wider.limit == pytest.approx(simultaneous_factor(3, 22, level=0.99) * s / line.slope)
    assert found.deviations[0] == pytest.approx((10.4 - line.intercept) / line.slope - 10.0)
    # just inside and just outside
    for factor, inside in ((0.999, True), (1.001, False)):
        off = line.intercept + line.slope * np.array(
            [10.0, 58.0 + factor * simultaneous_factor(2, 22) * s / line.slope]
        )
        one = line_control(x, y, [10.0, 58.0], off)
        assert isinstance(one, LineControl)
        assert one.in_control is inside


def test_false_alarms_of_the_control_of_a_line() -> None:
    """Seeded: of 2,000 steady lines of 60 checks 4 to 8 % are called out of control at 5 %."""
    rng = np.random.default_rng(32)
    x, late = np.tile([10.0, 35.0, 58.0], 20), np.array([10.0, 35.0, 58.0])
    out = 0
    for _ in range(2000):
        found = line_control(x, x + rng.normal(0, 0.05, 60), late, late + rng.normal(0, 0.05, 3))
        assert isinstance(found, LineControl)
        out += not found.in_control
    assert 0.04 <= out / 2000 <= 0.08


def test_control_says_why_not() -> None:
    x = [10.0, 58.0] * ((LEAST_DEGREES + 2) // 2)
    y = [value + 0.01 * (i % 3) for i, value in enumerate(x)]
    assert isinstance(line_control(x, y, [10.0, 58.0], [10.0, 58.0]), LineControl)
    assert "degrees of freedom" in str(line_control(x[1:], y[1:], [10.0, 58.0], [10.0, 58.0]))
    assert "two blocks" in str(line_control(x, y, [10.0], [10.0]))
    assert "do not scatter" in str(line_control(x, x, [10.0, 58.0], [10.0, 58.0]))
    assert "do not rise" in str(line_control(x, [-one for one in y], [10.0, 58.0], [10.0, 58.0]))
