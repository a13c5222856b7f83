"""1-3s: one check beyond three standard deviations rejects."""

from __future__ import annotations

from pipeline.rules.rule import along

__all__ = ["RULE"]

RULE = along("1-3s", "one check beyond 3 standard deviations", least=1, limit=3.0)
