"""Evidence beside the readings: hardness results tied to parts, readings a person left out. Typed, frozen, not rounded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

__all__ = ["EveryReading", "Exclusion", "HardnessResult"]


@dataclass(frozen=True, slots=True)
class HardnessResult:
    """A hardness result beside the conductivity of the same part.

    `part` is None for a result of the lot as a whole. `read` says whether the part was read for conductivity, None where
    the export names no parts; `conductivity` is the part's mean in the unit of the lot (the lot's mean for a result of
    the lot). `within` is in or out, None where no limit is stated.
    """

    part: str | None
    value: float
    scale: str | None
    lower: float | None
    upper: float | None
    within: str | None
    read: bool | None
    conductivity: float | None


@dataclass(frozen=True, slots=True)
class Exclusion:
    """A reading that a person left out, with the reason; `value_at_reference` is in the unit of the lot."""

    file: str | None
    line: int
    replicate: int
    measured_at: datetime
    part: str | None
    spot: str | None
    value: float | None
    unit: str
    value_at_reference: float | None
    by: str
    why: str
    at: datetime


@dataclass(frozen=True, slots=True)
class EveryReading:
    """What would be said of a lot if no reading were left out; None where it cannot be said.

    Support is that of the readings that count.
    """

    readings: int
    parts: int
    mean: float | None
    standard_deviation: float | None
    minimum: float | None
    maximum: float | None
    expanded_uncertainty: float | None
    limits_met: str | None
    verdict: str
    reasons: tuple[str, ...]
