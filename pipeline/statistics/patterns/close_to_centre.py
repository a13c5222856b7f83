"""close-to-centre: too little scatter, as mixed streams or wrong limits make."""

from __future__ import annotations

import numpy as np

from pipeline.statistics.patterns.pattern import NELSON_1984, Pattern, all_of

__all__ = ["PATTERN"]

PATTERN = Pattern(
    id="close-to-centre",
    title="{n} points in a row within 1 standard deviation",
    source=NELSON_1984,
    points=15,
    order=7,
    flag=lambda z, n: all_of(np.abs(z) < 1.0, n),
    least=2,
)
