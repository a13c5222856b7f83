"""Only what holds for a lot speaks for it: checks since the setting, its sensors in any order, limits before hardness."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import polars as pl
import pytest
from scenario import Scenario, at
from scipy import stats

from pipeline.decisions.record import record_baseline
from pipeline.history.chain import GENESIS_HASH, Event
from pipeline.history.store import History
from pipeline.judge.lots.budgets import with_budgets
from pipeline.questions.exclusions import with_exclusions
from pipeline.questions.meter_budgets import with_meter_budgets
from pipeline.workspace.settings import Settings, find_workspace

if TYPE_CHECKING:
    from workspace_files import Shell

    from pipeline.judge.assessment import Assessment
    from schemas.results import LotResult


def lot(found: Assessment, name: str = "L1") -> LotResult:
    return with_budgets(found, found.lots[name])


def high_until_set() -> Scenario:
    """Eight days on which the meter reads 0.25 MS/m high, then a setting on the morning of the ninth."""
    scenario = Scenario()
    for day in range(8):
        scenario.check("07:00", 0.25 + 0.01 * (day % 3), day=day)
        scenario.check("07:10", 0.25 + 0.01 * (day % 2), block="B2", day=day).lot("07:30", lot="L2", day=day)
    scenario.check("07:00", 0.25, day=8).check("07:10", 0.25, block="B2", day=8)
    return scenario.reading(at("08:00", 8), 50.0, role="setting", block="B2")


def test_a_block_not_checked_since_the_setting_says_nothing_of_the_bias() -> None:
    scenario = high_until_set()
    for day in range(8, 16):
        scenario.check("09:00", 0.005 * (day % 3), block="B2", day=day)
        scenario.lot("09:30", lot="L1" if day == 15 else "L2", day=day)
    result = lot(scenario.check("11:00", block="B2", day=15).assess("12:00", day=15))
    # B1 is nearer to the lot, but what was found on it was found before the setting
    assert result.conformity is not None
    assert abs(result.conformity.known_bias) < 0.02
    assert any(line.source.endswith("on B2 since the setting") for line in result.contributions)


@pytest.mark.parametrize("applied", [False, True])
def test_a_line_of_before_the_setting_is_not_taken_off_what_was_read_after_it(applied: bool) -> None:
    scenario = high_until_set().lot("08:10", 55.1, 55.2, 55.3, day=8)
    found = (
        scenario.check("09:00", day=8)
        .check("09:10", block="B2", day=8)
        .assess("12:00", day=8, settings=Settings(apply_bias_line=applied))
    )
    result = lot(found)
    assert result.support == "supported"
    assert result.mean == pytest.approx(55.2)
    assert result.conformity is not None
    assert result.conformity.known_bias == 0
    assert [one.applied for one in result.bias_at_level] == [False]
    assert any("since the meter's last setting" in (one.reason or "") for one in result.bias_at_level)


def test_a_setting_between_two_meters_readings_leaves_the_first_meters_checks_in_force() -> None:
    scenario = high_until_set()
    # L2 was read by M1 before the setting; M2 reads it again after it
    scenario.check("09:00", day=8, meter="M2").lot("09:30", 58.5, lot="L2", day=8, meter="M2")
    result = lot(scenario.check("11:00", day=8, meter="M2").assess("12:00", day=8), "L2")
    assert result.conformity is not None
    assert result.conformity.known_bias == pytest.approx(0.25875, abs=0.01)


def test_the_page_of_a_meter_forgets_what_was_found_before_its_setting() -> None:
    scenario = high_until_set().check("09:00", block="B2", day=8)
    found = scenario.assess("12:00", day=8)
    result = with_meter_budgets(found, found.meters["M1"])
    budgets = {one.block: one for one in result.budgets}
    assert budgets["B1"].uncorrected_bias == 0
    assert "meter accuracy statement" in [line.name for line in budgets["B1"].contributions]
    # a line needs two blocks, and one was checked since
    assert [(one.bias, len(one.points)) for one in result.bias_lines] == [(None, 1)]


def test_what_a_lot_would_be_with_every_reading_rests_on_the_same_checks() -> None:
    scenario = high_until_set()
    sources = pl.DataFrame({"source_id": [1], "sha256": ["a"], "name": ["f"]}, schema_overrides={"source_id": pl.Int32})
    lines = [row["line"] for row in scenario.rows if row.get("lot") == "L2"]
    events = [
        Event(
            n,
            at("12:00", 8),
            "exclusion",
            {"sha256": "a", "line": line},
            "Ada",
            "wrong metal",
            GENESIS_HASH,
            GENESIS_HASH,
        )
        for n, line in enumerate(lines)
    ]
    before = lot(scenario.assess("12:00", day=8), "L2")
    found = scenario.assess("12:00", day=8, events=events, sources=sources)
    every = with_exclusions(found, found.lots["L2"], found.readings, {1: "f"}).with_every_reading
    assert every is not None
    assert every.expanded_uncertainty == pytest.approx(before.expanded_uncertainty, rel=0.05)


SENSORS = "sensor,correction_c,expanded_uncertainty_c,coverage_factor,due_on\nT1,0,0.1,2,\nT2,0,3.0,2,\n"


def test_of_two_sensors_the_least_certain_counts_in_any_order_of_loading() -> None:
    scenario = Scenario(sensors=SENSORS).check("07:00", sensor="T1").lot("07:30", sensor="T1", temperature_c=23.0)
    scenario.reading(at("07:40"), 58.5, lot="L1", part="7", spot="1", sensor="T2", temperature_c=23.0)
    frame = scenario.check("08:00", sensor="T1").frame()
    forward, backward = (lot(scenario.assess("09:00", frame=one)) for one in (frame, frame.reverse()))
    assert forward.expanded_uncertainty == pytest.approx(backward.expanded_uncertainty, rel=1e-12)
    (sensor,) = (line for line in forward.contributions if line.name == "temperature sensor")
    # ρ = 1/σ, dσ/dT = s·σ²: 6.81e-5 · 59.2² MS/m per °C, times U/k = 1.5 °C
    assert sensor.standard_uncertainty == pytest.approx(1.5 * 6.81e-5 * forward.mean**2, rel=1e-6)


HARD = {
    "specifications": "specification,material,lower,upper,unit,parts,spots,repeats,hardness_required\nS,copper,57,60,MS/m,1,1,1,yes\n",
    "hardness": "lot,part,value,scale,lower,upper\nL1,1,50,HB,60,70\n",
}


@pytest.mark.parametrize(("value", "verdict"), [(55.0, "reject"), (58.0, "hold")])
def test_hardness_out_of_limits_softens_no_reject(value: float, verdict: str) -> None:
    found = Scenario(**HARD).check("07:00").lot("07:30", value).check("08:00").assess("09:00")
    result = found.lots["L1"]
    assert result.verdict == verdict
    assert any("Hardness 50 HB" in reason for reason in result.reasons)


def test_a_named_baseline_carries_the_unit_its_checks_are_in(shell: Shell) -> None:
    shell.make()
    scenario = Scenario()
    for hour in range(7, 12):
        scenario.check(f"{hour:02}:00", 0.01 * hour).lot(f"{hour:02}:30")
    shell.load(shell.put("a.csv", scenario))
    # edited, and not taken over by a load yet
    path = shell.root / "annealog.toml"
    path.write_text('unit = "%IACS"\n' + path.read_text(encoding="utf-8"), encoding="utf-8")
    place = find_workspace(shell.root)
    assert place.settings.unit == "%IACS"
    record_baseline(place, meter="M1", block="B1", start=None, end=None, by="Ada", why="after the setting")
    with History.open(place.history) as history:
        row = history.baselines().row(-1, named=True)
    assert (row["unit"], row["centre"]) == ("MS/m", pytest.approx(58.09))


def test_one_reading_of_a_part_by_each_of_two_meters_tells_nothing_of_repeatability() -> None:
    def read_by(*meters: str) -> LotResult:
        scenario = Scenario()
        for meter in ("M1", "M2"):
            scenario.check("07:00", meter=meter)
        for i, meter in enumerate(meters):
            scenario.lot(f"08:{i:02}", 58.5 + 0.2 * (meter == "M2") + 0.01 * i, meter=meter)
        for meter in ("M1", "M2"):
            scenario.check("09:00", meter=meter)
        return lot(scenario.assess())

    apart = read_by("M1", "M2")
    assert apart.repeatability is None
    assert "twice by one meter" in apart.not_computable["repeatability"]
    (line,) = [one for one in apart.contributions if one.name == "repeatability"]
    # it comes from the checks, ±0.02 of three readings, and not from the 0.21 between the meters
    assert "checks" in line.source
    assert line.standard_uncertainty == pytest.approx(0.02 / 2**0.5)
    twice = read_by("M1", "M2", "M1", "M2")
    assert twice.repeatability == pytest.approx(0.02 / 2**0.5)  # two pairs 0.02 apart
    assert twice.repeatability_degrees_of_freedom == 2


@pytest.mark.parametrize(("p_value", "told"), [(0.9e-4, True), (1.1e-4, False)])
def test_spots_of_a_part_differ_where_chance_would_do_it_less_than_once_in_ten_thousand(
    p_value: float, told: bool
) -> None:
    # two spots, each read at -d, 0 and d: F = 1.5·(distance/d)² on 1 and 4 degrees of freedom
    distance = 0.03 * (stats.f.isf(p_value, 1, 4) / 1.5) ** 0.5  # 0.37 and 0.39 MS/m, more than the 0.29 that matter
    scenario = Scenario().check("07:00")
    for spot, centre in (("1", 58.0), ("2", 58.0 + distance)):
        for i, offset in enumerate((-0.03, 0.0, 0.03)):
            moment = at("08:00") + timedelta(minutes=int(spot), seconds=i)
            scenario.reading(moment, centre + offset, lot="L1", part="1", spot=spot)
    result = scenario.check("09:00").assess().lots["L1"]
    assert any(flag.startswith("spots_differ_within_parts") for flag in result.flags) == told
