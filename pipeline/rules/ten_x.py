"""10-x: ten consecutive checks of a block on one side of the centre reject; one exactly on it breaks the row."""

from __future__ import annotations

from pipeline.rules.rule import along

__all__ = ["RULE"]

RULE = along("10-x", "ten consecutive checks of a block on one side of the centre", least=10, limit=0.0)
