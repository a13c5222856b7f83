"""Control of a meter's line, what its readings stand for and its fit in both axes, on its page. Invented."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from parsed_pages import Parsed
from sample_pages import meter_page
from scenario import Scenario

import reports
from pipeline.judge.lots.bias import _both_axes
from pipeline.questions.meter_budgets import with_meter_budgets

if TYPE_CHECKING:
    from schemas.bias import BiasLine


def line_of(last: float) -> BiasLine:
    """Eight runs on two blocks; the last one is off by so much on the second."""
    scenario = Scenario()
    rng = np.random.default_rng(33)
    for day in range(8):
        one, other = 0.02 * rng.normal(size=2)
        scenario.check("08:00", 0.1 + one, day=day)
        scenario.check("08:05", 0.1 + other + (last if day == 7 else 0.0), block="B2", day=day).lot("09:00", day=day)
    assessment = scenario.assess(day=8)
    (line,) = with_meter_budgets(assessment, assessment.meters["M1"]).bias_lines
    return line


@pytest.mark.parametrize(("last", "inside"), [(0.0, True), (0.3, False)])
def test_the_page_of_a_meter_says_the_run_the_inverse_and_both_axes(last: float, inside: bool) -> None:
    line = line_of(last)
    assert line.control is not None
    assert line.control.in_control is inside
    assert [block for block, _ in line.control.deviations] == ["B1", "B2"]
    assert line.both_axes is not None
    assert line.both_axes.slope == pytest.approx(line.slope, abs=0.002)
    assert all(one.interval is not None for one in line.inverse)
    page = meter_page()
    text = Parsed(reports.render(replace(page, result=replace(page.result, bias_lines=(line,))))).text
    said = (
        "The latest run lies on the line"
        if inside
        else "The latest run does not lie on the line of the checks before it: B2"
    )
    for words in (said, "ISO/TS 28037, clause 7", "stands for"):
        assert words in text, words


def test_correlated_certificates_have_no_fit_in_both_axes() -> None:
    line = line_of(0.0)
    one_chain = replace(line, points=tuple(replace(point, certificate_chain="A") for point in line.points))
    assert _both_axes(one_chain, 54.0).reason is None
    found = _both_axes(replace(one_chain, correlation=0.5), 54.0)
    assert (found.bias, found.slope) == (None, None)
    page = meter_page()
    shown = replace(line, both_axes=found)
    text = Parsed(reports.render(replace(page, result=replace(page.result, bias_lines=(shown,))))).text
    assert "errors in both axes is not stated: certificates of one chain are correlated" in text
    apart = tuple(replace(point, certificate_chain=point.block) for point in line.points)
    assert _both_axes(replace(line, points=apart, correlation=0.5), 54.0).reason is None


def test_few_checks_have_no_control() -> None:
    few = Scenario().check("08:00").check("08:05", block="B2").lot("09:00").assess()
    (bare,) = with_meter_budgets(few, few.meters["M1"]).bias_lines
    assert bare.both_axes is None
    assert bare.control is not None
    assert bare.control.in_control is None
    page = meter_page()
    text = Parsed(reports.render(replace(page, result=replace(page.result, bias_lines=(bare,))))).text
    assert "The line as a whole is not controlled" in text
