"""Hardness tied to parts, and lots with and without the readings a person left out. Invented numbers."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import polars as pl
import pytest
from parsed_pages import Parsed
from sample_pages import DAY, lot_page
from scenario import Scenario, at

import reports
from pipeline.history.chain import Event
from pipeline.questions.exclusions import with_exclusions
from schemas.evidence import EveryReading, Exclusion, HardnessResult

if TYPE_CHECKING:
    from schemas.results import LotResult

REQUIRED = "specification,lower,upper,unit,hardness_required\nS,57,60,MS/m,yes\n"
ASKS_NOT = "specification,lower,upper,unit\nS,57,60,MS/m\n"
HEAD = "lot,part,value,scale,lower,upper\n"


def judged(hardness: str, *values: float, specification: str = REQUIRED, parts: bool = True) -> LotResult:
    scenario = Scenario(specifications=specification, hardness=HEAD + hardness)
    scenario.check("08:00").lot("09:00", *(values or (58.5, 58.6)), parts=parts).check("10:00")
    return scenario.assess().lots["L1"]


def test_conductivity_in_hardness_missing() -> None:
    result = judged("L2,1,70,HB,60,80\n")
    assert (result.verdict, result.hardness_state, result.hardness) == ("hold", "missing", ())
    assert result.reasons[0].startswith("Conductivity in, hardness missing: ")
    assert judged("", 50.0).reasons[0].startswith("Conductivity out, hardness missing: ")
    assert not judged("", specification=ASKS_NOT).reasons[0].startswith("Conductivity")


@pytest.mark.parametrize(
    ("rows", "state", "verdict"),
    [
        ("L1,1,70,HB,60,80\n", "some_parts", "accept"),
        ("L1,1,70,HB,60,80\nL1,2,80,HB,60,80\n", "all_parts", "accept"),
        ("L1,,70,HB,60,80\n", "all_parts", "accept"),
        ("L1,1,70,,,\n", "some_parts", "accept"),
        ("L1,1,81,HB,60,80\n", "some_parts", "hold"),
        ("L1,1,59,HB,60,\n", "some_parts", "hold"),
        ("L1,1,81,HB,,80\n", "some_parts", "hold"),
    ],
)
def test_results_are_tied_to_parts_and_limits_hit_exactly_are_met(rows: str, state: str, verdict: str) -> None:
    result = judged(rows)
    assert (result.hardness_state, result.verdict) == (state, verdict)
    if verdict == "hold":
        assert "lies outside its limits" in result.reasons[0]


def test_both_values_stand_beside_each_other() -> None:
    by_part = {one.part: one for one in judged("L1,1,70,HB,60,80\nL1,2,90,HB,60,80\nL1,,75,HB,,\n").hardness}
    assert by_part["1"] == HardnessResult("1", 70.0, "HB", 60.0, 80.0, "in", True, 58.5)
    assert (by_part["2"].within, by_part["2"].conductivity) == ("out", 58.6)
    assert (by_part[None].within, by_part[None].conductivity) == (None, pytest.approx(58.55))


def test_a_result_for_a_part_never_read_is_said_and_proves_nothing() -> None:
    result = judged("L1,9,70,HB,60,80\n")
    assert (result.verdict, result.hardness_state) == ("hold", "missing")
    assert "never read (9)" in result.reasons[0]
    assert any(flag.startswith("hardness_of_unread_part") and flag.endswith(": 9") for flag in result.flags)
    both = judged("L1,9,70,HB,60,80\nL1,1,70,HB,60,80\n")
    assert (both.verdict, both.hardness_state) == ("accept", "some_parts")
    assert any("hardness_of_unread_part" in flag for flag in both.flags)


def test_where_the_export_names_no_parts_a_result_stands_for_the_lot() -> None:
    result = judged("L1,9,70,HB,60,80\n", parts=False)
    assert result.hardness[0].read is None
    assert (result.verdict, result.hardness_state) == ("accept", "all_parts")


def test_results_that_nobody_asked_for_are_shown_and_hold_nothing() -> None:
    result = judged("L1,1,99,HB,60,80\n", specification=ASKS_NOT)
    assert result.verdict == "accept"
    assert result.hardness[0].within == "out"


# readings left out -----------------------------------------------------------------------------------------------------


def left_out(*lines: int, undo: bool = False) -> LotResult:
    """Assess a lot whose third part was read far too low, with some of its lines left out."""
    scenario = Scenario().check("08:00").lot("09:00", 58.5, 58.6, 50.0, 58.4).check("10:00")
    events = [
        Event(i, at("13:00"), kind, {"sha256": "a" * 64, "line": line}, "Ada", "probe lifted", "", "")
        for i, line in enumerate(lines)
        for kind in ("exclusion", *(["inclusion"] if undo else []))
    ]
    sources = pl.DataFrame(
        {"source_id": [1], "name": ["a.csv"], "sha256": ["a" * 64]}, schema_overrides={"source_id": pl.Int32}
    )
    found = scenario.assess(events=events, sources=sources)
    return with_exclusions(found, found.lots["L1"], found.readings, {1: "a.csv"})


def test_a_lot_is_shown_with_and_without_the_readings_left_out() -> None:
    result = left_out(7)
    assert result.verdict == "accept"
    (one,) = result.exclusions
    assert (one.file, one.line, one.part, one.value, one.by, one.why) == ("a.csv", 7, "3", 50.0, "Ada", "probe lifted")
    whole = result.with_every_reading
    assert whole is not None
    nothing_left_out = left_out()
    assert nothing_left_out.with_every_reading is None
    for name in ("readings", "mean", "standard_deviation", "minimum", "maximum", "limits_met", "verdict", "reasons"):
        assert getattr(whole, name) == getattr(nothing_left_out, name), name
    assert (whole.verdict, whole.minimum, whole.readings) == ("reject", 50.0, result.readings + 1)


def test_a_reading_taken_in_again_is_not_left_out() -> None:
    result = left_out(7, undo=True)
    assert result.exclusions == ()
    assert result.verdict == "reject"


def test_a_lot_of_which_nothing_is_left_is_still_shown_with_every_reading() -> None:
    result = left_out(5, 6, 7, 8)
    assert result.verdict == "not_assessed"
    assert result.with_every_reading is not None
    assert (result.with_every_reading.limits_met, result.with_every_reading.readings) == ("out", 4)
    # support is that of the readings that count, and here none does
    assert result.with_every_reading.verdict == "hold"


# pages -----------------------------------------------------------------------------------------------------------------


def test_the_page_says_what_leaving_out_changed_who_and_why() -> None:
    page = lot_page()
    whole = EveryReading(91, 10, 57.9, 0.9, 55.0, 58.7, 0.3, "out", "reject", ("1 of 30 spot means lie outside.",))
    one = Exclusion("a.csv", 17, 1, DAY, "P03", "A", 50.0, "MS/m", 50.1, "A <b>", "probe lifted", DAY)
    shown = replace(page, result=replace(page.result, exclusions=(one,), with_every_reading=whole))
    text = Parsed(reports.render(shown)).text
    assert "1 reading left out. Without them the verdict is accept; with every reading it would be reject: 1 of" in text
    assert "a.csv, line 17" in text
    assert "probe lifted" in text
    assert "A <b>" in text
    assert "Readings left out" not in Parsed(reports.render(page)).text


@pytest.mark.parametrize(
    ("state", "results", "said"),
    [
        ("missing", (), "Conductivity in, hardness missing."),
        ("some_parts", (HardnessResult("1", 70, "HB", 60, 80, "in", True, 58.5),), "hardness in (some of the parts"),
        ("all_parts", (HardnessResult("1", 90, "HB", 60, 80, "out", True, 58.5),), "Conductivity in, hardness out."),
        (
            "all_parts",
            (HardnessResult(None, 90, None, None, None, None, True, 58.5),),
            "hardness stated without limits",
        ),
        ("missing", (HardnessResult("9", 70, "HB", 60, None, "in", False, None),), "never read for conductivity"),
    ],
)
def test_the_page_shows_hardness_beside_conductivity(
    state: str, results: tuple[HardnessResult, ...], said: str
) -> None:
    page = lot_page()
    shown = replace(page, result=replace(page.result, hardness_state=state, hardness=results))
    assert said in Parsed(reports.render(shown)).text
