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

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["ENOUGH_DEGREES", "LineFit", "bias_at", "biases_at_levels", "fit_bias_line"]

ENOUGH_DEGREES = 5
"""Degrees of freedom of the scatter between checks, pooled over the blocks, below which no line is fitted."""

_FEW_CHECKS = "fewer than six checks in all, so the scatter between checks is not known well enough"
_ONE_BLOCK = "a line needs checks on two blocks of different value"
_NO_UNCERTAINTY = (
    "a block has neither an uncertainty of its certificate nor checks that scatter, so it cannot be weighted"
)


@dataclass(frozen=True, slots=True)
class LineFit:
    """A line b = `bias` + `slope`·(x - `centre`) with the covariance of (bias, slope).

    `chi_squared` is the weighted sum of squares about the line, on `degrees_of_freedom` (blocks minus two). Where it is
    more than these, the covariance was enlarged by their ratio `enlarged` (the squared Birge ratio), else that is 1.
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


def fit_bias_line(
    levels: Sequence[float],
    biases: Sequence[float],
    scatter: Sequence[float],
    certificates: Sequence[float],
    chains: Sequence[str | None],
    *,
    correlation: float = 0.0,
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
    diagonal and r·uᵢ·uⱼ between blocks of one chain. Where χ² exceeds its degrees of freedom the covariance is enlarged by
    χ²/(n − 2) (Birge 1932, from memory).
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
    centre = float((weights.sum(axis=0) @ x) / weights.sum())
    design = np.column_stack([np.ones_like(x), x - centre])
    covariance = np.linalg.inv(design.T @ weights @ design)
    beta = covariance @ design.T @ weights @ b
    rest = b - design @ beta
    degrees = len(x) - 2
    chi_squared = float(rest @ weights @ rest) if degrees else 0.0
    enlarged = max(1.0, chi_squared / degrees) if degrees else 1.0
    covariance = covariance * enlarged
    return LineFit(
        centre,
        float(beta[0]),
        float(beta[1]),
        (
            (float(covariance[0, 0]), float(covariance[0, 1])),
            (float(covariance[1, 0]), float(covariance[1, 1])),
        ),
        chi_squared,
        degrees,
        enlarged,
        float(x.min()),
        float(x.max()),
    )


def bias_at(fit: LineFit, level: float) -> tuple[float, float, float]:
    """Return the bias at a level, its standard uncertainty, and how far the level lies beyond the blocks.

    Parameters
    ----------
    fit
        The line.
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
    (aa, ac), (_, cc) = fit.covariance
    beyond = level - fit.highest if level > fit.highest else level - fit.lowest if level < fit.lowest else 0.0
    return fit.bias + fit.slope * d, math.sqrt(max(aa + 2 * d * ac + d * d * cc, 0.0)), beyond


def biases_at_levels(points: pl.DataFrame, *, correlation: float = 0.0) -> pl.DataFrame:
    """Return what :func:`fit_bias_line` and :func:`bias_at` do, for many lines at once.

    Parameters
    ----------
    points
        One row a line and block, shape (n, any): key, block, level (where to look), certified, bias, variance (between
        checks of the block; null for one check), checks, certificate (standard uncertainty; null counts as none stated),
        chain.
    correlation
        As for :func:`fit_bias_line`.

    Returns
    -------
    polars.DataFrame
        By key: key, blocks, line_bias, line_slope, line_standard_uncertainty, line_beyond (0 between the blocks) and line_reason
        (why there is no line, else null; the figures are null then).

    Notes
    -----
    The scatter between checks is pooled over the blocks of a line. The inverse of V is written out chain by chain (Sherman
    and Morrison), so that the sums are those of groups; the level is the origin, which makes the intercept the answer.
    """
    degrees = (pl.col("checks") - 1).cast(pl.Float64)
    pooled = (degrees * pl.col("variance").fill_null(0.0)).sum().over("key") / degrees.sum().over("key")
    certificate = pl.col("certificate").fill_null(0.0)
    share = pl.when(pl.col("chain").is_not_null()).then(correlation).otherwise(0.0)
    frame = points.with_columns(
        degrees.sum().over("key").alias("_degrees"),
        pl.when(degrees.sum().over("key") > 0).then(pooled).otherwise(0.0).alias("_pooled"),
        share.alias("_r"),
        certificate.alias("_u"),
        (pl.col("certified") - pl.col("level")).alias("_x"),
    ).with_columns(
        (pl.col("_pooled") / pl.col("checks") + (1 - pl.col("_r")) * pl.col("_u") ** 2).alias("_d"),
    )
    frame = frame.with_columns(pl.when(pl.col("_d") > 0).then(1 / pl.col("_d")).alias("_w"))
    w, x, b, u = pl.col("_w"), pl.col("_x"), pl.col("bias"), pl.col("_u")
    by_chain = frame.group_by("key", pl.coalesce("chain", pl.format("\u0000{}", "block")).alias("_chain")).agg(
        pl.len().alias("blocks"), x.min().alias("low"), x.max().alias("high"), pl.col("_degrees").first(),
        w.null_count().alias("_bare"), pl.col("_r").first(),
        w.sum().alias("s0"), (w * x).sum().alias("s1"), (w * x * x).sum().alias("s2"),
        (w * b).sum().alias("t0"), (w * x * b).sum().alias("t1"), (w * b * b).sum().alias("t2"),
        (w * u).sum().alias("u0"), (w * u * x).sum().alias("u1"), (w * u * b).sum().alias("ub"), (w * u * u).sum().alias("uu"),
    )  # fmt: skip
    c = pl.col("_r") / (1 + pl.col("_r") * pl.col("uu"))
    sums = (
        by_chain.sort("key", "_chain")
        .group_by("key", maintain_order=True)
        .agg(
            pl.col("blocks").sum().cast(pl.Int64), pl.col("low").min(), pl.col("high").max(), pl.col("_degrees").first(),
            pl.col("_bare").sum(),
            (pl.col("s0") - c * pl.col("u0") ** 2).sum().alias("a00"),
            (pl.col("s1") - c * pl.col("u0") * pl.col("u1")).sum().alias("a01"),
            (pl.col("s2") - c * pl.col("u1") ** 2).sum().alias("a11"),
            (pl.col("t0") - c * pl.col("u0") * pl.col("ub")).sum().alias("b0"),
            (pl.col("t1") - c * pl.col("u1") * pl.col("ub")).sum().alias("b1"),
            (pl.col("t2") - c * pl.col("ub") ** 2).sum().alias("bb"),
        )
    )  # fmt: skip
    det = pl.col("a00") * pl.col("a11") - pl.col("a01") ** 2
    bias = (pl.col("a11") * pl.col("b0") - pl.col("a01") * pl.col("b1")) / det
    slope = (pl.col("a00") * pl.col("b1") - pl.col("a01") * pl.col("b0")) / det
    reason = (
        pl.when((pl.col("blocks") < 2) | ~(pl.col("high") > pl.col("low")))
        .then(pl.lit(_ONE_BLOCK))
        .when(pl.col("_degrees") < ENOUGH_DEGREES)
        .then(pl.lit(_FEW_CHECKS))
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
    enlarged = pl.when(pl.col("_n") > 0).then((rest / pl.col("_n")).clip(lower_bound=1.0)).otherwise(1.0)
    there = pl.col("line_reason").is_null()
    beyond = (
        pl.when(pl.col("high") < 0).then(-pl.col("high")).when(pl.col("low") > 0).then(-pl.col("low")).otherwise(0.0)
    )
    return solved.select(
        "key",
        "blocks",
        pl.when(there).then("line_bias").alias("line_bias"),
        pl.when(there).then("line_slope").alias("line_slope"),
        pl.when(there).then((enlarged * pl.col("a11") / det).sqrt()).alias("line_standard_uncertainty"),
        pl.when(there).then(beyond).alias("line_beyond"),
        "line_reason",
    )
