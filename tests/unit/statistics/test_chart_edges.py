"""Charts and changes of level at their edges: what is noise, which point is beyond, how few values are too few."""

from __future__ import annotations

from math import inf, nan, sqrt

import numpy as np
import pytest
from one_by_one import cusums, xbar_range, xbar_standard_deviation

from pipeline.statistics.change_points import change_points
from pipeline.statistics.charts import cusum_path, ewma, ewma_path, individuals, summarised_subgroups
from pipeline.statistics.constants import c4, d2, d3

# charts


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_moving_range_up_to_the_noise_of_the_largest_value_is_none(sign: float) -> None:
    for step, reason in ((0.9e-12, "all values are equal, so the moving range is zero"), (1.1e-12, None)):
        chart = individuals([sign, sign * (1 + step), sign])
        assert (chart.reason, chart.sigma is None) == (reason, reason is not None)
        groups = [[sign, sign * (1 + step)], [sign / 4, sign / 4 + step]]
        # a range of e is e/d2(2) of sigma, so subgroups are noise up to 1e-12 of that
        for study in (xbar_range, xbar_standard_deviation):
            wide = [[group[0], group[0] + (group[1] - group[0]) * d2(2)] for group in groups]
            assert (study(wide).sigma is None) == (reason is not None)
    assert individuals([0.0, 0.0]).reason == "all values are equal, so the moving range is zero"
    assert individuals([1.0, 2.0]).reason is None


def test_limits_of_single_values_by_hand() -> None:
    chart = individuals([35.0, 35.4, 35.1, 34.6])
    sigma = (0.4 + 0.3 + 0.5) / 3 / (2 / sqrt(np.pi))
    assert (chart.kind, chart.centre, chart.sigma) == ("individuals", pytest.approx(35.025), pytest.approx(sigma))
    assert chart.points.row(0)[:5] == pytest.approx((1, 35.0, 35.025, 35.025 - 3 * sigma, 35.025 + 3 * sigma))
    assert chart.spread is not None
    assert chart.spread["place"].to_list() == [2, 3, 4]
    assert chart.spread["value"].to_list() == pytest.approx([0.4, 0.3, 0.5])
    upper = sigma * (d2(2) + 3 * d3(2))
    assert chart.spread.row(0)[2:] == pytest.approx((sigma * d2(2), 0.0, upper, False))
    none = individuals([35.0])
    assert (none.kind, none.spread.height if none.spread is not None else None) == ("individuals", 0)
    assert individuals([35.0, 35.0]).spread["place"].to_list() == [2]  # type: ignore[index]


@pytest.mark.parametrize("kind", ["xbar_range", "xbar_standard_deviation"])
def test_limits_of_subgroups_by_hand(kind: str) -> None:
    groups = [[35.1, 35.3, 34.9, 35.2], [35.0, 35.4], [34.8, 35.0, 35.1, 35.3, 34.6, 35.0, 35.2, 35.1]]
    study = xbar_range if kind == "xbar_range" else xbar_standard_deviation
    sizes = np.array([4, 2, 8])
    if kind == "xbar_range":
        spreads = [np.ptp(group) for group in groups]
        expected, scatter = (np.array([f(int(n)) for n in sizes]) for f in (d2, d3))
    else:
        spreads = [np.std(group, ddof=1) for group in groups]
        expected = np.array([c4(int(n)) for n in sizes])
        scatter = np.sqrt(1 - expected**2)
    sigma = np.average(spreads / expected, weights=(expected / scatter) ** 2)
    frozen = study(groups, centre=36.0, sigma=0.05)
    for chart, centre, s in ((study(groups), np.mean(np.concatenate(groups)), sigma), (frozen, 36.0, 0.05)):
        assert (chart.kind, chart.reason) == (kind, None)
        assert (chart.centre, chart.sigma) == (pytest.approx(centre), pytest.approx(s))
        assert chart.spread is not None
        wanted = {
            "centre": [centre] * 3, "lower": centre - 3 * s / np.sqrt(sizes), "upper": centre + 3 * s / np.sqrt(sizes)
        }  # fmt: skip
        for name, numbers in wanted.items():
            assert chart.points[name].to_list() == pytest.approx(list(numbers))
        assert chart.spread["value"].to_list() == pytest.approx(spreads)
        assert chart.spread["centre"].to_list() == pytest.approx(list(expected * s))
        assert chart.spread["lower"].to_list() == pytest.approx(list(np.maximum(0, expected - 3 * scatter) * s))
        assert chart.spread["upper"].to_list() == pytest.approx(list((expected + 3 * scatter) * s))
        assert chart.points["place"].to_list() == chart.spread["place"].to_list() == [1, 2, 3]
    assert all(frozen.points["beyond"])
    same = summarised_subgroups(kind, sizes, [np.mean(g) for g in groups], spreads, largest=35.4)
    assert (same.kind, same.sigma) == (kind, pytest.approx(sigma))
    # the largest value decides what is noise
    assert summarised_subgroups(kind, sizes, [1.0, 1.0, 1.0], spreads, largest=2e12 * sigma).sigma is None
    assert summarised_subgroups(kind, sizes, [1.0, 1.0, 1.0], spreads, largest=0.5e12 * sigma).sigma is not None
    assert summarised_subgroups(kind, [2], [1.0], [0.0], largest=0.0).sigma is None


@pytest.mark.parametrize(
    ("groups", "message"),
    [([[1.0, 2.0], [3.0]], "at least two"), ([], "at least two"), ([[1.0, nan]], "finite")],
)  # fmt: skip
def test_subgroups_that_are_none(groups: list[list[float]], message: str) -> None:
    for study in (xbar_range, xbar_standard_deviation):
        with pytest.raises(ValueError, match=message):
            study(groups)
    for sizes in ([1, 3], []):
        with pytest.raises(ValueError, match="at least two"):
            summarised_subgroups("xbar_range", sizes, [1.0] * len(sizes), [1.0] * len(sizes), largest=1.0)
    for half in ({"centre": 1.0}, {"sigma": 1.0}):
        with pytest.raises(ValueError, match="both"):
            individuals([1.0, 2.0], **half)


def test_weighted_averages_by_a_loop_and_their_limits() -> None:
    x = np.array([35.2, 36.5, 34.8, 35.0])
    for weight, width in ((0.3, 2.5), (1.0, 0.5)):
        chart = ewma(x, target=35.0, sigma=0.4, weight=weight, width=width)
        far = ewma(x, target=35.0, sigma=0.4, weight=weight, width=width, asymptotic=True)
        z, spread = 35.0, 0.0
        for place, value in enumerate(x):
            z, spread = weight * value + (1 - weight) * z, weight**2 + (1 - weight) ** 2 * spread
            row = chart.points.row(place, named=True)
            half = width * 0.4 * sqrt(spread)
            assert row["place"] == place + 1
            assert (row["value"], row["lower"], row["upper"]) == pytest.approx((z, 35 - half, 35 + half))
            assert far.points["upper"][place] == pytest.approx(35 + width * 0.4 * sqrt(weight / (2 - weight)))
    usual = ewma(x, target=35.0, sigma=0.4)
    assert usual.points["upper"][0] == pytest.approx(35 + 3 * 0.4 * 0.2)
    assert (usual.kind, usual.centre, usual.sigma, usual.spread) == ("ewma", 35.0, 0.4, None)
    assert ewma_path(np.array([1.0, 1.0]), 0.5).tolist() == [0.5, 0.75]
    for bad in ({"weight": 0.0}, {"weight": 1.5}, {"width": 0.0}, {"weight": -0.1}, {"sigma": 0.0}):
        with pytest.raises(ValueError, match="above zero"):
            ewma(x, **({"target": 35.0, "sigma": 0.4} | bad))


def test_cumulative_sums_start_again_at_nought() -> None:
    high, low = cusums([37.0, 36.0, 35.0, 33.0, 32.0, 35.0], target=35.0, reference_value=0.5)
    assert high.tolist() == [1.5, 2.0, 1.5, 0.0, 0.0, 0.0]
    assert low.tolist() == [0.0, 0.0, 0.0, 1.5, 4.0, 3.5]
    assert cusum_path(np.array([1.0, -3.0, 0.25])).tolist() == [1.0, 0.0, 0.25]


# changes of level


def test_place_of_a_change_is_that_of_the_largest_difference_of_means() -> None:
    rng = np.random.default_rng(1977)
    for _ in range(12):
        x = rng.normal(35, 0.3, 11)  # too short for a second change
        t = [abs(x[k:].mean() - x[:k].mean()) / sqrt(1 / k + 1 / (11 - k)) for k in range(4, 8)]
        found = change_points(x, significance=0.9999, permutations=99)
        assert [change.place for change in found] == [4 + int(np.argmax(t))]
        place = found[0].place
        means = x[:place].mean(), x[place:].mean()
        assert (found[0].before, found[0].after) == pytest.approx(means)
        assert found[0].shift == pytest.approx(means[1] - means[0])
        mirrored = change_points(-x, significance=0.9999, permutations=99)[0]
        assert (mirrored.place, mirrored.shift, mirrored.p_value) == (
            place,
            pytest.approx(-found[0].shift),
            found[0].p_value,
        )


def test_pieces_on_both_sides_of_a_change_are_looked_at() -> None:
    noise = np.tile([0.0, 0.1], 24)
    levels = np.repeat([0.0, 1.0, 5.0, 6.0], 12)
    assert [change.place for change in change_points(levels + noise)] == [12, 24, 36]


def test_p_of_a_change_is_the_share_of_orders_that_reach_it() -> None:
    # of the 70 ways to lay out four low and four high values two part them
    (change,) = change_points([0.0] * 4 + [1.0] * 4, significance=0.5)
    assert change.place == 4
    assert change.p_value == pytest.approx(2 / 70, abs=0.02)
    assert change_points([0.0] * 4 + [1.0] * 4) == ()
    # no difference at all is reached by every order
    assert change_points([0.0, 1.0] * 4, significance=0.999, permutations=199) == ()


def test_p_of_a_change_that_no_order_reaches_is_that_of_the_permutations() -> None:
    x = np.r_[np.zeros(20), np.ones(20)] + 1e-3 * np.arange(40) % 2e-3
    for permutations, asked in ((99, 199), (199, 199), (299, 299), (999, 999)):
        assert [c.p_value for c in change_points(x, permutations=permutations)] == [1 / (asked + 1)]
    assert [c.p_value for c in change_points(x)] == [1 / 1000]
    # at the significance itself it is a change, below it is none
    assert len(change_points(x, significance=1 / 200, permutations=199)) == 1
    assert change_points(x, significance=0.999 / 200, permutations=199) == ()
    # a long series is permuted less often
    long = np.r_[np.zeros(4500), np.full(4500, 9.0)] + np.tile([0.0, 0.5, 0.0], 3000)
    assert [(c.place, c.p_value) for c in change_points(long)] == [(4500, 1 / 445)]


def test_least_values_on_either_side_of_a_change() -> None:
    for low, high in ((4, 12), (12, 4)):
        x = [0.0] * low + [1.0] * high
        assert [c.place for c in change_points(x, significance=0.05)] == [low]
        assert [c.place for c in change_points(x, significance=0.05, least=5)] != [low]
    assert [c.place for c in change_points([0.0] * 30 + [9.0], significance=0.1, least=1)] == [30]


def test_how_many_orders_are_drawn_at_once_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    x = np.r_[np.zeros(8), np.full(8, 0.8)] + np.tile([0.0, 1.0], 8)
    together = change_points(x, significance=0.9)
    assert together[0].p_value > 0.01
    for at_once in (1, 50, 16 * 998):
        monkeypatch.setattr("pipeline.statistics.change_points._CHUNK", at_once)
        assert change_points(x, significance=0.9) == together


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_change_within_the_noise_of_the_values_is_none(sign: float) -> None:
    for e, count in ((0.9e-12, 0), (1.1e-12, 1)):
        assert len(change_points([sign] * 10 + [sign * (1 + 2 * e)] * 10)) == count
        # the few lie three times as far from the mean as the many
        for side in (1.0, -1.0):
            assert len(change_points([sign] * 15 + [sign * (1 + side * 4 / 3 * e)] * 5)) == count


@pytest.mark.parametrize(
    "bad",
    [{"significance": 0.0}, {"significance": 1.0}, {"least": 0}, {"permutations": 98}, {"values": [1.0, inf]}, {"values": [[1.0]]}],
)  # fmt: skip
def test_changes_asked_for_without_sense(bad: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"expected 0 < significance|one row of finite"):
        change_points(**({"values": [1.0, 2.0]} | bad))  # type: ignore[arg-type]
