"""Readings of a meter that was set on a block at the block's own temperature with the block's value at the reference.

Such a meter shows, for metal of the block's own kind at the block's temperature, values at the reference temperature. For
any other metal or temperature the reading R has to be carried back first. With f(T) = σ(T)/σ(reference),

    σ_part(reference) = R · f_block(T_set) / f_part(T_part).

R·f_block(T_set) is the true conductivity at the part's temperature: the meter, taught c where c·f_block was, shows
everything larger by 1/f_block. What follows is the ordinary correction of a value at metal temperature
(:mod:`pipeline.metrology.temperature`), by the part's own coefficient.

A meter set on several blocks was taught several such points. Between two of them a straight line is taken, beyond the last
one the factor of that block: a reading on a block itself comes out exactly, and nothing jumps in between.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pipeline.metrology.temperature import MODELS, conductivity_at_temperature
from pipeline.metrology.units import IACS_100_MS_PER_M

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["BlockOfSetting", "SettingCurve", "block_factor", "problem_of_block"]

_NO_CERTIFICATE_NEEDED: Final = 1.0
"""Stands for the certified value where one block with a linear model needs none: its factor does not depend on it."""


@dataclass(frozen=True, slots=True)
class BlockOfSetting:
    """A block on which a meter was set: its value at the reference temperature in MS/m, and its temperature then."""

    block: str
    certified_ms_per_m: float | None
    temperature_c: float | None
    model: str | None
    coefficient: float | None
    material: str | None = None
    source: str | None = None


def problem_of_block(
    given: BlockOfSetting, *, alone: bool, registered: bool, plausible_temperature_c: tuple[float, float]
) -> str | None:
    """Say what is missing before a block can carry a relative reading, or None.

    Parameters
    ----------
    given
        The block as the setting and the reference tables know it.
    alone
        Whether it is the only block of its setting.
    registered
        Whether it stands in the table of blocks.
    plausible_temperature_c
        Lowest and highest temperature that is believed, in °C.

    Returns
    -------
    str or None
        What is missing and where to state it.
    """
    low, high = plausible_temperature_c
    if not registered:
        return f"block {given.block} does not stand in reference/blocks.csv; register it with its material"
    if given.temperature_c is None or not math.isfinite(given.temperature_c):
        return f"the temperature of block {given.block} at that setting was not stated; export it with the setting or record it"
    if not low <= given.temperature_c <= high:
        return (
            f"block {given.block} is said to have been at {given.temperature_c:g} °C, outside {low:g} to {high:g} °C, the "
            "temperatures that are believed here; record the right one"
        )
    if given.model not in MODELS or given.coefficient is None:
        named = "it has no material" if given.material is None else f"material {given.material} has none"
        return (
            f"no temperature model with a coefficient is known for block {given.block} ({named}); give its material in "
            "reference/blocks.csv, and temperature_model, coefficient and source in reference/materials.csv"
        )
    if given.certified_ms_per_m is None and not (alone and given.model == "linear"):
        return f"block {given.block} has no certified value in reference/blocks.csv, which its temperature model needs"
    try:
        block_factor(given, reference_c=20.0)
    except ValueError:
        return f"the coefficient of block {given.block} gives no positive conductivity at {given.temperature_c:g} °C"
    return None


def block_factor(given: BlockOfSetting, *, reference_c: float) -> float:
    """Return f_block(T_set): conductivity of the block when the meter was set on it over its certified value.

    Parameters
    ----------
    given
        A block without a problem, see :func:`problem_of_block`.
    reference_c
        Reference temperature, in °C.

    Returns
    -------
    float
        Below 1 for a block warmer than the reference.

    Raises
    ------
    ValueError
        If something is missing or the model gives no positive conductivity.
    """
    if given.temperature_c is None or given.model is None or given.coefficient is None:
        raise ValueError(f"block {given.block}: temperature, model and coefficient are needed")
    certified = _NO_CERTIFICATE_NEEDED if given.certified_ms_per_m is None else given.certified_ms_per_m
    return (
        conductivity_at_temperature(
            certified, given.temperature_c, reference_c=reference_c, model=given.model, coefficient=given.coefficient
        )
        / certified
    )


def _log_slopes(given: BlockOfSetting, factor: float, reference_c: float) -> tuple[float, float]:
    """Return ∂ln f/∂T and ∂ln f/∂coefficient of a block at its temperature."""
    model, coefficient, temperature = given.model, given.coefficient, given.temperature_c
    if model is None or coefficient is None or temperature is None:
        raise ValueError(f"block {given.block}: temperature, model and coefficient are needed")
    difference = temperature - reference_c
    if model == "linear":
        return -coefficient * factor, -difference * factor
    scale = factor * (given.certified_ms_per_m or 0.0) / (IACS_100_MS_PER_M if model == "proportional" else 1.0)
    return -coefficient * scale, -difference * scale


class SettingCurve:
    """What a setting taught a meter: the factor that carries a shown value back to the true value at the metal.

    Parameters
    ----------
    blocks
        Blocks of the setting, at least one, none with a problem.
    reference_c
        Reference temperature, in °C.

    Raises
    ------
    ValueError
        If there is no block, or one has a problem.
    """

    def __init__(self, blocks: Sequence[BlockOfSetting], *, reference_c: float) -> None:
        if not blocks:
            raise ValueError("a setting needs at least one block")
        points: dict[float, list[tuple[float, float, float]]] = {}
        for given in blocks:
            factor = block_factor(given, reference_c=reference_c)
            certified = _NO_CERTIFICATE_NEEDED if given.certified_ms_per_m is None else given.certified_ms_per_m
            points.setdefault(certified, []).append((factor, *_log_slopes(given, factor, reference_c)))
        # blocks of one and the same value teach one point: their mean
        self._shown = np.array(sorted(points))
        means = np.array([np.mean(points[certified], axis=0) for certified in self._shown])
        self._true = self._shown * means[:, 0]
        self._by_temperature = self._true * means[:, 1]
        self._by_coefficient = self._true * means[:, 2]

    def _carried(self, shown: NDArray[np.float64], at_points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return a quantity known at the points for shown values: straight between them, in proportion beyond."""
        within = np.clip(shown, self._shown[0], self._shown[-1])
        result: NDArray[np.float64] = np.interp(within, self._shown, at_points) * (shown / within)
        return result

    def factor(self, shown_ms_per_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return σ at the metal's temperature over the value shown.

        Parameters
        ----------
        shown_ms_per_m
            Values shown, above 0, in MS/m, shape (n,).

        Returns
        -------
        numpy.ndarray
            Shape (n,).
        """
        result: NDArray[np.float64] = self._carried(shown_ms_per_m, self._true) / shown_ms_per_m
        return result

    def log_slopes(self, shown_ms_per_m: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return how ln(σ at the metal) moves with the blocks' temperature and with their coefficient.

        Parameters
        ----------
        shown_ms_per_m
            Values shown, above 0, in MS/m, shape (n,).

        Returns
        -------
        tuple of numpy.ndarray
            In 1/°C (all blocks warmer together) and per unit of the coefficient (all blocks of one material), shape (n,).
        """
        true = self._carried(shown_ms_per_m, self._true)
        return (
            self._carried(shown_ms_per_m, self._by_temperature) / true,
            self._carried(shown_ms_per_m, self._by_coefficient) / true,
        )
