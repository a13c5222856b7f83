"""Charts: frozen limits, unequal subgroups, sides, reasons; run rules; independence."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import pytest
from one_by_one import chart_constants, hits, xbar_range, xbar_standard_deviation

from pipeline.statistics.charts import ewma, individuals
from pipeline.statistics.constants import c4, d2, d3
from pipeline.statistics.randomness import autocorrelation, autocorrelation_bound

if TYPE_CHECKING:
    from collections.abc import Callable


def test_frozen_limits_do_not_follow_the_values() -> None:
    chart = individuals([35.0, 36.1, 35.2], centre=35.0, sigma=0.3)
    assert chart.points["upper"].to_list() == pytest.approx([35.9] * 3)
    assert chart.points["beyond"].to_list() == [False, True, False]
    assert chart.spread is not None
    assert chart.spread["place"].to_list() == [2, 3]
    assert chart.spread["upper"][0] == pytest.approx(0.3 * d2(2) * chart_constants(2).D4)


def test_a_point_on_the_limit_is_not_beyond_it() -> None:
    # powers of two, so that the limit is exact
    assert individuals([2.0, -1.0], centre=0.5, sigma=0.5).points["beyond"].to_list() == [False, False]


@pytest.mark.parametrize(("values", "reason"), [([35.0], "two values"), ([], "two values"), ([35.0] * 5, "equal")])
def test_individuals_without_limits_say_why(values: list[float], reason: str) -> None:
    chart = individuals(values)
    assert chart.reason is not None
    assert reason in chart.reason
    assert chart.centre is chart.sigma is None
    assert chart.points["lower"].null_count() == len(values)
    assert not chart.points["beyond"].any()


def test_subgroups_of_equal_size_have_the_usual_limits() -> None:
    groups = [[35.1, 35.3, 34.9], [35.0, 35.4, 35.2], [34.8, 35.0, 35.1]]
    constants = chart_constants(3)
    means = [np.mean(g) for g in groups]
    r_bar, s_bar = np.mean([np.ptp(g) for g in groups]), np.mean([np.std(g, ddof=1) for g in groups])
    by_r, by_s = xbar_range(groups), xbar_standard_deviation(groups)
    assert by_r.points["upper"][0] == pytest.approx(np.mean(means) + constants.A2 * r_bar)
    assert by_s.points["lower"][0] == pytest.approx(np.mean(means) - constants.A3 * s_bar)
    assert by_r.spread is not None
    assert by_s.spread is not None
    assert by_r.spread["upper"][0] == pytest.approx(constants.D4 * r_bar)
    assert by_s.spread["upper"][0] == pytest.approx(constants.B4 * s_bar)
    assert by_r.spread["lower"][0] == by_s.spread["lower"][0] == 0.0


def test_unequal_subgroups_have_limits_of_their_own() -> None:
    groups = [[35.1, 35.3, 34.9, 35.2], [35.0, 35.4], [34.8, 35.0, 35.1]]
    for chart, expected, scatter in (
        (xbar_range(groups), d2, d3),
        (xbar_standard_deviation(groups), c4, lambda n: np.sqrt(1 - c4(n) ** 2)),
    ):
        assert chart.sigma is not None
        assert chart.spread is not None
        assert chart.centre == pytest.approx(np.mean(np.concatenate(groups)))
        for place, n in enumerate((4, 2, 3)):
            assert chart.points["upper"][place] - chart.centre == pytest.approx(3 * chart.sigma / np.sqrt(n))
            assert chart.spread["centre"][place] == pytest.approx(expected(n) * chart.sigma)
            assert chart.spread["upper"][place] == pytest.approx((expected(n) + 3 * scatter(n)) * chart.sigma)


def test_subgroups_without_spread_say_why() -> None:
    chart = xbar_range([[35.0, 35.0], [36.0, 36.0]])
    assert chart.reason is not None
    assert "spread is zero" in chart.reason
    assert chart.points["value"].to_list() == [35.0, 36.0]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: individuals([1.0, float("nan")]), "finite"),
        (lambda: individuals([1.0, 2.0], centre=1.0), "both"),
        (lambda: individuals([1.0, 2.0], centre=1.0, sigma=0.0), "above zero"),
        (lambda: xbar_range([[1.0, 2.0], [3.0]]), "at least two"),
        (lambda: xbar_standard_deviation([]), "at least two"),
        (lambda: ewma([1.0], target=0.0, sigma=1.0, weight=0.0), "weight"),
        (lambda: ewma([1.0], target=0.0, sigma=-1.0), "above zero"),
    ],
)
def test_bad_use_is_refused(call: Callable[[], object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()


def test_weight_one_is_a_chart_of_single_values() -> None:
    chart = ewma([35.2, 36.5], target=35.0, sigma=0.4, weight=1.0)
    assert chart.points["value"].to_list() == [35.2, 36.5]
    assert chart.points["upper"].to_list() == pytest.approx([36.2, 36.2])
    assert chart.points["beyond"].to_list() == [False, True]


def test_ewma_limits_are_the_spread_of_z() -> None:
    z = np.array(
        [
            ewma(x, target=0.0, sigma=1.0, weight=0.3).points["value"].to_numpy()
            for x in np.random.default_rng(6).normal(size=(3000, 6))
        ]
    )
    upper = ewma([0.0] * 6, target=0.0, sigma=1.0, weight=0.3).points["upper"].to_numpy()
    assert 3 * z.std(axis=0) == pytest.approx(upper, rel=0.05)


@pytest.mark.parametrize(
    ("rule", "z", "places"),
    [
        ("beyond-3s", [3.0, 3.1, -3.1], [2, 3]),
        ("2-of-3-beyond-2s", [2.1, 0.0, 2.2, -2.3, 2.4], [3, 5]),
        ("2-of-3-beyond-2s", [2.1, 0.0, 0.0, 2.2], []),
        ("4-of-5-beyond-1s", [1.1, 1.1, -1.1, 1.1, 1.1, 0.0], [5]),
        ("run-of-7", [0.1] * 7 + [0.0] + [-0.1] * 7, [7, 15]),
        ("run-of-8", [0.1] * 9, [8, 9]),
        ("run-of-9", [0.1] * 8, []),
        ("trend-of-6", [0, 1, 2, 3, 4, 5, 5], [6]),
        ("trend-of-7", [6, 5, 4, 3, 2, 1, 0], [7]),
        ("trend-of-7", [6, 5, 4, 3, 2, 1, 1], []),
        ("alternating-14", [0, 1] * 7, [14]),
        ("alternating-14", [0, 1] * 6 + [0], []),
        ("15-within-1s", [0.9] * 15, [15]),
        ("15-within-1s", [0.9] * 14 + [1.0], []),
        ("8-beyond-1s", [1.1, -1.1] * 4, [8]),
    ],
)
def test_run_rules(rule: str, z: list[float], places: list[int]) -> None:
    assert (np.nonzero(hits(z, [rule])[0])[0] + 1).tolist() == places
    mirrored = [-value for value in z]
    assert (np.nonzero(hits(mirrored, [rule])[0])[0] + 1).tolist() == places


def test_hits_come_in_the_order_of_points() -> None:
    names = ("beyond-3s", "2-of-3-beyond-2s", "4-of-5-beyond-1s", "run-of-8")
    found = hits([0.5] * 8 + [3.5], names)
    told = [(int(place) + 1, names[rule]) for place, rule in zip(*found.T.nonzero(), strict=True)]
    assert told == [(8, "run-of-8"), (9, "beyond-3s"), (9, "run-of-8")]


def test_independence() -> None:
    x = np.random.default_rng(4).normal(size=400)
    bound = autocorrelation_bound(400)
    r = autocorrelation(x)
    assert r is not None
    assert abs(r) < 2 * bound
    assert autocorrelation(np.cumsum(x)) > 0.9
    assert autocorrelation([1.0, 1.0, 1.0]) is None
    assert autocorrelation([1.0], 1) is None
    with pytest.raises(ValueError, match="at least 1"):
        autocorrelation([1.0, 2.0], 0)


def _threes() -> list[tuple[int, int, int]]:
    return [(a, b, c) for a in range(6) for b in range(a + 1, 6) for c in range(b + 1, 6)]


def test_frames_are_typed_even_when_empty() -> None:
    assert individuals([]).points.schema["lower"] == pl.Float64
