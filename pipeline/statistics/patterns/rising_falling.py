"""rising-falling: a trend of so many points (one step less); 6 or 7 points by edition and author."""

from __future__ import annotations

from pipeline.statistics.patterns.pattern import ISO_7870_2, Pattern, trend

__all__ = ["PATTERN"]

PATTERN = Pattern(
    id="rising-falling",
    title="{n} points in a row, all rising or all falling",
    source=ISO_7870_2,
    points=7,
    order=3,
    flag=trend,
    least=3,
)
