"""The definitions that decide, along time: order of readings, moments of asking, frozen limits, what comes later."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import polars as pl
import pytest
from scenario import Scenario, at

from pipeline.history.chain import Event
from pipeline.judge.lots.budgets import with_budgets
from pipeline.statistics.run_lengths import Pattern, pattern_widening
from pipeline.workspace.settings import Settings

if TYPE_CHECKING:
    from pipeline.judge.assessment import Assessment
    from schemas.results import LotResult


def test_limits_freeze_after_the_first_checks_and_late_data_only_raises_a_flag() -> None:
    scenario = Scenario()
    for i in range(24):
        scenario.check("08:00", 0.02 * (i % 3), day=i).lot("09:00", lot="L1", day=i)
    found = scenario.assess(day=30)
    kinds = found.checks["limits_kind"].to_list()
    assert kinds == ["provisional"] * 20 + ["frozen"] * 4
    means = found.checks["mean"][:20]
    assert found.checks["centre"][-1] == pytest.approx(means.mean())
    widening = pattern_widening((Pattern(1, 1, 3.0), Pattern(2, 2, 2.0), Pattern(4, 4, 1.0)), 5000.0, 20)
    assert found.checks["limit_widening"].to_list() == [1.0] * 20 + [widening] * 4
    assert found.checks["limit_standard_deviation"][-1] == pytest.approx(widening * means.std())
    assert found.meters["M1"].blocks[0].limit_widening == widening
    stored = found.new_baselines
    assert stored["checks"].to_list() == [20]
    scenario.check("07:00", 0.2, day=3).lot("07:30", lot="L1", day=3)
    late = scenario.assess(day=30, baselines=stored)
    assert late.checks["centre"][-1] == found.checks["centre"][-1]
    assert any("baseline_would_change" in flag for flag in late.meters["M1"].flags)


def test_row_order_does_not_matter() -> None:
    scenario = (
        Scenario()
        .check("08:00")
        .check("08:01", block="B2")
        .lot("09:00")
        .check("10:00")
        .lot("11:00", lot="L2")
        .check("12:00", 0.4)
    )
    frame = scenario.frame()
    first = scenario.assess(frame=frame)
    for seed in range(5):
        again = scenario.assess(frame=frame.sample(fraction=1.0, shuffle=True, seed=seed))
        assert again.lots == first.lots
        assert again.meters == first.meters


def test_as_of_leaves_later_readings_out() -> None:
    scenario = Scenario().check("08:00").lot("09:00").check("10:00", 0.4)
    assert scenario.assess("09:30").lots["L1"].support == "open"
    assert scenario.assess("10:30").lots["L1"].support == "suspect"


def test_exported_means_count_exactly_like_their_readings() -> None:
    single, exported = Scenario().check("08:00"), Scenario().check("08:00")
    for part in range(1, 6):
        values = pl.Series([58.4 + 0.03 * part, 58.5, 58.45 - 0.01 * part, 58.6])
        for i, value in enumerate(values):
            single.reading(at("09:00") + timedelta(minutes=part, seconds=i), value, lot="L1", part=str(part), spot="1")
        exported.reading(
            at("09:00") + timedelta(minutes=part), values.mean(), lot="L1", part=str(part), spot="1", count=4,
            standard_deviation=values.std(),
        )  # fmt: skip
    a = single.check("10:00").assess().lots["L1"]
    b = exported.check("10:00").assess().lots["L1"]
    assert (a.readings, a.parts, a.verdict) == (b.readings, b.parts, b.verdict) == (20, 5, "accept")
    for name in (
        "mean",
        "standard_deviation",
        "repeatability",
        "repeatability_degrees_of_freedom",
        "cpk",
        "ppk",
        "expanded_uncertainty",
    ):
        assert getattr(a, name) == pytest.approx(getattr(b, name), rel=1e-9), name
    assert any("unknown" in flag for flag in b.flags)


def test_a_reading_without_a_part_stands_alone() -> None:
    scenario = Scenario().check("08:00").lot("09:00", 56.0, 58.0, 60.0, parts=False).check("10:00")
    result = scenario.assess().lots["L1"]
    assert (result.parts, result.verdict) == (3, "reject")
    assert any(flag.startswith("part_not_stated") for flag in result.flags)


def test_temperature_is_corrected_once_and_only_where_it_must_be() -> None:
    warm = Scenario().check("08:00").lot("09:00", 54.5, 54.6, temperature_c=40.0).check("10:00").assess().lots["L1"]
    # 1/(1/54.5 - 0.0000681·20): resistivity constant of copper, NBS Handbook 100 (from memory)
    assert warm.minimum == pytest.approx(1 / (1 / 54.5 - 0.0000681 * 20))
    assert warm.verdict == "accept"
    stated = Scenario().check("08:00").lot("09:00", 58.0, 58.1, temperature_c=40.0, temperature_state="at_reference")
    result = stated.check("10:00").assess().lots["L1"]
    assert result.minimum == 58.0
    assert "not corrected again" in " ".join(result.temperature_models)
    hot = Scenario().check("08:00").lot("09:00", 58.0, temperature_c=200.0).check("10:00").assess().lots["L1"]
    assert hot.verdict == "not_assessed"


def test_equal_times_follow_the_order_of_the_export() -> None:
    """Meters that export to the minute: a check at the time of a reading brackets it as the lines stand."""
    after = Scenario()
    for line, (role, lot) in enumerate((("part", "L1"), ("block", None), ("part", "L2"), ("block", None)), start=2):
        given = {"lot": lot, "part": "1"} if lot else {"block": "B1"}
        moment = at("10:00") if line < 4 else at("11:00")
        after.reading(moment, 58.2 if lot else 58.0, role=role, **given)
    found = after.assess("12:00")
    assert found.lots["L1"].support == "unsupported"  # its check came after it, none before
    assert found.lots["L2"].support == "supported"
    before = Scenario().check("08:00")
    before.reading(at("10:00"), 58.2, lot="L1", part="1").reading(at("10:00"), 58.0, role="block", block="B1")
    assert before.assess("23:00").lots["L1"].support == "supported"


def test_files_with_equal_times_are_ordered_by_name_not_by_loading() -> None:
    frame = Scenario().check("08:00", 0.5, n=1).check("09:00", n=1).check("11:00", n=1).frame()
    parts = (
        Scenario().reading(at("09:00"), 58.2, lot="L2", part="1").reading(at("10:00"), 58.2, lot="L1", part="1").frame()
    )
    found = set()
    for first, second in ((1, 2), (2, 1)):
        sources = pl.DataFrame(
            {"source_id": [first, second], "name": ["a.csv", "b.csv"], "sha256": ["a", "b"]},
            schema_overrides={"source_id": pl.Int32},
        )
        both = pl.concat(
            [
                frame.with_columns(pl.lit(first, pl.Int32).alias("source_id")),
                parts.with_columns(pl.lit(second, pl.Int32).alias("source_id")),
            ]
        )
        result = Scenario().assess("12:00", frame=both, sources=sources)
        found.add(tuple((lot, r.support) for lot, r in result.lots.items()))
    assert len(found) == 1


def test_a_reading_left_out_still_stands_between_checks() -> None:
    scenario = (
        Scenario().check("08:00").lot("09:00", lot="L2").check("10:00").lot("11:00", 58.4, lot="L9").check("12:00", 0.4)
    )
    whole = scenario.assess()
    assert whole.lots["L2"].support == "supported"
    line = next(row["line"] for row in scenario.rows if row.get("lot") == "L9")
    frame = scenario.frame()
    events = [_exclusion("a" * 64, line)]
    sources = pl.DataFrame(
        {"source_id": [1], "name": ["a"], "sha256": ["a" * 64]}, schema_overrides={"source_id": pl.Int32}
    )
    left_out = scenario.assess(frame=frame, events=events, sources=sources)
    assert left_out.lots["L2"].support == "supported"
    assert left_out.runs.height == whole.runs.height


def _exclusion(sha256: str, line: int) -> Event:
    return Event(1, at("13:00"), "exclusion", {"sha256": sha256, "line": line}, "Ada", "x", "", "")


def _lot_with_budgets(found: Assessment) -> LotResult:
    return with_budgets(found, found.lots["L1"])


def test_later_checks_change_no_budget_already_given() -> None:
    scenario = Scenario()
    for day in range(8):
        scenario.check("08:00", 0.01 * (day % 2), day=day).lot("09:00", lot="L2", day=day)
    scenario.check("10:00", day=7).lot("11:00", day=7).check("12:00", day=7)
    then = _lot_with_budgets(scenario.assess(day=7))
    for day in range(8, 20):
        scenario.check("08:00", 0.25, day=day).lot("09:00", lot="L2", day=day)
    later = _lot_with_budgets(scenario.assess(day=20))
    assert later.expanded_uncertainty == then.expanded_uncertainty
    assert later.budgets == then.budgets
    assert {line.name for line in then.contributions} >= {"meter between checks", "drift since the last check"}


def test_the_closing_run_does_not_count_in_the_budget_however_many_readings_it_has() -> None:
    found = set()
    for n in (1, 3):
        scenario = Scenario()
        for day in range(5):
            scenario.check("08:00", 0.01 * (day % 2), day=day).lot("09:00", lot="L2", day=day)
        scenario.check("10:00", day=4).lot("11:00", day=4).check("12:00", 0.2, n=n, day=4)
        result = _lot_with_budgets(scenario.assess(day=4))
        found.add(result.budgets)
        assert [line.degrees_of_freedom for line in result.contributions if line.name == "meter between checks"] == [
            5.0
        ]
    assert len(found) == 1


def test_an_uncertified_block_lends_no_time_and_does_not_suspend_for_ever() -> None:
    scenario = Scenario().check("06:00").check("15:00", block="BX").lot("20:00").check("21:00")
    assert scenario.assess().lots["L1"].support == "unsupported"


def test_a_sensor_is_corrected_before_the_reading_is() -> None:
    sensors = "sensor,correction_c,expanded_uncertainty_c,coverage_factor\nT1,5,0.2,2\n"
    scenario = Scenario(sensors=sensors).check("08:00").lot("09:00", 58.0, sensor="T1").check("10:00")
    # 20 °C as read is 25 °C: 1/(1/58 - 0.0000681·5)
    assert scenario.assess().lots["L1"].mean == pytest.approx(1 / (1 / 58.0 - 0.0000681 * 5))


def test_a_named_baseline_that_late_data_would_change_is_flagged() -> None:
    scenario = Scenario()
    for day in range(6):
        scenario.check("08:00", 0.02 * (day % 3), day=day).lot("09:00", day=day)
    first = scenario.assess(day=6, settings=Settings(baseline_checks=5))
    named = first.new_baselines.with_columns(pl.lit(True).alias("named"))
    assert not scenario.assess(day=6, baselines=named).meters["M1"].flags
    scenario.check("07:00", 0.2, day=3).lot("07:30", day=3)
    late = scenario.assess(day=6, baselines=named)
    assert any("baseline_would_change" in flag for flag in late.meters["M1"].flags)


def test_a_baseline_without_scatter_says_so() -> None:
    scenario = Scenario()
    for day in range(22):
        scenario.check("08:00", n=1, day=day).lot("09:00", day=day)
    block = scenario.assess(day=22).meters["M1"].blocks[0]
    assert block.limits is None
    assert "never differ" in block.not_computable["limits"]


@pytest.mark.parametrize(("place", "flagged"), [(0, True), (19, True), (20, False)])
def test_a_failed_check_behind_the_limits_is_told(place: int, flagged: bool) -> None:
    """The first twenty checks freeze the limits whatever they showed; one that failed makes them wide, the 21st does not."""
    story = Scenario()
    for day in range(22):
        story.check("08:00", (0.5 if day == place else 0.01 * (day % 3 - 1)), day=day)
    meter = story.assess(day=25).meters["M1"]
    told = [flag for flag in meter.flags if flag.startswith("baseline_with_failed_checks")]
    assert bool(told) == flagged
    assert all("1 of the 20 checks behind the limits of control on block B1" in flag for flag in told)
    # on provisional limits there is no baseline to speak of
    few = Scenario()
    for day in range(19):
        few.check("08:00", 0.5 if day == 3 else 0.0, day=day)
    assert not [f for f in few.assess(day=25).meters["M1"].flags if f.startswith("baseline_with")]
