"""External calibrations of a meter: the deviation found at each point, and whether it is within its tolerance."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.metrology.units import convert, derivative
from schemas.declare import UTC_TIME

if TYPE_CHECKING:
    from datetime import datetime

__all__ = ["CALIBRATION_COLUMNS", "judge_calibrations"]

CALIBRATION_COLUMNS: dict[str, Any] = {
    "meter": pl.String,
    "calibrated_on": UTC_TIME,
    "condition": pl.String,
    "nominal": pl.Float64,
    "indicated": pl.Float64,
    "deviation": pl.Float64,
    "tolerance": pl.Float64,
    "expanded_uncertainty": pl.Float64,
    "unit": pl.String,
    "passes": pl.Boolean,
    "near": pl.Boolean,
    "level": pl.Float64,
    "change": pl.Float64,
    "certificate": pl.String,
    "laboratory": pl.String,
}

_TIES = 1e-9


def judge_calibrations(
    table: pl.DataFrame, *, unit: str, tolerance: float, tolerance_unit: str, as_of: datetime
) -> pl.DataFrame:
    """Judge each calibration point: it passes when |indicated - nominal| <= tolerance (simple acceptance, JCGM 106).

    Parameters
    ----------
    table
        Reference table `calibrations`, the versions that hold.
    unit
        Working unit, for `level` and `change`.
    tolerance, tolerance_unit
        Used for a point that states no tolerance of its own: what a check on a block may deviate.
    as_of
        Later calibrations are left out.

    Returns
    -------
    polars.DataFrame
        `CALIBRATION_COLUMNS`, sorted by meter, time, condition (as found first) and nominal. `deviation`, `tolerance`
        and `expanded_uncertainty` are in the point's own `unit`; `level` and `change` are nominal and deviation in the
        working unit; `near` marks a point whose deviation lies within its uncertainty of the tolerance, on either side.
    """
    rows = []
    for row in table.filter(pl.col("calibrated_on") <= as_of).iter_rows(named=True):
        own = row["unit"]
        allowed = row["tolerance"]
        if allowed is None:
            at = convert(row["nominal"], own, tolerance_unit)
            allowed = abs(tolerance * derivative(at, tolerance_unit, own))
        found = row["indicated"]
        deviation = None if found is None else found - row["nominal"]
        u = row["expanded_uncertainty"]
        rows.append(
            {
                **{name: row[name] for name in ("meter", "calibrated_on", "condition", "nominal", "indicated", "unit")},
                **{name: row[name] for name in ("expanded_uncertainty", "certificate", "laboratory")},
                "deviation": deviation,
                "tolerance": allowed,
                "passes": None if deviation is None else abs(deviation) <= allowed + _TIES * row["nominal"],
                "near": None if deviation is None or u is None else abs(abs(deviation) - allowed) < u,
                "level": convert(row["nominal"], own, unit),
                "change": None if found is None else convert(found, own, unit) - convert(row["nominal"], own, unit),
            }
        )
    return pl.DataFrame(rows, schema=CALIBRATION_COLUMNS).sort("meter", "calibrated_on", "condition", "nominal")
