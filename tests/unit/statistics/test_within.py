"""Variation within subgroups of many lots, and unweighted mean squares, against loops and matrices of their definitions."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import polars as pl
import pytest

from pipeline.statistics.constants import d2, degrees_of_freedom_of_relative_variance, moving_range_relative_variance
from pipeline.statistics.unweighted import unweighted_design
from pipeline.statistics.within import within_of_lots


def lots() -> dict[str, list[float]]:
    rng = np.random.default_rng(12)
    sizes = [1, 2, 3, 4, 5, 6, 7, 8, 11, 12, 13, 15]
    return {f"L{size:02d}": np.round(rng.normal(35, 0.2, size), 5).tolist() for size in sizes}


def frame(values: dict[str, list[float]]) -> pl.DataFrame:
    rows = [(lot, order, x) for lot, some in values.items() for order, x in enumerate(some)]
    return pl.DataFrame(rows, schema=["lot", "order", "mean"], orient="row").sample(
        fraction=1.0, shuffle=True, seed=3
    )  # fmt: skip


def nu_of(relative_variance: float) -> float:
    return float(degrees_of_freedom_of_relative_variance(np.array([relative_variance]))[0])


def expected(x: list[float], size: int) -> tuple[float, float] | None:
    """Return the standard deviation within subgroups and its degrees of freedom, by loops."""
    if size == 1:
        if len(x) < 2:
            return None
        ranges = [abs(b - a) for a, b in pairwise(x)]
        return float(np.mean(ranges)) / d2(2), nu_of(moving_range_relative_variance(np.array([len(x)]))[0])
    groups = [some for some in (x[start : start + size] for start in range(0, len(x), size)) if len(some) > 1]
    if not groups:
        return None
    freedom = sum(len(some) - 1 for some in groups)
    return math.sqrt(sum(np.var(some, ddof=1) * (len(some) - 1) for some in groups) / freedom), freedom


@pytest.mark.parametrize("size", [1, 2, 3, 5])
def test_variation_within_subgroups_by_loops(size: int) -> None:
    values = lots()
    found = within_of_lots(frame(values), subgroup_size=size)
    assert found["lot"].to_list() == sorted(values)
    for row in found.iter_rows(named=True):
        wanted = expected(values[row["lot"]], size)
        assert row["within_estimator"] == ("moving_range" if size == 1 else "pooled_subgroups")
        got = (row["within_standard_deviation"], row["within_degrees_of_freedom"])
        if wanted is None:
            assert got == (None, None)
            assert ("one part" if size == 1 else "no subgroup has two parts") in row["within_reason"]
        else:
            assert got == pytest.approx(wanted, rel=1e-9)
            assert row["within_reason"] is None


def test_order_decides_what_stands_in_a_subgroup_whatever_the_row() -> None:
    two = frame({"A": [1.0, 1.0, 5.0, 5.0], "B": [1.0, 5.0, 1.0, 5.0]})
    found = within_of_lots(two, subgroup_size=2)
    assert found["within_standard_deviation"].to_list() == [0.0, pytest.approx(math.sqrt(8.0))]


@pytest.mark.parametrize("size", [1, 2])
def test_many_lots_stand_in_order(size: int) -> None:
    values = {f"L{number:03d}": [1.0, 2.0, 4.0] for number in range(150)}
    found = within_of_lots(frame(values), subgroup_size=size)
    assert found["lot"].to_list() == list(values)


def test_equal_parts_do_not_vary_at_all() -> None:
    """The mean of three times 0.1 is not 0.1 in binary digits; three parts that read 0.1 do not vary for that."""
    assert within_of_lots(frame({"A": [0.1] * 3}), subgroup_size=3)["within_standard_deviation"].to_list() == [0.0]


def test_a_part_without_a_place_stands_last() -> None:
    three = pl.DataFrame({"lot": "A", "order": [None, 0, 1], "mean": [5.0, 1.0, 1.0]})
    assert within_of_lots(three, subgroup_size=2)["within_standard_deviation"].to_list() == [0.0]


def test_sizes_without_sense_and_no_lots() -> None:
    with pytest.raises(ValueError, match="expected 1 or more"):
        within_of_lots(frame(lots()), subgroup_size=0)
    empty = within_of_lots(frame(lots()).clear(), subgroup_size=2)
    assert empty.is_empty()
    assert empty.schema["within_standard_deviation"] == pl.Float64


# unweighted mean squares

DESIGNS = {
    "uneven": [[[3, 1], [2], [1, 4, 2]], [[1], [5, 1]], [[2, 2], [1], [1], [3, 1, 1]]],
    "two lots": [[[2, 3]], [[1, 4], [2]]],
    "one lot": [[[2, 1], [3], [1, 1, 2]]],
    "one spot": [[[2], [3], [1]], [[1], [4]]],
    "one part": [[[2, 2, 1]], [[3, 4]], [[1]]],
    "even": [[[2, 2], [2, 2]], [[2, 2], [2, 2]]],
}


def design(name: str) -> tuple[list[int], list[int], list[int]]:
    lot, part, readings = [], [], []
    number = 0
    for place, some in enumerate(DESIGNS[name]):
        for spots in some:
            lot += [place] * len(spots)
            part += [number] * len(spots)
            readings += spots
            number += 1
    return lot, part, readings


def levels(name: str) -> list[tuple[np.ndarray, np.ndarray]]:
    """Return for lots, parts and spots: the weights of spot means in each mean, and the group of each mean."""
    lot, part, _ = design(name)
    spots = np.eye(len(part))
    parts = np.array([spots[np.array(part) == p].mean(axis=0) for p in sorted(set(part))])
    of_part = [lot[part.index(p)] for p in sorted(set(part))]
    whole = np.array([parts[np.array(of_part) == number].mean(axis=0) for number in sorted(set(lot))])
    return [(whole, np.zeros(len(whole), dtype=int)), (parts, np.array(of_part)), (spots, np.array(part))]


def centring(group: np.ndarray) -> np.ndarray:
    same = (group[:, None] == group).astype(float)
    return np.eye(group.size) - same / same.sum(axis=1, keepdims=True)


def covariance_of_spots(name: str, components: np.ndarray) -> np.ndarray:
    lot, part, readings = (np.array(item) for item in design(name))
    return (
        components[0] * (lot[:, None] == lot)
        + components[1] * (part[:, None] == part)
        + components[2] * np.eye(part.size)
        + components[3] * np.diag(1.0 / readings)
    )


@pytest.mark.parametrize("name", DESIGNS)
def test_unweighted_mean_squares_are_quadratic_forms_of_spot_means(name: str) -> None:
    lot, part, readings = design(name)
    found = unweighted_design(np.array(lot), np.array(part), np.array(readings, dtype=float), 7.0)
    rng = np.random.default_rng(2)
    y = 35.0 + rng.normal(size=(4, len(part)))
    squares = found.mean_squares(y)
    components = np.array([[0.5, 0.2, 1.1, 2.0], [0.0, 0.0, 0.3, 0.1], [2.0, 1.0, 0.0, 0.0]])
    effective = found.effective_freedoms(components)
    assert squares.shape == (4, 3)
    assert effective.shape == (3, 3)
    assert found.freedoms[3] == 7.0
    assert found.matrix.shape == (4, 4)
    assert found.matrix[3].tolist() == [0.0, 0.0, 0.0, 1.0]
    for level, (weights, group) in enumerate(levels(name)):
        form = centring(group)
        freedom = round(np.trace(form))
        assert found.freedoms[level] == freedom
        assert found.groups[level].tolist() == group.tolist()
        if not freedom:
            assert np.isnan(squares[:, level]).all()
            assert (found.matrix[level] == 0).all()
            assert (effective[:, level] == 0).all()
            continue
        means = weights @ y.T
        assert squares[:, level] == pytest.approx(np.einsum("is,ij,js->s", means, form, means) / freedom, rel=1e-9)
        # expectation of a quadratic form: the trace of its product with the covariance
        for place, unit in enumerate(np.eye(4)):
            covariance = weights @ covariance_of_spots(name, unit) @ weights.T
            assert found.matrix[level, place] == pytest.approx(np.trace(form @ covariance) / freedom, abs=1e-12)
        # 2·E²/Var, with Var = 2·tr((A·V)²); what is common to a group falls out
        for row, one in enumerate(components):
            product = form @ (weights @ covariance_of_spots(name, one) @ weights.T)
            spread = np.trace(product @ product)
            wanted = np.trace(product) ** 2 / spread if spread > 1e-12 else freedom
            assert effective[row, level] == pytest.approx(wanted, rel=1e-9)
            assert effective[row, level] <= freedom * (1 + 1e-12)
