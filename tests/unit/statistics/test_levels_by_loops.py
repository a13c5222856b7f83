"""Spots, parts, lots and their components against plain loops: order, names of every kind, reasons, intervals, what is balanced."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import product

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.statistics.components import LEVELS, variance_components
from pipeline.statistics.descriptive import nested
from pipeline.statistics.expressions import standard_deviation_expression, sum_of_squares_expression
from pipeline.statistics.mean_squares import modified_large_sample_interval

START = datetime(2026, 3, 2, 6, tzinfo=UTC)
Key = tuple[str | None, ...]


def drawn(seed: int, *, names: bool = True) -> list[tuple[Key, float, datetime]]:
    """Readings of lot, part and spot in any order of time, some without a name."""
    rng = np.random.default_rng(seed)
    rows = []
    for lot, part in product(("B", "A", None) if names else ("B", "A"), ("2", "10", "1", None)):
        for spot in ("s2", None, "s1")[: int(rng.integers(1, 4))]:
            level = rng.normal(35, 0.4)
            rows += [((lot, part, spot), level + rng.normal(0, 0.1)) for _ in range(int(rng.integers(1, 4)))]
    times = rng.permutation(len(rows))
    return [(key, float(x), START + timedelta(minutes=int(t))) for (key, x), t in zip(rows, times, strict=True)]


def frame_of(rows: list[tuple[Key, float, datetime]]) -> pl.DataFrame:
    schema = {
        **dict.fromkeys(("lot", "part", "spot"), pl.String),
        "value": pl.Float64,
        "measured_at": pl.Datetime("us", "UTC"),
    }
    return pl.DataFrame([(*key, x, t) for key, x, t in rows], schema=schema, orient="row")


def last_null(text: str | None) -> tuple[bool, str]:
    return text is None, text or ""


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_spots_and_parts_are_those_of_loops_in_the_order_of_their_first_reading(seed: int) -> None:
    rows = drawn(seed)
    groups: dict[Key, list[tuple[float, datetime]]] = {}
    for key, x, t in rows:
        for depth in (1, 2, 3):
            groups.setdefault(key[:depth], []).append((x, t))
    first = {key: min(t for _, t in values) for key, values in groups.items()}
    lots = sorted((key for key in groups if len(key) == 1), key=lambda key: last_null(key[0]))
    found = nested(frame_of(rows))
    assert found.lot_values["lot"].to_list() == [lot for (lot,) in lots]
    parts, spots = [], []
    for lot in lots:
        inside = sorted((key for key in groups if len(key) == 2 and key[:1] == lot), key=first.__getitem__)
        parts += inside
        spots += sorted((key for key in groups if len(key) == 3 and key[:1] == lot), key=first.__getitem__)
    assert found.part_values.select("lot", "part").rows() == parts
    assert found.spot_values.select("lot", "part", "spot").rows() == spots
    for depth, table in ((2, found.part_values), (3, found.spot_values)):
        assert table.schema["first_at"] == pl.Datetime("us", "UTC")
        for row, key in zip(table.iter_rows(named=True), parts if depth == 2 else spots, strict=True):
            siblings = [other for other in (parts if depth == 2 else spots) if other[:1] == key[:1]]
            assert (row["first_at"], row["order"]) == (first[key], 1 + siblings.index(key))
    for row, key in zip(found.spot_values.iter_rows(named=True), spots, strict=True):
        x = np.array([value for value, _ in groups[key]])
        assert (row["readings"], row["df_within"]) == (x.size, x.size - 1)
        assert (row["mean"], row["ss_within"]) == pytest.approx((x.mean(), x.var() * x.size))
        assert row["standard_deviation"] == (pytest.approx(x.std(ddof=1)) if x.size > 1 else None)
        assert row["part_order"] == 1 + [part for part in parts if part[:1] == key[:1]].index(key[:2])
    for row, key in zip(found.part_values.iter_rows(named=True), parts, strict=True):
        means = np.array([np.mean([x for x, _ in groups[spot]]) for spot in spots if spot[:2] == key])
        assert (row["spots"], row["readings"], row["mean"]) == (
            means.size,
            len(groups[key]),
            pytest.approx(means.mean()),
        )
        assert row["spot_standard_deviation"] == (pytest.approx(means.std(ddof=1)) if means.size > 1 else None)


@pytest.mark.parametrize("kind", [pl.Categorical, pl.Int64, pl.String])
def test_names_of_every_kind_come_back(kind: type[pl.DataType]) -> None:
    rows = [(lot, part, spot, 1.0 * place) for place, (lot, part, spot) in enumerate(product("12", "34", "56"))]
    frame = pl.DataFrame(rows, schema=["lot", "part", "spot", "value"], orient="row").with_columns(
        pl.col("lot", "part", "spot").cast(kind), measured_at=pl.int_range(pl.len())
    )
    frame = pl.concat(
        [frame, frame.head(1).with_columns(pl.lit(None, kind).alias(name) for name in ("lot", "part", "spot"))]
    )
    found = nested(frame)
    shown = pl.String if kind == pl.Categorical else kind
    assert [found.spot_values.schema[name] for name in ("lot", "part", "spot")] == [shown] * 3
    expected = pl.Series(["1", "2", None]).cast(shown)
    assert found.lot_values["lot"].to_list() == expected.to_list()
    assert found.lot_values["readings"].to_list() == [4, 4, 1]
    unnamed = nested(frame.with_columns(spot=pl.lit(None, kind)))
    assert unnamed.spot_values["spot"].null_count() == unnamed.spot_values.height == 5
    assert unnamed.spot_values.schema["spot"] == shown
    empty = nested(frame.clear())
    for name in ("spot_values", "part_values", "lot_values"):
        assert getattr(empty, name).height == 0
        assert getattr(empty, name).columns == getattr(found, name).columns
    single = frame.head(4).with_columns(value=pl.Series([1.0, None, 2.0, 3.0]))
    for bad in (single, single.fill_null(float("inf"))):
        with pytest.raises(ValueError, match="finite numbers only"):
            nested(bad)


def test_exported_means_weigh_by_their_count_with_and_without_deviation() -> None:
    frame = pl.DataFrame(
        {
            "lot": ["L"] * 5, "part": ["P"] * 5, "spot": ["S", "S", "S", "T", "T"], "value": [30.0, 31.0, 33.0, 31.5, 31.5],
            "count": [None, 3, 2, None, None], "standard_deviation": [None, 0.4, None, None, None], "measured_at": [5, 4, 3, 2, 1],
        }
    )  # fmt: skip
    found = nested(frame)
    other, spot = found.spot_values.iter_rows(named=True)
    mean = (30 + 3 * 31 + 2 * 33) / 6
    assert (spot["spot"], spot["readings"], spot["mean"]) == ("S", 6, pytest.approx(mean))
    squares = (30 - mean) ** 2 + 3 * (31 - mean) ** 2 + 2 * (33 - mean) ** 2 + 2 * 0.4**2
    assert (spot["df_within"], spot["ss_within"]) == (2 + 2, pytest.approx(squares))
    assert (other["spot"], other["readings"], other["df_within"], other["ss_within"]) == ("T", 2, 1, 0.0)
    lot = found.lot_values.row(0, named=True)
    between = 6 * 2 / 8 * (mean - 31.5) ** 2
    assert (lot["spot_mean_square"], lot["spot_degrees_of_freedom"]) == (pytest.approx(between), 1)
    ratio = between / (squares / 5)
    assert lot["spot_f_ratio"] == pytest.approx(ratio)
    assert lot["spot_p_value"] == pytest.approx(stats.f.sf(ratio, 1, 5))
    alone = nested(frame.drop("standard_deviation")).spot_values.row(1, named=True)
    assert (alone["df_within"], alone["ss_within"]) == (2, pytest.approx(squares - 2 * 0.4**2))


def test_what_cannot_be_tested_between_spots_says_why() -> None:
    def lot(spots: list[list[float]]) -> dict[str, object]:
        rows = [(("L", "P", str(place)), x, START) for place, values in enumerate(spots) for x in values]
        return nested(frame_of(rows)).lot_values.row(0, named=True)  # type: ignore[arg-type]

    for spots, repeatability, spot in (
        ([[35.0]], True, "no part was read on two spots"), ([[35.0, 35.1]], False, "no part was read on two spots"),
        ([[35.0], [35.2]], True, "there is nothing to test against"), ([[35.0, 35.0], [35.2]], False, "never differ"),
        ([[35.0, 36.0], [35.2]], False, None), ([[34.0, 36.0], [35.2, 37.2]], False, None),
    ):  # fmt: skip
        row = lot(spots)
        assert (row["repeatability"] is None) == (row["repeatability_reason"] is not None) == repeatability
        assert (row["spot_f_ratio"] is None) == (row["spot_p_value"] is None) == (row["spot_reason"] is not None)
        assert (row["spot_reason"] is None) == (spot is None)
        assert spot is None or spot in str(row["spot_reason"])
        assert (row["standard_deviation"], row["parts"], row["spots"]) == (None, 1, len(spots))
        assert row["minimum"] == row["maximum"] == row["mean"]


def test_dispersion_of_a_column_in_groups_is_that_of_numpy() -> None:
    x = np.random.default_rng(4).normal(1e6, 0.3, 30)
    frame = pl.DataFrame({"group": [0] * 1 + [1] * 2 + [2] * 27, "x": x})
    found = frame.group_by("group", maintain_order=True).agg(
        squares=sum_of_squares_expression(pl.col("x")), deviation=standard_deviation_expression(pl.col("x"))
    )
    assert found["deviation"][0] is None
    assert found["deviation"].to_list()[1:] == pytest.approx([x[1:3].std(ddof=1), x[3:].std(ddof=1)], rel=1e-8)
    assert found["squares"].to_list() == pytest.approx([0.0, 2 * x[1:3].var(), 27 * x[3:].var()], rel=1e-8)


# components


def cube_frame(cube: np.ndarray) -> pl.DataFrame:
    places = list(product(*map(range, cube.shape)))
    return pl.DataFrame(
        [(i, j, k, float(cube[i, j, k, m]), place) for place, (i, j, k, m) in enumerate(places)],
        schema=["lot", "part", "spot", "value", "measured_at"], orient="row",
    )  # fmt: skip


def test_components_of_balanced_readings_with_every_figure() -> None:
    l, p, s, r = 4, 3, 2, 3  # noqa: E741
    rng = np.random.default_rng(1)
    sizes = [(l, 1, 1, 1), (l, p, 1, 1), (l, p, s, 1), (l, p, s, r)]
    cube = 35 + sum(spread * rng.normal(size=size) for spread, size in zip((2.0, 1.0, 0.5, 0.1), sizes, strict=True))
    found = variance_components(nested(cube_frame(cube)).spot_values, confidence=0.9)
    ms = [
        r * s * p * cube.mean((1, 2, 3)).var(ddof=1), r * s * cube.mean((2, 3)).var(axis=1, ddof=1).mean(),
        r * cube.mean(3).var(axis=2, ddof=1).mean(), cube.var(axis=3, ddof=1).mean(),
    ]  # fmt: skip
    freedoms = [l - 1.0, l * (p - 1.0), l * p * (s - 1.0), l * p * s * (r - 1.0)]
    assert (found.balanced, found.confidence, "approximate" in found.interval_method) == (True, 0.9, False)
    variances = []
    for place, (level, inner) in enumerate(zip(LEVELS, (r * s * p, r * s, r, 1), strict=True)):
        vector = [0.0] * 4
        vector[place] = 1 / inner
        if place < 3:
            vector[place + 1] = -1 / inner
        row, raw = found[level], float(np.dot(vector, ms))
        variances.append(raw)
        low, high = modified_large_sample_interval(vector, ms, freedoms, 0.9)
        wanted = {
            "degrees_of_freedom": freedoms[place], "sum_of_squares": ms[place] * freedoms[place], "mean_square": ms[place],
            "raw": raw, "variance": raw, "standard_deviation": raw**0.5, "low": max(low, 0.0), "high": high,
        }  # fmt: skip
        assert {name: row[name] for name in wanted} == pytest.approx(wanted, rel=1e-7)
        ratio = ms[place] / ms[place + 1] if place < 3 else None
        assert row["f_ratio"] == pytest.approx(ratio)
        p_value = None if ratio is None else stats.f.sf(ratio, freedoms[place], freedoms[place + 1])
        assert (row["level"], row["p_value"], row["reason"]) == (level, pytest.approx(p_value), None)
    assert min(variances) > 0
    shares = [found[level]["percent_of_variance"] for level in LEVELS]
    assert shares == pytest.approx([100 * variance / sum(variances) for variance in variances])


@pytest.mark.parametrize("taken", ["reading", "spot", "part"])
def test_one_reading_spot_or_part_less_is_no_longer_balanced(taken: str) -> None:
    cube = 35 + np.random.default_rng(3).normal(size=(2, 3, 2, 2))
    frame = cube_frame(cube)
    last = {"reading": 1, "spot": 2, "part": 4}[taken]
    whole, less = (variance_components(nested(rows).spot_values) for rows in (frame, frame.head(frame.height - last)))
    assert (whole.balanced, less.balanced) == (True, False)
    assert "unweighted" in less.interval_method
    # readings have their exact interval either way
    row = less["reading"]
    nu, square = float(str(row["degrees_of_freedom"])), float(str(row["sum_of_squares"]))
    assert (row["low"], row["high"]) == pytest.approx(tuple(square / stats.chi2.ppf([0.975, 0.025], nu)))
    for level in LEVELS:
        assert 0 <= float(str(less[level]["low"])) <= float(str(less[level]["high"]))


def test_components_below_nought_are_kept_raw_and_taken_as_nought() -> None:
    # parts that differ less than their spots let them
    cube = np.array(
        [[[[1.0, 1.1], [9.0, 9.1]], [[9.0, 9.1], [1.0, 1.1]]], [[[1.0, 1.1], [9.0, 9.1]], [[9.0, 9.1], [1.0, 1.1]]]]
    )
    found = variance_components(nested(cube_frame(cube)).spot_values)
    part = found["part"]
    assert float(str(part["raw"])) == pytest.approx(-64 / 2 * 2 / 4, rel=1e-2)
    assert (part["variance"], part["standard_deviation"], part["percent_of_variance"], part["low"]) == (
        0.0,
        0.0,
        0.0,
        0.0,
    )
    assert sum(float(str(found[level]["percent_of_variance"])) for level in LEVELS) == pytest.approx(100)


def test_components_do_not_depend_on_the_order_of_spots_nor_on_missing_names() -> None:
    spots = nested(frame_of(drawn(5))).spot_values
    first = variance_components(spots)
    for seed in range(3):
        shuffled = variance_components(spots.sample(fraction=1.0, shuffle=True, seed=seed))
        assert shuffled.table.equals(first.table)
    named = spots.with_columns(pl.col("lot", "part", "spot").fill_null("zz"))
    assert variance_components(named).table.equals(first.table)
    assert first["part"]["degrees_of_freedom"] == 9.0
