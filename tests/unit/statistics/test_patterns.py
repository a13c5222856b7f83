"""Patterns of points by loops over their definitions, and the chart of a process that is made of them. Invented numbers."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
import pytest
from one_by_one import RUN_RULES, hits
from scipy import stats

from pipeline.statistics import patterns
from pipeline.statistics.constants import (
    c4,
    c4_of_degrees_of_freedom,
    d2,
    d3,
    degrees_of_freedom_of_relative_variance,
    moving_range_relative_variance,
)
from pipeline.statistics.patterns import Pattern
from pipeline.statistics.process_control import (
    SPREAD_RULE,
    ChartRules,
    ProcessLimits,
    chance_beyond,
    charted,
    process_limits,
)

if TYPE_CHECKING:
    from collections.abc import Callable


def beyond(least: int, limit: float) -> Callable[[Any], bool]:
    """Say whether the newest and enough of the last points lie beyond the same one of ±limit."""
    return lambda last: any(
        sign * last[-1] > limit and sum(sign * z > limit for z in last) >= least for sign in (1, -1)
    )


def in_order(last: Any) -> bool:
    steps = [b - a for a, b in pairwise(last)]
    return all(step > 0 for step in steps) or all(step < 0 for step in steps)


def in_turn(last: Any) -> bool:
    steps = [b - a for a, b in pairwise(last)]
    return all(a * b < 0 for a, b in pairwise(steps))


# points looked at, whether the pattern can be complete before there are so many, and what it asks of them
BY_WORDS: dict[str, tuple[int, bool, Callable[[Any], bool]]] = {
    "beyond-3s": (1, False, beyond(1, 3.0)),
    "2-of-3-beyond-2s": (3, True, beyond(2, 2.0)),
    "4-of-5-beyond-1s": (5, True, beyond(4, 1.0)),
    **{f"run-of-{n}": (n, False, beyond(n, 0.0)) for n in (7, 8, 9)},
    **{f"trend-of-{n}": (n, False, in_order) for n in (6, 7)},
    "alternating-14": (14, False, in_turn),
    "15-within-1s": (15, False, lambda last: all(-1 < z < 1 for z in last)),
    "8-beyond-1s": (8, False, lambda last: all(z > 1 or z < -1 for z in last)),
}
BY_ID = {
    "beyond-limit": "beyond-3s", "same-side": "run-of-7", "rising-falling": "trend-of-7", "two-of-three": "2-of-3-beyond-2s",
    "four-of-five": "4-of-5-beyond-1s", "up-and-down": "alternating-14", "close-to-centre": "15-within-1s",
    "far-from-centre": "8-beyond-1s",
}  # fmt: skip


def series() -> np.ndarray:
    """Return series in steps of a half, so that points lie on limits and stand still; some made so that rare patterns come."""
    rng = np.random.default_rng(14)
    rows = [np.round(2 * rng.normal(size=120)) / 2 for _ in range(6)]
    place = np.arange(120)
    rows.append(np.round(2 * np.sin(place / 4.0) * 2.4) / 2 + 0.01 * place)  # long rises and falls
    rows.append(np.where(place % 2, 1.0, -1.0) * rng.choice([0.5, 1.5], 120))  # up and down
    rows.append(np.where(rng.random(120) < 0.95, rng.choice([-0.5, 0.0, 0.5], 120), 1.0))  # close to the centre
    rows.append(rng.choice([-1.5, 1.5, 1.5, 1.0], 120, p=[0.45, 0.4, 0.1, 0.05]))  # far from it
    rows.append(np.where(place % 17 == 0, 0.0, 0.5))  # one side, with points on the centre
    rows.append(-rows[-1])
    return np.array(rows)


def by_loops(name: str, z: np.ndarray) -> np.ndarray:
    points, early, holds = BY_WORDS[name]
    found = np.zeros(z.shape, dtype=bool)
    for row in range(z.shape[0]):
        for end in range(z.shape[1]):
            last = z[row, max(0, end + 1 - points) : end + 1].tolist()
            found[row, end] = (early or len(last) == points) and holds(last)
    return found


@pytest.mark.parametrize("name", BY_WORDS)
def test_patterns_by_loops_over_their_words(name: str) -> None:
    z = series()
    expected = by_loops(name, z)
    assert set(BY_WORDS) == set(RUN_RULES)
    assert expected.any()
    assert not expected.all()
    assert (hits(z, [name])[0] == expected).all()
    assert (hits(-z, [name])[0] == expected).all()
    assert (hits(z[0, :1], [name])[0] == expected[0, :1]).all()
    for ident, other in BY_ID.items():
        if other == name:
            assert (patterns.hits(z, patterns.chosen([ident], {}))[0] == expected).all()


def test_nothing_has_no_pattern() -> None:
    rules = patterns.chosen(["same-side", "beyond-limit"], {})
    found = patterns.hits(np.empty((3, 0)), rules)
    assert (found.shape, found.dtype) == ((2, 3, 0), np.bool_)
    none = patterns.hits(np.zeros((3, 4)), ())
    assert (none.shape, none.dtype) == ((0, 3, 4), np.bool_)
    assert patterns.hits([4.0], rules).tolist() == [[True], [False]]
    for bad in (np.nan, np.inf):
        with pytest.raises(ValueError, match="finite"):
            patterns.hits([0.0, bad], rules)


def test_patterns_are_chosen_in_the_order_of_plainness_with_the_numbers_of_the_site() -> None:
    ids = ["far-from-centre", "same-side", "beyond-limit", "up-and-down"]
    found = patterns.chosen(ids, {"same-side": 9})
    assert [(rule.id, n) for rule, n in found] == [("beyond-limit", 1), ("same-side", 9), ("up-and-down", 14), ("far-from-centre", 8)]  # fmt: skip
    # zone rules stand before the others, as the sources list them
    assert [rule.id for rule, _ in patterns.chosen([*reversed(patterns.find())], {})] == ["beyond-limit", "same-side", "rising-falling", "two-of-three", "four-of-five", "up-and-down", "close-to-centre", "far-from-centre"]  # fmt: skip
    assert patterns.chosen([], {"same-side": 9}) == ()
    with pytest.raises(ValueError, match="unknown pattern"):
        patterns.chosen([], {"run": 9})


# the fewest points in which a pattern can be told from chance at all: two of one side, three of an order, four in turn
@pytest.mark.parametrize(("name", "least"), [("same-side", 2), ("rising-falling", 3), ("up-and-down", 4), ("close-to-centre", 2), ("far-from-centre", 2)])  # fmt: skip
def test_a_pattern_takes_no_fewer_points_than_make_sense(name: str, least: int) -> None:
    (rule, n), = patterns.chosen([name], {name: least})  # fmt: skip
    z = np.random.default_rng(3).normal(size=4000)
    assert n == least == rule.least
    assert patterns.hits(z, [(rule, n)]).mean() > patterns.hits(z, [(rule, n + 1)]).mean()
    with pytest.raises(ValueError, match=f"at least {least}"):
        patterns.chosen([name], {name: least - 1})


def test_an_id_of_a_pattern_has_no_space() -> None:
    given: dict[str, Any] = {"title": "t", "source": "s", "points": None, "order": 1, "flag": lambda z, _: z > 0}
    assert Pattern(id="a", **given).least == 2
    for bad in ("", "a b", " ", "a\n"):
        with pytest.raises(ValueError, match="without spaces"):
            Pattern(id=bad, **given)


# the chart of a process

N = np.array([4, 1, 3, 4, 2, 4, 4, 3])
M = np.array([35.1, 34.2, 35.3, 33.0, 34.9, 37.8, 35.2, 35.4])
S = np.array([0.2, 0.0, 0.3, 0.1, 0.25, 0.2, 2.9, 0.15])
KEPT = np.array([True, True, False, True, True, True, True, True])
LIMITS = ProcessLimits(8, 35.0, 0.8, 0.3)


def rules(**given: Any) -> ChartRules:
    usual = patterns.chosen(["beyond-limit", "two-of-three"], {})
    plain = {"spread": "range", "limits": "between", "patterns": usual, "ewma_weight": 0.3, "ewma_width": 2.5}
    return ChartRules(**{**plain, **given})


@pytest.mark.parametrize("spread", ["range", "standard_deviation"])
@pytest.mark.parametrize("limits", ["between", "within"])
def test_a_chart_by_its_formulas(spread: str, limits: str) -> None:
    found = charted(M, N, S, KEPT, LIMITS, rules(spread=spread, limits=limits))
    scale = 0.3 / np.sqrt(N) if limits == "within" else np.full(8, 0.8)
    z = (M - 35.0) / scale
    assert found["centre"].to_list() == [35.0] * 8
    for name, wanted in {
        "z": z, "lower": 35.0 - 3 * scale, "upper": 35.0 + 3 * scale,
        "within_lower": 35.0 - 0.9 / np.sqrt(N), "within_upper": 35.0 + 0.9 / np.sqrt(N),
    }.items():  # fmt: skip
        assert found[name].to_list() == pytest.approx(wanted.tolist(), rel=1e-12)
    # chart of spread: centre d2·σ ± 3·d3·σ, or c4·σ ± 3·√(1 − c4²)·σ, not below nought; a single part has none
    beyond = []
    for row, (n, s) in enumerate(zip(N, S, strict=True)):
        got = found.select("spread_centre", "spread_lower", "spread_upper").row(row)
        if n == 1:
            assert got == (None, None, None)
            continue
        one, width = (d2(n), d3(n)) if spread == "range" else (c4(n), math.sqrt(1 - c4(n) ** 2))
        upper = 0.3 * (one + 3 * width)
        assert got == pytest.approx((0.3 * one, max(0.0, 0.3 * (one - 3 * width)), upper), rel=1e-9)
        if s > upper:
            beyond.append(row)
    # EWMA of what is judged, of z from nought: λz + (1 − λ)·last, ± L·√(λ/(2 − λ)·(1 − (1 − λ)^(2i))); in units by the median scale
    typical, value, place, beyond_ewma = np.median(scale[KEPT]), 0.0, 0, []
    judged: list[float] = []
    for row in range(8):
        got = found.select("ewma", "ewma_lower", "ewma_upper").row(row)
        if not KEPT[row]:
            assert got == (None, None, None)
            assert found["rules"][row] == ""
            continue
        place += 1
        value = 0.3 * z[row] + 0.7 * value
        half = 2.5 * math.sqrt(0.3 / 1.7 * (1 - 0.7 ** (2 * place)))
        assert got == pytest.approx((35 + typical * value, 35 - typical * half, 35 + typical * half), rel=1e-9)
        beyond_ewma += [row] if abs(value) > half else []
        judged.append(float(z[row]))
        ids = ["beyond-limit"] if abs(z[row]) > 3 else []
        last = judged[-3:]
        ids += ["two-of-three"] if any(x * last[-1] > 0 and x * 0 == 0 and sum(abs(y) > 2 and y * x > 0 for y in last) >= 2 and abs(last[-1]) > 2 for x in last[-1:]) else []  # fmt: skip
        ids += [SPREAD_RULE] if row in beyond else []
        assert found["rules"][row] == " ".join(ids)
    assert np.flatnonzero(found["ewma_beyond"]).tolist() == beyond_ewma
    assert beyond == [6]


def test_a_spread_that_is_not_judged_hits_nothing() -> None:
    found = charted(M, N, S, [True] * 6 + [False, True], LIMITS, rules())
    assert found["rules"][6] == ""
    assert SPREAD_RULE == "spread-beyond-limit"
    assert charted(M, N, S, [True] * 8, LIMITS, rules())["rules"][6] == SPREAD_RULE


@pytest.mark.parametrize(
    ("limits", "by", "there", "absent"),
    [
        (ProcessLimits(0, None, None, None), "between", (), ("centre", "lower", "within_lower", "z", "spread_upper", "ewma")),
        (ProcessLimits(8, 35.0, None, None), "between", ("centre",), ("lower", "within_lower", "z", "spread_upper", "ewma")),
        (ProcessLimits(8, 35.0, 0.8, None), "between", ("lower", "z", "ewma"), ("within_lower", "spread_upper")),
        (ProcessLimits(8, 35.0, 0.8, None), "within", ("centre",), ("lower", "z", "within_lower", "spread_upper", "ewma")),
        (ProcessLimits(8, 35.0, None, 0.3), "between", ("within_lower", "spread_upper"), ("lower", "z", "ewma")),
        (ProcessLimits(8, 35.0, None, 0.3), "within", ("lower", "z", "within_lower", "ewma", "spread_upper"), ()),
        (ProcessLimits(8, None, None, 0.3), "within", ("spread_upper",), ("centre", "lower", "z", "within_lower", "ewma")),
    ],
)  # fmt: skip
def test_what_has_no_limit_is_null(limits: ProcessLimits, by: str, there: tuple[str, ...], absent: tuple[str, ...]) -> None:  # fmt: skip
    found = charted(M, N, S, [True] * 8, limits, rules(limits=by))
    assert all(found[name][0] is not None for name in there)
    assert all(found[name].null_count() == 8 for name in absent)
    assert found["ewma_beyond"].dtype == pl.Boolean


def test_nothing_judged_and_nothing_charted() -> None:
    found = charted(M, N, S, [False] * 8, LIMITS, rules())
    assert found["ewma"].null_count() == 8
    assert found["z"].null_count() == 0
    assert found["rules"].to_list() == [""] * 8
    ones = charted([35.0, 35.2], [1, 1], [0.0, 0.0], [True] * 2, LIMITS, rules())
    assert ones["spread_upper"].null_count() == 2
    empty = charted([], [], [], [], LIMITS, rules())
    assert (empty.height, empty.schema["z"], empty.schema["ewma_beyond"]) == (0, pl.Float64, pl.Boolean)


@pytest.mark.parametrize("spread", ["range", "standard_deviation"])
def test_limits_of_a_baseline_by_their_formulas(spread: str) -> None:
    found = process_limits(M, N, S, spread=spread)
    assert (found.subgroups, found.reason, found.within_reason) == (8, None, None)
    assert found.centre == pytest.approx(M.mean())
    assert found.sigma == pytest.approx(np.abs(np.diff(M)).mean() * math.sqrt(math.pi) / 2)
    several = N > 1
    one = [d2(n) if spread == "range" else c4(n) for n in N[several]]
    variance = [(d3(n) / d2(n)) ** 2 if spread == "range" else 1 / c4(n) ** 2 - 1 for n in N[several]]
    assert found.within_sigma == pytest.approx(np.average(S[several] / one, weights=1 / np.array(variance)), rel=1e-9)
    assert process_limits(-M, N, S, spread=spread).within_sigma == pytest.approx(found.within_sigma, rel=1e-9)


def test_a_baseline_that_says_little_says_what_it_can() -> None:
    one = process_limits([35.2], [5], [0.3], spread="range")
    assert (one.subgroups, one.centre, one.sigma) == (1, 35.2, None)
    assert one.within_sigma == pytest.approx(0.3 / d2(5))
    none = process_limits([], [], [], spread="range")
    assert (none.subgroups, none.centre, none.sigma, none.within_sigma) == (0, None, None, None)
    assert none.reason
    assert none.within_reason == "no subgroup has two parts"
    # of two parts a spread is known already; noise of the last digit of a large or negative mean is none
    assert process_limits([35.2, 35.4], [2, 1], [0.3, 0.0], spread="range").within_sigma == pytest.approx(0.3 / d2(2))
    for level in (35.0, -35.0):
        equal = process_limits([level, 0.001], [5, 5], [1e-14, 1e-14], spread="range")
        assert equal.within_sigma is None
        assert equal.within_reason
    assert process_limits([0.0, 1.0], [5, 5], [1e-9, 1e-9], spread="range").within_sigma is not None


def test_kind_of_the_chart() -> None:
    assert rules(spread="range").kind == "xbar_range"
    assert rules(spread="standard_deviation").kind == "xbar_standard_deviation"


@pytest.mark.parametrize("n", [2, 3, 20, 400])
def test_chance_of_a_point_beyond_by_its_formula(n: int) -> None:
    nu = float(degrees_of_freedom_of_relative_variance(moving_range_relative_variance(n)))
    edge = 3 / (c4_of_degrees_of_freedom(nu) * math.sqrt(1 + 1 / n))
    assert chance_beyond(n) == pytest.approx(2 * stats.t.sf(edge, nu), rel=1e-9)
    if n == 400:
        assert chance_beyond(n) == pytest.approx(0.0027, rel=0.15)
    with pytest.raises(ValueError, match="two subgroups"):
        chance_beyond(1)
