"""The sheet for readings taken down by hand: header, lists, and what comes back is read like any export."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime
from typing import Any

import openpyxl
import pytest
from intake_checks import is_whole, load

from pipeline.errors import UsageError
from pipeline.intake.layout import parse_layout
from pipeline.intake.template import template
from pipeline.intake.workbooks.writing import sheet_to_fill_in

ROWS = (
    (
        "2026-03-02",
        "07:31",
        "EC-09",
        "P-91",
        "op3",
        "block",
        "",
        "",
        "",
        "BL-A1",
        "34.1",
        "21.5",
        "at_metal",
        "60",
        "",
        "",
    ),
    (
        "2026-03-02",
        "07:40",
        "EC-09",
        "P-91",
        "op3",
        "part",
        "L-9",
        "1",
        "1",
        "",
        "33.9",
        "21.6",
        "at_metal",
        "60",
        "3",
        "ok",
    ),
    (
        "2026-03-02",
        "07:40",
        "EC-09",
        "P-91",
        "op3",
        "part",
        "L-9",
        "1",
        "1",
        "",
        "33.9",
        "21.6",
        "at_metal",
        "60",
        "3",
        "",
    ),
)


def filled_in(csv_text: str, rows: tuple[tuple[str, ...], ...], delimiter: str) -> str:
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=delimiter, lineterminator="\r\n").writerows(rows)
    return csv_text + text.getvalue() + (delimiter * 15 + "\r\n") * 3  # rows that the spreadsheet left empty


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-8", "cp1252"])
@pytest.mark.parametrize(("delimiter", "decimal"), [(",", "."), (";", ",")])
def test_what_comes_back_is_read_like_any_export(delimiter: str, decimal: str, encoding: str) -> None:
    sheet = template(unit="%IACS", delimiter=delimiter, decimal_char=decimal)
    layout = parse_layout(sheet.layout_text, "by_hand.toml")
    assert (layout.name, layout.taken_by_hand, layout.repeats_kept) == ("by_hand", True, True)
    rows = tuple(tuple(cell.replace(".", decimal) for cell in row) for row in ROWS)
    reading = load(filled_in(sheet.csv_text, rows, delimiter).encode(encoding), layout)
    is_whole(reading)
    assert reading.held is None
    assert {fate: count for fate, count in reading.counts.items() if count} == {"header": 1, "accepted": 3, "blank": 3}
    first = reading.readings.to_dicts()[0]
    assert (first["value"], first["unit"], first["temperature_c"]) == (34.1, "%IACS", 21.5)
    assert (first["role"], first["block"], first["lot"], first["operator"]) == ("block", "BL-A1", None, "op3")
    assert first["measured_at"] == datetime(2026, 3, 2, 6, 31, tzinfo=UTC)


def test_what_a_person_leaves_out_or_a_spreadsheet_rewrites_is_refused() -> None:
    sheet = template()
    good = ROWS[1]
    rows = (
        ("2.3.2026", *good[1:]),
        (*good[:4], "", *good[5:]),
        (*good[:6], "09-Sep", *good[7:]),
        (*good[:10], "", *good[11:]),
        (*good[:12], "", *good[13:]),
        (*good[:6], " L-9 ", *good[7:]),
    )
    reading = load(filled_in(sheet.csv_text, rows, ",").encode(), parse_layout(sheet.layout_text, "by_hand.toml"))
    is_whole(reading)
    assert reading.quarantine["reason"].to_list() == [
        "not_a_time",
        "missing_value",
        "spreadsheet_damage_suspected",
        "missing_value",
        "missing_value",
    ]
    assert reading.readings["lot"].to_list() == ["L-9"]


def _flat(cells: Any) -> list[Any]:
    return [one for row in cells for one in row] if isinstance(cells, tuple) else [cells]


def test_the_workbook_has_the_header_its_formats_and_lists() -> None:
    sheet = template(meters=["EC-09", "EC-10"], blocks=['B<L>&"1'])
    book = openpyxl.load_workbook(io.BytesIO(sheet.workbook_bytes))
    assert book.sheetnames == ["readings", "lists"]
    readings, lists = book["readings"], book["lists"]
    assert (readings.sheet_state, lists.sheet_state) == ("visible", "hidden")
    header = [cell.value for cell in readings[1]]
    assert header == next(csv.reader([sheet.csv_text]))
    assert "Value [MS/m]" in header
    assert "Metal temperature [°C]" in header
    ranges, others = {}, {}
    for rule in readings.data_validations.dataValidation:
        first, last = str(rule.sqref).split(":")
        assert (readings[first].row, readings[last].row) == (2, 2000)
        name = header[readings[first].column - 1]
        if rule.type == "list":
            ranges[name] = [cell.value for cell in _flat(lists[rule.formula1.removeprefix("lists!")])]
        else:
            others[name] = rule.type
    assert ranges == {
        "Meter": ["EC-09", "EC-10"],
        "Role": ["block", "part", "setting"],
        "Block": ['B<L>&"1'],
        "Temperature state": ["at_metal", "at_reference", "relative"],
    }
    assert others == {"Date (YYYY-MM-DD)": "date", "Time (HH:MM)": "time"}
    # @ is text: a lot 3-4 stays what is typed; dates and numbers are what a spreadsheet calls so
    letters = dict(zip(header, readings.column_dimensions, strict=False))
    formats = {name: readings.column_dimensions[letters[name]].number_format for name in header if name in letters}
    assert (formats["Date (YYYY-MM-DD)"], formats["Time (HH:MM)"]) == ("yyyy-mm-dd", "hh:mm")
    assert formats["Meter"] == "@"


def test_the_workbook_is_the_same_each_time() -> None:
    assert template(meters=["EC-09"]).workbook_bytes == template(meters=["EC-09"]).workbook_bytes
    assert sheet_to_fill_in(["a"], ["text"]) == sheet_to_fill_in(["a"], ["text"], lists={0: []})


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(UsageError, match="did you mean 'MS/m'"):
        template(unit="mS/m")
    with pytest.raises(UsageError, match="semicolons"):
        template(delimiter=",", decimal_char=",")
