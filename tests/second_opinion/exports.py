"""Raw exports and reference tables as they lie in a workspace."""

from __future__ import annotations

import csv
import re
import tomllib
from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["Reading", "Workspace", "read_workspace"]

Cells = dict[str, str]

DEFAULTS = {
    "unit": "MS/m", "reference_temperature_c": 20.0, "time_zone": "UTC", "check_interval_hours": 8.0, "check_gap_minutes": 10.0,
    "run_gap_minutes": 60.0, "tolerance": 0.5, "tolerance_unit": "%IACS", "block_tolerance": {}, "baseline_checks": 20, "reject_run_length": 5000.0,
    "precision_level": 0.997,
    "subgroup_size": 1, "confidence": 0.95, "signals_make_suspect": False, "guard_band_probability": 0.0,
    "certificate_correlation": 0.0, "plausible_range_ms_per_m": [0.5, 65.0], "plausible_temperature_c": [-10.0, 60.0],
    "folders": {},
}  # fmt: skip
"""Settings that are used here, as documented; others must stand at their defaults."""
NEUTRAL: dict[str, Any] = {"name": "neutral", "shape": "long", "dialect": {}, "schema": {}}
TO_MS_PER_M = {
    "MS/m": lambda value: value, "%IACS": lambda value: 0.58 * value, "Ohm.cm": lambda value: 1e-4 / value,
    "uOhm.cm": lambda value: 100.0 / value, "nOhm.m": lambda value: 1000.0 / value,
}  # fmt: skip
"""58 MS/m at 20 °C are 100 %IACS (IEC 60028:1925); 1 Ohm.cm = 0.01 Ohm.m, so 1e2 S/m = 1e-4 MS/m over it."""


@dataclass(frozen=True, kw_only=True)
class Reading:
    """One number of an export; `shown` is None where the meter had no reading."""

    file: str
    line: int
    place: int
    at: datetime
    meter: str
    probe: str
    operator: str
    role: str
    lot: str
    part: str
    spot: str
    block: str
    sequence: str
    shown: float | None
    unit: str
    state: str
    temperature_c: float | None
    frequency_khz: float | None
    thickness_mm: float | None
    sensor: str
    run: str
    count: int
    standard_deviation: float | None


@dataclass(kw_only=True)
class Workspace:
    """What lies in the folder. `refused` holds (file, line, reason); `numbers` counts those of a file, `repeated` those known already."""

    root: Path
    settings: dict[str, Any]
    tables: dict[str, list[Cells]]
    readings: list[Reading] = field(default_factory=list)
    refused: list[tuple[str, int, str]] = field(default_factory=list)
    repeated: Counter[str] = field(default_factory=Counter)
    numbers: Counter[str] = field(default_factory=Counter)

    @cached_property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.settings["time_zone"])

    def day(self, text: str) -> datetime:
        """Return the start of a day at the site."""
        return datetime.fromisoformat(text).replace(tzinfo=self.zone).astimezone(UTC)

    def row(self, table: str, key: str, at: datetime | None = None) -> Cells:
        """Return the version of a row that holds at a time: the first one holds from the beginning."""
        rows = [row for row in self.tables.get(table, []) if next(iter(row.values())) == key]
        later = [row for row in rows[1:] if at is None or self.day(row["valid_from"]) <= at]
        return (rows[:1] + later)[-1] if rows else {}

    def to_unit(self, value: float, unit: str) -> float:
        """Return a conductivity or resistivity in the working unit."""
        working = self.settings["unit"]
        return (
            value
            if unit == working
            else TO_MS_PER_M[unit](value)
            if working == "MS/m"
            else _inverse(value, unit, working)
        )


def _inverse(value: float, unit: str, working: str) -> float:
    conductivity = TO_MS_PER_M[unit](value)
    return conductivity / 0.58 if working == "%IACS" else TO_MS_PER_M[working](conductivity)


def _rows(text: str, layout: dict[str, Any]) -> Iterator[tuple[int, Cells | None]]:
    """Give each line of readings as cells by the names of the neutral table; None where cells are missing or too many."""
    dialect, schema = layout["dialect"], layout["schema"]
    lines = list(csv.reader(text.splitlines(), delimiter=dialect.get("delimiter", ",")))
    known = dict(layout.get("constants", {}))
    fields = {one["name"]: one for one in schema.get("fields", []) if "name" in one}
    header = next(
        place for place, line in enumerate(lines) if not fields or line[: len(fields)][:1] == [next(iter(fields))]
    )
    for key in layout.get("preamble", {}).get("keys", []):
        known[key["column"]] = next(line[1] for line in lines[:header] if line[:1] == [key["key"]])
    footer = layout.get("footer", {}).get("pattern")
    width, names = len(lines[header]), [re.sub(r" \[.*\]$", "", name) for name in lines[header]]
    for number, line in enumerate(lines[header + 1 :], start=header + 2):
        if number == header + 2 and dialect.get("unitsRow"):
            continue
        if not any(line) or (footer and ";".join(line).startswith(footer)):
            continue
        if len(line) != width:
            yield number, None
            continue
        written = dict(zip(names, line, strict=True))
        cells = {key: str(value) for key, value in known.items()}
        for name, cell in written.items():
            one = fields.get(name, {"column": name} if not fields or re.fullmatch(r"R\d+", name) else None)
            if one is None or one.get("ignore"):
                continue
            if "joinWith" in one:
                cell = " ".join([cell, *(written[other] for other in one["joinWith"])])
            if "unit" in one and one["column"] == "value":
                cells["unit"] = one["unit"]
            cells[one["column"]] = one.get("values", {}).get(cell, cell)
        for replicates in (one for one in schema.get("fields", []) if "namePattern" in one):
            cells["unit"] = replicates["unit"]
        yield number, cells


def _moment(cells: Cells, layout: dict[str, Any]) -> datetime:
    formats = {one["column"]: one["format"] for one in layout["schema"].get("fields", []) if "format" in one}
    if not formats:
        return datetime.fromisoformat(cells["measured_at"]).astimezone(UTC)
    columns = [name for name in ("measured_at", "measured_date", "measured_time") if name in formats]
    words, pattern = " ".join(cells[name] for name in columns), " ".join(formats[name] for name in columns)
    if "year" in cells:
        words, pattern = f"{cells['year']} {words}", f"%Y {pattern}"
    return datetime.strptime(words, pattern.replace("%-", "%")).replace(tzinfo=ZoneInfo(layout["zone"])).astimezone(UTC)


def _number(cell: str, layout: dict[str, Any]) -> float | None:
    return float(cell.replace(layout["schema"].get("decimalChar", "."), ".")) if cell else None


def _problem(cells: Cells | None, values: list[str], workspace: Workspace, layout: dict[str, Any]) -> str | None:
    """Return why a line is refused: only what an export of these workspaces can get wrong."""
    if cells is None:
        return "too_few_cells"
    try:
        _moment(cells, layout)
    except ValueError:
        return "impossible_date"
    decimal = re.escape(layout["schema"].get("decimalChar", "."))
    for value in values:
        if value not in layout.get("nonReadings", {}) and not re.fullmatch(rf"-?\d+({decimal}\d+)?", value):
            return "unexpected_exponent" if re.fullmatch(r"\d+e\d+", value) else "not_a_number"
    block = cells.get("block", "")
    return "unknown_block" if block and not workspace.row("blocks", block) else None


def _layout_of(path: Path, name: str, text: str, workspace: Workspace) -> dict[str, Any]:
    layouts = [tomllib.loads(one.read_text("utf-8")) for one in sorted((workspace.root / "layouts").glob("*.toml"))]
    tied = workspace.settings["folders"].get(str(Path(name).parent))
    first = text.split("\n", 1)[0]
    return next(
        (
            one
            for one in layouts
            if one["name"] == tied or (not tied and one["schema"]["fields"][0]["name"] in first.split(","))
        ),
        NEUTRAL,
    )


def _text(data: bytes) -> str:
    if data.startswith(b"\xff\xfe"):
        return data.decode("utf-16")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("cp1252")


def _readings(name: str, number: int, cells: Cells, values: list[str], layout: dict[str, Any]) -> Iterator[Reading]:
    def numeric(column: str) -> float | None:
        return _number(cells.get(column, ""), layout)

    at = _moment(cells, layout)
    for place, cell in enumerate(values, start=1):
        yield Reading(
            file=name, line=number, place=place, at=at,
            shown=None if cell in layout.get("nonReadings", {}) else _number(cell, layout),
            state=cells["temperature_state"], count=int(cells.get("count") or 1),
            **{key: numeric(key) for key in ("temperature_c", "frequency_khz", "thickness_mm", "standard_deviation")},
            **{key: cells.get(key, "") for key in TEXTS},
        )  # fmt: skip


TEXTS = ("meter", "probe", "operator", "role", "lot", "part", "spot", "block", "sequence", "unit", "sensor", "run")


def read_workspace(root: Path, exports: list[Path] | None = None) -> Workspace:
    """Read settings, tables and exports; the exports are those in the inbox unless they are named."""
    settings = {**DEFAULTS, **tomllib.loads((root / "annealog.toml").read_text("utf-8"))}
    tables = {
        # lines before the header that begin with # say what the columns hold
        path.stem: list(
            csv.DictReader(line for line in path.read_text("utf-8").splitlines() if not line.startswith("#"))
        )
        for path in (root / "reference").glob("*.csv")
    }
    workspace = Workspace(root=root, settings=settings, tables=tables)
    known: set[tuple[Any, ...]] = set()
    for path in sorted((root / "inbox").rglob("*.csv")) if exports is None else exports:
        name = path.relative_to(root).as_posix() if exports is None else path.name
        text = _text(path.read_bytes())
        layout = _layout_of(path, name, text, workspace)
        equal: Counter[tuple[Any, ...]] = Counter()
        for number, cells in _rows(text, layout):
            values = (
                []
                if cells is None
                else [cells[key] for key in cells if re.fullmatch(r"value|R\d+", key) and cells[key]]
            )
            reason = _problem(cells, values, workspace, layout)
            if reason is not None or cells is None:
                workspace.refused.append((name, number, str(reason)))
                continue
            workspace.numbers[name] += len(values)
            for one in _readings(name, number, cells, values, layout):
                slot = (one.meter, one.at, one.sequence, one.role, one.part, one.spot)
                equal[slot] += 1
                # the same slot with the same content is a duplicate; other content would be a conflict, and stays visible as one more
                same = (slot, equal[slot], replace(one, file="", line=0, place=0))
                if same in known:
                    workspace.repeated[name] += 1
                    continue
                known.add(same)
                workspace.readings.append(one)
    workspace.readings.sort(key=lambda r: (r.meter, r.at, int(r.sequence or 0), r.file, r.line, r.place))
    return workspace
