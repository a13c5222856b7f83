"""Named estimators of the standard deviation within subgroups, each with its effective degrees of freedom.

Subgroups are consecutive values. A last, smaller subgroup counts with its own size; left with one value it has no
variation inside and counts not at all. Ranges and standard deviations of unequal subgroups are averaged with the weights
of least variance, (d2/d3)² and c4²/(1 − c4²) (Burr, J. Qual. Technol. 1, 163, 1969; from memory); for equal subgroups
that is the plain mean.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import polars as pl

from pipeline.statistics.constants import (
    c4,
    d2,
    d3,
    degrees_of_freedom_of_relative_variance,
    moving_range_relative_variance,
)
from pipeline.statistics.expressions import sum_of_squares_expression

__all__ = ["UNBIASED_FOR_SIGMA", "WithinEstimator", "default_estimator", "within_of_lots"]

WithinEstimator = Literal["moving_range", "pooled_subgroups", "mean_range", "mean_standard_deviation"]

UNBIASED_FOR_SIGMA = frozenset({"moving_range", "mean_range", "mean_standard_deviation"})
"""Estimators whose mean is σ; the square of the pooled one has mean σ²."""


def default_estimator(subgroup_size: int) -> WithinEstimator:
    """Return the estimator used unless another is named: moving range for single values, pooled subgroups otherwise."""
    return "moving_range" if subgroup_size == 1 else "pooled_subgroups"


def within_of_lots(
    part_values: pl.DataFrame, *, subgroup_size: int, estimator: WithinEstimator | None = None
) -> pl.DataFrame:
    """Estimate the variation within subgroups of consecutive part means, for all lots at once.

    Parameters
    ----------
    part_values
        Columns lot, order, mean (any unit); any row order.
    subgroup_size
        1 for single values (moving range), else the values in a subgroup.
    estimator
        Name of the estimator; None for the default of the subgroup size.

    Returns
    -------
    polars.DataFrame
        One row a lot, sorted: lot, within_standard_deviation, within_degrees_of_freedom (not whole in general),
        within_estimator, within_reason (why it is null). Degrees of freedom of the moving range come from the exact
        variance of its mean, those of ranges and standard deviations from d3 and c4, each matched to a scaled chi.

    Raises
    ------
    ValueError
        If the size and the estimator do not fit together.
    """
    estimator = estimator or default_estimator(subgroup_size)
    if subgroup_size < 1:
        raise ValueError(f"a subgroup size of {subgroup_size} makes no sense; expected 1 or more")
    if (estimator == "moving_range") != (subgroup_size == 1):
        raise ValueError(f"estimator {estimator} does not go with a subgroup size of {subgroup_size}")
    ordered = part_values.select("lot", "order", "mean").sort("lot", "order", nulls_last=True)
    found = _moving_range(ordered) if estimator == "moving_range" else _subgroups(ordered, subgroup_size, estimator)
    nothing = "one part leaves no variation within subgroups"
    if subgroup_size > 1:
        nothing = "no subgroup has two parts, so there is no variation within subgroups"
    return found.with_columns(
        pl.lit(estimator).alias("within_estimator"),
        pl.when(pl.col("within_standard_deviation").is_null()).then(pl.lit(nothing)).alias("within_reason"),
    )


def _effective(relative_variance: pl.Series) -> pl.Series:
    """Return matched degrees of freedom; null stays null."""
    nu = pl.Series(
        "within_degrees_of_freedom",
        degrees_of_freedom_of_relative_variance(relative_variance.to_numpy()),
        dtype=pl.Float64,
    )
    return pl.select(pl.when(relative_variance.is_not_null()).then(nu).alias("within_degrees_of_freedom")).to_series()


def _moving_range(ordered: pl.DataFrame) -> pl.DataFrame:
    # a factor, not a divisor: polars multiplies by the reciprocal of a literal or divides by it, as the frame happens to be
    # long and the processor happens to be, and the last bit of a lot would depend on the other lots of the frame
    factor = 1.0 / d2(2)
    lots = ordered.group_by("lot", maintain_order=True).agg(
        pl.len().alias("parts"), (pl.col("mean").diff().abs().mean() * factor).alias("within_standard_deviation")
    )
    counts = lots.get_column("parts").cast(pl.Int64)
    relative = moving_range_relative_variance(np.maximum(counts.to_numpy(), 2))
    usable = pl.select(pl.when(counts > 1).then(pl.Series(values=relative, dtype=pl.Float64))).to_series()
    return lots.select("lot", "within_standard_deviation", _effective(usable))


def _subgroups(ordered: pl.DataFrame, subgroup_size: int, estimator: str) -> pl.DataFrame:
    mean = pl.col("mean")
    subgroups = (
        ordered.with_columns(subgroup=pl.int_range(pl.len()).over("lot") // subgroup_size)
        .group_by("lot", "subgroup", maintain_order=True)
        .agg(
            pl.len().cast(pl.Int64).alias("size"),
            sum_of_squares_expression(mean).alias("squares"),
            (mean.max() - mean.min()).alias("range"),
        )
    )
    freedom = pl.col("size") - 1
    if estimator == "pooled_subgroups":
        total = freedom.sum().cast(pl.Float64)
        return subgroups.group_by("lot", maintain_order=True).agg(
            pl.when(total > 0).then((pl.col("squares").sum() / total).sqrt()).alias("within_standard_deviation"),
            pl.when(total > 0).then(total).alias("within_degrees_of_freedom"),
        )
    sizes = [size for size in subgroups.get_column("size").unique().sort().to_list() if size > 1]
    ranges = estimator == "mean_range"
    constants = pl.DataFrame(
        {
            "size": sizes,
            # a factor, not a divisor: polars multiplies by the reciprocal where a column happens to be constant, and the
            # last bit of a lot would depend on the other lots of the frame
            "factor": [1.0 / (d2(size) if ranges else c4(size)) for size in sizes],
            "weight": [
                (d2(size) / d3(size)) ** 2 if ranges else c4(size) ** 2 / (1.0 - c4(size) ** 2) for size in sizes
            ],
        },
        schema={"size": pl.Int64, "factor": pl.Float64, "weight": pl.Float64},
    )
    statistic = pl.col("range") if ranges else (pl.col("squares") / freedom).sqrt()
    weight = pl.col("weight")
    lots = (
        subgroups.join(constants, on="size", how="left", maintain_order="left")
        .with_columns(sigma=statistic * pl.col("factor"))
        .group_by("lot", maintain_order=True)
        .agg(
            (pl.col("sigma") * weight).sum().alias("sum"),
            weight.sum(),
        )
        .with_columns(usable=pl.when(weight > 0).then(weight))
    )
    return lots.select(
        "lot",
        (pl.col("sum") / pl.col("usable")).alias("within_standard_deviation"),
        _effective(1.0 / lots.get_column("usable")),
    )
