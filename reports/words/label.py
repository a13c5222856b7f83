"""Texts of labels: few, for 62 mm by 29 mm."""

from __future__ import annotations

__all__ = ["DATED", "LABEL"]

LABEL = {
    "lot": "Lot",
    "block": "Reference block",
    "due": "due {day}",
    "no_due": "due: not stated",
    "title": "{kind} {name}: {state}",
}
DATED = {
    "lot": "read {day}",
    "block": "certified {day}",
    "lot_none": "not dated",
    "block_none": "no certificate date",
}
