"""The line over a meter's blocks, through the whole assessment: taken off where the site says so, refused beyond the blocks. Invented."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from parsed_pages import Parsed
from sample_pages import lot_page, meter_page
from scenario import Scenario

import reports
from pipeline.errors import SettingsError
from pipeline.judge.lots.budgets import with_budgets
from pipeline.questions.meter_budgets import with_meter_budgets
from pipeline.workspace.settings import Settings, read_settings

if TYPE_CHECKING:
    from schemas.results import LotResult


def history(*values: float, days: int = 8, seed: int = 1, **extra: str) -> Scenario:
    """A meter that reads 0.20 high at 58 MS/m and 0.10 low at 50 MS/m, and one lot."""
    chance = random.Random(seed)
    head = "specification,material,lower,upper,unit,decision_rule\nS,copper,45,62,MS/m,guarded\n"
    scenario = Scenario(specifications=head, **extra)
    for day in range(days + 1):
        scenario.check("08:00", 0.20 + chance.gauss(0, 0.01), day=day)
        scenario.check("08:05", -0.10 + chance.gauss(0, 0.01), block="B2", day=day)
        scenario.lot("09:00", *(values if day == days else (54.0,)), lot="L1" if day == days else "L2", day=day)
    return scenario.check("10:00", 0.2, day=days).check("10:05", -0.1, block="B2", day=days)


def found(scenario: Scenario, *, day: int = 8, **given: Any) -> LotResult:
    assessment = scenario.assess(day=day, settings=Settings(**given))
    return with_budgets(assessment, assessment.lots["L1"])


def test_the_bias_at_the_level_of_a_lot_is_reported_and_left_in_by_default() -> None:
    result = found(history(54.0, 54.1, 53.9))
    (at,) = result.bias_at_level
    assert at.bias == pytest.approx(0.05, abs=0.02)
    assert (at.applied, at.blocks, at.beyond) == (False, 2, 0.0)
    assert result.mean == pytest.approx(54.0)
    assert not any("bias_line" in flag for flag in result.flags)


def test_the_site_may_take_it_off_and_the_certificate_then_stands_in_the_line_only() -> None:
    plain, corrected = found(history(54.0, 54.1, 53.9)), found(history(54.0, 54.1, 53.9), apply_bias_line=True)
    (at,) = corrected.bias_at_level
    assert at.applied
    assert at.bias is not None
    assert plain.mean is not None
    assert corrected.mean == pytest.approx(plain.mean - at.bias, rel=1e-14)
    assert corrected.standard_deviation == pytest.approx(plain.standard_deviation)
    lines = {c.name: c.standard_uncertainty for c in corrected.contributions}
    assert lines["bias line over the blocks"] == at.standard_uncertainty
    assert "block certificate" not in lines
    assert corrected.budgets[-1].uncorrected_bias == 0.0
    assert plain.budgets[-1].uncorrected_bias != 0.0
    assert corrected.conformity is not None
    assert corrected.conformity.known_bias == 0.0
    assert corrected.conformity.lowest == pytest.approx(53.9 - at.bias)


def test_beyond_the_blocks_the_line_is_refused_with_its_number() -> None:
    result = found(history(60.0, 60.1, 59.9), apply_bias_line=True)
    (at,) = result.bias_at_level
    assert not at.applied
    assert at.beyond == pytest.approx(2.0)
    assert result.mean == pytest.approx(60.0)
    (flag,) = [flag for flag in result.flags if flag.startswith("bias_line_not_applied")]
    assert "lies 2 MS/m above the highest block" in flag
    assert "block certificate" in {c.name for c in result.contributions}


def test_a_correlation_of_certificates_below_one_may_be_set() -> None:
    assert read_settings("certificate_correlation = 0.99").certificate_correlation == 0.99
    with pytest.raises(SettingsError, match="certificate_correlation"):
        read_settings("certificate_correlation = 1.0")


def test_one_block_makes_no_line() -> None:
    scenario = Scenario()
    for day in range(8):
        scenario.check("08:00", 0.01 * (day % 2), day=day).lot("09:00", lot="L2", day=day)
    result = found(
        scenario.check("10:00", day=7).lot("11:00", day=7).check("12:00", day=7), day=7, apply_bias_line=True
    )
    assert "two blocks" in (result.bias_at_level[0].reason or "")
    assert any("two blocks" in flag for flag in result.flags)


def test_later_checks_change_no_line_already_given() -> None:
    scenario = history(54.0)
    then = found(scenario, apply_bias_line=True)
    for day in range(9, 14):
        scenario.check("08:00", 0.45, day=day).check("08:05", 0.45, block="B2", day=day).lot("09:00", lot="L2", day=day)
    later = found(scenario, day=14, apply_bias_line=True)
    assert (later.mean, later.bias_at_level, later.budgets) == (then.mean, then.bias_at_level, then.budgets)


def test_a_meter_shows_its_line_and_the_budget_of_a_reading_near_each_block() -> None:
    assessment = history(54.0).assess(day=8)
    result = with_meter_budgets(assessment, assessment.meters["M1"])
    (line,) = result.bias_lines
    assert [point.block for point in line.points] == ["B2", "B1"]
    assert line.slope == pytest.approx(0.3 / 8, abs=0.005)
    assert (line.lowest, line.highest, line.reason) == (50.0, 58.0, None)
    assert {budget.block for budget in result.budgets} == {"B1", "B2"}
    for budget in result.budgets:
        names = [c.name for c in budget.contributions]
        assert names[:3] == ["repeatability", "block certificate", "meter between checks"]
        assert budget.readings == 1
        assert budget.expanded_uncertainty is not None
        assert budget.expanded_uncertainty > abs(budget.uncorrected_bias)
    few = Scenario().check("08:00").check("08:05", block="B2").lot("09:00").assess()
    (bare,) = with_meter_budgets(few, few.meters["M1"]).bias_lines
    assert "fewer than 5 degrees of freedom" in (bare.reason or "")


def test_the_pages_show_the_line_and_what_it_says_of_a_lot() -> None:
    assessment = history(54.0).assess(day=8)
    result = with_meter_budgets(assessment, assessment.meters["M1"])
    page = meter_page()
    shown = replace(page, result=replace(page.result, bias_lines=result.bias_lines, budgets=result.budgets))
    text = Parsed(reports.render(shown)).text
    for words in ("Bias against conductivity", "The bias changes by +0.03", "Two blocks fix a line exactly", "B1 (58)",
                  "Certificates are taken as independent", "Known bias, not corrected"):  # fmt: skip
        assert words in text, words
    bare = replace(
        page, result=replace(page.result, bias_lines=(replace(result.bias_lines[0], slope=None, reason="x < y"),))
    )
    assert "There is no line: x < y." in Parsed(reports.render(bare)).text
    lot = lot_page()
    at = found(history(60.0)).bias_at_level
    text = Parsed(reports.render(replace(lot, result=replace(lot.result, bias_at_level=at)))).text
    assert "reported and not taken off" in text
    assert "above the highest block" in text
