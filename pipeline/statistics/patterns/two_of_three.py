"""two-of-three: two of three successive points in the outer third, same side."""

from __future__ import annotations

from pipeline.statistics.patterns.pattern import WESTERN_ELECTRIC_1956, Pattern, some_of

__all__ = ["PATTERN"]

PATTERN = Pattern(
    id="two-of-three",
    title="two of three points beyond the same 2 standard deviations",
    source=WESTERN_ELECTRIC_1956,
    points=None,
    order=4,
    flag=lambda z, _: some_of(z, 2, 3, 2.0),
)
