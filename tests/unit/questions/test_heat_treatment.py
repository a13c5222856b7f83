"""Conductivity and hardness out of limits together: every pair of sides, and where nothing may be said. Invented numbers."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from parsed_pages import Parsed
from sample_details import with_detail
from sample_pages import lot_page

import reports
from pipeline.cli.lot_lines import detail_lines
from pipeline.cli.output import Shown
from pipeline.questions.lot_detail.material import heat_treatment_detail
from reports.lot.evidence import heat_treatment_sentences
from reports.words.evidence import HEAT_TREATMENT
from schemas.documents import as_json
from schemas.evidence import HardnessResult

if TYPE_CHECKING:
    from schemas.results import LotPage


def page_with(conductivity: float, hardness: float, *, limits_met: str = "out", part: str | None = "1") -> LotPage:
    page = lot_page(lower=57.0, upper=60.0, limits_unit="MS/m", verdict="hold", limits_met=limits_met)
    within = "in" if 70 <= hardness <= 90 else "out"
    result = HardnessResult(part, hardness, "HBW", 70.0, 90.0, within, True, conductivity)
    return with_detail(
        replace(
            page, result=replace(page.result, hardness=(result,), hardness_state="some_parts", lower=57.0, upper=60.0)
        )
    )


@pytest.mark.parametrize(
    ("conductivity", "hardness", "pair", "words"),
    [
        (61.0, 60.0, "high_low", "aged too long or overheated, quenched too slowly"),
        (56.0, 95.0, "low_high", "aged less than an over-aged temper asks"),
        (56.0, 60.0, "low_low", "aged too little or not at all"),
        (61.0, 95.0, "high_high", "aged further than its temper asks"),
    ],
)
def test_each_pair_of_sides_is_said_as_a_possibility_with_the_caution(
    conductivity: float, hardness: float, pair: str, words: str
) -> None:
    page = page_with(conductivity, hardness)
    assert page.detail is not None
    (one,) = page.detail.heat_treatment
    assert f"{one.conductivity}_{one.hardness}" == pair
    assert words in HEAT_TREATMENT[pair]
    text = Parsed(reports.render(page)).text
    # among the main points and beside the hardness table, each time with the caution
    assert text.count(words) == 2
    assert text.count("this can be") == 2
    assert text.count(HEAT_TREATMENT["caution"]) == 2
    others = {"high_low", "low_high", "low_low", "high_high"} - {pair}
    assert not any(HEAT_TREATMENT[other] in text for other in others)
    lines = detail_lines(Shown.of(as_json(page.detail)), "MS/m", 1.0, 2)
    assert any(
        line.startswith(f"conductivity too {one.conductivity} with hardness too {one.hardness}") for line in lines
    )


@pytest.mark.parametrize(
    ("conductivity", "hardness", "limits_met"),
    [(59.9, 60.0, "out"), (60.0, 60.0, "out"), (61.0, 70.0, "out"), (61.0, 90.0, "out"), (61.0, 60.0, "in")],
)
def test_nothing_is_said_where_one_of_both_is_within(conductivity: float, hardness: float, limits_met: str) -> None:
    page = page_with(conductivity, hardness, limits_met=limits_met)
    assert page.detail is not None
    assert page.detail.heat_treatment == ()
    assert HEAT_TREATMENT["caution"] not in Parsed(reports.render(page)).text


def test_the_ranges_that_fit_are_those_of_the_parts_concerned() -> None:
    page = page_with(61.0, 60.0)
    assert page.detail is not None
    lines = page.detail.material.lines
    u = page.result.expanded_uncertainty
    assert u is not None
    (soft,) = (line for line in lines if (line.material, line.temper) == ("copper", "soft"))
    for beyond, fits in ((-1e-6, True), (1e-6, False)):
        value = soft.upper + u + beyond
        given = replace(
            page.result, hardness=(replace(page.result.hardness[0], conductivity=value),), upper=57.5, lower=50.0
        )
        (one,) = heat_treatment_detail(given, page.detail.material)
        assert one.fitting is not None
        assert (("copper", "soft") in one.fitting) is fits
        (said, _) = heat_treatment_sentences((one,), "MS/m", 2)
        assert (("copper, soft" in said), "No range of the site's table fits" in said) == (fits, not fits)
    bare = with_detail(page, ranges=())
    assert bare.detail is not None
    assert bare.detail.heat_treatment[0].fitting is None
    assert "no table of ranges" in heat_treatment_sentences(bare.detail.heat_treatment, "MS/m", 2)[0]


def test_a_part_that_was_never_read_and_a_result_of_the_whole_lot() -> None:
    page = page_with(61.0, 60.0, part=None)
    assert page.detail is not None
    (whole,) = page.detail.heat_treatment
    assert whole.parts == ()
    assert "the lot as a whole" in heat_treatment_sentences((whole,), "MS/m", 2)[0]
    unread = replace(page.result, hardness=(replace(page.result.hardness[0], part="9", read=False),))
    assert heat_treatment_detail(unread, page.detail.material) == ()
