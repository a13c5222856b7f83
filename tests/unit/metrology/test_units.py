"""Conversion of units."""

from __future__ import annotations

import itertools

import polars as pl
import pytest

from pipeline.metrology.units import convert, convert_expression, derivative, is_resistivity
from schemas.tables import UNITS


@pytest.mark.parametrize(("source", "target"), list(itertools.product(UNITS, UNITS)))
def test_a_conversion_and_back_returns_the_value(source: str, target: str) -> None:
    value = convert(29.0, "MS/m", source)
    assert convert(convert(value, source, target), target, source) == pytest.approx(value, rel=1e-14)


@pytest.mark.parametrize(("source", "target"), list(itertools.product(UNITS, UNITS)))
def test_a_column_converts_as_a_value_does(source: str, target: str) -> None:
    value = convert(29.0, "MS/m", source)
    frame = pl.DataFrame({"value": [value]})
    assert frame.select(convert_expression(pl.col("value"), source, target)).item() == convert(value, source, target)


@pytest.mark.parametrize(("source", "target"), list(itertools.product(UNITS, UNITS)))
def test_the_derivative_is_the_slope_of_the_conversion(source: str, target: str) -> None:
    value = convert(29.0, "MS/m", source)
    step = value * 1e-6
    slope = (convert(value + step, source, target) - convert(value - step, source, target)) / (2 * step)
    assert derivative(value, source, target) == pytest.approx(slope, rel=1e-6)


@pytest.mark.parametrize("unit", UNITS)
def test_the_same_unit_returns_the_value_itself(unit: str) -> None:
    assert convert(0.1 + 0.2, unit, unit) == 0.1 + 0.2


def test_kinds_of_units() -> None:
    assert [is_resistivity(unit) for unit in UNITS] == [False, False, True, True, True]


@pytest.mark.parametrize(("source", "target"), [("S/m", "MS/m"), ("MS/m", "IACS"), ("mS/m", "nOhm.m")])
def test_an_unknown_unit_is_refused_with_the_known_ones(source: str, target: str) -> None:
    with pytest.raises(ValueError, match="expected one of MS/m, %IACS"):
        convert(1.0, source, target)


def test_nought_has_no_reciprocal() -> None:
    with pytest.raises(ZeroDivisionError):
        convert(0.0, "MS/m", "nOhm.m")
