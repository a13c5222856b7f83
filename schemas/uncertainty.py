"""Uncertainty budgets and what is said of conformity: typed, frozen, numbers not rounded."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Budget", "Conformity", "Contribution"]


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of an uncertainty budget.

    `standard_uncertainty` is in the unit of the budget and already multiplied by its sensitivity;
    `degrees_of_freedom` is None for infinite; `averages` says whether it was divided by the root of the count.
    """

    name: str
    standard_uncertainty: float
    degrees_of_freedom: float | None
    averages: bool
    source: str


@dataclass(frozen=True, slots=True)
class Budget:
    """An uncertainty budget: its lines and what they come to; None where `reason` says why.

    `of` is reading, spot, part, lot_mean or k_method; `level` the value it was made for and `readings` how many readings
    stand behind it. `uncorrected_bias` is the known bias whose amount is in `expanded_uncertainty` (GUM F.2.4.5).
    `notes` name what was left out because nobody stated it.
    """

    of: str
    unit: str
    level: float
    readings: int
    contributions: tuple[Contribution, ...]
    standard_uncertainty: float | None
    degrees_of_freedom: float | None  # None for infinite
    coverage_factor: float | None
    expanded_uncertainty: float | None
    uncorrected_bias: float = 0.0
    reason: str | None = None
    notes: tuple[str, ...] = ()
    block: str | None = None  # of a meter's budget: on which block
    probe: str | None = None
    frequency_khz: float | None = None


@dataclass(frozen=True, slots=True)
class Conformity:
    """What was compared with the limits, and how sure the outcome is; all values in the unit of the limits.

    `lowest` and `highest` are the outermost compared values. The uncertainty is that of one compared value, as guarded
    acceptance uses it; `expanded_uncertainty` holds the amount of `known_bias`. `guard_band` is None for simple
    acceptance; `guard_band_from` is expanded_uncertainty or conformance_probability, `required_probability` the
    probability asked for. `acceptance_lower` and `acceptance_upper` are the limits moved inwards by the guard band (the
    limits themselves for simple acceptance). `conformance_probability` is that of the outermost value that conforms least
    surely, with the known bias taken off; `false_acceptance_risk` is given where the limits are met,
    `false_rejection_risk` where they are not. `reason` says why a figure is missing.
    """

    compared: str  # spot | part | lot_mean | k_method
    unit: str
    lowest: float | None
    highest: float | None
    standard_uncertainty: float | None
    degrees_of_freedom: float | None
    coverage_factor: float | None
    expanded_uncertainty: float | None
    known_bias: float
    guard_band: float | None
    guard_band_from: str | None
    required_probability: float | None
    acceptance_lower: float | None
    acceptance_upper: float | None
    conformance_probability: float | None
    false_acceptance_risk: float | None
    false_rejection_risk: float | None
    reason: str | None = None
