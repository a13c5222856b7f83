"""The multi-rule scheme against exact probabilities, and against the run lengths that follow from its definitions.

Every rule looks only at which of the eight strips between the limits a check falls into. So the probability of a rule is
found exactly by feeding the product every sequence of strips, weighted by its normal probability.
"""

from __future__ import annotations

import itertools
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy.special import ndtr

from pipeline import rules

DOCUMENT = tomllib.loads(
    (
        Path(__file__).resolve().parents[2] / "fixtures" / "published" / "westgard_1981_multi_rule" / "expected.toml"
    ).read_text(encoding="utf-8")
)
RULES = {rule.id: rule for rule in rules.find()}
EDGES = np.array([-np.inf, -3, -2, -1, 0, 1, 2, 3, np.inf])
INSIDE = np.array([-3.5, -2.5, -1.5, -0.5, 0.5, 1.5, 2.5, 3.5])


def of_kind(*kinds: str) -> pytest.MarkDecorator:
    chosen = [case for case in DOCUMENT["value"] if case["kind"] in kinds]
    return pytest.mark.parametrize("case", chosen, ids=lambda case: case["name"])


def agrees(found: float, case: dict[str, Any]) -> None:
    assert abs(found - float(case["printed"])) <= float(case["tolerance"]) * (1 + 1e-9), (found, case)


def hits(z: np.ndarray, wanted: list[str]) -> np.ndarray:
    """Return for sequences of checks, shape (sequences, checks), whether a wanted rule hit up to each check."""
    sequences, checks = z.shape
    frame = pl.DataFrame(
        {"run": np.repeat(np.arange(sequences), checks), "block": np.tile(np.arange(checks), sequences), "z": z.ravel()}
    )
    flags = []
    for name in wanted:
        rule = RULES[name]
        scope = (["run"],) if rule.scope == "series" else (["run"], pl.col("block"))
        flags.append(rule.flag(pl.col("z"), *scope))
    hit = frame.select(hit=pl.any_horizontal(flags))["hit"].to_numpy()
    return hit.reshape(sequences, checks)


def strips(count: int, shift: float = 0.0, spread: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """Return every sequence of strips and its probability."""
    probability = np.diff(ndtr((EDGES - shift) / spread))
    index = np.array(list(itertools.product(range(8), repeat=count)))
    return INSIDE[index], probability[index].prod(axis=1)


@of_kind("run")
def test_probability_within_a_run(case: dict[str, Any]) -> None:
    z, weight = strips(case["count"], case.get("shift", 0.0), case.get("spread", 1.0))
    assert abs(weight.sum() - 1) < 1e-12
    agrees(100 * weight[hits(z, case["rules"]).any(axis=1)].sum(), case)


@of_kind("sides")
def test_probability_of_ten_on_one_side(case: dict[str, Any]) -> None:
    # two sides are enough here, and eight strips in ten places would be a thousand million sequences
    z = np.array(list(itertools.product((-0.5, 0.5), repeat=case["count"])))
    agrees(100 * hits(z, case["rules"]).any(axis=1).mean(), case)


def chain(wanted: list[str], shift: float) -> tuple[float, np.ndarray]:
    """Return the average run length and P(first hit ≤ n), n = 0 to 60, by a Markov chain written here, not the product.

    State: checks in a row on this side (signed, up to 9), of them in a row beyond 1 s (up to 3), last beyond 2 s.
    """
    probability = np.diff(ndtr(EDGES - shift))
    states: dict[tuple[int, int, int], int] = {(0, 0, 0): 0}
    moves: list[tuple[int, int, float]] = []
    queue = [(0, 0, 0)]
    while queue:
        side, beyond_1, beyond_2 = state = queue.pop()
        for z, p in zip(INSIDE, probability, strict=True):
            sign = 1 if z > 0 else -1
            same = side * sign > 0
            new_side = sign * (abs(side) + 1 if same else 1)
            new_1 = (beyond_1 + 1 if same else 1) if abs(z) > 1 else 0
            new_2 = (beyond_2 + 1 if same else 1) if abs(z) > 2 else 0
            hit = (
                ("1-3s" in wanted and abs(z) > 3)
                or ("2-2s" in wanted and new_2 >= 2)
                or ("4-1s" in wanted and new_1 >= 4)
                or ("10-x" in wanted and abs(new_side) >= 10)
            )
            if hit:
                continue
            new = (sign * min(abs(new_side), 9), min(new_1, 3), min(new_2, 1))
            if new not in states:
                states[new] = len(states)
                queue.append(new)
            moves.append((states[state], states[new], p))
    transition = np.zeros((len(states), len(states)))
    for start, end, p in moves:
        transition[start, end] += p
    length = np.linalg.solve(np.eye(len(states)) - transition, np.ones(len(states)))[0]
    alive, surviving = np.eye(len(states))[0], [1.0]
    for _ in range(60):
        alive = alive @ transition
        surviving.append(alive.sum())
    return float(length), 1 - np.array(surviving)


@of_kind("run length")
def test_average_run_length_and_the_product_against_a_markov_chain(case: dict[str, Any]) -> None:
    length, hit_by = chain(case["rules"], case["shift"])
    agrees(length, case)
    # exactly: every sequence of five checks through the product
    z, weight = strips(5, case["shift"])
    assert abs(weight[hits(z, case["rules"]).any(axis=1)].sum() - hit_by[5]) < 1e-12


def test_ten_on_one_side_over_twelve_checks_exactly() -> None:
    # 2^12 sequences of sides; beyond-limit rules are out of the way at half a standard deviation
    z = np.array(list(itertools.product((-0.5, 0.5), repeat=12)))
    surviving = hits(z, ["10-x"])
    assert surviving[:, :9].sum() == 0
    # either side: the ten begin at the first check, or at the second or third after one on the other side
    assert surviving.any(axis=1).mean() == 2 * (2**-10 + 2 * 2**-11)


@pytest.mark.parametrize(("shift", "checks", "series"), [(0.0, 60, 20_000), (1.0, 30, 20_000)])
def test_whole_scheme_along_one_block_by_simulation(shift: float, checks: int, series: int) -> None:
    # seeded; the standard error of the share p over `series` series is √(p(1 − p)/series), at most 0.35 %
    wanted = ["1-3s", "2-2s", "4-1s", "10-x"]
    z = np.random.default_rng(19810301).normal(shift, 1.0, (series, checks))
    share = hits(z, wanted).any(axis=1).mean()
    expected = chain(wanted, shift)[1][checks]
    standard_error = np.sqrt(expected * (1 - expected) / series)
    assert standard_error < 0.0036
    assert abs(share - expected) < 4 * standard_error
