"""How exports spell units, and how lengths, frequencies and temperatures become the units of our columns."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["COLUMN_UNITS", "Conversion", "spelled_unit", "unit_in_name"]

_ALIASES: dict[str, tuple[str, ...]] = {
    "MS/m": ("MS/m", "MS m-1", "MSm-1", "MS·m-1", "MS m^-1", "m/Ohm.mm2", "m/(Ω·mm²)", "m/Ωmm²", "m/Ω·mm²", "10^6 S/m"),
    "%IACS": ("%IACS", "% IACS", "IACS", "IACS%", "IACS %", "%_IACS", "pct_IACS", "percent IACS"),
    "Ohm.cm": ("Ohm.cm", "Ohm cm", "Ohm-cm", "Ohm*cm", "ohm.cm", "ohm cm", "Ω·cm", "Ω.cm", "Ωcm", "Ω cm"),
    "uOhm.cm": (
        "uOhm.cm",
        "uOhm cm",
        "uOhm-cm",
        "uOhm*cm",
        "microohm cm",
        "µΩ·cm",
        "µΩ.cm",
        "µΩcm",
        "µΩ cm",
        "µOhm.cm",
    ),
    "nOhm.m": ("nOhm.m", "nOhm m", "nOhm-m", "nOhm*m", "nΩ·m", "nΩ.m", "nΩm", "nΩ m"),
    "degC": ("°C", "degC", "deg C", "C", "º C", "ºC", "° C"),
    "degF": ("°F", "degF", "deg F", "F", "ºF", "° F"),
    "kHz": ("kHz", "KHz"),
    "Hz": ("Hz",),
    "MHz": ("MHz",),
    "mm": ("mm",),
    "um": ("µm", "um", "micron", "microns"),
    "m": ("m",),
    "min": ("min", "minutes"),
    "s": ("s", "sec", "seconds"),
    "h": ("h", "hours"),
    "in": ("in", "inch", "in.", '"'),
    "mil": ("mil", "mils", "thou"),
}


LONGEST_NAME = 500
_BRACKETS = re.compile(r"^(.*?)\s*(?:\[([^\[\]]*)\]|\(([^()]*)\))\s*$")


def _normal(text: str) -> str:
    # NFKC makes the two mu, the two ohm and the degree-celsius signs one; case is kept, since mS/m is not MS/m
    return " ".join(unicodedata.normalize("NFKC", text).split())


_BY_SPELLING = {_normal(spelling): unit for unit, spellings in _ALIASES.items() for spelling in spellings}


def spelled_unit(text: str, aliases: Mapping[str, tuple[str, ...]]) -> str | None:
    """Return the unit that a text spells, or None.

    Parameters
    ----------
    text
        A unit as an export writes it.
    aliases
        Further spellings that a layout declares, by unit.
    """
    wanted = _normal(text)
    for unit, spellings in aliases.items():
        if wanted in {_normal(spelling) for spelling in spellings}:
            return unit
    return _BY_SPELLING.get(wanted)


def unit_in_name(name: str) -> tuple[str, str] | None:
    """Split ``Value [MS/m]`` or ``Value (MS/m)`` into name and unit as spelled; None where there are no brackets.

    A cell longer than :data:`LONGEST_NAME` is no name: spaces in it would be gone through once for each of them.
    """
    parts = _BRACKETS.match(name) if len(name) <= LONGEST_NAME else None
    return None if parts is None else (parts[1], parts[2] if parts[2] is not None else parts[3])


@dataclass(frozen=True, slots=True)
class Conversion:
    """New number = (number + offset) × multiplier / divisor.

    Two integers-valued factors instead of one decimal fraction keep 60 000 Hz exactly 60 kHz.
    """

    offset: float = 0.0
    multiplier: float = 1.0
    divisor: float = 1.0

    @property
    def changes(self) -> bool:
        """Whether anything is converted at all."""
        return (self.offset, self.multiplier, self.divisor) != (0.0, 1.0, 1.0)


COLUMN_UNITS: dict[str, dict[str, Conversion]] = {
    "temperature_age_min": {
        "min": Conversion(),
        "s": Conversion(divisor=60.0),
        "h": Conversion(multiplier=60.0),
    },
    "temperature_c": {"degC": Conversion(), "degF": Conversion(offset=-32.0, multiplier=5.0, divisor=9.0)},
    "frequency_khz": {"kHz": Conversion(), "Hz": Conversion(divisor=1000.0), "MHz": Conversion(multiplier=1000.0)},
    "thickness_mm": {
        "mm": Conversion(),
        "um": Conversion(divisor=1000.0),
        "m": Conversion(multiplier=1000.0),
        "in": Conversion(multiplier=127.0, divisor=5.0),
        "mil": Conversion(multiplier=127.0, divisor=5000.0),
    },
    "coating_um": {
        "um": Conversion(),
        "mm": Conversion(multiplier=1000.0),
        "in": Conversion(multiplier=25400.0),
        "mil": Conversion(multiplier=127.0, divisor=5.0),
    },
    "radius_mm": {
        "mm": Conversion(),
        "um": Conversion(divisor=1000.0),
        "m": Conversion(multiplier=1000.0),
        "in": Conversion(multiplier=127.0, divisor=5.0),
        "mil": Conversion(multiplier=127.0, divisor=5000.0),
    },
}
"""Units that a column other than the value may be declared in, and the way to the column's own unit.

1 in = 25.4 mm exactly; °C = (°F − 32) × 5/9 exactly (common practice, no source).
"""
