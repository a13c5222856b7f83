"""The bias of a meter against conductivity: a line through the biases on its blocks, with its covariance.

A block tells the bias at its own value only. Between blocks a straight line is fitted by generalised least squares, each
block weighted by what is known of it: the scatter of its checks and its certificate. Beyond the outermost blocks the line
says nothing that anything was measured for.

The bias b and the certified value x of a block share the error of the certificate, in b with sensitivity -1, in x with that of
the slope, about a thousandth: the error in x is left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import scipy

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = [
    "ENOUGH_DEGREES",
    "FEW_CHECKS",
    "FIT_LEVEL",
    "LineFit",
    "bias_at",
    "biases_at_levels",
    "degrees_at",
    "fit_bias_line",
]

FIT_LEVEL = 0.95
"""A line is taken to fit while its χ² lies below this quantile (ISO/TS 28037:2010, 6.3; from memory)."""

ENOUGH_DEGREES = 5
"""Degrees of freedom of the scatter between checks, pooled over the blocks, below which no line is fitted."""

FEW_CHECKS = (
    f"fewer than {ENOUGH_DEGREES} degrees of freedom (checks less blocks) behind the scatter between checks, so it is not known "
    "well enough"
)
_ONE_BLOCK = "a line needs checks on two blocks of different value"
_NO_UNCERTAINTY = (
    "a block has neither an uncertainty of its certificate nor checks that scatter, so it cannot be weighted"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFit:
    """A line b = `bias` + `slope`·(x - `centre`) with the covariance of (bias, slope).

    `chi_squared` is the weighted sum of squares about the line, on `degrees_of_freedom` (blocks minus two). Above
    `chi_squared_limit` the blocks contradict the line, and the covariance was enlarged by χ² over its degrees of freedom,
    `enlarged` (the squared Birge ratio), else that is 1. `scatter_covariance` is the part of the covariance that the
    scatter of checks makes, known with `scatter_degrees_of_freedom` (None where it is known exactly).
    """

    centre: float
    bias: float
    slope: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    chi_squared: float
    degrees_of_freedom: int
    enlarged: float
    lowest: float
    highest: float
    chi_squared_limit: float | None
    scatter_covariance: tuple[tuple[float, float], tuple[float, float]]
    scatter_degrees_of_freedom: float | None


def fit_bias_line(
    levels: Sequence[float],
    biases: Sequence[float],
    scatter: Sequence[float],
    certificates: Sequence[float],
    chains: Sequence[str | None],
    *,
    correlation: float = 0.0,
    scatter_degrees_of_freedom: float | None = None,
) -> LineFit | str:
    """Fit the line of one meter.

    Parameters
    ----------
    levels
        Certified values, shape (n,).
    biases
        Mean bias on each block, in the same unit, shape (n,).
    scatter
        Standard uncertainty of each mean bias from the scatter of the checks, shape (n,).
    certificates
        Standard uncertainty of each certified value, shape (n,).
    chains
        Name of the chain of calibration of each certificate; None for one of its own, shape (n,).
    correlation
        Coefficient of correlation between certificates of one chain, from 0 to below 1.
    scatter_degrees_of_freedom
        Behind the scatter, pooled over the blocks; None where it is known exactly.

    Returns
    -------
    LineFit or str
        The line, or why there is none.

    Raises
    ------
    ValueError
        If the correlation is outside its range.

    Notes
    -----
    Generalised least squares: β = (XᵀV⁻¹X)⁻¹XᵀV⁻¹b with covariance (XᵀV⁻¹X)⁻¹, which is weighted least squares for
    V diagonal (Aitken 1935; GUM H.3 fits such a line for a thermometer; from memory). V holds scatter² + certificate² on its
    diagonal and r·uᵢ·uⱼ between blocks of one chain. Where χ² exceeds the quantile :data:`FIT_LEVEL` of its distribution
    the covariance is enlarged by χ²/(n − 2) (Birge 1932, from memory); chance alone brings χ² above n − 2 every second time.
    """
    if not 0 <= correlation < 1:
        raise ValueError(f"correlation = {correlation!r}; expected a number from 0 to below 1")
    x, b = np.asarray(levels, dtype=float), np.asarray(biases, dtype=float)
    u, s = np.asarray(certificates, dtype=float), np.asarray(scatter, dtype=float)
    if len(x) < 2 or not x.max() > x.min():
        return _ONE_BLOCK
    if not ((u > 0) | (s > 0)).all():
        return _NO_UNCERTAINTY
    same = np.array([[one is not None and one == other for other in chains] for one in chains])
    v = np.where(same, correlation, 0.0) * np.outer(u, u)
    np.fill_diagonal(v, s**2 + u**2)
    weights: NDArray[np.float64] = np.linalg.inv(v)
    centre = float((weights @ x).sum() / weights.sum())
    design = np.column_stack([np.ones_like(x), x - centre])
    covariance = np.linalg.inv(design.T @ weights @ design)
    gain = covariance @ design.T @ weights
    beta = gain @ b
    rest = b - design @ beta
    degrees = len(x) - 2
    chi_squared = float(rest @ weights @ rest) if degrees else 0.0
    limit = float(scipy.special.chdtri(degrees, 1 - FIT_LEVEL)) if degrees else None
    enlarged = chi_squared / degrees if limit is not None and chi_squared > limit else 1.0
    return LineFit(
        centre=centre,
        bias=float(beta[0]),
        slope=float(beta[1]),
        covariance=_symmetric(covariance * enlarged),
        chi_squared=chi_squared,
        degrees_of_freedom=degrees,
        enlarged=enlarged,
        lowest=float(x.min()),
        highest=float(x.max()),
        chi_squared_limit=limit,
        scatter_covariance=_symmetric(gain @ np.diag(s**2) @ gain.T),
        scatter_degrees_of_freedom=scatter_degrees_of_freedom,
    )


def _symmetric(matrix: NDArray[np.float64]) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return a covariance without the rounding of its inversion, which is not the same above and below the diagonal."""
    shared = float(matrix[0, 1] + matrix[1, 0]) / 2
    return (float(matrix[0, 0]), shared), (shared, float(matrix[1, 1]))


def degrees_at(fit: LineFit, along: tuple[float, float]) -> float | None:
    """Return the degrees of freedom behind the variance of along·(bias, slope).

    Parameters
    ----------
    along
        (1, x - centre) for the line at x, (0, 1) for the slope.

    Returns
    -------
    float or None
        n - 2 where the covariance was enlarged by the scatter about the line; else those of Welch and Satterthwaite, for
        the scatter of the checks is estimated and the certificates are not (GUM G.4.1). None for infinite.
    """
    if fit.enlarged > 1:
        return float(fit.degrees_of_freedom)
    whole, scatter = (_variance(matrix, along) for matrix in (fit.covariance, fit.scatter_covariance))
    if fit.scatter_degrees_of_freedom is None or scatter <= 0:
        return None
    return fit.scatter_degrees_of_freedom * max(1.0, whole / scatter) ** 2


def _variance(covariance: tuple[tuple[float, float], tuple[float, float]], along: tuple[float, float]) -> float:
    """Return c₁²·u₁² + 2·c₁·c₂·u₁₂ + c₂²·u₂² (GUM 5.2.2)."""
    (aa, ac), (_, cc) = covariance
    one, two = along
    return max(one * one * aa + 2 * one * two * ac + two * two * cc, 0.0)


def bias_at(fit: LineFit, level: float) -> tuple[float, float, float]:
    """Return the bias at a level, its standard uncertainty, and how far the level lies beyond the blocks.

    Parameters
    ----------
    level
        Where to look, in the unit of the line.

    Returns
    -------
    (float, float, float)
        Bias; standard uncertainty; 0 between the blocks, above 0 beyond the highest, below 0 beyond the lowest.

    Notes
    -----
    u² = u²(a) + 2·d·u(a, c) + d²·u²(c), d = x − centre (GUM 5.2.2).
    """
    d = level - fit.centre
    beyond = max(level - fit.highest, 0.0) + min(level - fit.lowest, 0.0)
    return fit.bias + fit.slope * d, math.sqrt(_variance(fit.covariance, (1.0, d))), beyond


def _total(x: pl.Expr) -> pl.Expr:
    """Return the sum of what is not null, one after another: the last bit of a sum of polars depends on what else is in the frame."""
    return x.fill_null(0.0).cum_sum().last()


def biases_at_levels(points: pl.DataFrame, *, correlation: float = 0.0) -> pl.DataFrame:
    """Return what :func:`fit_bias_line` and :func:`bias_at` do, for many lines at once.

    Parameters
    ----------
    points
        One row a line and block, shape (n, any): key, block, level (where to look), certified, bias, variance (between
        checks of the block; null for one check), level_share (variance of the bias in units of it, 1/n for a mean), checks,
        certificate (standard uncertainty; null counts as none stated), chain.
    correlation
        As for :func:`fit_bias_line`.

    Returns
    -------
    polars.DataFrame
        By key: key, blocks, line_bias, line_slope, line_standard_uncertainty, line_degrees_of_freedom (null for infinite),
        line_beyond (0 between the blocks) and line_reason (why there is no line, else null; the figures are null then).

    Notes
    -----
    The scatter between checks is pooled over the blocks of a line. The inverse of V is written out chain by chain (Sherman
    and Morrison), so that the sums are those of groups; the level is the origin, which makes the intercept the answer.
    """
    degrees = (pl.col("checks") - 1).cast(pl.Float64)
    pooled = _total(degrees * pl.col("variance")).over("key") * (1.0 / _total(degrees).over("key"))
    frame = points.with_columns(
        degrees.alias("_degrees"),
        (pooled * pl.col("level_share")).alias("_s"),
        pl.col("certificate").fill_null(0.0).alias("_u"),
        (pl.col("certified") - pl.col("level")).alias("_x"),
    )
    # a block without a chain is a chain of its own, for which any correlation comes to the same
    frame = frame.with_columns((pl.col("_s") + (1 - correlation) * pl.col("_u") ** 2).alias("_d"))
    frame = frame.with_columns(pl.when(pl.col("_d") > 0).then(1 / pl.col("_d")).alias("_w"))
    w, x, b, u = pl.col("_w"), pl.col("_x"), pl.col("bias"), pl.col("_u")
    p = pl.col("_s") * w * w
    by_chain = frame.group_by("key", pl.coalesce("chain", pl.format("\u0000{}", "block")).alias("_chain")).agg(
        pl.len().alias("blocks"), x.min().alias("low"), x.max().alias("high"), pl.col("_degrees").sum(),
        w.null_count().alias("_bare"),
        _total(w).alias("s0"), _total(w * x).alias("s1"), _total(w * x * x).alias("s2"),
        _total(w * b).alias("t0"), _total(w * x * b).alias("t1"), _total(w * b * b).alias("t2"),
        _total(w * u).alias("u0"), _total(w * u * x).alias("u1"), _total(w * u * b).alias("ub"), _total(w * u * u).alias("uu"),
        _total(p).alias("p0"), _total(p * x).alias("p1"), _total(p * x * x).alias("p2"),
        _total(p * u).alias("pu"), _total(p * u * x).alias("pux"), _total(p * u * u).alias("puu"),
    )  # fmt: skip
    c = pl.lit(correlation) * (1.0 / (1 + correlation * pl.col("uu")))
    # what the scatter alone adds to the variance at the level: each block's s² times the square of its weight in the answer
    a01, a11 = (
        _total(one).over("key") for one in (pl.col("s1") - c * pl.col("u0") * pl.col("u1"), pl.col("s2") - c * pl.col("u1") ** 2)
    )  # fmt: skip
    shared = c * (a11 * pl.col("u0") - a01 * pl.col("u1"))
    by_chain = by_chain.sort("key", "_chain").with_columns(
        (
            a11**2 * pl.col("p0") - 2 * a11 * a01 * pl.col("p1") + a01**2 * pl.col("p2")
            - 2 * shared * (a11 * pl.col("pu") - a01 * pl.col("pux")) + shared**2 * pl.col("puu")
        ).alias("scatter"),
    )  # fmt: skip
    sums = (
        by_chain.group_by("key", maintain_order=True)
        .agg(
            pl.col("blocks").sum().cast(pl.Int64), pl.col("low").min(), pl.col("high").max(), pl.col("_degrees").sum(),
            pl.col("_bare").sum(),
            _total(pl.col("s0") - c * pl.col("u0") ** 2).alias("a00"),
            _total(pl.col("s1") - c * pl.col("u0") * pl.col("u1")).alias("a01"),
            _total(pl.col("s2") - c * pl.col("u1") ** 2).alias("a11"),
            _total(pl.col("t0") - c * pl.col("u0") * pl.col("ub")).alias("b0"),
            _total(pl.col("t1") - c * pl.col("u1") * pl.col("ub")).alias("b1"),
            _total(pl.col("t2") - c * pl.col("ub") ** 2).alias("bb"), _total(pl.col("scatter")).alias("scatter"),
        )
    )  # fmt: skip
    det = pl.col("a00") * pl.col("a11") - pl.col("a01") ** 2
    bias = (pl.col("a11") * pl.col("b0") - pl.col("a01") * pl.col("b1")) * (1.0 / det)
    slope = (pl.col("a00") * pl.col("b1") - pl.col("a01") * pl.col("b0")) * (1.0 / det)
    reason = (
        pl.when(~(pl.col("high") > pl.col("low")))
        .then(pl.lit(_ONE_BLOCK))
        .when(pl.col("_degrees") < ENOUGH_DEGREES)
        .then(pl.lit(FEW_CHECKS))
        .when(pl.col("_bare") > 0)
        .then(pl.lit(_NO_UNCERTAINTY))
    )
    solved = sums.with_columns(
        bias.alias("line_bias"),
        slope.alias("line_slope"),
        reason.alias("line_reason"),
        (pl.col("blocks") - 2).alias("_n"),
    )
    rest = pl.col("bb") - pl.col("line_bias") * pl.col("b0") - pl.col("line_slope") * pl.col("b1")
    # no number, which nothing lies above, for two blocks: they fix a line exactly
    limits = pl.Series("_limit", scipy.special.chdtri(solved["_n"].to_numpy().astype(float), 1 - FIT_LEVEL))
    solved = solved.with_columns(
        limits,
        rest.alias("_rest"),
        (pl.col("a11") * (1.0 / det)).alias("_variance"),
        (pl.col("scatter") * (1.0 / det**2)).alias("_scatter"),
    )
    misfit = pl.col("_rest") > pl.col("_limit")
    enlarged = pl.when(misfit).then(pl.col("_rest") * (1.0 / pl.col("_n"))).otherwise(1.0)
    welch = pl.col("_degrees") * (pl.col("_variance") * (1.0 / pl.col("_scatter"))).clip(lower_bound=1.0) ** 2
    freedom = pl.when(misfit).then(pl.col("_n").cast(pl.Float64)).when(pl.col("_scatter") > 0).then(welch)
    there = pl.col("line_reason").is_null()
    beyond = (-pl.col("high")).clip(lower_bound=0.0) - pl.col("low").clip(lower_bound=0.0)
    return solved.select(
        "key",
        "blocks",
        pl.when(there).then("line_bias").alias("line_bias"),
        pl.when(there).then("line_slope").alias("line_slope"),
        pl.when(there).then((enlarged * pl.col("_variance")).sqrt()).alias("line_standard_uncertainty"),
        pl.when(there).then(freedom).alias("line_degrees_of_freedom"),
        pl.when(there).then(beyond).alias("line_beyond"),
        "line_reason",
    )
