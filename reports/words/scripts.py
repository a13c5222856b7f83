"""What the scripts of pages say, in English. They fill the braces themselves."""

from __future__ import annotations

__all__ = ["FILTER", "LAYER"]

LAYER = {
    "previous": "Mark before", "next": "Mark after", "enlarge": "Enlarge", "reduce": "Reduce", "whole": "Whole chart",
    "hint": "Point at a mark for its values, or go from mark to mark with the arrow keys. Drag across marks to select them: the "
    "same ones light up in the other charts.",
    "value": "{name}: {value}", "selected": "{n} of {total} marks selected", "range": "{name}: {low} to {high}",
}  # fmt: skip
"""What the script of charts says; it fills the braces."""
FILTER = {
    "title": "Find lots", "text": "Find", "verdict": "Verdict", "material": "Material", "supplier": "Supplier", "meter": "Meter",
    "all": "all", "clear": "Show all", "count": "{n} of {total} lots are shown",
}  # fmt: skip
"""What the script of the index says."""
