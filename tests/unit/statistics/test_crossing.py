"""Where a function crosses zero: the same to the last bit as a library says that takes long to import."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy import optimize, special

from pipeline.crossing import crossing

if TYPE_CHECKING:
    from collections.abc import Callable


def drawn(seed: int) -> tuple[Callable[[float], float], float, float]:
    """Return a function that changes its sign between two ends."""
    rng = np.random.default_rng(seed)
    root, scale, low, high = rng.uniform(-3, 3), rng.lognormal(), -3.0 - rng.exponential(4), 3.0 + rng.exponential(4)
    kinds: list[Callable[[float], float]] = [
        lambda x: scale * (x - root),
        lambda x: scale * (x - root) ** 3,
        lambda x: math.atan(50 * scale * (x - root)),
        lambda x: math.copysign(scale, x - root),
        lambda x: float(special.ndtr(scale * x) - special.ndtr(scale * root)),
        lambda x: math.expm1(min(scale * (x - root), 700.0)),
        lambda x: (x - root) * (1.0 + (x - root) ** 2) * 1e-200,
        lambda x: math.sin(x - root) if abs(x - root) < math.pi else x - root,
    ]
    return kinds[seed % len(kinds)], low, high


def said(solve: Callable[[], float]) -> float | None:
    """Return what is found; None where it takes more than 100 steps, as for some that are flat where they cross."""
    try:
        return solve()
    except (ValueError, RuntimeError) as problem:
        if "100" in str(problem):
            return None
        raise


@pytest.mark.parametrize("within", [2e-12, 1e-9, 1e-300, 1.0])
def test_it_is_the_same_to_the_last_bit(within: float) -> None:
    for seed in range(400):
        function, low, high = drawn(seed)
        for ends in ((low, high), (high, low)):
            found = said(partial(crossing, function, *ends, within=within))
            assert found == said(partial(optimize.brentq, function, *ends, xtol=within))


def test_an_end_that_is_a_zero_is_returned() -> None:
    assert crossing(lambda x: x - 1.0, 1.0, 2.0) == 1.0
    assert crossing(lambda x: x - 2.0, 1.0, 2.0) == 2.0


def test_what_cannot_be_found_is_told() -> None:
    with pytest.raises(ValueError, match="one sign at both ends"):
        crossing(lambda x: x + 1e-300, 0.0, 1.0)
    assert crossing(lambda x: x, -1e-300, 1.0) == pytest.approx(0.0, abs=2e-12)
    with pytest.raises(ValueError, match="no number at"):
        crossing(lambda x: math.nan if abs(x) < 0.5 else x, -1.0, 1.0)
    with pytest.raises(ValueError, match="after 100 steps"):
        crossing(lambda x: math.copysign(1.0, x - 1e-300), -1e300, 1e290, within=5e-324)
