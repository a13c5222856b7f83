"""Precision of a meter: the standard deviation within a check against its action limit.

A check is judged by the checks of its series before it (one meter, probe, frequency and block since the setting), leaving out
those that were outlying themselves: so it never enters the pool it is judged by, a later check never changes what was said of
it, and one wild check does not hide the next. s beyond s1·√F(level; ν, ν1) is a signal (NIST/SEMATECH e-Handbook of
Statistical Methods, doi:10.18434/M32189, 2.2.2.1 and 2.3.5). It asks for a look at probe, surface and fixture; it suspends no
meter and changes no lot.
"""

from __future__ import annotations

from math import nan, sqrt

import numpy as np
import polars as pl
import scipy

from pipeline.metrology.block_checks import SERIES
from pipeline.metrology.units import convert, derivative
from schemas.versions import join_version

__all__ = ["add_precision"]


def add_precision(checks: pl.DataFrame, meters: pl.DataFrame, *, unit: str, level: float) -> pl.DataFrame:
    """Add to each check its action limit of precision and whether it lies beyond.

    Parameters
    ----------
    checks
        With the series columns, at, check, mean, certified_value, within_standard_deviation, within_degrees_of_freedom.
    meters
        Reference table `meters`, for the resolution.
    unit
        Working unit.
    level
        Part of checks that stay below the limit while precision has not changed, between 0 and 1.

    Returns
    -------
    polars.DataFrame
        Same rows in the same order, with rounding (standard deviation r/√12 that the display's step r makes; null where it is
        not stated), precision_limit (null where there is nothing to judge by, or no scatter to judge), imprecise.

    Raises
    ------
    ValueError
        If the level is not between 0 and 1.

    Notes
    -----
    A pooled standard deviation below r/√12 is taken as that: readings of an even block all show one number, and one that shows
    the next is no change of the meter.
    """
    if not 0.0 < level < 1.0:
        raise ValueError(f"a level of {level} makes no sense; expected a number between 0 and 1")
    rows = _with_rounding(checks, meters, unit).with_row_index("_row")
    ordered = rows.sort(*SERIES, "at", "check")
    series = ordered.select(pl.struct(SERIES).rle_id()).to_series().to_list()
    judged: list[tuple[float, float, float]] = []
    outlying: list[bool] = []
    least: dict[float, float] = {}
    before = None
    columns = ordered.select("within_standard_deviation", "within_degrees_of_freedom", "rounding").iter_rows()
    for number, (s, degrees, rounding) in zip(series, columns, strict=True):
        if number != before:
            before, squares, pooled = number, 0.0, 0.0
        if s is None or not degrees:
            judged.append((nan, nan, nan))
            outlying.append(False)
            continue
        own = float(degrees)
        base = max(sqrt(squares / pooled), rounding or 0.0) if pooled else 0.0
        judged.append((base or nan, own, pooled))
        # the quantile of F is never below that of an endless pool: most checks need no other
        if own not in least:
            least[own] = float(scipy.special.chdtri(own, 1.0 - level)) / own
        ratio = (s / base) ** 2 if base else nan
        outlying.append(ratio > least[own] and ratio > float(scipy.special.fdtri(own, pooled, level)))
        if not outlying[-1]:
            squares += own * s * s
            pooled += own
    bases, own_degrees, pools = np.array(judged, dtype=np.float64).reshape(len(judged), 3).T
    limits = bases * np.sqrt(scipy.special.fdtri(own_degrees, pools, level))
    return (
        ordered.with_columns(
            pl.Series("precision_limit", limits, dtype=pl.Float64).fill_nan(None),
            pl.Series("imprecise", outlying, dtype=pl.Boolean),
        )
        .sort("_row")
        .drop("_row")
    )


def _with_rounding(checks: pl.DataFrame, meters: pl.DataFrame, unit: str) -> pl.DataFrame:
    """Add `rounding`, at the value of the block."""
    stated = join_version(
        checks, meters, key="meter", at="at", columns={"resolution": "_step", "unit": "_unit"}
    ).with_columns(pl.coalesce("certified_value", pl.col("mean").drop_nulls().first().over(SERIES)).alias("_level"))
    distinct = stated.select("_step", "_unit", "_level").unique().drop_nulls()
    # few and scalar, so each is converted once
    steps = [
        abs(step * derivative(convert(value, unit, given), given, unit)) / sqrt(12)
        for step, given, value in distinct.iter_rows()
    ]
    known = distinct.with_columns(pl.Series("rounding", steps, dtype=pl.Float64))
    return stated.join(known, on=["_step", "_unit", "_level"], how="left", maintain_order="left").drop(
        "_step", "_unit", "_level"
    )
