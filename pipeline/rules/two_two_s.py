"""2-2s: two consecutive checks of a block beyond the same limit of two standard deviations reject."""

from __future__ import annotations

from pipeline.rules.rule import along

__all__ = ["RULE"]

RULE = along("2-2s", "two consecutive checks of a block beyond the same 2 standard deviations", least=2, limit=2.0)
