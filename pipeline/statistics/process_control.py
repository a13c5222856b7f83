"""Control of a process over time: subgroups of part means against frozen limits, with pattern rules and EWMA.

Limits of subgroup means come either from the variation between neighbouring subgroup means (individuals chart of the means:
centre ± 3·MR-bar/d2, so that real variation between lots is part of common causes) or from the variation within subgroups alone
(X-bar chart: centre ± 3·σ within/√n). Where lots differ by nature the second kind alarms at every lot; both are given side by side.
Spread within subgroups has its own chart (R or s). ISO 7870-2:2013 for the charts (from memory), NIST/SEMATECH e-Handbook 6.3.2.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import scipy

from pipeline.statistics import patterns
from pipeline.statistics.charts import ewma, individuals, summarised_subgroups
from pipeline.statistics.constants import (
    c4_of_degrees_of_freedom,
    degrees_of_freedom_of_relative_variance,
    moving_range_relative_variance,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from pipeline.statistics.patterns import Pattern

__all__ = ["SPREAD_RULE", "ChartRules", "ProcessLimits", "chance_beyond", "charted", "process_limits"]

SPREAD_RULE = "spread-beyond-limit"
"""Name of the one rule of the spread chart: a range or standard deviation beyond its limits."""


@dataclass(frozen=True, slots=True)
class ProcessLimits:
    """Frozen limits of a process, in the unit of its values.

    `sigma` is the standard deviation of subgroup means about the centre (moving range), `within_sigma` that of a part inside
    its subgroup; None where it cannot be had, with the reason.
    """

    subgroups: int
    centre: float | None
    sigma: float | None
    within_sigma: float | None
    reason: str | None = None
    within_reason: str | None = None


@dataclass(frozen=True, slots=True)
class ChartRules:
    """How a site charts: spread `range` or `standard_deviation`; limits `between` or `within`; patterns; EWMA."""

    spread: str
    limits: str
    patterns: tuple[tuple[Pattern, int], ...]
    ewma_weight: float
    ewma_width: float

    @property
    def kind(self) -> str:
        """Kind of the chart of subgroups."""
        return "xbar_range" if self.spread == "range" else "xbar_standard_deviation"


def process_limits(means: ArrayLike, sizes: ArrayLike, spreads: ArrayLike, *, spread: str) -> ProcessLimits:
    """Return the limits that subgroups of a baseline give.

    Parameters
    ----------
    means, sizes, spreads
        Mean, number of parts and spread of each subgroup in time order; the spread of a subgroup of one part is not used.
    spread
        ``range`` or ``standard_deviation``.

    Raises
    ------
    ValueError
        If a mean is not finite.
    """
    m, n, s = (np.asarray(item, dtype=np.float64) for item in (means, sizes, spreads))
    of_means = individuals(m)
    centre = float(m.mean()) if m.size else None
    several = n >= 2
    within, reason = None, None
    if not several.any():
        reason = "no subgroup has two parts"
    else:
        largest = float(np.abs(m).max())
        kind = "xbar_range" if spread == "range" else "xbar_standard_deviation"
        chart = summarised_subgroups(kind, n[several], m[several], s[several], largest=largest)
        within, reason = chart.sigma, chart.reason
    return ProcessLimits(m.size, centre, of_means.sigma, within, of_means.reason, reason)


def charted(
    means: ArrayLike,
    sizes: ArrayLike,
    spreads: ArrayLike,
    judged: Sequence[bool] | NDArray[np.bool_],
    limits: ProcessLimits,
    rules: ChartRules,
) -> pl.DataFrame:
    """Chart the subgroups of one phase against its limits.

    Parameters
    ----------
    means, sizes, spreads
        As for :func:`process_limits`.
    judged
        False for a subgroup that is shown and not judged: it hits no rule and breaks no pattern.
    limits
        Frozen limits of the phase.
    rules
        How the site charts.

    Returns
    -------
    polars.DataFrame
        One row a subgroup: centre, lower, upper (of the kind that judges), within_lower, within_upper, z, spread_centre,
        spread_lower, spread_upper, ewma, ewma_lower, ewma_upper, rules (ids that were hit, joined by a space, empty where
        none), ewma_beyond. Null where there is no limit.
    """
    m, n, s = (np.asarray(item, dtype=np.float64) for item in (means, sizes, spreads))
    kept = np.asarray(judged, dtype=bool)
    count = m.size
    columns: dict[str, NDArray[np.float64]] = {name: np.full(count, np.nan) for name in _COLUMNS}
    hit: list[list[str]] = [[] for _ in range(count)]
    beyond = np.zeros(count, dtype=bool)
    centre, sigma, within = limits.centre, limits.sigma, limits.within_sigma
    if centre is not None:
        columns["centre"][:] = centre
        if within is not None:
            half = 3.0 * within / np.sqrt(n)
            columns["within_lower"], columns["within_upper"] = centre - half, centre + half
        scale = _scale(n, sigma, within, rules)
        if scale is not None:
            columns["lower"], columns["upper"] = centre - 3.0 * scale, centre + 3.0 * scale
            z = (m - centre) / scale
            columns["z"] = z
            for place, ids in zip(np.flatnonzero(kept), _named(z[kept], rules), strict=True):
                hit[int(place)] = ids
            _smooth(z, kept, centre, scale, rules, columns, beyond)
    if within is not None:
        for beyond_at in _spread(n, s, kept, within, rules, columns):
            hit[beyond_at].append(SPREAD_RULE)
    return pl.DataFrame(columns, schema=dict.fromkeys(_COLUMNS, pl.Float64)).with_columns(
        pl.all().fill_nan(None), pl.Series("rules", [" ".join(ids) for ids in hit], dtype=pl.String),
        pl.Series("ewma_beyond", beyond),
    )  # fmt: skip


def chance_beyond(subgroups: int) -> float:
    """Return how often a point of a process in control lies beyond limits made from so many subgroup means.

    With x − m of variance 1 + 1/n and σ by the moving range, a scaled chi variable of the ν that matches its variance, the
    chance is that of |t(ν)| above 3/(c4(ν)·√(1 + 1/n)) (derived; within a tenth of simulation in the tests). Known limits
    give 0.0027.

    Parameters
    ----------
    subgroups
        At least two.

    Raises
    ------
    ValueError
        If there are fewer.
    """
    if subgroups < 2:
        raise ValueError("a moving range needs two subgroups")
    freedom = degrees_of_freedom_of_relative_variance(moving_range_relative_variance(subgroups))
    edge = 3.0 / (c4_of_degrees_of_freedom(freedom) * np.sqrt(1.0 + 1.0 / subgroups))
    return float(2.0 * scipy.special.stdtr(freedom, -edge))


_COLUMNS = (
    "centre", "lower", "upper", "within_lower", "within_upper", "z", "spread_centre", "spread_lower", "spread_upper",
    "ewma", "ewma_lower", "ewma_upper",
)  # fmt: skip


def _scale(
    n: NDArray[np.float64], sigma: float | None, within: float | None, rules: ChartRules
) -> NDArray[np.float64] | None:
    """Return the standard deviation of each subgroup mean, of the kind that judges."""
    if rules.limits == "within":
        return None if within is None else within / np.sqrt(n)
    return None if sigma is None else np.full(n.size, sigma)


def _named(z: NDArray[np.float64], rules: ChartRules) -> list[list[str]]:
    """Return the ids of the patterns that each judged point completes."""
    found = patterns.hits(z, rules.patterns)
    names = [rule.id for rule, _ in rules.patterns]
    result: list[list[str]] = [[] for _ in range(z.size)]
    for rule, place in zip(*np.nonzero(found), strict=True):
        result[int(place)].append(names[int(rule)])
    return result


def _smooth(
    z: NDArray[np.float64],
    kept: NDArray[np.bool_],
    centre: float,
    scale: NDArray[np.float64],
    rules: ChartRules,
    columns: dict[str, NDArray[np.float64]],
    beyond: NDArray[np.bool_],
) -> None:
    """Fill in the EWMA of the judged points: of z, shown in the unit of the values by a typical scale."""
    if not kept.any():
        return
    smooth = ewma(z[kept], target=0.0, sigma=1.0, weight=rules.ewma_weight, width=rules.ewma_width).points
    typical = float(np.median(scale[kept]))
    for name, column in (("ewma", "value"), ("ewma_lower", "lower"), ("ewma_upper", "upper")):
        columns[name][kept] = centre + typical * smooth[column].to_numpy()
    beyond[kept] = smooth["beyond"].to_numpy()


def _spread(
    n: NDArray[np.float64],
    s: NDArray[np.float64],
    kept: NDArray[np.bool_],
    within: float,
    rules: ChartRules,
    columns: dict[str, NDArray[np.float64]],
) -> list[int]:
    """Fill in the chart of spread; return the places beyond its limits."""
    several = n >= 2
    if not several.any():
        return []
    places = np.flatnonzero(several)
    chart = summarised_subgroups(
        rules.kind, n[several], np.zeros(places.size), s[several], largest=1.0, centre=0.0, sigma=within
    )
    if chart.spread is None:  # pragma: no cover - a chart of subgroups always has one
        return []
    for name, column in (("spread_centre", "centre"), ("spread_lower", "lower"), ("spread_upper", "upper")):
        columns[name][places] = chart.spread[column].to_numpy()
    return [int(place) for place, out in zip(places, chart.spread["beyond"], strict=True) if out and kept[place]]
