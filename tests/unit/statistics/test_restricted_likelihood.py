"""Restricted maximum likelihood of nested readings: against the whole matrix, against the analysis of variance, and at its edges."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import pytest
from scipy import optimize, stats

from pipeline.statistics.components import variance_components
from pipeline.statistics.descriptive import nested
from pipeline.statistics.restricted_likelihood import restricted_components

if TYPE_CHECKING:
    from collections.abc import Callable

Keys = list[tuple[int, int, int]]


def even(lots: int, parts: int, spots: int, readings: int) -> Keys:
    return [(a, b, c) for a in range(lots) for b in range(parts) for c in range(spots) for _ in range(readings)]


def uneven(seed: int, lots: int = 6) -> Keys:
    rng = np.random.default_rng(seed)
    return [
        (a, b, c)
        for a in range(lots)
        for b in range(rng.integers(1, 6))
        for c in range(rng.integers(1, 4))
        for _ in range(rng.integers(1, 4))
    ]


def drawn(keys: Keys, spreads: tuple[float, ...], rng: np.random.Generator) -> np.ndarray:
    values = 58 + rng.normal(0, spreads[3], len(keys))
    for depth, spread in enumerate(spreads[:3], start=1):
        of = {key: rng.normal(0, spread) for key in dict.fromkeys(key[:depth] for key in keys)}
        values += [of[key[:depth]] for key in keys]
    return values


def spots_of(keys: Keys, values: np.ndarray) -> pl.DataFrame:
    frame = pl.DataFrame(keys, schema=["lot", "part", "spot"], orient="row").with_row_index("measured_at")
    return nested(frame.with_columns(pl.Series("value", values, dtype=pl.Float64))).spot_values


def both(keys: Keys, values: np.ndarray) -> tuple[pl.DataFrame, pl.DataFrame]:
    spots = spots_of(keys, values)
    anova = variance_components(spots)
    return restricted_components(spots, anova), anova.table


def whole_matrix(keys: Keys, values: np.ndarray) -> Callable[[np.ndarray], float]:
    """Return −2·ln of the restricted likelihood by its definition (Patterson and Thompson 1971), but for a constant."""
    nests = [np.eye(len(values))]
    for depth in (3, 2, 1):
        codes = np.unique([key[:depth] for key in keys], axis=0, return_inverse=True)[1].ravel()
        nests.insert(0, (codes[:, None] == codes[None, :]).astype(float))
    ones = np.ones(len(values))

    def deviance(components: np.ndarray) -> float:
        v = sum(s * matrix for s, matrix in zip(components, nests, strict=True))
        inverse = np.linalg.inv(v)
        information = ones @ inverse @ ones
        rest = values - ones @ inverse @ values / information
        return float(np.linalg.slogdet(v)[1] + np.log(information) + rest @ inverse @ rest)

    return deviance


@pytest.mark.parametrize(
    ("seed", "spreads"), [(1, (0.3, 0.2, 0.1, 0.1)), (2, (0.0, 0.2, 0.0, 0.1)), (4, (0.3, 0.0, 0.2, 0.05))]
)
def test_no_components_are_likelier_than_those_found(seed: int, spreads: tuple[float, ...]) -> None:
    keys = uneven(seed, lots=5)
    values = drawn(keys, spreads, np.random.default_rng(seed))
    found, _ = both(keys, values)
    deviance = whole_matrix(keys, values)
    best = np.array(found["variance"].to_list())
    least = deviance(best)

    def searched(free: list[int]) -> float:
        def at(x: np.ndarray) -> float:
            components = np.zeros(4)
            components[free] = np.exp(np.maximum(x, -30.0))
            return deviance(components)

        options = {"xatol": 1e-5, "fatol": 1e-9, "maxfev": 1500, "maxiter": 1500}
        found = optimize.minimize(at, np.full(len(free), -4.0), method="Nelder-Mead", options=options)
        return float(found.fun)

    assert least - 1e-8 <= searched([0, 1, 2, 3]) <= least + 1e-4
    for level in (0, 1, 2):
        ratio = searched([place for place in range(4) if place != level]) - least
        assert found["likelihood_ratio"][level] == pytest.approx(max(ratio, 0.0), abs=2e-4)
    # whatever is moved away from it by a little is less likely, and what is zero stays at the edge
    for place in range(4):
        for factor in (0.99, 1.01):
            moved = best.copy()
            moved[place] *= factor
            assert deviance(moved) >= least - 1e-9
        moved = best.copy()
        moved[place] += 1e-6
        assert deviance(moved) >= least - 1e-9


@pytest.mark.parametrize(
    "keys", [even(6, 4, 3, 2), even(8, 5, 1, 2), even(8, 5, 2, 1), even(8, 5, 1, 1), even(9, 1, 1, 4), even(1, 7, 3, 2)]
)
def test_balanced_readings_without_a_negative_estimate_have_one_answer(keys: Keys) -> None:
    values = drawn(keys, (0.3, 0.3, 0.3, 0.1), np.random.default_rng(5))
    found, anova = both(keys, values)
    assert (anova["raw"].drop_nulls() > 0).all()
    for name in ("variance", "standard_deviation", "percent_of_variance"):
        assert found[name].is_null().to_list() == anova[name].is_null().to_list()
        assert found[name].drop_nulls().to_list() == pytest.approx(anova[name].drop_nulls().to_list(), rel=1e-6)
    innermost = anova["variance"].is_not_null().arg_true()[-1]
    for place, ratio in enumerate(found["likelihood_ratio"]):
        assert (ratio is None) == (place == innermost or anova["variance"][place] is None)
        if ratio is not None:
            assert found["p_value"][place] == pytest.approx(0.5 * stats.chi2.sf(ratio, 1))


def test_p_is_half_of_that_of_the_likelihood_ratio_and_one_where_there_is_no_ratio() -> None:
    small = 0
    for seed in range(12):
        found, _ = both(even(5, 3, 2, 2), drawn(even(5, 3, 2, 2), (0.03, 0.03, 0.03, 0.1), np.random.default_rng(seed)))
        assert found["level"].to_list() == ["lot", "part", "spot", "reading"]
        for ratio, p in found.select("likelihood_ratio", "p_value").head(3).iter_rows():
            assert p == pytest.approx(0.5 * stats.chi2.sf(ratio, 1) if ratio > 0 else 1.0)
            small += 0 < ratio < 1
    assert small > 5


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_noise_of_large_values_is_none_beside_small_ones(sign: float) -> None:
    keys = even(2, 2, 1, 2)
    values = sign * np.array([0.0, 0.0, 0.0, 0.0, 58.0, 58.0 + 2e-14, 58.0, 58.0 - 2e-14])
    found, _ = both(keys, values)
    assert found["variance"].to_list()[1:] == [0.0, None, 0.0]


def test_a_component_at_zero_is_taken_into_account_in_the_others() -> None:
    keys = even(7, 6, 1, 3)
    values = drawn(keys, (0.0, 0.0, 0.0, 0.1), np.random.default_rng(13))
    found, anova = both(keys, values)
    negative = [level for level, raw in anova.select("level", "raw").iter_rows() if raw is not None and raw < 0]
    assert negative == ["lot", "part"]
    assert found["variance"].to_list() == [0.0, 0.0, None, pytest.approx(float(np.var(values, ddof=1)))]
    assert found["p_value"].to_list() == [1.0, 1.0, None, None]


@pytest.mark.parametrize("size", [0.0, 58.0])
def test_values_that_do_not_differ_have_no_variance_and_no_test(size: float) -> None:
    found, _ = both(even(3, 2, 2, 2), np.full(24, size))
    assert found["variance"].to_list() == [0.0] * 4
    for name in ("percent_of_variance", "likelihood_ratio", "p_value"):
        assert found[name].null_count() == 4


@pytest.mark.parametrize(("step", "nothing"), [(3e-13, True), (1e-10, False)])
def test_scatter_up_to_the_noise_of_conversions_is_none(step: float, nothing: bool) -> None:
    keys = even(3, 2, 2, 2)
    found, _ = both(keys, 58.0 * (1.0 + step * np.random.default_rng(2).uniform(-1, 1, len(keys))))
    assert (found["variance"].to_list() == [0.0] * 4) == nothing


@pytest.mark.parametrize(("depth", "last"), [(3, "spot"), (2, "part"), (1, "lot")])
def test_readings_that_repeat_exactly_leave_the_levels_outside(depth: int, last: str) -> None:
    keys = even(5, 3, 2, 2)
    names = ("lot", "part", "spot")
    values = drawn(keys, (*(0.3 if place < depth else 0.0 for place in range(3)), 0.0), np.random.default_rng(7))
    found, anova = both(keys, values)
    inside = 4 - depth
    assert found["variance"].to_list()[depth:] == [0.0] * inside
    # as if each had been read once
    once = even(*(size if place < depth else 1 for place, size in enumerate((5, 3, 2, 2))))
    alone, _ = both(
        once, np.array([dict(zip([key[:depth] for key in keys], values, strict=True))[key[:depth]] for key in once])
    )
    assert found["variance"].to_list()[:depth] == pytest.approx(alone["variance"].to_list()[:depth])
    assert found["likelihood_ratio"].to_list()[:depth] == pytest.approx(alone["likelihood_ratio"].to_list()[:depth])
    assert found["p_value"][names.index(last)] is None
    assert anova.height == 4


def test_one_value_has_no_variance() -> None:
    found, _ = both([(0, 0, 0)], np.array([58.0]))
    assert found["variance"].null_count() == 4
    two, _ = both([(0, 0, 0), (1, 0, 0)], np.array([58.0, 59.0]))
    assert two["variance"].to_list() == [pytest.approx(0.5), None, None, None]


def test_the_unit_and_the_order_of_rows_change_nothing() -> None:
    keys = uneven(9)
    values = drawn(keys, (0.3, 0.2, 0.1, 0.1), np.random.default_rng(9))
    found, _ = both(keys, values)
    scaled, _ = both(keys, values * 1e3)
    assert scaled["variance"].to_list() == pytest.approx([1e6 * v for v in found["variance"]], rel=1e-6)
    assert scaled["p_value"].to_list()[:3] == pytest.approx(found["p_value"].to_list()[:3], rel=1e-6)
    spots = spots_of(keys, values).sample(fraction=1.0, shuffle=True, seed=1)
    again = restricted_components(spots, variance_components(spots))
    assert again["variance"].to_list() == pytest.approx(found["variance"].to_list(), rel=1e-9)


def test_exported_means_weigh_by_their_readings() -> None:
    """A mean of n with its standard deviation says what n readings say."""
    keys = uneven(11)
    values = drawn(keys, (0.3, 0.2, 0.1, 0.1), np.random.default_rng(11))
    single = pl.DataFrame(keys, schema=["lot", "part", "spot"], orient="row").with_columns(pl.Series("value", values))
    means = (
        single.group_by("lot", "part", "spot", maintain_order=True)
        .agg(pl.len().alias("count"), pl.col("value").std().alias("standard_deviation"), pl.col("value").mean())
        .with_row_index("measured_at")
    )
    spots = nested(means).spot_values
    found, of_single = restricted_components(spots, variance_components(spots)), both(keys, values)[0]
    assert found["variance"].to_list() == pytest.approx(of_single["variance"].to_list(), rel=1e-6)


def test_the_innermost_test_is_exact_however_unequal_the_numbers() -> None:
    """The F ratio of spots against readings, weighed by readings, as `nested` gives it for each lot."""
    keys = [key for key in uneven(3, lots=4) if key[0] == 2]
    values = drawn(keys, (0.0, 0.2, 0.1, 0.1), np.random.default_rng(3))
    frame = pl.DataFrame(keys, schema=["lot", "part", "spot"], orient="row").with_row_index("measured_at")
    summary = nested(frame.with_columns(pl.Series("value", values)))
    of_lot = summary.lot_values.row(0, named=True)
    found = variance_components(summary.spot_values)
    assert not found.balanced
    assert found["spot"]["f_ratio"] == pytest.approx(of_lot["spot_f_ratio"], rel=1e-12)
    assert found["spot"]["p_value"] == pytest.approx(of_lot["spot_p_value"], rel=1e-9)
    assert found["part"]["f_ratio"] is not None
    assert found["reading"]["f_ratio"] is None


def test_false_alarms_of_both_tests() -> None:
    """Seeded, 100 unbalanced studies without variation between lots: at 5 % neither test alarms much more often.

    The ratio to the next mean square alone, which only balanced readings allow, would alarm three times as often.
    """
    rng = np.random.default_rng(21)
    alarms = np.zeros(3)
    studies = 100
    keys = [
        (a, b, c) for a in range(6) for b in range(2 + 6 * (a % 2)) for c in range(1 + 4 * (b % 2)) for _ in range(2)
    ]
    for _ in range(studies):
        found, anova = both(keys, drawn(keys, (0.0, 0.2, 0.1, 0.1), rng))
        lot, part = (anova.row(place, named=True) for place in (0, 1))
        naive = stats.f.sf(
            lot["mean_square"] / part["mean_square"], lot["degrees_of_freedom"], part["degrees_of_freedom"]
        )
        alarms += [lot["p_value"] < 0.05, naive < 0.05, found["p_value"][0] < 0.05]
    by_f, by_neighbour, by_likelihood = alarms / studies
    print(by_f, by_neighbour, by_likelihood)
    assert 0.0 < by_f <= 0.12  # 5 % and three standard errors of a hundred studies
    assert 0.0 < by_likelihood <= 0.12
    assert by_neighbour > 0.12
