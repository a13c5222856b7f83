"""Relative readings: the setting found in the meter's stream, what it taught, and what is said where it is not known."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from one_by_one import conductivity_at_reference
from scenario import REFERENCE, Scenario, at

from pipeline.judge.lots.budgets import with_budgets
from pipeline.metrology.relative_state import BlockOfSetting, block_factor

COPPER, ALUMINIUM = ("constant_slope", 0.0000681), ("constant_slope", 0.000115)
TABLES = {
    "blocks": "block,material,certified_value,unit,expanded_uncertainty,coverage_factor,certificate\n"
    "B1,copper,58.0,MS/m,0.2,2,C-1\nB2,copper,50.0,MS/m,0.2,2,C-2\nA1,alloy,19.0,MS/m,0.1,2,C-3\nBX,copper,,,,,\nBN,,30,MS/m,,,\n",
    "materials": "material,temperature_model,coefficient,source\ncopper,constant_slope,0.0000681,test\n"
    "alloy,constant_slope,0.000115,test\n",
    "specifications": "specification,material,lower,upper,unit\nS,alloy,18,21,MS/m\n",
    "lots": "lot,product,material,specification,supplier\nL1,sheet,alloy,S,Q\nL2,sheet,alloy,S,Q\n",
}


def relative_value(true: float, t_part: float, certified: float, t_set: float) -> float:
    """Return what a meter set on a copper block shows for an alloy: the physics, written down once more."""
    at_metal = 1 / (1 / true + 0.000115 * (t_part - 20))
    block = 1 / (1 / certified + 0.0000681 * (t_set - 20))
    return at_metal * certified / block


def warm(*, t_set: float | None = 30.0, block: str = "B1", role: str = "setting") -> Scenario:
    """A meter set on a block, checked on it in relative state, and used on an alloy; everything at 30 °C."""
    story = Scenario(**TABLES)
    story.reading(at("07:50"), 58.0, role=role, block=block, temperature_c=t_set, temperature_state="relative")
    return story.check("08:00", temperature_state="relative", temperature_c=30.0)


def read(story: Scenario, *values: float, t_part: float = 30.0) -> Scenario:
    story.lot("09:00", *values, temperature_state="relative", temperature_c=t_part)
    return story.check("10:00", temperature_state="relative", temperature_c=30.0)


def test_a_lot_in_relative_state_gets_its_true_value_and_a_verdict() -> None:
    shown = [relative_value(true, 27.0, 58.0, 30.0) for true in (19.4, 19.5, 19.6)]
    found = read(warm(), *shown, t_part=27.0).assess()
    lot = found.lots["L1"]
    assert lot.mean == pytest.approx(19.5, rel=1e-12)
    assert lot.verdict == "accept"
    assert any(
        "set at 2026-03-02T07:50:00+00:00 on B1 (copper) at 30.0 °C" in words for words in lot.temperature_models
    )
    assert any("one slope of resistivity, 0.000115" in words for words in lot.temperature_models)


def test_checks_in_relative_state_use_the_blocks_own_material() -> None:
    # set on copper and checked on the aluminium block, both at 30 °C: only its own coefficient makes the check pass
    story = warm()
    shown = relative_value(19.0, 30.0, 58.0, 30.0)
    story.reading(at("08:10"), shown, role="block", block="A1", temperature_state="relative", temperature_c=30.0)
    checks = {row["block"]: row for row in story.assess().checks.iter_rows(named=True)}
    assert checks["B1"]["bias"] == pytest.approx(0.0, abs=1e-6)
    assert checks["A1"]["bias"] == pytest.approx(0.0, abs=1e-6)


def test_the_last_setting_in_the_stream_counts() -> None:
    story = warm()
    story.lot("09:00", relative_value(19.5, 30.0, 58.0, 30.0), temperature_state="relative", temperature_c=30.0)
    story.reading(at("09:30"), 58.0, role="setting", block="B1", temperature_c=24.0, temperature_state="relative")
    story.lot(
        "09:40", relative_value(19.5, 30.0, 58.0, 24.0), lot="L2", temperature_state="relative", temperature_c=30.0
    )
    lots = story.assess().lots
    assert lots["L1"].mean == pytest.approx(19.5, rel=1e-12)
    assert lots["L2"].mean == pytest.approx(19.5, rel=1e-12)


@pytest.mark.parametrize(
    ("story", "words"),
    [
        (warm(role="block"), ["no setting of meter M1 is known before it", "annealog record adjustment --meter M1"]),
        (
            warm(t_set=None),
            ["temperature of block B1 at that setting was not stated", "--at 2026-03-02T07:50:00+00:00"],
        ),
        (warm(t_set=90.0), ["block B1 is said to have been at 90 °C", "outside -10 to 60 °C"]),
        (warm(block="B9"), ["block B9 does not stand in reference/blocks.csv"]),
        (warm(block="BN"), ["no temperature model", "block BN", "it has no material"]),
        (warm(block="BX"), ["block BX has no certified value"]),
    ],
)
def test_what_is_missing_is_named_and_nothing_is_guessed(story: Scenario, words: list[str]) -> None:
    lot = read(story, 20.0).assess().lots["L1"]
    assert lot.verdict == "not_assessed"
    assert lot.mean is None
    for expected in words:
        assert expected in " ".join(lot.reasons)


def recorded(when: datetime, block: str | None, temperature_c: float | None) -> pl.DataFrame:
    """One recorded setting, as `adjustments_of` gives it."""
    row = {
        "meter": "M1", "measured_at": when, "event": "adjustment", "kind": "recorded", "by": "A", "why": "w", "block": block, "temperature_c": temperature_c,
    }  # fmt: skip
    types = {"measured_at": pl.Datetime("us", "UTC"), "block": pl.String, "temperature_c": pl.Float64}
    return pl.DataFrame([row], schema_overrides=types)


@pytest.mark.parametrize(("block", "temperature_c", "mean"), [("B1", 30.0, 19.5), (None, None, None)])
def test_a_recorded_setting_states_block_and_temperature(
    block: str | None, temperature_c: float | None, mean: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.judge.assess.adjustments_of", lambda _: recorded(at("07:55"), block, temperature_c))
    lot = read(warm(t_set=None), relative_value(19.5, 30.0, 58.0, 30.0)).assess().lots["L1"]
    assert lot.mean == (None if mean is None else pytest.approx(mean, rel=1e-12))
    if mean is None:
        assert "temperature of block B1" in " ".join(lot.reasons)


def test_equal_metals_at_equal_temperatures_need_no_correction() -> None:
    story = Scenario().reading(
        at("07:50"), 58.0, role="setting", block="B1", temperature_c=31.0, temperature_state="relative"
    )
    story.lot("09:00", 58.0, temperature_state="relative", temperature_c=31.0)
    assert story.assess().lots["L1"].mean == pytest.approx(58.0, rel=1e-12)


def test_the_unit_of_the_export_changes_no_figure() -> None:
    shown = relative_value(19.5, 27.0, 58.0, 30.0)
    means = []
    for unit, value in (("MS/m", shown), ("%IACS", shown / 0.58), ("nOhm.m", 1000 / shown)):
        story = read(warm(), value, t_part=27.0)
        for row in story.rows:
            if row["role"] == "part":
                row |= {"unit": unit, "value_ms_per_m": shown}
        means.append(story.assess().lots["L1"].mean)
    assert means == pytest.approx([19.5] * 3, rel=1e-12)


def test_a_reading_whose_clock_is_unknown_says_so() -> None:
    story = warm()
    story.lot("09:00", 20.0, temperature_state="relative", temperature_c=30.0, clock="unknown")
    assert "clock of meter M1 is not believed" in " ".join(story.assess().lots["L1"].reasons)


def test_the_demo_of_reference_tables_is_untouched() -> None:
    # readings in other states get no column more: nothing is computed for them
    frame = Scenario(**REFERENCE).check("08:00").lot("09:00").assess(clock="12:00").readings
    assert "setting_factor" not in frame.columns
    assert frame["measured_at"].max() < datetime(2026, 3, 2, 12, tzinfo=UTC) + timedelta(seconds=1)


UNCERTAIN = {
    **TABLES,
    "materials": "material,temperature_model,coefficient,source,coefficient_expanded_uncertainty,coefficient_coverage_factor\n"
    "copper,constant_slope,0.0000681,test,0.000001,2\nalloy,constant_slope,0.000115,test,0.000006,2\n",
    "sensors": "sensor,correction_c,expanded_uncertainty_c,coverage_factor\nT1,0,0.4,2\nT2,0,0.6,2\n",
}


def lines(story: Scenario) -> tuple[dict[str, float], tuple[str, ...]]:
    found = story.assess()
    shown = with_budgets(found, found.lots["L1"])
    return {line.name: line.standard_uncertainty for line in shown.contributions}, shown.uncertainty_notes


def relative_lot(*, setting_sensor: str | None, sensor: str | None) -> Scenario:
    story = Scenario(**UNCERTAIN)
    story.reading(
        at("07:50"),
        58.0,
        role="setting",
        block="B1",
        temperature_c=30.0,
        temperature_state="relative",
        sensor=setting_sensor,
    )
    story.check("08:00", temperature_state="relative", temperature_c=30.0)
    shown = [relative_value(true, 27.0, 58.0, 30.0) for true in (19.4, 19.5, 19.6)]
    story.lot("09:00", *shown, temperature_state="relative", temperature_c=27.0, sensor=sensor)
    return story.check("10:00", temperature_state="relative", temperature_c=30.0)


def expected_sensitivities() -> dict[str, float]:
    """Return the slopes of the whole correction by its four inputs, by small steps."""
    shown = relative_value(19.5, 27.0, 58.0, 30.0)

    def corrected(t_set: float, t_part: float, c_block: float, c_part: float) -> float:
        at_metal = shown * block_factor(BlockOfSetting("B1", 58.0, t_set, COPPER[0], c_block), reference_c=20.0)
        found = conductivity_at_reference(at_metal, t_part, reference_c=20.0, model=ALUMINIUM[0], coefficient=c_part)
        assert found is not None
        return found

    start = np.array([30.0, 27.0, COPPER[1], ALUMINIUM[1]])
    steps = np.diag([1e-3, 1e-3, COPPER[1] * 1e-4, ALUMINIUM[1] * 1e-4])
    slopes = [(corrected(*(start + e)) - corrected(*(start - e))) / (2 * e.sum()) for e in steps]
    return dict(
        zip(("setting_temperature", "part_temperature", "block_coefficient", "part_coefficient"), slopes, strict=True)
    )


def test_the_budget_of_a_relative_lot_has_a_line_for_each_input() -> None:
    found, notes = lines(relative_lot(setting_sensor="T1", sensor="T2"))
    slope = expected_sensitivities()
    assert found["temperature sensor"] == pytest.approx(abs(slope["part_temperature"]) * 0.3, rel=1e-6)
    assert found["temperature of the setting"] == pytest.approx(abs(slope["setting_temperature"]) * 0.2, rel=1e-6)
    assert found["temperature coefficient"] == pytest.approx(abs(slope["part_coefficient"]) * 3e-6, rel=1e-6)
    assert found["coefficient of the setting's block"] == pytest.approx(
        abs(slope["block_coefficient"]) * 5e-7, rel=1e-6
    )
    assert not any("setting" in note for note in notes)


def test_one_sensor_for_both_temperatures_stands_once_and_cancels_in_part() -> None:
    found, _ = lines(relative_lot(setting_sensor="T1", sensor="T1"))
    slope = expected_sensitivities()
    both = slope["part_temperature"] + slope["setting_temperature"]
    assert found["temperature sensor"] == pytest.approx(abs(both) * 0.2, rel=1e-6)
    assert abs(both) < np.hypot(slope["part_temperature"], slope["setting_temperature"]) / 2
    assert "temperature of the setting" not in found


def test_an_unknown_uncertainty_at_the_setting_is_named() -> None:
    found, notes = lines(relative_lot(setting_sensor=None, sensor="T1"))
    assert "temperature of the setting" not in found
    assert "uncertainty of the temperature at the setting not known: not counted" in notes


def test_the_figures_of_all_lots_agree_with_the_table_of_one() -> None:
    found = relative_lot(setting_sensor="T1", sensor="T2").assess()
    shown = with_budgets(found, found.lots["L1"])
    of_mean = next(each for each in shown.budgets if each.of == "lot_mean")
    assert of_mean.expanded_uncertainty == pytest.approx(found.lots["L1"].expanded_uncertainty, rel=1e-12)
