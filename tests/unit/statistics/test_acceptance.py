"""Acceptance by variables, tolerance factors and quantiles against other implementations. Invented numbers."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.statistics.acceptance import (
    accept_by_k,
    acceptance_of_lots,
    estimated_nonconforming,
    operating_characteristic,
)


def test_estimate_of_nonconforming_parts_is_unbiased() -> None:
    x = np.random.default_rng(41).normal(0, 1, (40_000, 6))
    quality = (1.2 - x.mean(axis=1)) / x.std(axis=1, ddof=1)
    estimate = estimated_nonconforming(quality, np.full(quality.shape, 6))
    error = estimate.std() / np.sqrt(estimate.size)
    assert estimate.mean() == pytest.approx(stats.norm.sf(1.2), abs=4 * error)
    assert estimated_nonconforming([50.0, -50.0], [6, 6]).tolist() == [0.0, 1.0]
    for sizes in ([2, 2], [2, 5]):
        with pytest.raises(ValueError, match="at least 3"):
            estimated_nonconforming([1.0, 1.0], sizes)


def test_operating_characteristic_is_that_of_simulated_lots() -> None:
    x = np.random.default_rng(42).normal(0, 1, (40_000, 8))
    limit = stats.norm.isf(0.06)
    accepted = ((limit - x.mean(axis=1)) / x.std(axis=1, ddof=1) >= 1.4).mean()
    assert operating_characteristic([0.06], 8, 1.4)[0] == pytest.approx(accepted, abs=0.01)
    curve = operating_characteristic(np.linspace(0.001, 0.6, 50), 8, 1.4)
    assert (np.diff(curve) < 0).all()
    for bad in (([0.0, 0.5], 8), ([0.5, 1.0], 8), ([0.5, 1.5], 8), ([0.5], 1)):
        with pytest.raises(ValueError, match="expected"):
            operating_characteristic(*bad, 1.4)


@pytest.mark.parametrize(
    ("n", "mean", "s", "k", "lower", "upper", "reason"),
    [
        (5, 35.0, 0.2, 1.5, None, None, "no limit"),
        (5, 35.0, 0.2, 1.5, 36.0, 34.0, "is not below"),
        (0, None, None, 1.5, 34.0, None, "no part"),
        (1, 35.0, None, 1.5, 34.0, None, "one part"),
        (5, 35.0, 0.0, 1.5, 34.0, None, "zero"),
        (2, 35.0, 0.2, 1.5, 34.0, 36.0, "at least 3"),
        (5, None, 0.2, 1.5, 34.0, None, "no part"),
        (5, 35.0, None, 1.5, 34.0, None, "no standard deviation"),
        (5, 35.0, 0.2, None, 34.0, None, "states no k"),
        (5, 0.0, 0.0, 1.5, 0.0, None, "zero"),
        # a deviation that is rounding beside mean or limit is none, whatever their signs
        (5, 1e6, 1e-7, 1.5, 0.0, None, "zero"),
        (5, -1e6, 1e-7, 1.5, None, 0.0, "zero"),
        (5, 0.0, 1e-7, 1.5, -1e6, None, "zero"),
        (5, 0.0, 1e-7, 1.5, None, 1e6, "zero"),
        (5, 0.0, 1e-7, 1.5, None, -1e6, "zero"),
        (5, 35.0, 0.2, 1.5, 35.0, 35.0, "is not below"),
        (None, 35.0, 0.2, 1.5, 34.0, None, "no part"),
    ],
)
def test_the_k_method_says_why_not(
    n: Any, mean: float | None, s: float | None, k: float | None, lower: float | None, upper: float | None, reason: str
) -> None:
    found = accept_by_k(n, mean, s, k, lower, upper)
    assert found.accepted is None
    assert found.reason is not None
    assert reason in found.reason
    assert found.nonconforming is found.quality_lower is found.quality_upper is None


def test_a_plan_without_k_says_so() -> None:
    lots = pl.DataFrame(
        {
            "lot": ["A"],
            "parts": [5],
            "mean": [35.0],
            "standard_deviation": [0.2],
            "k": [None],
            "lower": [34.0],
            "upper": [None],
        },
        schema_overrides={"k": pl.Float64, "upper": pl.Float64},
    )
    assert acceptance_of_lots(lots)["reason"][0] == "the plan states no k"


def test_two_limits_together_ask_more_than_each_alone() -> None:
    # a wide lot in the middle: each limit by itself would accept
    n, s, k = 10, 0.55, 1.5
    alone = [accept_by_k(n, 35.0, s, k, *limits) for limits in ((34.15, None), (None, 35.85))]
    together = accept_by_k(n, 35.0, s, k, 34.15, 35.85)
    assert [result.accepted for result in alone] == [True, True]
    assert together.accepted is False
    assert together.nonconforming == pytest.approx(sum(r.nonconforming for r in alone if r.nonconforming is not None))
    # far from the second limit, both rules are one
    for mean in np.linspace(34.0, 36.0, 21):
        wide = accept_by_k(n, mean, 0.2, k, 0.0, 35.3)
        assert wide.accepted == accept_by_k(n, mean, 0.2, k, None, 35.3).accepted


def test_a_lot_exactly_k_deviations_inside_its_limit_is_accepted() -> None:
    assert accept_by_k(5, 35.0, 0.5, 2.0, 34.0, None).accepted is True
    assert accept_by_k(5, 34.0, 0.5, 2.0, None, 35.0).accepted is True
    assert accept_by_k(5, 34.999, 0.5, 2.0, 34.0, None).accepted is False


@pytest.mark.parametrize(("mean", "accepted"), [(0.0, True), (2.5, False), (-2.5, False)])
def test_where_no_fraction_can_be_told_k_is_asked_at_each_limit(mean: float, accepted: bool) -> None:
    # beyond (n − 1)/√n = 1.155 the estimate is zero, and so is the M that belongs to k = 2
    found = accept_by_k(3, mean, 1.0, 2.0, -4.0, 4.0)
    assert (found.nonconforming, found.most_nonconforming) == (0.0, 0.0)
    assert found.accepted is accepted


def test_a_fraction_is_estimated_from_three_parts_on() -> None:
    assert accept_by_k(2, 35.0, 0.2, 1.5, 34.0, None).nonconforming is None
    two = accept_by_k(2, 35.0, 0.2, 1.5, 34.0, None)
    assert (two.accepted, two.most_nonconforming) == (True, None)
    three = accept_by_k(3, 35.0, 1.0, 1.0, 34.5, None)
    assert three.nonconforming == pytest.approx(estimated_nonconforming([0.5], [3])[0])
    assert three.most_nonconforming == pytest.approx(estimated_nonconforming([1.0], [3])[0])


def test_a_plan_of_two_parts_has_an_operating_characteristic() -> None:
    # with two parts and k = 0 a lot is accepted where the mean of two normal values lies inside the limit
    assert operating_characteristic([0.1], 2, 0.0)[0] == pytest.approx(stats.norm.cdf(2**0.5 * stats.norm.isf(0.1)))


@pytest.mark.parametrize("n", [3, 8])
@pytest.mark.parametrize("quality", [0.05, 0.4, 0.5, 0.6, 0.9])
def test_the_operating_characteristic_is_the_noncentral_t_on_both_sides_of_half(n: int, quality: float) -> None:
    # P(T >= k·√n), T noncentral t with n − 1 degrees of freedom (Resnikoff and Lieberman, 1957, from memory); by scipy
    expected = stats.nct.sf(0.8 * n**0.5, n - 1, stats.norm.isf(quality) * n**0.5)
    assert operating_characteristic([quality], n, 0.8)[0] == pytest.approx(expected, rel=1e-6)


def test_k_itself_is_enough_at_each_of_two_limits() -> None:
    assert accept_by_k(3, 0.0, 1.0, 2.0, -2.0, 4.0).accepted is True
    assert accept_by_k(3, 0.0, 1.0, 2.0, -4.0, 2.0).accepted is True
    assert accept_by_k(3, 0.0, 1.0, 2.0, -4.0, 1.999).accepted is False


def test_the_plans_own_m_decides_with_two_limits() -> None:
    # k = 1.53 stands for 3.231 % with 5 parts, while the plan's table permits 3.32 % (MIL-STD-414, from memory)
    k, permitted, s = 1.53, 3.32, 0.4
    sums = {}
    for half in np.arange(1.60, 1.70, 0.0005) * s:
        found = accept_by_k(5, 35.0, s, k, 35.0 - half, 35.0 + half, permitted)
        assert found.nonconforming is not None
        assert found.accepted == (found.nonconforming <= permitted / 100)
        assert found.most_nonconforming == permitted / 100
        assert "plan's M" in found.rule
        by_k = accept_by_k(5, 35.0, s, k, 35.0 - half, 35.0 + half)
        sums[100 * found.nonconforming] = found.accepted, by_k.accepted
    between = [told for total, told in sums.items() if 3.24 < total < 3.32]
    assert between
    assert set(between) == {(True, False)}
    assert {told for total, told in sums.items() if total > 3.32} == {(False, False)}


def test_the_plans_own_m_says_nothing_of_one_limit() -> None:
    for q, accepted in ((1.5301, True), (1.5299, False)):
        found = accept_by_k(5, 35.0, 0.4, 1.53, None, 35.0 + q * 0.4, 99.0)
        assert found.accepted is accepted
        assert found.most_nonconforming == pytest.approx(0.0323, abs=5e-5)
    assert accept_by_k(5, 35.0, 0.4, None, None, 36.0, 3.32).reason == "the plan states no k"


def test_a_plan_of_two_limits_may_state_m_alone() -> None:
    assert accept_by_k(5, 35.0, 0.4, None, 34.0, 36.0, 3.32).accepted
    assert accept_by_k(2, 35.0, 0.4, None, 34.0, 36.0, 3.32).reason == "two limits need at least 3 parts"
    assert accept_by_k(5, 35.0, 0.4, None, 34.0, 36.0).reason == "the plan states no k"


def test_two_values_can_be_judged_by_one_limit() -> None:
    found = accept_by_k(2, 35.0, 0.2, 1.5, 34.0, None)
    assert found.accepted
    assert found.nonconforming is None


def test_lots_keep_their_order() -> None:
    lots = pl.DataFrame(
        {
            "lot": ["B", "A"], "parts": [5, 5], "mean": [35.0, 35.0], "standard_deviation": [0.2, 0.9], "k": [1.5, 1.5],
            "lower": [34.0, 34.0], "upper": [None, None],
        },
        schema_overrides={"upper": pl.Float64},
    )  # fmt: skip
    found = acceptance_of_lots(lots)
    assert found.select("lot", "accepted").rows() == [("B", True), ("A", False)]


def test_operating_curve_reaches_the_qualities_that_nobody_accepts() -> None:
    chance = operating_characteristic([1e-9, 0.001, 0.2, 0.6, 0.999, 1 - 1e-12], 15, 1.6)
    assert chance[0] == pytest.approx(1.0)
    assert list(chance) == sorted(chance, reverse=True)
    assert 0 <= chance[-1] < 1e-12
