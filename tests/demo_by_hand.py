"""Reads the demo workspace by hand: a small parser, checks, runs and rules of its own.

Nothing of the product is used here, so that the demo can be an independent check of the product.
"""

from __future__ import annotations

import csv
import itertools
import math
import re
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from statistics import fmean, stdev
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from scipy import stats

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

__all__ = [
    "OSLO",
    "Check",
    "Demo",
    "Reading",
    "Run",
    "limits_of",
    "read_demo",
    "readings_of",
    "rejected",
    "runs_of",
    "slope_iacs",
    "spot_effect_p",
    "spot_means",
    "support_of",
]

OSLO = ZoneInfo("Europe/Oslo")
ROLES = {"B": "block", "P": "part", "S": "setting"}
STATES = {"metal": "at_metal", "ref20": "at_reference"}
CODES = {"OVR", "LIFT"}
TOLERANCE_MS_PER_M = 0.29  # 0.5 %IACS


@dataclass(frozen=True)
class Reading:
    file: str
    line: int
    at: datetime
    meter: str
    role: str
    lot: str
    part: str
    spot: str
    block: str
    sequence: str
    shown: float | None  # MS/m, as the meter showed it
    at_20: float | None  # MS/m
    temperature_c: float
    state: str


@dataclass
class Demo:
    root: Path
    tables: dict[str, dict[str, dict[str, str]]]
    readings: list[Reading] = field(default_factory=list)
    refused: list[dict[str, Any]] = field(default_factory=list)
    duplicates: Counter[str] = field(default_factory=Counter)
    non_readings: list[Reading] = field(default_factory=list)
    numbers: int = 0


def _lines(path: Path) -> Iterable[tuple[int, dict[str, str] | None]]:
    """Give each line of readings as cells by our own names; None where cells are missing."""
    if path.parent.name == "EC-01":
        text = path.read_bytes().decode("utf-8")
        rows = list(csv.reader(text.splitlines()))
        header, first, extra = rows[0], 2, {}
    elif path.parent.name == "EC-02":
        text = path.read_bytes().decode("cp1252")
        assert text.count("\n") == text.count("\r\n")
        rows = [line.split(";") for line in text.split("\r\n")[:-1]]
        assert rows[0] == ["Export of readings"]
        assert rows[4] == [""]
        assert rows[6] == [*[""] * 8, "%IACS", "°C", "kHz", "mm", ""]
        extra = {"meter": rows[1][1], "probe": rows[2][1], "unit": "%IACS", "temperature_state": "at_metal"}
        assert rows[-1] == ["Count", str(len(rows) - 8)], path
        names = "sequence date clock role lot part spot block value temperature_c frequency thickness remark"
        rows, header, first = rows[6:-1], names.split(), 8
    else:
        data = path.read_bytes()
        assert data.startswith(b"\xff\xfe")
        text = data.decode("utf-16")
        rows = [line.split("\t") for line in text.split("\r\n")[:-1]]
        assert rows[0][9:] == [*(f"R{n} [MS/m]" for n in range(1, 6)), "Metal [°C]", "State"]
        names = (
            "measured_at meter probe operator role lot part spot block R1 R2 R3 R4 R5 temperature_c temperature_state"
        )
        header, first, extra = names.split(), 2, {"unit": "MS/m"}
    assert text.endswith("\n")
    for number, row in enumerate(rows[1:], start=first):
        yield number, {**dict(zip(header, row, strict=True)), **extra} if len(row) == len(header) else None


def _moment(cells: dict[str, str]) -> datetime:
    if "date" in cells:
        return datetime.strptime(f"{cells['date']} {cells['clock']}", "%d.%m.%Y %H:%M:%S").replace(tzinfo=OSLO)
    at = datetime.fromisoformat(cells["measured_at"])
    return at if at.tzinfo else at.replace(tzinfo=OSLO)


def _value(cell: str) -> float | None:
    return None if cell in CODES else float(cell.replace(",", "."))


def _problem(cells: dict[str, str] | None, values: list[str], blocks: set[str]) -> str | None:
    if cells is None:
        return "too_few_cells"
    try:
        _moment(cells)
    except ValueError:
        return "impossible_date"
    for value in values:
        if value not in CODES and not re.fullmatch(r"\d+[.,]\d\d", value):
            return "unexpected_exponent" if re.fullmatch(r"\d+e\d+", value) else "not_a_number"
    return "unknown_block" if cells["block"] and cells["block"] not in blocks else None


def _at_20(value: float, temperature_c: float, state: str, slope: float) -> float:
    return value if state == "at_reference" else 1.0 / (1.0 / value - slope * (temperature_c - 20.0))


ASIDE = ("EC-21", "EC-31")
"""Meters of goods-in and of the rod shop: they and their lots are checked by tests of their own."""
BLOCK_SET = "block-set"
"""So is the set of blocks that is read each second week: one of them has two certificates and another one moved."""


def read_demo(root: Path) -> Demo:
    tables: dict[str, dict[str, dict[str, str]]] = {}
    for path in (root / "reference").glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        tables[path.stem] = {next(iter(row.values())): row for row in rows}
    for meter in ASIDE:
        del tables["meters"][meter]
    tables["lots"] = {lot: row for lot, row in tables["lots"].items() if lot.startswith("L-")}
    demo = Demo(root, tables)
    known: set[tuple[Any, ...]] = set()
    for path in sorted((root / "inbox").rglob("*.csv")):
        name = path.relative_to(root).as_posix()
        if name.startswith(tuple(f"inbox/{folder}/" for folder in (*ASIDE, BLOCK_SET, "studies"))):
            continue
        places: Counter[tuple[Any, ...]] = Counter()
        for number, cells in _lines(path):
            replicates = [] if cells is None else [cells[key] for key in cells if re.fullmatch(r"value|R\d", key)]
            values = [cell for cell in replicates if cell]
            reason = _problem(cells, values, set(tables["blocks"]))
            if reason is not None or cells is None:
                demo.refused.append({"file": name, "line": number, "reason": reason})
                continue
            demo.numbers += len(values)
            role = ROLES.get(cells["role"], cells["role"])
            row = tables["lots"][cells["lot"]] if role == "part" else tables["blocks"][cells["block"]]
            slope = float(tables["materials"][row["material"]]["coefficient"])
            state = STATES.get(cells["temperature_state"], cells["temperature_state"])
            temperature = float(cells["temperature_c"].replace(",", "."))
            for cell in values:
                shown, at = _value(cell), _moment(cells).astimezone(UTC)
                if shown is not None and cells["unit"] == "%IACS":
                    shown *= 0.58
                slot = (cells["meter"], at, cells.get("sequence", ""), role, cells["part"], cells["spot"])
                places[slot] += 1
                if (slot, places[slot]) in known:
                    demo.duplicates[name] += 1
                    continue
                known.add((slot, places[slot]))
                value = None if shown is None else _at_20(shown, temperature, state, slope)
                reading = Reading(
                    name, number, at, cells["meter"], role, cells["lot"], cells["part"], cells["spot"], cells["block"],
                    cells.get("sequence", ""), shown, value, temperature, state,
                )  # fmt: skip
                (demo.readings if shown is not None else demo.non_readings).append(reading)
    demo.readings.sort(key=lambda r: (r.meter, r.at, r.file, r.line))
    return demo


@dataclass
class Check:
    meter: str
    block: str
    readings: list[Reading]
    certified: float

    @property
    def at(self) -> datetime:
        return self.readings[-1].at

    @property
    def bias(self) -> float:
        return fmean(r.at_20 or 0.0 for r in self.readings) - self.certified


@dataclass
class Run:
    checks: list[Check]

    @property
    def first(self) -> datetime:
        return self.checks[0].readings[0].at

    @property
    def last(self) -> datetime:
        return self.checks[-1].at

    @property
    def passed(self) -> bool:
        return all(abs(check.bias) <= TOLERANCE_MS_PER_M for check in self.checks)


def runs_of(demo: Demo, meter: str) -> list[Run]:
    """Group block readings: a part, a setting or an hour ends a run; another block or ten minutes end a check."""
    runs: list[Run] = []
    before: Reading | None = None
    for reading in (r for r in demo.readings if r.meter == meter):
        if reading.role == "block":
            if before is None or before.role != "block" or reading.at - before.at >= timedelta(hours=1):
                runs.append(Run([]))
            new = not runs[-1].checks or runs[-1].checks[-1].block != reading.block
            if new or (before is not None and reading.at - before.at >= timedelta(minutes=10)):
                row = demo.tables["blocks"][reading.block]
                certified = float(row["certified_value"]) * (0.58 if row["unit"] == "%IACS" else 1.0)
                runs[-1].checks.append(Check(meter, reading.block, [], certified))
            runs[-1].checks[-1].readings.append(reading)
        before = reading
    return runs


def readings_of(demo: Demo, lot: str) -> list[Reading]:
    return [r for r in demo.readings if r.lot == lot]


def spot_means(
    readings: Iterable[Reading], *, twice: bool = False, shown: bool = False
) -> dict[tuple[str, str], float]:
    """Return spot means in MS/m: corrected by state, as shown, or corrected although they are stated at 20 °C."""
    spots: defaultdict[tuple[str, str], list[float]] = defaultdict(list)
    for r in readings:
        assert r.shown is not None
        assert r.at_20 is not None
        value = r.shown if shown else r.at_20
        spots[r.part, r.spot].append(_at_20(value, r.temperature_c, "at_metal", 0.000115) if twice else value)
    return {spot: fmean(values) for spot, values in spots.items()}


def limits_of(demo: Demo, lot: str) -> tuple[float, float]:
    row = demo.tables["specifications"][demo.tables["lots"][lot]["specification"]]
    factor = 0.58 if row["unit"] == "%IACS" else 1.0
    # wider than the uncertainty of any spot mean here, and than rounding
    guard = 0.45 if row["decision_rule"] == "guarded" else 0.05 * factor
    return float(row["lower"]) * factor + guard, (float(row["upper"]) * factor - guard if row["upper"] else math.inf)


def support_of(demo: Demo, lot: str, runs: dict[str, list[Run]]) -> str:
    worst = "supported"
    for r in readings_of(demo, lot):
        before = [run for run in runs[r.meter] if run.last <= r.at]
        after = [run for run in runs[r.meter] if run.first > r.at]
        assert r.at - before[-1].last <= timedelta(hours=8), r
        assert after[0].first - r.at <= timedelta(hours=8), r
        if not (before[-1].passed and after[0].passed):
            worst = "suspect"
    return worst


def slope_iacs(checks: Sequence[Check]) -> tuple[float, float, float]:
    """Return slope of the bias in %IACS for 30 days, with its 95 % interval."""
    days = [(check.at - checks[0].at).total_seconds() / 86_400 / 30 for check in checks]
    fit = stats.linregress(days, [check.bias / 0.58 for check in checks])
    half = fit.stderr * stats.t.ppf(0.975, len(checks) - 2)
    return fit.slope, fit.slope - half, fit.slope + half


def spot_effect_p(readings: Iterable[Reading]) -> float:
    """Return p of spots within parts against repeats on one spot."""
    spots: defaultdict[tuple[str, str], list[float]] = defaultdict(list)
    for r in readings:
        spots[r.part, r.spot].append(r.at_20 or 0.0)
    parts: defaultdict[str, list[list[float]]] = defaultdict(list)
    for (part, _), values in spots.items():
        parts[part].append(values)
    between = sum(
        len(v) * (fmean(v) - fmean(itertools.chain(*of_part))) ** 2 for of_part in parts.values() for v in of_part
    )
    within = sum((x - fmean(v)) ** 2 for v in spots.values() for x in v)
    df_between, df_within = len(spots) - len(parts), sum(len(v) - 1 for v in spots.values())
    return float(stats.f.sf(between / df_between / (within / df_within), df_between, df_within))


WIDENED = 1.7398
"""Limits from twenty checks, so that 1-3s, 2-2s and 4-1s reject falsely once in 5,000 checks; tested with the run lengths."""


def _z(demo: Demo, runs: Sequence[Run], set_at: Sequence[datetime]) -> list[list[tuple[str, int, float]]]:
    """Return block, phase and z of each check, by run; not a number until twenty checks since a setting have frozen the limits."""
    means: defaultdict[tuple[str, int], list[float]] = defaultdict(list)
    found: list[list[Any]] = []
    for run in runs:
        found.append(of_run := [])
        for check in run.checks:
            phase = sum(at < check.at for at in set_at)
            series = means[check.block, phase]
            frozen = len(series) >= 20
            z = (check.bias - fmean(series[:20])) / (WIDENED * stdev(series[:20])) if frozen else math.nan
            series.append(check.bias)
            of_run.append((check.block, phase, z))
    return found


def rejected(demo: Demo, meter: str) -> list[list[bool]]:
    """Return for each check, by run, whether a rule rejects: 1-3s, 2-2s, 4-1s along a block, 2-2s and R-4s across."""
    # the last reading of a setting is its time; none is set twice a day
    days = {r.at.date(): r.at for r in demo.readings if r.meter == meter and r.role == "setting"}
    history: defaultdict[tuple[str, int], list[float]] = defaultdict(list)
    found: list[list[Any]] = []
    for of_run in _z(demo, runs_of(demo, meter), list(days.values())):
        across = {side: {block for block, _, z in of_run if side * z > 2} for side in (1, -1)}
        hits = []
        for block, phase, z in of_run:
            series = history[block, phase]
            series.append(z)
            along = any(
                len(series) >= count and all(side * value > beyond for value in series[-count:])
                for count, beyond in ((1, 3), (2, 2), (4, 1))
                for side in (1, -1)
            )
            both = abs(z) > 2 and (bool(across[1] and across[-1]) or len(across[1 if z > 0 else -1]) > 1)
            hits.append(along or both)
        found.append(hits)
    return found
