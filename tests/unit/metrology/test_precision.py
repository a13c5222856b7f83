"""The standard deviation within a check against its action limit: at its boundary, out of its own pool, and no further."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy import special, stats

from pipeline.metrology.precision import add_precision

LEVEL = 0.997


def table(resolution: float | None = None, unit: str = "MS/m") -> pl.DataFrame:
    return pl.DataFrame(
        {"meter": ["M1"], "resolution": [resolution], "unit": [unit]},
        schema={"meter": pl.String, "resolution": pl.Float64, "unit": pl.String},
    ).with_columns(pl.lit(datetime(2000, 1, 1, tzinfo=UTC)).dt.cast_time_unit("us").alias("valid_from"))


def checks(*scatter: tuple[float | None, float | None], **given: Any) -> pl.DataFrame:
    """Checks of one series, an hour apart: standard deviation and degrees of freedom."""
    rows = [
        {
            "meter": "M1", "probe": None, "frequency_khz": None, "block": "B1", "phase": None, "check": i, "mean": 58.0,
            "at": datetime(2026, 3, 2, tzinfo=UTC) + timedelta(hours=i), "certified_value": 58.0,
            "within_standard_deviation": s, "within_degrees_of_freedom": nu, **given,
        }
        for i, (s, nu) in enumerate(scatter)
    ]  # fmt: skip
    time = pl.Datetime("us", "UTC")
    return pl.DataFrame(
        rows,
        schema_overrides={
            "probe": pl.String, "frequency_khz": pl.Float64, "phase": time, "at": time,
            "within_standard_deviation": pl.Float64, "within_degrees_of_freedom": pl.Float64,
        },
    )  # fmt: skip


def judged(frame: pl.DataFrame, resolution: float | None = None, level: float = LEVEL) -> pl.DataFrame:
    return add_precision(frame, table(resolution), unit="MS/m", level=level)


def test_a_check_just_below_the_limit_is_none_and_just_above_it_is_one() -> None:
    before = [(0.02, 4.0), (0.03, 4.0), (0.025, 4.0)]
    pooled = math.sqrt((0.02**2 + 0.03**2 + 0.025**2) / 3)
    limit = pooled * math.sqrt(stats.f.ppf(LEVEL, 4, 12))
    for factor, beyond in ((0.9999, False), (1.0001, True)):
        last = judged(checks(*before, (limit * factor, 4.0))).row(-1, named=True)
        assert last["imprecise"] is beyond
        assert last["precision_limit"] == pytest.approx(limit)


def test_a_check_on_its_limit_is_not_beyond_it() -> None:
    # a pooled standard deviation of 0.5, and those degrees of freedom whose limit squared is exactly the quantile
    exact = 0
    for nu in map(float, range(2, 40)):
        quantile = float(stats.f.ppf(LEVEL, 4, nu))
        s = 0.5 * math.sqrt(quantile)
        if (s / 0.5) ** 2 == quantile == special.fdtri(4, nu, LEVEL):
            exact += 1
            last = judged(checks((0.5, nu), (s, 4.0))).row(-1, named=True)
            assert last["precision_limit"] == s
            assert last["imprecise"] is False
    assert exact > 5


def test_the_limit_follows_the_readings_of_the_check_and_the_level() -> None:
    before = [(0.02, 4.0)] * 10
    two, ten = (judged(checks(*before, (0.02, nu)))["precision_limit"][-1] for nu in (1.0, 9.0))
    assert two == pytest.approx(0.02 * math.sqrt(stats.f.ppf(LEVEL, 1, 40)))
    assert ten == pytest.approx(0.02 * math.sqrt(stats.f.ppf(LEVEL, 9, 40)))
    loose = judged(checks(*before, (0.02, 9.0)), level=0.95)["precision_limit"][-1]
    assert loose == pytest.approx(0.02 * math.sqrt(stats.f.ppf(0.95, 9, 40)))
    for senseless in (0.0, 1.0, 1.5):
        with pytest.raises(ValueError, match=f"a level of {senseless} makes no sense"):
            judged(checks(*before), level=senseless)
    # without a check before there is nothing to lie beyond, at any level
    assert judged(checks((0.02, 4.0)), level=0.05)["imprecise"].to_list() == [False]


def test_an_outlying_check_does_not_hide_the_next_and_one_within_the_limit_enters_the_pool() -> None:
    wild = judged(checks(*[(0.02, 4.0)] * 6, (0.2, 4.0), (0.2, 4.0), (0.02, 4.0)))
    assert wild["imprecise"].to_list() == [False] * 6 + [True, True, False]
    limits = wild["precision_limit"].to_list()
    assert limits[6] == limits[7] == limits[8]
    tame = judged(checks(*[(0.02, 4.0)] * 6, (0.03, 4.0), (0.02, 4.0)))["precision_limit"].to_list()
    assert tame[7] > tame[6] * 1.05


def test_later_checks_change_nothing_that_was_said_and_the_first_has_nothing_to_be_judged_by() -> None:
    scatter = [(0.2, 4.0), (0.02, 4.0), (0.3, 4.0), (None, None), (0.9, 4.0), (0.02, 4.0)]
    whole = judged(checks(*scatter))
    for n in range(1, len(scatter)):
        assert judged(checks(*scatter[:n])).equals(whole[:n])
    assert whole["precision_limit"][0] is None
    assert whole["imprecise"][0] is False
    # no scatter, no judgement
    assert whole.row(3, named=True)["precision_limit"] is None
    assert whole.row(3, named=True)["imprecise"] is False


def test_what_the_display_rounds_is_no_scatter_of_the_meter() -> None:
    # a display of 0.1 on an even block: five equal readings, and once one shows the next number (s = 0.0447)
    still = [(0.0, 4.0)] * 20
    one_step = math.sqrt(0.1**2 * 0.8 / 4)
    stated, unstated = (judged(checks(*still, (one_step, 4.0)), step) for step in (0.1, None))
    assert stated["precision_limit"][-1] == pytest.approx(0.1 / math.sqrt(12) * math.sqrt(stats.f.ppf(LEVEL, 4, 80)))
    assert stated["imprecise"][-1] is False
    # without a step there is nothing to judge by, and the check enters the pool
    assert unstated["precision_limit"][-1] is None
    assert unstated["imprecise"][-1] is False
    assert judged(checks(*still, (0.2, 4.0)), 0.1)["imprecise"][-1] is True


def test_series_have_pools_of_their_own() -> None:
    quiet, loud = checks(*[(0.01, 4.0)] * 5), checks(*[(0.2, 4.0)] * 5, block="B2", check=9)
    together = judged(pl.concat([quiet, loud]).sort("at", maintain_order=True))
    assert not together["imprecise"].any()
    assert together.filter(block="B1").drop("check").equals(judged(quiet).drop("check"))
    assert judged(quiet.clear()).height == 0


def test_a_meter_that_repeats_as_before_signals_as_often_as_was_allowed() -> None:
    """A simulation: 40 meters, 500 checks of five readings each."""
    chance = np.random.default_rng(33)
    found: list[Any] = []
    for _ in range(40):
        s = chance.normal(0, 0.03, (500, 5)).std(axis=1, ddof=1)
        found.append(judged(checks(*((float(one), 4.0) for one in s)))["imprecise"].mean())
    # 3 in 1000; the standard error of the share is 0.4 in 1000
    assert 0.002 < float(np.mean(found)) < 0.0045


def test_checks_are_judged_in_the_order_of_time_and_told_in_the_order_given() -> None:
    frame = checks((0.02, 4.0), (0.03, 4.0), (0.2, 4.0), (None, None), (0.02, 0.0), (0.02, 4.0))
    shuffled = [3, 0, 5, 2, 4, 1]
    assert judged(frame[shuffled]).equals(judged(frame)[shuffled])
    # of one moment, the number of the check decides
    assert judged(frame.with_columns(at=frame["at"][0])[shuffled])["precision_limit"].to_list() == (
        judged(frame)[shuffled]["precision_limit"].to_list()
    )
    # a check of one reading has no scatter and leaves the pool as it was
    assert judged(frame)["precision_limit"].null_count() == 3


def test_a_step_of_the_display_is_taken_at_the_value_of_its_block() -> None:
    """One %IACS is 0.58 MS/m (IEC 60028:1925); resistivity falls by ρ/σ for each MS/m, so a step makes σ²/1000 times as much."""
    two = [(0.001, 4.0)] * 2

    def rounding(step: float, unit: str, **given: Any) -> list[float]:
        return add_precision(checks(*two, **given), table(step, unit), unit="MS/m", level=LEVEL)["rounding"].to_list()

    assert rounding(0.1, "%IACS") == pytest.approx([0.058 / math.sqrt(12)] * 2)
    assert rounding(0.1, "nOhm.m") == pytest.approx([0.1 * 58.0**2 / 1000 / math.sqrt(12)] * 2)
    assert rounding(0.1, "nOhm.m", certified_value=29.0) == pytest.approx([0.1 * 29.0**2 / 1000 / math.sqrt(12)] * 2)
    # without a certificate: at the first mean of the series, so that one step holds for all of it
    mixed = pl.concat(
        [
            checks(*two, certified_value=None, mean=m, block=b)
            for b, m in (("B1", None), ("B1", 29.0), ("B1", 30.0), ("B2", 58.0))
        ],
        how="vertical_relaxed",
    )
    found = add_precision(mixed, table(0.1, "nOhm.m"), unit="MS/m", level=LEVEL)
    at_29, at_58 = (0.1 * value**2 / 1000 / math.sqrt(12) for value in (29.0, 58.0))
    assert found["rounding"].to_list() == pytest.approx([at_29] * 6 + [at_58] * 2)
    assert found.columns == [*mixed.columns, "rounding", "precision_limit", "imprecise"]
