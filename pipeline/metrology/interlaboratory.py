"""Comparison of meters or laboratories: Cochran's C, Mandel's h and k, robust mean and z scores (ISO 5725-2, ISO 13528)."""

from __future__ import annotations

from math import sqrt
from typing import TYPE_CHECKING

import numpy as np
import scipy

from schemas.comparison import ComparedMeter, MeterComparison

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from pipeline.metrology.agreement import MeterMean

__all__ = ["FEWEST", "cochran_limit", "compared", "h_limit", "k_limit", "robust_mean"]

FEWEST = 3
"""Meters below which none of them can be told from the others."""

_LEVEL = 0.01
_EQUAL = 1e-12


def _f_upper(first: float, second: float, level: float) -> float:
    return float(scipy.special.fdtri(first, second, 1.0 - level))


def h_limit(laboratories: int, *, level: float = _LEVEL) -> float:
    """Return what |h| of one laboratory passes with this chance, (p − 1)·t/√(p·(t² + p − 2)), t two-sided on p − 2 (ISO 5725-2)."""
    if laboratories < FEWEST:
        raise ValueError(f"a comparison needs at least {FEWEST} laboratories")
    t = float(scipy.special.stdtrit(laboratories - 2, 1.0 - level / 2.0))
    return (laboratories - 1) * t / sqrt(laboratories * (t * t + laboratories - 2))


def k_limit(own: float, total: float, *, level: float = _LEVEL) -> float:
    """Return what k = s/s(pooled) of one laboratory passes with this chance.

    √(ν·F/(νᵢ·F + ν − νᵢ)), F upper on νᵢ and ν − νᵢ; for equal numbers √(p/(1 + (p − 1)/F)), which ISO 5725-2 tabulates (from memory).

    Parameters
    ----------
    own, total
        Degrees of freedom of the laboratory, and of all together.
    level
        Chance of a false alarm, one laboratory.
    """
    f = _f_upper(own, total - own, level)
    return sqrt(total * f / (own * f + total - own))


def cochran_limit(own: float, total: float, laboratories: int, *, level: float = _LEVEL) -> float:
    """Return the critical value of νᵢ·sᵢ²/Σν·s², the largest of all laboratories.

    1/(1 + (ν/νᵢ − 1)/F), F upper at level/p on νᵢ and ν − νᵢ: Cochran's C for equal numbers (ISO 5725-2), and for unequal ones
    't Lam, Analytica Chimica Acta 659, 68, 2010 (from memory).

    Parameters
    ----------
    own, total
        Degrees of freedom of the laboratory, and of all together.
    laboratories
        How many have a variance.
    level
        Chance of a false alarm, all laboratories.
    """
    return 1.0 / (1.0 + (total / own - 1.0) / _f_upper(own, total - own, level / laboratories))


def robust_mean(values: ArrayLike) -> tuple[float, float]:
    """Return robust mean and standard deviation (Algorithm A, ISO 13528 annex C).

    From the median and 1.483 times the median deviation on: values beyond 1.5·s* are drawn in to it, x* is their mean and s* 1.134
    times their standard deviation, until both settle. s* is zero where more than half of the values are equal.

    Parameters
    ----------
    values
        One-dimensional, at least one.
    """
    x = np.asarray(values, dtype=float)
    middle = float(np.median(x))
    spread = 1.483 * float(np.median(np.abs(x - middle)))
    for _ in range(1000):
        drawn = np.clip(x, middle - 1.5 * spread, middle + 1.5 * spread)
        new = float(drawn.mean())
        new_spread = 1.134 * float(drawn.std(ddof=1)) if x.size > 1 else 0.0
        settled = np.allclose((new, new_spread), (middle, spread), rtol=1e-12, atol=1e-12 * spread)
        middle, spread = new, new_spread
        if settled:
            break
    return middle, spread


def compared(block: str, means: Sequence[MeterMean]) -> MeterComparison | None:
    """Hold the meters of one block against one another.

    Parameters
    ----------
    block
        Its name.
    means
        Of each meter: mean, standard deviation and number of its checks.

    Returns
    -------
    MeterComparison or None
        None for fewer than two meters.
    """
    if len(means) < 2:
        return None
    missing: dict[str, str] = {}
    x = np.asarray([one.mean for one in means])
    noise = _EQUAL * float(np.abs(x).max())
    middle: float | None = None
    spread: float | None = None
    of_means: float | None = None
    if len(means) < FEWEST:
        few = f"{len(means)} meters; at least {FEWEST} are needed"
        missing |= dict.fromkeys(("robust_mean", "z", "h"), few)
    else:
        middle, spread = robust_mean(x)
        of_means = float(x.std(ddof=1))
        if spread <= noise:
            missing["z"] = "most of the means are equal, so there is no spread to measure by"
        if of_means <= noise:
            missing["h"] = "the means are equal"
    several = [one for one in means if one.n > 1 and one.standard_deviation is not None]
    total = float(sum(one.n - 1 for one in several))
    squares = sum((one.n - 1) * (one.standard_deviation or 0.0) ** 2 for one in several)
    if len(several) < 2:
        missing |= dict.fromkeys(("k", "cochran"), "fewer than 2 meters have two checks")
    elif squares <= total * noise**2:
        missing |= dict.fromkeys(("k", "cochran"), "the checks do not scatter")
    found = []
    for one in means:
        own = float(one.n - 1)
        varies = one in several and "k" not in missing
        s = one.standard_deviation or 0.0
        found.append(
            ComparedMeter(
                meter=one.meter, checks=one.n, mean=one.mean,
                percent_difference=100.0 * (one.mean - middle) / middle if middle else None,
                z=(one.mean - middle) / spread if middle is not None and spread and "z" not in missing else None,
                h=(one.mean - float(x.mean())) / of_means if of_means and "h" not in missing else None,
                k=s / sqrt(squares / total) if varies else None,
                k_limit=k_limit(own, total) if varies else None,
                cochran=own * s * s / squares if varies else None,
                cochran_limit=cochran_limit(own, total, len(several)) if varies else None,
            )
        )  # fmt: skip
    return MeterComparison(
        block=block, meters=tuple(found), robust_mean=middle, robust_standard_deviation=spread,
        h_limit=None if "h" in missing else h_limit(len(means)), not_computable=missing,
    )  # fmt: skip
