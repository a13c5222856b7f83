"""Gates of geometry: is the metal thick, flat, bare and wide enough for its readings? Each failure is a sentence with its number.

Thickness is judged against the standard depth of penetration (:mod:`pipeline.metrology.penetration`); coating against the
lift-off that the probe compensates; curvature against the site's radius from which a surface counts as flat; the smallest
flat against the spot that the probe needs. Nothing here changes a value.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from pipeline.metrology.penetration import (
    lowest_frequency_khz,
    required_thickness_mm,
    standard_depth_mm,
    thickness_flag,
)
from schemas.digits import counted

if TYPE_CHECKING:
    import polars as pl

__all__ = [
    "SHIM",
    "coating_sentence",
    "curvature_sentence",
    "depths_of_penetration",
    "single_frequency",
    "spot_sentence",
    "thickness_sentence",
]

SHIM: Final = "the difference between bare metal and bare metal under a shim of that thickness (MIL-STD-1537C 5.1.4)"
"""How a correction for a coating is determined."""


def depths_of_penetration(conductivity_ms_per_m: pl.Expr, frequency_khz: pl.Expr, thickness_mm: pl.Expr) -> pl.Expr:
    """Return thickness in standard depths of penetration; null where an input is null.

    Parameters
    ----------
    conductivity_ms_per_m
        Conductivity at the temperature of the metal, in MS/m, above 0.
    frequency_khz, thickness_mm
        Above 0.

    Returns
    -------
    polars.Expr
        t·√(π·f·μ0·σ).
    """
    one = standard_depth_mm(1.0, 1.0)
    return thickness_mm * (conductivity_ms_per_m * frequency_khz).sqrt() / one


def single_frequency(text: str | None) -> float | None:
    """Return the frequency of a probe that works at one only, in kHz; None for several or none stated.

    Parameters
    ----------
    text
        Frequencies separated by spaces, as in the table of probes.
    """
    numbers = [part for part in (text or "").replace(";", " ").split() if part]
    try:
        found = {float(part) for part in numbers}
    except ValueError:
        return None
    only = found.pop() if len(found) == 1 else math.nan
    return only if only > 0 and math.isfinite(only) else None


def thickness_sentence(
    *,
    readings: int,
    conductivity_ms_per_m: float,
    frequency_khz: float,
    thickness_mm: float,
    multiple: float,
    frequencies: tuple[float, ...] = (),
) -> str:
    """Say that metal is too thin for its readings, and what to do.

    Parameters
    ----------
    readings
        How many readings.
    conductivity_ms_per_m
        Lowest conductivity among them, in MS/m.
    frequency_khz, thickness_mm
        Of the readings; the thickness is that of all pieces together.
    multiple
        Standard depths of penetration that the site asks for.
    frequencies
        Frequencies that the meter's probes have, in kHz.

    Returns
    -------
    str
        Of metal that is too thin; for other metal it makes no sense.
    """
    flag = thickness_flag(conductivity_ms_per_m, frequency_khz, thickness_mm, multiple=multiple)
    lowest = lowest_frequency_khz(conductivity_ms_per_m, thickness_mm, multiple=multiple)
    fits = [one for one in sorted(frequencies) if one >= lowest]
    here = f"; the meter has a probe for {fits[0]:g} kHz" if fits else ""
    pieces = math.ceil(
        required_thickness_mm(conductivity_ms_per_m, frequency_khz, multiple=multiple) / thickness_mm - 1e-9
    )
    return (
        f"{counted(readings, 'reading')}: {flag} ({pieces} pieces){here}; or determine a correction against a stack and enter it in "
        "reference/corrections.csv (kind thickness)"
    )


def coating_sentence(*, readings: int, coating_um: float, probe: str, limit_um: float) -> str:
    """Say that a coating is thicker than the lift-off that the probe compensates, and what to do.

    Parameters
    ----------
    readings
        How many readings.
    coating_um
        Thickest coating among them, in µm.
    probe, limit_um
        The probe and what it compensates, in µm.
    """
    return (
        f"{counted(readings, 'reading')} through up to {coating_um:g} µm of coating, probe {probe} compensates {limit_um:g} µm: strip "
        f"the spot, take a probe that compensates more, or determine a correction, {SHIM}, and enter it in "
        "reference/corrections.csv (kind coating)"
    )


def curvature_sentence(*, readings: int, radius_mm: float, flat_from_mm: float) -> str:
    """Say that a surface is curved and nothing compensated it, and what to do.

    Parameters
    ----------
    readings
        How many readings.
    radius_mm
        Smallest radius among them, in mm.
    flat_from_mm
        Radius from which a surface counts as flat here, in mm.
    """
    return (
        f"{counted(readings, 'reading')} on a radius down to {radius_mm:g} mm without compensation, below the {flat_from_mm:g} mm that "
        "count as flat here: take a smaller probe or the meter's compensation, or determine a correction on a curved piece "
        "of the same metal and enter it in reference/corrections.csv (kind curvature)"
    )


def spot_sentence(*, readings: int, probe: str, spot_mm: float, flat_mm: float) -> str:
    """Say that the metal is narrower than the spot the probe needs, and what to do.

    Parameters
    ----------
    readings
        How many readings.
    probe, spot_mm
        The probe and the flat spot that it needs, in mm.
    flat_mm
        Smallest flat of the lot, in mm.
    """
    return (
        f"{counted(readings, 'reading')} with probe {probe}, which needs a flat of {spot_mm:g} mm, on a flat of {flat_mm:g} mm: the edge "
        "is in the reading; take a smaller probe or another place"
    )
