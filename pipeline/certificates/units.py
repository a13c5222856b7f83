r"""Units as the D-SI writes them: `\mega\siemens\metre\tothe{-1}`, `\degreecelsius`, `\percent`.

Source: D-SI schema 2.1.0 and the SI brochure (9th edition) for the prefixes. What is understood is what certificates
of blocks, meters and temperature sensors need; anything else is told, never guessed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal

__all__ = ["Unit", "UnknownUnit", "parse_unit"]


class UnknownUnit(ValueError):
    """A unit that is not understood; the text says which part of it."""


PREFIXES = {
    name: Decimal(10) ** power
    for name, power in (
        ("quecto", -30), ("ronto", -27), ("yocto", -24), ("zepto", -21), ("atto", -18), ("femto", -15), ("pico", -12),
        ("nano", -9), ("micro", -6), ("milli", -3), ("centi", -2), ("deci", -1), ("deca", 1), ("hecto", 2), ("kilo", 3),
        ("mega", 6), ("giga", 9), ("tera", 12), ("peta", 15), ("exa", 18), ("zetta", 21), ("yotta", 24), ("ronna", 27),
        ("quetta", 30),
    )
}  # fmt: skip

_SIEMENS = {"kilogram": -1, "metre": -2, "second": 3, "ampere": 2}

# factor and powers of the named unit in the base units; a Celsius temperature is its own, for its zero is elsewhere
_NAMED: dict[str, tuple[Decimal, dict[str, int]]] = {
    "siemens": (Decimal(1), _SIEMENS),
    "ohm": (Decimal(1), {name: -power for name, power in _SIEMENS.items()}),
    "hertz": (Decimal(1), {"second": -1}),
    "percent": (Decimal("0.01"), {}),
    "one": (Decimal(1), {}),
    **{name: (Decimal(1), {name: 1}) for name in ("kilogram", "metre", "second", "ampere", "kelvin", "degreecelsius")},
}

_TOKEN = re.compile(r"\\(?:tothe\{(?P<power>[+-]?\d{1,2})\}|(?P<word>[a-z]+))")

_QUANTITIES = {
    "conductivity": _SIEMENS | {"metre": -3},
    "resistivity": {"kilogram": 1, "metre": 3, "second": -3, "ampere": -2},
    "temperature": {"kelvin": 1},
    "celsius_temperature": {"degreecelsius": 1},
    "length": {"metre": 1},
    "frequency": {"second": -1},
    "ratio": {},
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """A unit as written, the factor to the coherent SI unit, and what it measures (None where we know no name)."""

    text: str
    factor: Decimal
    quantity: str | None


def parse_unit(text: str) -> Unit:
    r"""Return what a unit in the D-SI's grammar means.

    Parameters
    ----------
    text
        Such as ``\mega\siemens\metre\tothe{-1}`` or ``\siemens\per\metre``; white space around it does not count.

    Returns
    -------
    Unit
        `factor` times a value gives it in S/m, Ohm·m, K, °C, m, Hz or 1.

    Raises
    ------
    UnknownUnit
        Names what is not understood.
    """
    text = text.strip()
    factor, powers, place = Decimal(1), dict[str, int](), 0
    sign, prefix = 1, Decimal(1)
    last: tuple[Decimal, dict[str, int], int] | None = None  # the unit before, to which a power belongs
    if not text:
        raise UnknownUnit("a unit is missing")
    while place < len(text):
        token = _TOKEN.match(text, place)
        if token is None:
            raise UnknownUnit(f"{text!r} is no unit of the D-SI at {text[place:]!r}")
        place = token.end()
        word = token["word"]
        if token["power"] is not None:
            if last is None:
                raise UnknownUnit(f"{text!r} raises nothing to a power")
            one, dimensions, direction = last
            power = direction * (int(token["power"]) - 1)  # the first power is counted already
            factor, powers, last = factor * one**power, _times(powers, dimensions, power), None
        elif word == "per":
            if sign < 0 or prefix != 1:
                raise UnknownUnit(f"{text!r}: \\per stands before no unit")
            sign, last = -1, None
        elif word in PREFIXES:
            if prefix != 1:
                raise UnknownUnit(f"{text!r} has two prefixes in a row")
            prefix, last = PREFIXES[word], None
        elif word in _NAMED:
            one, dimensions = prefix * _NAMED[word][0], _NAMED[word][1]
            factor, powers, last = factor * one**sign, _times(powers, dimensions, sign), (one, dimensions, sign)
            sign, prefix = 1, Decimal(1)
        else:
            raise UnknownUnit(f"{text!r}: \\{word} is not understood")
    if prefix != 1 or sign < 0:
        raise UnknownUnit(f"{text!r} ends before its unit")
    kept = {name: power for name, power in powers.items() if power}
    quantity = next((name for name, dimensions in _QUANTITIES.items() if dimensions == kept), None)
    return Unit(text=text, factor=factor, quantity=quantity)


def _times(powers: dict[str, int], dimensions: dict[str, int], power: int) -> dict[str, int]:
    return powers | {name: powers.get(name, 0) + power * own for name, own in dimensions.items()}
