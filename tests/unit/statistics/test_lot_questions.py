"""Stability of the order of parts, groups, fraction outside, quantile indices: false alarms, coverage, reasons, laws. Invented numbers."""

from __future__ import annotations

from collections import Counter
from math import sqrt

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_by_one import two_groups
from scipy import stats

from pipeline.statistics.fraction_outside import fraction_outside, normal_fraction, observed_fraction
from pipeline.statistics.grouping import CALLED_BELOW, LEAST_SEPARATION, two_groups_of_lots
from pipeline.statistics.normality import anderson_darling
from pipeline.statistics.quantiles import pearson_iii_scores, quantile_capability
from pipeline.statistics.stability import limits_for, stability

series = st.lists(st.integers(3000, 4000).map(lambda number: number / 100), min_size=8, max_size=40)
profile = settings(max_examples=40, deadline=None)


# order of parts


@pytest.mark.parametrize("n", [8, 15, 30, 100])
def test_false_alarms_of_the_order_of_parts(n: int) -> None:
    """Seeded: of 2,000 stable lots at most 3 % carry any one signal, and 2.5 to 7 % one of the five."""
    x = np.random.default_rng(20260401 + n).normal(35, 0.2, (2000, n))
    found = [stability(row) for row in x]
    unstable = np.mean([f.state == "unstable" for f in found])
    by_rule = Counter(rule for f in found for rule in {s.rule for s in f.signals if s.decides})
    listed = np.mean([any(not s.decides for s in f.signals) for f in found])
    print(
        f"{n} parts: unstable {100 * unstable:.1f} %, {dict(by_rule)}, some pattern of ISO 7870-2 {100 * listed:.1f} %"
    )
    assert 0.025 <= unstable <= 0.07
    assert max(by_rule.values()) <= 60


def test_what_moves_is_found() -> None:
    """Seeded: a step of 3 or a rise of 4 standard deviations within 30 parts, and a part 6 away, are found in 90 of 100 lots."""
    rng = np.random.default_rng(5)
    place = np.arange(30)
    for change in (3.0 * (place >= 15), 4.0 * place / 29, 6.0 * (place == 11)):
        found = [stability(rng.normal(size=30) + change).state == "unstable" for _ in range(200)]
        assert np.mean(found) >= 0.9


def test_signals_name_the_part_and_the_length() -> None:
    rng = np.random.default_rng(2)
    x = rng.normal(35, 0.05, 20)
    x[12] = 36.0
    found = {s.rule: s for s in stability(x).signals if s.decides}
    assert found["beyond"].place == 13
    rising = stability(np.r_[rng.normal(35, 0.05, 6), 35 + 0.1 * np.arange(9)])
    trend = next(s for s in rising.signals if s.rule == "trend")
    assert trend.place == 15
    assert trend.length is not None
    assert trend.length >= limits_for(15).trend
    assert next(s for s in rising.signals if s.rule == "neighbours").place is None


@pytest.mark.parametrize(("values", "reason"), [([35.0] * 7, "at least 8"), ([35.1] * 9, "equal")])
def test_order_says_why_not(values: list[float], reason: str) -> None:
    found = stability(values)
    assert found.state == "not_judged"
    assert found.reason is not None
    assert reason in found.reason
    assert found.independent is None


def test_autocorrelated_parts_are_told() -> None:
    rng = np.random.default_rng(11)
    noise = rng.normal(size=200)
    x = [noise[0]]
    for e in noise[1:]:
        x.append(0.7 * x[-1] + e)
    assert stability(x).independent is False
    assert stability(noise).independent is True


@profile
@given(series, st.integers(-50, 50), st.sampled_from([-4.0, 0.5, 2.0]))
def test_order_does_not_depend_on_origin_unit_or_sign(x: list[float], shift: int, scale: float) -> None:
    first, moved = stability(x), stability([(value + shift) * scale for value in x])
    assert first.state == moved.state
    assert [(s.place, s.rule) for s in first.signals if s.decides] == [
        (s.place, s.rule) for s in moved.signals if s.decides
    ]


# groups


@pytest.mark.parametrize("n", [8, 15, 30, 100])
def test_p_of_groups_holds_into_its_tail(n: int) -> None:
    """Seeded: of 100,000 normal lots no more have a p below 0.05, 0.01 and 0.001 than it says, and no fewer than a third of that."""
    lots = 100_000
    x = np.random.default_rng(7 + n).normal(35, 0.2, (lots, n))
    frame = pl.DataFrame({"lot": np.repeat(np.arange(lots), n), "mean": x.ravel()})
    p = two_groups_of_lots(frame)["p_value"].to_numpy()
    shares = {level: float((p < level).mean()) for level in (0.05, 0.01, 0.001)}
    print(f"{n} parts: {shares}, called {int((p < CALLED_BELOW).sum())} of {lots}")
    for level, share in shares.items():
        assert level / 3 <= share <= level + 4 * sqrt(level / lots)


def test_the_best_cut_is_the_best_of_all_cuts() -> None:
    x = np.random.default_rng(3).normal(35, 0.3, 23)
    ordered = np.sort(x)
    within = [ordered[:k].var() * k + ordered[k:].var() * (23 - k) for k in range(1, 23)]
    best = int(np.argmin(within)) + 1
    found = two_groups(x)
    assert found.lower_count == best
    assert found.lower_mean == pytest.approx(ordered[:best].mean(), rel=1e-12)
    assert found.upper_mean == pytest.approx(ordered[best:].mean(), rel=1e-12)
    assert found.within_standard_deviation == pytest.approx(sqrt(min(within) / 21), rel=1e-3)


@pytest.mark.parametrize("lower", [1, 5, 10, 14])
def test_a_mixed_lot_is_found(lower: int) -> None:
    rng = np.random.default_rng(lower)
    x = np.r_[rng.normal(24.0, 0.05, lower), rng.normal(24.9, 0.05, 15 - lower)]
    found = two_groups(rng.permutation(x))
    assert found.found
    assert found.lower_count == lower


@pytest.mark.parametrize(
    "values",
    [
        np.linspace(35.0, 36.0, 200),  # evenly spread: beyond doubt not normal, and still not two groups
        np.tile([57.1, 57.2], 30),  # two steps of the display
        np.r_[np.full(20, 57.1), np.full(20, 57.2), np.full(20, 57.3)],
    ],
)
def test_what_is_no_mixture_is_not_called_one(values: np.ndarray) -> None:
    found = two_groups(values)
    assert found.separation is not None
    assert found.separation < LEAST_SEPARATION
    assert found.found is False


@pytest.mark.parametrize(("values", "reason"), [([], "no value"), ([1.0] * 5, "at least 6"), ([35.1] * 9, "equal")])
def test_groups_say_why_not(values: list[float], reason: str) -> None:
    found = two_groups(values)
    assert found.found is None
    assert found.reason is not None
    assert reason in found.reason


@profile
@given(series, st.integers(-50, 50), st.sampled_from([-2.0, 0.5, 4.0]), st.randoms(use_true_random=False))
def test_groups_do_not_depend_on_order_origin_or_unit(x: list[float], shift: int, scale: float, random: object) -> None:
    moved = [(value + shift) * scale for value in x]
    random.shuffle(moved)  # type: ignore[attr-defined]
    first, second = two_groups(x), two_groups(moved)
    assert (first.reason is None) == (second.reason is None)
    if first.statistic is not None:
        assert second.statistic == pytest.approx(first.statistic, rel=1e-6, abs=1e-9)
        assert second.separation == pytest.approx(first.separation, rel=1e-6)


def test_all_lots_at_once_agree_with_one_at_a_time() -> None:
    rng = np.random.default_rng(9)
    lots = {f"L{i:02d}": list(rng.normal(35, 0.3, int(rng.integers(1, 25)))) for i in range(40)}
    frame = pl.DataFrame(
        [(lot, x) for lot, values in lots.items() for x in values], schema=["lot", "mean"], orient="row"
    )
    found = two_groups_of_lots(frame.sample(fraction=1.0, shuffle=True, seed=1))
    assert found["lot"].to_list() == sorted(lots)
    for row in found.iter_rows(named=True):
        one = two_groups(lots[row["lot"]])
        for name in ("lower_count", "found", "reason"):
            assert row[name] == getattr(one, name)
        for name in ("lower_mean", "upper_mean", "separation", "statistic", "p_value"):
            assert row[name] == (None if getattr(one, name) is None else pytest.approx(getattr(one, name), rel=1e-9))
    assert two_groups_of_lots(frame.clear()).height == 0


# fraction beyond the limits


@pytest.mark.parametrize("n", [10, 30, 100])
def test_coverage_of_the_fraction_beyond(n: int) -> None:
    """Seeded: 2,000 lots; 93 to 97 % of the intervals hold the fraction beyond one limit, and at least 94 % that beyond two."""
    x = np.random.default_rng(60 + n).normal(0.3, 1.0, (2000, n))
    limits = {"one": (None, 2.2), "two": (-2.0, 2.2)}
    for name, (lower, upper) in limits.items():
        truth = stats.norm.sf(1.9) + (stats.norm.cdf(-2.3) if lower is not None else 0.0)
        held = 0
        for mean, s in zip(x.mean(axis=1), x.std(axis=1, ddof=1), strict=True):
            found = fraction_outside(n, float(mean), float(s), lower, upper)
            assert found.interval is not None
            held += found.interval[0] <= truth <= found.interval[1]
        print(f"{n} parts, {name}: {held / 20:.2f} %")
        assert held >= 1880 if name == "two" else 1860 <= held <= 1940


def test_fraction_beyond_agrees_with_other_implementations() -> None:
    for quality, n in ((1.5, 15), (-0.4, 8), (2.8, 40)):
        found = normal_fraction(quality, n)
        for p, z in ((0.975, stats.norm.isf(found.high)), (0.025, stats.norm.isf(found.low))):
            assert stats.nct.cdf(quality * sqrt(n), n - 1, z * sqrt(n)) == pytest.approx(p, abs=1e-6)
    for count, n in ((0, 15), (3, 20), (12, 12)):
        share, interval = observed_fraction(count, n)
        exact = stats.binomtest(count, n).proportion_ci(0.95, method="exact")
        assert share == count / n
        assert interval == pytest.approx((exact.low, exact.high), rel=1e-9)


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        ((5, 35.0, 0.1, None, None), "no limit"),
        ((5, 35.0, 0.1, 36.0, 34.0), "not below"),
        ((1, 35.0, None, 34.0, None), "one part"),
        ((0, None, None, 34.0, None), "no part"),
        ((5, 35.0, 0.0, 34.0, None), "equal"),
    ],
)
def test_fraction_says_why_not(arguments: tuple[float, ...], reason: str) -> None:
    found = fraction_outside(*arguments)  # type: ignore[arg-type]
    assert found.total is None
    assert reason in str(found.reason)


def test_a_count_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError, match="no count"):
        observed_fraction(4, 3)
    with pytest.raises(ValueError, match="at least 2"):
        normal_fraction(1.0, 1)


# quantile indices of few values


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_shifted_gamma_agrees_with_another_implementation(sign: float) -> None:
    x = sign * stats.pearson3.rvs(1.2, size=60, random_state=4)
    skew = stats.skew(x, bias=False)
    low, middle, high = x.mean() + x.std(ddof=1) * stats.pearson3.ppf([0.00135, 0.5, 0.99865], skew)
    found = quantile_capability(x, -7.0, 8.0, definition="pearson_iii")
    assert (found.low_quantile, found.median, found.high_quantile) == pytest.approx((low, middle, high), rel=1e-6)
    assert found.quantile_ppk == pytest.approx(
        min((8 - middle) / (high - middle), (middle + 7) / (middle - low)), rel=1e-6
    )
    scores = stats.norm.ppf(stats.pearson3.cdf((x - x.mean()) / x.std(ddof=1), skew))
    assert pearson_iii_scores(x) == pytest.approx(scores, abs=1e-6)


def test_a_fit_is_tested_before_it_is_believed() -> None:
    skewed = stats.gamma.rvs(2.0, size=80, random_state=2)
    assert anderson_darling(skewed).p_value < 0.01
    assert anderson_darling(pearson_iii_scores(skewed)).p_value > 0.05
    rng = np.random.default_rng(0)
    two = np.r_[rng.normal(0, 0.1, 20), rng.normal(1, 0.1, 20)]
    assert anderson_darling(pearson_iii_scores(two)).p_value < 0.05
    symmetric = np.r_[-np.arange(1.0, 10.0), np.arange(1.0, 10.0)]
    assert pearson_iii_scores(symmetric) == pytest.approx(symmetric / symmetric.std(ddof=1))
    with pytest.raises(ValueError, match="three finite values"):
        pearson_iii_scores([1.0, 1.0, 1.0])
