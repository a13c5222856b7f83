"""Look-back of a temperature sensor: which lots were read with it since its last good check."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.errors import UsageError
from pipeline.judge.lots.temperature_flags import sensor_uses
from pipeline.metrology.sensor_checks import checks_of_sensors
from pipeline.near import nearest
from schemas.digits import counted
from schemas.sensors import SensorCheck, SensorLot, SensorTrace

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.judge.assessment import Assessment

__all__ = ["known_sensors", "trace_sensor"]


def known_sensors(assessment: Assessment) -> list[str]:
    """Return the sensors that stand in a table or on a reading of a part."""
    named = [assessment.tables[table]["sensor"].drop_nulls() for table in ("sensors", "sensor_checks")]
    return sorted({*assessment.sensors(), *(name for names in named for name in names)})


def trace_sensor(assessment: Assessment, sensor: str, *, since: datetime | None = None) -> SensorTrace:
    """Return the lots that were read with a sensor.

    Parameters
    ----------
    assessment
        Everything computed, as of the moment of the question.
    since
        Start of the window instead of the last good check.

    Returns
    -------
    SensorTrace
        Window from the last good check (in which no later check failed) to now; a failed check reaches back to the good
        one before it.

    Raises
    ------
    UsageError
        If the sensor neither stands in the tables nor on any reading.
    """
    settings, tables = assessment.settings, assessment.tables
    recorded = tables["sensor_checks"].filter((pl.col("sensor") == sensor) & (pl.col("checked_on") <= assessment.as_of))
    if not recorded.height and sensor not in (known := known_sensors(assessment)):
        hint = nearest(sensor, known) or f". Known sensors: {', '.join(known) or 'none'}."
        raise UsageError(f"No reading names sensor {sensor!r}, and no table does{hint}")
    checks = [
        SensorCheck(row["checked_on"], row["points"], row["error_c"], row["tolerance_c"], row["passed"])
        for row in checks_of_sensors(recorded, tables["sensors"], tolerance_c=settings.sensor_tolerance_c).iter_rows(
            named=True
        )
    ]
    good = [check.checked_on for check in checks if check.passed]
    start = since or (good[-1] if good else None)
    last = checks[-1] if checks else None
    reasons = []

    def day(moment: datetime) -> str:
        return f"{moment.astimezone(settings.zone):%Y-%m-%d}"

    if since is not None:
        reasons.append(f"Window from {since.astimezone(settings.zone):%Y-%m-%d %H:%M} {settings.time_zone}, as asked.")
    elif start is None:
        reasons.append("No check of this sensor ever passed, so the window starts at its first reading.")
    else:
        reasons.append(f"The last check that passed was on {day(start)}.")
    if last is not None and not last.passed:
        reasons.append(
            f"The check of {day(last.checked_on)} failed: {last.error_c:+.2g} °C, tolerance {last.tolerance_c:g} °C. Every lot below "
            "needs a look: an error of the temperature moves its value by the sensitivity in its budget."
        )
    window = assessment.readings_with(sensor, start).filter(
        pl.col("lot").is_not_null() & ~pl.col("excluded") & pl.col("value").is_not_null()
    )
    uses = (
        sensor_uses(assessment, window)
        .group_by("lot")
        .agg(
            pl.col("readings").sum(), pl.col("first_at").min(), pl.col("last_at").max(), pl.col("doubt").sort(nulls_last=True).first()
        )
        .sort("first_at", "lot")
    )  # fmt: skip
    if not uses.height:
        reasons.append("No lot was read with it since.")
    unknown = window.filter(pl.col("clock") != "known").height
    if unknown:
        reasons.append(
            f"{counted(unknown, 'reading')} with an unknown clock may have been taken at any time and are not listed."
        )
    lots = []
    for row in uses.iter_rows(named=True):
        result = assessment.lots[row["lot"]]
        decided = result.dispositions[-1] if result.dispositions else None
        lots.append(
            SensorLot(
                row["lot"],
                row["readings"],
                row["first_at"],
                row["last_at"],
                row["doubt"],
                result.verdict,
                f"{decided.decision} ({decided.by}: {decided.why})" if decided else None,
            )
        )
    return SensorTrace(
        sensor,
        start,
        assessment.as_of,
        None if last is None else last.passed,
        tuple(reasons),
        tuple(checks),
        tuple(lots),
    )
