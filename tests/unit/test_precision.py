"""The standard deviation within a check against its action limit: at its boundary, out of its own pool, and no further."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from scenario import Scenario, at
from scipy import stats

from pipeline.errors import SettingsError
from pipeline.history.chain import GENESIS_HASH, Event
from pipeline.metrology.precision import add_precision
from pipeline.settings import Settings, read_settings
from pipeline.steps.event_lots import events_of

LEVEL = 0.997


def table(resolution: float | None = None) -> pl.DataFrame:
    return pl.DataFrame(
        {"meter": ["M1"], "resolution": [resolution], "unit": ["MS/m"]},
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


def test_the_limit_follows_the_readings_of_the_check_and_the_level() -> None:
    before = [(0.02, 4.0)] * 10
    two, ten = (judged(checks(*before, (0.02, nu)))["precision_limit"][-1] for nu in (1.0, 9.0))
    assert two == pytest.approx(0.02 * math.sqrt(stats.f.ppf(LEVEL, 1, 40)))
    assert ten == pytest.approx(0.02 * math.sqrt(stats.f.ppf(LEVEL, 9, 40)))
    loose = judged(checks(*before, (0.02, 9.0)), level=0.95)["precision_limit"][-1]
    assert loose == pytest.approx(0.02 * math.sqrt(stats.f.ppf(0.95, 9, 40)))
    with pytest.raises(ValueError, match="level"):
        judged(checks(*before), level=1.0)


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
    found = []
    for _ in range(40):
        s = chance.normal(0, 0.03, (500, 5)).std(axis=1, ddof=1)
        found.append(judged(checks(*((float(one), 4.0) for one in s)))["imprecise"].mean())
    # 3 in 1000; the standard error of the share is 0.4 in 1000
    assert 0.002 < float(np.mean(found)) < 0.0045


# through the whole assessment ------------------------------------------------------------------------------------------


def history(wild: bool) -> Scenario:
    scenario = Scenario()
    for day in range(6):
        scenario.check("07:00", day=day).lot("08:00", lot="L1" if day == 5 else "L2", day=day)
    if wild:  # three readings 0.3 apart whose mean is right
        for i, offset in enumerate((-0.3, 0.0, 0.3)):
            moment = at("09:00", 5) + timedelta(seconds=5 * i)
            scenario.reading(moment, 58.0 + offset, role="block", block="B1")
        return scenario
    return scenario.check("09:00", day=5)


def test_a_precision_signal_changes_neither_state_nor_support_nor_verdict() -> None:
    calm, rough = (history(wild).assess("10:00", day=5) for wild in (False, True))
    assert calm.meters["M1"].precision_signals == ()
    (signal,) = rough.meters["M1"].precision_signals
    assert (signal.block, signal.at, signal.readings) == ("B1", at("09:00", 5) + timedelta(seconds=10), 3)
    assert signal.standard_deviation == pytest.approx(0.3)
    # 0.02 within each of six checks of three readings
    assert signal.limit == pytest.approx(0.02 * math.sqrt(stats.f.ppf(LEVEL, 2, 12)))
    for name in ("verdict", "support", "reasons"):
        assert getattr(rough.lots["L1"], name) == getattr(calm.lots["L1"], name)
    for name in ("state", "reasons", "signals", "suspect_lots"):
        assert getattr(rough.meters["M1"], name) == getattr(calm.meters["M1"], name)
    # what the page pools leaves it out
    assert rough.meters["M1"].blocks[0].within_standard_deviation == pytest.approx(0.02)


def test_a_disposition_answers_it_and_the_level_is_a_setting() -> None:
    said = Event(
        1, at("09:30", 5), "disposition", {"meter": "M1", "block": "B1", "at": None, "decision": "probe cleaned"}, "Ada",
        "dust", GENESIS_HASH, GENESIS_HASH,
    )  # fmt: skip
    (signal,) = history(wild=True).assess("10:00", day=5, events=[said]).meters["M1"].precision_signals
    assert [one.decision for one in signal.dispositions] == ["probe cleaned"]
    limit = signal.limit
    (loose,) = (
        history(wild=True)
        .assess("10:00", day=5, settings=Settings(precision_level=0.95))
        .meters["M1"]
        .precision_signals
    )
    assert loose.limit < limit
    for wrong in ("0.5", "1.0"):
        with pytest.raises(SettingsError, match="precision_level"):
            read_settings(f"precision_level = {wrong}")


def test_after_a_setting_the_pool_begins_again() -> None:
    scenario = history(wild=False).reading(at("10:00", 5), 58.0, role="setting", block="B1")
    for i, offset in enumerate((-0.3, 0.0, 0.3)):
        scenario.reading(at("10:30", 5) + timedelta(seconds=5 * i), 58.0 + offset, role="block", block="B1")
    assert scenario.assess("11:00", day=5).meters["M1"].precision_signals == ()


# its event --------------------------------------------------------------------------------------------------------------


def events(scenario: Scenario, *chain: Event, clock: str = "23:00") -> dict[str, Any]:
    found = events_of(scenario.assess(clock, day=6), list(chain))
    return {name: event for name, event in found.items() if event.kind == "precision"}


def rough(scenario: Scenario, clock: str, day: int, spread: float = 0.3) -> Scenario:
    for i, offset in enumerate((-spread, 0.0, spread)):
        scenario.reading(at(clock, day) + timedelta(seconds=5 * i), 58.0 + offset, role="block", block="B1")
    return scenario


def test_a_precision_signal_is_an_event_with_its_lots_until_a_run_within_the_limit() -> None:
    scenario = history(wild=True).lot("10:00", lot="L3", day=5)
    (event,) = events(rough(scenario, "11:00", 5).lot("12:00", lot="L4", day=5).check("13:00", day=5)).values()
    # two runs, one after another: one event
    assert event.title.startswith("M1, precision signal of 7 March")
    assert event.name == "M1_20260307T090010Z_PRECISION-SIGNAL"
    assert (event.fired_at, event.last_at) == (
        at("09:00", 5) + timedelta(seconds=10),
        at("11:00", 5) + timedelta(seconds=10),
    )
    assert event.window_from == at("07:00", 5) + timedelta(seconds=10)
    assert event.window_to == at("13:00", 5)
    assert "Readings of 2 checks on B1 scattered beyond the action limit (s = 0.3, limit 0.0" in event.sentence
    # checks within tolerance stand on both sides: the disposition of the signal is enough
    assert {lot.lot: lot.doubt for lot in event.lots} == {"L1": "covered", "L3": "covered", "L4": "covered"}
    assert event.state == "open"
    said = Event(
        1, at("22:00", 6), "disposition", {"event": event.name, "meter": "M1", "decision": "probe changed", "checks": [
            event.fired_at.isoformat(), event.last_at.isoformat()]}, "Ada", "worn", GENESIS_HASH, GENESIS_HASH,
    )  # fmt: skip
    (closed,) = events(scenario, said).values()
    assert closed.state == "closed"
    # the next one after a run within the limit is an event of its own
    assert len(events(rough(scenario.lot("13:30", lot="L5", day=5), "14:00", 5))) == 2


def test_a_run_whose_checks_have_no_scatter_ends_no_precision_event() -> None:
    scenario = history(wild=True).lot("10:00", lot="L3", day=5).check("11:00", n=1, day=5).lot("12:00", lot="L4", day=5)
    (event,) = events(rough(scenario, "13:00", 5)).values()
    assert event.last_at == at("13:00", 5) + timedelta(seconds=10)
    assert event.window_to is None


def test_a_check_that_fails_and_scatters_is_two_events_and_its_lots_are_suspect_by_the_failure_alone() -> None:
    scenario = history(wild=False).lot("10:00", lot="L3", day=5)
    for i, offset in enumerate((0.3, 0.6, 0.9)):
        scenario.reading(at("11:00", 5) + timedelta(seconds=5 * i), 58.0 + offset, role="block", block="B1")
    found = events_of(scenario.assess("12:00", day=5), [])
    doubts = {event.kind: {lot.lot: lot.doubt for lot in event.lots} for event in found.values()}
    assert {"failed_check", "precision"} <= set(doubts)
    assert doubts["failed_check"]["L3"] == "touched"
