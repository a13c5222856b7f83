"""`annealog lot` answers what a critical reader asks, in text and as JSON; ranges of materials are checked like every table."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from scenario import Scenario

if TYPE_CHECKING:
    from workspace_files import Shell

RANGES = (
    "material,temper,lower,upper,unit,weight,example,source\n"
    "copper,soft,100,102,%IACS,,yes,invented\n"
    "bronze,,6,9,MS/m,2,,invented\n"
)
MIXED = (58.0, 58.02, 58.9, 57.99, 58.01, 58.92, 58.03, 57.98, 58.91, 58.0, 58.02, 57.99, 58.01, 58.9, 58.0)


def day(*values: float) -> Scenario:
    scenario = Scenario().check("08:00").check("08:01", block="B2")
    return scenario.lot("09:00", *values).check("10:00").check("10:01", block="B2")


def test_a_mixed_lot_in_text_and_as_json(shell: Shell) -> None:
    shell.make(material_ranges=RANGES)
    shell.load(shell.put("a.csv", day(*MIXED)))
    document = shell.json("lot", "L1")
    detail = document["detail"]
    assert [flag.partition(":")[0] for flag in document["flags"] if "group" in flag] == ["more_than_one_group"]
    assert detail["material"]["groups"]["upper_parts"] == ["3", "6", "9", "14"]
    assert detail["capability"]["headline"] is False
    assert document["cpk"] is not None
    assert detail["material"]["lines"][0]["material"] == "copper"
    assert detail["material"]["lines"][0]["example"] is True
    assert set(detail["components"]["lines"][0]) >= {"level", "raw", "variance", "share", "low", "high", "reason"}
    text = shell("lot", "L1")
    for said in ("two groups of parts: 11 around", "parts of the smaller group: 3, 6, 9, 14", "Cpk not stated", "order of parts: stable",
                 "normality: rejected", "copper soft", "(example range)"):  # fmt: skip
        assert said in text, said


def test_a_small_lot_says_what_cannot_be_said(shell: Shell) -> None:
    shell.make()
    shell.load(shell.put("a.csv", day(58.5, 58.6, 58.4)))
    text = shell("lot", "L1")
    for said in ("order of parts: not judged, 3 parts", "normality: not tested, 3 values", "indicative: 3 subgroups",
                 "materials: not compared, reference/material_ranges.csv holds no range"):  # fmt: skip
        assert said in text, said
    assert shell.json("lot", "L1")["detail"]["material"]["groups"]["found"] is None


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("copper,soft,60,59,MS/m", "lower = 60 is not below upper = 59"),
        ("copper,soft,,59,MS/m", "column lower"),
        ("copper,soft,58,59,furlong", "column unit"),
        ("copper,soft,58,59,MS/m\ncopper,soft,57,60,MS/m", "stands in line 2 already"),
    ],
)
def test_ranges_that_cannot_be_meant_are_refused(shell: Shell, row: str, said: str) -> None:
    shell.make(material_ranges=f"material,temper,lower,upper,unit\n{row}\n")
    shell("config", "check")
    assert shell.code == 2
    assert "reference/material_ranges.csv, line" in shell.err
    assert said in shell.err
