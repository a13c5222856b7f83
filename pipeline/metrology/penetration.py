"""Standard depth of penetration of eddy currents, and whether the metal is thick enough for a reading.

The field of a probe falls to 1/e at the standard depth of penetration δ = √(ρ/(π·f·μ0)) of a plane wave. Metal thinner
than a few δ lets the field through, and the meter reads what lies behind as well. How many δ a site asks for is its
setting; 2.6 is common practice (ASTM E1004, from memory; other texts ask for 3). MIL-STD-1537C 3.7.2 prints a formula
whose result is 0.66 % below the physics used here.
"""

from __future__ import annotations

import math
from typing import Final

from schemas.digits import decimals_that_tell, digits_that_tell

__all__ = [
    "DEFAULT_MULTIPLE",
    "lowest_frequency_khz",
    "required_thickness_mm",
    "standard_depth_mm",
    "thickness_flag",
]

DEFAULT_MULTIPLE: Final = 2.6
"""Standard depths of penetration a part must be thick (common practice; ASTM E1004, from memory)."""

# magnetic constant in H/m; the exact 4π·1e-7 of the SI before 2019 agrees to 2e-10
_MU_0: Final = 4e-7 * math.pi
# δ in mm = _DEPTH/√(σ in MS/m · f in kHz): 1e3 mm/m over the root of 1e6 S/MS times 1e3 Hz/kHz
_DEPTH: Final = 1e3 / math.sqrt(math.pi * _MU_0 * 1e6 * 1e3)


def _require(**numbers: float) -> None:
    for name, number in numbers.items():
        if not (math.isfinite(number) and number > 0):
            raise ValueError(f"{name} = {number!r}; expected a finite number above 0")


def standard_depth_mm(conductivity_ms_per_m: float, frequency_khz: float) -> float:
    """Return the standard depth of penetration in a non-magnetic metal.

    Parameters
    ----------
    conductivity_ms_per_m
        Conductivity at the temperature of the metal, in MS/m.
    frequency_khz
        Frequency, in kHz.

    Returns
    -------
    float
        Depth in mm.

    Raises
    ------
    ValueError
        If a number is not finite and above 0.

    Notes
    -----
    δ = 1/√(π·f·μ0·σ) (physics of a plane wave; in mm with f in Hz and conductivity n in %IACS 660.855/√(f·n)).
    """
    _require(conductivity_ms_per_m=conductivity_ms_per_m, frequency_khz=frequency_khz)
    return _DEPTH / math.sqrt(conductivity_ms_per_m * frequency_khz)


def required_thickness_mm(
    conductivity_ms_per_m: float, frequency_khz: float, *, multiple: float = DEFAULT_MULTIPLE
) -> float:
    """Return the thickness from which a reading does not depend on thickness.

    Parameters
    ----------
    conductivity_ms_per_m, frequency_khz
        As for :func:`standard_depth_mm`.
    multiple
        Standard depths of penetration asked for by the site.

    Returns
    -------
    float
        Thickness in mm.

    Raises
    ------
    ValueError
        If a number is not finite and above 0.
    """
    _require(multiple=multiple)
    return multiple * standard_depth_mm(conductivity_ms_per_m, frequency_khz)


def lowest_frequency_khz(
    conductivity_ms_per_m: float, thickness_mm: float, *, multiple: float = DEFAULT_MULTIPLE
) -> float:
    """Return the lowest frequency at which a thickness is enough.

    Parameters
    ----------
    conductivity_ms_per_m
        Conductivity, in MS/m.
    thickness_mm
        Thickness of the metal, in mm.
    multiple
        Standard depths of penetration asked for by the site.

    Returns
    -------
    float
        Frequency in kHz.

    Raises
    ------
    ValueError
        If a number is not finite and above 0.
    """
    _require(conductivity_ms_per_m=conductivity_ms_per_m, thickness_mm=thickness_mm, multiple=multiple)
    return (multiple * _DEPTH / thickness_mm) ** 2 / conductivity_ms_per_m


def thickness_flag(
    conductivity_ms_per_m: float, frequency_khz: float, thickness_mm: float, *, multiple: float = DEFAULT_MULTIPLE
) -> str | None:
    """Say that a metal is too thin for its reading, with the numbers and what to do; None where it is thick enough.

    Parameters
    ----------
    conductivity_ms_per_m
        Conductivity as read, in MS/m.
    frequency_khz
        Frequency of the reading, in kHz.
    thickness_mm
        Thickness of the metal, in mm.
    multiple
        Standard depths of penetration asked for by the site.

    Returns
    -------
    str or None
        A thickness equal to the one asked for is enough.

    Raises
    ------
    ValueError
        If a number is not finite and above 0.
    """
    _require(thickness_mm=thickness_mm)
    needed = required_thickness_mm(conductivity_ms_per_m, frequency_khz, multiple=multiple)
    if thickness_mm >= needed:
        return None
    frequency = lowest_frequency_khz(conductivity_ms_per_m, thickness_mm, multiple=multiple)
    depths = thickness_mm * multiple / needed
    return (
        f"thickness {thickness_mm:.{digits_that_tell(3, thickness_mm, needed)}g} mm is {depths:.{decimals_that_tell(2, (depths,), (multiple,))}f} standard depths of penetration, "
        f"below the {multiple:g} asked for: {conductivity_ms_per_m:.3g} MS/m at {frequency_khz:g} kHz need "
        f"{_up(needed)} mm; measure at {_up(frequency)} kHz or more, or stack pieces of the same metal to that thickness "
        "if the specification allows it"
    )


def _up(number: float) -> str:
    """Return three significant digits, rounded up: what is needed must not be stated too small."""
    step = 10.0 ** (math.floor(math.log10(number)) - 2)
    return f"{math.ceil(number / step - 1e-9) * step:.4g}"
