"""What the product computes for many at once, asked for one: a value, a lot, a chart. Nothing here computes a figure of its own."""

from __future__ import annotations

from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from pipeline.metrology.conformity import decide
from pipeline.metrology.lot_budget import LotMeanBudget, LotMeanInputs, budget_tables
from pipeline.metrology.temperature import at_reference
from pipeline.statistics import patterns
from pipeline.statistics.capability import INDICES, capability_of_lots
from pipeline.statistics.charts import Chart, cusum_path, individuals, summarised_subgroups
from pipeline.statistics.constants import c4, d2, d3
from pipeline.statistics.descriptive import nested
from pipeline.statistics.grouping import NO_VALUE, Grouping, two_groups_by_lot

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike


def moments(values: ArrayLike) -> SimpleNamespace:
    """Return count, mean and standard deviation of values that are parts of one lot, read once each."""
    column = pl.Series(np.asarray(values, dtype=float))
    place = pl.int_range(column.len(), eager=True)
    frame = pl.DataFrame({"lot": place * 0, "part": place, "spot": place * 0, "measured_at": place, "value": column})
    row = nested(frame).lot_values.row(0, named=True)
    return SimpleNamespace(count=row["parts"], mean=row["mean"], standard_deviation=row["standard_deviation"])


def lot_mean_budget(inputs: LotMeanInputs, *, coverage: float = 0.95) -> LotMeanBudget:
    """Return the table of one budget."""
    (found,) = budget_tables([inputs], coverage=coverage)
    return found


def capability(part_means: Sequence[float], lower: float | None, upper: float | None, **how: Any) -> SimpleNamespace:
    """Return a row of `capability_of_lots`, with each interval as a pair and the reasons by index."""
    means = pl.Series("mean", part_means, dtype=pl.Float64)
    frame = pl.DataFrame({"lot": ["L"] * means.len(), "order": range(means.len()), "mean": means})
    limits = pl.DataFrame(
        {"lot": ["L"], "lower": [lower], "upper": [upper]},
        schema={"lot": pl.String, "lower": pl.Float64, "upper": pl.Float64},
    )
    row = capability_of_lots(frame, limits, **({"subgroup_size": 1} | how)).row(0, named=True)
    pairs = {f"{i}_interval": None if row[i] is None else (row[f"{i}_low"], row[f"{i}_high"]) for i in INDICES}
    reasons = {i: row[f"{i}_reason"] for i in INDICES if row[f"{i}_reason"] is not None}
    return SimpleNamespace(**row, **pairs, not_computable=reasons)


def two_groups(values: ArrayLike) -> Grouping:
    """Return how the values of one lot fall into two groups."""
    return two_groups_by_lot(pl.DataFrame({"lot": "", "mean": np.asarray(values, dtype=float)})).get("", NO_VALUE)


def subgroups(kind: str, groups: Sequence[ArrayLike], **frozen: float) -> Chart:
    """Return the chart of subgroups given as single values."""
    arrays = [np.asarray(group, dtype=float) for group in groups]
    spreads = [np.ptp(a) if kind == "xbar_range" else a.std(ddof=1) if a.size > 1 else 0.0 for a in arrays]
    largest = max((float(np.abs(a).max()) for a in arrays), default=0.0)
    return summarised_subgroups(
        kind, [a.size for a in arrays], [a.mean() for a in arrays], spreads, largest=largest, **frozen
    )


def xbar_range(groups: Sequence[ArrayLike], **frozen: float) -> Chart:
    return subgroups("xbar_range", groups, **frozen)


def xbar_standard_deviation(groups: Sequence[ArrayLike], **frozen: float) -> Chart:
    return subgroups("xbar_standard_deviation", groups, **frozen)


def chart_constants(n: int) -> SimpleNamespace:
    """Return the constants of charts by their usual symbols, as the limits of charts with σ = 1 about zero follow from them."""
    found: dict[str, float] = {"d2": d2(n), "d3": d3(n), "c4": c4(n)}
    for kind, a, low, high in (("xbar_range", "A2", "D3", "D4"), ("xbar_standard_deviation", "A3", "B3", "B4")):
        chart = summarised_subgroups(kind, [n], [0.0], [1.0], largest=1.0, centre=0.0, sigma=1.0)
        assert chart.spread is not None
        centre = chart.spread["centre"][0]
        found |= {
            a: chart.points["upper"][0] / centre,
            low: chart.spread["lower"][0] / centre,
            high: chart.spread["upper"][0] / centre,
        }
    single = individuals([0.0, 0.0], centre=0.0, sigma=1.0)
    return SimpleNamespace(**found, E2=single.points["upper"][0] / d2(n))


def cusums(values: ArrayLike, target: float, reference_value: float) -> tuple[np.ndarray, np.ndarray]:
    """Return both cumulative sums, above and below the target."""
    x = np.asarray(values, dtype=float) - target
    return cusum_path(x - reference_value), cusum_path(-x - reference_value)


def within(values: pl.Series, lower: pl.Series, upper: pl.Series, rounding: pl.Series) -> pl.Series:
    """Return whether values are in by simple acceptance; null where nothing can be said."""
    rule, nothing = (pl.repeat(None, values.len(), dtype=t, eager=True) for t in (pl.String, pl.Float64))
    return decide(values, lower, upper, rounding, rule=rule, expanded_uncertainty=nothing) == "in"


def conductivity_at_reference(
    conductivity_ms_per_m: float, temperature_c: float, *, reference_c: float, model: str, coefficient: float
) -> float | None:
    """Return a value read at the metal's temperature, carried to the reference temperature; None where it has none."""
    row = {
        "value_ms_per_m": conductivity_ms_per_m, "temperature_c": temperature_c, "temperature_state": "at_metal",
        "temperature_model": model, "coefficient": coefficient,
    }  # fmt: skip
    factor = at_reference(pl.DataFrame([row]), reference_c=reference_c, plausible_temperature_c=(-1e6, 1e6))["factor"][
        0
    ]
    return None if factor is None else conductivity_ms_per_m * factor


RUN_RULES = {
    "beyond-3s": ("beyond-limit", 1), "2-of-3-beyond-2s": ("two-of-three", 1), "4-of-5-beyond-1s": ("four-of-five", 1),
    **{f"run-of-{n}": ("same-side", n) for n in (7, 8, 9)}, **{f"trend-of-{n}": ("rising-falling", n) for n in (6, 7)},
    "alternating-14": ("up-and-down", 14), "15-within-1s": ("close-to-centre", 15), "8-beyond-1s": ("far-from-centre", 8),
}  # fmt: skip
"""Patterns with their numbers, by the names of the literature."""


def hits(z: ArrayLike, names: Sequence[str]) -> np.ndarray:
    """Return where each of some patterns is completed."""
    return patterns.hits(z, [(patterns.find()[ident], points) for ident, points in map(RUN_RULES.__getitem__, names)])
