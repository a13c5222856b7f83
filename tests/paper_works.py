"""A small works that sends papers: accepted lots of two customers, a rejected one, one on hold. Invented names and numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scenario import Scenario
from workspace_files import Shell, made_once, neutral_csv, silent_shell

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

__all__ = ["LOTS", "paper_works"]

LOTS = (
    "lot,product,material,specification,supplier,heat,received_on,customer,purchase_order\n"
    "L1,bar 20x5,copper,S,Quarrow Metals,H-4471,2026-02-27,Skarnes Switchgear,PO-88123\n"
    "L2,bar 20x5,copper,S,Quarrow Metals,H-4472,2026-02-27,Skarnes Switchgear,PO-88124\n"
    "L3,bar 20x5,copper,S,Quarrow Metals,,,Skarnes Switchgear,\n"
    "L4,bar 20x5,copper,S,,,,Tindrum Cables,\n"
    "L5,bar 20x5,copper,T,,,,Skarnes Switchgear,\n"
    "L6,bar 20x5,copper,S,,,,Skarnes Switchgear,\n"
    "L7,bar 20x5,copper,,,,,Skarnes Switchgear,\n"
)
"""L1, L2, L4, L5 are accepted (L4 of another customer, L5 of another specification), L3 is rejected, L6 on hold, L7 not assessed."""
_SPECIFICATIONS = (
    "specification,material,lower,upper,unit,parts,spots,repeats,conforms_by,decision_rule,source\n"
    "S,copper,57,60,MS/m,3,1,1,spot,guarded,works standard 14\nT,copper,56,,MS/m,1,1,1,spot,simple,\n"
)
_BLOCKS = (
    "block,material,certified_value,unit,expanded_uncertainty,coverage_factor,certificate,certified_on,due_on\n"
    "B1,copper,58.0,MS/m,0.2,2,C-2025-118,2025-06-01,2027-06-01\nB2,copper,50.0,MS/m,0.2,2,C-2025-119,2025-06-01,2027-06-01\n"
)
_SETTINGS = (
    'name = "Ostmark Copper Works"\naddress = "Hammergata 4, 0192 Ytterby"\ncountry = "NO"\ntime_zone = "Europe/Oslo"\n'
)


def story() -> Scenario:
    """Return the readings that make the lots what they are."""
    scenario = Scenario().check("08:00").check("08:03", block="B2")
    scenario.lot("09:00", 58.5, 58.6, 58.4, 58.55, 58.45).lot("09:10", 58.9, 58.8, 58.7, lot="L2")
    scenario.lot("09:20", lot="L4").lot("09:30", lot="L5").check("10:00").check("10:03", block="B2")
    scenario.lot("11:00", 56.1, 56.2, 56.0, lot="L3").lot("11:10", lot="L7").check("11:30")
    return scenario.lot("12:00", lot="L6").check("12:30", 2.0)


def paper_works(
    root: Path,
    capture: pytest.CaptureFixture[str],
    *,
    settings: str = _SETTINGS,
    lots: str = LOTS,
    scenario: Scenario | None = None,
) -> Shell:
    """Make the works and load its readings; nothing yet of a `scenario` that is empty. Once a process, then copied."""
    readings = story() if scenario is None else scenario

    def make(made: Path) -> None:
        shell = silent_shell(made).make(lots=lots, specifications=_SPECIFICATIONS, blocks=_BLOCKS)
        (made / "annealog.toml").write_text(settings, encoding="utf-8")
        if readings.rows:
            shell("load", "--direct", str(shell.put("a.csv", readings)), "--workspace", str(made))

    return Shell(root, capture).become(made_once((settings, lots, neutral_csv(readings)), make))
