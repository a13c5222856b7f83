"""Units, temperature and depth of penetration against published values (each with its source in expected.toml)."""

from __future__ import annotations

import math
import tomllib
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from one_by_one import conductivity_at_reference

from pipeline.metrology.penetration import required_thickness_mm, standard_depth_mm
from pipeline.metrology.relative_state import BlockOfSetting, SettingCurve
from pipeline.metrology.temperature import conductivity_at_temperature
from pipeline.metrology.units import convert

PUBLISHED = Path(__file__).resolve().parents[2] / "fixtures" / "published"


def read(folder: str) -> dict[str, Any]:
    return tomllib.loads((PUBLISHED / folder / "expected.toml").read_text(encoding="utf-8"))


def cases(folder: str) -> pytest.MarkDecorator:
    return pytest.mark.parametrize("case", read(folder)["value"], ids=lambda case: case["name"])


def agrees(found: float, case: dict[str, Any]) -> None:
    # the slack is for binary noise on a value exactly half a unit away
    assert abs(found - float(case["printed"])) <= float(case["tolerance"]) * (1 + 1e-9), (found, case)


OWN = (
    "iec_1925_annealed_copper",
    "nbs_1966_copper_temperature",
    "nbs_1972_aluminium_temperature",
    "crc_pure_metals_resistivity",
    "derived_temperature_corrections",
    "mil_std_1537c_depth_of_penetration",
    "westgard_1981_multi_rule",
    "jcgm_2008_end_gauge",
    "jcgm_2008_between_day",
    "jcgm_2012_conformity",
    "iso_13528_normalised_error",
    "student_t_coverage",
)


@pytest.mark.parametrize("folder", OWN)
def test_every_metrology_value_states_its_source_and_half_a_unit(folder: str) -> None:
    document = read(folder)
    assert document["citation"]
    assert document["place"]
    assert document["obtained"]
    assert isinstance(document["from_memory"], bool)
    for case in document["value"]:
        half = Decimal(5).scaleb(int(Decimal(case["printed"]).as_tuple().exponent) - 1)
        if "tolerance_reason" not in case:
            assert Decimal(case["tolerance"]) == half, case["name"]
        else:
            assert Decimal(case["tolerance"]) > 0


# Ohm cmil/ft: a circular mil is π/4·(0.001 inch)², a foot 12 inches
OHM_CMIL_PER_FOOT = 1e-2 / (math.pi / 4 * 0.0254**2 / 0.3048)


# from Ohm g/m2: a mile is 1609.344 m, a pound 453.59237 g; the density of annealed copper is 8.89 g/cm3
OHM_POUND_PER_MILE2 = 0.01 * 8.89 * 1609.344**2 / 453.59237
SCALES = {"Ohm cmil/ft": OHM_CMIL_PER_FOOT, "Ohm lb/mile2": OHM_POUND_PER_MILE2}


@cases("iec_1925_annealed_copper")
def test_units(case: dict[str, Any]) -> None:
    scale = SCALES[case["scale_name"]] if "scale_name" in case else case.get("scale", 1.0)
    agrees(convert(case.get("value", 100.0), case.get("from_unit", "%IACS"), case["unit"]) * scale, case)


COPPER_ALPHA = 0.00393
COPPER: dict[str, Any] = {"reference_c": 20.0, "model": "proportional", "coefficient": COPPER_ALPHA}


def awg_area_m2(gauge: str) -> float:
    number = -3 if gauge == "0000" else int(gauge)
    diameter_m = 0.005 * math.pow(92, (36 - number) / 39) * 0.0254
    return math.pi / 4 * diameter_m**2


@cases("nbs_1966_copper_temperature")
def test_copper(case: dict[str, Any]) -> None:
    conductivity = convert(case.get("iacs", 100.0), "%IACS", "MS/m")
    if case["kind"] == "constant":
        # coefficient of resistance at constant mass plus expansion is that of resistivity
        alpha = COPPER_ALPHA + 0.000017
        warm = conductivity_at_temperature(58.0, 21.0, reference_c=20.0, model="linear", coefficient=alpha)
        agrees(1 / warm - 1 / 58.0, case)
    elif case["kind"] == "coefficient":
        at = conductivity_at_temperature(conductivity, case["temperature_c"], **COPPER)
        one_more = conductivity_at_temperature(conductivity, case["temperature_c"] + 1, **COPPER)
        agrees((1 / one_more - 1 / at) * at, case)
    elif case["kind"] == "inferred zero":
        agrees(20.0 - conductivity_at_zero_slope(conductivity), case)
    elif case["kind"] == "factor":
        agrees(conductivity_at_temperature(conductivity, case["temperature_c"], **COPPER) / conductivity, case)
    else:
        at = conductivity_at_temperature(
            58.0, case["temperature_c"], reference_c=20.0, model="linear", coefficient=COPPER_ALPHA
        )
        agrees(304.8 / (at * 1e6 * awg_area_m2(case["gauge"])), case)


def conductivity_at_zero_slope(conductivity: float) -> float:
    """Return how many degrees below 20 °C the resistivity would be nought, by the slope the model gives."""
    slope = 1 / conductivity_at_temperature(conductivity, 21.0, **COPPER) - 1 / conductivity
    return 1 / conductivity / slope


@cases("nbs_1972_aluminium_temperature")
def test_aluminium(case: dict[str, Any]) -> None:
    if case["kind"] == "constant":
        at_61 = convert(61.0, "%IACS", "MS/m")
        warm = conductivity_at_temperature(
            at_61, 21.0, reference_c=20.0, model="linear", coefficient=0.00403 + 0.000023
        )
        agrees(1 / warm - 1 / at_61, case)
        return
    conductivity = convert(case["iacs"], "%IACS", "MS/m")
    if case["kind"] == "resistivity":
        agrees(case.get("scale", 1.0) / conductivity, case)
        return
    warm = conductivity_at_temperature(
        conductivity, 21.0, reference_c=20.0, model="proportional", coefficient=0.00403 / 0.61
    )
    agrees(conductivity / warm - 1, case)


@cases("crc_pure_metals_resistivity")
def test_pure_metals(case: dict[str, Any]) -> None:
    inputs = read("crc_pure_metals_resistivity")["inputs"]
    name = {"Cu": "copper", "Al": "aluminium"}[case["metal"]]
    conductivity = convert(inputs[f"{name}_20"], "uOhm.cm", "MS/m")
    if case["kind"] == "iacs":
        agrees(convert(conductivity, "MS/m", "%IACS"), case)
        return
    at_0, at_25 = (
        1
        / conductivity_at_temperature(conductivity, t, reference_c=20.0, model="proportional", coefficient=case["law"])
        for t in (0.0, 25.0)
    )
    predicted = (at_25 - at_0) / 25 * conductivity
    tabulated = (inputs[f"{name}_25"] - inputs[f"{name}_0"]) / 25 / inputs[f"{name}_20"]
    agrees(predicted, case)
    assert abs(tabulated - float(case["printed"])) <= 0.000005
    assert abs(predicted / tabulated - 1) < 0.03


@cases("derived_temperature_corrections")
def test_temperature_corrections(case: dict[str, Any]) -> None:
    carry = conductivity_at_reference if case["direction"] == "to reference" else conductivity_at_temperature
    value = convert(case["value"], case["unit"], "MS/m")
    result = carry(value, case["temperature_c"], reference_c=20.0, model=case["model"], coefficient=case["coefficient"])
    agrees(convert(result, "MS/m", case["unit"]), case)


def test_a_meter_set_on_a_copper_block_reads_an_alloy_too_high() -> None:
    # derived, reference note C5: 33.0 %IACS at 30 °C is 33.743 at 20 °C; the meter set on copper shows 34.297
    block: dict[str, Any] = {"reference_c": 20.0, "model": "linear", "coefficient": 0.00393}
    alloy: dict[str, Any] = {"reference_c": 20.0, "model": "constant_slope", "coefficient": 0.000115}
    at_part = convert(33.0, "%IACS", "MS/m")
    shown = at_part / (conductivity_at_temperature(58.0, 30.0, **block) / 58.0)
    assert abs(convert(shown, "MS/m", "%IACS") - 34.297) <= 0.0005
    true = conductivity_at_reference(at_part, 30.0, **alloy)
    assert abs(convert(true, "MS/m", "%IACS") - 33.743) <= 0.0005
    # and back: what the meter shows becomes the true value again by the block it was set on
    curve = SettingCurve([BlockOfSetting("C", 58.0, 30.0, "linear", 0.00393)], reference_c=20.0)
    again = conductivity_at_reference(shown * float(curve.factor(np.array([shown]))[0]), 30.0, **alloy)
    assert abs(convert(again, "MS/m", "%IACS") - 33.743) <= 0.0005


def mil_depth_mm(frequency_khz: float, iacs: float) -> float:
    """Return the depth by the formula printed in MIL-STD-1537C 3.7.2."""
    return 656.5 / math.sqrt(frequency_khz * 1000 * iacs)


@cases("mil_std_1537c_depth_of_penetration")
def test_depth_of_penetration(case: dict[str, Any]) -> None:
    one = standard_depth_mm(convert(1.0, "%IACS", "MS/m"), 0.001)
    if case["kind"] == "constant":
        agrees(one, case)
    elif case["kind"] == "constant inch":
        agrees(one / 25.4, case)
    elif case["kind"] == "multiple":
        agrees(1.27 / standard_depth_mm(convert(32.0, "%IACS", "MS/m"), 60.0), case)
    elif case["kind"] == "standard's multiple":
        agrees(1.27 / mil_depth_mm(60.0, 32.0), case)
    else:
        physics = standard_depth_mm(convert(case["iacs"], "%IACS", "MS/m"), case["frequency_khz"])
        if case["kind"] == "depth":
            agrees(physics, case)
        else:
            agrees(mil_depth_mm(case["frequency_khz"], case["iacs"]), case)
            # the allowance: the standard's formula lies 0.66 % below physics
            assert abs(mil_depth_mm(case["frequency_khz"], case["iacs"]) / physics - (1 - 0.0066)) < 0.00005


def test_thickness_that_common_practice_asks_for() -> None:
    # common practice, no source: at 480 kHz copper needs about 0.25 mm, an aluminium alloy of 33 MS/m about 0.33 mm
    assert abs(required_thickness_mm(58.0, 480.0) - 0.25) <= 0.005
    assert abs(required_thickness_mm(33.0, 480.0) - 0.33) <= 0.005
