"""Mean squares, chart constants, fractions and moments against SciPy, exact identities and loops; just inside and just outside."""

from __future__ import annotations

from itertools import combinations, product
from math import gamma, inf, nan, pi, sqrt

import numpy as np
import pytest
from scipy import integrate, stats

from pipeline.statistics.constants import (
    c4,
    c4_of_degrees_of_freedom,
    d2,
    d3,
    degrees_of_freedom_of_relative_variance,
    moving_range_relative_variance,
)
from pipeline.statistics.descriptive import pooled_deviation
from pipeline.statistics.fraction_outside import (
    NormalFraction,
    fraction_outside,
    normal_fraction,
    observed_fraction,
)
from pipeline.statistics.mean_squares import (
    modified_large_sample_interval,
    ratio_interval,
    satterthwaite,
)

# combinations of mean squares


def lower_limit(terms: list[tuple[float, float, float]], alpha: float) -> float:
    """Lower limit by Graybill and Wang and by Ting et al. as the docstring cites them, with SciPy's quantiles (from memory)."""
    g = lambda n: 1 - n / stats.chi2.isf(alpha, n)  # noqa: E731
    h = lambda n: n / stats.chi2.ppf(alpha, n) - 1  # noqa: E731
    plus, minus = [t for t in terms if t[0] > 0], [t for t in terms if t[0] < 0]
    v = sum((g(n) * c * s) ** 2 for c, s, n in plus) + sum((h(n) * c * s) ** 2 for c, s, n in minus)
    for (c, s, n), (d, t, m) in product(plus, minus):
        f = stats.f.isf(alpha, n, m)
        v += ((f - 1) ** 2 - (g(n) * f) ** 2 - h(m) ** 2) / f * c * -d * s * t
    for (c, s, n), (d, t, m) in combinations(plus, 2):
        joint = (1 - (n + m) / stats.chi2.isf(alpha, n + m)) ** 2 * (n + m) ** 2 / (n * m)
        v += (joint - g(n) ** 2 * n / m - g(m) ** 2 * m / n) / (len(plus) - 1) * c * s * d * t
    return sum(c * s for c, s, _ in terms) - sqrt(max(v, 0.0))


@pytest.mark.parametrize("signs", [(1, 1), (1, -1), (1, 1, 1), (1, 1, -1), (1, -1, -1), (1, 0, -1, 1, 1), (-1, -1, -1)])
@pytest.mark.parametrize("confidence", [0.95, 0.8])
def test_interval_of_a_combination_is_that_of_the_formulas(signs: tuple[int, ...], confidence: float) -> None:
    rng = np.random.default_rng(1990)
    for _ in range(4):
        c, s = signs * rng.uniform(0.1, 3, len(signs)), rng.uniform(0.1, 3, len(signs))
        n = [float(nu) for nu in rng.integers(1, 30, len(signs))]
        alpha = (1 - confidence) / 2
        wanted = (
            lower_limit(list(zip(c, s, n, strict=True)), alpha), -lower_limit(list(zip(-c, s, n, strict=True)), alpha)
        )  # fmt: skip
        assert modified_large_sample_interval(list(c), list(s), n, confidence) == pytest.approx(wanted, rel=1e-8)


def test_intervals_are_exact_where_the_distribution_is_known() -> None:
    # two equal terms by freedom are one mean square of both freedoms; a difference is zero at the quantile of F
    n, m, tail = 6.0, 11.0, 0.025
    low, _ = modified_large_sample_interval([n, m], [0.7, 0.7], [n, m])
    assert low == pytest.approx(0.7 * (n + m) ** 2 / stats.chi2.isf(tail, n + m))
    f_high = float(stats.f.isf(tail, n, m))
    assert modified_large_sample_interval([1, -1], [f_high, 1.0], [n, m])[0] == pytest.approx(0, abs=1e-9)
    f_low = float(stats.f.ppf(tail, n, m))
    assert modified_large_sample_interval([1, -1], [f_low, 1.0], [n, m])[1] == pytest.approx(0, abs=1e-9)
    assert modified_large_sample_interval([1.0], [0.0], [3.0]) == (0.0, 0.0)


@pytest.mark.parametrize("first", [3e-9, 0.02, 0.3, 3.0, 700.0, 5e8])
def test_ratio_of_two_mean_squares_is_the_f_interval_at_every_size(first: float) -> None:
    for confidence in (0.95, 0.8):
        tail = (1 - confidence) / 2
        f = stats.f.isf([tail, 1 - tail], 5, 20)
        found = ratio_interval([2.0, 0.0], [0.0, 4.0], [first, 2.0], [5.0, 20.0], confidence)
        assert found == pytest.approx(tuple(first / 4 / f), rel=1e-9)


def test_ratio_that_the_data_do_not_bound() -> None:
    assert ratio_interval([0.0, 0.0], [0.0, 1.0], [3.0, 2.0], [5.0, 20.0]) == (0.0, 0.0)
    # a denominator that may be nought has no largest ratio, and one that is nought says nothing at all
    low, high = ratio_interval([1.0, 0.0], [-1.0, 1.0], [2.0, 2.1], [5.0, 20.0])
    assert low > 0
    assert high is None
    assert ratio_interval([1.0, 0.0], [0.0, 1.0], [3.0, 0.0], [5.0, 20.0]) == (0.0, None)
    # a numerator that may be nought has no smallest ratio above it
    low, high = ratio_interval([1.0, -1.0], [0.0, 1.0], [1.2, 1.0], [5.0, 20.0])
    f = stats.f.ppf(0.025, 5, 20)
    assert (low, high) == pytest.approx((0.0, 1.2 / f - 1), rel=1e-6)


def test_satterthwaite_by_hand_and_where_it_means_nothing() -> None:
    assert satterthwaite([2.0, 0.5], [3.0, 4.0], [4.0, 1.0]) == pytest.approx(8**2 / (36 / 4 + 4 / 1))
    assert satterthwaite([1.0], [2.0], [4.0]) == pytest.approx(4.0)
    assert satterthwaite([1.0, 1.0], [1.0, 1.0], [1.0, 1.0]) == pytest.approx(2.0)
    assert satterthwaite([1.0, 3.0], [2.0, 0.0], [4.0, 0.0]) == pytest.approx(4.0)
    for freedoms in ([4.0, 0.0], [4.0, -1.0], [0.0, 4.0]):
        with pytest.raises(ValueError, match="above zero"):
            satterthwaite([1.0, 1.0], [1.0, 1.0], freedoms)
    with pytest.raises(ValueError, match="no meaning"):
        satterthwaite([1.0, 0.0], [0.0, 5.0], [4.0, 4.0])


# constants


def test_c4_follows_its_exact_product_in_both_forms() -> None:
    """c4(ν)·c4(ν + 1) = √(ν/(ν + 1)), by Γ(x + 1) = x·Γ(x)."""
    nu = np.array([0.3, 1.0, 2.0, 7.5, 40.0, 300.5, 302.0, 333.0, 1e3, 1e6])
    both = c4_of_degrees_of_freedom(nu) * c4_of_degrees_of_freedom(nu + 1)
    assert both == pytest.approx(np.sqrt(nu / (nu + 1)), rel=3e-14)
    assert both[-4:] == pytest.approx(np.sqrt(nu / (nu + 1))[-4:], rel=4e-16)
    for n in (2, 3, 4, 5, 20):
        assert c4(n) == pytest.approx(sqrt(2 / (n - 1)) * gamma(n / 2) / gamma((n - 1) / 2), rel=1e-13)
    assert np.isnan(c4_of_degrees_of_freedom(nan))


@pytest.mark.parametrize("n", [2, 3, 5, 10, 60, 1000])
def test_moments_of_the_range_are_those_of_an_integral_by_scipy(n: int) -> None:
    """E(W) = ∫ 1 − Φⁿ − (1 − Φ)ⁿ dx (Tippett 1925), the second moment twice the same over pairs of places."""
    phi = stats.norm.cdf
    mean, _ = integrate.quad(lambda x: 1 - phi(x) ** n - stats.norm.sf(x) ** n, -12, 12, limit=200, epsabs=1e-13)
    assert d2(n) == pytest.approx(mean, rel=1e-10)
    x = np.linspace(-9.5, 9.5, 761)
    lower, upper = np.meshgrid(x, x, indexing="ij")
    # P(smallest ≤ x, largest > y) for x < y
    inside = np.clip(phi(upper) - phi(lower), 0, None)
    both = (1 - phi(upper) ** n - stats.norm.sf(lower) ** n + inside**n) * (upper > lower)
    both += np.diag(0.5 * (1 - phi(x) ** n - stats.norm.sf(x) ** n))
    second = 2 * both.sum() * (x[1] - x[0]) ** 2
    assert d3(n) == pytest.approx(sqrt(second - mean**2), rel=3e-4)


def test_variance_of_the_moving_range_by_its_covariances() -> None:
    # moving ranges |z1|, |z2| of unit variance 2 and correlation −1/2: E|z1·z2| by the angle between them, integrated
    angle = np.linspace(0, 2 * pi, 200_001)[:-1]
    product_mean = 2 * 2 * np.abs(np.cos(angle) * np.cos(angle + 2 * pi / 3)).mean()
    variance, covariance = 2 - 4 / pi, product_mean - 4 / pi
    for n in (2, 3, 7, 40):
        wanted = ((n - 1) * variance + 2 * (n - 2) * covariance) / (n - 1) ** 2 / (4 / pi)
        assert float(moving_range_relative_variance(n)) == pytest.approx(wanted, rel=1e-8)


def test_degrees_of_freedom_are_solved_to_their_last_digits_alone_and_beside_others() -> None:
    nu = np.array([0.02, 0.4, 1.0, 3.7, 24.0, 310.0, 1e5])
    relative = 1 / c4_of_degrees_of_freedom(nu) ** 2 - 1
    assert degrees_of_freedom_of_relative_variance(relative) == pytest.approx(nu, rel=1e-9)
    beside = degrees_of_freedom_of_relative_variance(relative)
    alone = [float(degrees_of_freedom_of_relative_variance(one)) for one in relative]
    assert beside.tolist() == alone


# fractions


@pytest.mark.parametrize(("quality", "n"), [(0.0, 2), (1.0, 2), (-1.0, 3), (0.3, 5), (-2.5, 9), (4.0, 30), (0.05, 400)])
def test_limits_of_a_fraction_give_what_was_seen_its_tail(quality: float, n: int) -> None:
    for confidence in (0.95, 0.8):
        found = normal_fraction(quality, n, confidence)
        assert found.estimate == pytest.approx(stats.norm.sf(quality), rel=1e-12)
        for fraction, p in ((found.low, (1 - confidence) / 2), (found.high, (1 + confidence) / 2)):
            seen = stats.nct.cdf(quality * sqrt(n), n - 1, stats.norm.isf(fraction) * sqrt(n))
            assert seen == pytest.approx(p, abs=1e-6)
        assert found.low < found.estimate < found.high
        mirrored = normal_fraction(-quality, n, confidence)
        assert (mirrored.low, mirrored.high) == pytest.approx((1 - found.high, 1 - found.low), abs=1e-9)


def test_fraction_far_beyond_or_far_inside_a_limit_is_one_or_none() -> None:
    for quality in (30.0, 200.0):
        far, near = normal_fraction(-quality, 50), normal_fraction(quality, 50)
        assert (far.low, far.high) == pytest.approx((1.0, 1.0))
        assert (near.low, near.high) == pytest.approx((0.0, 0.0), abs=1e-12)


def test_fraction_beyond_one_limit_and_two() -> None:
    n, mean, s = 12, 35.1, 0.2
    below, above = normal_fraction((35.1 - 34.8) / 0.2, n), normal_fraction((35.6 - 35.1) / 0.2, n)
    low = fraction_outside(n, mean, s, 34.8, None)
    assert (low.below, low.above, low.total, low.reason) == pytest.approx((below.estimate, None, below.estimate, None))
    assert (low.interval, low.conservative) == (pytest.approx((below.low, below.high)), False)
    high = fraction_outside(n, mean, s, None, 35.6)
    assert (high.below, high.above, high.total) == pytest.approx((None, above.estimate, above.estimate))
    assert (high.interval, high.conservative) == (pytest.approx((above.low, above.high)), False)
    for confidence, half in ((0.95, 0.975), (0.8, 0.9)):
        sides = [normal_fraction(q, n, half) for q in (1.5, 2.5)]
        two = fraction_outside(n, mean, s, 34.8, 35.6, confidence)
        assert two.total == pytest.approx(below.estimate + above.estimate)
        assert two.interval == pytest.approx((max(p.low for p in sides), sum(p.high for p in sides)))
        assert two.conservative
    # two sides that may each hold nearly everything are no more than everything
    assert fraction_outside(2, 35.0, 1.0, 34.9, 35.1).interval[1] == 1.0  # type: ignore[index]
    assert fraction_outside(2, 35.0, 0.1, 34.0, None).total is not None


def test_fraction_has_its_reasons_at_their_edges() -> None:
    for arguments, reason in (
        ((5, None, 0.1, 34.0, None), "one part has no standard deviation"),
        ((5, 35.0, None, 34.0, None), "one part has no standard deviation"),
        ((1, 35.0, 0.1, 34.0, None), "one part has no standard deviation"),
        ((0, None, None, 34.0, 36.0), "no part was measured"),
        ((5, 35.0, 0.1, 34.0, 34.0), "the lower limit 34.0 is not below the upper limit 34.0"),
        ((5, 1.0, 1e-12, 0.5, None), "all part means are equal, so the standard deviation is zero"),
        ((5, -1.0, 1e-12, None, 0.5), "all part means are equal, so the standard deviation is zero"),
        ((5, 1e-3, 1e-15, None, 0.5), "all part means are equal, so the standard deviation is zero"),
    ):
        found = fraction_outside(*arguments)  # type: ignore[arg-type]
        assert (found.reason, found.total, found.interval, found.conservative) == (reason, None, None, False)
    for mean in (1.0, -1.0):
        assert fraction_outside(5, mean, 1.1e-12, mean - 1e-12, None).reason is None
    assert fraction_outside(5, 1e-3, 1e-10, 0.0, None).reason is None


@pytest.mark.parametrize("n", [2, 5, 30])
def test_far_beyond_a_limit_the_fraction_is_nothing_or_everything_and_near_it_that_of_noncentral_t(n: int) -> None:
    # the true distance of which nothing but the deviation's own error is known, at both ends of the interval
    ends = np.sqrt(stats.chi2.ppf([0.025, 0.975], n - 1) / (n - 1))
    for quality in (61 / ends[0], 1e7, 1e300):  # both ends are taken without noncentral t
        assert normal_fraction(quality, n) == NormalFraction(0.0, 0.0, 0.0)
        assert normal_fraction(-quality, n) == NormalFraction(1.0, 1.0, 1.0)
    for quality in (
        59 / ends[1],
        61 / ends[1],
    ):  # just inside and just outside, where the nearer end still says something
        found = normal_fraction(quality, n)
        low, high = (found.low, found.high)
        assert low == 0.0
        # the end that is near is the distance at which SciPy's own distribution gives the quality seen its probability
        z = float(stats.norm.isf(high))
        assert stats.nct.cdf(quality * sqrt(n), n - 1, z * sqrt(n)) == pytest.approx(0.975, abs=1e-6)


def test_interval_of_a_count_is_that_of_another_implementation_at_every_count() -> None:
    for values in (1, 2, 7):
        for count in range(values + 1):
            for confidence in (0.95, 0.8):
                share, interval = observed_fraction(count, values, confidence)
                exact = stats.binomtest(count, values).proportion_ci(confidence, method="exact")
                assert (share, *interval) == pytest.approx((count / values, exact.low, exact.high), rel=1e-9)
    for outside, values in ((0, 0), (-1, 3), (4, 3), (0, -1)):
        with pytest.raises(ValueError, match="no count"):
            observed_fraction(outside, values)
    assert observed_fraction(1, 2)[1] == observed_fraction(1, 2, 0.95)[1]


# moments


def test_pooling_takes_a_deviation_of_nothing_and_refuses_one_below() -> None:
    found = pooled_deviation([0.0, 0.4], [1, 3])
    assert (found.standard_deviation, found.degrees_of_freedom) == pytest.approx((sqrt(3 * 0.16 / 4), 4.0))
    assert found.reason is None
    assert pooled_deviation([0.3], [1]).standard_deviation == pytest.approx(0.3)
    nothing = pooled_deviation([], [])
    assert (nothing.standard_deviation, nothing.degrees_of_freedom) == (None, 0.0)
    for s, nu in (([-0.1, 0.2], [1, 1]), ([0.1, 0.2], [1, -1])):
        with pytest.raises(ValueError, match="not negative"):
            pooled_deviation(s, nu)
    for s, nu in (([0.1, nan], [1, 1]), ([0.1, 0.2], [1, inf])):
        with pytest.raises(ValueError, match="finite"):
            pooled_deviation(s, nu)
