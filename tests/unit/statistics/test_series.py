"""Order of values: autocorrelation, runs about the median, the five signals of a lot, against their definitions in loops."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from scipy import stats

from pipeline.statistics.constants import degrees_of_freedom_of_relative_variance, moving_range_relative_variance
from pipeline.statistics.randomness import autocorrelation, autocorrelation_bound
from pipeline.statistics.stability import MINIMUM_POINTS, limits_for, stability

# independence


@pytest.mark.parametrize("lag", [1, 2, 5])
@pytest.mark.parametrize("origin", [0.0, -35.0, 1e6])
def test_autocorrelation_by_its_sums(lag: int, origin: float) -> None:
    x = np.random.default_rng(lag).normal(0.0, 1.0, 9)
    centred = [value - sum(x) / 9 for value in x]
    expected = sum(centred[i] * centred[i + lag] for i in range(9 - lag)) / sum(value**2 for value in centred)
    assert autocorrelation(origin + x, lag) == pytest.approx(expected, rel=1e-8)
    if lag == 1:
        assert autocorrelation(x) == autocorrelation(x, 1)


def test_autocorrelation_needs_values_that_differ_and_more_than_the_lag() -> None:
    for equal in ([0.1 + 0.2, 0.3, 0.3], [-0.1 - 0.2, -0.3, -0.3], [0.0, 0.0], [35.0] * 9):
        assert autocorrelation(equal) is None
    assert autocorrelation([0.0, 1e-9, 0.0, 1e-9]) == pytest.approx(-0.75)
    assert autocorrelation([1.0, 1.0 + 1e-7, 1.0, 1.0 + 1e-7]) == pytest.approx(-0.75, rel=1e-6)
    assert autocorrelation([1e9, 1e9 + 1, 1e9, 1e9 + 1]) == pytest.approx(-0.75)
    assert autocorrelation([1.0, 2.0], 2) is None
    assert autocorrelation([1.0, 2.0, 4.0], 2) is not None
    with pytest.raises(ValueError, match="at least 1"):
        autocorrelation([1.0, 2.0], 0)


def test_bound_of_independent_values() -> None:
    assert autocorrelation_bound(1) == pytest.approx(1.959964, abs=1e-6)
    assert autocorrelation_bound(16, 0.9) == pytest.approx(1.644854 / 4, abs=1e-6)
    for n, confidence in ((0, 0.95), (10, 0.0), (10, 1.0), (10, 1.5)):
        with pytest.raises(ValueError, match="at least one value"):
            autocorrelation_bound(n, confidence)


@pytest.mark.parametrize("values", [[[1.0, 2.0]], [1.0, math.nan], 5.0])
def test_what_is_no_series_is_refused(values: Any) -> None:
    for call in (autocorrelation, stability):
        with pytest.raises(ValueError, match="one row of finite numbers"):
            call(values)


# the five signals


@pytest.mark.parametrize("n", [*range(8, 60), 100, 101, 1000])
def test_limits_are_those_of_their_expectations(n: int) -> None:
    found = limits_for(n)

    def runs(r: int) -> float:  # a run of r begins at the first point, or after a point of the other side
        return 2 * 0.5**r + sum(2 * 0.5 ** (r + 1) for _ in range(n - r))

    def trends(t: int) -> float:  # t points in order, not preceded by one that continues the order
        in_order, longer = 2 / math.factorial(t), 2 / math.factorial(t + 1)
        return in_order + sum(in_order - longer for _ in range(n - t))

    assert runs(found.run) <= 0.02 < runs(found.run - 1)
    assert trends(found.trend) <= 0.02 < trends(found.trend - 1)
    nu = degrees_of_freedom_of_relative_variance(moving_range_relative_variance(n))
    assert found.moving_range == pytest.approx(math.sqrt(2) * stats.t.isf(0.01 / (n - 1), nu), rel=1e-9)
    t = stats.t.isf(0.01 / n, n - 2)
    assert found.beyond == pytest.approx((n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t)), rel=1e-9)
    expected = 2 + stats.norm.ppf(0.02) * math.sqrt(4 * (n - 2) / (n**2 - 1))
    assert found.smallest_von_neumann_ratio == pytest.approx(expected, rel=1e-12)


def test_seven_points_have_no_limits() -> None:
    assert MINIMUM_POINTS == 8
    with pytest.raises(ValueError, match="at least 8"):
        limits_for(7)
    assert stability(np.arange(7.0)).state == "not_judged"
    assert stability(np.arange(8.0)).state == "unstable"


def deciding(x: np.ndarray) -> list[tuple[int | None, str, int | None]]:
    """Return the signals of a lot by loops over its definition, in the order of the page."""
    n, limits = x.size, limits_for(x.size)
    mean, s = x.mean(), x.std(ddof=1)
    moved = [abs(b - a) for a, b in pairwise(x)]
    sigma = np.mean(moved) / (2 / math.sqrt(math.pi))
    found: list[tuple[int | None, str, int | None]] = []
    if sum(step**2 for step in moved) < limits.smallest_von_neumann_ratio * sum((x - mean) ** 2):
        found.append((None, "neighbours", None))
    sides = [int(np.sign(round(value - mean, 9))) for value in x]
    steps = [0, *(int(np.sign(b - a)) for a, b in pairwise(x))]
    for place in range(1, n + 1):
        if abs(x[place - 1] - mean) > limits.beyond * s:
            found.append((place, "beyond", None))
        if place > 1 and moved[place - 2] > limits.moving_range * sigma:
            found.append((place, "moving_range", None))
        for rule, signs, more, least in (("run", sides, 0, limits.run), ("trend", steps, 1, limits.trend)):
            if (place < n and signs[place] == signs[place - 1]) or not signs[place - 1]:
                continue
            length = 1
            while length < place and signs[place - 1 - length] == signs[place - 1]:
                length += 1
            if length + more >= least:
                found.append((place, rule, length + more))
    return found


def drawn() -> list[np.ndarray]:
    rng = np.random.default_rng(8)
    found = []
    for number in range(120):
        n = int(rng.integers(8, 40))
        x = rng.normal(size=n)
        if number % 4 == 1:
            x += 2.5 * (np.arange(n) >= n // 2)
        elif number % 4 == 2:
            x = np.cumsum(x) if number % 8 == 2 else -np.arange(n) + 0.8 * x
        elif number % 4 == 3:
            x[int(rng.integers(n))] += rng.choice([-1, 1]) * 8
        found.append(np.round(35 + x, 1 if number % 3 else 6))
    return found


def test_signals_are_those_of_loops_over_the_definitions() -> None:
    told = set()
    for x in drawn():
        expected, found = deciding(x), stability(x)
        signals = [(s.place, s.rule, s.length) for s in found.signals if s.decides]
        assert sorted(signals, key=str) == sorted(expected, key=str)
        assert [s.decides for s in found.signals] == sorted((s.decides for s in found.signals), reverse=True)
        places = [s.place or 0 for s in found.signals if s.decides]
        assert places == sorted(places)
        assert found.state == ("unstable" if expected else "stable")
        told |= {rule for _, rule, _ in expected} | {found.state}
        assert found.points == x.size
        assert found.centre == pytest.approx(x.mean(), rel=1e-12)
        assert found.sigma == pytest.approx(np.abs(np.diff(x)).mean() * math.sqrt(math.pi) / 2, rel=1e-12)
        assert found.limits == limits_for(x.size)
        assert found.autocorrelation == autocorrelation(x)
        assert found.autocorrelation_bound == pytest.approx(1.959964 / math.sqrt(x.size), abs=1e-6)
        assert found.independent == (abs(found.autocorrelation) <= found.autocorrelation_bound)  # type: ignore[operator, arg-type]
    assert told == {"neighbours", "beyond", "moving_range", "run", "trend", "stable", "unstable"}


def test_patterns_of_the_standard_are_listed_and_decide_nothing() -> None:
    listed = 0
    for x in drawn():
        z = (x - x.mean()) / (np.abs(np.diff(x)).mean() * math.sqrt(math.pi) / 2)
        expected = set()
        for end in range(x.size):
            if abs(z[end]) > 3:
                expected.add((end + 1, "beyond-limit"))
            last = np.round(z[max(0, end - 6) : end + 1], 9)
            if last.size == 7 and abs(np.sign(last).sum()) == 7:
                expected.add((end + 1, "same-side"))
            if last.size == 7 and abs(np.sign(np.round(np.diff(last), 9)).sum()) == 6:
                expected.add((end + 1, "rising-falling"))
        found = [s for s in stability(x).signals if not s.decides]
        assert {(s.place, s.rule) for s in found} == expected
        assert [s.place for s in found] == sorted(s.place for s in found if s.place)
        assert all(s.length is None for s in found)
        listed += len(found)
    assert listed > 50


def test_parts_whose_neighbours_alternate_depend_on_each_other_too() -> None:
    x = 35 + np.tile([0.0, 1.0], 10) + np.random.default_rng(1).normal(0, 0.1, 20)
    found = stability(x)
    assert found.autocorrelation is not None
    assert found.autocorrelation < -0.8
    assert found.independent is False


@pytest.mark.parametrize("equal", [[0.0] * 9, [-35.0] * 9, [0.1 + 0.2] + [0.3] * 8, [-0.1 - 0.2] + [-0.3] * 8])
def test_equal_parts_have_no_order_to_judge(equal: list[float]) -> None:
    found = stability(equal)
    assert found.state == "not_judged"
    assert "equal" in str(found.reason)
    assert (found.points, found.signals, found.limits) == (9, (), None)


def test_small_values_are_judged_like_large_ones() -> None:
    x = drawn()[1]
    assert stability((x - x[3]) * 1e-9).state == stability(x).state == stability(-x).state
