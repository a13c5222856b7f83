"""Level, variation and performance of many lots together, with the variation between lots counted.

Parts of one lot are more alike than parts of different lots, so treating all parts as independent makes intervals too
narrow. With k lots, n parts each (the harmonic mean where they differ), S_m² the variance of lot means and MS_w the pooled
variance within lots: σ² between = S_m² − MS_w/n (not below zero), σ² total = σ² between + MS_w. Its degrees of freedom are
Satterthwaite's, those of S_m² + (1 − 1/n)·MS_w. The mean of lot means has the variance S_m²/k (one-way random effects; Searle,
Casella and McCulloch, Variance Components, 1992, chapter 3; from memory).

Ppk = min(U − m, m − L)/(3·σ total). Its interval is put together from that of the mean (Student's t, k − 1) and that of σ²
total (modified large sample, see `mean_squares`), the squares of the distances of each side added (MOVER: Zou and Donner, Stat.
Med. 27, 1693, 2008; from memory). Coverage is measured in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import scipy

from pipeline.statistics.mean_squares import modified_large_sample_interval, satterthwaite

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

__all__ = ["LotsTogether", "lots_together"]

_EQUAL = 1e-12


@dataclass(frozen=True, slots=True)
class LotsTogether:
    """What lots say together, in the unit of the means; None where it cannot be said, with the reason by name.

    `between_standard_deviation` is that of the true levels of lots, its interval that of the modified large sample method;
    `total_standard_deviation` that of a part of any lot; `degrees_of_freedom` are those of the latter.
    """

    lots: int
    parts: int
    mean: float | None
    mean_interval: tuple[float, float] | None
    between_standard_deviation: float | None
    between_interval: tuple[float, float] | None
    within_standard_deviation: float | None
    total_standard_deviation: float | None
    degrees_of_freedom: float | None
    ppk: float | None
    ppk_interval: tuple[float, float] | None
    not_computable: dict[str, str]


def lots_together(
    means: ArrayLike,
    variances: ArrayLike,
    counts: ArrayLike,
    *,
    lower: float | None = None,
    upper: float | None = None,
    confidence: float = 0.95,
) -> LotsTogether:
    """Summarise lots of one kind.

    Parameters
    ----------
    means
        Mean of the part means of each lot; one-dimensional, finite, at least one.
    variances
        Sample variance of the part means of each lot; ignored where a lot has one part.
    counts
        Parts of each lot, at least one.
    lower, upper
        Limits in the unit of the means; None where there is none.
    confidence
        Of the two-sided intervals.

    Raises
    ------
    ValueError
        If the lengths differ, there is no lot, or a number makes no sense.
    """
    m, n = np.asarray(means, dtype=np.float64), np.asarray(counts, dtype=np.float64)
    v = np.asarray(variances, dtype=np.float64)
    if not (m.shape == v.shape == n.shape) or m.ndim != 1 or m.size == 0:
        raise ValueError("lots need as many variances and counts as means, at least one")
    several = n > 1
    if not np.isfinite(m).all() or (n < 1).any() or not np.isfinite(v[several]).all():
        raise ValueError("lots need finite means and variances and at least one part each")
    k, freedom = m.size, float((n[several] - 1).sum())
    within = float(((n[several] - 1) * v[several]).sum() / freedom) if freedom else None
    mean = float(m.mean())
    missing: dict[str, str] = {}
    if within is None:
        reason = "every lot has one part, so variation between lots cannot be told from that within"
        missing = dict.fromkeys(("within_standard_deviation", "between_standard_deviation"), reason)
    if k < 2:
        reason = "one lot shows no variation between lots"
        missing |= dict.fromkeys(
            ("mean_interval", "between_standard_deviation", "total_standard_deviation", "ppk"), reason
        )
        deviation = None if within is None else sqrt(within)
        return LotsTogether(k, int(n.sum()), mean, None, None, None, deviation, None, None, None, None, missing)
    of_means = float(m.var(ddof=1))
    size = float(n.size / (1.0 / n).sum())
    inner = 0.0 if within is None else within
    between = max(of_means - inner / size, 0.0)
    total = between + inner
    half = float(scipy.special.stdtrit(k - 1, 0.5 + confidence / 2.0)) * sqrt(of_means / k)
    result: dict[str, Any] = {
        "lots": k,
        "parts": int(n.sum()),
        "mean": mean,
        "mean_interval": (mean - half, mean + half),
        "between_standard_deviation": None if within is None else sqrt(between),
        "within_standard_deviation": None if within is None else sqrt(within),
        "total_standard_deviation": sqrt(total),
    }
    low = high = 0.0
    terms = [(1.0, of_means, float(k - 1))]
    if within is not None and within > 0:
        terms.append((1.0 - 1.0 / size, within, freedom))
        low, high = modified_large_sample_interval(
            [1.0, -1.0 / size], [of_means, within], [float(k - 1), freedom], confidence
        )
    elif within is not None:
        low, high = modified_large_sample_interval([1.0], [of_means], [float(k - 1)], confidence)
    result["between_interval"] = None if within is None else (sqrt(max(low, 0.0)), sqrt(max(high, 0.0)))
    scale = max([abs(mean), *(abs(limit) for limit in (lower, upper) if limit is not None)])
    if sqrt(total) <= _EQUAL * scale:
        missing["ppk"] = "all part means are equal"
        return LotsTogether(**result, degrees_of_freedom=None, ppk=None, ppk_interval=None, not_computable=missing)
    c, s, f = (list(column) for column in zip(*terms, strict=True))
    freedoms = satterthwaite(c, s, f)
    sides = [
        side
        for side in (None if upper is None else upper - mean, None if lower is None else mean - lower)
        if side is not None
    ]
    ppk, interval = None, None
    if not sides:
        missing["ppk"] = "there are no limits"
    else:
        ppk = min(sides) / (3.0 * sqrt(total))
        interval = _interval(ppk, min(sides), half, modified_large_sample_interval(c, s, f, confidence), total)
    return LotsTogether(**result, degrees_of_freedom=freedoms, ppk=ppk, ppk_interval=interval, not_computable=missing)


def _interval(
    index: float, side: float, half: float, variance: tuple[float, float], total: float
) -> tuple[float, float] | None:
    """Return the interval of side/(3·σ) from the half width of the mean and the interval of σ², recovered side by side."""
    low, high = variance
    if low <= 0:
        return None
    of_mean = half / (3.0 * sqrt(total))
    # a large σ makes a small index, and the other way round; a negative index moves away from zero with a small σ
    smaller, larger = side / (3.0 * sqrt(high)), side / (3.0 * sqrt(low))
    smaller, larger = min(smaller, larger), max(smaller, larger)
    return (
        index - sqrt(of_mean**2 + (index - smaller) ** 2),
        index + sqrt(of_mean**2 + (larger - index) ** 2),
    )
