"""Spellings of units, and the way from a declared unit to that of our column."""

from __future__ import annotations

import pytest

from pipeline.intake.units_text import COLUMN_UNITS, Conversion, spelled_unit, unit_in_name

SPELLINGS = {
    "MS/m": "MS/m|MS m-1|MSm-1|MS·m-1|MS m^-1|m/Ohm.mm2|m/(Ω·mm²)|m/Ωmm²|m/Ω·mm²|10^6 S/m|m/(\u2126·mm2)|MS  m-1",
    "%IACS": "%IACS|% IACS|IACS|IACS%|IACS %|%_IACS|pct_IACS|percent IACS|\uff05IACS",
    "Ohm.cm": "Ohm.cm|Ohm cm|Ohm-cm|Ohm*cm|ohm.cm|ohm cm|Ω·cm|Ω.cm|Ωcm|Ω cm|\u2126·cm",
    "uOhm.cm": "uOhm.cm|uOhm cm|uOhm-cm|uOhm*cm|microohm cm|µΩ·cm|µΩ.cm|µΩcm|µΩ cm|µOhm.cm|\u03bc\u2126·cm",
    "nOhm.m": "nOhm.m|nOhm m|nOhm-m|nOhm*m|nΩ·m|nΩ.m|nΩm|nΩ m",
    "degC": "°C|degC|deg C|C|\u2103|º C|ºC|° C|\u00a0°C ",
    "degF": "°F|degF|deg F|F|\u2109|ºF|° F",
    "kHz": "kHz|KHz|\u3391",
    "Hz": "Hz",
    "MHz": "MHz|\u3392",
    "mm": "mm|\u339c",
    "um": "\u00b5m|\u03bcm|um|micron|microns",
    "m": "m",
    "min": "min|minutes",
    "s": "s|sec|seconds",
    "h": "h|hours",
    "in": 'in|inch|in.|"',
    "mil": "mil|mils|thou",
}


@pytest.mark.parametrize("unit", SPELLINGS)
def test_every_usual_spelling_names_its_unit(unit: str) -> None:
    """The two mu, the two ohm and the signs in one character are the same to a reader (Unicode annex 15, form KC)."""
    assert {text: spelled_unit(text, {}) for text in SPELLINGS[unit].split("|")} == dict.fromkeys(
        SPELLINGS[unit].split("|"), unit
    )


@pytest.mark.parametrize("text", ["mS/m", "ms/m", "MS/cm", "S/m", "%", "%iacs", "mHz", "khz", "MM", "M", "K", "", "°"])
def test_a_prefix_or_case_of_its_own_names_no_unit(text: str) -> None:
    """SI prefixes differ by case (SI brochure, table 7); case tells milli from mega."""
    assert spelled_unit(text, {}) is None


def test_spellings_of_a_layout_come_before_the_usual_ones_and_are_compared_as_loosely() -> None:
    aliases = {"%IACS": ("Leit wert", "C"), "um": ("my",)}
    assert spelled_unit(" Leit\u00a0 wert", aliases) == "%IACS"
    assert spelled_unit("my", aliases) == "um"
    assert spelled_unit("C", aliases) == "%IACS"
    assert spelled_unit("°C", aliases) == "degC"
    assert spelled_unit("Leitwert", aliases) is None


@pytest.mark.parametrize(
    ("name", "parts"),
    [
        ("Value [MS/m]", ("Value", "MS/m")),
        ("Value(MS/m) ", ("Value", "MS/m")),
        ("Value (m/(Ω·mm²))", None),
        ("Value (raw) [%IACS]", ("Value (raw)", "%IACS")),
        ("[MS/m]", ("", "MS/m")),
        ("Value []", ("Value", "")),
        ("Value", None),
        ("[MS/m] value", None),
        ("Value [MS/m)", None),
    ],
)
def test_the_unit_of_a_name_is_what_stands_in_its_last_brackets(name: str, parts: tuple[str, str] | None) -> None:
    assert unit_in_name(name) == parts


# (column): unit: (a number in it, the same in the unit of the column). 1 in = 25.4 mm, 1 mil = 0.001 in, t/degC = (t/degF - 32)/1.8
# exactly: NIST SP 811 (2008), appendix B.8
LENGTHS = {"mm": (2.5, 2.5), "um": (50.0, 0.05), "m": (0.002, 2.0), "in": (10.0, 254.0), "mil": (1000.0, 25.4)}
SAME = {
    "temperature_age_min": {"min": (7.5, 7.5), "s": (90.0, 1.5), "h": (1.5, 90.0)},
    "temperature_c": {"degC": (21.4, 21.4), "degF": (212.0, 100.0)},
    "frequency_khz": {"kHz": (60.0, 60.0), "Hz": (60_000.0, 60.0), "MHz": (0.5, 500.0)},
    "thickness_mm": LENGTHS,
    "coating_um": {"um": (50.0, 50.0), "mm": (0.05, 50.0), "in": (0.5, 12_700.0), "mil": (2.0, 50.8)},
    "radius_mm": LENGTHS,
}


def test_a_number_is_converted_by_the_exact_definitions() -> None:
    found = {
        column: {
            unit: (given, (given + way.offset) * way.multiplier / way.divisor)
            for unit, way in ways.items()
            for given in [SAME[column][unit][0]]
        }
        for column, ways in COLUMN_UNITS.items()
    }
    assert found == SAME
    way = COLUMN_UNITS["temperature_c"]["degF"]
    assert [(given + way.offset) * way.multiplier / way.divisor for given in (32.0, -40.0, 68.0)] == [0.0, -40.0, 20.0]
    for column, ways in COLUMN_UNITS.items():  # what is in our unit is not touched, everything else is
        assert [unit for unit, way in ways.items() if not way.changes] == [next(iter(SAME[column]))]
    assert [Conversion(offset=1.0).changes, Conversion(multiplier=2.0).changes, Conversion(divisor=2.0).changes] == [
        True
    ] * 3
