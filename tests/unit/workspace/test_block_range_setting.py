"""Blocks that must bracket a lot where the site asks for it (MIL-STD-1537C, 4.1.1), and blocks used past their date."""

from __future__ import annotations

import pytest
from scenario import REFERENCE, Scenario, at

from pipeline.errors import SettingsError
from pipeline.workspace.settings import Settings, read_settings

BLOCKS = REFERENCE["blocks"] + "B3,copper,60.0,MS/m,0.2,2,C-3\nB4,copper,56.0,MS/m,0.2,2,C-4\n"
ASKED = Settings(blocks_must_bracket=True)


def checked(*blocks: str) -> Scenario:
    scenario = Scenario(blocks=BLOCKS)
    certified = {"B1": 58.0, "B2": 50.0, "B3": 60.0, "B4": 56.0}
    for hour in ("07", "09"):
        for place, block in enumerate(blocks):
            for i in range(3):
                scenario.reading(at(f"{hour}:{place:02d}:{5 * i:02d}"), certified[block], role="block", block=block)
        if hour == "07":
            scenario.lot("08:00")
    return scenario


def test_a_lot_is_held_where_no_block_lies_above_it_and_the_site_asks() -> None:
    scenario = checked("B1", "B2", "B4")
    # by default nothing changes
    assert scenario.assess("10:00").lots["L1"].verdict == "accept"
    held = scenario.assess("10:00", settings=ASKED).lots["L1"]
    assert (held.verdict, held.support) == ("hold", "supported")
    assert "do not bracket the lot at 100.9 %IACS" in held.reasons[0]
    assert "missing: one between 100.9 and 110.9 %IACS" in held.reasons[0]
    assert "B1 (100 %IACS)" in held.reasons[0]
    assert checked("B1", "B3", "B4").assess("10:00", settings=ASKED).lots["L1"].verdict == "accept"
    # fewer blocks, or a narrower span, as the site says
    two = Settings(blocks_must_bracket=True, bracketing_blocks=2)
    assert checked("B1", "B3").assess("10:00", settings=two).lots["L1"].verdict == "accept"
    narrow = Settings(blocks_must_bracket=True, bracketing_span_iacs=2.0, bracketing_blocks=2)
    assert (
        "one between 100.9 and 102.9 %IACS"
        in checked("B1", "B3").assess("10:00", settings=narrow).lots["L1"].reasons[0]
    )


def test_the_run_after_must_bracket_too() -> None:
    scenario = checked("B1", "B3", "B4")
    scenario.rows = [row for row in scenario.rows if row.get("block") != "B3" or row["measured_at"] < at("08:00")]
    held = scenario.assess("10:00", settings=ASKED).lots["L1"]
    assert held.verdict == "hold"
    assert "checked after the readings" in held.reasons[0]


def test_settings_say_what_they_expect() -> None:
    assert read_settings("blocks_must_bracket = true\nbracketing_span_iacs = 5\n").bracketing_span_iacs == 5.0
    with pytest.raises(SettingsError, match="bracketing_blocks"):
        read_settings("bracketing_blocks = 0\n")
    with pytest.raises(SettingsError, match="bracketing_span_iacs"):
        read_settings("bracketing_span_iacs = 0\n")


def test_a_block_used_after_its_date_is_flagged_on_lot_and_meter() -> None:
    due = "block,material,certified_value,unit,expanded_uncertainty,coverage_factor,certificate,due_on\n"
    scenario = (
        Scenario(blocks=due + "B1,copper,58.0,MS/m,0.2,2,C-1,2026-03-01\n").check("07:00").lot("08:00").check("09:00")
    )
    found = scenario.assess("10:00")
    assert [flag for flag in found.lots["L1"].flags if flag.startswith("block_overdue")] == [
        "block_overdue: the checks around the readings used blocks whose certificate was overdue at the time: B1 (due 2026-03-01)"
    ]
    assert any(
        "2 checks on block B1" in flag for flag in found.meters["M1"].flags if flag.startswith("block_used_overdue")
    )
    # on the day itself it still holds
    scenario = (
        Scenario(blocks=due + "B1,copper,58.0,MS/m,0.2,2,C-1,2026-03-02\n").check("07:00").lot("08:00").check("09:00")
    )
    assert not any("overdue" in flag for flag in scenario.assess("10:00").lots["L1"].flags)
