"""Quantiles and their capability: other implementations, definitions, boundaries."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from scipy import stats

from pipeline.statistics.quantiles import (
    DEFINITIONS,
    pearson_iii_scores,
    quantile,
    quantile_capability,
    values_needed,
)

if TYPE_CHECKING:
    from collections.abc import Callable

IN_NUMPY: dict[str, Any] = {"type_6": "weibull", "type_7": "linear", "type_8": "median_unbiased"}
FITTED = ("normal", "lognormal", "pearson_iii")


@pytest.mark.parametrize("definition", IN_NUMPY)
@pytest.mark.parametrize("n", [1, 2, 3, 10, 23])
def test_quantiles_are_those_of_numpy(definition: Any, n: int) -> None:
    x = np.random.default_rng(n).normal(35.0, 2.0, n)
    for probability in (0.0, 0.00135, 0.04, 0.25, 0.5, 0.62, 0.96, 0.99865, 1.0):
        expected = np.quantile(x, probability, method=IN_NUMPY[definition])
        assert quantile(x, probability, definition) == pytest.approx(expected, rel=1e-13)


@pytest.mark.parametrize(
    "call",
    [
        lambda: quantile([], 0.5, "type_6"),
        lambda: quantile([[1.0, 2.0]], 0.5, "type_6"),
        lambda: quantile([1.0, math.inf], 0.5, "type_6"),
        lambda: quantile([1.0, 2.0], -1e-9, "type_6"),
        lambda: quantile([1.0, 2.0], 1.000001, "type_6"),
        lambda: quantile([1.0, 2.0], 0.5, "type_1"),  # type: ignore[arg-type]
        lambda: quantile_capability([1.0, math.nan], 0.0, 1.0),
        lambda: quantile_capability([1.0, 2.0], math.inf, 3.0),
        lambda: quantile_capability([1.0, 2.0], 0.0, math.nan),
        lambda: quantile_capability([1.0, 2.0], None, math.inf),
        lambda: quantile_capability([1.0, 2.0], 0.0, 1.0, definition="type_1"),  # type: ignore[arg-type]
        lambda: pearson_iii_scores([1.0, 2.0]),
        lambda: pearson_iii_scores([1.0, 2.0, math.nan]),
        lambda: pearson_iii_scores([2.0, 2.0, 2.0]),
    ],
)
def test_what_has_no_quantile_is_refused(call: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match=r"finite|expected"):
        call()


@pytest.mark.parametrize("definition", ["type_6", "type_8"])
def test_so_many_values_are_needed_that_the_outer_quantile_lies_between_two(definition: Any) -> None:
    needed = values_needed(definition)
    assert quantile(np.arange(1.0, needed + 1), 0.00135, definition) > 1.0
    assert quantile(np.arange(1.0, needed), 0.00135, definition) == 1.0


def test_values_needed() -> None:
    # 1/0.00135 = 740.7 values have one beyond the quantile in the mean
    assert values_needed("type_7") == 741
    assert [values_needed(name) for name in FITTED] == [2, 2, 3]
    assert set(DEFINITIONS) == {*IN_NUMPY, *FITTED}


@pytest.mark.parametrize("definition", DEFINITIONS)
def test_indices_need_their_values_and_no_more(definition: Any) -> None:
    needed = values_needed(definition)
    x = np.random.default_rng(1).lognormal(3.5, 0.02, needed)
    assert quantile_capability(x, 30.0, 40.0, definition=definition).quantile_ppk is not None
    short = quantile_capability(x[1:], 30.0, 40.0, definition=definition)
    assert f"needs at least {needed}" in short.not_computable["quantile_ppk"]
    assert (short.values, short.quantile_pp, short.median) == (needed - 1, None, None)


def expected_quantiles(x: np.ndarray, definition: str) -> tuple[float, float, float]:
    probabilities = (0.00135, 0.5, 0.99865)
    if definition in IN_NUMPY:
        found = [np.quantile(x, p, method=IN_NUMPY[definition]) for p in probabilities]
    elif definition == "normal":
        found = [x.mean() + z * x.std(ddof=1) for z in (-3, 0, 3)]
    elif definition == "lognormal":
        logs = np.log(x)
        found = [np.exp(logs.mean() + z * logs.std(ddof=1)) for z in (-3, 0, 3)]
    else:
        found = x.mean() + x.std(ddof=1) * stats.pearson3.ppf(probabilities, stats.skew(x, bias=False))
    return float(found[0]), float(found[1]), float(found[2])


@pytest.mark.parametrize("definition", DEFINITIONS)
@pytest.mark.parametrize("limits", [(20.0, 60.0), (30.0, 90.0), (None, 60.0), (30.0, None)])
def test_indices_are_distances_of_the_limits_in_quantiles(definition: Any, limits: Any) -> None:
    x = np.random.default_rng(5).lognormal(3.5, 0.1, 800)
    low, middle, high = expected_quantiles(x, definition)
    lower, upper = limits
    found = quantile_capability(x, lower, upper, definition=definition)
    assert (found.low_quantile, found.median, found.high_quantile) == pytest.approx((low, middle, high), rel=1e-9)
    sides = [(upper - middle) / (high - middle)] if upper else []
    sides += [(middle - lower) / (middle - low)] if lower else []
    assert found.quantile_ppk == pytest.approx(min(sides), rel=1e-9)
    if None in limits:
        assert found.quantile_pp is None
        assert found.not_computable == {"quantile_pp": "this index needs two limits"}
    else:
        assert found.quantile_pp == pytest.approx((upper - lower) / (high - low), rel=1e-9)
        assert found.not_computable == {}


@pytest.mark.parametrize("definition", sorted({*DEFINITIONS} - {"lognormal"}))
def test_mirrored_values_have_mirrored_quantiles(definition: Any) -> None:
    x = np.random.default_rng(5).lognormal(3.5, 0.1, 800)
    one, other = (quantile_capability(y, *limits, definition=definition) for y, limits in ((x, (20.0, 60.0)), (-x, (-60.0, -20.0))))  # fmt: skip
    mirrored = (-one.high_quantile, -one.median, -one.low_quantile, one.quantile_pp, one.quantile_ppk)  # type: ignore[operator]
    found = (other.low_quantile, other.median, other.high_quantile, other.quantile_pp, other.quantile_ppk)
    assert found == pytest.approx(mirrored, rel=1e-9)


@pytest.mark.parametrize(
    ("values", "lower", "upper", "definition", "reason"),
    [
        ([1.0, 2.0], None, None, "normal", "no limit"),
        ([1.0, 2.0], 3.0, 3.0, "normal", "is not below"),
        ([1.0, 2.0], 3.0, 2.0, "normal", "is not below"),
        ([0.1 + 0.2, 0.3], 0.0, 1.0, "normal", "equal"),
        ([0.0, 0.0], 0.0, 1.0, "normal", "equal"),
        ([-0.1 - 0.2, -0.3], -1.0, 1.0, "normal", "equal"),
        ([0.0, 2.0], 0.0, 1.0, "lognormal", "above zero"),
        ([-1.0, 2.0], 0.0, 1.0, "lognormal", "above zero"),
    ],
)
def test_indices_from_quantiles_say_why_not(
    values: list[float], lower: float | None, upper: float | None, definition: Any, reason: str
) -> None:
    found = quantile_capability(values, lower, upper, definition=definition)
    assert found.quantile_pp is found.quantile_ppk is None
    assert reason in found.not_computable["quantile_pp"]
    assert reason in found.not_computable["quantile_ppk"]


def test_small_values_are_not_equal_nor_too_small_for_a_lognormal_distribution() -> None:
    # spread is told against the largest value, zero is the only end of a lognormal distribution
    assert quantile_capability([0.0, 1e-13], -1.0, 1.0, definition="normal").quantile_ppk is not None
    assert quantile_capability([0.2, 0.3], 0.1, 1.0, definition="lognormal").quantile_ppk is not None
    assert quantile_capability([-5.0, -4.0], -9.0, 1.0, definition="normal").quantile_ppk is not None


def test_a_side_on_which_all_values_are_equal_has_no_index() -> None:
    heavy = np.r_[np.full(900, 5.0), np.linspace(6.0, 9.0, 100)]
    lower_side = quantile_capability(heavy, 4.0, 12.0)
    assert lower_side.quantile_pp == pytest.approx(8.0 / (lower_side.high_quantile - 5.0))  # type: ignore[operator]
    assert lower_side.quantile_ppk is None
    assert "no spread" in lower_side.not_computable["quantile_ppk"]
    assert quantile_capability(heavy, None, 12.0).quantile_ppk is not None
    upper_side = quantile_capability(-heavy, -12.0, -4.0)
    assert upper_side.quantile_ppk is None
    assert quantile_capability(-heavy, -12.0, None).quantile_ppk is not None


def test_skewness_below_what_shows_is_none() -> None:
    x = np.r_[-np.arange(1.0, 10.0), np.arange(1.0, 10.0)]
    found = quantile_capability(x, -20.0, 20.0, definition="pearson_iii")
    s = x.std(ddof=1)
    assert (found.low_quantile, found.median, found.high_quantile) == pytest.approx((-3 * s, 0.0, 3 * s))
    x[0] -= 0.05
    assert 1e-4 < abs(stats.skew(x, bias=False)) < 0.05
    low, middle, high = expected_quantiles(x, "pearson_iii")
    found = quantile_capability(x, -20.0, 20.0, definition="pearson_iii")
    assert (found.low_quantile, found.median, found.high_quantile) == pytest.approx((low, middle, high), abs=1e-9)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("n", [3, 12, 60])
def test_scores_are_normal_quantiles_of_the_place_in_the_fitted_distribution(sign: float, n: int) -> None:
    x = sign * stats.gamma.rvs(2.0, size=n, random_state=3)
    place = stats.pearson3((stats.skew(x, bias=False)), loc=x.mean(), scale=x.std(ddof=1))
    expected = np.where(x < x.mean(), stats.norm.ppf(place.cdf(x)), stats.norm.isf(place.sf(x)))
    assert pearson_iii_scores(x) == pytest.approx(np.clip(expected, -8.0, 8.0), abs=1e-7)


def test_a_value_beyond_the_end_of_the_distribution_scores_eight() -> None:
    # one far value bends the fit so much that the smallest lies before its beginning
    x = np.r_[0.0, np.linspace(5.0, 6.0, 20), 9.0, 9.5]
    for sign in (1.0, -1.0):
        scores = pearson_iii_scores(sign * np.r_[x, 60.0])
        assert np.abs(scores).max() <= 8.0
        assert sign * scores[0] == -8.0
