"""The bent line, its intervals, and what a failed check would hold. Invented numbers."""

from __future__ import annotations

from dataclasses import replace
from math import inf

import numpy as np
import pytest
from scipy import optimize, stats

from pipeline.metrology.drift import DriftLine, drift_line, hold_at_interval
from pipeline.statistics.trend import slope


def line_of(days: np.ndarray, bias: np.ndarray) -> DriftLine:
    line = drift_line(days, bias)
    assert isinstance(line, DriftLine), line
    return line


def bent(
    begins: float, per_day: float, *, scatter: float = 0.05, seed: int = 3, last: float = 150.0
) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    days = np.sort(rng.uniform(0.0, last, 75))
    return days, 0.02 + per_day * np.maximum(0.0, days - begins) + scatter * rng.standard_normal(days.size)


def test_a_straight_line_is_the_least_squares_line() -> None:
    """A drift from the first check on, with little scatter: no bend is better than none, and Fieller's interval is textbook."""
    days = np.arange(40.0)
    bias = 0.01 * days + 1e-4 * np.cos(2.1 * days)
    line, plain = line_of(days, bias), slope(days, bias)
    assert plain.slope is not None
    assert line.slope == pytest.approx(plain.slope, rel=1e-3)
    assert line.begins is None
    crossing = line.crossing(0.5)
    assert crossing == pytest.approx(50.0, abs=0.05)
    low, high = line.crossing_interval(0.5)
    assert low < 50.0 < high < 50.2


def test_least_squares_against_a_general_minimiser() -> None:
    days, bias = bent(60.0, 0.003)
    line = line_of(days, bias)

    def squares(x: np.ndarray) -> float:
        return float(((bias - x[0] - x[1] * np.maximum(0.0, days - x[2])) ** 2).sum())

    found = optimize.minimize(
        squares, [0.0, 0.003, 55.0], method="Nelder-Mead", options={"maxiter": 4000, "xatol": 1e-7}
    )
    begins = days[0] if line.begins is None else line.begins
    own = squares(np.array([line.level, line.slope, begins]))
    # a bend stands at a check or on a grid between them, so the minimum is met to a small part of the scatter
    assert found.fun <= own * (1 + 1e-9)
    assert own <= found.fun * 1.0005
    assert line.scatter == pytest.approx((own / (days.size - 3)) ** 0.5, rel=1e-9)


def test_the_interval_is_the_profile_of_the_crossing() -> None:
    """Both ends: the least sum of squares of a bent line that meets the limit there is the one the interval allows."""
    days, bias = bent(60.0, 0.003)
    line = line_of(days, bias)
    ends = line.crossing_interval(0.5)
    begins = days[0] if line.begins is None else line.begins
    least = float(((bias - line.at(days)) ** 2).sum())
    t = stats.t.ppf(0.975, line.degrees_of_freedom)
    allowed = least * (1 + line.inflation * t * t / (days.size - 3))
    assert line.begins == begins
    for end in ends:
        profiles = []
        for bend in np.linspace(days[0], days[-6], 5000):
            w = np.maximum(0.0, days - bend) / (end - bend)
            y, x = bias - 0.5 * w, 1.0 - w
            profiles.append(float((y * y).sum() - (x @ y) ** 2 / (x @ x)))
        assert min(profiles) == pytest.approx(allowed, rel=1e-4)


def test_the_band_meets_the_limit_where_the_interval_ends() -> None:
    days, bias = bent(60.0, 0.003)
    line = line_of(days, bias)
    first, last = line.crossing_interval(0.5)
    low, high = line.band(np.array([first, last]))
    assert high[0] == pytest.approx(0.5, abs=1e-9)
    assert low[1] == pytest.approx(0.5, abs=1e-9)


def test_an_interval_without_an_end() -> None:
    days, bias = bent(60.0, 0.0001, seed=8)
    line = line_of(days, bias)
    first, last = line.crossing_interval(0.5 if line.slope > 0 else -0.5)
    assert last == inf
    assert first > days[-1]


def test_the_sign_of_the_drift_does_not_matter() -> None:
    days, bias = bent(60.0, 0.003)
    up, down = line_of(days, bias), line_of(days, -bias)
    assert down.crossing_interval(-0.5) == pytest.approx(up.crossing_interval(0.5))
    assert down.crossing(0.5) is None


def test_more_than_one_check_at_a_time_and_many_checks() -> None:
    rng = np.random.default_rng(4)
    days = np.repeat(np.arange(25_000) / 50.0, 2)
    bias = 0.0005 * np.maximum(0.0, days - 300.0) + 0.05 * rng.standard_normal(days.size)
    line = line_of(days, bias)
    assert line.begins == pytest.approx(300.0, abs=15.0)
    assert line.slope == pytest.approx(0.0005, rel=0.1)


@pytest.mark.parametrize(
    ("days", "bias", "reason"),
    [
        ([1.0, 2.0], [0.1, 0.2], "2 of the 8 checks"),
        ([3.0] * 9, [0.1] * 8 + [0.2], "at one time"),
        (list(range(9)), [0.5] * 9, "no scatter"),
    ],
)
def test_reasons(days: list[float], bias: list[float], reason: str) -> None:
    found = drift_line(days, bias)
    assert isinstance(found, str)
    assert reason in found


def test_refusals() -> None:
    for days in ([2.0, 1.0], [1.0, 3.0, 2.0, 4.0]):
        with pytest.raises(ValueError, match="in order"):
            drift_line(days, [0.0] * len(days))
    with pytest.raises(ValueError, match="finite"):
        drift_line([1.0, 2.0], [0.0, np.nan])
    with pytest.raises(ValueError, match="confidence"):
        drift_line([1.0, 2.0], [0.0, 0.0], confidence=1.0)


@pytest.mark.parametrize(("correlation", "least"), [(0.0, 0.92), (0.3, 0.90), (0.5, 0.88)])
def test_coverage_where_neighbouring_checks_are_alike(
    correlation: float, least: float, capsys: pytest.CaptureFixture[str]
) -> None:
    """Seeded, 400 repeats: the 95 % interval holds the true day about so often; without the allowance it would not."""
    rng = np.random.default_rng(1935)
    days = np.arange(90.0) * 1.5
    true = 50.0 + 0.5 / 0.003
    held = 0
    for _ in range(400):
        noise = np.empty(days.size)
        noise[0] = rng.standard_normal()
        for i in range(1, days.size):
            noise[i] = correlation * noise[i - 1] + (1 - correlation**2) ** 0.5 * rng.standard_normal()
        line = line_of(days, 0.003 * np.maximum(0.0, days - 50.0) + 0.05 * noise)
        first, last = line.crossing_interval(0.5)
        held += first <= true <= last
    with capsys.disabled():
        print(
            f"\n95 % interval of the day, correlation {correlation}: holds the true day in {held / 4:.1f} % of 400 repeats"
        )
    assert least <= held / 400 <= 0.99


def test_what_a_failed_check_would_hold() -> None:
    # three lots of one day, one a day later, one a week later
    lots = np.array([1, 2, 3, 4, 5])
    first = np.array([0.0, 2.0, 4.0, 26.0, 190.0])
    last = np.array([1.0, 3.0, 5.0, 27.0, 191.0])
    readings = np.array([10, 20, 30, 40, 50])
    eight = hold_at_interval(lots, first, last, readings, 8.0)
    assert eight is not None
    assert (eight.moments, eight.lots_median, eight.lots_largest) == (5, 1.0, 3)
    assert (eight.readings_median, eight.readings_largest) == (40.0, 60)
    day = hold_at_interval(lots, first, last, readings, 24.0)
    assert day is not None
    # at the end of the fourth lot the window begins as the second one ends
    assert (day.lots_median, day.lots_largest) == (2.0, 3)
    week = hold_at_interval(lots, first, last, readings, 168.0)
    assert week is not None
    assert (week.lots_largest, week.readings_largest) == (4, 100)
    assert hold_at_interval(lots[:0], first[:0], last[:0], readings[:0], 8.0) is None
    with pytest.raises(ValueError, match="above zero"):
        hold_at_interval(lots, first, last, readings, 0.0)
    # half an hour reaches half of the lot that was just read
    half = hold_at_interval(lots, first, last, readings, 0.5)
    assert half is not None
    assert (half.lots_largest, half.readings_largest) == (1, 25)


def test_a_lot_read_twice_is_one_lot_and_part_of_a_stretch_counts_in_part() -> None:
    held = hold_at_interval(np.array([1, 1]), np.array([0.0, 6.0]), np.array([4.0, 7.0]), np.array([100, 10]), 5.0)
    assert held is not None
    assert held.lots_largest == 1
    # at 7 h the window reaches back to 2 h: half of the first stretch and all of the second
    assert held.readings_largest == 100
    assert held.readings_median == 80.0


@pytest.mark.parametrize("seed", range(6))
def test_what_would_be_held_is_what_counting_stretch_by_stretch_says(seed: int) -> None:
    """On whole hours, so that lots end, begin and leave the window at one moment again and again."""
    rng = np.random.default_rng(seed)
    first = rng.integers(0, 40, 30).astype(np.float64)
    last = first + rng.integers(0, 6, 30)
    lots, readings, hours = rng.integers(1, 9, 30), rng.integers(1, 50, 30), float(rng.integers(1, 12))
    held_lots, held_readings = [], []
    for moment in sorted(set(last)):
        names, count = set(), 0.0
        for lot, a, b, n in zip(lots, first, last, readings, strict=True):
            if a <= moment and b > moment - hours:
                names.add(lot)
                count += n if a == b else n * (min(b, moment) - max(a, moment - hours)) / (b - a)
        held_lots.append(len(names))
        held_readings.append(round(count))
    found = hold_at_interval(lots, first, last, readings, hours)
    assert found is not None
    assert found.moments == len(held_lots)
    assert (found.lots_median, found.lots_largest) == (np.median(held_lots), max(held_lots))
    assert (found.readings_median, found.readings_largest) == (np.median(held_readings), max(held_readings))


def test_of_very_many_moments_some_hundred_from_the_first_to_the_last_are_looked_at() -> None:
    ends = np.arange(1.0, 1501.0)
    one = np.ones(1500, dtype=np.int64)
    found = hold_at_interval(one.cumsum(), ends - 0.5, ends, one, 24.0)
    assert found is not None
    assert (found.moments, found.lots_median, found.lots_largest, found.readings_largest) == (600, 24.0, 24, 24)
    all_of_them = hold_at_interval(one[:600].cumsum(), ends[:600] - 0.5, ends[:600], one[:600], 24.0)
    assert all_of_them is not None
    assert (all_of_them.moments, all_of_them.lots_median) == (600, 24.0)


@pytest.mark.parametrize("confidence", [0.8, 0.95])
@pytest.mark.parametrize("memory", [-0.8, 0.0, 0.5, 0.99])
def test_line_scatter_and_allowance_are_those_of_least_squares_at_the_bend(memory: float, confidence: float) -> None:
    """By numpy's least squares; scatter on n - 3, r of neighbours kept in 0 to 0.9, κ = (1 + r)/(1 - r), n/κ - 3 degrees of freedom."""
    rng = np.random.default_rng(7)
    days = np.arange(40.0) + 3.0
    noise = rng.standard_normal(days.size)
    for i in range(1, days.size):
        noise[i] += memory * noise[i - 1]
    bias = 5.0 + 0.05 * np.maximum(0.0, days - 20.0) + 0.05 * noise
    line = drift_line(days, bias, confidence=confidence)
    assert isinstance(line, DriftLine)
    begins = days[0] if line.begins is None else line.begins
    design = np.stack([np.ones_like(days), np.maximum(0.0, days - begins)], axis=1)
    (level, rate), *_ = np.linalg.lstsq(design, bias, rcond=None)
    rest = bias - design @ np.array([level, rate])
    assert (line.first_day, line.last_day) == (3.0, 42.0)
    assert line.level == pytest.approx(level, rel=1e-9)
    assert line.slope == pytest.approx(rate, rel=1e-7)
    assert line.scatter == pytest.approx((rest @ rest / (days.size - 3)) ** 0.5, rel=1e-9)
    r = rest[1:] @ rest[:-1] / (rest @ rest)
    assert line.correlation == pytest.approx(r, rel=1e-6, abs=1e-9)
    kappa = (1 + min(max(r, 0.0), 0.9)) / (1 - min(max(r, 0.0), 0.9))
    assert line.inflation == pytest.approx(kappa, rel=1e-6)
    assert line.degrees_of_freedom == pytest.approx(max(days.size / kappa - 3, 1.0), rel=1e-6)
    assert line.at([0.0, begins, begins + 2.0]).tolist() == pytest.approx([level, level, level + 2 * rate], rel=1e-9)
    # the band of all lines reaches at least as far as that of the best one, on the day of the last check
    best = np.linalg.inv(design.T @ design)
    x = np.array([1.0, 42.0 - begins])
    half = stats.t.ppf(0.5 + confidence / 2, line.degrees_of_freedom) * line.scatter * (kappa * (x @ best @ x)) ** 0.5
    low, high = line.band(np.array([42.0]))
    assert low[0] <= x @ [level, rate] - half * (1 - 1e-9)
    assert high[0] >= x @ [level, rate] + half * (1 - 1e-9)


def test_a_forecast_needs_eight_checks_five_after_a_bend_and_days_and_biases_that_fit() -> None:
    steady = [0.0, 0.1, 0.0, 0.1, 0.0, 0.1, 0.0, 0.1]
    assert drift_line(range(7), steady[:7]) == "7 of the 8 checks that a forecast needs"
    assert isinstance(drift_line(range(8), steady), DriftLine)
    # the last four jump; a bend would fit them better, but five must follow it
    line = line_of(np.arange(20.0), np.array([*steady, *steady, 3.0, 4.0, 5.0, 6.0]))
    assert line.begins is not None
    assert line.begins <= 14.0
    assert isinstance(drift_line([0.0, 0.0, *range(6)], steady), DriftLine)
    # with five that rise the line bends at the check before them
    assert line_of(np.arange(20.0), np.array([*steady, *steady[:7], 1.1, 2.0, 3.1, 4.0, 5.1])).begins == pytest.approx(
        14.0, abs=0.05
    )
    # one check long before all others, which stand at one time
    assert drift_line([0.0, *[9.0] * 7], steady) != "all checks stand at one time"
    assert drift_line([*[0.0] * 7, 9.0], steady) != "all checks stand at one time"
    for days, bias in (([1.0, 2.0], [0.0]), ([[1.0], [2.0]], [[0.0], [0.0]]), ([1.0, np.inf], [0.0, 0.0])):
        with pytest.raises(ValueError, match="finite, one-dimensional"):
            drift_line(days, bias)
    for confidence in (0.0, 1.0, 1.5):
        with pytest.raises(ValueError, match=f"confidence of {confidence}"):
            drift_line(range(8), steady, confidence=confidence)


def test_checks_that_stand_at_one_time_at_the_end_fix_no_bend_there() -> None:
    days = np.array([*range(10), *[9.0] * 8])
    bias = np.array([0.0, 0.1] * 5 + [0.5, 0.6] * 4)
    line = line_of(days, bias)
    least = min(
        np.linalg.lstsq(np.stack([np.ones(18), np.maximum(0.0, days - bend)], axis=1), bias, rcond=None)[1][0]
        for bend in np.linspace(0.0, 8.99, 2000)
    )
    assert 15 * line.scatter**2 == pytest.approx(least, rel=1e-3)


def test_checks_that_follow_one_another_closely_are_allowed_for_up_to_nine_tenths() -> None:
    """Residuals that wave: κ = (1 + 0.9)/(1 - 0.9) at most, and one degree of freedom at least (our own bounds)."""
    days = np.arange(40.0)
    line = line_of(days, 0.1 * days + np.sin(2 * np.pi * days / 20))
    assert line.correlation > 0.9
    assert line.inflation == pytest.approx(19.0)
    assert line.degrees_of_freedom == 1.0


def of_one_bend(limit: float, *, now: float = 10.0, room: float = 1.0, slope: float = 1.0) -> tuple[float, float]:
    """Return the interval of one line u days after its bend: all u with (slope·u - limit)² ≤ room·(1 + u²)."""
    line = DriftLine(
        first_day=0.0, last_day=now, level=0.0, slope=slope, begins=0.0, scatter=1.0, correlation=0.0, inflation=1.0, degrees_of_freedom=9.0,
        _bend=np.zeros(1), _level=np.zeros(1), _slope=np.array([slope]), _room=np.array([room]), _inverse=np.array([[1.0], [0.0], [1.0]]),
    )  # fmt: skip
    return line.crossing_interval(limit)


def test_the_interval_of_one_line_is_the_solution_of_its_quadratic() -> None:
    # where the slope is as uncertain as it is large the square falls out: u ≥ (limit² - 1)/(2·limit), and no end
    assert of_one_bend(30.0) == (899 / 60, inf)
    assert of_one_bend(20.0) == (10.0, inf)
    assert of_one_bend(2.0, now=0.75) == (0.75, inf)
    assert of_one_bend(0.0) == (10.0, inf)
    assert of_one_bend(-30.0) == (inf, inf)
    # half as uncertain: both roots of u²/2 - limit·u... count from the last check on
    first, last = np.sort(np.roots([0.5, -2 * 30.0, 30.0**2 - 0.5]))
    assert of_one_bend(30.0, room=0.5) == pytest.approx((first, last), rel=1e-12)
    assert of_one_bend(-30.0, room=0.5, slope=-1.0) == pytest.approx((first, last), rel=1e-12)
    assert of_one_bend(30.0, room=0.5, now=float(last) - 1) == pytest.approx((last - 1, last), rel=1e-12)
    assert of_one_bend(30.0, room=0.5, now=float(last) + 1) == (inf, inf)
    # twice as uncertain: what lies between the roots is excluded
    (between,) = [root for root in np.roots([-1.0, -2 * 30.0, 30.0**2 - 2.0]) if root > 0]
    assert of_one_bend(30.0, room=2.0) == pytest.approx((between, inf), rel=1e-12)
    # and a limit on the other side may be met by a slope of the other sign
    (behind,) = [root for root in np.roots([-1.0, 2 * 30.0, 30.0**2 - 2.0]) if root > 0]
    assert of_one_bend(-30.0, room=2.0) == pytest.approx((behind, inf), rel=1e-12)


def test_the_band_of_one_day_is_that_day_of_many_and_before_every_bend_that_of_the_level() -> None:
    days, bias = bent(60.0, 0.003)
    line = line_of(days, bias)
    many = line.band(np.array([-50.0, 0.0, 140.0]))
    for place, day in enumerate((-50.0, 0.0, 140.0)):
        assert [float(one) for one in line.band(day)] == [side[place] for side in many]
    assert many[0][0] == many[0][1]
    assert many[1][0] == many[1][1]


def test_a_line_meets_only_limits_ahead_of_it() -> None:
    days, bias = bent(60.0, 0.003)
    line = line_of(days, bias)
    assert line.begins is not None
    assert line.crossing(line.level + 10 * line.slope) == pytest.approx(line.begins + 10)
    assert line.crossing(line.level) == line.begins
    assert line.crossing(line.level - 0.001) is None
    assert replace(line, slope=0.0).crossing(0.5) is None
    straight = replace(line, begins=None)
    assert straight.crossing(line.level + 10 * line.slope) == pytest.approx(line.first_day + 10)
    assert straight.at(line.first_day + 10) == pytest.approx(line.level + 10 * line.slope)
    # already beyond: the interval begins with the last check; on the far side it is never met
    assert line.crossing_interval(float(line.at(line.last_day)))[0] == line.last_day
    assert line.crossing_interval(line.level - 5.0) == (inf, inf)
