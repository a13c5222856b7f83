"""Pattern rules by file, limits of processes, changes of level, agreement, lots together: against figures worked out here."""

from __future__ import annotations

from math import sqrt
from typing import Any

import numpy as np
import pytest
from scipy import special

from pipeline.statistics import change_points as module
from pipeline.statistics import patterns
from pipeline.statistics.agreement import agreement, normalised_errors
from pipeline.statistics.between_lots import lots_together
from pipeline.statistics.change_points import change_points
from pipeline.statistics.mean_squares import modified_large_sample_interval
from pipeline.statistics.process_control import SPREAD_RULE, ChartRules, chance_beyond, charted, process_limits
from pipeline.statistics.run_lengths import Pattern, pattern_run_length

USUAL = patterns.chosen(["beyond-limit", "same-side", "rising-falling"], {})


def rules(**given: object) -> ChartRules:
    return ChartRules(
        **{
            "spread": "standard_deviation",
            "limits": "between",
            "patterns": USUAL,
            "ewma_weight": 0.2,
            "ewma_width": 2.962,
            **given,
        }
    )  # type: ignore[arg-type]


def test_patterns_are_found_by_a_scan_and_each_names_its_source() -> None:
    found = patterns.find()
    assert list(found)[:3] == ["beyond-limit", "same-side", "rising-falling"]
    assert [(rule.id, rule.order, rule.points, rule.least) for rule in found.values()] == [
        ("beyond-limit", 1, None, 2), ("same-side", 2, 7, 2), ("rising-falling", 3, 7, 3), ("two-of-three", 4, None, 2),
        ("four-of-five", 5, None, 2), ("up-and-down", 6, 14, 4), ("close-to-centre", 7, 15, 2), ("far-from-centre", 8, 8, 2),
    ]  # fmt: skip
    # one point on the limit of the inner third completes none
    assert not any(rule.flag(np.ones(1), rule.points or 1).any() for rule in found.values())
    assert all("from memory" in rule.source and rule.title for rule in found.values())
    assert [(rule.id, n) for rule, n in USUAL] == [("beyond-limit", 1), ("same-side", 7), ("rising-falling", 7)]


def test_wrong_patterns_are_refused() -> None:
    with pytest.raises(ValueError, match="unknown pattern 'run'"):
        patterns.chosen(["run"], {})
    with pytest.raises(ValueError, match="at least 2 points"):
        patterns.chosen(["same-side"], {"same-side": 1})
    with pytest.raises(ValueError, match="no number of points"):
        patterns.chosen([], {"beyond-limit": 2})
    with pytest.raises(ValueError, match="finite"):
        patterns.hits([np.nan], USUAL)


def first_hits(hit: np.ndarray) -> np.ndarray:
    return np.argmax(hit, axis=-1) + 1


def test_a_process_in_control_alarms_as_often_as_stated(capsys: pytest.CaptureFixture[str]) -> None:
    """Seeded: run length in control with known limits beside the exact figure; then with limits from few subgroups.

    Exact: Markov chain of `run_lengths` for the patterns with a window; for a trend of 7 the chance that 7 independent
    points all rise or all fall, 2/7!, as the rate of a point (derived).
    """
    rng = np.random.default_rng(20260301)
    z = rng.normal(size=(3000, 1500))
    print_lines = []
    cases = {
        "beyond-limit": [Pattern(1, 1, 3.0)],
        "beyond-limit same-side": [Pattern(1, 1, 3.0), Pattern(7, 7, 0.0)],
    }
    for ids, exact_patterns in cases.items():
        exact = float(pattern_run_length(exact_patterns))
        hit = patterns.hits(z, patterns.chosen(ids.split(), {})).any(axis=0)
        # a series without a hit is cut off: alarms over points watched estimate the rate of a memoryless wait
        watched = np.where(hit.any(-1), first_hits(hit), z.shape[1])
        found = watched.sum() / hit.any(-1).sum()
        error = found / sqrt(hit.any(-1).sum())
        print_lines.append(f"{ids:40} exact {exact:8.2f}   simulated {found:8.2f} ± {error:.2f}")
        assert abs(found - exact) < 4 * error
    trend = patterns.hits(z, patterns.chosen(["rising-falling"], {}))[0][:, 6:]
    expected = 2 / 5040
    found = trend.mean()
    print_lines.append(f"{'rising-falling, a point':40} exact {expected:8.6f}   simulated {found:8.6f}")
    assert found == pytest.approx(expected, rel=0.06)
    every = patterns.hits(z, USUAL).any(axis=0)
    together = np.where(every.any(-1), first_hits(every), z.shape[1]).mean()
    print_lines.append(f"{'the three patterns of ISO 7870-2':40}                  simulated {together:8.2f}")
    for count in (8, 20, 50):
        base = rng.normal(size=(3000, count))
        sigma = np.abs(np.diff(base, axis=1)).mean(1) / 1.12838
        known = (z[:, :400] - base.mean(1)[:, None]) / sigma[:, None]
        rate = (np.abs(known) > 3).mean()
        print_lines.append(
            f"{f'beyond-limit, limits from {count} subgroups':40} one alarm in {1 / rate:.0f} points on average"
        )
        assert chance_beyond(count) == pytest.approx(rate, rel=0.12)
    with capsys.disabled():
        print("\nfalse alarms of a process in control")
        print("\n".join(print_lines))


def test_limits_from_between_and_within() -> None:
    x = np.array([[1.0, 3.0], [2.0, 6.0], [3.0, 5.0], [1.0, 5.0]])
    means, spreads = x.mean(1), x.std(1, ddof=1)
    found = process_limits(means, [2, 2, 2, 2], spreads, spread="standard_deviation")
    assert found.centre == pytest.approx(3.25)
    assert found.sigma == pytest.approx((2 + 0 + 1) / 3 / (2 / sqrt(np.pi)))
    assert found.within_sigma == pytest.approx(spreads.mean() / sqrt(2 / np.pi))
    by_range = process_limits(means, [2, 2, 2, 2], np.ptp(x, axis=1), spread="range")
    assert by_range.within_sigma == pytest.approx(3.0 / (2 / sqrt(np.pi)))
    between = charted(means, [2] * 4, spreads, [True] * 4, found, rules())
    assert between["upper"][0] == pytest.approx(3.25 + 3 * found.sigma)
    within = charted(means, [2] * 4, spreads, [True] * 4, found, rules(limits="within"))
    assert within["upper"][0] == pytest.approx(3.25 + 3 * found.within_sigma / sqrt(2)) == between["within_upper"][0]


def test_what_is_not_judged_breaks_no_rule_and_no_pattern() -> None:
    limits = process_limits([0.0, 1.0, 0.0, 1.0], [2] * 4, [1.0] * 4, spread="range")
    means = np.array([0.6, 0.7, 0.6, 50.0, 0.7, 0.6, 0.7, 0.6])
    judged = np.arange(8) != 3
    found = charted(means, [2] * 8, [1.0] * 8, judged, limits, rules())
    assert found["rules"].to_list() == [""] * 7 + ["same-side"]
    assert found["ewma"][3] is None
    spread = charted(means, [2] * 8, [1.0] * 7 + [9.0], judged, limits, rules(spread="range"))
    assert spread["rules"][7] == f"same-side {SPREAD_RULE}"


def test_no_limits_have_a_reason() -> None:
    equal = process_limits([5.0, 5.0, 5.0], [1, 1, 1], [0.0] * 3, spread="range")
    assert (equal.sigma, equal.within_sigma) == (None, None)
    assert equal.reason == "all values are equal, so the moving range is zero"
    assert equal.within_reason == "no subgroup has two parts"
    found = charted([5.0, 6.0], [1, 1], [0.0, 0.0], [True, True], equal, rules())
    assert found["z"].null_count() == found["ewma"].null_count() == 2
    assert found["rules"].to_list() == ["", ""]


def test_a_change_of_level_is_found_where_it_is() -> None:
    rng = np.random.default_rng(3)
    x = rng.normal(size=60)
    x[25:] += 3.0
    x[45:] -= 5.0
    first, second = change_points(x)
    assert (abs(first.place - 25) <= 1, abs(second.place - 45) <= 1) == (True, True)
    assert first.shift == pytest.approx(3.0, abs=0.7)
    assert second.shift == pytest.approx(-5.0, abs=0.7)
    assert first.after == pytest.approx(second.before)
    assert change_points(x) == (first, second)
    assert change_points(x * 1e6 + 1e9)[0].place == first.place
    assert change_points([1.0] * 40) == ()
    assert change_points(x[:7]) == ()
    assert change_points([]) == ()


def test_orders_drawn_a_few_at_a_time_are_those_drawn_at_once_and_none_is_drawn_that_changes_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    drawn: list[int] = []
    largest = module._largest

    def counted(x: np.ndarray[Any, Any], least: int) -> Any:
        drawn.append(len(x) if x.ndim > 1 else 0)
        return largest(x, least)

    monkeypatch.setattr(module, "_largest", counted)
    rng, cut, whole = np.random.default_rng(21), 0, 0
    for shift in np.linspace(0.0, 1.5, 40):
        x = rng.normal(size=50)
        x[20:] += shift
        centred = x - x.mean()
        orders = np.random.default_rng(module._SEED).permuted(np.broadcast_to(centred, (999, 50)), axis=1)
        above = int((largest(orders, 4)[0] >= largest(centred, 4)[0] * (1.0 - 1e-12)).sum())
        expected = (above + 1) / 1000
        drawn.clear()
        found = module._cut(x, 0.01, 4, 999)
        assert (None if found is None else found[1]) == (expected if expected <= 0.01 else None)
        cut += found is not None
        if found is None and expected > 0.5:
            assert sum(drawn) <= 100, "ten that lie above are enough"
            whole += 1
    assert cut > 5
    assert whole > 1


def test_changes_of_level_that_chance_makes(capsys: pytest.CaptureFixture[str]) -> None:
    """Seeded: without a change a series of 20 lots is cut about as often as the stated 1 %, whatever the distribution."""
    rng = np.random.default_rng(11)
    counts = {}
    for name, draws in {"normal": rng.normal(size=(600, 20)), "exponential": rng.exponential(size=(600, 20))}.items():
        counts[name] = sum(bool(change_points(row, permutations=299)) for row in draws) / 600
        assert counts[name] <= 0.01 + 3 * sqrt(0.01 * 0.99 / 600)
    found = []
    for row in rng.normal(size=(300, 20)):
        row[12:] += 2.0
        found += [change.place for change in change_points(row, permutations=299)]
    near = np.mean(np.abs(np.array(found) - 12) <= 1)
    with capsys.disabled():
        print(
            f"\nchanges of level: false {counts}; a shift of 2 s after 12 of 20: found {len(found)}/300, within one lot {near:.2f}"
        )
    assert len(found) > 200
    assert near > 0.8


def test_agreement_by_hand() -> None:
    found = agreement([10.0, 12.0, 11.0, 13.0], [9.0, 12.5, 10.0, 12.5])
    differences = np.array([1.0, -0.5, 1.0, 0.5])
    s = differences.std(ddof=1)
    t = special.stdtrit(3, 0.975)
    assert found.mean_difference == pytest.approx(0.5)
    assert found.interval == pytest.approx((0.5 - t * s / 2, 0.5 + t * s / 2))
    assert found.limits == pytest.approx((0.5 - 1.96 * s, 0.5 + 1.96 * s))
    one = agreement([1.0], [2.0])
    assert (one.pairs, one.mean_difference, one.reason) == (1, -1.0, "one pair shows no scatter of differences")
    assert (agreement([], []).pairs, agreement([], []).mean_difference) == (0, None)
    two = agreement([1.0, 2.0], [1.0, 1.0])
    assert two.interval == pytest.approx((0.5 - 12.706 / 2, 0.5 + 12.706 / 2), abs=1e-3)  # t of one degree of freedom
    bad = ([1.0], [2.0, 3.0]), ([1.0, np.nan], [2.0, 3.0]), ([1.0, 2.0], [2.0, np.inf]), ([[1.0, 2.0]], [[2.0, 3.0]])
    for first, second in bad:
        with pytest.raises(ValueError, match="pairs of finite numbers"):
            agreement(first, second)


def test_agreement_of_two_peak_flow_meters_as_bland_and_altman_print_it() -> None:
    """The Lancet 327, 307 (1986), 17 subjects, first readings of both meters in l/min; data and results from memory."""
    large = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
    mini = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
    found = agreement(large, mini)
    assert found.pairs == 17
    assert found.mean_difference == pytest.approx(-2.1, abs=0.05)
    assert found.standard_deviation == pytest.approx(38.8, abs=0.05)
    assert found.interval == pytest.approx((-22.0, 17.8), abs=0.1)
    assert found.limits is not None
    assert found.lower_limit_interval is not None
    assert found.upper_limit_interval is not None
    # the paper takes 2 s for 1.96 s and 3/n for 1/n + 1.96²/(2(n − 1)): a standard error of 16.3 for our 16.4
    assert np.diff(found.limits)[0] / 2 == pytest.approx(1.96 / 2 * (75.5 + 79.7) / 2, abs=0.1)
    for limit, around in zip(found.limits, (found.lower_limit_interval, found.upper_limit_interval), strict=True):
        assert np.mean(around) == pytest.approx(limit)
        assert np.diff(around)[0] / 2 / 2.12 == pytest.approx(16.3, rel=0.01)
    error = found.standard_deviation * sqrt(1 / 17 + 1.96**2 / 32)
    assert np.diff(found.upper_limit_interval)[0] / 2 == pytest.approx(special.stdtrit(16, 0.975) * error, rel=1e-12)


def test_normalised_errors() -> None:
    assert normalised_errors([57.9, 58.5], [0.2, 0.3], [58.1, 58.0], [0.3, 0.4]) == pytest.approx(
        [-0.5547, 1.0], abs=5e-5
    )
    good = [[57.9, 58.5], [0.2, 0.3], [58.1, 58.0], [0.3, 0.4]]
    for place, bad in ((0, np.nan), (1, np.inf), (2, np.inf), (3, np.nan)):
        with pytest.raises(ValueError, match="finite"):
            normalised_errors(*[[bad, row[1]] if place == number else row for number, row in enumerate(good)])
    with pytest.raises(ValueError, match="above 0"):
        normalised_errors([57.9, 58.5], [0.0, 0.3], [58.1, 58.0], [0.0, 0.4])


def test_lots_together_by_hand() -> None:
    x = np.array([[1.0, 3.0, 2.0], [4.0, 6.0, 8.0], [2.0, 2.0, 5.0]])
    found = lots_together(x.mean(1), x.var(1, ddof=1), [3, 3, 3], upper=20.0, lower=-20.0)
    within, of_means = x.var(1, ddof=1).mean(), x.mean(1).var(ddof=1)
    assert found.within_standard_deviation == pytest.approx(sqrt(within))
    assert found.between_standard_deviation == pytest.approx(sqrt(of_means - within / 3))
    assert found.total_standard_deviation == pytest.approx(sqrt(of_means + within * 2 / 3))
    assert found.ppk == pytest.approx((20 - x.mean()) / (3 * sqrt(of_means + within * 2 / 3)))
    assert found.parts == 9


def test_intervals_of_lots_together_by_hand() -> None:
    """Figures of four lots with unlike counts, from the formulas in the heading of `between_lots`."""
    means, variances, counts = [57.9, 58.4, 58.1, 58.9], [0.04, 0.09, 0.01, 0.05], [3, 5, 2, 4]
    found = lots_together(means, variances, counts, lower=57.0, upper=60.0)
    size = 4 / (1 / 3 + 1 / 5 + 1 / 2 + 1 / 4)
    within = (2 * 0.04 + 4 * 0.09 + 1 * 0.01 + 3 * 0.05) / 10
    of_means, mean = float(np.var(means, ddof=1)), float(np.mean(means))
    inner = (1 - 1 / size) * within
    half = special.stdtrit(3, 0.975) * sqrt(of_means / 4)
    assert found.within_standard_deviation == pytest.approx(sqrt(within))
    assert found.mean_interval == pytest.approx((mean - half, mean + half))
    assert found.degrees_of_freedom == pytest.approx((of_means + inner) ** 2 / (of_means**2 / 3 + inner**2 / 10))
    between = modified_large_sample_interval([1, -1 / size], [of_means, within], [3, 10])
    assert found.between_interval == pytest.approx([sqrt(max(square, 0)) for square in between])
    low, high = modified_large_sample_interval([1, 1 - 1 / size], [of_means, within], [3, 10])
    sigma, near = sqrt(of_means + inner), mean - 57.0
    assert found.ppk == pytest.approx(near / (3 * sigma))
    assert found.ppk is not None
    of_mean = half / (3 * sigma)
    down, up = near / (3 * sqrt(high)) - found.ppk, near / (3 * sqrt(low)) - found.ppk
    assert found.ppk_interval == pytest.approx((found.ppk - np.hypot(of_mean, down), found.ppk + np.hypot(of_mean, up)))


def test_a_mirrored_process_performs_alike_and_a_scaled_one_too() -> None:
    means, variances, counts = np.array([57.9, 58.4, 58.1]), np.array([0.04, 0.09, 0.01]), [3, 5, 2]
    found = lots_together(means, variances, counts, lower=57.0, upper=60.0)
    mirrored = lots_together(-means, variances, counts, lower=-60.0, upper=-57.0)
    scaled = lots_together(1e3 * means, 1e6 * variances, counts, lower=57e3, upper=60e3)
    small = lots_together(1e-3 * means, 1e-6 * variances, counts, lower=0.057, upper=0.060)
    assert found.between_interval is not None
    assert small.between_interval == pytest.approx([1e-3 * limit for limit in found.between_interval])
    for other in (mirrored, scaled, small):
        assert (other.ppk, other.degrees_of_freedom) == pytest.approx((found.ppk, found.degrees_of_freedom))
        assert other.ppk_interval == pytest.approx(found.ppk_interval)
    # outside its limits an index is negative, and its interval still lies around it
    outside = lots_together(means, variances, counts, upper=58.0)
    assert outside.ppk is not None
    assert outside.ppk_interval is not None
    assert outside.ppk_interval[0] < outside.ppk < 0 < outside.ppk_interval[1]


def test_what_is_within_arithmetic_of_nothing_does_not_vary() -> None:
    # scatter is noise below 1e-12 of the largest of mean and limits
    for scatter, reason in ((5e-13, "all part means are equal"), (5e-12, None)):
        found = lots_together([0.1, 0.1 + scatter * sqrt(2)], [0.0, 0.0], [1, 1], lower=0.0, upper=1.0)
        assert found.not_computable.get("ppk") == reason
        below = lots_together([-0.1, -0.1 - scatter * sqrt(2)], [0.0, 0.0], [1, 1], lower=-1.0)
        assert below.not_computable.get("ppk") == reason
        negative = lots_together([-1.0, -1.0 - scatter * sqrt(2)], [0.0, 0.0], [1, 1], upper=0.1)
        assert negative.not_computable.get("ppk") == reason
    assert lots_together([0.0, 0.0], [0.0, 0.0], [2, 2]).not_computable["ppk"] == "all part means are equal"


@pytest.mark.parametrize(
    ("means", "variances", "counts"),
    [
        ([], [], []),
        ([[1.0, 2.0]], [[1.0, 1.0]], [[2, 2]]),
        ([1.0, 2.0], [1.0], [2, 2]),
        ([1.0, 2.0], [1.0, 1.0], [2]),
        ([1.0, np.nan], [1.0, 1.0], [2, 2]),
        ([1.0, 2.0], [1.0, np.inf], [2, 2]),
        ([1.0, 2.0], [1.0, 1.0], [2, 0]),
    ],
)
def test_lots_that_make_no_sense_are_refused(means: list[float], variances: list[float], counts: list[int]) -> None:
    with pytest.raises(ValueError, match="lots need"):
        lots_together(means, variances, counts)


def test_lots_of_equal_parts_vary_as_their_means_do() -> None:
    found = lots_together([57.9, 58.4, 58.1], [0.0] * 3, [2, 3, 2], lower=57.0)
    square = float(np.var([57.9, 58.4, 58.1], ddof=1))
    assert (found.within_standard_deviation, found.degrees_of_freedom) == (0.0, pytest.approx(2.0))
    assert found.between_standard_deviation == pytest.approx(sqrt(square))
    # one mean square alone: its interval is that of chi-square
    low, high = (sqrt(2 * square / special.chdtri(2, tail)) for tail in (0.025, 0.975))
    assert found.between_interval == pytest.approx((low, high))
    assert found.ppk_interval is not None
    singles = lots_together([57.9, 58.4, 58.1], [0.0] * 3, [1, 1, 1], lower=57.0)
    assert (singles.between_interval, singles.within_standard_deviation) == (None, None)
    assert "one part" in singles.not_computable["within_standard_deviation"]
    one = lots_together([58.0], [0.0], [1]).not_computable
    assert "one lot" in one["between_standard_deviation"]
    assert "one part" in one["within_standard_deviation"]


def test_a_lot_of_one_part_alone_has_a_mean_and_no_more() -> None:
    found = lots_together([58.0], [np.nan], [1], upper=60.0)
    assert (found.lots, found.parts, found.mean, found.within_standard_deviation) == (1, 1, 58.0, None)
    assert "one part" in found.not_computable["within_standard_deviation"]
    assert lots_together([58.0], [0.04], [3]).within_standard_deviation == pytest.approx(0.2)


def test_lots_that_say_little_say_why() -> None:
    one = lots_together([5.0], [1.0], [10], upper=9.0)
    assert one.ppk is None
    assert one.not_computable["ppk"] == "one lot shows no variation between lots"
    singles = lots_together([5.0, 6.0, 4.0], [0.0] * 3, [1, 1, 1], upper=9.0)
    assert singles.ppk == pytest.approx((9 - 5) / 3)
    assert singles.between_standard_deviation is None
    assert "one part" in singles.not_computable["between_standard_deviation"]
    assert lots_together([5.0, 6.0], [1.0, 1.0], [3, 3]).not_computable["ppk"] == "there are no limits"
    equal = lots_together([5.0, 5.0], [0.0, 0.0], [3, 3], upper=6.0)
    assert equal.not_computable["ppk"] == "all part means are equal"
    with pytest.raises(ValueError, match="at least one part"):
        lots_together([1.0, 2.0], [1.0, 1.0], [0, 3])


@pytest.mark.parametrize(("lots", "parts", "between"), [(5, 15, 0.5), (10, 15, 0.0), (10, 15, 2.0), (25, 5, 0.5)])
def test_coverage_of_the_interval_of_ppk(
    lots: int, parts: int, between: float, capsys: pytest.CaptureFixture[str]
) -> None:
    """Seeded, 400 suppliers each, Ppk 0.8 and 1.33: at least 93 % of the 95 % intervals hold the truth."""
    rng = np.random.default_rng(lots + parts)
    x = rng.normal(size=(400, lots, parts)) + between * rng.normal(size=(400, lots, 1))
    means, variances = x.mean(2), x.var(2, ddof=1)
    for truth in (0.8, 1.33):
        upper = 3 * truth * sqrt(1 + between**2)
        held = {"ppk": 0, "mean": 0, "naive": 0}
        for m, v in zip(means, variances, strict=True):
            found = lots_together(m, v, [parts] * lots, upper=upper)
            assert found.ppk_interval is not None
            assert found.mean_interval is not None
            held["ppk"] += found.ppk_interval[0] <= truth <= found.ppk_interval[1]
            held["mean"] += found.mean_interval[0] <= 0 <= found.mean_interval[1]
        for sample in x.reshape(400, -1):
            index, n = (upper - sample.mean()) / (3 * sample.std(ddof=1)), sample.size
            held["naive"] += abs(index - truth) <= 1.96 * sqrt(1 / (9 * n) + index**2 / (2 * (n - 1)))
        with capsys.disabled():
            print(
                f"\n{lots} lots of {parts}, s between {between}, Ppk {truth}: interval holds {held['ppk'] / 4:.1f} %, "
                f"mean {held['mean'] / 4:.1f} %; parts taken as independent {held['naive'] / 4:.1f} %",
                end="",
            )
        assert held["ppk"] >= 372
        assert held["mean"] >= 368
