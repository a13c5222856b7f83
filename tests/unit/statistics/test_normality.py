"""The test of normality: other implementations, a loop over its definition, false alarms, and its edges. Invented numbers."""

from __future__ import annotations

import warnings
from math import exp, log, nan, sqrt

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.statistics.normality import anderson_darling, anderson_darling_of_lots

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


def by_loop(values: list[float]) -> tuple[float, float, float]:
    """A², its corrected form and p as the heading of `normality` cites them, value by value."""
    x, n = sorted(values), len(values)
    z = [(value - np.mean(x)) / np.std(x, ddof=1) for value in x]
    terms = [
        (2 * i + 1) * (stats.norm.logcdf(z[i]) + stats.norm.logsf(z[n - 1 - i])) for i in range(n)
    ]  # fmt: skip
    statistic = -n - sum(terms) / n
    a = statistic * (1 + 0.75 / n + 2.25 / n**2)
    if a < 0.2:
        p = 1 - exp(-13.436 + 101.14 * a - 223.73 * a**2)
    elif a < 0.34:
        p = 1 - exp(-8.318 + 42.796 * a - 59.938 * a**2)
    elif a < 0.6:
        p = exp(0.9177 - 4.279 * a - 1.38 * a**2)
    else:
        p = exp(1.2937 - 5.709 * a + 0.0186 * a**2)
    return float(statistic), float(a), float(p)


def test_normality_of_many_lots_is_that_of_a_loop_over_each() -> None:
    rng = np.random.default_rng(1986)
    lots: dict[str | None, list[float]] = {
        f"L{i}": rng.normal(-35, 0.2, int(rng.integers(8, 30))).tolist() for i in range(20)
    }
    lots |= {f"M{i}": rng.exponential(size=int(rng.integers(8, 60))).tolist() for i in range(12)}
    lots[None] = rng.normal(35, 0.2, 9).tolist()
    lots["few"], lots["equal"] = [1.0] * 7, [-35.1] * 9
    frame = pl.DataFrame([(lot, x) for lot, row in lots.items() for x in row], schema=["lot", "mean"], orient="row")
    found = anderson_darling_of_lots(frame.sample(fraction=1.0, shuffle=True, seed=3))
    assert found["lot"].to_list() == [*sorted(lot for lot in lots if lot is not None), None]
    pieces = set()
    for row in found.iter_rows(named=True):
        values = lots[row["lot"]]
        assert row["parts"] == len(values)
        if row["lot"] in ("few", "equal"):
            assert row["statistic"] is row["p_value"] is None
            continue
        statistic, a, p = by_loop(values)
        assert (row["statistic"], row["corrected_statistic"]) == pytest.approx((statistic, a), rel=1e-8)
        assert row["p_value"] == pytest.approx(p, rel=1e-6)
        pieces.add(sum(a >= edge for edge in (0.2, 0.34, 0.6)))
    assert pieces == {0, 1, 2, 3}


def test_p_of_normality_stays_at_the_vertex_of_its_last_parabola() -> None:
    vertex = 5.709 / (2 * 0.0186)
    for spread in (300, 360, 420, 900):
        x = np.r_[np.zeros(spread), np.full(spread, 1e3), np.arange(8.0)]
        found = anderson_darling(x)
        assert found.corrected_statistic is not None
        a = min(found.corrected_statistic, vertex)
        assert found.p_value is not None
        assert log(found.p_value) == pytest.approx(1.2937 - 5.709 * a + 0.0186 * a * a, rel=1e-9)
    assert found.corrected_statistic > vertex


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_eight_values_that_differ_by_more_than_noise_are_tested(sign: float) -> None:
    assert (anderson_darling([]).values, anderson_darling([]).reason) == (0, "no value")
    assert anderson_darling(list(range(7))).reason == "7 values; at least 8 are needed to test for normality"
    assert anderson_darling(list(range(8))).reason is None
    assert anderson_darling([0.0] * 8).reason == "all values are equal"
    small, whole = anderson_darling(sign * 1e-9 * np.arange(8.0)), anderson_darling(sign * np.arange(8.0))
    assert small.statistic == pytest.approx(whole.statistic)
    half = sqrt(7 / 8)  # half the values at 1, half at 1 + 2e: the standard deviation is e·√(8/7)
    for e, reason in ((0.9e-12, "all values are equal"), (1.1e-12, None)):
        assert anderson_darling([sign] * 4 + [sign * (1 + 2 * e * half)] * 4).reason == reason
    with pytest.raises(ValueError, match="finite"):
        anderson_darling([1.0] * 8 + [nan])
