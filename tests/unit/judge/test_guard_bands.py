"""Guard bands of lots and how probably they conform, through the whole assessment. Invented numbers."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from parsed_pages import Parsed
from sample_pages import lot_page
from scenario import Scenario
from scipy.stats import norm, t

import reports
from pipeline.cli.look import _conformity_lines
from pipeline.errors import SettingsError
from pipeline.judge.lots.budgets import with_budgets
from pipeline.metrology.guard_band import conformance_probability, guard_band
from pipeline.workspace.settings import Settings, read_settings
from schemas.evidence import EveryReading

if TYPE_CHECKING:
    from schemas.results import LotResult
    from schemas.uncertainty import Conformity

HEAD = "specification,material,lower,upper,unit,decision_rule,conforms_by,conformance_probability,rounding\n"


def judged(*values: float, spec: str, settings: Settings | None = None, bias: float = 0.0, days: int = 12) -> LotResult:
    """Assess one lot, read between two runs of checks after some days of checks."""
    scenario = Scenario(specifications=HEAD + spec + "\n")
    for day in range(days):
        scenario.check("08:00", bias + 0.02 * (day % 2), day=day).lot("09:00", lot="L2", day=day)
    scenario.check("08:00", bias, day=days).lot("09:00", *values, day=days).check("10:00", bias, day=days)
    found = scenario.assess(day=days, settings=settings or Settings())
    return with_budgets(found, found.lots["L1"])


def conformity(result: LotResult) -> Conformity:
    assert result.conformity is not None
    return result.conformity


def test_simple_acceptance_has_no_guard_band_but_a_risk() -> None:
    result = judged(57.0, 58.0, spec="S,copper,57,60,MS/m,simple,,,")
    found = conformity(result)
    assert (result.verdict, found.guard_band) == ("accept", None)
    assert (found.acceptance_lower, found.acceptance_upper) == (57.0, 60.0)
    assert (found.lowest, found.highest, found.compared) == (57.0, 58.0, "spot")
    # on the limit, with the known bias of the meter taken off: a little more than half
    assert found.conformance_probability is not None
    assert found.false_acceptance_risk is not None
    assert found.false_acceptance_risk == 1 - found.conformance_probability
    assert found.false_rejection_risk is None
    assert 0.5 < found.false_acceptance_risk < 0.6


def test_the_guard_band_is_the_expanded_uncertainty_unless_a_probability_is_asked_for() -> None:
    by_u = conformity(judged(58.0, 58.1, spec="S,copper,57,,MS/m,guarded,,,"))
    assert by_u.guard_band == by_u.expanded_uncertainty
    assert by_u.guard_band_from == "expanded_uncertainty"
    assert by_u.acceptance_lower == pytest.approx(57 + by_u.guard_band, rel=1e-15)
    by_p = conformity(judged(58.0, 58.1, spec="S,copper,57,,MS/m,guarded,,0.95,"))
    assert by_p.guard_band_from == "conformance_probability"
    assert by_p.required_probability == 0.95
    assert by_p.standard_uncertainty is not None
    factor = norm.ppf(0.95) if by_p.degrees_of_freedom is None else t.ppf(0.95, int(by_p.degrees_of_freedom))
    assert by_p.guard_band == pytest.approx(factor * by_p.standard_uncertainty + abs(by_p.known_bias), rel=1e-12)
    assert by_p.guard_band < by_u.guard_band


def test_a_site_may_ask_for_the_probability_of_iso_14253() -> None:
    of_site = judged(58.0, spec="S,copper,57,,MS/m,guarded,,,", settings=Settings(guard_band_probability=0.95))
    of_specification = judged(58.0, spec="S,copper,57,,MS/m,guarded,,0.95,")
    assert conformity(of_site).guard_band == conformity(of_specification).guard_band
    # what the specification states goes before the setting
    both = judged(58.0, spec="S,copper,57,,MS/m,guarded,,0.8,", settings=Settings(guard_band_probability=0.95))
    assert conformity(both).required_probability == 0.8


@pytest.mark.parametrize(("offset", "met"), [(1e-6, "in"), (-1e-6, "undecided"), (-1.0, "out")])
def test_the_band_decides_and_its_edge_is_what_was_asked_for(offset: float, met: str) -> None:
    spec = "S,copper,57,60,MS/m,guarded,,0.95,"
    band = conformity(judged(58.0, spec=spec)).guard_band
    assert band is not None
    result = judged(57 + band + offset, spec=spec)
    assert result.limits_met == met
    assert result.verdict == {"in": "accept", "undecided": "hold", "out": "reject"}[met]
    found = conformity(result)
    if met == "in":
        # the amount of the bias is in the band and its sign in the probability: never less than what was asked for
        assert found.false_acceptance_risk is not None
        assert found.false_acceptance_risk <= 0.05 + 1e-5
        assert "clear of the guard band" in result.reasons[0]
    elif met == "undecided":
        assert (found.false_acceptance_risk, found.false_rejection_risk) == (None, None)
        assert "than the guard band" in result.reasons[0]
    else:
        assert found.false_rejection_risk == found.conformance_probability
        assert found.false_rejection_risk is not None
        assert found.false_rejection_risk < 0.01


def test_where_no_value_can_reach_the_probability_nothing_is_accepted_and_the_reason_is_said() -> None:
    result = judged(58.0, spec="S,copper,57.9,58.1,MS/m,guarded,,0.99,")
    assert (result.limits_met, result.verdict) == ("undecided", "hold")
    assert "a smaller uncertainty is needed" in (conformity(result).reason or "")


def test_the_risk_takes_a_known_bias_off() -> None:
    high = conformity(judged(57.05, spec="S,copper,57,,MS/m,simple,,,", bias=0.15))
    low = conformity(judged(57.05, spec="S,copper,57,,MS/m,simple,,,", bias=-0.15))
    assert high.known_bias > 0.1 > -0.1 > low.known_bias
    assert high.conformance_probability is not None
    assert low.conformance_probability is not None
    # a meter that reads high hides a lot below the limit
    assert high.conformance_probability < 0.5 < low.conformance_probability


def test_resistivity_limits_see_the_bias_with_the_other_sign() -> None:
    found = conformity(judged(58.0, spec="S,copper,16,18,nOhm.m,simple,,,", bias=0.1))
    assert found.known_bias == pytest.approx(-0.11 * 1000 / 58.0**2, rel=0.05)
    assert found.unit == "nOhm.m"
    assert found.lowest == pytest.approx(1000 / 58.0)


def test_a_compared_mean_has_an_uncertainty_of_its_own() -> None:
    spot = judged(58.0, 58.1, 58.2, 58.3, spec="S,copper,57,60,MS/m,guarded,spot,,")
    mean = judged(58.0, 58.1, 58.2, 58.3, spec="S,copper,57,60,MS/m,guarded,lot_mean,,")
    by_name = {budget.of: budget for budget in spot.budgets}
    assert set(by_name) == {"reading", "spot", "lot_mean"}
    assert by_name["spot"].expanded_uncertainty == pytest.approx(conformity(spot).expanded_uncertainty, rel=1e-12)
    assert by_name["lot_mean"].expanded_uncertainty == pytest.approx(conformity(mean).expanded_uncertainty, rel=1e-12)
    lines = {budget.of: {c.name: c.standard_uncertainty for c in budget.contributions} for budget in spot.budgets}
    assert lines["reading"]["repeatability"] == pytest.approx(2 * lines["lot_mean"]["repeatability"])
    for name in lines["reading"]:
        if name != "repeatability":
            assert lines["reading"][name] == lines["lot_mean"][name], name


def test_the_k_method_has_neither_guard_band_nor_probability() -> None:
    head = "specification,material,lower,upper,unit,conforms_by,k\n"
    scenario = Scenario(specifications=head + "S,copper,57,60,MS/m,k_method,1.5\n")
    found = scenario.check("08:00").lot("09:00", 58.0, 58.1, 58.2).check("10:00").assess().lots["L1"].conformity
    assert found is not None
    assert (found.guard_band, found.conformance_probability) == (None, None)
    assert "k method" in (found.reason or "")


def test_without_limits_there_is_nothing_to_say() -> None:
    found = (
        Scenario(specifications="specification,lower,upper,unit\n").check("08:00").lot("09:00").check("10:00").assess()
    )
    assert found.lots["L1"].conformity is None


def test_few_degrees_of_freedom_make_the_tails_heavier() -> None:
    known: dict[str, Any] = {"lower": 0.0, "degrees_of_freedom": 4}
    assert conformance_probability(2.0, 1.0, **known) == pytest.approx(t.cdf(2.0, 4), rel=1e-12)
    assert conformance_probability(2.0, 1.0, lower=0.0) == pytest.approx(norm.cdf(2.0), rel=1e-12)
    width = guard_band(0.95, 1.0, upper=0.0, degrees_of_freedom=4).width
    assert width == pytest.approx(t.ppf(0.95, 4), rel=1e-12)
    with pytest.raises(ValueError, match="at least 1"):
        conformance_probability(2.0, 1.0, lower=0.0, degrees_of_freedom=0.5)


def test_the_page_draws_the_guard_band_and_says_the_risk() -> None:
    page = lot_page(lower=57.0, upper=None)
    result = judged(57.3, 58.1, spec="S,copper,57,,MS/m,guarded,,0.95,")
    shown = replace(
        page, result=replace(page.result, conformity=result.conformity, budgets=result.budgets, limits_met="in")
    )
    found = Parsed(reports.render(shown)).text
    assert "from a probability of conforming of at least 95.0 % at its edge" in found
    assert "accepted from 57." in found
    assert "guard band" in found
    assert "accepting it carries a risk of" in found
    for words in ("Single reading, 1 reading", "Spot mean, 1 reading", "Lot mean, 2 readings", "drift since the last check",
                  "Effective degrees of freedom", "Combined standard uncertainty"):  # fmt: skip
        assert words in found, words
    simple = judged(57.3, 58.1, spec="S,copper,57,,MS/m,simple,,,")
    plain = replace(page, result=replace(page.result, conformity=simple.conformity, limits_met="in"))
    assert "none (simple acceptance)" in Parsed(reports.render(plain)).text


def test_the_command_line_says_the_guard_band_and_the_probability() -> None:
    result = judged(57.3, 58.1, spec="S,copper,57,,MS/m,guarded,,0.95,")
    band, sure = _conformity_lines(result)
    assert band == f"guard band {conformity(result).guard_band:.2f} MS/m"
    assert sure.startswith("the spot that conforms least surely does so with a probability of 0.9")
    whole = EveryReading(3, 3, 57.0, 0.1, 56.0, 58.0, 0.2, "out", "reject", ("why",))
    *_, left_out = _conformity_lines(replace(result, with_every_reading=whole))
    assert left_out == "0 readings left out; with every reading: REJECT"


@pytest.mark.parametrize(
    "text", ["guard_band_probability = 0.3", "guard_band_probability = 1.0", "thickness_allowance_percent = -1.0",
             "lift_off_allowance_percent = 100.0"],
)  # fmt: skip
def test_settings_that_make_no_sense_are_refused(text: str) -> None:
    with pytest.raises(SettingsError, match="expected"):
        read_settings(text)


def test_allowances_and_the_coefficient_enter_every_budget_undivided() -> None:
    materials = (
        "material,temperature_model,coefficient,source,coefficient_expanded_uncertainty\n"
        "copper,constant_slope,0.0000681,test,0.000004\n"
    )
    scenario = Scenario(materials=materials).check("08:00").lot("09:00", 58.0, 58.1, temperature_c=30.0).check("10:00")
    assessment = scenario.assess(settings=Settings(thickness_allowance_percent=0.1, lift_off_allowance_percent=0.2))
    result = with_budgets(assessment, assessment.lots["L1"])
    assert result.mean is not None
    for budget in result.budgets:
        lines = {c.name: c.standard_uncertainty for c in budget.contributions}
        assert lines["thickness"] == pytest.approx(result.mean * 0.001 / 3**0.5)
        assert lines["lift-off"] == pytest.approx(result.mean * 0.002 / 3**0.5)
        # dσ/ds = σ²·(T − 20); the coverage factor of the coefficient is 2 where none is stated
        assert lines["temperature coefficient"] == pytest.approx(result.mean**2 * 10 * 0.000002, rel=1e-9)
    assert not any("coefficient" in note for note in result.uncertainty_notes)


def test_a_lot_without_repeats_takes_the_repeatability_of_the_checks() -> None:
    result = judged(58.0, 58.1, 58.2, spec="S,copper,57,60,MS/m,guarded,,,")
    (line,) = [c for c in result.budgets[0].contributions if c.name == "repeatability"]
    # checks of three readings 0.02 apart: s = 0.02 with two degrees of freedom each, 13 checks before the closing run
    assert line.standard_uncertainty == pytest.approx(0.02)
    assert line.degrees_of_freedom == 26
    assert "in the meter's checks" in line.source


def test_a_probability_just_too_small_does_not_read_as_enough() -> None:
    half_for_95 = norm.ppf(0.975)
    assert guard_band(0.95, 0.9999 / half_for_95, lower=0.0, upper=2.0).width is not None
    reason = guard_band(0.95, 1.0001 / half_for_95, lower=0.0, upper=2.0).reason
    assert "only 0.94998, below the 0.95 asked for" in reason
