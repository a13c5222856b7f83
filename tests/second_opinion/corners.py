"""A small invented workspace that goes where the demo does not: a meter that steps, another whose blocks come to lie apart, gaps and intervals that are met to the second, other
temperature models, what is compared by part or lot mean, lots that are open, unsupported, out.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["build"]

SETTINGS = """name = "Corners (invented)"
time_zone = "UTC"
block_part_difference_c = 30.0
"""
TABLES = {
    "meters": "meter,accuracy_percent,resolution,unit\nM1,0.5,0.01,MS/m\nM2,0.5,0.01,%IACS\n",
    "materials": "material,temperature_model,coefficient,source\ncu,linear,0.00393,IEC 60028\nal,proportional,0.00403,ASTM B193 (from memory)\n",
    "blocks": """block,material,certified_value,unit,expanded_uncertainty,coverage_factor,certificate
B1,cu,58.00,MS/m,0.12,2,C-1
B2,al,60.00,%IACS,0.20,2,C-2
""",
    "specifications": """specification,material,lower,upper,unit,conforms_by,decision_rule,rounding,parts,spots,repeats
S-spot,cu,57.5,58.5,MS/m,spot,guarded,none,4,2,3
S-part,cu,57.9,,MS/m,part,guarded,none,4,2,3
S-mean,cu,,58.50,MS/m,lot_mean,simple,half_even:2,4,2,3
S-al,al,59.0,61.0,%IACS,part,simple,half_up:1,4,2,3
S-more,cu,57.5,58.5,MS/m,spot,simple,none,5,2,3
""",
}
LEVELS = {"S-spot": 58.0, "S-part": 58.0, "S-mean": 58.45, "S-al": 34.8, "S-more": 58.0}
STEP_ON, FAILS_ON, APART_ON, LAST_DAY = 8, 12, 13, 14


def build(root: Path) -> None:
    """Write the workspace; the draws are the same everywhere."""
    chance = np.random.default_rng(20261)
    lines: list[str] = []
    lots: list[str] = []
    start = datetime(2026, 3, 2, tzinfo=UTC)

    def read(at: datetime, meter: str, what: str, true: float, material: str, bias: float) -> None:
        unit, scale = ("MS/m", 1.0) if meter == "M1" else ("%IACS", 0.58)
        temperature = round(20.0 + chance.normal(3.0, 1.0), 1)
        slope = 0.00393 if material == "cu" else 0.00403 / 58.0 * true
        seen = true / (1.0 + slope * (temperature - 20.0)) + bias + chance.normal(0.0, 0.03)
        lines.append(f"{at.isoformat()},{meter},{what},{seen / scale:.2f},{unit},{temperature},at_metal")

    def check(at: datetime, meter: str, bias: float, blocks: str = "B1 B2", step: int = 30, apart: float = 0.0) -> None:
        drawn = {block: chance.normal(0.0, 0.02) for block in blocks.split()}
        for place, block in enumerate(drawn):
            true, material = (58.0, "cu") if block == "B1" else (34.8, "al")
            for n in range(3):
                moment = at + timedelta(seconds=step * place + 5 * n)
                tilt = apart if block == "B1" else -apart
                read(moment, meter, f"block,,,,{block}", true, material, bias + tilt + drawn[block])

    def lot(at: datetime, meter: str, specification: str, bias: float, shift: float = 0.0) -> None:
        name = f"X-{len(lots) + 1:02d}"
        material = "al" if specification == "S-al" else "cu"
        lots.append(f"{name},{material},{specification}")
        for part in range(1, 5):
            level = LEVELS[specification] + shift + chance.normal(0.0, 0.05)
            for n in range(6):
                moment = at + timedelta(seconds=5 * (6 * (part - 1) + n))
                read(moment, meter, f"part,{name},{part},{1 + n // 3},", level, material, bias)

    for day in range(LAST_DAY + 1):
        for meter in ("M1", "M2"):
            bias = 0.05 if day < STEP_ON or meter == "M2" else 0.20
            morning = start + timedelta(days=day, hours=7)
            check(morning, meter, bias)
            # an hour, to the second, after the check before ended: a run of its own; ten minutes: a check of its own
            if day == 3:
                check(morning + timedelta(minutes=60, seconds=40), meter, bias, "B1")
                check(morning + timedelta(minutes=70, seconds=50), meter, bias, "B1")
            specification = list(LEVELS)[day % len(LEVELS)]
            shift = {2: 0.1, 5: 0.8, 6: -0.15, 7: 0.08}.get(day, 0.0)
            lot(morning + timedelta(hours=2), meter, specification, bias, shift)
            if day == LAST_DAY or (day == 4 and meter == "M1"):
                continue  # open, and no check within eight hours
            later = 0.6 if day == FAILS_ON and meter == "M1" else 0.0
            # eight hours after the first reading of the lot, to the second, or one later
            apart = 0.18 if day == APART_ON and meter == "M2" else 0.0
            check(morning + timedelta(hours=10, seconds=int(day == 9)), meter, bias + later, apart=apart)
    header = "measured_at,meter,role,lot,part,spot,block,value,unit,temperature_c,temperature_state"
    (root / "inbox").mkdir(parents=True)
    (root / "layouts").mkdir()
    (root / "reference").mkdir()
    (root / "annealog.toml").write_text(SETTINGS, encoding="utf-8")
    (root / "inbox" / "readings.csv").write_text("\n".join([header, *lines, ""]), encoding="utf-8")
    tables = TABLES | {"lots": "\n".join(["lot,material,specification", *lots, ""])}
    for name, text in tables.items():
        (root / "reference" / f"{name}.csv").write_text(text, encoding="utf-8")
