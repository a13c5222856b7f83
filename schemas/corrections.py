"""What was added to readings for the geometry of the metal, as a lot's page and `--json` show it."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["AppliedCorrection"]


@dataclass(frozen=True, slots=True)
class AppliedCorrection:
    """One correction on the readings of a lot that it fits.

    `value` and `expanded_uncertainty` are in `unit`, as the table states them. `mean_before` is the mean of these readings
    at the reference temperature before any correction, `mean_after` with all of them, both in the working unit.
    """

    correction: str
    kind: str  # thickness | curvature | stacked | coating
    low: float | None  # range of the quantity in `quantity_unit`; None for no end
    high: float | None
    quantity_unit: str
    readings: int
    value: float
    unit: str
    expanded_uncertainty: float | None
    coverage_factor: float | None
    source: str | None
    mean_before: float
    mean_after: float
