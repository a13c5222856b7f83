"""Normality, outliers and comparison of groups against another implementation, and their reasons. Invented numbers."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.statistics.normality import anderson_darling, anderson_darling_of_lots
from pipeline.statistics.outliers import (
    generalised_extreme_studentized_deviate,
    grubbs,
    grubbs_critical,
    tietjen_moore,
)

if TYPE_CHECKING:
    from collections.abc import Callable

NORMAL = [
    35.0068, 35.2719, 35.2449, 34.8979, 34.9404, 34.8945, 35.1139, 34.9888, 35.1494, 34.6305, 35.3133, 34.9807, 35.1361,
    34.9727, 34.9242, 35.0926, 35.1649, 34.9595, 34.9694, 35.1371, 34.8259, 34.6971, 35.079, 34.8659, 34.6159,
]  # fmt: skip
SKEWED = [
    62.1008, 19.5748, 47.4254, 31.0942, 44.5, 24.2132, 63.5433, 47.6137, 29.7606, 48.3842, 70.5169, 96.9994, 12.8823, 56.2541,
    43.774, 31.302, 18.1016, 70.4084, 15.5329, 46.5333, 72.3215, 12.6822, 27.6186, 15.0966, 38.3377, 82.1564, 111.5122, 11.3945,
    23.4538, 50.5078,
]  # fmt: skip


@pytest.mark.parametrize(
    ("values", "p_value"),
    [
        # one value in each of the four pieces of the formula; p computed with statsmodels 0.15.0, normal_ad
        (NORMAL, 0.5379760582901287),
        (SKEWED, 0.1605851900320795),
        (list(range(1, 13)), 0.9415472601115651),
        ([1.0] * 8 + [2.0] * 8, 3.350945159063685e-07),
    ],
)
def test_normality_agrees_with_other_implementations(values: list[float], p_value: float) -> None:
    found = anderson_darling(values)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", FutureWarning)
        statistic = stats.anderson(np.asarray(values, dtype=float)).statistic
    assert found.statistic == pytest.approx(statistic, rel=1e-10)
    assert found.p_value == pytest.approx(p_value, rel=1e-9)


def test_false_alarms_of_the_test_of_normality() -> None:
    """Seeded: of 3,000 normal lots of 20 parts 4 to 6 % have p below 0.05, and 8.5 to 11.5 % below 0.10."""
    x = np.random.default_rng(31).normal(35, 0.2, (3000, 20))
    frame = pl.DataFrame({"lot": np.repeat(np.arange(3000), 20), "mean": x.ravel()})
    p = anderson_darling_of_lots(frame)["p_value"]
    assert 0.04 <= (p < 0.05).mean() <= 0.06
    assert 0.085 <= (p < 0.10).mean() <= 0.115


def test_p_of_normality_falls_all_the_way() -> None:
    x = np.random.default_rng(1).normal(size=400)
    p = [anderson_darling(np.r_[x, np.full(extra, 1e3)]).p_value for extra in (0, 1, 3, 10)]
    assert all(value is not None for value in p)
    assert p == sorted(p, reverse=True)
    assert p[-1] < 1e-100


@pytest.mark.parametrize(("values", "reason"), [([], "no value"), ([1.0] * 3, "at least 8"), ([35.1] * 9, "equal")])
def test_normality_says_why_not(values: list[float], reason: str) -> None:
    found = anderson_darling(values)
    assert found.reason is not None
    assert reason in found.reason
    assert found.statistic is found.p_value is None


@pytest.mark.parametrize("side", ["both", "high", "low"])
def test_grubbs_p_meets_its_critical_value(side: str) -> None:
    n = 10
    critical = grubbs_critical(n, side=side, significance=0.05)
    base = np.random.default_rng(7).normal(35, 0.1, n)
    # move one value until its statistic is the critical one
    low, high = 0.0, 50.0
    direction = -1.0 if side == "low" else 1.0
    for _ in range(100):
        middle = (low + high) / 2
        x = np.r_[base[:-1], base.mean() + direction * middle]
        low, high = (middle, high) if grubbs(x, side=side).statistic < critical else (low, middle)
    found = grubbs(np.r_[base[:-1], base.mean() + direction * high], side=side)
    assert found.p_value == pytest.approx(0.05, rel=1e-6)
    assert found.place == n - 1


def test_grubbs_false_alarms() -> None:
    x = np.random.default_rng(8).normal(size=(4000, 8))
    critical = grubbs_critical(8)
    deviate = np.abs(x - x.mean(axis=1, keepdims=True)).max(axis=1) / x.std(axis=1, ddof=1)
    assert 0.04 <= (deviate > critical).mean() <= 0.06


def test_grubbs_with_the_largest_possible_statistic() -> None:
    found = grubbs([1.0, 1.0, 1.0, 1.0, 2.0])
    assert found.outlier
    assert found.p_value is not None
    assert found.p_value < 1e-6


@pytest.mark.parametrize(("values", "reason"), [([1.0, 2.0], "at least 3"), ([35.1] * 5, "equal")])
def test_grubbs_says_why_not(values: list[float], reason: str) -> None:
    found = grubbs(values)
    assert found.reason is not None
    assert reason in found.reason
    assert found.outlier is None


def test_many_outliers_hide_from_one_test_but_not_from_the_general_one() -> None:
    x = np.r_[np.random.default_rng(0).normal(35, 0.05, 25), 36.0, 36.01, 36.02]
    assert grubbs(x).outlier is False
    assert set(generalised_extreme_studentized_deviate(x, most=5).places) == {25, 26, 27}
    clean = generalised_extreme_studentized_deviate(x[:25], most=5)
    assert clean.places == ()
    assert clean.reason is None
    short = generalised_extreme_studentized_deviate([1.0, 1.0, 1.0, 5.0], most=3)
    assert short.reason is not None
    assert "equal" in short.reason
    few = generalised_extreme_studentized_deviate([1.0, 2.0, 4.0], most=3)
    assert few.reason is not None
    assert "fewer than 2 degrees of freedom" in few.reason


def test_false_alarms_of_the_general_test() -> None:
    """Seeded: of 1,000 normal samples of 25 values 3 to 8 % show an outlier at 5 %, looking for up to five."""
    rng = np.random.default_rng(17)
    alarms = [len(generalised_extreme_studentized_deviate(rng.normal(size=25), most=5).places) > 0 for _ in range(1000)]
    assert 0.03 <= np.mean(alarms) <= 0.08


def test_first_step_of_the_general_test_is_grubbs() -> None:
    x = np.random.default_rng(3).normal(size=20)
    general, single = generalised_extreme_studentized_deviate(x, most=1), grubbs(x)
    studentised = np.sqrt(20 / 19)
    assert general.statistics[0] == pytest.approx(single.statistic * studentised, rel=1e-12)
    assert general.criticals[0] == pytest.approx(single.critical * studentised, rel=1e-12)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: anderson_darling([1.0, float("inf")]), "finite"),
        (lambda: grubbs([1.0, float("nan"), 2.0]), "finite"),
        (lambda: grubbs([1.0, 2.0, 3.0], significance=0.0), "between 0 and 1"),
        (lambda: grubbs_critical(2), "at least 3"),
        (lambda: generalised_extreme_studentized_deviate([1.0, 2.0, 3.0], most=0), "at least 1"),
        (lambda: tietjen_moore([1.0, 2.0, 3.0], 0), "at least 1"),
        (lambda: tietjen_moore([1.0, float("nan"), 3.0], 1), "finite"),
    ],
)
def test_bad_use_is_refused(call: Callable[[], object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()


def test_one_group_is_the_groups_of_none() -> None:
    x = np.r_[np.random.default_rng(0).normal(35, 0.05, 25), 36.0, 34.5]
    assert generalised_extreme_studentized_deviate(x, most=5) == generalised_extreme_studentized_deviate(
        x, np.zeros(27, dtype=int), most=5
    )


def test_outliers_together() -> None:
    x = np.r_[np.random.default_rng(0).normal(35, 0.05, 25), 36.0, 36.01, 36.02]
    found = tietjen_moore(x, 3)
    assert (set(found.places), found.outlying) == ({25, 26, 27}, True)
    assert tietjen_moore(x[:25], 3).outlying is False
    for values, k, reason in (([1.0, 2.0, 3.0], 2, "too few"), ([1.0, 1.0], 1, "too few"), ([35.0] * 6, 1, "equal")):
        none = tietjen_moore(values, k)
        assert none.outlying is None
        assert reason in str(none.reason)
    assert tietjen_moore([1.0, 2.0, 3.0, 9.0], 2).reason is None


def test_false_alarms_of_outliers_together() -> None:
    """Seeded: of 400 normal samples of 20 values 5 % are called (standard error 1.1 %)."""
    rng = np.random.default_rng(23)
    alarms = [tietjen_moore(rng.normal(size=20), 2, simulations=2000).outlying for _ in range(400)]
    assert 0.02 <= np.mean(alarms) <= 0.08


def test_an_outlier_does_not_make_its_neighbours_look_outlying() -> None:
    rng = np.random.default_rng(4)
    x = np.repeat(rng.normal(35, 1.0, 30), 3) + rng.normal(0, 0.02, 90)
    x[40] += 1.0
    assert generalised_extreme_studentized_deviate(x, np.repeat(np.arange(30), 3), most=10).places == (40,)


def test_false_alarms_of_outliers_within_groups() -> None:
    """Seeded: of 1,000 lots of 15 spots with 5 readings at most 6 % get a pointer, and at least 3 %."""
    x = np.random.default_rng(21).normal(35, 0.1, (1000, 75))
    groups = np.repeat(np.arange(15), 5)
    found = [bool(generalised_extreme_studentized_deviate(row, groups, most=1).places) for row in x]
    print(f"false alarms {100 * np.mean(found):.1f} %")
    assert 0.03 <= np.mean(found) <= 0.06


@pytest.mark.parametrize(
    ("values", "groups", "match"), [([1.0, 2.0], [0], "its group"), ([1.0, float("nan")], [0, 0], "finite")]
)
def test_outliers_within_groups_refuse_bad_use(values: list[float], groups: list[int], match: str) -> None:
    with pytest.raises(ValueError, match=match):
        generalised_extreme_studentized_deviate(values, groups, most=1)


def test_outliers_within_groups_say_why_not() -> None:
    assert "degrees of freedom" in str(generalised_extreme_studentized_deviate([1.0, 2.0], [0, 1], most=1).reason)
    assert "equal" in str(generalised_extreme_studentized_deviate([1.0] * 6, [0, 0, 0, 1, 1, 1], most=1).reason)
