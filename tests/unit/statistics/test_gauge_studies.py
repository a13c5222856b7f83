"""Gauge studies of every design against mean squares and combinations written out here; what is noise, pooled or refused."""

from __future__ import annotations

from itertools import product
from math import floor, sqrt
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.statistics.gauge_study import GaugeStudy, crossed_study, nested_study
from pipeline.statistics.mean_squares import modified_large_sample_interval, ratio_interval

if TYPE_CHECKING:
    from collections.abc import Callable

Sources = dict[str, tuple[float, int]]
"""Sum of squares and degrees of freedom by source, in the order of the table."""


def made_up(seed: int, shape: tuple[int, int, int], *spread: float) -> np.ndarray:
    p, o, r = shape
    draw = np.random.default_rng(seed).normal
    sizes = [(p, 1, 1), (1, o, 1), (p, o, 1), (p, o, r)]
    return 35 + sum(s * draw(size=size) for s, size in zip(spread, sizes, strict=True))


def frame_of(cube: np.ndarray) -> pl.DataFrame:
    rows = [(i, j, float(cube[i, j, k])) for i, j, k in product(*map(range, cube.shape))]
    return pl.DataFrame(rows, schema=["part", "operator", "value"], orient="row")


def crossed(cube: np.ndarray) -> Sources:
    p, o, r = cube.shape
    cells, parts, operators = cube.mean(2), cube.mean((1, 2)), cube.mean((0, 2))
    rest = cells - parts[:, None] - operators[None, :] + cube.mean()
    return {
        "part": (o * r * p * parts.var(), p - 1),
        "operator": (p * r * o * operators.var(), o - 1),
        "interaction": (r * float((rest**2).sum()), (p - 1) * (o - 1)),
        "repeatability": (float(cube.var(axis=2).sum() * r), p * o * (r - 1)),
    }


def agrees(
    found: GaugeStudy, sources: Sources, against: dict[str, str], combined: dict[str, dict[str, float]],
    tolerance: float, width: float, confidence: float,
) -> None:  # fmt: skip
    """Compare every figure of a study whose components are all positive."""
    ms = {name: squares / freedom for name, (squares, freedom) in sources.items()}
    for line, (name, (squares, freedom)) in zip(found.anova.iter_rows(named=True), sources.items(), strict=True):
        f = ms[name] / ms[against[name]] if name in against else None
        p = None if f is None else pytest.approx(stats.f.sf(f, freedom, sources[against[name]][1]))
        assert (line["source"], line["degrees_of_freedom"], line["p_value"]) == (name, freedom, p)
        assert (line["sum_of_squares"], line["mean_square"]) == pytest.approx((squares, ms[name]))
        assert line["f_ratio"] == (None if f is None else pytest.approx(f))
    inner = [key for key in ("operator", "interaction") if key in combined]
    members = {"gauge": ["repeatability", *inner], "total": ["repeatability", *inner, "part"]}
    if inner:
        members["reproducibility"] = inner
    vectors = {key: np.array([weights.get(name, 0.0) for name in sources]) for key, weights in combined.items()}
    vectors |= {key: np.sum([vectors[one] for one in parts], axis=0) for key, parts in members.items()}
    squares, freedoms = list(ms.values()), [freedom for _, freedom in sources.values()]
    variance = {key: float(vector @ squares) for key, vector in vectors.items()}
    assert min(variance.values()) > 0
    order = ("repeatability", "operator", "interaction", "reproducibility", "gauge", "part", "total")
    assert found.components["source"].to_list() == [key for key in order if key in vectors]
    for line in found.components.iter_rows(named=True):
        key = line["source"]
        low, high = modified_large_sample_interval(list(vectors[key]), squares, freedoms, confidence)
        share, deviation = variance[key] / variance["total"], sqrt(variance[key])
        wanted = {
            "raw": variance[key], "variance": variance[key], "standard_deviation": deviation, "low": max(low, 0.0),
            "high": high, "percent_of_variance": 100 * share, "percent_of_study": 100 * sqrt(share),
            "percent_of_tolerance": 100 * width * deviation / tolerance,
        }  # fmt: skip
        assert {name: line[name] for name in wanted} == pytest.approx(wanted, rel=1e-7), key
    ratio = variance["part"] / variance["gauge"]
    assert found.percent_gauge == pytest.approx(100 / sqrt(1 + ratio))
    assert found.distinct_categories == floor(1.41 * sqrt(ratio))
    least, most = ratio_interval(list(vectors["part"]), list(vectors["gauge"]), squares, freedoms, confidence)
    ends = (0.0 if most is None else 100 / sqrt(1 + most), 100 / sqrt(1 + least))
    assert found.percent_gauge_interval == pytest.approx(ends)
    assert (found.confidence, found.study_width) == (confidence, width)


@pytest.mark.parametrize("shape", [(5, 3, 2), (4, 2, 3), (10, 4, 2)])
def test_crossed_study_with_its_interaction(shape: tuple[int, int, int]) -> None:
    p, o, r = shape
    cube = made_up(33, shape, 1.5, 1.2, 0.5, 0.1)
    found = crossed_study(frame_of(cube), tolerance=7.0, pool_interaction_above=None, study_width=5.15, confidence=0.9)
    combined = {
        "repeatability": {"repeatability": 1.0},
        "operator": {"operator": 1 / (p * r), "interaction": -1 / (p * r)},
        "interaction": {"interaction": 1 / r, "repeatability": -1 / r},
        "part": {"part": 1 / (o * r), "interaction": -1 / (o * r)},
    }
    against = {"part": "interaction", "operator": "interaction", "interaction": "repeatability"}
    agrees(found, crossed(cube), against, combined, 7.0, 5.15, 0.9)
    assert (found.design, found.parts, found.operators, found.repeats) == ("crossed", p, o, r)
    assert (found.interaction_pooled, found.not_computable) == (False, {})
    assert found.interaction_p_value == found.anova["p_value"][2]


@pytest.mark.parametrize("why", ["pooled", "one repeat"])
def test_crossed_study_without_an_interaction_of_its_own(why: str) -> None:
    shape = (5, 3, 2) if why == "pooled" else (5, 3, 1)
    p, o, r = shape
    cube = made_up(12, shape, 1.5, 0.8, 0.0, 0.2)
    found = crossed_study(frame_of(cube), tolerance=6.0, pool_interaction_above=0.0)
    sources = crossed(cube)
    squares, freedom = sources.pop("interaction")
    inside, inside_freedom = sources["repeatability"]
    sources["repeatability"] = squares + inside, freedom + inside_freedom
    combined = {
        "repeatability": {"repeatability": 1.0},
        "operator": {"operator": 1 / (p * r), "repeatability": -1 / (p * r)},
        "part": {"part": 1 / (o * r), "repeatability": -1 / (o * r)},
    }
    against = {"part": "repeatability", "operator": "repeatability"}
    agrees(found, sources, against, combined, 6.0, 6.0, 0.95)
    assert found.interaction_pooled is (why == "pooled")
    assert set(found.not_computable) == {"interaction"}
    assert (found.interaction_p_value is None) == (why == "one repeat")


def test_study_of_one_operator_has_repeatability_and_parts_alone() -> None:
    cube = made_up(14, (5, 1, 3), 1.5, 0.0, 0.0, 0.2)
    for study, design in ((crossed_study, "crossed"), (nested_study, "nested")):
        found = study(frame_of(cube), tolerance=6.0)
        sources = {name: crossed(cube)[name] for name in ("part", "repeatability")}
        combined = {"repeatability": {"repeatability": 1.0}, "part": {"part": 1 / 3, "repeatability": -1 / 3}}
        agrees(found, sources, {"part": "repeatability"}, combined, 6.0, 6.0, 0.95)
        assert (found.design, found.operators, found.interaction_p_value) == (design, 1, None)
        assert set(found.not_computable) == {"reproducibility", *(["interaction"] if design == "nested" else [])}


@pytest.mark.parametrize("shape", [(5, 3, 2), (2, 4, 3)])
def test_nested_study_with_parts_of_each_operator(shape: tuple[int, int, int]) -> None:
    p, o, r = shape
    cube = made_up(16, shape, 0.0, 2.0, 0.7, 0.1)
    found = nested_study(frame_of(cube), tolerance=8.0, study_width=5.0, confidence=0.9)
    cells, operators = cube.mean(2), cube.mean((0, 2))
    sources = {
        "operator": (p * r * o * operators.var(), o - 1),
        "part": (r * float(((cells - operators) ** 2).sum()), o * (p - 1)),
        "repeatability": crossed(cube)["repeatability"],
    }
    combined = {
        "repeatability": {"repeatability": 1.0},
        "operator": {"operator": 1 / (p * r), "part": -1 / (p * r)},
        "part": {"part": 1 / r, "repeatability": -1 / r},
    }
    agrees(found, sources, {"operator": "part", "part": "repeatability"}, combined, 8.0, 5.0, 0.9)
    assert (found.design, found.interaction_pooled, set(found.not_computable)) == ("nested", False, {"interaction"})


def test_interaction_is_pooled_above_a_p_of_a_quarter_and_never_at_the_limit() -> None:
    seen = set()
    for seed in range(30):
        frame = frame_of(made_up(seed, (5, 3, 2), 1.0, 0.3, 0.08, 0.2))
        found = crossed_study(frame)
        p = found.interaction_p_value
        assert p is not None
        assert found.interaction_pooled is (p > 0.25)
        seen.add(0.1 < p < 0.25) if p < 0.25 else seen.add(p < 0.4 and "above")
        assert not crossed_study(frame, pool_interaction_above=p).interaction_pooled
        assert crossed_study(frame, pool_interaction_above=p * (1 - 1e-9)).interaction_pooled
    assert seen >= {True, "above"}


def test_study_does_not_depend_on_sign_or_origin() -> None:
    cube = made_up(21, (5, 3, 2), 1.0, 0.3, 0.2, 0.1)
    # readings from −1e6 up: a scatter of 1e-7 between repeats is rounding of the largest
    far = np.where(np.arange(5)[:, None, None] == 0, -1e6, 0.0) + 1e-7 * (cube - 35)
    for study in (crossed_study, nested_study):
        first = study(frame_of(cube)).components
        for other in (study(frame_of(-cube)).components, study(frame_of(cube + 512)).components):
            for name in ("raw", "low", "high"):
                assert other[name].to_list() == pytest.approx(first[name].to_list(), rel=1e-8, abs=1e-12)
        for values in (far, -far):
            found = study(frame_of(values))
            assert found.components["variance"][0] == 0.0
            assert {"distinct_categories", "percent_gauge_interval"} <= set(found.not_computable)


def test_scatter_within_rounding_of_the_values_is_none() -> None:
    scatter = (made_up(4, (4, 2, 2), 1.0, 0.3, 0.2, 0.5) - 35) / 35
    nothing, something = (crossed_study(frame_of(1 + size * scatter)) for size in (1e-14, 1e-9))
    assert nothing.components["variance"].to_list() == [0.0] * nothing.components.height
    assert nothing.components["percent_of_variance"].null_count() == nothing.components.height
    assert set(nothing.not_computable) >= {"percent_gauge", "distinct_categories"}
    assert something.percent_gauge is not None
    equal = crossed_study(frame_of(np.full((3, 2, 2), 35.1)))
    assert equal.anova["f_ratio"].null_count() == equal.anova["p_value"].null_count() == equal.anova.height
    assert equal.interaction_p_value is None
    assert not equal.interaction_pooled


def test_a_sum_taken_from_negative_components_lies_in_its_own_interval() -> None:
    """Operators that differ less than their parts let them: the raw gauge of a nested study may be negative."""
    cube = np.array([[[10.0, 10.1], [20.0, 20.1]], [[20.0, 20.1], [10.0, 10.1]]])
    found = nested_study(frame_of(cube))
    gauge = found.components.row(found.components["source"].to_list().index("gauge"), named=True)
    assert gauge["raw"] < 0 < gauge["variance"] == pytest.approx(0.005)
    assert gauge["low"] <= gauge["variance"] <= gauge["high"]
    # what is left is repeatability alone, with the exact interval of its four degrees of freedom
    low, high = stats.chi2.ppf([0.025, 0.975], 4)
    assert (gauge["low"], gauge["high"]) == pytest.approx((0.02 / high, 0.02 / low))
    assert found.percent_gauge_interval is None
    assert "negative" in found.not_computable["percent_gauge_interval"]
    assert found.distinct_categories == floor(1.41 * sqrt((100 - 0.005) / 2 / 0.005))


@pytest.mark.parametrize(
    ("study", "shape", "allowed"),
    [
        (crossed_study, (2, 1, 2), True), (crossed_study, (2, 2, 1), True), (crossed_study, (2, 1, 1), False),
        (crossed_study, (1, 2, 2), False), (nested_study, (2, 1, 2), True), (nested_study, (2, 2, 1), False),
        (nested_study, (1, 2, 2), False),
    ],
)  # fmt: skip
def test_least_study(study: Callable[[pl.DataFrame], GaugeStudy], shape: tuple[int, int, int], allowed: bool) -> None:
    frame = frame_of(made_up(5, shape, 1.0, 0.3, 0.2, 0.1))
    if allowed:
        assert study(frame).percent_gauge is not None
    else:
        with pytest.raises(ValueError, match=r"at least two parts|no repeatability"):
            study(frame)


def test_a_study_with_a_gap_is_refused() -> None:
    frame = frame_of(made_up(6, (3, 2, 2), 1.0, 0.3, 0.2, 0.1))
    for bad in (None, float("nan"), float("inf")):
        values = pl.Series([bad, *frame["value"].to_list()[1:]], dtype=pl.Float64)
        with pytest.raises(ValueError, match="finite values"):
            crossed_study(frame.with_columns(value=values))
    with pytest.raises(ValueError, match="finite values"):
        crossed_study(frame.clear())
    for tolerance in (0.0, -1.0, float("nan")):
        with pytest.raises(ValueError, match="above zero"):
            crossed_study(frame, tolerance=tolerance)
    renamed = frame.rename({"part": "p", "operator": "o", "value": "v"})
    for study in (crossed_study, nested_study):
        with pytest.raises(ValueError, match="balanced: cells have 1 to 2"):
            study(frame[1:])
        other = study(renamed, part="p", operator="o", value="v")
        assert other.components.equals(study(frame).components)
