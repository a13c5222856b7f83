"""Small histories written in a few words, for tests of the definitions. Invented numbers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.intake.tables import parse_tables
from pipeline.judge.assess import assess_frames
from pipeline.metrology.units import convert
from pipeline.workspace.settings import Settings
from schemas.tables import READING

if TYPE_CHECKING:
    from pipeline.judge.assessment import Assessment

__all__ = ["DAY", "Scenario", "at"]

DAY = datetime(2026, 3, 2, tzinfo=UTC)

REFERENCE = {
    "meters": "meter,accuracy_percent,resolution,unit\nM1,0.5,0.01,MS/m\nM2,0.5,0.01,MS/m\n",
    "blocks": "block,material,certified_value,unit,expanded_uncertainty,coverage_factor,certificate\n"
    "B1,copper,58.0,MS/m,0.2,2,C-1\nB2,copper,50.0,MS/m,0.2,2,C-2\nBX,copper,,,,,\n",
    "materials": "material,temperature_model,coefficient,source\ncopper,constant_slope,0.0000681,test\n",
    "specifications": "specification,material,lower,upper,unit,parts,spots,repeats\nS,copper,57,60,MS/m,1,1,1\n",
    "lots": "lot,product,material,specification,supplier\nL1,bar,copper,S,Q\nL2,bar,copper,S,Q\n",
}


def at(clock: str, day: int = 0) -> datetime:
    """`at("08:30")` is that time of the first day."""
    hours, minutes, *seconds = (int(part) for part in clock.split(":"))
    return DAY + timedelta(days=day, hours=hours, minutes=minutes, seconds=seconds[0] if seconds else 0)


class Scenario:
    """Collects readings; `assess` says what the tool makes of them."""

    def __init__(self, **reference: str) -> None:
        self.reference = {**REFERENCE, **reference}
        self.rows: list[dict[str, Any]] = []

    def reading(
        self, moment: datetime, value: float, *, meter: str = "M1", unit: str = "MS/m", **given: Any
    ) -> Scenario:
        """Add one reading; at 20 °C unless stated."""
        row = {
            "line": len(self.rows) + 2,
            "replicate": 1,
            "measured_at": moment,
            "clock": "known",
            "meter": meter,
            "role": "part",
            "value": value,
            "unit": unit,
            "value_ms_per_m": convert(value, unit, "MS/m"),
            "temperature_c": 20.0,
            "temperature_state": "at_metal",
            **given,
        }
        self.rows.append(row)
        return self

    def check(
        self, time: str, bias: float = 0.0, *, block: str = "B1", n: int = 3, day: int = 0, **given: Any
    ) -> Scenario:
        """Add a check of `n` readings, seconds apart, whose mean is the certified value plus `bias`."""
        certified = {"B1": 58.0, "B2": 50.0, "BX": 55.0}[block]
        for i in range(n):
            offset = 0.02 * (i - (n - 1) / 2)
            moment = at(time, day) + timedelta(seconds=5 * i)
            self.reading(moment, certified + bias + offset, role="block", block=block, **given)
        return self

    def lot(
        self, time: str, *values: float, lot: str = "L1", day: int = 0, parts: bool = True, **given: Any
    ) -> Scenario:
        """Add one reading on each of some parts, seconds apart."""
        for i, value in enumerate(values or (58.5, 58.6, 58.4), start=1):
            moment = at(time, day) + timedelta(seconds=10 * i)
            self.reading(moment, value, lot=lot, part=str(i) if parts else None, spot="1", **given)
        return self

    def frame(self) -> pl.DataFrame:
        frame = pl.DataFrame(self.rows, schema_overrides=READING.polars_schema, infer_schema_length=None)
        return READING.complete(frame).with_columns(
            pl.lit(1, pl.Int32).alias("source_id"), pl.lit(1).alias("occurrence"), pl.lit(False).alias("conflict")
        )

    def assess(
        self,
        clock: str = "23:00",
        *,
        day: int = 0,
        frame: pl.DataFrame | None = None,
        settings: Any = None,
        **given: Any,
    ) -> Assessment:
        settings = settings or Settings()
        tables = parse_tables(self.reference, zone=settings.zone)
        return assess_frames(self.frame() if frame is None else frame, tables, settings, as_of=at(clock, day), **given)
