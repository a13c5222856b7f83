"""Texts on corrections for the geometry of the metal, in English. Braces name what is put in; it is escaped where it enters the page."""

from __future__ import annotations

__all__ = ["COLUMN", "FRAGMENT", "KIND", "SECTION", "STEP", "TABLE"]

SECTION = {"corrections": "Corrections for geometry"}

KIND = {
    "thickness": "thickness of the metal",
    "curvature": "radius of curvature",
    "stacked": "pieces stacked",
    "coating": "thickness of the coating",
}

COLUMN = {
    "correction": "Name", "kind": "For", "range": "Where it holds", "before": "Mean before", "value": "Correction",
    "u": "Expanded uncertainty", "after": "Mean after", "source": "Determined by", "by": "Corrected by",
}  # fmt: skip

FRAGMENT = {
    "between": "from {low} to below {high} {unit}",
    "from": "from {low} {unit} on",
    "below": "below {high} {unit}",
    "any": "any",
    "k": "±{u} {unit} (k = {k})",
    "unknown": "not stated",
    "order": "Temperature first, then geometry: each correction is added to the value at {reference} °C as a difference of "
    "conductivity, once, and its uncertainty stands undivided in the budget. Means are of the readings that a row fits, "
    "before any correction and after all of them.",
}

STEP = {
    "sensor_in_doubt": "Look at the flag on the temperature sensor before the lot leaves: it failed its check, and the flag says by "
    "how much that moves the values. Measure again with a good sensor where they come near a limit.",
    "too_thin": "The metal is too thin for this frequency (see the flags): measure at the frequency named there, on a stack, or with "
    "the site's correction. Until then the values contain what lies behind the metal.",
    "correction_not_applied": "A correction for geometry could not be applied (see the flags): put the table right and load again.",
}
"""What to do about a flag, by its code, in the order in which it is said."""

TABLE = {"corrections": "Corrections from reference/corrections.csv and what they did to the readings they fit."}
