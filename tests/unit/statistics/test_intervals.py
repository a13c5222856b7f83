"""Factors of tolerance intervals, intervals of a lot's parts, the index about a target: by definition, in simulation, at their edges."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy import integrate, optimize, stats

from pipeline.statistics.intervals import cpm, mean_interval, tolerance_interval
from pipeline.statistics.tolerance_factors import one_sided_factor, two_sided_factor

if TYPE_CHECKING:
    from collections.abc import Callable

# factors: ISO 16269-6 defines them; here with SciPy's distributions


@pytest.mark.parametrize(("n", "coverage", "confidence"), [(2, 0.9, 0.95), (10, 0.99, 0.9), (43, 0.9, 0.99), (10, 0.3, 0.6)])  # fmt: skip
def test_one_sided_factor_is_a_quantile_of_noncentral_t(n: int, coverage: float, confidence: float) -> None:
    k = one_sided_factor(n, coverage, confidence)
    assert stats.nct.cdf(k * math.sqrt(n), n - 1, stats.norm.ppf(coverage) * math.sqrt(n)) == pytest.approx(confidence, abs=1e-8)  # fmt: skip


@pytest.mark.parametrize(("n", "coverage", "confidence"), [(2, 0.9, 0.95), (5, 0.99, 0.5), (43, 0.9, 0.99), (10, 0.3, 0.2)])  # fmt: skip
def test_two_sided_factor_holds_its_part_with_its_confidence(n: int, coverage: float, confidence: float) -> None:
    k = two_sided_factor(n, coverage, confidence)

    def reached(x: float) -> float:
        half = optimize.brentq(lambda r: stats.norm.cdf(x + r) - stats.norm.cdf(x - r) - coverage, 0.0, 20.0)
        density = math.sqrt(n) * stats.norm.pdf(x * math.sqrt(n))
        return float(stats.chi2.sf((n - 1) * half**2 / k**2, n - 1) * density)

    edge = 8.0 / math.sqrt(n)
    assert integrate.quad(reached, -edge, edge, epsabs=1e-9)[0] == pytest.approx(confidence, abs=1e-7)


@pytest.mark.parametrize("factor", [one_sided_factor, two_sided_factor])  # fmt: skip
def test_a_factor_of_nothing_is_refused(factor: Callable[[int, float, float], float]) -> None:
    with pytest.raises(ValueError, match="at least 2"):
        factor(1, 0.9, 0.95)
    for coverage, confidence in ((0.0, 0.9), (1.0, 0.9), (0.9, 0.0), (0.9, 1.0)):
        with pytest.raises(ValueError, match="between 0 and 1"):
            factor(10, coverage, confidence)
    assert factor(10, 0.001, 0.5) < factor(10, 0.9, 0.5) < factor(10, 0.9, 0.9)


# intervals


@pytest.mark.parametrize(("n", "confidence"), [(2, 0.5), (7, 0.9), (7, 0.999)])
def test_a_mean_has_the_interval_of_a_reference_library(n: int, confidence: float) -> None:
    low, high = stats.t.interval(confidence, n - 1, loc=58.0, scale=0.3 / np.sqrt(n))
    assert mean_interval(n, 58.0, 0.3, confidence=confidence) == pytest.approx((low, high), rel=1e-12)


def test_a_tolerance_interval_holds_its_part_of_the_population() -> None:
    """95 of 100 such intervals hold at least 95 % (the definition of ISO 16269-6), on two sides and on one."""
    rng = np.random.default_rng(21)
    x = rng.normal(size=(4000, 12))
    mean, s = x.mean(axis=1), x.std(axis=1, ddof=1)
    for side in ("both", "lower", "upper"):
        low, high = tolerance_interval(12, 0.0, 1.0, side=side, coverage=0.95, confidence=0.95)
        assert (low is None, high is None) == (side == "upper", side == "lower")
        above = 1.0 if high is None else stats.norm.cdf(mean + high * s)
        below = 0.0 if low is None else stats.norm.cdf(mean + low * s)
        # binomial standard error 0.0034
        assert float(np.mean(above - below >= 0.95)) == pytest.approx(0.95, abs=0.012), side
        ends = tolerance_interval(12, 58.0, 0.3, side=side, coverage=0.95, confidence=0.95)
        assert ends == tuple(None if end is None else pytest.approx(58.0 + 0.3 * end) for end in (low, high))


@pytest.mark.parametrize("off", [-2.0, 0.0, 0.5])
@pytest.mark.parametrize(("n", "confidence"), [(2, 0.95), (25, 0.8)])
def test_cpm_is_cp_at_the_target_and_less_beside_it(off: float, n: int, confidence: float) -> None:
    """Cpm = Cp/√(1 + ξ²) (NIST/SEMATECH e-Handbook 6.1.6); the interval by the chi-square of Boyles, with the moments of a noncentral one."""
    index, (low, high) = cpm(n, 58.5 + 0.1 * off, 0.1, 57.5, 59.0, 58.5, confidence=confidence)
    assert index == pytest.approx(1.5 / 0.6 / math.sqrt(1 + off**2))
    mean, variance = stats.ncx2.stats(n, n * off**2) if off else stats.chi2.stats(n)
    nu = 2 * mean**2 / variance
    for limit, p in ((low, (1 - confidence) / 2), (high, (1 + confidence) / 2)):
        assert limit == pytest.approx(index * math.sqrt(stats.chi2.ppf(p, nu) / nu))


@pytest.mark.parametrize(("n", "off"), [(10, 0.0), (10, 1.0), (30, 0.0), (30, 0.5), (30, 2.0)])
def test_the_interval_of_cpm_holds_the_true_index(n: int, off: float) -> None:
    rng = np.random.default_rng(22)
    x = rng.normal(off, 1.0, size=(2000, n))
    true = 8.0 / (6.0 * np.sqrt(1.0 + off**2))
    held = 0
    for mean, s in zip(x.mean(axis=1), x.std(axis=1, ddof=1), strict=True):
        low, high = cpm(n, float(mean), float(s), -4.0, 4.0, 0.0, confidence=0.95)[1]
        held += low <= true <= high
    assert 0.92 <= held / 2000 <= 0.97


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: mean_interval(1, 1.0, 0.1, confidence=0.9), "at least 2"),
        *((lambda c=c: mean_interval(5, 1.0, 0.1, confidence=c), "between 0 and 1") for c in (0.0, 1.0, 1.5)),
        *((lambda t=t: cpm(5, 1.0, 0.1, 0.0, 2.0, t, confidence=0.9), "between the limits") for t in (0.0, 2.0)),
        (lambda: cpm(5, 1.0, 0.0, 0.0, 2.0, 1.0, confidence=0.9), "above zero"),
        (lambda: cpm(1, 1.0, 0.1, 0.0, 2.0, 1.0, confidence=0.9), "at least 2"),
        (lambda: cpm(5, 1.0, 0.1, 0.0, 2.0, 1.0, confidence=1.0), "between 0 and 1"),
    ],
)
def test_bad_use_is_refused(call: Callable[[], object], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        call()
