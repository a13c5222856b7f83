"""How far limits from a few checks are widened, so that the rules that reject do so falsely once in a wanted number of checks."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import optimize, special, stats

__all__ = ["widening"]

STATES = [(0, 0, False), *((side, count, high) for side in (1, -1) for count in (1, 2, 3) for high in (False, True))]
"""Side, how many checks in a row beyond one standard deviation, and whether the last of them was beyond two."""


def _run_length(shift: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """Return the mean number of checks until 1-3s, 2-2s or 4-1s along a block (Brook and Evans, Biometrika 59, 539, 1972).

    The limits of the rules stand at `shift` + k `scale`, in standard deviations of checks about their true level.
    """

    def between(low: int, high: int) -> np.ndarray:
        return stats.norm.cdf(shift + high * scale) - stats.norm.cdf(shift + low * scale)

    middle, low_strip, high_strip = (
        between(-1, 1),
        {1: between(1, 2), -1: between(-2, -1)},
        {1: between(2, 3), -1: between(-3, -2)},
    )
    moves = np.zeros((*shift.shape, len(STATES), len(STATES)))
    for start, (side, count, high) in enumerate(STATES):
        moves[..., start, 0] = middle
        for to in (1, -1):
            row, was_high = (count, high) if to == side else (0, False)
            if row < 3:
                moves[..., start, STATES.index((to, row + 1, False))] = low_strip[to]
                if not was_high:
                    moves[..., start, STATES.index((to, row + 1, True))] = high_strip[to]
    ones = np.ones((*shift.shape, len(STATES), 1))
    return np.asarray(np.linalg.solve(np.eye(len(STATES)) - moves, ones)[..., 0, 0])


@lru_cache
def widening(checks: int, run_length: float) -> float:
    """Return the factor on the standard deviation of a baseline of so many checks.

    With it the rate of false rejects, averaged over what mean and standard deviation the baseline can have, is 1/`run_length`.
    """
    z, z_weight = np.polynomial.hermite_e.hermegauss(20)
    half = (checks - 1) / 2.0
    chi_squared_half, s_weight = special.roots_genlaguerre(60, half - 1.0)
    shift, scale = np.meshgrid(z / np.sqrt(checks), np.sqrt(chi_squared_half / half), indexing="ij")
    weight = np.outer(z_weight / z_weight.sum(), s_weight / s_weight.sum())

    def excess(factor: float) -> float:
        return float(np.log((weight / _run_length(shift, factor * scale)).sum() * run_length))

    return float(optimize.brentq(excess, 1.0, 3.0, xtol=1e-13))
