"""Dispersion of a column as polars expressions, in two passes, for use in a group."""

from __future__ import annotations

import polars as pl

__all__ = ["standard_deviation_expression", "sum_of_squares_expression"]


def sum_of_squares_expression(value: pl.Expr) -> pl.Expr:
    """Return the sum of squared deviations from the mean, two passes, for use in a group."""
    # from the first value on, so that equal values give exactly zero
    shifted = value - value.first()
    return ((shifted - shifted.mean()) ** 2).sum()


def standard_deviation_expression(value: pl.Expr) -> pl.Expr:
    """Return the sample standard deviation of a column, two passes; null for one value."""
    count = value.count()
    return pl.when(count > 1).then((sum_of_squares_expression(value) / (count - 1)).sqrt())
