"""State, limits and signals of a meter: each condition just inside and just outside its border. Invented numbers."""

from __future__ import annotations

import math
import statistics
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest
from look_back_story import decision
from scenario import REFERENCE, Scenario, at
from scipy import stats

from pipeline.judge.assessment import SignalDecision, decisions_on_signals
from pipeline.workspace.settings import Settings
from schemas.page import Decision

if TYPE_CHECKING:
    from schemas.results import MeterResult

SECOND = timedelta(seconds=1)


def meter(scenario: Scenario, clock: str = "23:00", *, day: int = 0, name: str = "M1", **given: Any) -> MeterResult:
    chain = given.pop("events", [])
    return scenario.assess(clock, day=day, settings=Settings(**given), events=chain).meters[name]


def state(scenario: Scenario, clock: str = "23:00", **given: Any) -> str:
    return meter(scenario, clock, **given).state


# state ---------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("clock", "hours", "wanted"), [
    ("16:00:10", 8.0, "fit"), ("16:00:11", 8.0, "overdue"), ("12:00:10", 4.0, "fit"), ("12:00:11", 4.0, "overdue"),
])  # fmt: skip
def test_a_meter_is_overdue_when_its_last_run_is_older_than_the_interval(clock: str, hours: float, wanted: str) -> None:
    found = meter(Scenario().check("08:00"), clock, check_interval_hours=hours)
    assert (found.state, f"more than {hours:g} h" in found.reasons[0]) == (wanted, wanted == "overdue")


@pytest.mark.parametrize(("clock", "day", "wanted"), [("23:59:59", 0, "fit"), ("00:00", 1, "overdue")])
def test_a_calibration_holds_to_the_end_of_its_day(clock: str, day: int, wanted: str) -> None:
    due = "meter,accuracy_percent,due_on\nM1,0.5,2026-03-02\nM2,0.5,2020-01-01\n"
    found = meter(Scenario(meters=due).check("23:00"), clock, day=day)
    assert (found.state, "due on 2026-03-02" in found.reasons[0]) == (wanted, wanted == "overdue")
    never = "meter,accuracy_percent,due_on\nM1,0.5,\nM2,0.5,2020-01-01\n"
    assert state(Scenario(meters=never).check("23:00"), clock, day=day) == "fit"


@pytest.mark.parametrize(("due", "hours", "until"), [
    ("", 2.0, "2026-03-03 01:00"), ("2026-03-03", 2.0, "2026-03-03 01:00"), ("2026-03-02", 2.0, "2026-03-03 00:00"),
    ("2026-03-02", 1.0, "2026-03-03 00:00"), ("2026-03-02", 0.5, "2026-03-02 23:30"),
])  # fmt: skip
def test_whoever_reads_later_that_a_meter_is_fit_reads_until_when(due: str, hours: float, until: str) -> None:
    scenario = Scenario(meters=f"meter,accuracy_percent,due_on\nM1,0.5,{due}\n").check("23:00")
    assert f"holds until {until} " in meter(scenario, "23:10", check_interval_hours=hours).reasons[0]


def test_a_failure_goes_before_age_and_calibration() -> None:
    due = "meter,accuracy_percent,due_on\nM1,0.5,2020-01-01\n"
    assert state(Scenario(meters=due).check("08:00", 0.4), day=9) == "suspended"
    # of a later run that passed the age counts again
    assert state(Scenario().check("08:00", 0.4).check("10:00"), "18:00:10") == "fit"
    assert state(Scenario().check("08:00", 0.4).check("10:00"), "18:00:11") == "overdue"


@pytest.mark.parametrize(
    ("runs", "wanted", "said"),
    [
        ([[0.4]], "suspended", "1 of 1 checks"),
        ([[0.4, 0.0, 0.4]], "suspended", "2 of 3 checks"),
        ([[0.4], [0.4, 0.0]], "suspended", "1 of 2 checks"),
        ([[0.0], [0.4]], "suspended", "1 of 1 checks"),
        ([[0.4], [0.0]], "fit", "passed"),
        ([[0.4], [0.0], [0.4]], "suspended", "1 of 1 checks"),
        ([[0.4], [0.4], [0.0], [0.0]], "fit", "passed"),
        ([[0.0]], "fit", "passed"),
    ],
)
def test_a_failed_run_suspends_until_one_after_it_passes(runs: list[list[float]], wanted: str, said: str) -> None:
    scenario = Scenario()
    for hour, run in enumerate(runs):
        for quarter, bias in enumerate(run):
            scenario.check(f"{8 + 2 * hour:02}:{15 * quarter:02}", bias)
    found = meter(scenario, "16:00")
    assert (found.state, said in found.reasons[0]) == (wanted, True)
    assert (found.runs, found.checks) == (len(runs), sum(map(len, runs)))
    assert found.last_run_passed == all(bias == 0.0 for bias in runs[-1])
    assert found.last_run_at == max(row["measured_at"] for row in scenario.rows)
    assert ("pause of 60 min" in found.reasons[-1]) == (wanted == "suspended")


def test_nothing_judged_is_not_assessed_whatever_else_there_is() -> None:
    due = "meter,accuracy_percent,due_on\nM1,0.5,2020-01-01\n"
    for scenario in (
        Scenario(meters=due).lot("09:00"), Scenario(meters=due).check("08:00", block="BX"), Scenario().check("08:00", temperature_c=None),
    ):  # fmt: skip
        found = meter(scenario, day=3)
        assert (found.state, found.last_run_passed) == ("not_assessed", None)
        assert "No check on a certified block" in found.reasons[0]
    assert meter(Scenario().lot("09:00")).last_run_at is None


def far_off(*after: tuple[str, str, float], block: str = "BX") -> Scenario:
    """Twenty checks that freeze the limits of a block, then checks on the last day."""
    scenario = Scenario()
    for day in range(20):
        scenario.check("07:00", 0.01 * (day % 3), block=block, day=day)
    for clock, on, bias in after:
        scenario.check(clock, bias, block=on, day=20)
    return scenario


@pytest.mark.parametrize(
    ("after", "wanted"),
    [
        ([], "not_assessed"),
        ([("08:00", "BX", 0.5)], "suspended"),
        ([("08:00", "BX", 0.5), ("10:00", "BX", 0.0)], "fit"),
        # a reject again
        ([("08:00", "BX", 0.5), ("10:00", "BX", 0.5)], "suspended"),
        # where tolerance judges nothing of the rejected run, a run on blocks of the same kind clears it, or one that passes
        ([("08:00", "BX", 0.5), ("10:00", "B1", 0.0)], "fit"),
        ([("08:00", "BX", 0.5), ("10:00", "B1", 0.4)], "suspended"),
        # and one that failed on a certified block is cleared by none that tolerance cannot judge
        ([("08:00", "B1", 0.4), ("10:00", "BX", 0.0)], "suspended"),
    ],
)
def test_where_nothing_is_certified_a_run_without_a_reject_makes_fit(after: list[Any], wanted: str) -> None:
    found = meter(far_off(*after), "12:00", day=20)
    assert found.state == wanted
    if after and after[-1][1:] == ("BX", 0.5):
        assert "1 of 1 checks" in found.reasons[0]
        assert "multi-rule" in found.reasons[0]


def test_a_meter_is_judged_by_its_own_runs() -> None:
    scenario = Scenario().check("08:00", 0.4).check("08:00", meter="M2").lot("08:30").check("09:00", meter="M2")
    scenario.check("10:00", 0.4, block="B2")
    first, second = meter(scenario, "11:00"), meter(scenario, "11:00", name="M2")
    assert (first.state, first.runs, first.suspect_lots) == ("suspended", 2, ("L1",))
    assert (second.state, second.runs, second.checks, second.suspect_lots) == ("fit", 1, 2, ())
    # what a failure would put on hold is what the meter itself read
    assert {one.readings_largest for one in first.check_intervals} == {3}
    assert second.check_intervals == ()


# limits of a block ---------------------------------------------------------------------------------------------------------


def test_the_figures_of_a_block_are_those_of_its_checks() -> None:
    scenario = Scenario()
    biases = [0.03, -0.01, 0.05]
    for hour, bias in enumerate(biases):
        scenario.check(f"{8 + hour:02}:00", bias, n=3 + hour)
    (found,) = meter(scenario).blocks
    assert (found.block, found.checks, found.certified_value, found.unit) == ("B1", 3, 58.0, "MS/m")
    assert found.bias == pytest.approx(statistics.mean(biases))
    assert found.last_bias == pytest.approx(0.05)
    assert found.standard_deviation == pytest.approx(statistics.stdev(biases))
    within = [statistics.stdev(0.02 * i for i in range(n)) for n in (3, 4, 5)]
    pooled = math.sqrt(sum(nu * s**2 for nu, s in zip((2, 3, 4), within, strict=True)) / 9)
    assert found.within_standard_deviation == pytest.approx(pooled)
    assert found.within_degrees_of_freedom == 9
    # of a check with as many readings as the last one; F as in any table of it
    assert found.precision_limit == pytest.approx(pooled * math.sqrt(stats.f.ppf(Settings().precision_level, 4, 9)))
    assert found.tolerance == pytest.approx(0.29)
    assert (found.limits_kind, found.baseline_checks, found.limit_widening) == ("provisional", 0, 1.0)
    # provisional: the certificate, and s = sqrt((U/2)^2 + (accuracy/sqrt 3)^2)
    s = math.hypot(0.1, 0.005 * 58 / math.sqrt(3))
    assert found.centre == 58.0
    assert found.limits == pytest.approx((58 - 3 * s, 58 + 3 * s))
    assert found.warning_limits == pytest.approx((58 - 2 * s, 58 + 2 * s))
    assert found.not_computable == {}


def test_what_cannot_be_computed_says_why() -> None:
    (one,) = meter(Scenario().check("08:00", 0.1, n=1)).blocks
    assert (one.standard_deviation, one.within_standard_deviation, one.precision_limit) == (None, None, None)
    assert one.within_degrees_of_freedom is None
    assert set(one.not_computable) == {"standard_deviation", "within_standard_deviation", "precision_limit"}
    assert one.not_computable["precision_limit"] == one.not_computable["within_standard_deviation"] != ""
    assert one.bias == one.last_bias == pytest.approx(0.1)
    (without,) = meter(Scenario().check("08:00", block="BX").check("10:00", block="BX")).blocks
    assert (without.bias, without.last_bias, without.limits, without.warning_limits) == (None, None, None, None)
    assert set(without.not_computable) == {"bias", "last_bias", "limits"}
    assert "no certificate" in without.not_computable["bias"]
    assert without.not_computable["last_bias"] == without.not_computable["bias"]
    assert "2 of the 20 checks" in without.not_computable["limits"]
    (empty,) = meter(Scenario().check("08:00", temperature_c=None)).blocks
    assert "no check has a value" in empty.not_computable["bias"]
    assert empty.last_bias is None
    nothing = {
        "meters": "meter\nM1\n",
        "blocks": "block,material,certified_value,unit\nB1,copper,58.0,MS/m\n",
    }
    (unstated,) = meter(Scenario(**nothing).check("08:00")).blocks
    assert "states an uncertainty" in unstated.not_computable["limits"]
    assert (unstated.centre, unstated.limits) == (58.0, None)


def test_readings_that_never_differ_leave_nothing_to_compare_with_but_the_step_of_the_display() -> None:
    def same(**reference: str) -> Any:
        scenario = Scenario(**reference)
        for i in range(3):
            scenario.reading(at("08:00") + i * SECOND, 58.0, role="block", block="B1")
        (found,) = meter(scenario).blocks
        return found

    assert same(meters="meter,accuracy_percent\nM1,0.5\n").precision_limit is None
    assert "never differ" in same(meters="meter,accuracy_percent\nM1,0.5\n").not_computable["precision_limit"]
    stepped = same()  # 0.01 MS/m: a rectangle of that width has s = 0.01 / sqrt 12
    assert stepped.within_standard_deviation == 0.0
    wanted = 0.01 / math.sqrt(12) * math.sqrt(stats.f.ppf(Settings().precision_level, 2, 2))
    assert stepped.precision_limit == pytest.approx(wanted)


def test_a_baseline_that_never_differs_gives_no_limits() -> None:
    scenario = Scenario()
    for day in range(20):
        scenario.check("07:00", day=day)
    (found,) = meter(scenario.check("07:00", 0.1, day=20), day=20).blocks
    assert (found.limits, found.warning_limits, found.limits_kind, found.baseline_checks) == (None, None, "frozen", 20)
    assert "never differ" in found.not_computable["limits"]


def test_each_block_probe_and_frequency_is_a_series_of_its_own_since_the_last_setting() -> None:
    scenario = Scenario().check("07:00", 0.2).check("07:30", 0.2, block="B2")
    scenario.reading(at("08:00"), 58.0, role="setting", block="B1").check("09:00", 0.1)
    scenario.check("09:15", 0.0).check("09:30", block="B1", probe="P2").check("09:45", probe="P1", frequency_khz=60.0)
    scenario.check("10:00", probe="P1", frequency_khz=120.0).check("10:15", 0.05, block="B2")
    scenario.check("10:20", probe="P2", frequency_khz=0.5)
    found = meter(scenario)
    assert [(b.block, b.probe, b.frequency_khz, b.checks) for b in found.blocks] == [
        ("B1", None, None, 2), ("B1", "P1", 60.0, 1), ("B1", "P1", 120.0, 1), ("B1", "P2", None, 1), ("B1", "P2", 0.5, 1),
        ("B2", None, None, 1),
    ]  # fmt: skip
    assert found.blocks[0].bias == pytest.approx(0.05)
    assert found.last_setting_at == at("08:00")
    assert meter(Scenario().check("07:00")).last_setting_at is None
    twice = scenario.reading(at("11:00"), 58.0, role="setting", block="B1").check("11:30")
    assert meter(twice).last_setting_at == at("11:00")
    assert [b.checks for b in meter(twice).blocks] == [1, 1, 1, 1, 1, 1]


# signals and who decided on them -------------------------------------------------------------------------------------------

CHECK = {"meter": "M1", "block": "B1", "first_at": at("09:00"), "at": at("09:00:10")}
MINUTE = timedelta(minutes=1)


@pytest.mark.parametrize(
    ("given", "fits"),
    [
        ({}, True),
        ({"meter": "M2"}, False),
        ({"block": "B1"}, True),
        ({"block": "B2"}, False),
        # without a moment: all up to its record
        ({"recorded": at("09:00:10")}, True),
        ({"recorded": at("09:00:10") - SECOND}, False),
        # a time fits to the minute
        ({"at": at("09:00") - MINUTE}, False),
        ({"at": at("09:00") - MINUTE + SECOND}, True),
        ({"at": at("09:00:10") + MINUTE - SECOND}, True),
        ({"at": at("09:00:10") + MINUTE}, False),
        ({"at": at("09:00"), "recorded": at("08:00")}, True),
        # one of an event speaks of the checks it saw
        ({"span": (at("09:00:10"), at("11:00"))}, True),
        ({"span": (at("08:00"), at("09:00:10"))}, True),
        ({"span": (at("09:00:10") + SECOND, at("11:00"))}, False),
        ({"span": (at("08:00"), at("09:00:10") - SECOND)}, False),
        ({"span": (at("08:00"), at("11:00")), "recorded": at("08:00")}, True),
        ({"span": (at("10:00"), at("11:00")), "at": at("09:00")}, False),
        ({"span": (at("08:00"), at("11:00")), "meter": "M2"}, False),
        ({"span": (at("08:00"), at("11:00")), "block": "B2"}, False),
    ],
)
def test_a_disposition_is_about_a_check_or_it_is_not(given: dict[str, Any], fits: bool) -> None:
    said = Decision(given.get("recorded", at("15:00")), "Ada", "cleaned", "dirt")
    one = SignalDecision(given.get("meter", "M1"), given.get("block"), given.get("at"), said, given.get("span"))
    assert one.fits(CHECK) is fits


def test_dispositions_of_meters_are_read_from_the_chain_with_all_they_say() -> None:
    fired = at("09:00").isoformat()
    of_meter = decision(1, at("15:00"), meter="M1", block="B1", at=fired)
    of_event = decision(2, at("16:00"), meter="M2", checks=[fired, at("10:00").isoformat()])
    no_signal = decision(3, at("16:00"), lot="L1")
    first, second = decisions_on_signals([of_meter, no_signal, replace(of_meter, kind="action"), of_event])
    assert (first.meter, first.block, first.at, first.span) == ("M1", "B1", at("09:00"), None)
    assert first.decision == Decision(at("15:00"), "Ada", "re-measured", "looked")
    assert (second.meter, second.block, second.at, second.span) == ("M2", None, None, (at("09:00"), at("10:00")))


def test_signals_stand_in_order_with_what_was_decided_on_each() -> None:
    scenario = far_off(("08:00", "B1", 0.15), ("10:00", "B1", 0.16), ("12:00", "B1", 0.0), block="B1")
    said = decision(1, at("11:00", 20), meter="M1", at=at("08:00", 20).isoformat())
    found = meter(scenario, "13:00", day=20, events=[said])
    by_rule = [(one.rule, one.at) for one in found.signals]
    assert by_rule[0] == ("1-3s", at("08:00:10", 20))
    assert {one.at for one in found.signals} == {at("08:00:10", 20), at("10:00:10", 20)}
    assert [one.at for one in found.signals] == sorted(one.at for one in found.signals)
    assert len({one.rule for one in found.signals if one.at == at("10:00:10", 20)}) > 1
    assert all((one.block, one.reject, one.limits_kind) == ("B1", True, "frozen") for one in found.signals)
    assert [len(one.dispositions) for one in found.signals] == [int(one.at.hour == 8) for one in found.signals]
    z = scenario.assess("13:00", day=20).checks.filter(pl.col("rejects") != "")["z"].to_list()
    assert sorted({one.value_z for one in found.signals}) == sorted(z)


def test_a_scatter_is_told_with_its_figures_and_decisions() -> None:
    scenario = Scenario()
    for day in range(5):
        scenario.check("07:00", 0.0, day=day, probe="P", frequency_khz=60.0)
    for i, offset in enumerate((-0.2, 0.0, 0.2)):
        scenario.reading(
            at("07:00", 5) + i * SECOND, 58 + offset, role="block", block="B1", probe="P", frequency_khz=60.0
        )
    before = meter(scenario, "08:00", day=5)
    said = decision(1, at("09:00", 5), meter="M1", at=at("07:00", 5).isoformat())
    other = decision(2, at("09:00", 5), meter="M1", at=at("07:00", 4).isoformat())
    (one,) = meter(scenario, "10:00", day=5, events=[said, other]).precision_signals
    assert (one.block, one.probe, one.frequency_khz, one.readings) == ("B1", "P", 60.0, 3)
    assert one.at == at("07:00", 5) + 2 * SECOND
    assert one.standard_deviation == pytest.approx(0.2)
    assert one.limit == pytest.approx(0.02 * math.sqrt(stats.f.ppf(Settings().precision_level, 2, 10)))
    assert [d.at for d in one.dispositions] == [at("09:00", 5)]
    # what scatters stands in the figure of all checks, and not in the pool that the next check is compared with
    (block,) = before.blocks
    assert block.within_standard_deviation == pytest.approx(math.sqrt((5 * 0.02**2 + 0.2**2) / 6))
    assert block.within_degrees_of_freedom == 12
    assert block.precision_limit == pytest.approx(one.limit)


# flags ---------------------------------------------------------------------------------------------------------------------


def flag(found: MeterResult, name: str) -> list[str]:
    return [one for one in found.flags if one.startswith(f"{name}:")]


def test_a_meter_that_nobody_registered_says_so() -> None:
    assert flag(meter(Scenario().check("08:00", meter="M9"), name="M9"), "meter_not_registered") != []
    assert flag(meter(Scenario().check("08:00")), "meter_not_registered") == []


@pytest.mark.parametrize(("clock", "day", "told"), [("23:59:59", 0, False), ("00:00", 1, True)])
def test_a_block_is_overdue_after_its_day_whatever_stood_on_it_before(clock: str, day: int, told: bool) -> None:
    blocks = (
        "block,material,certified_value,unit,expanded_uncertainty,coverage_factor,certificate,due_on\n"
        "B1,copper,58.0,MS/m,0.2,2,C-1,2026-03-02\nB2,copper,50.0,MS/m,0.2,2,C-2,2026-03-02\nBX,copper,,,,,,\n"
    )
    scenario = (
        Scenario(blocks=blocks).check("08:00", block="B2").check("09:00").check("10:00", block="BX").check("11:00")
    )
    found = flag(meter(scenario, clock, day=day), "block_overdue")
    assert [name in " ".join(found) for name in ("block B1", "block B2", "BX")] == [told, told, False]
    assert len(found) == 2 * told
    assert found == sorted(found)


def test_readings_that_enter_no_figure_are_told_by_reason() -> None:
    scenario = Scenario().check("08:00").check("09:00", temperature_c=None, n=2)
    scenario.reading(at("10:00"), 58.0, role="block", block="B1", clock="unknown")
    found = meter(scenario, "11:00")
    (without,) = flag(found, "without_reference")
    assert without.startswith("without_reference: 2 block readings")
    assert "temperature" in without.removeprefix(
        "without_reference: 2 block readings have no value at the reference temperature"
    )
    (clock,) = flag(found, "clock_unknown")
    assert clock.startswith("clock_unknown: 1 reading on blocks")
    scenario.reading(at("10:01"), 58.0, role="block", block="B1", clock="unknown")
    assert flag(meter(scenario, "11:00"), "clock_unknown")[0].startswith("clock_unknown: 2 readings on blocks")
    assert found.left_out == {"clock_unknown": 1, "without_reference": 2}
    calm = meter(Scenario().check("08:00"))
    assert (calm.flags, calm.left_out, calm.warnings) == ((), {}, 0)


def test_warnings_are_counted_and_the_moment_of_the_question_stands_there() -> None:
    narrow = {"meters": "meter,accuracy_percent\nM1,0.01\n", "blocks": REFERENCE["blocks"].replace("0.2", "0.02")}
    scenario = Scenario(**narrow).check("08:00", 0.1).check("10:00", 0.0).check("12:00", 0.1)
    found = meter(scenario, "13:00")
    assert (found.warnings, found.as_of, found.unit, found.meter) == (2, at("13:00"), "MS/m", "M1")
    assert (len(found.drift), len(found.drift_charts)) == (1, 1)
    assert meter(Scenario().lot("09:00")).warnings == 0


def test_block_readings_written_down_by_a_person_are_counted_by_meter_and_not_those_of_exports() -> None:
    scenario = Scenario().check("08:00").lot("08:30").check("09:00", n=2).check("08:00", meter="M2")
    frame = scenario.frame()
    for column, place in (("source_id", 2), ("source_id", 3)):
        late = (pl.col("measured_at") >= at("08:30")) if place == 2 else (pl.col("meter") == "M2")
        frame = frame.with_columns(pl.when(late).then(pl.lit(place, pl.Int32)).otherwise(pl.col(column)).alias(column))

    def told(name: str, *by_hand: int) -> list[str]:
        sources = pl.DataFrame(
            {"source_id": [1, 2, 3], "sha256": list("abc"), "name": list("abc"), "taken_by_hand": [n in by_hand for n in (1, 2, 3)]},
            schema_overrides={"source_id": pl.Int32},
        )  # fmt: skip
        return flag(scenario.assess("10:00", frame=frame, sources=sources).meters[name], "taken_by_hand")

    assert told("M1", 2) == ["taken_by_hand: 2 block readings were written down by a person, not exported by a meter"]
    assert [one[:16] for one in told("M1", 1, 2)] == ["taken_by_hand: 5"]
    assert (told("M1", 3), told("M1"), len(told("M2", 3))) == ([], [], 1)


@pytest.mark.parametrize(("cold", "relative"), [(3, 2), (2, 3), (2, 2)])
def test_the_commonest_reason_without_a_value_at_the_reference_temperature_is_told(cold: int, relative: int) -> None:
    scenario = (
        Scenario()
        .check("08:00", temperature_c=None, n=cold)
        .check("08:00", n=5, meter="M2", temperature_state="relative")
    )
    scenario.check("09:00", n=relative, temperature_state="relative")
    found = scenario.assess()
    first, *_, last = found.readings.filter(pl.col("meter") == "M1")["no_reference_reason"].drop_nulls()
    assert first != last
    why = first if cold > relative else last if relative > cold else min(first, last)
    assert flag(found.meters["M1"], "without_reference") == [
        f"without_reference: {cold + relative} block readings have no value at the reference temperature: {why}"
    ]


def test_a_block_whose_certificate_was_renewed_is_overdue_no_more() -> None:
    head = "block,material,certified_value,unit,expanded_uncertainty,coverage_factor,certificate,due_on,valid_from\n"
    old, new = "B1,copper,58.0,MS/m,0.2,2,C-1,2026-03-02,\n", "B1,copper,58.0,MS/m,0.2,2,C-2,2027-03-02,2026-03-05\n"
    for blocks, told in ((old, 1), (old + new, 0)):
        scenario = Scenario(blocks=head + blocks)
        for day in (0, 1, 4):
            scenario.check("08:00", day=day)
        assert len(flag(meter(scenario, "09:00", day=4), "block_overdue")) == told


def test_a_late_baseline_is_told_of_its_meter_and_block_with_both_centres() -> None:
    scenario = Scenario()
    for day in range(6):
        for name in ("M1", "M2"):
            scenario.check("08:00", 0.02 * (day % 3), day=day, meter=name)
    few = Settings(baseline_checks=5)
    named = scenario.assess(day=6, settings=few).new_baselines.with_columns(pl.lit(True).alias("named"))
    late = scenario.check("07:00", 0.22, day=3).assess(day=6, settings=few, baselines=named)
    # the check that came late lies between the first and the last of those named, so it would be a sixth
    (told,) = flag(late.meters["M1"], "baseline_would_change")
    assert "block B1 (centre 58.016 would be 58.05); nothing was changed" in told
    assert flag(late.meters["M2"], "baseline_would_change") == []


@pytest.mark.parametrize(("suspends", "state_then", "lots"), [(0.6, "suspended", ("L1", "L2")), (0.0, "fit", ())])
def test_lots_that_are_suspect_stand_once_and_in_order(suspends: float, state_then: str, lots: tuple[str, ...]) -> None:
    scenario = Scenario().check("08:00").lot("08:10", lot="L2").lot("08:20", lot="L1").check("09:00", suspends)
    scenario.lot("09:10", lot="L2").check("09:30", suspends)
    found = meter(scenario, "10:00")
    assert (found.state, found.suspect_lots) == (state_then, lots)
