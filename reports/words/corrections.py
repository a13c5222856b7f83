"""Texts on corrections for the geometry of the metal, in English. Braces name what is put in; it is escaped where it enters the page."""

from __future__ import annotations

__all__ = ["COLUMN", "FRAGMENT", "KIND", "SECTION", "TABLE"]

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

TABLE = {"corrections": "Corrections from reference/corrections.csv and what they did to the readings they fit."}
