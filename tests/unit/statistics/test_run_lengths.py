"""Run lengths where they have a closed form, and the laws that they obey everywhere. Published values stand elsewhere."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy import stats

from pipeline import rules
from pipeline.metrology.control_limits import FEWEST_BEHIND_LIMITS
from pipeline.statistics.run_lengths import (
    Pattern,
    cusum_interval,
    cusum_run_length,
    estimated_rate,
    ewma_run_length,
    ewma_width,
    pattern_run_length,
    pattern_widening,
)
from pipeline.statistics.tabulated_limits import TABLE
from pipeline.workspace.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Callable

SHIFTS = np.array([[0.0, 0.4], [-1.0, 2.5]])
SCALES = np.array([0.6, 1.7])


def single(width: float, shift: np.ndarray | float = 0.0, scale: np.ndarray | float = 1.0) -> np.ndarray:
    return np.asarray(1 / (stats.norm.sf(width, shift, scale) + stats.norm.cdf(-width, shift, scale)))


ONE_BEYOND = [Pattern(1, 1, 3.0)]


@pytest.mark.parametrize("width", [0.4, 2.0, 3.0])
def test_single_points_wait_for_one_beyond(width: float) -> None:
    expected = single(width, SHIFTS, SCALES)
    for found in (
        ewma_run_length(1.0, width, SHIFTS, SCALES),  # with the whole weight on the newest point an EWMA is that point
        pattern_run_length([Pattern(1, 1, width)], SHIFTS, SCALES),
    ):
        assert found.shape == (2, 2)
        assert found == pytest.approx(expected, rel=1e-8)
    for one in (ewma_run_length(1.0, width), pattern_run_length([Pattern(1, 1, width)])):
        assert one.shape == ()
        assert float(one) == pytest.approx(float(single(width)), rel=1e-8)


def test_what_never_signals_has_the_longest_run_length() -> None:
    for found in (ewma_run_length(0.2, 30.0), cusum_run_length(1.0, 60.0, sides=1)):
        assert float(found) == 1e12


@pytest.mark.parametrize("points", [1, 2, 5, 8])
def test_points_in_a_row_on_one_side_wait_for_equal_throws_of_a_coin(points: int) -> None:
    # r equal throws in a row take 2^r − 1 in the mean
    assert float(pattern_run_length([Pattern(points, points, 0.0)])) == pytest.approx(2**points - 1, rel=1e-9)


@pytest.mark.parametrize("points", [2, 3, 4])
@pytest.mark.parametrize("limit", [0.5, 1.0, 2.0])
def test_points_in_a_row_beyond_a_limit_by_the_theory_of_runs(points: int, limit: float) -> None:
    # r in a row of one of several outcomes: 1/Σ p^r·(1 − p)/(1 − p^r) (Feller, vol. 1, XIII.8; from memory)
    found = pattern_run_length([Pattern(points, points, limit)], SHIFTS, SCALES)
    sides = [stats.norm.sf(limit, SHIFTS, SCALES), stats.norm.cdf(-limit, SHIFTS, SCALES)]
    expected = 1 / sum(p**points * (1 - p) / (1 - p**points) for p in sides)
    assert found == pytest.approx(np.minimum(expected, 1e12), rel=1e-6)


def brute(patterns: list[Pattern], p: dict[float, float]) -> float:
    """Return the mean wait for the first of several patterns with values and chances of one point, over all pasts."""
    longest = max(pattern.window for pattern in patterns)
    pasts: list[tuple[float, ...]] = [()]
    moves: dict[tuple[float, ...], list[tuple[tuple[float, ...], float]]] = {}
    while pasts:
        past = pasts.pop()
        if past in moves:
            continue
        moves[past] = []
        for value, chance in p.items():
            points = (*past, value)
            complete = any(
                sign * value > one.limit and sum(sign * x > one.limit for x in points[-one.window :]) >= one.least
                for one in patterns
                for sign in (1, -1)
            )
            if not complete:
                following = points[-(longest - 1) :] if longest > 1 else ()
                moves[past].append((following, chance))
                pasts.append(following)
    places = {past: place for place, past in enumerate(moves)}
    matrix = np.eye(len(places))
    for past, some in moves.items():
        for following, chance in some:
            matrix[places[past], places[following]] -= chance
    return float(np.linalg.solve(matrix, np.ones(len(places)))[places[()]])


@pytest.mark.parametrize(
    "patterns",
    [
        [Pattern(2, 3, 2.0)],
        [Pattern(3, 4, 1.0)],
        [Pattern(1, 3, 1.0)],
        [Pattern(4, 5, 1.0), Pattern(1, 1, 3.0)],
        [Pattern(2, 3, 1.0), Pattern(3, 3, 0.0)],
        [Pattern(1, 1, 3.0), Pattern(2, 2, 2.0), Pattern(4, 4, 1.0)],
    ],
)
@pytest.mark.parametrize(("shift", "scale"), [(0.0, 1.0), (0.8, 1.3)])
def test_several_patterns_together_by_all_that_can_have_gone_before(
    patterns: list[Pattern], shift: float, scale: float
) -> None:
    edges = [-np.inf, -3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0, np.inf]
    chances = np.diff(stats.norm.cdf(edges, shift, scale))
    points = dict(zip([-3.5, -2.5, -1.5, -0.5, 0.5, 1.5, 2.5, 3.5], chances, strict=True))
    assert float(pattern_run_length(patterns, shift, scale)) == pytest.approx(brute(patterns, points), rel=1e-9)
    assert float(pattern_run_length(patterns[::-1], -shift, scale)) == pytest.approx(brute(patterns, points), rel=1e-9)


@pytest.mark.parametrize("weight", [0.1, 0.5])
def test_an_ewma_knows_no_unit_and_no_side(weight: float) -> None:
    plain = ewma_run_length(weight, 1.8, [0.0, 0.7], 1.0)
    assert plain[0] > plain[1] > 1
    assert ewma_run_length(weight, 1.5 * 1.8, [0.0, -1.5 * 0.7], 1.5) == pytest.approx(plain, rel=1e-8)


def by_chain(weight: float, half: float, shift: float) -> float:
    """Return the run length of an EWMA by a chain of narrow strips (Brook and Evans, Biometrika 59, 539, 1972; from memory)."""
    states = 401
    wide = 2 * half / states
    centre = -half + wide * (np.arange(states) + 0.5)
    reach = [(centre[None, :] + side * wide / 2 - (1 - weight) * centre[:, None]) / weight for side in (-1, 1)]
    move = stats.norm.cdf(reach[1], shift) - stats.norm.cdf(reach[0], shift)
    return float(np.linalg.solve(np.eye(states) - move, np.ones(states))[states // 2])


@pytest.mark.parametrize(("weight", "width", "shift"), [(0.3, 2.0, 0.0), (0.3, 2.5, 1.0), (0.7, 2.2, 0.4)])
def test_an_ewma_by_a_chain_of_strips(weight: float, width: float, shift: float) -> None:
    chain = by_chain(weight, width * math.sqrt(weight / (2 - weight)), shift)
    assert float(ewma_run_length(weight, width, shift)) == pytest.approx(chain, rel=1e-3)


@pytest.mark.parametrize("sides", [1, 2])
def test_a_cusum_knows_no_unit_and_its_sides_add_their_rates(sides: int) -> None:
    plain = cusum_run_length(0.5, 3.0, [0.0, 0.7, -0.4], 1.0, sides=sides)
    assert cusum_run_length(0.75, 4.5, [0.0, 1.05, -0.6], 1.5, sides=sides) == pytest.approx(plain, rel=1e-7)
    if sides == 2:
        high, low = (cusum_run_length(0.5, 3.0, side * np.array([0.0, 0.7, -0.4]), sides=1) for side in (1, -1))
        assert plain == pytest.approx(1 / (1 / high + 1 / low), rel=1e-12)
        assert plain == pytest.approx(cusum_run_length(0.5, 3.0, [0.0, 0.7, -0.4]), rel=1e-12)
        assert cusum_run_length(0.5, 3.0).shape == ()
        assert float(cusum_run_length(0.5, 3.0)) == pytest.approx(plain[0], rel=1e-12)


@pytest.mark.parametrize("reference_value", [0.0, 0.3, 1.0])
def test_a_cusum_without_room_waits_for_one_point_beyond_its_reference(reference_value: float) -> None:
    found = cusum_run_length(reference_value, 1e-9, [0.0, 0.6], [1.0, 0.5], sides=1)
    assert found == pytest.approx(1 / stats.norm.sf(reference_value, [0.0, 0.6], [1.0, 0.5]), rel=1e-6)


@pytest.mark.parametrize("checks", [3, 4, 8])
def test_few_checks_behind_the_limits_make_the_rate_of_students_t(checks: int) -> None:
    exact = 2 * stats.t.sf(2 / math.sqrt(1 + 1 / checks), checks - 1)
    found = estimated_rate(lambda mean, scale: pattern_run_length([Pattern(1, 1, 2.0)], mean, scale), checks)
    assert found == pytest.approx(exact, rel=1e-5)
    assert estimated_rate(
        lambda mean, scale: pattern_run_length([Pattern(1, 1, 2.0)], mean, scale), None
    ) == pytest.approx(float(1 / single(2.0)), rel=1e-12)


@pytest.mark.parametrize("run_length", [1.2, 1.9, 3.0, 370.0, 1e6])
def test_widening_of_single_points_is_the_normal_quantile(run_length: float) -> None:
    found = pattern_widening((Pattern(1, 1, 2.0),), run_length)
    assert found == pytest.approx(stats.norm.isf(0.5 / run_length) / 2, rel=1e-9)


def test_a_factor_gives_the_wanted_run_length() -> None:
    assert float(ewma_run_length(0.3, ewma_width(0.3, 80.0))) == pytest.approx(80.0, rel=1e-8)
    assert float(cusum_run_length(0.4, cusum_interval(0.4, 80.0))) == pytest.approx(80.0, rel=1e-8)
    rates = (
        estimated_rate(lambda m, s: ewma_run_length(0.3, ewma_width(0.3, 80.0, 15), m, s), 15),
        estimated_rate(lambda m, s: cusum_run_length(0.4, cusum_interval(0.4, 80.0, 15), m, s), 15),
    )
    assert rates == pytest.approx((1 / 80, 1 / 80), rel=1e-8)


@pytest.mark.parametrize("checks", [None, 10, 11, 20, 60])
def test_tabulated_limits_give_the_run_length_of_the_default_settings(checks: int | None) -> None:
    """What the settings say, and nothing else, is looked up."""
    settings = Settings()
    weight, k, length = settings.drift_ewma_weight, settings.drift_cusum_reference_value, settings.drift_run_length
    rejecting, seldom = settings.reject_rules.split(), settings.reject_run_length
    patterns = tuple(rule.pattern for rule in rules.find() if rule.id in rejecting and rule.pattern)
    assert list(TABLE) == [("ewma", weight, length), ("cusum", k, length), ("patterns", patterns, seldom)]
    ewma, cusum, widened = (known[checks] for known in TABLE.values())
    wider = [pattern._replace(limit=widened * pattern.limit) for pattern in patterns]
    rates = (
        estimated_rate(lambda m, s: ewma_run_length(weight, ewma, m, s), checks) * length,
        estimated_rate(lambda m, s: cusum_run_length(k, cusum, m, s), checks) * length,
        estimated_rate(lambda m, s: pattern_run_length(wider, m, s), checks) * seldom,
    )
    assert rates == pytest.approx((1.0, 1.0, 1.0), rel=1e-8)
    found = (
        ewma_width(weight, length, checks),
        cusum_interval(k, length, checks),
        pattern_widening(patterns, seldom, checks),
    )
    assert found == (ewma, cusum, widened)


def test_the_table_reaches_from_the_fewest_checks_behind_limits_and_holds_for_nothing_else() -> None:
    for known in TABLE.values():
        assert list(known) == [None, *range(FEWEST_BEHIND_LIMITS, 61)]
        falling = [known[checks] for checks in (*range(FEWEST_BEHIND_LIMITS, 61), None)]
        assert falling == sorted(falling, reverse=True)
    assert ewma_width(0.2, 370.0) < ewma_width(0.2, 370.0, 61) < ewma_width(0.2, 370.0, 60)
    assert ewma_width(0.2, 370.0, 20) < ewma_width(0.2, 371.0, 20)
    assert cusum_interval(0.5, 370.0, 20) < cusum_interval(0.5, 371.0, 20)
    patterns = (Pattern(1, 1, 3.0), Pattern(2, 2, 2.0), Pattern(4, 4, 1.0))
    assert pattern_widening(patterns, 5000.0, 20) < pattern_widening(patterns, 5001.0, 20)
    assert pattern_widening(patterns[:2], 5000.0, 20) < pattern_widening(patterns, 5000.0, 20)


@pytest.mark.parametrize(
    "call",
    [
        lambda: pattern_run_length(ONE_BEYOND, [0.0, math.nan]),
        lambda: pattern_run_length(ONE_BEYOND, scale=[1.0, math.inf]),
        lambda: pattern_run_length(ONE_BEYOND, scale=[1.0, 0.0]),
        lambda: pattern_run_length(ONE_BEYOND, scale=-1.0),
        lambda: ewma_run_length(0.0, 3.0),
        lambda: ewma_run_length(1.01, 3.0),
        lambda: ewma_run_length(0.2, 0.0),
        lambda: ewma_run_length(1.01, 0.0),
        lambda: cusum_run_length(-0.01, 4.0),
        lambda: cusum_run_length(0.5, 0.0),
        lambda: cusum_run_length(0.5, 4.0, sides=3),
        lambda: cusum_run_length(0.5, 4.0, sides=0),
        lambda: pattern_run_length([]),
        lambda: pattern_run_length([Pattern(0, 2, 1.0)]),
        lambda: pattern_run_length([Pattern(1, 1, 3.0), Pattern(3, 2, 1.0)]),
        lambda: pattern_run_length([Pattern(1, 1, 3.0), Pattern(1, 1, -0.1)]),
        lambda: estimated_rate(lambda mean, scale: pattern_run_length(ONE_BEYOND, mean, scale), 2),  # type: ignore[arg-type]
        lambda: pattern_widening((Pattern(1, 1, 3.0),), 1.0),
        lambda: pattern_widening((Pattern(1, 1, 3.0),), math.inf),
        lambda: pattern_widening((Pattern(1, 1, 3.0),), math.nan),
        lambda: pattern_widening((Pattern(1, 1, 3.0),), 1e13),
        lambda: pattern_widening((Pattern(1, 1, 3.0),), 1.001),
        lambda: ewma_width(0.2, 1.5),
        lambda: cusum_interval(0.5, 2.0),
    ],
)
def test_a_number_that_makes_no_sense_is_refused(call: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match=r"expected|no limits"):
        call()
