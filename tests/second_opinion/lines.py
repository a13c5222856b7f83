"""Bias of a meter against conductivity: a straight line over its blocks by generalised least squares (ISO/TS 28037)."""

from __future__ import annotations

import math
from collections import defaultdict
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import stats

from second_opinion.budgets import local_level

if TYPE_CHECKING:
    from collections.abc import Iterable

    from second_opinion.checks import Check
    from second_opinion.exports import Workspace

__all__ = ["at_level", "bias_line"]

ENOUGH_DEGREES = 5
"""Of the scatter between checks, pooled over blocks: what six checks on one block give."""


def bias_line(workspace: Workspace, checks: Iterable[Check]) -> dict[str, Any] | None:
    """Return the line over checks since one setting by one probe at one frequency; None where they are too few.

    The bias on a block is the meter's local level; it has the scatter of checks about it, pooled over blocks, and the uncertainty of
    the certificate; certificates of one chain are correlated. Abscissae are certified values, centred so that level and slope are uncorrelated.
    """
    of_block: defaultdict[str, list[Check]] = defaultdict(list)
    for check in checks:
        if check.certificate is not None:
            of_block[check.block].append(check)
    n = sum(map(len, of_block.values()))
    nu = n - len(of_block)
    if len(of_block) < 2 or nu < ENOUGH_DEGREES:
        return None
    last = {block: one[-1].certificate or (0.0, 0.0) for block, one in of_block.items()}
    names = sorted(of_block, key=lambda block: last[block][0])
    told = [local_level([check.bias or 0.0 for check in of_block[block]]) for block in names]
    pooled = sum(s**2 * free for _, _, s, free, _ in told if free) / nu
    x, y = np.array([last[block][0] for block in names]), np.array([level for level, *_ in told])
    u = np.array([last[block][1] for block in names])
    scatter = np.diag([pooled * share for _, share, *_ in told])
    chains = [workspace.row("blocks", block, of_block[block][-1].at).get("certificate_chain") for block in names]
    rho = np.array(
        [[float(a == b and bool(a)) * workspace.settings["certificate_correlation"] for a in chains] for b in chains]
    )
    np.fill_diagonal(rho, 1.0)
    v = scatter + rho * np.outer(u, u)
    weight = np.linalg.inv(v)
    ones = np.ones_like(x)
    centre = float(ones @ weight @ x / (ones @ weight @ ones))
    design = np.column_stack([ones, x - centre])
    covariance = np.linalg.inv(design.T @ weight @ design)
    estimator = covariance @ design.T @ weight
    bias, slope = estimator @ y
    rest = y - design @ (bias, slope)
    free = len(names) - 2
    chi_squared, limit = (float(rest @ weight @ rest), float(stats.chi2.ppf(0.95, free))) if free else (None, None)
    enlarged = chi_squared / free if chi_squared is not None and limit is not None and chi_squared > limit else 1.0
    found = {
        "centre": centre, "bias": float(bias), "slope": float(slope), "covariance": (covariance * enlarged).tolist(),
        "scatter_covariance": (estimator @ scatter @ estimator.T).tolist(), "scatter_degrees_of_freedom": float(nu),
        "chi_squared": chi_squared, "degrees_of_freedom": free, "chi_squared_limit": limit, "enlarged": enlarged,
        "lowest": float(x[0]), "highest": float(x[-1]),
    }  # fmt: skip
    half = math.sqrt(found["covariance"][1][1]) * _t(workspace, found, np.array([0.0, 1.0]))
    return {**found, "slope_interval": [float(slope - half), float(slope + half)]}


def _degrees(line: dict[str, Any], at: Any) -> float:
    """Return effective degrees of freedom: only the scatter is estimated (GUM G.4.1); a misfit, from its own degrees of freedom."""
    u2 = at @ np.array(line["covariance"]) @ at
    if line["enlarged"] > 1.0:
        return float(line["degrees_of_freedom"])
    return float(line["scatter_degrees_of_freedom"] * (u2 / (at @ np.array(line["scatter_covariance"]) @ at)) ** 2)


def _t(workspace: Workspace, line: dict[str, Any], at: Any) -> float:
    return float(stats.t.ppf(0.5 + workspace.settings["confidence"] / 2.0, math.floor(_degrees(line, at))))


def at_level(line: dict[str, Any], level: float) -> dict[str, float]:
    """Return the bias that a line gives at a level, and how far the level lies beyond the outermost blocks."""
    at = np.array([1.0, level - line["centre"]])
    return {
        "bias": float(at @ (line["bias"], line["slope"])),
        "standard_uncertainty": math.sqrt(at @ np.array(line["covariance"]) @ at),
        "degrees_of_freedom": _degrees(line, at),
        "beyond": max(level - line["highest"], 0.0) + min(level - line["lowest"], 0.0),
    }
