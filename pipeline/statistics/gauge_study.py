"""Gauge repeatability and reproducibility by analysis of variance: crossed and nested, balanced, random effects.

Crossed, p parts, o operators, r repeats: σ² repeatability = MS_E; interaction = (MS_PO − MS_E)/r; operator =
(MS_O − MS_PO)/(p·r); part = (MS_P − MS_PO)/(o·r); reproducibility = operator + interaction. Nested (each operator has parts of
his own): part = (MS_P(O) − MS_E)/r; operator = (MS_O − MS_P(O))/(p·r). A negative component is kept as `raw` and taken as
zero. "Operator" may as well be a meter. Formulas: common practice, no source read; trade texts agree on them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import floor, sqrt
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import scipy

from pipeline.statistics.mean_squares import modified_large_sample_interval, ratio_interval

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["GaugeStudy", "crossed_study", "nested_study"]

_CATEGORY_FACTOR = 1.41
"""√2 as trade texts round it in the number of distinct categories (common practice)."""

_EQUAL = 1e-12
"""A standard deviation below this part of the largest value is rounding noise."""


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """Result of a study; what cannot be computed is None or missing, with the reason in `not_computable`.

    `anova`: source, degrees_of_freedom, sum_of_squares, mean_square, f_ratio, p_value.
    `components`: source (repeatability, operator, interaction, reproducibility, gauge, part, total), raw, variance,
    standard_deviation, low, high (interval of the variance, modified large sample), percent_of_variance, percent_of_study,
    percent_of_tolerance (study width · standard deviation over the tolerance). `raw` of a sum is the sum of the raw
    components, its variance that of the components after negative ones were taken as zero.
    `percent_gauge` is 100·σ gauge/σ total, with its interval from the ratio of variances. `interaction_p_value` is that
    of the interaction against repeatability before any pooling.
    """

    design: str
    parts: int
    operators: int
    repeats: int
    anova: pl.DataFrame
    components: pl.DataFrame
    interaction_pooled: bool
    interaction_p_value: float | None
    percent_gauge: float | None
    percent_gauge_interval: tuple[float, float] | None
    distinct_categories: int | None
    confidence: float
    study_width: float
    not_computable: dict[str, str] = field(default_factory=dict)


@dataclass(slots=True)
class _Source:
    name: str
    squares: float
    freedom: int
    against: str | None = None

    @property
    def mean_square(self) -> float:
        return self.squares / self.freedom


def crossed_study(
    frame: pl.DataFrame,
    *,
    part: str = "part",
    operator: str = "operator",
    value: str = "value",
    tolerance: float | None = None,
    pool_interaction_above: float | None = 0.25,
    study_width: float = 6.0,
    confidence: float = 0.95,
) -> GaugeStudy:
    """Evaluate a study in which every operator measured every part equally often.

    Parameters
    ----------
    frame
        One row a reading, any row order, values in one unit.
    part, operator, value
        Names of the columns.
    tolerance
        Upper minus lower limit in the unit of the values; None where there is none.
    pool_interaction_above
        The interaction goes into repeatability when its p is above this (0.25 by default; 0.05 in other texts; common
        practice); None keeps it.
    study_width
        Standard deviations that `percent_of_tolerance` spans; older texts use 5.15.
    confidence
        Of the two-sided intervals.

    Returns
    -------
    GaugeStudy
        One operator: no reproducibility. One repeat: the interaction cannot be told from repeatability.

    Raises
    ------
    ValueError
        If a value is missing or not finite, a cell of the design is empty or of another size, or there is nothing to
        estimate repeatability from.
    """
    cube = _cube(frame, part, operator, value)
    p, o, r = cube.shape
    if p < 2:
        raise ValueError("a gauge study needs at least two parts")
    if o * r < 2:
        raise ValueError("one operator with one repeat leaves no repeatability to estimate")
    missing: dict[str, str] = {}
    cube, noise = _shifted(cube)
    cell, part_mean, operator_mean, grand = cube.mean(2), cube.mean((1, 2)), cube.mean((0, 2)), cube.mean()
    sources = [_Source("part", o * r * float(((part_mean - grand) ** 2).sum()), p - 1)]
    if o > 1:
        sources.append(_Source("operator", p * r * float(((operator_mean - grand) ** 2).sum()), o - 1))
    else:
        missing["reproducibility"] = "one operator shows no reproducibility"
    crossing = cell - part_mean[:, None] - operator_mean[None, :] + grand
    interaction = _Source("interaction", r * float((crossing**2).sum()), (p - 1) * (o - 1))
    error = _Source("repeatability", _within(cube), p * o * (r - 1))
    pooled, interaction_p = False, None
    if o > 1 and r == 1:
        missing["interaction"] = "with one repeat the interaction cannot be told from repeatability"
        error = _Source("repeatability", interaction.squares, interaction.freedom)
    elif o > 1:
        interaction.against = "repeatability"
        interaction_p = _p_value(interaction, error)
        if pool_interaction_above is not None and interaction_p is not None:
            pooled = interaction_p > pool_interaction_above
        if pooled:
            missing["interaction"] = "pooled with repeatability, as it is not significant"
            error = _Source("repeatability", error.squares + interaction.squares, error.freedom + interaction.freedom)
    keeps = o > 1 and r > 1 and not pooled
    inner = "interaction" if keeps else "repeatability"
    for source in sources:
        source.against = inner
    table = {source.name: source for source in (*sources, *([interaction] if keeps else []), error)}
    weights: dict[str, dict[str, float]] = {"repeatability": {"repeatability": 1.0}}
    if o > 1:
        weights["operator"] = {"operator": 1.0 / (p * r), inner: -1.0 / (p * r)}
    if keeps:
        weights["interaction"] = {"interaction": 1.0 / r, "repeatability": -1.0 / r}
    weights["part"] = {"part": 1.0 / (o * r), inner: -1.0 / (o * r)}
    return _study(
        "crossed",
        (p, o, r),
        table,
        weights,
        (pooled, interaction_p),
        tolerance,
        study_width,
        confidence,
        missing,
        noise,
    )


def nested_study(
    frame: pl.DataFrame,
    *,
    part: str = "part",
    operator: str = "operator",
    value: str = "value",
    tolerance: float | None = None,
    study_width: float = 6.0,
    confidence: float = 0.95,
) -> GaugeStudy:
    """Evaluate a study in which each operator measured parts of his own, as in destructive testing.

    Parameters, result and errors as in :func:`crossed_study`; a part name may occur with several operators and means
    another part there. At least two repeats.
    """
    own = frame.select(operator, part, value).with_columns(
        pl.col(part).rank("dense").over(operator).cast(pl.Int64).alias(part)
    )
    cube = _cube(own, part, operator, value)
    p, o, r = cube.shape
    if p < 2 or r < 2:
        raise ValueError("a nested gauge study needs at least two parts for each operator and two repeats of each part")
    cube, noise = _shifted(cube)
    cell, operator_mean, grand = cube.mean(2), cube.mean((0, 2)), cube.mean()
    missing: dict[str, str] = {"interaction": "parts of one operator only have no interaction"}
    part_source = _Source("part", r * float(((cell - operator_mean[None, :]) ** 2).sum()), o * (p - 1), "repeatability")
    error = _Source("repeatability", _within(cube), p * o * (r - 1))
    sources = [part_source, error]
    weights = {
        "repeatability": {"repeatability": 1.0},
        "part": {"part": 1.0 / r, "repeatability": -1.0 / r},
    }
    if o > 1:
        sources.insert(0, _Source("operator", p * r * float(((operator_mean - grand) ** 2).sum()), o - 1, "part"))
        weights["operator"] = {"operator": 1.0 / (p * r), "part": -1.0 / (p * r)}
    else:
        missing["reproducibility"] = "one operator shows no reproducibility"
    table = {source.name: source for source in sources}
    return _study(
        "nested", (p, o, r), table, weights, (False, None), tolerance, study_width, confidence, missing, noise
    )


def _cube(frame: pl.DataFrame, part: str, operator: str, value: str) -> NDArray[np.float64]:
    """Return the values as an array of parts, operators, repeats."""
    values = frame.get_column(value)
    if frame.height == 0 or values.null_count() or not values.is_finite().all():
        raise ValueError("a gauge study needs finite values; leave non-readings out before")
    cells = frame.group_by(part, operator).agg(pl.col(value).cast(pl.Float64).sort(), pl.len().alias("size"))
    parts, operators = cells.get_column(part).n_unique(), cells.get_column(operator).n_unique()
    sizes = cells.get_column("size").unique().sort().to_list()
    if cells.height != parts * operators:
        raise ValueError(
            f"the study is not complete: {parts} parts and {operators} operators make {parts * operators} cells, "
            f"{cells.height} have readings"
        )
    if len(sizes) > 1:
        raise ValueError(f"the study is not balanced: cells have {sizes[0]} to {sizes[-1]} readings")
    ordered = cells.sort(part, operator, nulls_last=True).get_column(value).to_list()
    return np.array(ordered, dtype=np.float64).reshape(parts, operators, sizes[0])


def _shifted(cube: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """Return the values from the first on, and the variance below which there is only rounding."""
    return np.subtract(cube, cube[0, 0, 0]), (_EQUAL * float(np.abs(cube).max())) ** 2


def _within(cube: NDArray[np.float64]) -> float:
    """Return the sum of squares within cells; exactly zero where repeats are equal."""
    repeats = cube - cube[:, :, :1]
    return float(((repeats - repeats.mean(2)[:, :, None]) ** 2).sum())


def _p_value(source: _Source, against: _Source) -> float | None:
    if against.squares <= 0:
        return None
    return float(scipy.special.fdtrc(source.freedom, against.freedom, source.mean_square / against.mean_square))


def _study(
    design: str,
    shape: tuple[int, ...],
    table: dict[str, _Source],
    weights: dict[str, dict[str, float]],
    pooling: tuple[bool, float | None],
    tolerance: float | None,
    study_width: float,
    confidence: float,
    missing: dict[str, str],
    noise: float,
) -> GaugeStudy:
    names = list(table)
    squares = [table[name].mean_square for name in names]
    freedoms = [float(table[name].freedom) for name in names]
    vectors = {key: np.array([weight.get(name, 0.0) for name in names]) for key, weight in weights.items()}
    raw = {key: float(vector @ np.array(squares)) for key, vector in vectors.items()}
    variance = {key: number if number > noise else 0.0 for key, number in raw.items()}
    reproducing: list[str] = [key for key in ("operator", "interaction") if key in weights]
    sums: dict[str, list[str]] = {
        "gauge": ["repeatability", *reproducing],
        "total": ["repeatability", *reproducing, "part"],
    }
    if reproducing:
        sums["reproducibility"] = reproducing
    for key, members in sums.items():
        vectors[key] = np.sum([vectors[member] for member in members], axis=0)
        raw[key] = sum(raw[member] for member in members)
        variance[key] = sum(variance[member] for member in members)
    if tolerance is None:
        missing["percent_of_tolerance"] = "no tolerance is given; it takes two limits"
    elif not tolerance > 0:
        raise ValueError(f"a tolerance of {tolerance} makes no sense; expected a width above zero")
    rows = []
    for key in ("repeatability", "operator", "interaction", "reproducibility", "gauge", "part", "total"):
        if key not in vectors:
            continue
        low, high = modified_large_sample_interval(list(vectors[key]), squares, freedoms, confidence)
        if key in sums and not low <= variance[key] <= high:
            # a strongly negative component, taken as zero, would leave the estimate outside its own interval
            kept = [vectors[member] for member in sums[key] if raw[member] > 0]
            if kept:
                low, high = modified_large_sample_interval(list(np.sum(kept, axis=0)), squares, freedoms, confidence)
        deviation = sqrt(variance[key])
        rows.append(
            {
                "source": key,
                "raw": raw[key],
                "variance": variance[key],
                "standard_deviation": deviation,
                "low": max(low, 0.0),
                "high": max(high, 0.0),
                "percent_of_variance": 100.0 * variance[key] / variance["total"] if variance["total"] > 0 else None,
                "percent_of_study": 100.0 * sqrt(variance[key] / variance["total"]) if variance["total"] > 0 else None,
                "percent_of_tolerance": None if tolerance is None else 100.0 * study_width * deviation / tolerance,
            }
        )
    percent, interval, categories = None, None, None
    if variance["total"] <= 0:
        missing["percent_gauge"] = "all values are equal"
        missing["distinct_categories"] = "all values are equal"
    else:
        percent = 100.0 * sqrt(variance["gauge"] / variance["total"])
        if variance["gauge"] <= 0:
            missing["distinct_categories"] = "repeated readings never differ, so every part is distinct"
            missing["percent_gauge_interval"] = "repeated readings never differ"
        else:
            categories = floor(_CATEGORY_FACTOR * sqrt(variance["part"] / variance["gauge"]))
            if raw["gauge"] <= 0:
                missing["percent_gauge_interval"] = "the gauge's variance comes out negative before it is taken as zero"
            else:
                least, most = ratio_interval(
                    list(vectors["part"]), list(vectors["gauge"]), squares, freedoms, confidence
                )
                interval = (0.0 if most is None else 100.0 / sqrt(1.0 + most), 100.0 / sqrt(1.0 + least))
    anova = pl.DataFrame(
        [
            {
                "source": source.name,
                "degrees_of_freedom": source.freedom,
                "sum_of_squares": source.squares,
                "mean_square": source.mean_square,
                "f_ratio": source.mean_square / table[source.against].mean_square
                if source.against is not None and table[source.against].squares > 0
                else None,
                "p_value": None if source.against is None else _p_value(source, table[source.against]),
            }
            for source in table.values()
        ],
        schema={
            "source": pl.String,
            "degrees_of_freedom": pl.Int64,
            "sum_of_squares": pl.Float64,
            "mean_square": pl.Float64,
            "f_ratio": pl.Float64,
            "p_value": pl.Float64,
        },
    )
    components = pl.DataFrame(
        rows,
        schema={
            "source": pl.String,
            **dict.fromkeys(
                (
                    "raw",
                    "variance",
                    "standard_deviation",
                    "low",
                    "high",
                    "percent_of_variance",
                    "percent_of_study",
                    "percent_of_tolerance",
                ),
                pl.Float64,
            ),
        },
    )
    p, o, r = shape
    return GaugeStudy(
        design, p, o, r, anova, components, *pooling, percent, interval, categories, confidence, study_width, missing
    )
