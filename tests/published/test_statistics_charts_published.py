"""Chart constants, worked charts, run lengths of run rules, EWMA and CUSUM (sources in expected.toml)."""

from __future__ import annotations

import tomllib
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from one_by_one import capability, chart_constants, cusums, hits, xbar_range, xbar_standard_deviation
from scipy.special import ndtr

from pipeline.statistics.charts import ewma, individuals
from pipeline.statistics.constants import d2
from pipeline.statistics.outliers import generalised_extreme_studentized_deviate, grubbs, grubbs_critical, tietjen_moore

PUBLISHED = Path(__file__).resolve().parents[2] / "fixtures" / "published"


def read(folder: str) -> dict[str, Any]:
    return tomllib.loads((PUBLISHED / folder / "expected.toml").read_text(encoding="utf-8"))


def agrees(case: dict[str, Any], found: float) -> None:
    assert abs(found - float(case["printed"])) <= float(case["tolerance"]) * (1 + 1e-6), (case, found)


def compare(folder: str, found: dict[str, float]) -> None:
    """Compare every published value of a folder; none may be left out."""
    printed = read(folder)["value"]
    assert {case["name"] for case in printed} == set(found)
    for case in printed:
        agrees(case, found[case["name"]])


def test_chart_constants() -> None:
    for case in read("chart_constants")["value"]:
        symbol, _, n = case["name"].split()
        agrees(case, getattr(chart_constants(int(n)), symbol))


def test_chart_constants_from_2_to_25(reference_data: Path) -> None:
    table = pl.read_csv(reference_data / "derived_spc_constants" / "spc_constants.csv")
    assert table["n"].to_list() == list(range(2, 26))
    for row in table.iter_rows(named=True):
        constants = chart_constants(n := row.pop("n"))
        for symbol, number in row.items():
            assert getattr(constants, symbol) == pytest.approx(number, abs=5.1e-6), (n, symbol)


def test_chart_constants_in_closed_form() -> None:
    pi = np.pi
    assert chart_constants(2).d2 == pytest.approx(2 / np.sqrt(pi), abs=1e-11)
    assert chart_constants(2).d3 == pytest.approx(np.sqrt(2 - 4 / pi), abs=1e-11)
    assert chart_constants(3).d2 == pytest.approx(3 / np.sqrt(pi), abs=1e-11)
    assert chart_constants(2).c4 == pytest.approx(np.sqrt(2 / pi), abs=1e-14)


def test_ewma_example() -> None:
    x = read("nist_ewma_example")["inputs"]
    chart = ewma(
        x["values"], target=x["target"], sigma=x["sigma"], weight=x["weight"], width=x["width"], asymptotic=True
    )
    z = {f"EWMA {place}": value for place, value in chart.points.select("place", "value").iter_rows()}
    compare(
        "nist_ewma_example",
        {"upper limit": chart.points["upper"][0], "lower limit": chart.points["lower"][0], **z},
    )
    assert not chart.points["beyond"].any()
    varying = ewma(x["values"], target=x["target"], sigma=x["sigma"], weight=x["weight"], width=x["width"])
    # the first limit is that of one weighted value, and the limits end at the asymptotic ones
    assert varying.points["upper"][0] == pytest.approx(50 + 3 * 0.3 * 2.0539, rel=1e-12)
    assert varying.points["upper"][-1] == pytest.approx(chart.points["upper"][0], rel=1e-5)


def test_individuals_example() -> None:
    x = read("nist_individuals_example")["inputs"]
    chart = individuals(x["values"])
    assert chart.centre is not None
    assert chart.sigma is not None
    half = 3 * chart.sigma * d2(2) / 1.128
    compare(
        "nist_individuals_example",
        {
            "mean": chart.centre,
            "mean moving range": chart.sigma * d2(2),
            "upper limit with d2 1.128": chart.centre + half,
            "lower limit with d2 1.128": chart.centre - half,
        },
    )
    assert not chart.points["beyond"].any()


def test_cusum_example() -> None:
    x = read("nist_cusum_example")["inputs"]
    high, low = cusums(x["values"], target=x["target"], reference_value=x["reference_value"])
    beyond = np.maximum(high, low) > x["decision_interval"]
    found = {"first signal": float(beyond.argmax() + 1)}
    found |= {f"high {place}": float(high[place - 1]) for place in range(13, 21)}
    found |= {f"low {place}": float(low[place - 1]) for place in (4, 7, 8)}
    compare("nist_cusum_example", found)
    assert low.argmax() == 7


def test_gear_charts(reference_data: Path) -> None:
    document = read("nist_gear_subgroups")
    frame = pl.read_csv(reference_data / "nist_gear_subgroups" / "gear.csv")
    groups = [rows["diameter"].to_numpy() for rows in frame.partition_by("batch", maintain_order=True)]
    by_s, by_r = xbar_standard_deviation(groups), xbar_range(groups)
    assert by_s.spread is not None
    assert by_r.spread is not None
    lots = capability(np.concatenate(groups).tolist(), 0.98, 1.02, subgroup_size=10)
    found = {
        "grand mean": by_s.centre,
        "mean standard deviation": by_s.spread["value"].mean(),
        "mean range": by_r.spread["value"].mean(),
        "X-bar lower limit by s": by_s.points["lower"][0],
        "X-bar upper limit by s": by_s.points["upper"][0],
        "X-bar lower limit by R": by_r.points["lower"][0],
        "X-bar upper limit by R": by_r.points["upper"][0],
        "s upper limit": by_s.spread["upper"][0],
        "R upper limit": by_r.spread["upper"][0],
        "sigma by s": by_s.sigma,
        "sigma by R": by_r.sigma,
        "sigma pooled": lots.within_standard_deviation,
        "sigma overall": lots.standard_deviation,
    }
    cases = {case["name"]: case for case in document["value"]}
    for name, number in found.items():
        assert isinstance(number, float)
        agrees(cases[name], number)
    assert by_s.points.filter(pl.col("beyond"))["place"].to_list() == document["inputs"]["beyond_by_s"]
    assert by_r.points.filter(pl.col("beyond"))["place"].to_list() == document["inputs"]["beyond_by_r"]
    # batch 6 is out on the s chart and in on the R chart
    assert by_s.spread.filter(pl.col("beyond"))["place"].to_list() == document["inputs"]["s_chart_beyond"]
    assert not by_r.spread["beyond"].any()


def test_grubbs_example() -> None:
    result = grubbs(read("nist_grubbs_example")["inputs"]["values"], side="high")
    assert result.statistic is not None
    assert result.critical is not None
    compare(
        "nist_grubbs_example",
        {
            "G": result.statistic,
            "critical, one side, 5 %": result.critical,
            "critical, both sides, 5 %": grubbs_critical(8, side="both"),
        },
    )
    assert result.outlier
    assert result.value == 245.57


def test_many_outliers_example() -> None:
    x = read("rosner_1983_many_outliers")["inputs"]
    result = generalised_extreme_studentized_deviate(x["values"], most=x["most"])
    # the paper's R and λ are not studentised: those of n values are smaller by √((n − 1)/n)
    n = len(x["values"]) - np.arange(x["most"])
    shrink = np.sqrt((n - 1) / n)
    compare(
        "rosner_1983_many_outliers",
        {
            "outliers": len(result.places),
            **{f"R {i}": number for i, number in enumerate(shrink * result.statistics, start=1)},
            **{f"lambda {i}": number for i, number in enumerate(shrink * result.criticals, start=1)},
        },
    )
    assert [x["values"][place] for place in result.places] == [6.01, 5.42, 5.34]


def test_two_outliers_of_fifteen() -> None:
    """Vertical semi-diameters of Venus: E_2 0.292, critical 0.317 by 10,000 samples (handbook 1.3.5.17.2; from memory)."""
    x = [-1.40, -0.44, -0.30, -0.24, -0.22, -0.13, -0.05, 0.06, 0.10, 0.18, 0.20, 0.39, 0.48, 0.63, 1.01]
    found = tietjen_moore(x, 2, simulations=100_000)
    assert found.statistic == pytest.approx(0.292, abs=5e-4)
    # a quantile of 10,000 samples scatters by 0.002
    assert found.critical == pytest.approx(0.317, abs=0.005)
    assert (found.places, found.outlying) == ((0, 14), True)


# --- run rules: an automaton written here, not the product's code, gives the exact run length; the product must agree with it
EDGES = np.array([-np.inf, -3, -2, -1, 0, 1, 2, 3, np.inf])
STRIPS = np.array([-3.5, -2.5, -1.5, -0.5, 0.5, 1.5, 2.5, 3.5])
MEMORY = {"beyond-3s": 0, "2-of-3-beyond-2s": 2, "4-of-5-beyond-1s": 4, "run-of-7": 6, "run-of-8": 7, "run-of-9": 8}


class Automaton:
    """Remembers, for each rule and side, only what can still matter; walks strips of one standard deviation."""

    def __init__(self, rules: list[str]) -> None:
        self.rules = rules
        self.start = tuple(0 if r.startswith("run") or r == "beyond-3s" else ((), ()) for r in rules)

    def step(self, state: tuple[Any, ...], z: float) -> tuple[tuple[Any, ...], bool]:
        new: list[Any] = []
        hit = False
        for rule, memory in zip(self.rules, state, strict=True):
            if rule == "beyond-3s":
                hit |= abs(z) > 3
                new.append(0)
            elif rule.startswith("run"):
                sign = 1 if z > 0 else -1
                length = sign * (abs(memory) + 1) if memory * sign > 0 else sign
                hit |= abs(length) >= int(rule.rsplit("-", 1)[1])
                new.append(sign * min(abs(length), MEMORY[rule]))
            else:
                least, window, limit = (2, 3, 2.0) if rule.startswith("2") else (4, 5, 1.0)
                sides = []
                for side, past in zip((1, -1), memory, strict=True):
                    held = side * z > limit
                    hit |= held and sum(past) + 1 >= least
                    following = (*past, held)[-(window - 1) :]
                    while following and not following[0]:
                        following = following[1:]
                    sides.append(following)
                new.append(tuple(sides))
        return tuple(new), bool(hit)

    def run_length(self, shift: float) -> float:
        probability = np.diff(ndtr(EDGES - shift))
        index, queue, moves = {self.start: 0}, [self.start], []
        while queue:
            state = queue.pop()
            for z, p in zip(STRIPS, probability, strict=True):
                new, hit = self.step(state, z)
                if hit:
                    continue
                if new not in index:
                    index[new] = len(index)
                    queue.append(new)
                moves.append((index[state], index[new], p))
        matrix = np.eye(len(index))
        for i, j, p in moves:
            matrix[i, j] -= p
        return float(np.linalg.solve(matrix, np.ones(len(index)))[0])


@pytest.mark.parametrize(
    "case", read("champ_woodall_1987_run_rules")["value"], ids=lambda case: case["name"].replace(" ", "_")
)
def test_average_run_length_of_run_rules(case: dict[str, Any]) -> None:
    agrees(case, Automaton(case["rules"]).run_length(case["shift"]))


@pytest.mark.parametrize(("points", "length"), read("champ_woodall_1987_run_rules")["inputs"]["single_runs"])
def test_average_run_length_of_one_run(points: int, length: int) -> None:
    assert Automaton([f"run-of-{points}"]).run_length(0.0) == pytest.approx(length, rel=1e-9)


@pytest.mark.parametrize(
    "rules",
    [
        ["beyond-3s"],
        ["2-of-3-beyond-2s"],
        ["4-of-5-beyond-1s"],
        ["run-of-7"],
        ["run-of-8"],
        ["run-of-9"],
        ["beyond-3s", "2-of-3-beyond-2s", "4-of-5-beyond-1s", "run-of-8"],
    ],
    ids=" ".join,
)
def test_product_hits_where_the_automaton_does(rules: list[str]) -> None:
    every_start = np.array(list(product(STRIPS, repeat=4)))
    random = np.random.default_rng(1987).choice(STRIPS, size=(300, 60), p=np.diff(ndtr(EDGES - 0.8)))
    automaton = Automaton(rules)
    for block in (every_start, random):
        found = hits(block, rules).any(axis=0)
        for row, got in zip(block, found, strict=True):
            state, wanted = automaton.start, []
            for z in row:
                state, hit = automaton.step(state, float(z))
                wanted.append(hit)
            assert got.tolist() == wanted, row


# --- EWMA and CUSUM: the integral equation of the run length, with the limits that the product draws
NODES, WEIGHTS = np.polynomial.legendre.leggauss(120)


def density(x: np.ndarray) -> np.ndarray:
    return np.exp(-0.5 * x * x) / np.sqrt(2 * np.pi)


def ewma_run_length(weight: float, width: float, shift: float) -> float:
    half = float(ewma([0.0], target=0.0, sigma=1.0, weight=weight, width=width, asymptotic=True).points["upper"][0])
    y, w = half * NODES, half * WEIGHTS
    kernel = w[None, :] / weight * density((y[None, :] - (1 - weight) * y[:, None]) / weight - shift)
    length = np.linalg.solve(np.eye(y.size) - kernel, np.ones(y.size))
    return float(1 + (w / weight * density(y / weight - shift)) @ length)


def cusum_run_length(h: float, shift: float, k: float = 0.5) -> float:
    y, w = 0.5 * h * (NODES + 1), 0.5 * h * WEIGHTS
    points = np.append(y, 0.0)
    matrix = np.zeros((points.size, points.size))
    matrix[:, :-1] = w[None, :] * density(y[None, :] - points[:, None] + k - shift)
    matrix[:, -1] = ndtr(-points + k - shift)
    return float(np.linalg.solve(np.eye(points.size) - matrix, np.ones(points.size))[-1])


@pytest.mark.parametrize(
    "case", read("average_run_lengths_ewma_cusum")["value"], ids=lambda case: case["name"].replace(" ", "_")
)
def test_average_run_length_of_ewma_and_cusum(case: dict[str, Any]) -> None:
    if "weight" in case:
        agrees(case, ewma_run_length(case["weight"], case["width"], case["shift"]))
        return
    high, low = (cusum_run_length(case["h"], shift) for shift in (case["shift"], -case["shift"]))
    agrees(case, 1 / (1 / high + 1 / low))


def test_cusum_run_length_by_the_product() -> None:
    """Simulated, seeded: the product's own signals come at the average run length, within four standard errors."""
    rng = np.random.default_rng(4)
    lengths = []
    for _ in range(400):
        beyond = np.maximum(*cusums(rng.normal(1.0, 1.0, 60), target=0.0, reference_value=0.5)) > 4.0
        assert beyond.any()
        lengths.append(beyond.argmax() + 1)
    error = np.std(lengths, ddof=1) / np.sqrt(len(lengths))
    assert abs(np.mean(lengths) - 8.38) < 4 * error
