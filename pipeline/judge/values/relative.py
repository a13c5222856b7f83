"""Relative readings: finds the setting before each in its meter's stream, and what that setting taught the meter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from pipeline.metrology.block_checks import numbered_stream
from pipeline.metrology.relative_state import BlockOfSetting, SettingCurve, problem_of_block
from pipeline.metrology.units import convert
from schemas.versions import join_version

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from pipeline.workspace.settings import Settings

__all__ = ["SETTING_COLUMNS", "with_setting"]

SETTING_COLUMNS: dict[str, Any] = {
    "setting_factor": pl.Float64,
    "setting_problem": pl.Categorical,
    "setting_log_slope_temperature": pl.Float64,
    "setting_log_slope_coefficient": pl.Float64,
    "setting_material": pl.Categorical,
    "setting_sensor": pl.Categorical,
    "setting_in_words": pl.Categorical,
}
"""What a relative reading knows of its setting; `setting_material` and `setting_sensor` are null unless there is one."""

_ORDER = ("meter", "measured_at", "sequence", "file_rank", "line", "replicate")
_NEEDED = (*_ORDER, "role", "clock", "excluded", "block", "sensor", "temperature_c", "value_ms_per_m")
_NOWHERE = -2
"""Place of a reading whose clock is not believed; -1 is that before the first setting."""


@dataclass(frozen=True, slots=True)
class _Setting:
    """One setting of a meter as far as it is known."""

    curve: SettingCurve | None
    problem: str | None
    material: str | None
    sensor: str | None
    words: str | None


def with_setting(
    frame: pl.DataFrame,
    tables: Mapping[str, pl.DataFrame],
    settings: Settings,
    adjustments: pl.DataFrame,
    marks: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Add to relative readings what the setting before them taught the meter; a frame without any stays as it is.

    Parameters
    ----------
    frame
        Readings with material, temperature_model, coefficient, file_rank and excluded; temperatures corrected already.
    tables
        Reference tables.
    settings
        Reference temperature, temperatures that are believed, zone.
    adjustments
        Recorded settings: meter, measured_at, block, temperature_c.
    marks
        Of readings that are not at hand, but stand between those that are.

    Returns
    -------
    polars.DataFrame
        With :data:`SETTING_COLUMNS`, null for readings in another state. The last setting before a reading is that in
        the meter's stream (place, not time, decides); a reading of a setting takes the setting it belongs to.
    """
    relative = (frame["temperature_state"] == "relative").fill_null(value=False)
    if not relative.any():
        return frame
    needed = frame.select(*_NEEDED).with_row_index("_row")
    meters = needed.filter(relative)["meter"].unique().implode()
    of_meters = needed.filter(pl.col("meter").is_in(meters))
    placed_rows = of_meters.filter(pl.col("clock") == "known").select(*_ORDER, "role", "_row")
    if marks is not None and marks.height:
        others = marks.filter((pl.col("clock") == "known") & ~pl.col("study")).select(*_ORDER, "role")
        others = others.with_columns(pl.col(name).cast(placed_rows.schema[name]) for name in others.columns)
        placed_rows = pl.concat([placed_rows, others.filter(pl.col("meter").is_in(meters))], how="diagonal")
    stream = numbered_stream(
        placed_rows,
        adjustments.with_columns(pl.col("meter").cast(frame.schema["meter"])).filter(pl.col("meter").is_in(meters)),
    )
    found = _settings(stream, of_meters, adjustments, tables, settings)
    placed = stream.filter(~pl.col("recorded") & pl.col("_row").is_not_null()).select(
        "_row",
        pl.when(pl.col("role") == "setting").then("setting").otherwise(pl.col("settings_before") - 1).alias("at"),
    )
    place = np.full(frame.height, _NOWHERE)
    place[placed["_row"].to_numpy()] = placed["at"].to_numpy()
    asked = (
        needed.select("_row", "meter", "value_ms_per_m", pl.Series("_setting", place))
        .filter(relative)
        .with_columns(pl.col("meter").cast(pl.String))
    )
    parts = [
        _of_one_setting(group, found.get((group["meter"][0], group["_setting"][0])))
        for group in asked.partition_by("meter", "_setting", maintain_order=True)
    ]
    # only the key goes through the join: the other columns of millions of rows need not be copied
    found_columns = needed.select("_row").join(pl.concat(parts), on="_row", how="left", maintain_order="left")
    return frame.with_columns(found_columns.select(*SETTING_COLUMNS).get_columns())


def _of_one_setting(group: pl.DataFrame, setting: _Setting | None) -> pl.DataFrame:
    """Return the columns of a setting for the readings that follow it."""
    meter, place = group["meter"][0], group["_setting"][0]
    nothing = {name: pl.lit(None, dtype).alias(name) for name, dtype in SETTING_COLUMNS.items()}
    if setting is None or setting.curve is None:
        why = setting.problem if setting is not None else None
        if why is None:
            why = (
                f"the clock of meter {meter} is not believed for this reading, so the setting before it cannot be found"
                if place == _NOWHERE
                else f"no setting of meter {meter} is known before it. {_record(meter, 'TIME')}"
            )
        text = f"relative state, and {why}"
        said = pl.lit(text, pl.Categorical).alias("setting_problem")
        return group.select("_row", *{**nothing, "setting_problem": said}.values())
    shown = group["value_ms_per_m"].cast(pl.Float64).to_numpy()
    known = shown > 0
    safe = shown.copy()
    safe[~known] = 1.0
    by_temperature, by_coefficient = setting.curve.log_slopes(safe)
    return group.select(
        "_row",
        pl.Series("setting_factor", setting.curve.factor(safe)),
        nothing["setting_problem"],
        pl.Series("setting_log_slope_temperature", by_temperature),
        pl.Series("setting_log_slope_coefficient", by_coefficient),
        pl.lit(setting.material, pl.Categorical).alias("setting_material"),
        pl.lit(setting.sensor, pl.Categorical).alias("setting_sensor"),
        pl.lit(setting.words, pl.Categorical).alias("setting_in_words"),
    )


def _record(meter: str, at: str) -> str:
    return (
        "Load the readings of the setting with block and temperature_c, or record what is known: annealog record adjustment "
        f"--meter {meter} --at {at} --block ID --temperature DEGREES --by NAME --why TEXT"
    )


def _settings(
    stream: pl.DataFrame,
    readings: pl.DataFrame,
    adjustments: pl.DataFrame,
    tables: Mapping[str, pl.DataFrame],
    settings: Settings,
) -> dict[tuple[str, int], _Setting]:
    """Return every setting of these meters by meter and number."""
    rows = stream.filter(pl.col("role") == "setting").select(
        pl.col("meter").cast(pl.String), "measured_at", "setting", "recorded", "_row"
    )
    exported = rows.filter(~pl.col("recorded")).join(
        readings.filter((pl.col("role") == "setting") & ~pl.col("excluded")).select(
            "_row", pl.col("block", "sensor").cast(pl.String), "temperature_c"
        ),
        on="_row",
        how="inner",
    )
    recorded = (
        rows.filter("recorded")
        .unique(["meter", "measured_at", "setting"], maintain_order=True)
        .join(adjustments.select("meter", "measured_at", "block", "temperature_c"), on=["meter", "measured_at"])
        .with_columns(pl.lit(None, pl.String).alias("sensor"))
    )
    columns = ["meter", "setting", "measured_at", "block", "temperature_c", "sensor", "recorded"]
    told = pl.concat([exported.select(columns), recorded.select(columns)])
    when = rows.group_by("meter", "setting").agg(pl.col("measured_at").max().alias("at"))
    blocks = (
        told.drop_nulls("block")
        .group_by("meter", "setting", "block")
        .agg(
            pl.coalesce(
                pl.col("temperature_c").filter("recorded").mean(),
                pl.col("temperature_c").filter(~pl.col("recorded")).mean(),
            ).alias("temperature_c"),
            pl.col("sensor").drop_nulls().unique().sort().alias("sensors"),
        )
        .join(when, on=["meter", "setting"])
    )
    blocks = join_version(
        blocks,
        tables["blocks"].with_columns(pl.lit(True).alias("_registered")),
        key="block",
        at="at",
        columns={
            "material": "material",
            "certified_value": "certified_value",
            "unit": "unit",
            "_registered": "registered",
        },
    )
    blocks = join_version(
        blocks,
        tables["materials"],
        key="material",
        at="at",
        columns={"temperature_model": "model", "coefficient": "coefficient", "source": "source"},
    ).sort("meter", "setting", "block")
    by_setting: dict[tuple[str, int], list[dict[str, Any]]] = {}
    for row in blocks.iter_rows(named=True):
        by_setting.setdefault((row["meter"], row["setting"]), []).append(row)
    return {
        (meter, number): _setting(meter, at, by_setting.get((meter, number), []), settings)
        for meter, number, at in when.sort("meter", "setting").iter_rows()
    }


def _local(moment: datetime, settings: Settings) -> str:
    return moment.astimezone(settings.zone).isoformat(timespec="seconds" if not moment.microsecond else "microseconds")


def _setting(meter: str, at: datetime, rows: list[dict[str, Any]], settings: Settings) -> _Setting:
    """Return what a setting taught the meter, or what is missing to say so."""
    local = _local(at, settings)
    if not rows:
        why = f"the setting of meter {meter} at {local} states no block. {_record(meter, local)}"
        return _Setting(None, why, None, None, None)
    given = [
        BlockOfSetting(
            row["block"],
            None if row["certified_value"] is None else convert(row["certified_value"], row["unit"], "MS/m"),
            row["temperature_c"],
            row["model"],
            row["coefficient"],
            row["material"],
            row["source"],
        )
        for row in rows
    ]
    for row, block in zip(rows, given, strict=True):
        problem = problem_of_block(
            block,
            alone=len(rows) == 1,
            registered=bool(row["registered"]),
            plausible_temperature_c=settings.plausible_temperature_c,
        )
        if problem is not None:
            hint = (
                f". {_record(meter, local)}"
                if "temperature" in problem.split(";")[0] and "model" not in problem
                else ""
            )
            return _Setting(None, f"of the setting of meter {meter} at {local} {problem}{hint}", None, None, None)
    materials = {block.material for block in given}
    sensors = {sensor for row in rows for sensor in row["sensors"]}
    all_by_sensor = all(row["sensors"] for row in rows)
    words = ", ".join(f"{block.block} ({block.material}) at {block.temperature_c:.1f} °C" for block in given)
    return _Setting(
        SettingCurve(given, reference_c=settings.reference_temperature_c),
        None,
        materials.pop() if len(materials) == 1 else None,
        sensors.pop() if len(sensors) == 1 and all_by_sensor else None,
        f"meter {meter} set at {local} on {words}",
    )
