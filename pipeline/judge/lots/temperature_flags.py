"""Flags on how the temperature of the metal was known: range, distance from the block, source, age, sensor."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.metrology.sensor_checks import checks_of_sensors, doubt_of_sensors
from pipeline.metrology.temperature import sensitivities
from pipeline.metrology.units import convert_expression, is_resistivity
from schemas.digits import counted, digits_that_tell
from schemas.versions import join_version

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.judge.assessment import Basis

__all__ = ["meter_sensor_flags", "sensor_holds", "sensor_uses", "temperature_flags"]


def temperature_flags(assessment: Basis, live: pl.DataFrame) -> dict[str, list[str]]:
    """Return the flags of each lot that speak of temperature.

    Parameters
    ----------
    assessment
        Settings, reference tables and checks.
    live
        Part readings that count.

    Returns
    -------
    dict
        Lot -> flags.
    """
    found: dict[str, list[str]] = {}
    for each in (_working_range, _apart_from_block, _source, _age, _sensors):
        for lot, text in each(assessment, live):
            found.setdefault(lot, []).append(text)
    return found


def _working_range(assessment: Basis, live: pl.DataFrame) -> list[tuple[str, str]]:
    low, high = assessment.settings.working_temperature_c
    rows = (
        live.filter((pl.col("temperature_c") < low) | (pl.col("temperature_c") > high))
        .group_by(pl.col("lot").cast(pl.String))
        .agg(
            pl.len().alias("n"),
            pl.col("temperature_c").min().alias("coldest"),
            pl.col("temperature_c").max().alias("warmest"),
        )
        .sort("lot")
    )
    found = []
    for lot, n, coldest, warmest in rows.iter_rows():
        reach = [f"down to {coldest:g} °C"] * (coldest < low) + [f"up to {warmest:g} °C"] * (warmest > high)
        found.append(
            (
                lot,
                (
                    f"metal_outside_working_range: {counted(n, 'reading')} at metal temperatures outside {low:g} to {high:g} °C, "
                    f"{', '.join(reach)}; let the metal come to room temperature and read again"
                ),
            )
        )
    return found


def _apart_from_block(assessment: Basis, live: pl.DataFrame) -> list[tuple[str, str]]:
    """Flag lots whose metal was too far from the block's temperature, with the largest difference."""
    limit = assessment.settings.block_part_difference_c
    checks = assessment.checks.filter(pl.col("temperature_c").is_not_null())
    readings = live.filter((pl.col("clock") == "known") & (pl.col("temperature_state") != "at_reference"))
    if not checks.height or not readings.height:
        return []
    of_lot = (
        readings.group_by("lot", "meter")
        .agg(
            pl.col("measured_at").min(),
            pl.col("temperature_c").min().alias("low"),
            pl.col("temperature_c").max().alias("high"),
        )
        .with_columns(pl.col(pl.Categorical).cast(pl.String))
    )
    joined = of_lot.sort("measured_at").join_asof(
        checks.select("meter", "at", pl.col("temperature_c").alias("block_c")).sort("at"),
        left_on="measured_at", right_on="at", by="meter", strategy="backward", check_sortedness=False,
    )  # fmt: skip
    apart = pl.max_horizontal((pl.col("high") - pl.col("block_c")).abs(), (pl.col("low") - pl.col("block_c")).abs())
    rows = (
        joined.with_columns(apart.alias("t"))
        .filter(pl.col("t") > limit)
        .group_by("lot")
        .agg(pl.col("t").max())
        .sort("lot")
    )
    return [
        (
            lot,
            (
                f"block_and_part_apart: metal {t:.1f} °C from the block checked before it, more than {limit:g} °C (settings: "
                "block_part_difference_c); keep blocks beside the parts until both have one temperature, then check and read again"
            ),
        )
        for lot, t in rows.iter_rows()
    ]


def _source(assessment: Basis, live: pl.DataFrame) -> list[tuple[str, str]]:
    if live["temperature_source"].null_count() == live.height:
        return []
    accepted = assessment.settings.temperature_sources.split()
    used = live.select("lot", "temperature_source", "temperature_state").filter(
        pl.col("temperature_source").is_not_null() & (pl.col("temperature_state") != "at_reference")
    )
    rows = (
        used.group_by("lot", "temperature_source")
        .agg(pl.len().alias("n"))
        .with_columns(pl.col("lot", "temperature_source").cast(pl.String))
        .filter(~pl.col("temperature_source").is_in(accepted))
        .sort("lot", "temperature_source")
    )
    what = {"ambient": "the temperature of the air, which is not that of the metal"}
    return [
        (
            lot,
            (
                f"temperature_source: {counted(n, 'reading')} corrected with {what.get(source, f'a temperature from the source {source}')}; "
                f"accepted here: {', '.join(accepted) or 'none'} (settings: temperature_sources); take it on the metal and read again"
            ),
        )
        for lot, source, n in rows.iter_rows()
    ]


def _age(assessment: Basis, live: pl.DataFrame) -> list[tuple[str, str]]:
    if live["temperature_age_min"].null_count() == live.height:
        return []
    limit = assessment.settings.temperature_age_minutes
    rows = (
        live.filter((pl.col("temperature_age_min") > limit) & (pl.col("temperature_state") != "at_reference"))
        .group_by(pl.col("lot").cast(pl.String))
        .agg(pl.len().alias("n"), pl.col("temperature_age_min").max())
        .sort("lot")
    )
    return [
        (
            lot,
            (
                f"temperature_old: {counted(n, 'reading')} with a temperature taken up to {age:.{digits_that_tell(3, age, limit)}g} min before, more than {limit:g} min "
                "(settings: temperature_age_minutes); take the temperature again with the readings"
            ),
        )
        for lot, n, age in rows.iter_rows()
    ]


def sensor_uses(assessment: Basis, live: pl.DataFrame, *, of: str = "lot") -> pl.DataFrame:
    """Return, by lot (or meter) and sensor, what stood behind the temperatures.

    Parameters
    ----------
    assessment
        Settings and reference tables.
    live
        Readings that count.
    of
        ``lot`` or ``meter``.

    Returns
    -------
    polars.DataFrame
        The lot or meter, sensor, readings, first_at, last_at, due_on (where the sensor was past it), registered, doubt,
        good_on, failed_on, error_c, tolerance_c; one row a lot, sensor and state of doubt. Only readings of a believed clock
        whose sensor is named.
    """
    empty = pl.DataFrame(schema={of: pl.String, **_USES})
    if live["sensor"].null_count() == live.height:
        return empty
    settings, tables = assessment.settings, assessment.tables
    named = live.filter(pl.col("sensor").is_not_null() & (pl.col("clock") == "known"))
    known = tables["sensor_checks"].filter(pl.col("checked_on") <= assessment.as_of)
    checks = checks_of_sensors(known, tables["sensors"], tolerance_c=settings.sensor_tolerance_c)
    days = settings.sensor_check_interval_days
    interval = timedelta(days=days) if days else None
    # uses of a lot between two moments at which anything changes for a sensor share their fate
    epoch = _changes(tables["sensors"], checks, interval).search_sorted(named["measured_at"], side="right")
    uses = (
        named.select(of, "sensor", "measured_at", epoch.alias("_epoch"))
        .group_by(of, "sensor", "_epoch")
        .agg(
            pl.len().cast(pl.Int64).alias("readings"),
            pl.col("measured_at").min().alias("_first"),
            pl.col("measured_at").max(),
        )
        .with_columns(pl.col(of, "sensor").cast(pl.String))
        .sort(of, "sensor", "_epoch")
    )
    uses = join_version(
        uses,
        tables["sensors"].with_columns(pl.lit(value=True).alias("_registered")),
        key="sensor",
        at="measured_at",
        columns={"due_on": "due_on", "_registered": "registered"},
    )
    judged = doubt_of_sensors(uses, checks, interval=interval)
    return (
        judged.with_columns(pl.when(pl.col("due_on") + _A_DAY <= pl.col("measured_at")).then("due_on").alias("due_on"))
        .group_by(of, "sensor", "due_on", "registered", "doubt", "good_on", "failed_on", "error_c", "tolerance_c")
        .agg(
            pl.col("readings").sum(),
            pl.col("_first").min().alias("first_at"),
            pl.col("measured_at").max().alias("last_at"),
        )
        .with_columns(pl.col("registered").fill_null(value=False))
        .select(of, *_USES)
        .sort(of, "sensor", "first_at")
    )


_A_DAY = timedelta(days=1)
"""The day on which a sensor is due still counts."""

_USES: dict[str, Any] = {
    "sensor": pl.String, "readings": pl.Int64, "first_at": pl.Datetime("us", "UTC"),
    "last_at": pl.Datetime("us", "UTC"), "due_on": pl.Datetime("us", "UTC"), "registered": pl.Boolean, "doubt": pl.String,
    "good_on": pl.Datetime("us", "UTC"), "failed_on": pl.Datetime("us", "UTC"), "error_c": pl.Float64,
    "tolerance_c": pl.Float64,
}  # fmt: skip


def _changes(sensors: pl.DataFrame, checks: pl.DataFrame, interval: timedelta | None) -> pl.Series:
    """Return the moments from which on something else holds for a sensor, sorted."""
    after = timedelta(microseconds=1)
    moments = [sensors["valid_from"], sensors["due_on"] + _A_DAY, checks["checked_on"]]
    if interval is not None:
        moments.append(checks["checked_on"] + interval + after)
    return pl.concat([each.rename("at") for each in moments]).drop_nulls().unique().sort()


def _day(moment: datetime | None, assessment: Basis) -> str:
    return "never" if moment is None else f"{moment.astimezone(assessment.settings.zone):%Y-%m-%d}"


def _moved_by(row: dict[str, Any], assessment: Basis, live: pl.DataFrame, of: str) -> str:
    """Say how far an error of the sensor moves the values that were corrected with it; empty where none was."""
    settings = assessment.settings
    readings = live.filter(
        (pl.col(of) == row[of])
        & (pl.col("sensor") == row["sensor"])
        & (pl.col("temperature_state") != "at_reference")
        & pl.col("value_at_reference").is_not_null()
    )
    if not readings.height:
        return ""
    value = convert_expression(pl.col("value_at_reference"), settings.unit, "MS/m")
    by_temperature, _ = sensitivities(
        value,
        pl.col("temperature_c"),
        reference_c=settings.reference_temperature_c,
        model=pl.col("temperature_model").cast(pl.String),
        coefficient=pl.col("coefficient"),
    )
    slope = (by_temperature * (pl.col("value_at_reference") / value)).mean()
    per_degree = readings.select(slope).item()
    if is_resistivity(settings.unit):
        per_degree = -per_degree
    return f", an error that moves these values by about {per_degree * row['error_c']:+.2g} {settings.unit}"


def _doubt_in_words(row: dict[str, Any], assessment: Basis, live: pl.DataFrame, of: str) -> str:
    good = _day(row["good_on"], assessment)
    if row["doubt"] == "failed":
        moved = _moved_by(row, assessment, live, of)
        return (
            f"{counted(row['readings'], 'reading')} with sensor {row['sensor']}, which was {row['error_c']:+.2g} °C off on "
            f"{_day(row['failed_on'], assessment)} (tolerance {row['tolerance_c']:g} °C; last good check {good}){moved}: find out since when, "
            f"and measure again where the error matters (annealog trace --sensor {row['sensor']})"
        )
    days = assessment.settings.sensor_check_interval_days
    return (
        f"{counted(row['readings'], 'reading')} with sensor {row['sensor']}, last good check {good}, and the site asks for one every {days:g} "
        f"days: check the sensor and enter it in reference/sensor_checks.csv (annealog trace --sensor {row['sensor']})"
    )


def _sensors(assessment: Basis, live: pl.DataFrame) -> list[tuple[str, str]]:
    return _of_sensors(assessment, live, "lot")


def _of_sensors(assessment: Basis, live: pl.DataFrame, of: str) -> list[tuple[str, str]]:
    """Return flags on the sensors that read for a lot or a meter."""
    found: list[tuple[str, str]] = []
    uses = sensor_uses(assessment, live, of=of)
    together = uses.group_by(of, "sensor", "due_on", "registered", maintain_order=True).agg(
        pl.col("readings").sum(), pl.col("last_at").max()
    )
    for row in together.iter_rows(named=True):
        if not row["registered"]:
            text = (
                f"sensor_not_registered: {counted(row['readings'], 'reading')} with sensor {row['sensor']}, which does not stand in "
                "reference/sensors.csv, so its correction and its uncertainty are not known"
            )
        elif row["due_on"] is not None:
            late = (row["last_at"] - row["due_on"]).total_seconds() / 86400
            text = (
                f"sensor_overdue: {counted(row['readings'], 'reading')} with sensor {row['sensor']}, due on "
                f"{_day(row['due_on'], assessment)}, up to {counted(round(late), 'day')} before: have it calibrated and enter the new due date "
                "with its valid_from in reference/sensors.csv"
            )
        else:
            continue
        found.append((row[of], text))
    states = ("doubt", "good_on", "failed_on", "error_c", "tolerance_c")
    doubtful = (
        uses.filter(pl.col("doubt").is_not_null())
        .group_by(of, "sensor", *states, maintain_order=True)
        .agg(pl.col("readings").sum())
    )
    for row in doubtful.iter_rows(named=True):
        code = "sensor_in_doubt" if row["doubt"] == "failed" else "sensor_check_missing"
        found.append((row[of], f"{code}: {_doubt_in_words(row, assessment, live, of)}"))
    return found


def meter_sensor_flags(assessment: Basis) -> dict[str, list[str]]:
    """Return flags on the sensors that took the temperatures of each meter's checks and settings.

    Parameters
    ----------
    assessment
        Readings, settings and reference tables.

    Returns
    -------
    dict
        Meter -> flags.
    """
    if assessment.readings["sensor"].null_count() == assessment.readings.height:
        return {}
    on_blocks = assessment.readings.filter(
        (pl.col("role") != "part") & ~pl.col("excluded") & pl.col("value").is_not_null()
    )
    found: dict[str, list[str]] = {}
    for meter, text in _of_sensors(assessment, on_blocks, "meter"):
        found.setdefault(meter, []).append(text)
    return found


def sensor_holds(assessment: Basis, live: pl.DataFrame) -> dict[str, str]:
    """Return, where the site asks for it, the reason to hold each lot read with a sensor in doubt.

    A missing check flags and does not hold. Without the setting `sensor_failures_hold` a failed one does not either: support
    speaks of meters, and the size of the error stands in the flag for whoever decides.
    """
    if not assessment.settings.sensor_failures_hold:
        return {}
    uses = sensor_uses(assessment, live).filter(pl.col("doubt") == "failed")
    found: dict[str, str] = {}
    for row in uses.iter_rows(named=True):
        found.setdefault(
            row["lot"],
            f"The temperature came from sensor {row['sensor']}, which failed its check on {_day(row['failed_on'], assessment)} "
            f"({row['error_c']:+.2g} °C, tolerance {row['tolerance_c']:g} °C).",
        )
    return found
