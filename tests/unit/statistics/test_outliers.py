"""Tests for outliers against their definitions, written with another library, and their boundaries. Invented numbers."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from scipy import stats

from pipeline.statistics.outliers import (
    generalised_extreme_studentized_deviate,
    grubbs,
    grubbs_critical,
    tietjen_moore,
)

if TYPE_CHECKING:
    from collections.abc import Callable

X = np.round(np.random.default_rng(6).normal(35.0, 0.2, 12), 4)


@pytest.mark.parametrize(("side", "tails"), [("both", 2), ("high", 1), ("low", 1)])
@pytest.mark.parametrize("n", [3, 4, 12])
def test_critical_value_of_grubbs_is_that_of_a_deleted_residual(side: Any, tails: int, n: int) -> None:
    # G = (n − 1)/√n·√(t²/(n − 2 + t²)) where t is the deleted residual of the value
    t = stats.t.isf(0.01 / n / tails, n - 2)
    expected = (n - 1) / math.sqrt(n) * math.sqrt(t**2 / (n - 2 + t**2))
    assert grubbs_critical(n, side=side, significance=0.01) == pytest.approx(expected, rel=1e-9)
    assert expected < (n - 1) / math.sqrt(n)


@pytest.mark.parametrize(("side", "tails", "place"), [("both", 2, 4), ("high", 1, 9), ("low", 1, 4)])
def test_p_of_grubbs_is_that_of_the_deleted_residual(side: Any, tails: int, place: int) -> None:
    x = X.copy()
    x[4], x[9] = 34.0, 35.8
    rest = np.delete(x, place)
    n = x.size
    # studentised by the others: (x − mean)/(s·√(1 + 1/(n − 1)))
    t = abs(x[place] - rest.mean()) / (rest.std(ddof=1) * math.sqrt(1 + 1 / (n - 1)))
    found = grubbs(x, side=side)
    assert (found.values, found.side, found.significance) == (n, side, 0.05)
    assert (found.place, found.value) == (place, x[place])
    assert found.statistic == pytest.approx(abs(x[place] - x.mean()) / x.std(ddof=1), rel=1e-12)
    assert found.p_value == pytest.approx(min(1.0, tails * n * stats.t.sf(t, n - 2)), rel=1e-9)
    assert found.critical == grubbs_critical(n, side=side)
    assert found.outlier == (found.p_value < 0.05)  # type: ignore[operator]


def test_both_sides_are_what_is_tested_unless_one_is_named() -> None:
    assert grubbs(X) == grubbs(X, side="both", significance=0.05)
    assert grubbs_critical(12) == grubbs_critical(12, side="both", significance=0.05)
    assert grubbs(X, significance=0.01).critical == grubbs_critical(12, significance=0.01)
    assert generalised_extreme_studentized_deviate(X, most=2) == generalised_extreme_studentized_deviate(
        X, most=2, significance=0.05
    )
    groups = np.repeat([0, 1, 2], 4)
    assert generalised_extreme_studentized_deviate(X, groups, most=2) == generalised_extreme_studentized_deviate(
        X, groups, most=2, significance=0.05
    )


def test_a_value_like_the_others_has_a_chance_of_one_and_three_equal_but_one_have_none() -> None:
    assert grubbs([1.0, 2.0, 3.0]).p_value == 1.0
    assert grubbs([1.0, 2.0, 3.0]).outlier is False
    assert grubbs([1.0, 2.0] * 10).p_value == 1.0
    assert grubbs([0.0, 0.0, 0.0, 1.0]).p_value == pytest.approx(0.0, abs=1e-6)
    # statistic and critical value alike are no outlier: of three values only the largest statistic, 2/√3, can be
    assert grubbs([1.0, 1.0, 2.0]).statistic == pytest.approx(2 / math.sqrt(3))


@pytest.mark.parametrize("n", [5, 30])
def test_general_test_is_made_of_single_ones_on_what_is_left(n: int) -> None:
    x = np.random.default_rng(n).normal(-35.0, 0.2, n)
    x[1], x[3] = -33.0, -37.5
    found = generalised_extreme_studentized_deviate(x, most=3, significance=0.1)
    left = list(range(n))
    for step in range(3):
        single = grubbs(x[left], significance=0.1)
        assert single.place is not None
        assert found.removed[step] == left.pop(single.place)
        # R and λ are Grubbs' statistic and critical value of the number that is left, studentised
        scale = math.sqrt((n - step) / (n - step - 1))
        assert found.statistics[step] == pytest.approx(scale * single.statistic, rel=1e-9)
        assert found.criticals[step] == pytest.approx(scale * grubbs_critical(n - step, significance=0.1), rel=1e-9)
    assert len(found.statistics) == len(found.criticals) == len(found.removed) == 3
    assert (found.values, found.significance, found.reason) == (n, 0.1, None)
    beyond = [step for step in range(3) if found.statistics[step] > found.criticals[step]]
    assert found.places == found.removed[: max(beyond, default=-1) + 1]
    if n == 30:
        assert found.places == (3, 1)


def test_general_test_looks_behind_a_step_that_finds_nothing() -> None:
    # two far values hide each other at the first step; without the first, the second is found, and so both are
    x = np.r_[np.random.default_rng(1).normal(0.0, 0.1, 8), 5.0, 5.01]
    found = generalised_extreme_studentized_deviate(x, most=2)
    assert found.statistics[0] < found.criticals[0]
    assert found.statistics[1] > found.criticals[1]
    assert found.places == (9, 8)
    assert generalised_extreme_studentized_deviate(x, most=1).places == ()


@pytest.mark.parametrize(
    ("values", "most", "steps", "reason"),
    [
        ([1.0, 2.0], 1, 0, "after 0 removals has fewer than 2 degrees"),
        ([1.0, 2.0, 4.0], 1, 1, None),
        ([1.0, 2.0, 4.0], 2, 1, "after 1 removals has fewer than 2 degrees"),
        ([5.0, 5.0, 5.0], 1, 0, "all equal"),
        ([0.0, 0.0, 0.0], 1, 0, "all equal"),
        ([-0.1 - 0.2, -0.3, -0.3], 1, 0, "all equal"),
        ([5.0, 5.0, 5.0, 9.0], 2, 1, "all equal"),
        ([0.0, 1e-13, 3e-13], 1, 1, None),  # small, and not equal
    ],
)
def test_general_test_stops_where_nothing_can_be_tested(
    values: list[float], most: int, steps: int, reason: str | None
) -> None:
    found = generalised_extreme_studentized_deviate(values, most=most)
    assert len(found.statistics) == steps
    assert reason in (found.reason or "") if reason else found.reason is None
    single = grubbs(values)
    assert (single.outlier is None) == (steps == 0)
    assert found == generalised_extreme_studentized_deviate(values, [7] * len(values), most=most)


GROUPS = np.array([0, 0, 0, 1, 1, 1, 1, 2, 3, 3, 4, 4, 4, 4, 4])


def by_regression(x: np.ndarray, groups: np.ndarray, left: np.ndarray) -> np.ndarray:
    """Return internally studentised residuals of the least-squares fit of group means to the values that are left."""
    design = (groups[left][:, None] == np.unique(groups[left])).astype(float)
    hat = design @ np.linalg.pinv(design)
    residual = x[left] - hat @ x[left]
    freedom = left.size - np.linalg.matrix_rank(design)
    room = 1.0 - np.diag(hat)
    out = np.zeros(left.size)
    some = room > 1e-9
    out[some] = residual[some] / np.sqrt(room[some] * (residual @ residual) / freedom)
    return out


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_residuals_within_groups_are_the_studentised_ones_of_a_regression(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = 35.0 + GROUPS + rng.normal(0.0, 0.1, GROUPS.size)
    x[5] -= 1.5
    order = rng.permutation(GROUPS.size)
    x, groups = x[order], GROUPS[order]
    found = generalised_extreme_studentized_deviate(x, groups, most=4, significance=0.02)
    assert len(found.statistics) == 4
    left = np.arange(x.size)
    for step in range(4):
        studentised = np.abs(by_regression(x, groups, left))
        largest = int(np.argmax(studentised))
        # of a group of two both residuals are alike, and either may be named
        assert studentised[list(left).index(found.removed[step])] == pytest.approx(studentised[largest], rel=1e-9)
        assert found.statistics[step] == pytest.approx(studentised[largest], rel=1e-9)
        sizes = np.bincount(groups[left])
        candidates = int(sizes[sizes > 1].sum())
        freedom = candidates - int((sizes > 1).sum())
        t = stats.t.isf(0.02 / (2 * candidates), freedom - 1)
        assert found.criticals[step] == pytest.approx(t * math.sqrt(freedom / (freedom - 1 + t * t)), rel=1e-9)
        left = left[left != found.removed[step]]
    assert found.places[:1] == (int(np.flatnonzero(order == 5)[0]),)
    assert (found.values, found.significance, found.reason) == (15, 0.02, None)


def test_how_many_samples_are_simulated_at_once_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    together = tietjen_moore(X, 2, simulations=500)
    for at_once in (0, 400, 12 * 450):
        monkeypatch.setattr("pipeline.statistics.outliers._AT_ONCE", at_once)
        assert tietjen_moore(X, 2, simulations=500) == together


def test_within_groups_two_that_hide_each_other_are_both_found() -> None:
    x = np.r_[np.random.default_rng(1).normal(0.0, 0.1, 8), 5.0, 5.01]
    one = generalised_extreme_studentized_deviate(x, np.zeros(10, dtype=int), most=2)
    assert one.statistics[0] < one.criticals[0]
    assert one.places == (9, 8)
    assert generalised_extreme_studentized_deviate(x, np.zeros(10, dtype=int), most=1).places == ()


@pytest.mark.parametrize(
    ("values", "groups", "steps"),
    [
        ([1.0, 2.0, 4.0, 9.0], [0, 0, 1, 1], 1),  # two degrees of freedom are enough
        ([1.0, 2.0, 4.0], [0, 0, 1], 0),
        ([1.0, 2.0, 4.0], [5, 5, 5], 1),
        ([], [], 0),
        ([7.0], [0], 0),
        ([-5.0, -5.0, -5.0, -7.0, -7.0], [0, 0, 0, 1, 1], 0),
        ([0.0, 1e-13, 3e-13], [0, 0, 0], 1),
        (
            [0.0, 0.0, 0.0, 0.1 + 0.2, 0.3, 0.3],
            [0, 0, 0, 1, 1, 1],
            0,
        ),  # noise of the larger values is none of the smaller
    ],
)
def test_residuals_within_groups_need_two_degrees_of_freedom(
    values: list[float], groups: list[int], steps: int
) -> None:
    found = generalised_extreme_studentized_deviate(values, groups, most=1)
    assert len(found.statistics) == steps
    assert (found.reason is None) == (steps == 1)


@pytest.mark.parametrize("significance", [0.0, 1.0, -0.1, 1.5])
def test_a_significance_that_is_none_is_refused(significance: float) -> None:
    calls: list[Callable[[], object]] = [
        lambda: grubbs_critical(10, significance=significance),
        lambda: grubbs(X, significance=significance),
        lambda: grubbs([1.0], significance=significance),
        lambda: generalised_extreme_studentized_deviate(X, most=1, significance=significance),
        lambda: tietjen_moore(X, 1, significance=significance),
        lambda: generalised_extreme_studentized_deviate(X, X * 0, most=1, significance=significance),
    ]
    for call in calls:
        with pytest.raises(ValueError, match="between 0 and 1"):
            call()


@pytest.mark.parametrize("values", [[[1.0, 2.0, 3.0]], [1.0, 2.0, math.inf], 3.0])
def test_what_is_no_row_of_numbers_is_refused(values: Any) -> None:
    for call in (
        lambda: grubbs(values),
        lambda: generalised_extreme_studentized_deviate(values, most=1),
        lambda: generalised_extreme_studentized_deviate(values, [0, 0, 0], most=1),
        lambda: tietjen_moore(values, 1),
    ):
        with pytest.raises(ValueError, match="one row of finite numbers"):
            call()


def test_at_least_one_outlier_is_looked_for() -> None:
    for most in (0, -1):
        with pytest.raises(ValueError, match="at least 1"):
            generalised_extreme_studentized_deviate(X, most=most)
        with pytest.raises(ValueError, match="at least 1"):
            generalised_extreme_studentized_deviate(X, np.zeros(12), most=most)
    with pytest.raises(ValueError, match="its group"):
        generalised_extreme_studentized_deviate(X, np.zeros(13), most=1)


@pytest.mark.parametrize("n", [3, 4, 11])
@pytest.mark.parametrize("level", [35.0, -35.0])
def test_one_value_tested_together_is_grubbs_test(n: int, level: float) -> None:
    # without the farthest value n·G²/(n − 1) of the sum of squares (n − 1)·s² is gone
    x = level + np.random.default_rng(n).normal(0.0, 0.2, n)
    found, single = tietjen_moore(x, 1), grubbs(x)
    assert single.statistic is not None
    assert found.statistic == pytest.approx(1 - n * single.statistic**2 / (n - 1) ** 2, abs=1e-9)
    assert found.places == (single.place,)
    assert (found.values, found.outliers, found.significance, found.reason) == (n, 1, 0.05, None)
    if n == 11:
        assert found.critical == pytest.approx(1 - n * grubbs_critical(n) ** 2 / (n - 1) ** 2, rel=0.03)
    assert found.outlying == (found.statistic < found.critical)  # type: ignore[operator]


def test_values_tested_together_by_their_sums_of_squares() -> None:
    x = X.copy()
    x[3], x[8] = 36.4, 33.5
    rest = np.delete(x, [3, 8])
    found = tietjen_moore(x, 2)
    wanted = ((rest - rest.mean()) ** 2).sum() / ((x - x.mean()) ** 2).sum()
    assert found.statistic == pytest.approx(wanted, rel=1e-9)
    assert set(found.places) == {3, 8}
    assert found.outlying is True
    assert tietjen_moore(x, 6).reason is None
    assert "too few" in str(tietjen_moore(x, 7).reason)
    assert "too few" in str(tietjen_moore([1.0, 2.0], 1).reason)
    for equal in ([35.0] * 5, [-0.1 - 0.2, -0.3, -0.3], [0.0] * 4):
        assert "equal" in str(tietjen_moore(equal, 1).reason)
    with pytest.raises(ValueError, match="at least 1"):
        tietjen_moore(x, 0)


# in simulation


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


def test_many_outliers_hide_from_one_test_but_not_from_the_general_one() -> None:
    x = np.r_[np.random.default_rng(0).normal(35, 0.05, 25), 36.0, 36.01, 36.02]
    assert grubbs(x).outlier is False
    assert set(generalised_extreme_studentized_deviate(x, most=5).places) == {25, 26, 27}
    clean = generalised_extreme_studentized_deviate(x[:25], most=5)
    assert clean.places == ()
    assert clean.reason is None


def test_false_alarms_of_the_general_test() -> None:
    """Seeded: of 1,000 normal samples of 25 values 3 to 8 % show an outlier at 5 %, looking for up to five."""
    rng = np.random.default_rng(17)
    alarms = [len(generalised_extreme_studentized_deviate(rng.normal(size=25), most=5).places) > 0 for _ in range(1000)]
    assert 0.03 <= np.mean(alarms) <= 0.08


def test_outliers_together() -> None:
    x = np.r_[np.random.default_rng(0).normal(35, 0.05, 25), 36.0, 36.01, 36.02]
    found = tietjen_moore(x, 3)
    assert (set(found.places), found.outlying) == ({25, 26, 27}, True)
    assert tietjen_moore(x[:25], 3).outlying is False
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
