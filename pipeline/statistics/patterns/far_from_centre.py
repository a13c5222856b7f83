"""far-from-centre: points avoid the centre, as two levels in turn make."""

from __future__ import annotations

import numpy as np

from pipeline.statistics.patterns.pattern import NELSON_1984, Pattern, all_of

__all__ = ["PATTERN"]

PATTERN = Pattern(
    id="far-from-centre",
    title="{n} points in a row beyond 1 standard deviation on either side",
    source=NELSON_1984,
    points=8,
    order=8,
    flag=lambda z, n: all_of(np.abs(z) > 1.0, n),
    least=2,
)
