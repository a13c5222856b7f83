"""Texts about the handbook: titles of its method pages, and what links say. The pages themselves are Markdown in `reports/handbook`."""

from __future__ import annotations

FRAGMENT = {"how": "How it is computed:", "book": "Handbook", "of": "of version {version} of the program"}

METHOD = {
    "verdict": "Verdict and support of a lot",
    "conformity": "Conformity, guard bands and risks",
    "uncertainty": "Uncertainty budget",
    "known-bias": "Level of a meter and known bias",
    "bias-line": "Line of bias against conductivity",
    "lot-statistics": "Mean, scatter and repeatability of a lot",
    "capability": "Capability: Cp, Cpk, Pp, Ppk",
    "intervals": "Interval of the mean, tolerance interval, Cpm",
    "stability": "Stability of a lot in the order of measuring",
    "distribution": "Normality, quantiles and the part outside the limits",
    "components": "Components of variance",
    "outliers": "Outlying values",
    "plan-by-variables": "Plan by variables",
    "material": "Which material, and one group or two",
    "hardness": "Hardness beside conductivity, and heat treatment",
    "temperature": "Value at the reference temperature",
    "units": "Units and their conversion",
    "sensors": "Checks of temperature sensors",
    "corrections": "Corrections for geometry",
    "thickness-and-shape": "Thickness, coating, curvature and size of the metal",
    "checks": "Checks on blocks, runs of checks and state of a meter",
    "control-limits": "Limits of control and the multi-rule scheme",
    "precision": "Scatter within a check and its action limit",
    "drift-charts": "EWMA and CUSUM of checks",
    "drift-forecast": "Drift, and the day a meter leaves its tolerance",
    "look-back": "Look-back: what an event touched, and in which order to look",
    "agreement": "Agreement of meters",
    "block-or-meter": "Whether a block moved or a meter",
    "process-charts": "Charts of a process",
    "level-changes": "Where a level changed",
    "supplier": "Lots of a supplier together, and the mill's certificates",
    "gauge-study": "Gauge study",
}
"""Title of each method page by its name."""
