"""Drift charts in the assessment: where they run, restart and signal, and what they leave alone. Invented numbers."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest
from one_by_one import cusums
from scenario import DAY, Scenario

from pipeline.errors import SettingsError
from pipeline.history.chain import Event
from pipeline.statistics.charts import ewma
from pipeline.statistics.run_lengths import cusum_interval, ewma_width
from pipeline.workspace.settings import Settings, read_settings

if TYPE_CHECKING:
    from pipeline.judge.assessment import Assessment

BASELINE = [0.02, -0.03, 0.05, 0.0, -0.04, 0.03, -0.02, 0.04, -0.05, 0.01] * 2


def history(*later: float, days: int = 1, settings: Any = None, **given: Any) -> Assessment:
    """One check a day on B1: a baseline of 20 checks, then the given biases."""
    scenario = Scenario()
    for day, bias in enumerate([*BASELINE, *later]):
        scenario.check("07:00", bias, day=day)
    return scenario.assess("08:00", day=len(BASELINE) + len(later) - 1 + days - 1, settings=settings, **given)


def test_charts_begin_after_the_baseline_and_are_those_of_the_chart_functions() -> None:
    later = [0.03, 0.01, 0.05, 0.04, 0.06, 0.08]
    found = history(*later)
    checks = found.checks
    assert checks["ewma"].null_count() == 20
    charted = checks.filter(pl.col("ewma").is_not_null())
    assert charted.height == len(later)
    width, interval = ewma_width(0.2, 370.0, 20), cusum_interval(0.5, 370.0, 20)
    # limits of the rules are widened by what the charts need not: they have factors of their own
    own = ewma(
        charted["z"] * charted["limit_widening"], target=0.0, sigma=1.0, weight=0.2, width=width, asymptotic=True
    )
    assert charted["ewma"].to_list() == own.points["value"].to_list()
    assert charted["ewma_limit"][0] == pytest.approx(own.points["upper"][0], rel=1e-12)
    high, low = cusums(charted["z"] * charted["limit_widening"], target=0.0, reference_value=0.5)
    assert charted["cusum_high"].to_list() == pytest.approx(high.tolist())
    assert charted["cusum_low"].to_list() == pytest.approx(low.tolist())
    (chart,) = found.meters["M1"].drift_charts
    assert (chart.checks, chart.checks_behind_limits, chart.run_length) == (len(later), 20, 370.0)
    assert chart.ewma == charted["ewma"][-1]
    assert chart.ewma_width == width
    assert chart.cusum_interval == interval
    # with the usual factors the same limits would signal falsely three to five times as often
    assert chart.ewma_run_length_if_known is not None
    assert 370 / 5 < chart.ewma_run_length_if_known < 370 / 3


def test_provisional_limits_carry_no_drift_chart() -> None:
    """A steady bias inside the accuracy the meter claims is no drift, however far from the certificate it stands."""
    scenario = Scenario()
    for day in range(19):
        scenario.check("07:00", 0.2 + 0.01 * (day % 3), day=day)
    found = scenario.assess("08:00", day=18)
    assert found.checks["z"].count() == 19
    assert found.checks["ewma"].count() == 0
    (chart,) = found.meters["M1"].drift_charts
    assert chart.reason == "limits are provisional: 19 of the 20 checks that freeze them"
    assert found.meters["M1"].drift_signals == ()


def test_a_drift_signal_warns_and_decides_nothing() -> None:
    later = [0.002 * i for i in range(1, 41)]
    found = history(*later)
    meter = found.meters["M1"]
    by_chart = {signal.chart: signal for signal in meter.drift_signals}
    assert set(by_chart) == {"EWMA", "CUSUM"}
    assert all(signal.open and signal.side == "high" and signal.block == "B1" for signal in by_chart.values())
    assert all(signal.largest > signal.limit for signal in by_chart.values())
    first = min(signal.first_at for signal in by_chart.values())
    beyond = found.checks.filter(pl.col("drift") != "")
    assert first == beyond["at"][0]
    # the run is judged by tolerance and the multi-rule scheme alone
    assert (found.runs["passed"]).all()
    assert all(rule not in found.checks["rejects"].str.join(" ")[0] for rule in ("EWMA", "CUSUM"))


def test_a_site_may_let_them_reject() -> None:
    later = [0.02] * 5 + [0.035] * 60
    quiet, strict = history(*later), history(*later, settings=Settings(drift_signals_reject=True))
    assert quiet.checks["drift"].to_list() == strict.checks["drift"].to_list()
    changed = strict.checks.filter(pl.col("drift") != "")
    assert changed.height
    for row in changed.iter_rows(named=True):
        assert set(row["drift"].split()) <= set(row["rejects"].split())
    assert {signal.rule for signal in strict.meters["M1"].signals} >= {"CUSUM"}
    assert {signal.rule for signal in quiet.meters["M1"].signals}.isdisjoint({"EWMA", "CUSUM"})
    assert strict.meters["M1"].state == "suspended"


def test_a_setting_restarts_the_charts_and_closes_the_signal() -> None:
    scenario = Scenario()
    for day, bias in enumerate([*BASELINE, *([0.12] * 8)]):
        scenario.check("07:00", bias, day=day)
    scenario.reading(DAY + timedelta(days=28, hours=6), 58.0, role="setting", block="B1")
    for day in range(28, 50):
        scenario.check("07:00", BASELINE[day - 28] if day < 48 else 0.3, day=day)
    found = scenario.assess("08:00", day=49)
    last = found.checks.tail(2)
    # z of the first check after the new baseline stands alone in its EWMA
    assert last["ewma"][0] == pytest.approx(0.2 * last["z"][0] * last["limit_widening"][0])
    signals = found.meters["M1"].drift_signals
    before = [signal for signal in signals if signal.first_at < DAY + timedelta(days=28)]
    assert before
    assert not any(signal.open for signal in before)


def test_a_disposition_answers_a_drift_signal() -> None:
    later = [0.1] * 12
    at = DAY + timedelta(days=len(BASELINE) + len(later) - 1, hours=7, minutes=30)
    said = Event(1, at, "disposition", {"meter": "M1", "decision": "watched"}, "Ada", "set next week", "", "")
    open_signals = history(*later).meters["M1"].drift_signals
    answered = history(*later, events=[said]).meters["M1"].drift_signals
    assert len(open_signals) == len(answered) == 2
    assert all(not signal.dispositions for signal in open_signals)
    assert all([d.by for d in signal.dispositions] == ["Ada"] for signal in answered)


def test_drift_and_its_forecast() -> None:
    flat = [0.0, 0.02, -0.02] * 5
    rising = [0.004 * i + 0.01 * (-1) ** i for i in range(1, 31)]
    found = history(*flat, *rising)
    (drift,) = found.meters["M1"].drift
    assert drift.leaves_tolerance_on is not None
    assert drift.leaves_tolerance_interval is not None
    first, last = drift.leaves_tolerance_interval
    assert last is not None
    assert first < drift.leaves_tolerance_on < last
    # 0.29 MS/m (0.5 %IACS) at 0.004 a day: 72 days after day 34
    true = DAY + timedelta(days=len(BASELINE) + len(flat) - 1 + 0.29 / 0.004, hours=7)
    assert first < true < last
    assert drift.drifting_since is not None
    assert abs(drift.drifting_since - (DAY + timedelta(days=34))) < timedelta(days=6)
    assert drift.slope_since_per_30_days == pytest.approx(0.12, rel=0.15)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("drift_run_length = 5", "from 20 to 100000"),
        ("drift_ewma_weight = 0", "from 0.03 to 1"),
        ("drift_cusum_reference_value = 3", "from 0.1 to 2"),
        ("drift_signals_reject = 1", "true or false"),
    ],
)
def test_settings_that_make_no_sense(text: str, expected: str) -> None:
    with pytest.raises(SettingsError, match=expected):
        read_settings(text)
