"""Comparison of meters on one block: on its page and in the review. Invented."""

from __future__ import annotations

import pytest
from parsed_pages import Parsed
from sample_blocks import block_page
from scenario import Scenario, at

import reports
from pipeline.metrology.interlaboratory import compared
from pipeline.questions.blocks import block_results
from pipeline.questions.review import _means_on_blocks
from reports.sections.comparisons import comparison_table


def test_the_page_of_a_block_shows_the_meters_together() -> None:
    text = Parsed(reports.render(block_page("overdue", meters=7))).text
    for said in ("Mandel's h and k and Cochran's C", "h (limit)", "(1.98)"):
        assert said in text, said
    assert "Mandel" not in Parsed(reports.render(block_page("not_assessed", meters=0))).text


def test_a_review_and_a_block_compare_the_meters_that_checked_it() -> None:
    scenario = Scenario()
    for day, off in enumerate((0.0, 0.02, -0.01, 0.4)):
        for i, meter in enumerate(("M1", "M2", "M3")):
            scenario.check(f"0{7 + i}:00", 0.01 * i + (off if day < 3 else 0.0), day=day, meter=meter)
    scenario.lot("11:00", day=3)
    assessment = scenario.assess(day=4)
    found = block_results(assessment, ["B1"])["B1"].comparison
    assert found is not None
    (month,) = [compared(block, means) for block, means in _means_on_blocks(assessment, at("00:00"), at("00:00", 4))]
    assert month is not None
    assert [one.meter for one in month.meters] == [one.meter for one in found.meters] == ["M1", "M2", "M3"]
    assert [one.mean for one in month.meters] == pytest.approx([one.mean for one in found.meters])
    assert month.meters[2].percent_difference == pytest.approx(100 * 0.01 / 58.01, rel=0.05)
    # a month without the checks of two meters compares nobody
    assert [compared(block, means) for block, means in _means_on_blocks(assessment, at("00:00"), at("07:30"))] == [None]
    drawn = comparison_table([month], "reviews/2026-03.html", 3, unit="MS/m")
    assert drawn.count("<tr") == 4
    assert "Mandel" in drawn
