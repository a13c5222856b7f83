"""same-side: a run on one side of the centre line; 7, 8 or 9 points by edition and author."""

from __future__ import annotations

from pipeline.statistics.patterns.pattern import ISO_7870_2, Pattern, some_of

__all__ = ["PATTERN"]

PATTERN = Pattern(
    id="same-side",
    title="{n} points in a row on one side of the centre",
    source=ISO_7870_2,
    points=7,
    order=2,
    flag=lambda z, n: some_of(z, n, n, 0.0),
    least=2,
)
