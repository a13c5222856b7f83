"""4-1s: four consecutive checks of a block beyond the same limit of one standard deviation reject."""

from __future__ import annotations

from pipeline.rules.rule import along

__all__ = ["RULE"]

RULE = along("4-1s", "four consecutive checks of a block beyond the same 1 standard deviation", least=4, limit=1.0)
