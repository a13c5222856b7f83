"""The level of a meter as its checks let it be followed: a local level, begun again after a step.

The bias on a block is a level that may move a little from check to check, and each check shows it with a scatter of its own,

    bias(i) = level(i) + e(i),    level(i + 1) = level(i) + d(i),

with the variance of d a fixed share of that of e. The filter of this model is the mean of the first checks and becomes
the exponentially weighted mean of weight :data:`WEIGHT` (Harvey, Forecasting, Structural Time Series Models and the Kalman
Filter, 1989, 4.1.2; Durbin and Koopman, Time Series Analysis by State Space Methods, 2012, 2.2 and 2.10; from memory).
A check further from the level than chance allows is a step: what stood before it says nothing of the level any more, so the
filter begins again with it (an intervention in the sense of West and Harrison, Bayesian Forecasting and Dynamic Models, 1997,
11.3; from memory). The step counts in the scatter: a meter that stepped once may do so again before the next check.

A fixed weight instead of one estimated from the checks: a few checks tell nothing of it, and what they happened to tell would
make the budget of a lot depend on chance.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import scipy

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

__all__ = ["STEP_LEVEL", "WEIGHT", "local_levels"]

WEIGHT = 0.2
"""Of the newest check in the long run (0.2 to 0.3 is usual: NIST/SEMATECH e-Handbook, 6.3.2.4, after Hunter 1986)."""

STEP_LEVEL = 0.997
"""Part of checks that are no step while the meter is as it was, two-sided."""

_MOVES = WEIGHT**2 / (1 - WEIGHT)
"""Variance of a move of the level over that of the scatter, whose steady filter has this weight."""


def local_levels(values: ArrayLike, series: ArrayLike) -> pl.DataFrame:
    """Return, for each value, what it and those before it in its series say of the level.

    Parameters
    ----------
    values
        In the order of time within each series, finite, shape (n,), any unit.
    series
        Number of the series of each value, equal numbers beside one another, shape (n,).

    Returns
    -------
    polars.DataFrame
        Shape (n, 4): level; level_share (variance of the level at the next reading, in variances of the scatter); variance
        (of the scatter, on as many degrees of freedom as there are values before; null for the first value of a series);
        since_step (values since the last step, with it).

    Raises
    ------
    ValueError
        If the shapes differ or a value is not finite.

    Notes
    -----
    With innovation v and its variance f in units of the scatter's, the variance is Σv²/f over n - 1, the estimate of the
    diffuse likelihood (Durbin and Koopman 2012, 2.10.2); without moves of the level it is the sample variance. v/√f over the
    scatter known before is Student's t then (recursive residuals: Brown, Durbin and Evans, J. R. Stat. Soc. B 37, 149, 1975;
    from memory), which is the test of a step.
    """
    y, groups = np.asarray(values, dtype=np.float64), np.asarray(series)
    if y.shape != groups.shape or y.ndim != 1 or not np.isfinite(y).all():
        raise ValueError("values must be finite and each needs its series")
    begins = np.concatenate([[True], groups[1:] != groups[:-1]])[: y.size]
    longest = np.diff(np.flatnonzero(begins), append=y.size).max(initial=0)
    # the square of Student's t; none on no degree of freedom: one check before tells no scatter, and so no step
    limits = scipy.special.fdtri(1, np.arange(longest), STEP_LEVEL).tolist()
    rows: list[tuple[float, float, float | None, int]] = []
    for value, begin in zip(y.tolist(), begins.tolist(), strict=True):
        if begin:
            level, share, squares, degrees, since = value, 1.0, 0.0, 0, 1
        else:
            innovation, predicted = value - level, share + _MOVES
            standard = innovation * innovation / (1.0 + predicted)
            if standard * degrees > limits[degrees] * squares:
                level, share, since = value, 1.0, 1
            else:
                share = predicted / (1.0 + predicted)
                level += share * innovation
                since += 1
            squares += standard
            degrees += 1
        rows.append((level, share + _MOVES, squares / degrees if degrees else None, since))
    return pl.DataFrame(
        rows,
        schema={"level": pl.Float64, "level_share": pl.Float64, "variance": pl.Float64, "since_step": pl.Int64},
        orient="row",
    )
