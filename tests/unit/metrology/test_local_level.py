"""The level of a meter as its checks let it be followed: against a general library, at its boundaries, in simulation."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import pytest
from scipy import stats
from statsmodels.tsa.statespace.structural import UnobservedComponents

from pipeline.metrology.local_level import STEP_LEVEL, WEIGHT, local_levels
from pipeline.metrology.lot_budget import lot_mean_budgets

if TYPE_CHECKING:
    from collections.abc import Callable

MOVES = WEIGHT**2 / (1 - WEIGHT)


def follow(values: list[float]) -> pl.DataFrame:
    return local_levels(values, np.zeros(len(values)))


def test_without_a_step_it_is_the_exact_filter_of_the_local_level_model() -> None:
    # statsmodels: local level, exact diffuse start, the two variances in the ratio of the weight
    values = 0.1 + np.random.default_rng(5).normal(0.0, 0.03, 40)
    model = UnobservedComponents(values, "local level", use_exact_diffuse=True)
    known = model.filter([1.0, MOVES])
    found = follow(values.tolist())
    assert found["since_step"].to_list() == list(range(1, 41))
    np.testing.assert_allclose(found["level"], known.filtered_state[0], rtol=1e-10)
    np.testing.assert_allclose(found["level_share"], known.filtered_state_cov[0, 0] + MOVES, rtol=1e-10)
    squares = known.standardized_forecasts_error[0][1:] ** 2
    np.testing.assert_allclose(found["variance"][1:], np.cumsum(squares) / np.arange(1, 40), rtol=1e-10)


def test_it_begins_as_the_mean_and_becomes_the_exponentially_weighted_mean() -> None:
    values = np.random.default_rng(6).normal(0.0, 0.03, 200)
    found = follow(values.tolist())
    assert found["level"][0] == values[0]
    assert found["variance"][0] is None
    # of two: the second weighs (1 + m)/(2 + m) and not a half, for the level may have moved between them
    assert found["level"][1] == pytest.approx(values[0] + (1 + MOVES) / (2 + MOVES) * (values[1] - values[0]))
    assert found["level"][199] == pytest.approx(WEIGHT * values[199] + (1 - WEIGHT) * found["level"][198], rel=1e-6)
    assert found["level_share"][199] == pytest.approx(WEIGHT + MOVES)


def test_a_step_is_what_students_t_of_the_checks_before_it_does_not_allow() -> None:
    before = [0.00, 0.02, -0.02, 0.01, -0.01, 0.02, 0.00, -0.02]
    last = follow(before).row(-1, named=True)
    reach = stats.t.ppf((1 + STEP_LEVEL) / 2, len(before) - 1) * math.sqrt(last["variance"] * (1 + last["level_share"]))
    inside = follow([*before, last["level"] + 0.999 * reach]).row(-1, named=True)
    outside = follow([*before, last["level"] + 1.001 * reach]).row(-1, named=True)
    assert inside["since_step"] == len(before) + 1
    assert abs(inside["level"] - last["level"]) < 0.3 * reach
    assert outside["since_step"] == 1
    assert outside["level"] == last["level"] + 1.001 * reach
    assert outside["level_share"] == 1 + MOVES  # one check tells it
    # the step stands in the scatter
    assert outside["variance"] == pytest.approx(inside["variance"], rel=0.01)
    assert outside["variance"] > 2 * last["variance"]


def test_two_values_make_no_step_and_three_equal_ones_no_scatter() -> None:
    assert follow([0.0, 5.0])["since_step"].to_list() == [1, 2]
    assert follow([1.0, 1.0, 1.0])["variance"].to_list() == [None, 0.0, 0.0]
    assert follow([1.0, 1.0, 1.0])["since_step"].to_list() == [1, 2, 3]
    # a display that never moved, and then did
    assert follow([1.0, 1.0, 1.0, 1.2]).row(-1)[0] == 1.2


def test_series_do_not_speak_of_one_another_and_later_values_change_nothing() -> None:
    one, other = [0.0, 0.1, -0.1, 0.05], [5.0, 5.1, 4.9]
    both = local_levels([*one, *other], [0] * 4 + [1] * 3)
    assert both.equals(pl.concat([follow(one), follow(other)]))
    assert follow(one)[:2].equals(follow(one[:2]))
    assert follow([]).height == 0


def test_the_level_shifts_and_scales_with_the_values() -> None:
    values = np.random.default_rng(8).normal(0.0, 0.03, 30)
    values[20:] += 0.3
    plain, moved = follow(values.tolist()), follow((1.0 - 2.0 * values).tolist())
    assert plain["since_step"][20] == 1
    np.testing.assert_allclose(moved["level"], 1.0 - 2.0 * plain["level"].to_numpy(), rtol=1e-9)
    np.testing.assert_allclose(moved["variance"][1:], 4.0 * plain["variance"][1:].to_numpy(), rtol=1e-9)


def test_values_that_are_no_numbers_are_refused() -> None:
    with pytest.raises(ValueError, match="finite"):
        follow([0.0, math.nan])
    with pytest.raises(ValueError, match="its series"):
        local_levels([0.0, 1.0], [0])
    with pytest.raises(ValueError, match="its series"):
        local_levels([[0.0, 1.0]], [[0, 0]])


def test_weight_and_level_are_those_that_documents_promise() -> None:
    """A weight of 0.2 to 0.3 is usual (NIST/SEMATECH e-Handbook, 6.3.2.4, after Hunter 1986); 0.997 is our own choice."""
    assert (WEIGHT, STEP_LEVEL) == (0.2, 0.997)


@pytest.mark.parametrize(("moves", "least", "most"), [(0.0, 0.945, 0.975), (MOVES, 0.935, 0.96)])
@pytest.mark.parametrize("checks", [6, 30])
def test_the_next_check_lies_where_level_and_scatter_say(checks: int, moves: float, least: float, most: float) -> None:
    """A simulation: a meter without drift, and one whose level wanders as the model says; 4,000 meters each."""
    chance = np.random.default_rng(checks)
    trials = 4000
    level = np.cumsum(chance.normal(0.0, 0.03 * math.sqrt(moves), (trials, checks + 1)), axis=1)
    seen = level + chance.normal(0.0, 0.03, (trials, checks + 1))
    found = local_levels(seen[:, :-1].ravel(), np.repeat(np.arange(trials), checks))[checks - 1 :: checks]
    half = stats.t.ppf(0.975, checks - 1) * np.sqrt(found["variance"] * (1 + found["level_share"])).to_numpy()
    share = (np.abs(seen[:, -1] - found["level"].to_numpy()) <= half).mean()
    assert least < share < most


def test_few_meters_that_are_as_they_were_seem_to_step() -> None:
    chance = np.random.default_rng(11)
    found = local_levels(chance.normal(0.0, 0.03, 40_000), np.repeat(np.arange(400), 100))
    steps = (found["since_step"] == 1).sum() - 400
    # 3 in 1000 by the level of the test
    assert 0.002 < steps / 40_000 < 0.004


def steady(checks: int) -> np.ndarray:
    return np.full(checks, 0.1)


def drifting(checks: int) -> np.ndarray:
    return np.linspace(0.0, 0.264, checks)


def stepped(ago: int) -> Callable[[int], np.ndarray]:
    return lambda checks: np.where(np.arange(checks) < checks - 1 - ago, 0.0, 0.264)


@pytest.mark.parametrize("path", [steady, drifting, stepped(1), stepped(2), stepped(5)])
def test_the_uncertainty_of_a_lot_covers_what_the_meter_does_on_the_day(path: Callable[[int], np.ndarray]) -> None:
    """A simulation: 2,000 meters with 40 checks before a lot; the mean and its scatter covered a step of yesterday in 5 %."""
    chance = np.random.default_rng(2026)
    meters, checks, s, certificate = 2000, 40, 0.03, 0.05
    level = path(checks + 1)
    shared = chance.normal(0.0, certificate, (meters, 1))  # the block is not worth what its certificate says
    seen = level[:checks] + chance.normal(0.0, s, (meters, checks)) + shared
    found = local_levels(seen.ravel(), np.repeat(np.arange(meters), checks))[checks - 1 :: checks]
    error = level[checks] + chance.normal(0.0, s, meters)
    budgets = lot_mean_budgets(
        pl.DataFrame({"mean": 58.0 + error}).with_columns(
            readings=pl.lit(9),
            repeatability=pl.lit(0.0),
            repeatability_degrees_of_freedom=pl.lit(20.0),
            block_expanded_uncertainty=pl.lit(2 * certificate),
            block_coverage_factor=pl.lit(2.0),
            check_standard_deviation=found["variance"].sqrt(),
            check_degrees_of_freedom=pl.lit(checks - 1.0),
            check_bias=found["level"],
            check_level_standard_uncertainty=(found["variance"] * found["level_share"]).sqrt(),
        )
    )
    covered = (np.abs(error) <= budgets["expanded_uncertainty"].to_numpy()).mean()
    # of a drift over all checks a level follows at four checks' distance; its trend is a line of its own in a lot's budget
    assert covered > (0.92 if path is drifting else 0.95)
    assert budgets["expanded_uncertainty"].mean() < 0.5  # type: ignore[operator]
