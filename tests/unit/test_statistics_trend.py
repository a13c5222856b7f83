"""Slopes and precision limits against another implementation, and their reasons."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.statistics.trend import precision_limit, slope, slopes


def test_slope_agrees_with_another_implementation() -> None:
    rng = np.random.default_rng(2)
    x = rng.uniform(100, 130, 14)
    y = 57.9 + 0.003 * x + rng.normal(0, 0.02, 14)
    found, other = slope(x, y), stats.linregress(x, y)
    assert found.slope == pytest.approx(other.slope, rel=1e-10)
    assert found.intercept == pytest.approx(other.intercept, rel=1e-10)
    assert found.standard_error == pytest.approx(other.stderr, rel=1e-10)
    assert found.p_value == pytest.approx(other.pvalue, rel=1e-9)
    assert found.r_squared == pytest.approx(other.rvalue**2, rel=1e-9)
    half = stats.t.ppf(0.975, 12) * other.stderr
    assert found.low == pytest.approx(other.slope - half, rel=1e-9)
    assert found.high == pytest.approx(other.slope + half, rel=1e-9)
    assert found.degrees_of_freedom == 12


def test_slopes_of_many_groups_and_of_times() -> None:
    rng = np.random.default_rng(3)
    start = datetime(2026, 1, 5, tzinfo=UTC)
    rows = [
        (block, start + timedelta(hours=float(hours)), float(hours) / 24, 50 + 0.01 * hours + rng.normal(0, 0.02))
        for block in ("B1", "B2", "B3")
        for hours in np.sort(rng.uniform(0, 900, 9)).round()
    ]
    frame = pl.DataFrame(rows, schema=["block", "at", "days", "value"], orient="row").sample(
        fraction=1, shuffle=True, seed=1
    )
    by_time = slopes(frame, by=["block"], x="at", y="value")
    assert by_time["block"].to_list() == ["B1", "B2", "B3"]
    for row in by_time.iter_rows(named=True):
        own = frame.filter(pl.col("block") == row["block"])
        one = slope(own["days"] - own["days"].min(), own["value"])
        for name in ("slope", "intercept", "standard_error", "low", "high", "p_value"):
            assert row[name] == pytest.approx(getattr(one, name), rel=1e-9), name


@pytest.mark.parametrize(
    ("x", "y", "has_slope", "reason"),
    [
        ([], [], False, "no point"),
        ([1.0], [2.0], False, "one point"),
        ([1.0, 1.0, 1.0], [2.0, 3.0, 4.0], False, "same place"),
        ([1.0, 2.0], [2.0, 3.0], True, "three are needed"),
        ([1.0, 2.0, 3.0], [2.0, 4.0, 6.0], True, "lies on the line"),
    ],
)
def test_what_cannot_be_computed_says_why(x: list[float], y: list[float], has_slope: bool, reason: str) -> None:
    found = slope(x, y)
    assert found.reason is not None
    assert reason in found.reason
    assert (found.slope is not None) == has_slope
    assert found.low is found.high is found.standard_error is found.p_value is None


def test_bad_use_is_refused() -> None:
    with pytest.raises(ValueError, match="same length"):
        slope([1.0, 2.0], [1.0])
    with pytest.raises(ValueError, match="finite"):
        slope([1.0, 2.0], [1.0, float("inf")])
    with pytest.raises(ValueError, match="between 0 and 1"):
        slope([1.0, 2.0], [1.0, 2.0], confidence=95)
    with pytest.raises(ValueError, match="finite"):
        slopes(
            pl.DataFrame({"g": [1], "x": [None], "y": [1.0]}, schema_overrides={"x": pl.Float64}),
            by=["g"],
            x="x",
            y="y",
        )


def test_interval_of_the_slope_covers() -> None:
    """Seeded: of 2,000 series of 12 points, 93 to 97 % of the 95 % intervals hold the true slope."""
    rng = np.random.default_rng(12)
    x = np.tile(np.arange(12.0), 2000)
    frame = pl.DataFrame({"g": np.repeat(np.arange(2000), 12), "x": x, "y": 50 + 0.02 * x + rng.normal(0, 0.1, x.size)})
    covered = (
        100
        * slopes(frame, by=["g"], x="x", y="y")
        .select(((pl.col("low") <= 0.02) & (pl.col("high") >= 0.02)).mean())
        .item()
    )
    print(f"slope of 12 points: {covered:.2f} %")
    assert 93 <= covered <= 97


def test_precision_limit() -> None:
    assert precision_limit(0.2, 4, 40) == pytest.approx(0.2 * np.sqrt(stats.f.ppf(0.95, 4, 40)), rel=1e-10)
    for bad in ((0.0, 4, 40), (0.2, 0, 40), (0.2, 4, 0)):
        with pytest.raises(ValueError, match="above zero"):
            precision_limit(*bad)
    with pytest.raises(ValueError, match="between 0 and 1"):
        precision_limit(0.2, 4, 40, probability=1.0)
