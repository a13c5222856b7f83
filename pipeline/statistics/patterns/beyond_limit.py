"""beyond-limit: a single point outside the limits of control."""

from __future__ import annotations

from pipeline.statistics.patterns.pattern import ISO_7870_2, Pattern, some_of

__all__ = ["PATTERN"]

PATTERN = Pattern(
    id="beyond-limit",
    title="one point beyond 3 standard deviations",
    source=ISO_7870_2,
    points=None,
    order=1,
    flag=lambda z, _: some_of(z, 1, 1, 3.0),
)
