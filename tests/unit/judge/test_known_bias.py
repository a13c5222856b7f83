"""The bias counted in a lot's uncertainty is the meter's level when it read the lot. Invented numbers."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from parsed_pages import Parsed
from sample_pages import lot_page
from scenario import Scenario, at

import reports
from pipeline.judge.lots.budgets import with_budgets
from pipeline.judge.meters.checks_so_far import ENOUGH_CHECKS
from pipeline.questions.meter_budgets import with_meter_budgets

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.judge.assessment import Assessment
    from schemas.results import LotResult
    from schemas.uncertainty import Budget

DAYS = 20
READ_HIGH = 0.264


def steady(_day: int) -> float:
    return 0.0


def history(bias: Callable[[int], float] = steady, *, days: int = DAYS, seed: int = 3, **given: Any) -> Scenario:
    """Two checks a day on B1; L2 is read each day between them, L1 on the last."""
    chance = random.Random(seed)
    scenario = Scenario()
    for day in range(days + 1):
        for time in ("07:00", "11:00"):
            scenario.check(time, bias(day) + chance.gauss(0, 0.02), day=day, **given)
            scenario.lot("07:30" if time == "07:00" else "11:30", lot="L1" if day == days else "L2", day=day, **given)
    return scenario.check("13:00", bias(days), day=days, **given)


def lot(found: Assessment, name: str = "L1") -> LotResult:
    return with_budgets(found, found.lots[name])


def of_mean(result: LotResult) -> Budget:
    return next(budget for budget in result.budgets if budget.of == "lot_mean")


def rest(budget: Budget) -> float:
    """U without the bias."""
    assert budget.standard_uncertainty is not None
    assert budget.coverage_factor is not None
    return budget.standard_uncertainty * budget.coverage_factor


def line(budget: Budget, name: str) -> Any:
    return next((one for one in budget.contributions if one.name == name), None)


def test_a_meter_that_reads_high_on_the_day_gives_an_uncertainty_that_covers_it() -> None:
    def high_today(day: int) -> float:
        return READ_HIGH if day == DAYS else 0.0

    before = of_mean(lot(history().assess("23:00", day=DAYS)))
    found = of_mean(lot(history(high_today).assess("23:00", day=DAYS)))
    assert found.uncorrected_bias == pytest.approx(READ_HIGH, abs=0.03)
    assert found.expanded_uncertainty is not None
    # the bias and all the rest: certificate, scatter, resolution
    assert found.expanded_uncertainty > READ_HIGH + 0.95 * rest(before)


def test_a_step_of_yesterday_is_counted_whole_and_one_of_long_ago_is_forgotten() -> None:
    stepped = of_mean(lot(history(lambda day: 0.25 if day >= DAYS - 1 else 0.0).assess("23:00", day=DAYS)))
    assert stepped.uncorrected_bias == pytest.approx(0.25, abs=0.025)
    back = of_mean(lot(history(lambda day: 0.25 if day < 3 else 0.0).assess("23:00", day=DAYS)))
    assert abs(back.uncorrected_bias) < 0.025  # the mean since the setting was 0.036


def test_a_drift_is_followed() -> None:
    found = of_mean(lot(history(lambda day: 0.0125 * day).assess("23:00", day=DAYS)))
    # the mean of all checks says half of it
    assert found.uncorrected_bias == pytest.approx(0.25, abs=0.04)
    assert found.expanded_uncertainty is not None
    # a bias of one sign is covered where 95 % of what is left on that side is (certificate 0.1, scatter 0.02)
    assert found.expanded_uncertainty > 0.25 + 1.645 * (0.1**2 + 0.02**2) ** 0.5
    assert line(found, "drift since the last check") is not None


def test_a_meter_without_drift_has_practically_the_uncertainty_it_had() -> None:
    chance = random.Random(3)
    biases = [chance.gauss(0, 0.02) for _ in range(2 * (DAYS + 1))]
    n = len(biases)
    mean = sum(biases) / n
    s = (sum((one - mean) ** 2 for one in biases) / (n - 1)) ** 0.5
    found = of_mean(lot(history().assess("23:00", day=DAYS)))
    between = line(found, "meter between checks")
    level = line(found, "level of the meter")
    assert between.standard_uncertainty == pytest.approx(s, rel=0.15)
    assert between.degrees_of_freedom == level.degrees_of_freedom == n - 1
    assert level.standard_uncertainty == pytest.approx(between.standard_uncertainty * 0.5, rel=0.01)  # √(0.2 + 0.05)
    # with the mean since the setting and its scatter instead of the level
    u = found.standard_uncertainty
    assert u is not None
    before = rest(found) / u * (u**2 - between.standard_uncertainty**2 - level.standard_uncertainty**2 + s**2) ** 0.5
    assert found.expanded_uncertainty == pytest.approx(before + abs(mean), rel=0.1)


def test_nothing_after_the_closing_run_and_not_the_closing_run_itself_changes_a_budget() -> None:
    scenario = history()
    given = lot(scenario.assess("14:00", day=DAYS))
    for day in range(DAYS, DAYS + 9):
        scenario.check("15:00", 0.28, day=day).lot("16:00", lot="L2", day=day)
    later = lot(scenario.assess("23:00", day=DAYS + 8))
    assert later.budgets == given.budgets
    assert later.bias_at_level == given.bias_at_level
    assert later.expanded_uncertainty == given.expanded_uncertainty
    # the lot read last knows of it
    assert of_mean(lot(scenario.assess("23:00", day=DAYS + 8), "L2")).uncorrected_bias == pytest.approx(0.28, abs=0.02)


@pytest.mark.parametrize("checks", [1, 2])
def test_one_or_two_checks_tell_the_bias_and_the_accuracy_statement_stands_for_their_scatter(checks: int) -> None:
    scenario = Scenario()
    for i in range(checks):
        scenario.check(f"{7 + i:02}:00", READ_HIGH).lot(f"{7 + i:02}:30", lot="L1" if i == checks - 1 else "L2")
    found = of_mean(lot(scenario.check("12:00", READ_HIGH).assess()))
    names = [one.name for one in found.contributions]
    assert "meter accuracy statement" in names
    assert "level of the meter" not in names
    assert found.uncorrected_bias == pytest.approx(READ_HIGH)
    assert found.expanded_uncertainty == pytest.approx(rest(found) + READ_HIGH)


@pytest.mark.parametrize(("checks", "enough"), [(ENOUGH_CHECKS - 1, False), (ENOUGH_CHECKS, True)])
def test_the_scatter_of_checks_counts_from_the_sixth_check_on(checks: int, enough: bool) -> None:
    assert ENOUGH_CHECKS == 6
    scenario = Scenario()
    for day in range(checks):
        scenario.check("07:00", 0.01 * (-1) ** day, day=day)
        scenario.lot("07:30", lot="L1" if day == checks - 1 else "L2", day=day)
    found = scenario.check("12:00", day=checks - 1).assess(day=checks - 1)
    result = lot(found)
    of_lot = [one.name for one in of_mean(result).contributions]
    assert ("meter between checks" in of_lot) == enough
    assert ("meter accuracy statement" in of_lot) != enough
    assert (result.bias_at_level[0].known_bias_standard_uncertainty is not None) == enough
    # the meter's page counts the closing check, too
    early = scenario.rows[: 3 * checks + 3 * checks]  # without it
    scenario.rows = early
    of_meter = scenario.assess(day=checks - 1)
    (budget,) = with_meter_budgets(of_meter, of_meter.meters["M1"]).budgets
    assert ("meter between checks" in [one.name for one in budget.contributions]) == enough


def test_after_a_setting_the_level_begins_again() -> None:
    scenario = history(lambda _: 0.25, days=9)
    scenario.reading(at("07:00", 10), 58.0, role="setting", block="B1").check("07:30", 0.01, day=10)
    scenario.lot("08:00", day=10).check("09:00", day=10)
    found = of_mean(lot(scenario.assess("23:00", day=10)))
    # parts of L1 were read before and after: the checks before its closing run are those after the setting
    assert found.uncorrected_bias == pytest.approx(0.01)


def test_the_block_nearest_to_the_lot_tells() -> None:
    scenario = Scenario()
    for day in range(8):
        scenario.check("07:00", 0.2 + 0.01 * (-1) ** day, day=day)
        scenario.check("07:05", -0.1 + 0.01 * (-1) ** day, block="B2", day=day)
        scenario.lot("08:00", 57.0, lot="L1" if day == 7 else "LX", day=day)
        scenario.lot("09:00", 51.0, lot="L2" if day == 7 else "LX", day=day)
    found = scenario.check("10:00", day=7).check("10:05", block="B2", day=7).assess(day=7)
    for name, block, bias in (("L1", "B1", 0.2), ("L2", "B2", -0.1)):
        result = lot(found, name)
        (at_level,) = result.bias_at_level
        assert at_level.block == block
        assert at_level.known_bias == pytest.approx(bias, abs=0.01)
        assert of_mean(result).uncorrected_bias == at_level.known_bias


def test_each_meter_has_its_own_level_and_the_one_that_leaves_most_open_counts() -> None:
    scenario = Scenario()
    for day in range(8):
        for meter, bias in (("M1", 0.2), ("M2", -0.15)):
            scenario.check("07:00", bias + 0.01 * (-1) ** day, day=day, meter=meter)
            scenario.lot("08:00", lot="L1" if day == 7 else "LX", day=day, meter=meter)
        scenario.lot("08:30", 58.5, lot="L1" if day == 7 else "LX", day=day, meter="M2")
    for meter in ("M1", "M2"):
        scenario.check("10:00", day=7, meter=meter)
    result = lot(scenario.assess(day=7))
    levels = {one.meter: one.known_bias for one in result.bias_at_level}
    assert levels == {"M1": pytest.approx(0.2, abs=0.01), "M2": pytest.approx(-0.15, abs=0.01)}
    # M2 read more of it; what M1 read is compared with the same limits
    assert of_mean(result).uncorrected_bias == levels["M1"]


def test_the_budget_the_table_of_the_page_and_the_meters_page_say_one_figure() -> None:
    found = history(lambda day: 0.01 * day).assess("12:30", day=DAYS)  # before the closing run
    result = lot(found)
    (at_level,) = result.bias_at_level
    of_lot = of_mean(result)
    assert of_lot.uncorrected_bias == at_level.known_bias
    assert line(of_lot, "level of the meter").standard_uncertainty == at_level.known_bias_standard_uncertainty
    assert line(of_lot, "level of the meter").degrees_of_freedom == at_level.known_bias_degrees_of_freedom
    of_meter = with_meter_budgets(found, found.meters["M1"])
    assert of_meter.budgets[0].uncorrected_bias == at_level.known_bias
    assert of_meter.bias_lines[0].points[0].bias == at_level.known_bias
    page = lot_page()
    shown = replace(page, result=replace(page.result, bias_at_level=(at_level,)))
    text = Parsed(reports.render(shown)).text
    assert "a local level over the checks since the setting" in text
    assert f"{at_level.known_bias:+.3f}"[:5] in text
