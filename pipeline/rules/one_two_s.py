"""1-2s: one check beyond two standard deviations warns."""

from __future__ import annotations

from pipeline.rules.rule import along

__all__ = ["RULE"]

RULE = along("1-2s", "one check beyond 2 standard deviations", least=1, limit=2.0, reject=False)
