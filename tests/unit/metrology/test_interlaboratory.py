"""Comparison of meters on one block: published limits and example, reference library, why not. Invented unless a source is named."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy import stats
from statsmodels.robust.scale import Huber

from pipeline.metrology.agreement import MeterMean
from pipeline.metrology.interlaboratory import cochran_limit, compared, h_limit, k_limit, robust_mean

if TYPE_CHECKING:
    from schemas.comparison import MeterComparison


def means(*given: tuple[float, float | None, int]) -> list[MeterMean]:
    return [MeterMean(f"M{i}", mean, s, n, None) for i, (mean, s, n) in enumerate(given)]


def of(*given: tuple[float, float | None, int]) -> MeterComparison:
    found = compared("B1", means(*given))
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("p", "five", "one"),
    [(3, 1.15, 1.15), (4, 1.42, 1.49), (5, 1.57, 1.72), (6, 1.66, 1.87), (8, 1.75, 2.06), (10, 1.80, 2.18)],
)
def test_limits_of_h_are_those_of_the_table(p: int, five: float, one: float) -> None:
    """ISO 5725-2:1994, table of Mandel's h (from memory)."""
    assert h_limit(p, level=0.05) == pytest.approx(five, abs=0.006)
    assert h_limit(p) == pytest.approx(one, abs=0.006)


@pytest.mark.parametrize(("p", "one"), [(3, 1.71), (4, 1.91), (5, 2.05), (6, 2.14), (7, 2.20), (8, 2.25)])
def test_limits_of_k_are_those_of_the_table(p: int, one: float) -> None:
    """ISO 5725-2:1994, table of Mandel's k at 1 % for n = 2 (from memory); the table cuts off."""
    assert 0 <= k_limit(1, p) - one < 0.01


@pytest.mark.parametrize(
    ("p", "n", "five", "one"),
    [(3, 2, 0.967, 0.993), (5, 2, 0.841, 0.928), (8, 2, 0.680, 0.794), (10, 2, 0.602, 0.718), (8, 3, 0.516, 0.615)],
)
def test_limits_of_cochran_are_those_of_the_table(p: int, n: int, five: float, one: float) -> None:
    """ISO 5725-2:1994, table of Cochran's C (from memory)."""
    assert cochran_limit(n - 1, p * (n - 1), p, level=0.05) == pytest.approx(five, abs=0.0015)
    assert cochran_limit(n - 1, p * (n - 1), p) == pytest.approx(one, abs=0.0015)


def test_robust_mean_is_that_of_a_reference_library() -> None:
    """Algorithm A is Huber's second proposal with c = 1.5, its 1.134 the rounded 1/√E(min(z², c²)); statsmodels has the same fixed point."""
    x = [4.5, 4.9, 5.6, 4.2, 6.2, 5.2, 9.9]
    middle, spread = robust_mean(x)
    other, scale = Huber(c=1.5, tol=1e-10, maxiter=500)(np.asarray(x))
    assert middle == pytest.approx(float(other), rel=1e-3)
    assert spread == pytest.approx(float(scale), rel=2e-3)
    drawn = np.clip(x, middle - 1.5 * spread, middle + 1.5 * spread)
    assert (drawn.mean(), 1.134 * drawn.std(ddof=1)) == pytest.approx((middle, spread), rel=1e-9)
    # what is low is drawn in as what is high
    low, same = robust_mean([-one for one in x])
    assert (low, same) == pytest.approx((-middle, spread), rel=1e-9)
    assert robust_mean([5.0]) == (5.0, 0.0)
    assert robust_mean([5.0, 7.0]) == pytest.approx((6.0, 1.134 * 2**0.5))
    assert robust_mean([5.0, 5.0, 5.0, 5.0, 9.0])[1] == 0.0


def test_scores_of_the_meters_are_what_they_say() -> None:
    rng = np.random.default_rng(41)
    samples = [rng.normal(58.0 + 0.05 * i, 0.05, 4) for i in range(6)]
    found = of(*((float(x.mean()), float(x.std(ddof=1)), 4) for x in samples))
    x, s2 = np.array([one.mean() for one in samples]), np.array([one.var(ddof=1) for one in samples])
    assert [one.h for one in found.meters] == pytest.approx(stats.zscore(x, ddof=1))
    assert [one.k for one in found.meters] == pytest.approx(np.sqrt(s2 / s2.mean()))
    assert [one.cochran for one in found.meters] == pytest.approx(s2 / s2.sum())
    middle, spread = robust_mean(x)
    assert [one.z for one in found.meters] == pytest.approx((x - middle) / spread)
    assert [one.percent_difference for one in found.meters] == pytest.approx(100 * (x / middle - 1))
    assert found.not_computable == {}


def test_false_alarms_with_unequal_numbers_of_checks() -> None:
    """Seeded: one comparison in 20 exceeds Cochran's limit at 5 %, also where meters were checked 3 to 12 times."""
    rng = np.random.default_rng(42)
    freedom = np.array([2.0, 3.0, 5.0, 8.0, 11.0])
    squares = rng.chisquare(freedom, (4000, 5))
    share = squares / squares.sum(axis=1, keepdims=True)
    limits = np.array([cochran_limit(own, freedom.sum(), 5, level=0.05) for own in freedom])
    assert 0.04 <= float((share > limits).any(axis=1).mean()) <= 0.06


def test_a_meter_apart_is_marked_and_one_of_wild_checks() -> None:
    near = [(58.00 + 0.01 * i, 0.05, 6) for i in range(5)]
    apart = of(*near, (59.0, 0.05, 6)).meters[-1]
    assert apart.z is not None
    assert apart.z > 3
    wild = of(*near, (58.02, 0.5, 6)).meters[-1]
    assert wild.cochran is not None
    assert wild.cochran_limit is not None
    assert wild.cochran > wild.cochran_limit
    assert wild.k is not None
    assert wild.k_limit is not None
    assert wild.k > wild.k_limit


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_up_to_the_noise_of_the_largest_mean_meters_are_equal_and_checks_do_not_scatter(sign: float) -> None:
    """A differential value may be below zero; arithmetic is exact to 2e-16 of the largest, so 1e-12 of it is no difference."""
    for e, told in ((0.8e-12, False), (1.25e-12, True)):
        # the sample deviation of -e, 0, e is e, and what is robust about them 1.134·e
        apart = compared("B1", means(*((sign * (4.0 + 4 * d * e), 4 * e, 2) for d in (-1, 0, 1))))
        assert apart is not None
        assert ("h" in apart.not_computable) is not told
        assert ("k" in apart.not_computable) is ("cochran" in apart.not_computable) is not told
        half = compared("B1", means(*((sign * (4.0 + 4 * d), 4 * e, n) for d, n in ((0, 2), (-1, 2), (-2, 9)))))
        assert half is not None
        assert ("k" in half.not_computable) is not told
        spread = compared("B1", means(*((sign * (4.0 + 4 * d * e / 1.134), 0.1, 2) for d in (-1, 0, 1))))
        assert spread is not None
        assert ("z" in spread.not_computable) is not told


def test_what_lacks_in_two_ways_names_both_and_one_check_or_an_unknown_scatter_varies_not() -> None:
    two = of((58.0, 0.1, 1), (58.1, None, 3))
    assert set(two.not_computable) == {"robust_mean", "z", "h", "k", "cochran"}
    some = of((58.0, 0.1, 1), (58.1, None, 3), (58.2, 0.1, 2), (58.3, 0.2, 2))
    assert [one.k is None for one in some.meters] == [True, True, False, False]
    assert [one.k for one in some.meters[2:]] == pytest.approx([0.1 / 0.025**0.5, 0.2 / 0.025**0.5])


def test_what_cannot_be_said_says_why() -> None:
    assert compared("B1", means((58.0, 0.1, 5))) is None
    two = of((58.0, 0.1, 5), (58.1, 0.1, 5))
    assert "2 meters; at least 3" in two.not_computable["z"]
    assert (two.robust_mean, two.h_limit, two.meters[0].z, two.meters[0].percent_difference) == (None, None, None, None)
    assert two.meters[0].k == pytest.approx(1.0)
    equal = of(*[(58.0, 0.0, 5)] * 3)
    assert set(equal.not_computable) == {"z", "h", "k", "cochran"}
    single = of((58.0, None, 1), (58.1, None, 1), (58.2, 0.1, 4))
    assert "two checks" in single.not_computable["cochran"]
    assert of((58.0, None, 1), (58.1, 0.1, 3), (58.2, 0.1, 4)).meters[0].k is None
    with pytest.raises(ValueError, match="at least 3"):
        h_limit(2)
