"""Two groups in a lot against a plain loop over all cuts, what is called and what is not, and which values are noise."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest
from one_by_one import two_groups
from scipy import optimize, stats

from pipeline.statistics import grouping
from pipeline.statistics.grouping import two_groups_by_lot, two_groups_of_lots
from pipeline.statistics.normality import anderson_darling, anderson_darling_by_lot


def by_loop(values: list[float]) -> dict[str, float | int | bool]:
    """The figures of the heading of `grouping`, cut by cut, with SciPy's distributions."""
    x, n = np.sort(values), len(values)
    cuts = [float(((x[:k] - x[:k].mean()) ** 2).sum() + ((x[k:] - x[k:].mean()) ** 2).sum()) for k in range(1, n)]
    k = int(np.argmin(cuts)) + 1
    steps = np.diff(x)
    floor = n * min(steps[steps > 0]) ** 2 / 12
    within, total = min(cuts) + floor, float(((x - x.mean()) ** 2).sum()) + floor
    deviation = math.sqrt(within / (n - 2))
    statistic = math.log(total / within)
    z = math.sqrt(n - 2) * (statistic + math.log(1 - 2 / math.pi) - 2.4 / (n - 2))
    # z of the heading is c + (1.85/n)·(c² − 1); left of the vertex of that parabola there is no c
    vertex = -n / 3.7
    skewed = lambda c: c + 1.85 / n * (c * c - 1) - z  # noqa: E731
    corrected = optimize.brentq(skewed, vertex, 60.0, xtol=1e-14) if skewed(vertex) < 0 else vertex
    p = float(stats.norm.sf(corrected))
    if 1 in (k, n - k):
        distance = (x[k:].mean() - x[:k].mean()) / deviation
        p = min(p, 2 * n * float(stats.t.sf(distance / math.sqrt(n / (n - 1)), n - 2)))
    separation = (x[k:].mean() - x[:k].mean()) / deviation
    return {
        "values": n,
        "lower_count": k,
        "lower_mean": float(x[:k].mean()),
        "upper_mean": float(x[k:].mean()),
        "within_standard_deviation": deviation,
        "separation": separation,
        "statistic": statistic,
        "p_value": min(1.0, 2 * p),
        "found": min(1.0, 2 * p) < 1e-3 and separation >= 4,
    }


def drawn() -> list[list[float]]:
    """Lots of one kind, of two kinds, with one part apart on either side, in steps, and with parts far out on both sides."""
    rng = np.random.default_rng(1969)
    lots = []
    for n in (6, 7, 9, 12, 20, 60, 200):
        one = rng.normal(35, 0.3, n)
        lots += [one, np.round(one, 1), np.round(one + (np.arange(n) < n // 3) * 0.9, 2)]
        lots += [np.r_[one[:-1], 35 + side * away] for side in (-1, 1) for away in (1.2, 2.5, 9.0)]
        lots += [one + (np.arange(n) < n // 2) * apart for apart in (1.2, 1.5, 3.0)]
        lots += [np.r_[34.0, 36.0, np.full(n - 2, 35.0) + 0.01 * rng.normal(size=n - 2)]]
    return [lot.tolist() for lot in lots]


def test_groups_are_those_of_a_loop_over_all_cuts() -> None:
    lots = drawn()
    calls = set()
    for values in lots:
        wanted, found = by_loop(values), two_groups(values)
        assert found.reason is None
        for name, number in wanted.items():
            assert getattr(found, name) == (pytest.approx(number, rel=1e-6) if isinstance(number, float) else number), (
                name
            )
        calls.add((wanted["p_value"] < 1e-3, 4 <= wanted["separation"] < 5, wanted["separation"] >= 4))
    # every side of both limits was among them, and lots just above the least separation
    assert calls >= {(True, True, True), (True, False, True), (True, False, False), (False, False, False)}


def test_a_p_at_the_limit_is_not_called_and_a_separation_at_the_limit_is(monkeypatch: pytest.MonkeyPatch) -> None:
    values = [34.0, 34.01, 34.02, 34.03, 36.0, 36.01, 36.02, 36.03]
    found = two_groups(values)
    assert found.found
    for name, limit, called in (
        ("CALLED_BELOW", found.p_value, False),
        ("CALLED_BELOW", found.p_value * (1 + 1e-9), True),
        ("LEAST_SEPARATION", found.separation, True),
        ("LEAST_SEPARATION", found.separation * (1 + 1e-9), False),
    ):
        with monkeypatch.context() as patch:
            patch.setattr(grouping, name, limit)
            assert two_groups(values).found is called


def test_six_values_are_tested_and_five_are_not() -> None:
    five = two_groups([35.0, 35.1, 35.2, 36.0, 36.1])
    assert (five.values, five.found, five.p_value) == (5, None, None)
    assert five.reason == "5 parts; at least 6 are needed to look for groups"
    assert two_groups([35.0, 35.1, 35.2, 36.0, 36.1, 36.2]).reason is None
    assert two_groups_by_lot(pl.DataFrame(schema={"lot": pl.String, "mean": pl.Float64})) == {}


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_values_apart_by_less_than_the_noise_of_their_size_are_equal(sign: float) -> None:
    # half the parts at 1, half at 1 + 2e: the standard deviation is e, noise up to 1e-12 of the values
    for scatter, reason in ((0.9e-12, "all part means are equal"), (1.1e-12, None)):
        assert two_groups([sign] * 4 + [sign * (1.0 + 2 * scatter)] * 4).reason == reason
    assert two_groups([0.0] * 8).reason == "all part means are equal"
    # of two kinds without any scatter the statistic is that of the floor alone
    assert two_groups([0.0] * 4 + [1.0] * 4).within_standard_deviation == pytest.approx(math.sqrt(8 / 12 / 6))


def test_a_lot_without_name_is_a_lot_and_comes_last() -> None:
    rng = np.random.default_rng(2)
    values = {None: rng.normal(35, 0.3, 9).tolist(), "B": rng.normal(24, 0.3, 7).tolist(), "A": [1.0, 2.0]}
    frame = pl.DataFrame([(lot, x) for lot, row in values.items() for x in row], schema=["lot", "mean"], orient="row")
    found = two_groups_of_lots(frame)
    assert found["lot"].to_list() == ["A", "B", None]
    assert found["lower_mean"].to_list() == pytest.approx(
        [None, *(two_groups(values[lot]).lower_mean for lot in ("B", None))]
    )
    assert two_groups_of_lots(frame.clear()).schema == found.schema


def test_a_lot_is_cut_alike_beside_one_that_spreads_a_million_million_times_more() -> None:
    rng = np.random.default_rng(3)
    small = (35 + 1e-3 * rng.normal(size=12)).tolist()
    frame = pl.DataFrame({"lot": ["A"] * 300 + ["B"] * 12, "mean": [*(1e9 * rng.normal(size=300)), *small]})
    together, alone = two_groups_of_lots(frame).row(1, named=True), two_groups(small)
    assert together["lower_count"] == alone.lower_count
    assert together["statistic"] == pytest.approx(alone.statistic, rel=1e-9)


def test_what_is_found_of_many_lots_at_once_is_found_of_each_alone_to_the_last_digit() -> None:
    rng = np.random.default_rng(4)
    lots = {f"L{n:03}": rng.normal(rng.uniform(10, 60), rng.uniform(0.01, 2), n % 30 + 1).tolist() for n in range(200)}
    frame = pl.DataFrame([(lot, x) for lot, row in lots.items() for x in row], schema=["lot", "mean"], orient="row")
    assert two_groups_by_lot(frame) == {lot: two_groups(row) for lot, row in lots.items()}
    assert anderson_darling_by_lot(frame) == {lot: anderson_darling(row) for lot, row in lots.items()}
