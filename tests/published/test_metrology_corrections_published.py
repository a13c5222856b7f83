"""Corrections for geometry against the worked examples of MIL-STD-1537C 4.4.3 (source in expected.toml)."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scenario import Scenario

from pipeline.metrology.penetration import required_thickness_mm
from pipeline.metrology.units import convert

DOCUMENT: dict[str, Any] = tomllib.loads(
    (Path(__file__).resolve().parents[2] / "fixtures/published/mil_std_1537c_corrections/expected.toml").read_text(
        "utf-8"
    )
)
EXAMPLE = DOCUMENT["example"]
SHIFT = EXAMPLE["unstacked_shift_iacs"]


@pytest.mark.parametrize("case", DOCUMENT["value"], ids=lambda case: case["name"])
def test_the_worked_example(case: dict[str, Any]) -> None:
    found = required_thickness_mm(convert(32.0, "%IACS", "MS/m"), EXAMPLE["frequency_khz"]) / 25.4
    assert abs(found - float(case["printed"])) <= float(case["tolerance"])


def lot(reading_iacs: float, *, corrected: bool) -> Any:
    limits = (EXAMPLE["lower_iacs"], EXAMPLE["upper_iacs"])
    if not corrected:
        limits = (limits[0] + SHIFT, limits[1] + SHIFT)
    story = Scenario(
        lots="lot,material,specification,thickness_mm\nL1,sheet,S,1.016\n",
        materials="material,temperature_model,coefficient,source\ncopper,constant_slope,0.0000681,test\n"
        "sheet,constant_slope,0.000115,test\n",
        specifications=f"specification,material,lower,upper,unit\nS,sheet,{limits[0]},{limits[1]},%IACS\n",
        corrections="correction,kind,material,frequency_khz,low,high,value,unit,source\n"
        + (f"C1,thickness,sheet,60,0.9,1.3,-{SHIFT},%IACS,MIL-STD-1537C 4.4.3 example 2\n" if corrected else ""),
    )
    return (
        story.check("08:00")
        .lot("09:00", reading_iacs, unit="%IACS", frequency_khz=60.0)
        .check("10:00")
        .assess()
        .lots["L1"]
    )


@pytest.mark.parametrize("reading", np.arange(31.0, 38.01, 0.25))
def test_correcting_the_readings_says_what_shifting_the_limits_says(reading: float) -> None:
    by_correction, by_limits = lot(reading, corrected=True), lot(reading, corrected=False)
    assert by_correction.verdict == by_limits.verdict
    # the limits that uncorrected readings of single sheets have to meet, as the example prints them
    assert (by_correction.verdict == "accept") == (32.0 <= reading <= 36.5)
    assert by_correction.corrections[0].readings == 1
    assert by_correction.mean == pytest.approx(by_limits.mean - 0.58 * SHIFT, rel=1e-12)


def test_stacked_readings_are_not_corrected() -> None:
    # two sheets of 0.040 inch are thick enough: the correction is for single ones
    story = Scenario(
        lots="lot,material,specification,thickness_mm\nL1,sheet,S,1.016\n",
        specifications="specification,material,lower,upper,unit\nS,sheet,30.0,34.5,%IACS\n",
        materials="material,temperature_model,coefficient,source\ncopper,constant_slope,0.0000681,test\n"
        "sheet,constant_slope,0.000115,test\n",
        corrections="correction,kind,low,high,value,unit\nC1,thickness,0.9,1.3,-2,%IACS\n",
    )
    story.check("08:00").lot("09:00", *EXAMPLE["stacked_readings_iacs"], unit="%IACS", frequency_khz=60.0, pieces=2)
    found = story.check("10:00").assess().lots["L1"]
    assert found.verdict == "accept"
    assert found.corrections == ()
    assert not any(flag.startswith("too_thin") for flag in found.flags)
