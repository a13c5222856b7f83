"""Units of conductivity and resistivity, exact by definition.

100 %IACS is exactly 58 MS/m at 20 °C (IEC 60028:1925, resistivity 1/58 Ω·mm²/m; value from memory). Resistivity is the
reciprocal of conductivity, so conversion between the two kinds is not proportional.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl

__all__ = ["IACS_100_MS_PER_M", "convert", "convert_expression", "derivative", "is_resistivity", "lead_unit"]

IACS_100_MS_PER_M = 58.0
"""Conductivity of 100 %IACS in MS/m (IEC 60028:1925)."""

# conductivity units: how many make 1 MS/m; resistivity units: value × conductivity in MS/m
_PER_MS_PER_M = {"MS/m": 1.0, "%IACS": 100.0 / IACS_100_MS_PER_M}
_PRODUCT = {"Ohm.cm": 1e-4, "uOhm.cm": 100.0, "nOhm.m": 1000.0}


def is_resistivity(unit: str) -> bool:
    """Whether a unit states resistivity.

    Raises
    ------
    ValueError
        If the unit is none of ours.
    """
    if unit in _PRODUCT:
        return True
    if unit in _PER_MS_PER_M:
        return False
    raise ValueError(f"unknown unit {unit!r}; expected one of {', '.join((*_PER_MS_PER_M, *_PRODUCT))}")


def lead_unit(unit: str, own: str | None) -> tuple[float, str]:
    """Return in which unit a lot is spoken of: that of its specification, where it is proportional to the working unit.

    Parameters
    ----------
    unit
        Working unit.
    own
        Of the specification; None where there is none.

    Returns
    -------
    (float, str)
        What a value in the working unit is multiplied by, and the unit.
    """
    if own is None or is_resistivity(own) != is_resistivity(unit):
        return 1.0, unit
    return convert(1.0, unit, own), own


def _between(from_unit: str, to_unit: str) -> tuple[float, bool]:
    """Return (k, reciprocal): the new value is k·value, or k/value where the kinds differ."""
    source, target = is_resistivity(from_unit), is_resistivity(to_unit)
    if source and target:
        return _PRODUCT[to_unit] / _PRODUCT[from_unit], False
    if source:
        return _PRODUCT[from_unit] * _PER_MS_PER_M[to_unit], True
    if target:
        return _PRODUCT[to_unit] * _PER_MS_PER_M[from_unit], True
    return _PER_MS_PER_M[to_unit] / _PER_MS_PER_M[from_unit], False


def convert(value: float, from_unit: str, to_unit: str) -> float:
    """Convert one value; the same unit returns the value itself.

    Parameters
    ----------
    value
        Conductivity or resistivity.
    from_unit, to_unit
        MS/m, %IACS, Ohm.cm, uOhm.cm or nOhm.m.

    Raises
    ------
    ValueError
        If a unit is unknown.
    ZeroDivisionError
        If zero is converted to its reciprocal kind.
    """
    if from_unit == to_unit:
        return value
    factor, reciprocal = _between(from_unit, to_unit)
    return factor / value if reciprocal else value * factor


def convert_expression(value: pl.Expr, from_unit: str, to_unit: str) -> pl.Expr:
    """Convert a column of one unit, as :func:`convert` does a value."""
    if from_unit == to_unit:
        return value
    factor, reciprocal = _between(from_unit, to_unit)
    return factor / value if reciprocal else value * factor


def derivative(value: float, from_unit: str, to_unit: str) -> float:
    """Return d(converted)/d(value), for carrying a standard deviation through a conversion (first order).

    Proportional conversions are exact; between conductivity and resistivity the result holds at `value` only
    (GUM, JCGM 100:2008, 5.1.2).
    """
    if from_unit == to_unit:
        return 1.0
    factor, reciprocal = _between(from_unit, to_unit)
    return -factor / (value * value) if reciprocal else factor
