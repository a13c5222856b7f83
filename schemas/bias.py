"""The line of a meter's bias over its blocks, and what it says at the level of a lot. Typed, frozen, not rounded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

__all__ = ["BiasAtLevel", "BiasLine", "BiasPoint", "BothAxes", "InverseValue", "RunOnLine"]


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


@dataclass(frozen=True, slots=True, kw_only=True)
class BothAxes:
    """The same line with the certificates' errors along the value (ISO/TS 28037, clause 7), at the same centre; or the reason why not."""

    bias: float | None = None
    slope: float | None = None
    bias_standard_uncertainty: float | None = None
    slope_standard_uncertainty: float | None = None
    chi_squared: float | None = None
    reason: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class InverseValue:
    """What one check mean of `reading` stands for, with its 95 % interval; or the reason why not."""

    reading: float
    value: float | None = None
    interval: tuple[float, float] | None = None
    reason: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOnLine:
    """The latest run of checks against the line of those before it, all blocks as one statement; or the reason why not.

    `deviations` are (block, deviation) of each check of the run, `limit` what none of them may exceed.
    """

    at: datetime | None = None
    deviations: tuple[tuple[str, float], ...] = ()
    largest: float | None = None
    limit: float | None = None
    in_control: bool | None = None
    degrees_of_freedom: int | None = None
    reason: str | None = None


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
    both_axes: BothAxes | None = None
    inverse: tuple[InverseValue, ...] = ()
    control: RunOnLine | None = None


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
