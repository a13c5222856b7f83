"""up-and-down: a sawtooth, as two alternating sources make."""

from __future__ import annotations

from pipeline.statistics.patterns.pattern import NELSON_1984, Pattern, alternating

__all__ = ["PATTERN"]

PATTERN = Pattern(
    id="up-and-down",
    title="{n} points in a row going up and down in turn",
    source=NELSON_1984,
    points=14,
    order=6,
    flag=alternating,
    least=4,
)
