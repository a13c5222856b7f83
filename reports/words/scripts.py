"""What the scripts of pages say, in English. They fill the braces themselves."""

from __future__ import annotations

__all__ = ["FILTER", "LAYER"]

LAYER = {
    "previous": "Mark to the left", "next": "Mark to the right", "of": "{word}, {chart}", "enlarge": "Enlarge", "reduce": "Reduce", "whole": "Whole chart",
    "hint": "Point at a mark or tap it for its values; arrow keys go from mark to mark, n to the next signal; drag across marks to select them in every chart.",
    "value": "{name}: {value}", "selected": "{n} of {total} marks selected", "range": "{name}: {low} to {high}",
}  # fmt: skip
"""What the script of charts says; it fills the braces."""
FILTER = {
    "title": "Find lots", "text": "Find", "verdict": "Verdict", "material": "Material", "supplier": "Supplier", "meter": "Meter",
    "all": "all", "clear": "Show all", "count": "{n} of {total} lots are shown",
}  # fmt: skip
"""What the script of the index says."""
