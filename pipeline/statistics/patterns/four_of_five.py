"""four-of-five: four of five successive points outside the inner third, same side."""

from __future__ import annotations

from pipeline.statistics.patterns.pattern import WESTERN_ELECTRIC_1956, Pattern, some_of

__all__ = ["PATTERN"]

PATTERN = Pattern(
    id="four-of-five",
    title="four of five points beyond the same 1 standard deviation",
    source=WESTERN_ELECTRIC_1956,
    points=None,
    order=5,
    flag=lambda z, _: some_of(z, 4, 5, 1.0),
)
