"""Laws that hold for all numbers: shift, scale, order of rows, order inside a subgroup, wholes and parts."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from math import isfinite
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from one_by_one import RUN_RULES, capability, chart_constants, cusums, hits

from pipeline.statistics.capability import INDICES
from pipeline.statistics.charts import individuals
from pipeline.statistics.components import variance_components
from pipeline.statistics.constants import degrees_of_freedom_of_relative_variance
from pipeline.statistics.descriptive import nested
from pipeline.statistics.gauge_study import crossed_study
from pipeline.statistics.normality import anderson_darling
from pipeline.statistics.outliers import grubbs
from pipeline.statistics.trend import slope

START = datetime(2026, 3, 2, tzinfo=UTC)

# readings as a meter gives them: two decimals, so that shifts and scales do not meet rounding
readings = st.integers(3000, 4000).map(lambda number: number / 100)
values = st.lists(readings, min_size=2, max_size=30)
spread_values = values.filter(lambda x: float(np.std(x)) > 0.02)
# the product with an exact power of two changes no digit
scales = st.sampled_from([0.5, 2.0, 4.0])
profile = settings(max_examples=40, deadline=None)


@st.composite
def lots(draw: st.DrawFn) -> pl.DataFrame:
    rows = []
    for lot in range(draw(st.integers(1, 3))):
        for part in range(draw(st.integers(1, 4))):
            for spot in range(draw(st.integers(1, 3))):
                rows += [(lot, part, spot, value) for value in draw(st.lists(readings, min_size=1, max_size=4))]
    return pl.DataFrame(rows, schema=["lot", "part", "spot", "value"], orient="row").with_columns(
        measured_at=pl.Series([START + timedelta(seconds=5 * i) for i in range(len(rows))])
    )


@profile
@given(lots(), st.randoms(use_true_random=False))
def test_order_of_rows_changes_nothing(frame: pl.DataFrame, random: Any) -> None:
    order = list(range(frame.height))
    random.shuffle(order)
    first, second = nested(frame), nested(frame[order])
    for name in ("spot_values", "part_values", "lot_values"):
        assert getattr(first, name).equals(getattr(second, name))
    assert variance_components(first.spot_values).table.equals(variance_components(second.spot_values).table)


@profile
@given(lots(), st.integers(-500, 500), scales)
def test_shift_and_scale_of_levels(frame: pl.DataFrame, shift: int, scale: float) -> None:
    first = nested(frame).lot_values
    moved = nested(frame.with_columns(value=(pl.col("value") + shift) * scale)).lot_values
    for place, row in enumerate(first.iter_rows(named=True)):
        other = moved.row(place, named=True)
        for name in ("mean", "minimum", "maximum"):
            assert other[name] == pytest.approx((row[name] + shift) * scale, rel=1e-9, abs=1e-9)
        for name in ("standard_deviation", "repeatability"):
            if row[name] is None:
                assert other[name] is None
            else:
                assert other[name] == pytest.approx(row[name] * scale, rel=1e-6, abs=1e-9)


@profile
@given(lots())
def test_levels_hold_no_nan_and_part_means_bound_the_lot(frame: pl.DataFrame) -> None:
    summary = nested(frame)
    for table in (summary.spot_values, summary.part_values, summary.lot_values):
        numbers = table.select(pl.col(pl.Float64).drop_nulls().is_finite().all())
        assert all(numbers.row(0))
    for row in summary.lot_values.iter_rows(named=True):
        assert row["minimum"] <= row["mean"] + 1e-9
        assert row["mean"] <= row["maximum"] + 1e-9
    assert summary.lot_values["readings"].sum() == frame.height


@profile
@given(spread_values, st.integers(-500, 500), scales, st.sampled_from([1, 2, 5]))
def test_indices_do_not_depend_on_origin_or_unit(x: list[float], shift: int, scale: float, size: int) -> None:
    first = capability(x, 29.0, 41.0, subgroup_size=size)
    moved = capability(
        [(value + shift) * scale for value in x], (29.0 + shift) * scale, (41.0 + shift) * scale, subgroup_size=size
    )
    assert set(first.not_computable) == set(moved.not_computable)
    for index in INDICES:
        a, b = getattr(first, index), getattr(moved, index)
        assert (a is None) == (b is None)
        if a is not None:
            assert b == pytest.approx(a, rel=1e-6)
            low, high = getattr(first, f"{index}_interval")
            assert isfinite(low)
            assert low < a < high


@profile
@given(spread_values)
def test_mirrored_values_have_the_same_indices(x: list[float]) -> None:
    first = capability(x, 29.0, 42.0)
    mirrored = capability([-value for value in x], -42.0, -29.0)
    for index in INDICES:
        if getattr(first, index) is not None:
            assert getattr(mirrored, index) == pytest.approx(getattr(first, index), rel=1e-9)


@profile
@given(spread_values)
def test_nearest_index_is_never_above_the_two_sided_one(x: list[float]) -> None:
    found = capability(x, 30.0, 40.0)
    for two, near in ((found.cp, found.cpk), (found.pp, found.ppk)):
        if two is not None and near is not None:
            assert near <= two * (1 + 1e-12)


@profile
@given(spread_values, st.integers(2, 6), st.randoms(use_true_random=False))
def test_order_inside_a_subgroup_changes_nothing(x: list[float], size: int, random: Any) -> None:
    shuffled = []
    for start in range(0, len(x), size):
        group = x[start : start + size]
        random.shuffle(group)
        shuffled += group
    first, second = (capability(series, 29.0, 41.0, subgroup_size=size) for series in (x, shuffled))
    assert second.within_standard_deviation == pytest.approx(first.within_standard_deviation, rel=1e-9, abs=1e-12)
    assert second.within_degrees_of_freedom == first.within_degrees_of_freedom
    assert second.ppk == pytest.approx(first.ppk, rel=1e-9)


@profile
@given(spread_values)
def test_one_subgroup_of_everything_is_the_overall_deviation(x: list[float]) -> None:
    found = capability(x, 29.0, 41.0, subgroup_size=len(x))
    assert found.within_standard_deviation == pytest.approx(found.standard_deviation, rel=1e-9)
    assert found.cpk_interval == pytest.approx(found.ppk_interval, rel=1e-9)


@profile
@given(spread_values, st.integers(-500, 500), scales)
def test_tests_do_not_depend_on_origin_or_unit(x: list[float], shift: int, scale: float) -> None:
    moved = [(value + shift) * scale for value in x]
    a, b = anderson_darling(x), anderson_darling(moved)
    assert (a.statistic is None) == (b.statistic is None)
    if a.statistic is not None:
        assert b.statistic == pytest.approx(a.statistic, rel=1e-6, abs=1e-9)
        assert a.p_value is not None
        assert 0 <= a.p_value <= 1
    g, h = grubbs(x), grubbs(moved)
    if g.statistic is not None:
        assert h.statistic == pytest.approx(g.statistic, rel=1e-6)
        assert 0 <= g.p_value <= 1


@profile
@given(spread_values, st.integers(-500, 500), scales)
def test_chart_moves_with_its_values(x: list[float], shift: int, scale: float) -> None:
    first, moved = individuals(x), individuals([(value + shift) * scale for value in x])
    assert (first.centre is None) == (moved.centre is None)
    if first.centre is not None and first.sigma is not None:
        assert moved.centre == pytest.approx((first.centre + shift) * scale, rel=1e-9, abs=1e-9)
        assert moved.sigma == pytest.approx(first.sigma * scale, rel=1e-6)
        near = ((first.points["value"] - first.centre).abs() / first.sigma - 3).abs().min()
        assume(near > 1e-6)
        assert moved.points["beyond"].to_list() == first.points["beyond"].to_list()


@profile
@given(values, st.integers(-500, 500), st.sampled_from([0.25, 0.5, 2.0]))
def test_slope_is_equivariant(y: list[float], shift: int, stretch: float) -> None:
    x = np.arange(len(y), dtype=float)
    first, moved = slope(x, y), slope((x + shift) * stretch, y)
    assert first.slope is not None
    assert moved.slope == pytest.approx(first.slope / stretch, rel=1e-6, abs=1e-9)
    if first.low is not None and first.high is not None:
        assert first.low <= first.slope <= first.high
        assert moved.low == pytest.approx(first.low / stretch, rel=1e-6, abs=1e-9)
    backwards = slope(x[::-1], y[::-1])
    assert backwards.slope == first.slope
    assert backwards.low == first.low


@profile
@given(st.lists(st.integers(-40, 40).map(lambda number: number / 10), max_size=60))
def test_cusum_is_the_largest_excess_of_a_tail(x: list[float]) -> None:
    high, _ = cusums(x, target=0.0, reference_value=0.5)
    for place in range(len(x)):
        tails = [sum(value - 0.5 for value in x[start : place + 1]) for start in range(place + 1)]
        assert high[place] == pytest.approx(max(0.0, *tails), abs=1e-9)


@profile
@given(st.lists(st.integers(-35, 35).map(lambda number: number / 10), min_size=1, max_size=40), st.integers(1, 39))
def test_rules_look_only_backwards(z: list[float], cut: int) -> None:
    whole = hits(z, list(RUN_RULES))
    part = hits(z[:cut], list(RUN_RULES))
    assert (whole[:, : min(cut, len(z))] == part).all()


@profile
@given(st.floats(0.05, 5000))
def test_degrees_of_freedom_come_back(relative: float) -> None:
    nu = float(degrees_of_freedom_of_relative_variance(1 / (2 * relative)))
    assert isfinite(nu)
    assert nu > 0
    more = float(degrees_of_freedom_of_relative_variance(1 / (2 * relative * 1.01)))
    assert more > nu


@settings(max_examples=10, deadline=None)
@given(st.integers(2, 60))
def test_constants_grow_as_they_must(n: int) -> None:
    here, following = chart_constants(n), chart_constants(n + 1)
    assert following.d2 > here.d2
    assert here.c4 < following.c4 < 1
    assert following.A2 < here.A2
    assert here.D3 <= following.D3 < 1 < following.D4 < here.D4
    assert here.d2 * here.c4 > 0


@profile
@given(
    st.lists(readings, min_size=12, max_size=12).filter(lambda x: np.std(x) > 0.1),
    st.randoms(use_true_random=False),
    scales,
)
def test_gauge_study_ignores_order_and_follows_scale(x: list[float], random: Any, scale: float) -> None:
    frame = pl.DataFrame({"part": [0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2], "operator": [0, 0, 1, 1] * 3, "value": x})
    order = list(range(12))
    random.shuffle(order)
    first, shuffled = crossed_study(frame), crossed_study(frame[order])
    assert first.components.equals(shuffled.components)
    scaled = crossed_study(frame.with_columns(pl.col("value") * scale))
    assert scaled.components["variance"].to_list() == pytest.approx(
        [variance * scale**2 for variance in first.components["variance"]], rel=1e-6, abs=1e-12
    )
    assert scaled.distinct_categories == first.distinct_categories
