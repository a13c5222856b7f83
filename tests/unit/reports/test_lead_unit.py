"""A lot is spoken of in the unit of its specification, each value rounded one way. Invented numbers."""

from __future__ import annotations

import dataclasses
import re
from dataclasses import replace

import pytest
from parsed_pages import Parsed
from sample_details import with_detail
from sample_pages import DAY, index_page, lot_page
from scenario import Scenario

import reports
from pipeline.cli.look import _mean_in_words, _since_lines
from pipeline.cli.output import Shown
from pipeline.metrology.units import lead_unit
from pipeline.workspace.settings import Settings
from reports.kit.lead_unit import _SCALED, _SQUARED, in_lead_unit
from reports.kit.page import p_told
from reports.sections.uncertainty import decimals_of
from schemas.conditions import FIRST
from schemas.corrections import AppliedCorrection
from schemas.digits import (
    LEAST_PROBABILITY,
    decimals_for,
    decimals_that_tell,
    digits_that_tell,
    p_in_words,
    probability_in_words,
)
from schemas.documents import as_json
from schemas.evidence import Exclusion, HardnessResult
from schemas.look_back import CameToLight, EventOnLot
from schemas.lot_detail import SuspectValue
from schemas.results import LotResult


def test_every_value_is_converted_once() -> None:
    page = with_detail(lot_page(lower=98.0, upper=103.0, limits_unit="%IACS"))
    found = in_lead_unit(page)
    before, after = page.result, found.result
    assert (after.unit, after.lower, after.upper) == ("%IACS", 98.0, 103.0)
    for name in ("mean", "standard_deviation", "minimum", "maximum", "repeatability", "expanded_uncertainty"):
        assert getattr(after, name) == pytest.approx(getattr(before, name) / 0.58), name
    assert after.ppk == before.ppk
    assert found.spot_values["mean"].to_list() == pytest.approx([v / 0.58 for v in page.spot_values["mean"]])
    assert found.readings["value"].to_list() == page.readings["value"].to_list()
    assert page.detail is not None
    assert found.detail is not None
    assert page.detail.components is not None
    assert found.detail.components is not None
    for one, other in zip(page.detail.components.lines, found.detail.components.lines, strict=True):
        if one.raw is not None and one.standard_deviation is not None:
            assert other.raw == pytest.approx(one.raw / 0.58**2)
            assert other.standard_deviation == pytest.approx(one.standard_deviation / 0.58)
    assert found.detail.material.lines[0].lower == pytest.approx(page.detail.material.lines[0].lower / 0.58)
    # what the command prints as JSON stays in the working unit
    assert page.answer["unit"] == "MS/m"


UNSCALED = {
    "repeatability_degrees_of_freedom", "within_degrees_of_freedom", "cp", "cpk", "pp", "ppk", "cp_interval", "cpk_interval",
    "pp_interval", "ppk_interval", "coverage_factor", "lower_as_written", "upper_as_written", "reference_temperature_c",
    "degrees_of_freedom", "known_bias_degrees_of_freedom", "frequency_khz", "e_n", "fit_p_value", "quantile_pp", "quantile_ppk", "share", "f_ratio", "p_value",
    "separation", "likelihood", "probability", "odds", "significance", "lost_off_centre", "statistic", "critical", "cpm",
    "cpm_interval", "confidence", "tolerance_coverage",
}  # fmt: skip


def test_no_value_is_forgotten() -> None:
    """Whoever adds a number to what a lot's page shows says whether it has the unit of the page."""
    for kind, scaled in _SCALED.items():
        known = {*scaled, *_SQUARED.get(kind, ()), *UNSCALED}
        if kind is LotResult:
            known |= {"lower", "upper"}  # from the limits as written
        if kind in (HardnessResult, Exclusion, AppliedCorrection, SuspectValue):
            # hardness, readings as exported, tables as written, test statistics
            known |= {"value", "lower", "upper", "low", "high", "expanded_uncertainty"}
        numbers = {f.name for f in dataclasses.fields(kind) if "float" in str(f.type)}
        assert numbers <= known, (kind, numbers - known)


def test_units_that_are_not_proportional_stay_as_they_are() -> None:
    for unit in ("uOhm.cm", "MS/m"):
        page = lot_page(limits_unit=unit)
        assert in_lead_unit(page) is page


def test_the_page_leads_with_the_unit_of_the_limits_and_has_the_working_unit_beside() -> None:
    page = lot_page(lower=98.0, upper=103.0, limits_unit="%IACS")
    text = Parsed(reports.render(page)).text
    mean = page.result.mean
    assert mean is not None
    decimals = decimals_of(in_lead_unit(page).result)
    first = text[text.index("Main points") :]
    assert f"{mean / 0.58:.{decimals}f} %IACS at 20 °C (" in first
    assert re.search(r"at 20 °C \(\d+\.\d+ MS/m\)", first)
    assert "upper limit 103" in text


def test_decimals_tell_on_which_side_of_a_limit_a_value_lies() -> None:
    assert decimals_that_tell(2, [44.04], [41.0, 44.0]) == 2
    assert decimals_that_tell(1, [44.04], [41.0, 44.0]) == 2
    assert decimals_that_tell(2, [44.0049], [44.0]) == 3
    assert decimals_that_tell(2, [44.0], [44.0]) == 2
    assert decimals_that_tell(2, [None, 43.0], [None]) == 2
    assert [decimals_for(u) for u in (0.0994, 0.0996, 0.36, 3.6, 36)] == [3, 2, 2, 1, 0]


@pytest.mark.parametrize(
    ("value", "limit", "digits"),
    [
        (0.12, 0.11, 2),
        (0.1192, 0.1189, 4),
        (15.04, 15.0, 4),
        (14.96, 15.0, 4),
        (0.12, 0.12, 2),
        (1.0, 1.0 + 1e-12, 2),
        (2.0, 1.0, 2),
    ],
)
def test_digits_tell_a_value_from_the_limit_that_it_lies_beyond(value: float, limit: float, digits: int) -> None:
    assert digits_that_tell(2, value, limit) == digits


def test_a_sentence_and_the_page_round_one_value_one_way() -> None:
    text = "specification,lower,upper,unit\nS,96,99,%IACS\n"
    scenario = Scenario(specifications=text).check("08:00").lot("09:00", 58.012, 58.034, 58.05).check("10:00")
    result = scenario.assess().lots["L1"]
    assert result.verdict == "reject"
    assert result.decimals is not None
    assert result.expanded_uncertainty is not None
    assert result.decimals == decimals_for(result.expanded_uncertainty / 0.58)
    low, high = (f"{value / 0.58:.{result.decimals}f}" for value in (58.012, 58.05))
    assert f"they run from {low} to {high} %IACS" in result.reasons[0]
    shown = Shown.of(as_json(result))
    said = _mean_in_words(shown)
    assert re.fullmatch(
        r"100\.06 ± \d\.\d\d %IACS \(k = [\d.]+; 58\.03 ± \d\.\d\d MS/m\) at 20 °C, 3 parts, 3 readings", said
    ), said


@pytest.mark.parametrize(
    ("p", "said"),
    [
        (1.7e-102, "less than 1 in 10,000"), (0.0, "less than 1 in 10,000"), (0.99e-4, "less than 1 in 10,000"),
        (1.01e-4, "0.0001"), (0.0234, "0.023"), (0.5, "0.50"), (0.9998, "0.9998"), (0.99995, "more than 9,999 in 10,000"),
        (1.0, "more than 9,999 in 10,000"),
    ],
)  # fmt: skip
def test_probabilities_end_at_one_in_ten_thousand(p: float, said: str) -> None:
    assert probability_in_words(p) == said


def light(bias: float | None, *, suspended: bool = True, doubt: str = "touched", settled: bool = False) -> CameToLight:
    event = EventOnLot(
        event="M1/2026-03-05", name="M1_20260305T080000Z_SIGNAL", title="M1, signal of 5 March", kind="signal",
        sentence="2 checks on B1 failed.", doubt=doubt, settled=settled,
    )  # fmt: skip
    return CameToLight(
        meter="M1", suspended=suspended, block="B1", checked_at=DAY, bias=bias, tolerance=0.29, events=(event,)
    )


def test_the_page_says_what_came_to_light_since_under_the_verdict() -> None:
    page = lot_page(lower=98.0, upper=103.0, limits_unit="%IACS")
    text = Parsed(reports.render(replace(page, came_to_light=(light(-0.116),)))).text
    since = text[text.index("Since then") : text.index("Main points")]
    assert text.index("Why") < text.index("Since then") < text.index("Do next")
    assert "Meter M1 is suspended now." in since
    assert "was −0.20 %IACS off on block B1" in since
    assert "tolerance ±0.50 %IACS): inside the tolerance" in since
    assert "An open event touched this lot: M1, signal of 5 March. 2 checks on B1 failed." in since
    assert "Since then" not in Parsed(reports.render(page)).text


@pytest.mark.parametrize(
    ("one", "said", "not_said"),
    [
        (light(0.29), "inside the tolerance", "beyond the tolerance"),
        (light(-0.291), "beyond the tolerance", "inside the tolerance"),
        (light(None), "how far it was off is not known", "tolerance"),
        (light(0.1, suspended=False), "Around this lot", "is suspended now"),
        (light(0.1, doubt="covered"), "covers this lot", "touched this lot"),
        (light(0.1, settled=True), "This lot is settled", "possibly"),
    ],
)
def test_what_came_to_light_in_words(one: CameToLight, said: str, not_said: str) -> None:
    text = Parsed(reports.render(replace(lot_page(), came_to_light=(one,)))).text
    since = text[text.index("Since then") : text.index("Do next")]
    assert said in since
    assert not_said not in since


def test_the_terminal_says_what_came_to_light() -> None:
    page = replace(lot_page(lower=98.0, upper=103.0, limits_unit="%IACS"), came_to_light=(light(-0.116),))
    lines = _since_lines(Shown.of(page.answer), Settings())
    assert "meter M1 is suspended now; beside this lot: −0.20 %IACS off on block B1" in lines[0]
    assert lines[0].endswith("tolerance ±0.50")
    assert lines[1] == "since then: M1, signal of 5 March (M1/2026-03-05) is open and touched this lot"
    assert _since_lines(Shown.of(lot_page().answer), Settings()) == []
    assert FIRST["sort"] == "sort first"


def test_a_range_that_does_not_fit_has_no_probability() -> None:
    page = with_detail(lot_page())
    assert page.detail is not None
    material = page.detail.material
    assert material.fitting
    for fits in (True, False):
        lines = (
            material.lines
            if fits
            else tuple(replace(line, fits=False, distance=line.distance or 0.5) for line in material.lines)
        )
        shown = replace(material, lines=lines, fitting=sum(line.fits for line in lines), declared_fits=fits)
        text = Parsed(reports.render(replace(page, detail=replace(page.detail, material=shown)))).text
        section = text[text.rindex("Which material is this?") : text.rindex("How this page was made")]
        assert ("Probability" in section) is fits
        assert ("Odds" in section) is fits


def test_the_index_lists_a_lot_by_the_unit_of_its_limits_as_its_page_does() -> None:
    index, page = index_page(), lot_page(lower=98.0, upper=103.0, limits_unit="%IACS")
    lot = page.result
    assert lot.mean is not None
    shown = Parsed(reports.render(replace(index, lots=(lot,)))).text
    decimals = decimals_of(in_lead_unit(page).result)
    assert f"{lot.mean / 0.58:.{decimals}f} %IACS" in shown
    assert f"{lot.mean:.{decimals}f} MS/m" not in shown
    own = replace(lot, limits_unit="uOhm.cm")
    assert f"{lot.mean:.{decimals_of(own)}f} MS/m" in Parsed(reports.render(replace(index, lots=(own,)))).text


@pytest.mark.parametrize(
    ("unit", "own", "factor", "lead"),
    [
        ("MS/m", None, 1.0, "MS/m"),
        ("MS/m", "%IACS", 1 / 0.58, "%IACS"),
        ("MS/m", "uOhm.cm", 1.0, "MS/m"),
        ("uOhm.cm", "nOhm.m", 10.0, "nOhm.m"),
        ("nOhm.m", "%IACS", 1.0, "nOhm.m"),
    ],
)
def test_the_unit_of_the_specification_leads_where_it_is_proportional(
    unit: str, own: str | None, factor: float, lead: str
) -> None:
    found, name = lead_unit(unit, own)
    assert (found, name) == (pytest.approx(factor), lead)


def test_a_p_value_ends_at_one_in_ten_thousand_on_pages_and_terminal() -> None:
    """The boundary itself is told as a number; what is below it, never by a power of ten."""
    assert p_in_words(LEAST_PROBABILITY) == "p = 0.0001"
    assert p_in_words(0.012345) == "p = 0.012"
    assert p_in_words(1.0) == "p = 1"
    assert p_in_words(0.99e-4) == p_in_words(0.0) == p_in_words(1.7e-102) == "p less than 1 in 10,000"
    for p in (0.99e-4, 0.0, 1.7e-102, LEAST_PROBABILITY, 0.012345):
        assert p_told(p) == p_in_words(p).replace("0.0001", "0.00010")
