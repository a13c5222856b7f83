"""Workbooks for tests of intake: invented sheets in both formats, and the layout that reads them."""

from __future__ import annotations

import io
import zipfile
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any

import xlsxwriter
import xlwt

from pipeline.intake.layout import parse_layout

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pipeline.intake.layout import Layout
    from pipeline.intake.reading import FileReading


def local(*parts: int) -> datetime:
    """A time as a spreadsheet has it: of no zone."""
    return datetime(*parts)  # noqa: DTZ001


NAMES = ("Day", "Clock", "Device", "Lot", "Part", "Value", "Metal")
LAYOUT = """
name = "hand"
version = 1
zone = "site"
repeatsKept = true
{keys}
[dialect]
delimiter = ";"
[workbook]
{workbook}
[schema]
fieldsMatch = "equal"
decimalChar = ","
[[schema.fields]]
name = "Day"
column = "measured_date"
type = "date"
format = "%d.%m.%Y"
[[schema.fields]]
name = "Clock"
column = "measured_time"
type = "time"
format = "%H:%M"
[[schema.fields]]
name = "Device"
column = "meter"
{lot}
[[schema.fields]]
name = "Part"
column = "part"
[[schema.fields]]
name = "Value"
column = "value"
type = "number"
unit = "MS/m"
[[schema.fields]]
name = "Metal"
column = "temperature_c"
type = "number"
unit = "degC"
[constants]
role = "part"
temperature_state = "at_metal"
"""
LOT_FIELD = '[[schema.fields]]\nname = "Lot"\ncolumn = "lot"'


def layout(workbook: str = "", *, lot: str = LOT_FIELD, keys: str = "", more: str = "") -> Layout:
    text = LAYOUT.format(workbook=workbook, lot=lot, keys=keys) + more
    if "wide" in keys:
        text = text.replace('name = "Value"', "namePattern = 'R([12])'")
    return parse_layout(text, "hand.toml")


def row(n: int = 1, **changes: Any) -> list[Any]:
    cells = {
        "Day": date(2026, 3, 2), "Clock": time(7, 30 + n, 5), "Device": "EC-09", "Lot": "L-9", "Part": n, "Value": 33.9 + n / 10,
        "Metal": 21.5,
    }  # fmt: skip
    return list((cells | changes).values())


FORMATS = {date: "dd/mm/yyyy", time: "hh:mm", datetime: "dd/mm/yyyy hh:mm:ss", timedelta: "[h]:mm"}


def xlsx(
    *sheets: Sequence[Sequence[Any]], names: tuple[str, ...] = (), epoch_1904: bool = False, also: Any = None
) -> bytes:
    packed = io.BytesIO()
    book = xlsxwriter.Workbook(packed, {"in_memory": True, "date_1904": epoch_1904})
    formats = {kind: book.add_format({"num_format": code}) for kind, code in FORMATS.items()}
    for number, rows in enumerate(sheets):
        sheet = book.add_worksheet(names[number] if names else None)
        for down, cells in enumerate(rows):
            for right, cell in enumerate(cells):
                if isinstance(cell, str) and not cell.startswith("="):
                    sheet.write_string(down, right, cell)
                elif cell is not None:
                    sheet.write(down, right, cell, formats.get(type(cell)))
        if also is not None and number == 0:
            also(book, sheet)
    book.close()
    return packed.getvalue()


def xls(rows: Sequence[Sequence[Any]], *, epoch_1904: bool = False, also: Any = None) -> bytes:
    book = xlwt.Workbook()
    book.dates_1904 = epoch_1904
    sheet = book.add_sheet("readings")
    for down, cells in enumerate(rows):
        for right, cell in enumerate(cells):
            style = FORMATS.get(type(cell))
            if cell is not None:
                sheet.write(down, right, cell, xlwt.easyxf(num_format_str=style.upper()) if style else xlwt.XFStyle())
    if also is not None:
        also(book, sheet)
    packed = io.BytesIO()
    book.save(packed)
    return packed.getvalue()


def fates(reading: FileReading) -> dict[str, int]:
    return {fate: count for fate, count in reading.counts.items() if count}


GOOD = (tuple(NAMES), tuple(row(1)), tuple(row(2)))


def with_part(data: bytes, name: str, change: Callable[[str], str]) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as new:
        for info in old.infolist():
            content = old.read(info.filename)
            if info.filename == name:
                content = change(content.decode()).encode()
            new.writestr(info.filename, content)
    return packed.getvalue()
