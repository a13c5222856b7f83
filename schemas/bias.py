"""The line of a meter's bias over its blocks, and what it says at the level of a lot. Typed, frozen, not rounded."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["BiasAtLevel", "BiasLine", "BiasPoint"]


@dataclass(frozen=True, slots=True)
class BiasPoint:
    """The meter's level on one block: its bias as the checks since the last setting let it be followed.

    `standard_uncertainty` combines what the scatter of the checks (pooled over the blocks) leaves open of the level, and the
    certificate.
    """

    block: str
    certified_value: float
    bias: float
    checks: int
    scatter_standard_uncertainty: float
    certificate_standard_uncertainty: float | None
    certificate_chain: str | None
    standard_uncertainty: float


@dataclass(frozen=True, slots=True)
class BiasLine:
    """Bias against conductivity of one meter, probe and frequency: bias + slope·(x - centre), in `unit`.

    `covariance` is that of bias and slope, `slope_interval` two-sided 95 % by Student's t. Where `chi_squared` is above
    `chi_squared_limit` (the 95 % point of its distribution) the covariance was `enlarged`. `scatter_covariance` is what the
    scatter of the checks makes of it, with its degrees of freedom. `correlation` is the stated one between certificates of
    one chain. Figures are None where `reason` says why there is no line.
    """

    probe: str | None
    frequency_khz: float | None
    unit: str
    points: tuple[BiasPoint, ...]
    correlation: float
    centre: float | None = None
    bias: float | None = None
    slope: float | None = None
    slope_interval: tuple[float, float] | None = None
    covariance: tuple[tuple[float, float], tuple[float, float]] | None = None
    chi_squared: float | None = None
    degrees_of_freedom: int | None = None
    chi_squared_limit: float | None = None
    scatter_covariance: tuple[tuple[float, float], tuple[float, float]] | None = None
    scatter_degrees_of_freedom: float | None = None
    enlarged: float | None = None
    lowest: float | None = None
    highest: float | None = None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class BiasAtLevel:
    """What the line of a meter says at the level of a lot, from the checks before the lot's closing run.

    `beyond` is 0 between the blocks, above 0 above the highest and below 0 below the lowest of them; `applied` says
    whether the bias was taken off the lot's values. `known_bias` is the meter's level on `block`, the nearest one checked
    since the setting: what the budget counts where the line's bias is not taken off. Its uncertainty is None while fewer than
    six checks tell no scatter.
    """

    meter: str
    probe: str | None
    frequency_khz: float | None
    unit: str
    level: float
    blocks: int
    bias: float | None
    standard_uncertainty: float | None
    degrees_of_freedom: float | None  # None for infinite
    beyond: float | None
    applied: bool
    block: str | None
    known_bias: float | None
    known_bias_standard_uncertainty: float | None
    known_bias_degrees_of_freedom: float | None
    reason: str | None = None
