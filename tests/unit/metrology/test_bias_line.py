"""The line over a meter's blocks: many at once, its covariance, how often it covers, and where there is none. Invented."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.metrology.bias_line import (
    ENOUGH_DEGREES,
    FEW_CHECKS,
    LineFit,
    bias_at,
    biases_at_levels,
    degrees_at,
    fit_bias_line,
)
from pipeline.metrology.uncertainty import coverage_factor

number = st.floats(0.001, 0.2)
blocks = st.lists(
    st.tuples(
        st.floats(1.0, 60.0), st.floats(-0.3, 0.3), st.integers(1, 40), number, st.one_of(st.none(), number),
        st.sampled_from([None, "A", "B"]),
    ),
    min_size=1, max_size=6, unique_by=lambda block: round(block[0], 1),
)  # fmt: skip


def frame(lines: list[tuple[float, Any]]) -> pl.DataFrame:
    rows = [
        {"key": key, "level": level, "block": f"B{i}", "certified": x, "bias": b, "checks": float(n), "variance": s * s if n > 1 else None,
         "level_share": 1 / n, "certificate": u, "chain": chain}
        for key, (level, of_line) in enumerate(lines)
        for i, (x, b, n, s, u, chain) in enumerate(of_line)
    ]  # fmt: skip
    return pl.DataFrame(rows, schema_overrides={"chain": pl.String, "certificate": pl.Float64, "variance": pl.Float64})


@settings(derandomize=True, deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.floats(1.0, 60.0), blocks), min_size=1, max_size=5), st.sampled_from([0.0, 0.4, 0.9]))
def test_many_lines_at_once_are_the_single_ones_in_any_order(lines: list[tuple[float, Any]], r: float) -> None:
    points = frame(lines)
    found = biases_at_levels(points, correlation=r).sort("key")
    assert found.height == len(lines)
    shuffled = biases_at_levels(points.sample(fraction=1.0, shuffle=True, seed=1), correlation=r).sort("key")
    for (level, of_line), row, again in zip(
        lines, found.iter_rows(named=True), shuffled.iter_rows(named=True), strict=True
    ):
        degrees = sum(n - 1 for _, _, n, *_ in of_line)
        pooled = sum((n - 1) * s * s for _, _, n, s, *_ in of_line) / max(degrees, 1)
        fit = fit_bias_line(
            [x for x, *_ in of_line],
            [b for _, b, *_ in of_line],
            [math.sqrt(pooled / n) for _, _, n, *_ in of_line],
            [u or 0.0 for *_, u, _ in of_line],
            [chain for *_, chain in of_line],
            correlation=r,
            scatter_degrees_of_freedom=degrees,
        )
        if isinstance(fit, str) or degrees < 5:
            figures = ("bias", "slope", "standard_uncertainty", "degrees_of_freedom", "beyond")
            assert [row[f"line_{name}"] for name in figures] == [None] * 5
            assert row["line_reason"] == (fit if len(of_line) < 2 else FEW_CHECKS)
            continue
        bias, u, beyond = bias_at(fit, level)
        assert row["line_bias"] == pytest.approx(bias, rel=1e-6, abs=1e-9)
        assert row["line_standard_uncertainty"] == pytest.approx(u, rel=1e-6)
        assert row["line_slope"] == pytest.approx(fit.slope, rel=1e-6, abs=1e-9)
        freedom = degrees_at(fit, (1.0, level - fit.centre))
        # by their reciprocals, which is how they count: a million of them are as good as infinitely many
        assert 1 / row["line_degrees_of_freedom"] == pytest.approx(1 / freedom, rel=1e-6, abs=1e-9)
        assert row["line_degrees_of_freedom"] >= (len(of_line) - 2 if fit.enlarged > 1 else degrees)
        assert (row["blocks"], row["line_reason"]) == (len(of_line), None)
        assert row["line_beyond"] == pytest.approx(beyond, abs=1e-9)
        assert again["line_bias"] == pytest.approx(row["line_bias"], rel=1e-9, abs=1e-12)


def test_between_two_equal_blocks_the_line_is_surer_than_at_either() -> None:
    fit = fit_bias_line([50.0, 60.0], [0.1, 0.3], [0.01, 0.01], [0.1, 0.1], [None, None])
    assert isinstance(fit, LineFit)
    u = math.hypot(0.01, 0.1)
    assert bias_at(fit, 50.0) == pytest.approx((0.1, u, 0.0))
    assert bias_at(fit, 55.0) == pytest.approx((0.2, u / math.sqrt(2), 0.0))
    # two blocks fix a line exactly: nothing is left to test it by
    assert (fit.chi_squared, fit.chi_squared_limit, fit.enlarged) == (0.0, None, 1.0)
    assert (bias_at(fit, 50.0)[2], bias_at(fit, 60.0)[2]) == (0.0, 0.0)
    assert bias_at(fit, 61.5)[2] == pytest.approx(1.5)
    assert bias_at(fit, 48.0)[2] == pytest.approx(-2.0)


def test_what_the_certificates_share_does_not_average_out() -> None:
    alone = fit_bias_line([50.0, 60.0], [0.1, 0.3], [0.01, 0.01], [0.1, 0.1], [None, None], correlation=0.9)
    shared = fit_bias_line([50.0, 60.0], [0.1, 0.3], [0.01, 0.01], [0.1, 0.1], ["A", "A"], correlation=0.9)
    assert isinstance(alone, LineFit)
    assert isinstance(shared, LineFit)
    # u² = (s² + u²)/2 + r·u²/2 for the mean of two; the slope sees only what differs
    assert bias_at(shared, 55.0)[1] == pytest.approx(math.sqrt((0.0001 + 0.01) / 2 + 0.9 * 0.01 / 2))
    assert bias_at(shared, 55.0)[1] > bias_at(alone, 55.0)[1]
    assert shared.covariance[1][1] < alone.covariance[1][1]


def test_a_line_that_does_not_fit_says_so_in_its_covariance() -> None:
    fit = fit_bias_line([40.0, 50.0, 60.0], [0.0, 1.0, 0.0], [0.01] * 3, [0.1] * 3, [None] * 3)
    assert isinstance(fit, LineFit)
    assert fit.degrees_of_freedom == 1
    # the residuals are 1/3, -2/3, 1/3 of 1 with a variance of 0.0101 each
    assert fit.chi_squared == pytest.approx(6 / 9 / 0.0101)
    assert fit.enlarged == pytest.approx(fit.chi_squared)


def test_the_covariance_is_enlarged_only_where_chi_squared_says_that_the_blocks_do_not_fit() -> None:
    def bent(by: float) -> LineFit:
        # the residuals of three equal blocks are 1/3, -2/3, 1/3 of the bend
        fit = fit_bias_line([40.0, 50.0, 60.0], [0.0, by, 0.0], [0.0] * 3, [0.1] * 3, [None] * 3)
        assert isinstance(fit, LineFit)
        return fit

    edge = 0.1 * math.sqrt(3.8414588 * 1.5)  # 95 % point of chi-squared on one degree of freedom, any handbook's table
    inside, outside = bent(edge * 0.9999), bent(edge * 1.0001)
    assert inside.enlarged == 1.0
    assert inside.chi_squared > inside.degrees_of_freedom  # which enlarged it before
    assert degrees_at(inside, (0.0, 1.0)) is None
    assert outside.enlarged == pytest.approx(3.8414588, rel=1e-3)
    assert degrees_at(outside, (0.0, 1.0)) == 1.0
    assert outside.covariance[1][1] == pytest.approx(inside.covariance[1][1] * outside.enlarged)


def test_a_slightly_enlarged_line_too_is_known_by_its_residuals() -> None:
    """On ten degrees of freedom the 95 % point of chi-squared is 18.307 (any handbook's table), 1.83 times as many."""
    signs = np.array([1, -1, -1, 1, 1, -1, -1, 1, 1, -1, -1, 1])
    levels = np.arange(40.0, 52.0)
    bent = np.polyfit(levels, signs, 1)
    rest = signs - np.polyval(bent, levels)
    for chi_squared, freedom in ((18.30, None), (18.31, 10.0)):
        biases = rest * math.sqrt(chi_squared / float(rest @ rest)) * 0.1
        fit = fit_bias_line(levels, biases, [0.0] * 12, [0.1] * 12, [None] * 12)
        assert isinstance(fit, LineFit)
        assert fit.chi_squared == pytest.approx(chi_squared)
        assert degrees_at(fit, (1.0, 0.0)) == freedom


def several(*given: dict[str, Any]) -> dict[str, Any]:
    """Return what the frame says of one line at 55, two blocks of three checks each unless said."""
    usual = {
        "key": 1, "level": 55.0, "bias": 0.1, "variance": 0.01, "level_share": 1 / 3, "checks": 4.0, "certificate": 0.1, "chain": None
    }  # fmt: skip
    rows = [usual | {"block": f"B{n}", "certified": 50.0 + 10 * n} | one for n, one in enumerate(given)]
    types = {"variance": pl.Float64, "certificate": pl.Float64, "chain": pl.String}
    return biases_at_levels(pl.DataFrame(rows, schema_overrides=types)).row(0, named=True)


def test_a_line_in_a_frame_needs_two_blocks_of_different_value_enough_checks_and_weights() -> None:
    assert ENOUGH_DEGREES == 5  # our own choice, said on the page
    assert several({}, {"checks": 3.0})["line_reason"] is None
    assert several({"checks": 3.0}, {"checks": 3.0})["line_reason"] == FEW_CHECKS
    assert several({"checks": 1.0, "variance": None}, {"checks": 1.0, "variance": None})["line_reason"] == FEW_CHECKS
    for same in ([{}], [{}, {"certified": 50.0}]):
        assert several(*same)["line_reason"] == "a line needs checks on two blocks of different value"
    quiet = {"variance": 0.0}
    for bare in ([quiet | {"certificate": 0.0}, quiet], [quiet | {"certificate": None}, quiet | {"certificate": 0.0}]):
        assert several(*bare)["line_reason"].startswith("a block has neither")
    # what the checks do not tell is known exactly: the certificates
    known = several(quiet, quiet)
    assert known["line_standard_uncertainty"] == pytest.approx(0.1 / math.sqrt(2))
    assert known["line_degrees_of_freedom"] is None


def test_lines_stand_in_order_and_certificates_are_independent_unless_said() -> None:
    chain = [(50.0, 0.1, 4, 0.1, 0.1, "A"), (60.0, 0.2, 4, 0.1, 0.1, "A")]
    many = frame([(45.0 + n % 20, chain) for n in range(200)]).sample(fraction=1.0, shuffle=True, seed=3)
    assert biases_at_levels(many)["key"].to_list() == list(range(200))
    apart, alike = (biases_at_levels(many, correlation=r)["line_standard_uncertainty"] for r in (0.0, 0.9))
    assert biases_at_levels(many)["line_standard_uncertainty"].equals(apart)
    assert not apart.equals(alike)


def test_degrees_of_freedom_at_a_level_are_those_of_the_scatter_as_far_as_it_makes_the_uncertainty() -> None:
    def at(scatter: float, certificate: float, freedom: float | None) -> float | None:
        fit = fit_bias_line(
            [50.0, 60.0], [0.1, 0.3], [scatter] * 2, [certificate] * 2, [None] * 2, scatter_degrees_of_freedom=freedom
        )
        assert isinstance(fit, LineFit)
        return degrees_at(fit, (1.0, 50.0 - fit.centre))

    assert at(0.1, 0.0, 6.0) == pytest.approx(6.0)
    assert at(0.1, 0.1, 6.0) == pytest.approx(24.0)  # half of the variance: u⁴/(u⁴/4/6)
    assert at(0.0, 0.1, 6.0) is None
    assert at(0.1, 0.1, None) is None


def test_three_blocks_cover_the_slope_and_the_bias_as_often_as_they_say() -> None:
    """A simulation: three checks on each of three blocks, whose scatter is all that is uncertain."""
    chance = np.random.default_rng(20260304)
    levels, trials, n = np.array([18.0, 35.0, 58.0]), 4000, 3
    truth = 0.1 + 0.002 * levels
    seen = truth[:, None] + chance.normal(0.0, 0.03, (trials, 3, n))
    pooled = seen.var(axis=2, ddof=1).mean(axis=1)
    held = {"slope": 0, "bias": 0, "normal": 0}
    for means, variance in zip(seen.mean(axis=2), pooled, strict=True):
        u = math.sqrt(variance / n)
        fit = fit_bias_line(levels, means, [u] * 3, [0.0] * 3, [None] * 3, scatter_degrees_of_freedom=3 * (n - 1))
        assert isinstance(fit, LineFit)
        error, u_slope = abs(fit.slope - 0.002), math.sqrt(fit.covariance[1][1])
        held["slope"] += error <= coverage_factor(degrees_at(fit, (0.0, 1.0))) * u_slope
        bias, u_bias, _ = bias_at(fit, 45.0)
        held["bias"] += abs(bias - 0.19) <= coverage_factor(degrees_at(fit, (1.0, 45.0 - fit.centre))) * u_bias
        held["normal"] += error <= 1.96 * u_slope
    # 4000 trials: 95 % ± 0.7 %
    assert 0.94 <= held["slope"] / trials <= 0.975
    assert 0.94 <= held["bias"] / trials <= 0.975
    assert held["normal"] / trials < 0.925  # the factor of the normal distribution promises too much


def test_three_blocks_that_lie_on_no_line_cover_it_by_the_scatter_about_it() -> None:
    """A simulation: blocks scatter about the line ten times as far as their uncertainties allow."""
    chance = np.random.default_rng(7)
    levels, held, trials = np.array([18.0, 35.0, 58.0]), 0, 2000
    for _ in range(trials):
        fit = fit_bias_line(levels, chance.normal(0.0, 0.3, 3), [0.0] * 3, [0.03] * 3, [None] * 3)
        assert isinstance(fit, LineFit)
        held += abs(fit.slope) <= coverage_factor(degrees_at(fit, (0.0, 1.0))) * math.sqrt(fit.covariance[1][1])
    # where chance lays three such blocks on a line nothing tells, hence 87 % and not 95 %; the factor 1.96 covered 71 %
    assert held / trials > 0.84


def test_what_cannot_be_fitted_says_why() -> None:
    assert "two blocks" in str(fit_bias_line([50.0], [0.1], [0.01], [0.1], [None]))
    assert "two blocks" in str(fit_bias_line([50.0, 50.0], [0.1, 0.1], [0.01] * 2, [0.1] * 2, [None] * 2))
    assert "cannot be weighted" in str(fit_bias_line([50.0, 60.0], [0.1, 0.1], [0.0] * 2, [0.0, 0.1], [None] * 2))
    with pytest.raises(ValueError, match="below 1"):
        fit_bias_line([50.0, 60.0], [0.1, 0.1], [0.1] * 2, [0.1] * 2, [None] * 2, correlation=1.0)
