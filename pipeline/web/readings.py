"""Readings entered by hand, for a meter without an export: what is asked, what is far off, and the sheet that comes of it.

The sheet and its layout are those of `annealog layout template`: what is entered in a browser and what is typed into a workbook are
one thing, and told apart from exports in every report.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from datetime import UTC, datetime
from statistics import median
from typing import TYPE_CHECKING, Any

from pipeline.errors import UsageError
from pipeline.history.store import History
from pipeline.intake.template import template
from pipeline.metrology.units import convert
from pipeline.web.forms import number_of
from pipeline.workspace.files import write_atomically
from pipeline.workspace.moments import moment
from pipeline.workspace.recorded import recorded
from reports.words import web as words
from schemas.tables import TEMPERATURE_STATES, UNITS
from schemas.versions import version_at

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.workspace.settings import Workspace

__all__ = ["CELLS", "FAR", "Sheet", "asked_for", "between", "far_off", "keep_layout", "read_sheet", "sheet_bytes"]

CELLS = 400
"""At most so many readings are entered on one page."""
FAR = 0.10
"""A reading farther than this share from the median of its page is asked about once (common practice, no source)."""
_CHECK = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """What is being entered: of a check the block, of a lot its parts and spots.

    Parameters
    ----------
    meter, block, lot
        Of what the readings are.
    unit
        As the meter shows it.
    parts, spots
        How many; a check has one part, and a spot for each reading.
    """

    meter: str
    unit: str
    block: str | None = None
    lot: str | None = None
    parts: int = 1
    spots: int = _CHECK

    def cells(self) -> list[tuple[str, int, int]]:
        """Return name, part and spot of each cell, in the order of reading."""
        return [
            (f"v-{part}-{spot}", part, spot) for part in range(1, self.parts + 1) for spot in range(1, self.spots + 1)
        ]

    def query(self) -> dict[str, str]:
        """Return what says again which sheet it is."""
        given = {name: getattr(self, name) for name in ("meter", "unit", "block", "lot", "parts", "spots")}
        return {name: str(value) for name, value in given.items() if value is not None}


def asked_for(kind: str, query: Mapping[str, str]) -> Sheet:
    """Return the sheet that an address asks for.

    Raises
    ------
    UsageError
        If something is lacking, or is too much for one page.
    """
    meter, unit, name = (query.get(key, "").strip() for key in ("meter", "unit", "block" if kind == "check" else "lot"))
    lacking = [field for field, value in (("meter", meter), ("block" if kind == "check" else "lot", name)) if not value]
    if lacking:
        raise UsageError("\n".join(words.TOLD["needed"].format(field=words.FIELD[field]) for field in lacking))
    for value in (meter, name):
        if len(value) > 60 or not value.isprintable():
            raise UsageError(words.TOLD["control"].format(field=value[:60]))
    if unit not in UNITS:
        raise UsageError(words.TOLD["choice"].format(field=words.FIELD["unit"], value=unit))
    if kind == "check":
        return Sheet(meter=meter, unit=unit, block=name)
    parts, spots = (_count(query.get(key, ""), key) for key in ("parts", "spots"))
    if parts * spots > CELLS:
        raise UsageError(words.TOLD["cells"].format(most=CELLS))
    return Sheet(meter=meter, unit=unit, lot=name, parts=parts, spots=spots)


def _count(text: str, field: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 4 and int(text) > 0):
        raise UsageError(words.TOLD["number"].format(field=words.FIELD[field], value=text))
    return int(text)


def between(workspace: Workspace, sheet: Sheet) -> tuple[float | None, float | None]:
    """Return between which values, in the unit of the sheet, a reading is as it should be: limits of a lot, tolerance of a block.

    They are shown while somebody types, for readings at the reference temperature; nothing is judged by them here.
    """
    with History.open(workspace.history, wait_s=workspace.settings.busy_wait_seconds) as history:
        texts = history.reference_texts()
    settings, tables = recorded(texts, workspace.settings)
    if sheet.block is not None:
        row = _row(tables["blocks"], "block", sheet.block)
        if not row or row["certified_value"] is None:
            return None, None
        certified = convert(row["certified_value"], row["unit"] or settings.unit, settings.tolerance_unit)
        tolerance = settings.block_tolerance.get(sheet.block, settings.tolerance)
        given = settings.tolerance_unit
        ends: list[float | None] = [certified - tolerance, certified + tolerance]
    else:
        lot = _row(tables["lots"], "lot", str(sheet.lot))
        row = _row(tables["specifications"], "specification", lot.get("specification") or "")
        given = row.get("unit") or settings.unit
        ends = [row.get("lower"), row.get("upper")]
    converted = [None if end is None else convert(end, given, sheet.unit) for end in ends]
    # a resistivity is high where a conductivity is low
    known = sorted(end for end in converted if end is not None)
    return (known[0], known[1]) if len(known) == 2 else (converted[0], converted[1])


def _row(table: Any, key: str, name: str) -> dict[str, Any]:
    now = version_at(table, (key,), datetime.now(UTC))
    found = now.filter(now[key] == name)
    return found.row(0, named=True) if found.height else {}


def read_sheet(
    workspace: Workspace, sheet: Sheet, sent: Mapping[str, str]
) -> tuple[list[tuple[int, int, float]], dict[str, str]]:
    """Return the readings that were entered, and the rest of the sheet: date, time, temperature and its state, remark.

    Raises
    ------
    UsageError
        If one is no number, or something is lacking; a sentence for each.
    """
    wrong, readings = [], []
    for name, part, spot in sheet.cells():
        text = sent.get(name, "").strip()
        if not text:
            continue
        value = number_of(text)
        if value is None or not 0.0 < value < 1e6:
            wrong.append(words.TOLD["number"].format(field=_named(sheet, part, spot), value=sent[name][:40]))
            continue
        readings.append((part, spot, value))
    if not readings and not wrong:
        wrong.append(words.TOLD["no_reading"])
    at = moment(sent.get("at", "").strip() or None, workspace)
    if at is None:
        wrong.append(words.TOLD["needed"].format(field=words.FIELD["at"]))
    state, temperature = sent.get("temperature_state", ""), sent.get("temperature", "").strip()
    if state not in TEMPERATURE_STATES:
        wrong.append(words.TOLD["needed"].format(field=words.FIELD["temperature_state"]))
    degrees = number_of(temperature)
    if temperature and degrees is None:
        wrong.append(words.TOLD["number"].format(field=words.FIELD["temperature_metal"], value=temperature[:40]))
    remark = " ".join(sent.get("remark", "").split())
    if len(remark) > 200 or not remark.isprintable():
        wrong.append(words.TOLD["control"].format(field=words.FIELD["remark"]))
    if wrong or at is None:
        raise UsageError("\n".join(wrong))
    local = at.astimezone(workspace.settings.zone)
    rest = {
        "date": f"{local:%Y-%m-%d}",
        "time": f"{local:%H:%M}",
        "temperature": "" if degrees is None else repr(degrees),
        "state": state,
        "remark": remark,
    }
    return readings, rest


def _named(sheet: Sheet, part: int, spot: int) -> str:
    if sheet.block is not None:
        return words.FIELD["reading_n"].format(n=spot)
    return words.FIELD["cell"].format(part=part, spot=spot)


def far_off(sheet: Sheet, readings: list[tuple[int, int, float]]) -> list[str]:
    """Return in words the readings that lie far from the others, which a slip of the finger makes; asked once, never left out."""
    middle = median(value for _, _, value in readings)
    return [
        words.TOLD["far"].format(cell=_named(sheet, part, spot), value=f"{value:g}", unit=sheet.unit)
        for part, spot, value in readings
        if abs(value - middle) > FAR * middle
    ]


_LAYOUTS = {"MS/m": "entered_ms_m", "%IACS": "entered_iacs", "Ohm.cm": "entered_ohm_cm", "uOhm.cm": "entered_uohm_cm", "nOhm.m": "entered_nohm_m"}  # fmt: skip
"""Layout of the sheet in each unit. One column is named otherwise in each, so that no other file is taken for one of these."""


def _remark(text: str, unit: str, mark: str) -> str:
    return text.replace(f"{mark}Remark", f"{mark}Remark of an entry in {unit}")


def sheet_bytes(sheet: Sheet, readings: list[tuple[int, int, float]], rest: Mapping[str, str], operator: str) -> bytes:
    """Return the readings as the sheet for readings taken by hand, filled in."""
    target = io.StringIO(newline="")
    target.write(_remark(template(unit=sheet.unit).csv_text, sheet.unit, ","))
    writer = csv.writer(target, lineterminator="\r\n")
    of_block = sheet.block is not None
    for part, spot, value in readings:
        writer.writerow(
            [
                rest["date"], rest["time"], sheet.meter, "", operator, "block" if of_block else "part", sheet.lot or "",
                "" if of_block else part, "" if of_block else spot, sheet.block or "", repr(value), rest["temperature"],
                rest["state"], "", "", rest["remark"],
            ]
        )  # fmt: skip
    return target.getvalue().encode("utf-8-sig")


def keep_layout(workspace: Workspace, unit: str) -> str:
    """Put the layout of the sheet into the workspace, where it does not lie there yet; return its name."""
    name = _LAYOUTS[unit]
    path = workspace.layouts / f"{name}.toml"
    if not path.exists():
        text = template(unit=unit, name=name).layout_text.replace('encoding = "cp1252"', 'encoding = "utf-8"')
        write_atomically(path, _remark(text, unit, 'name = "').encode())
    return name
