"""A workbook says what the same cells say as text: whatever is filled in, line by line, and none vanishes."""

from __future__ import annotations

import csv
import io
from datetime import date, datetime, time, timedelta
from typing import Any

import xlsxwriter
from hypothesis import given, settings
from hypothesis import strategies as st
from intake_checks import is_whole, load

from pipeline.intake.template import template

HEADER = next(csv.reader([template().csv_text]))
OWN = {"Meter": "EC-09", "Operator": "op3", "Role": "part", "Temperature state": "at_metal"}
TEXTS = st.text("ABkx019-_/. äß°'\"#=;,", min_size=1, max_size=6)


@st.composite
def cells(draw: st.DrawFn) -> dict[str, Any]:
    """A row as people fill it in: mostly right, now and then a word, nothing, or a name that is a number."""
    row: dict[str, Any] = dict(OWN)
    row["Date (YYYY-MM-DD)"] = draw(st.dates(date(2025, 1, 1), date(2026, 11, 1)) | st.sampled_from(["soon", None]))
    minutes = draw(st.integers(0, 24 * 60 - 1))
    row["Time (HH:MM)"] = time(minutes // 60, minutes % 60)
    row["Lot"] = draw(TEXTS | st.integers(0, 10**6))
    row["Part"] = draw(st.none() | st.integers(1, 40))
    row["Value [MS/m]"] = draw(st.decimals(30, 60, places=3).map(float) | st.sampled_from(["OL", None, 0.1, -1.0]))
    row["Metal temperature [°C]"] = draw(st.none() | st.decimals(15, 30, places=1).map(float))
    return row


def text_of(cell: Any) -> str:
    """A cell as the spreadsheet would save it as CSV, with the formats of the sheet."""
    if isinstance(cell, date):
        return cell.isoformat()
    if isinstance(cell, time):
        return f"{cell:%H:%M}"
    return "" if cell is None else f"{cell:.10g}" if isinstance(cell, float) else str(cell)


def as_workbook(rows: list[dict[str, Any]]) -> bytes:
    packed = io.BytesIO()
    book = xlsxwriter.Workbook(packed, {"in_memory": True})
    formats = {date: book.add_format({"num_format": "dd.mm.yyyy"}), time: book.add_format({"num_format": "h:mm AM/PM"})}
    sheet = book.add_worksheet("readings")
    sheet.write_row(0, 0, HEADER)
    for down, row in enumerate(rows, start=1):
        for right, name in enumerate(HEADER):
            cell = row.get(name)
            if isinstance(cell, str):
                sheet.write_string(down, right, cell)
            elif cell is not None:
                sheet.write(down, right, cell, formats.get(type(cell)))
    book.close()
    return packed.getvalue()


def as_text(rows: list[dict[str, Any]]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n", quoting=csv.QUOTE_ALL)
    writer.writerow(HEADER)
    writer.writerows([[text_of(row.get(name)) for name in HEADER] for row in rows])
    return text.getvalue().encode()


@given(rows=st.lists(cells(), min_size=1, max_size=6))
@settings(max_examples=20, deadline=None)
def test_the_same_cells_as_workbook_and_as_text_are_the_same_readings(rows: list[dict[str, Any]]) -> None:
    from pipeline.intake.layout import parse_layout

    own = parse_layout(template().layout_text, "by_hand.toml")
    sheet, text = load(as_workbook(rows), own), load(as_text(rows), own)
    is_whole(sheet)
    assert (sheet.held is None) == (text.held is None), (sheet.held, text.held)
    assert sheet.counts == text.counts
    assert sheet.readings.equals(text.readings)
    assert sheet.quarantine.select("line", "reason").equals(text.quarantine.select("line", "reason"))


@given(
    moment=st.datetimes(datetime(1990, 1, 1), datetime(2100, 1, 1)).map(lambda at: at.replace(microsecond=0)),  # noqa: DTZ001
    epoch_1904=st.booleans(),
)
@settings(max_examples=20, deadline=None)
def test_a_stored_second_comes_back_as_that_second(moment: datetime, epoch_1904: bool) -> None:
    from pipeline.intake.workbooks.reading import sheets_of

    packed = io.BytesIO()
    book = xlsxwriter.Workbook(packed, {"in_memory": True, "date_1904": epoch_1904})
    shown = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
    book.add_worksheet().write_datetime(0, 0, moment, shown)
    book.close()
    ((((kind, text),),),) = ([sheet.rows[0]] for sheet in sheets_of(packed.getvalue()))
    found = datetime.fromisoformat(text) if kind == "datetime" else datetime.combine(date.fromisoformat(text), time())
    assert abs(found - moment) < timedelta(milliseconds=1)
