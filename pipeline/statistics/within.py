"""Standard deviation within subgroups of consecutive values, with its effective degrees of freedom.

Single values give it by their moving range, larger subgroups by their pooled sums of squares. A last, smaller subgroup
counts with its own size; left with one value it has no variation inside and counts not at all.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.statistics.constants import (
    d2,
    degrees_of_freedom_of_relative_variance,
    moving_range_relative_variance,
)
from pipeline.statistics.expressions import sum_of_squares_expression

__all__ = ["within_of_lots"]


def within_of_lots(part_values: pl.DataFrame, *, subgroup_size: int) -> pl.DataFrame:
    """Estimate the variation within subgroups of consecutive part means, for all lots at once.

    Parameters
    ----------
    part_values
        Columns lot, order, mean (any unit); any row order.
    subgroup_size
        1 for single values (moving range), else the values in a subgroup.

    Returns
    -------
    polars.DataFrame
        One row a lot, sorted: lot, within_standard_deviation, within_degrees_of_freedom (not whole in general),
        within_estimator (moving_range or pooled_subgroups), within_reason (why it is null). Degrees of freedom of the
        moving range come from the exact variance of its mean, matched to a scaled chi.

    Raises
    ------
    ValueError
        If the size is below 1.
    """
    if subgroup_size < 1:
        raise ValueError(f"a subgroup size of {subgroup_size} makes no sense; expected 1 or more")
    ordered = part_values.select("lot", "order", "mean").sort("lot", "order", nulls_last=True)
    if subgroup_size == 1:
        found, estimator = _moving_range(ordered), "moving_range"
        nothing = "one part leaves no variation within subgroups"
    else:
        found, estimator = _subgroups(ordered, subgroup_size), "pooled_subgroups"
        nothing = "no subgroup has two parts, so there is no variation within subgroups"
    return found.with_columns(
        pl.lit(estimator).alias("within_estimator"),
        pl.when(pl.col("within_standard_deviation").is_null()).then(pl.lit(nothing)).alias("within_reason"),
    )


def _moving_range(ordered: pl.DataFrame) -> pl.DataFrame:
    # a factor, not a divisor: polars multiplies by the reciprocal of a literal or divides by it, as the frame happens to be
    # long and the processor happens to be, and the last bit of a lot would depend on the other lots of the frame
    factor = 1.0 / d2(2)
    lots = ordered.group_by("lot", maintain_order=True).agg(
        pl.len().alias("parts"), (pl.col("mean").diff().abs().mean() * factor).alias("within_standard_deviation")
    )
    counts = lots.get_column("parts").cast(pl.Int64)
    relative = moving_range_relative_variance(np.maximum(counts.to_numpy(), 2))
    nu = pl.Series("nu", degrees_of_freedom_of_relative_variance(relative), dtype=pl.Float64)
    return lots.select(
        "lot", "within_standard_deviation", pl.when(pl.col("parts") > 1).then(nu).alias("within_degrees_of_freedom")
    )


def _subgroups(ordered: pl.DataFrame, subgroup_size: int) -> pl.DataFrame:
    total = (pl.col("size") - 1).sum().cast(pl.Float64)
    return (
        ordered.with_columns(subgroup=pl.int_range(pl.len()).over("lot") // subgroup_size)
        .group_by("lot", "subgroup", maintain_order=True)
        .agg(pl.len().cast(pl.Int64).alias("size"), sum_of_squares_expression(pl.col("mean")).alias("squares"))
        .group_by("lot", maintain_order=True)
        .agg(
            pl.when(total > 0).then((pl.col("squares").sum() / total).sqrt()).alias("within_standard_deviation"),
            pl.when(total > 0).then(total).alias("within_degrees_of_freedom"),
        )
    )
