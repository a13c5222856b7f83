"""The sheet for readings taken down by hand: header, lists, and what comes back is read like any export."""

from __future__ import annotations

import csv
import io
import zipfile
from datetime import UTC, datetime
from xml.etree import ElementTree as ET

import pytest
from intake_checks import is_whole, load

from pipeline.errors import UsageError
from pipeline.intake.layout import parse_layout
from pipeline.intake.template import template
from pipeline.intake.workbook import column_letters, workbook

NS = {"m": "http://schemas.openxmlformats.org/spreadsheetml/2006/main"}
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


def test_the_workbook_has_the_header_text_cells_and_lists() -> None:
    sheet = template(meters=["EC-09", "EC-10"], blocks=['B<L>&"1'], operators=[])
    with zipfile.ZipFile(io.BytesIO(sheet.workbook_bytes)) as archive:
        assert archive.testzip() is None
        trees = {name: ET.fromstring(archive.read(name)) for name in archive.namelist()}
    readings, lists = trees["xl/worksheets/sheet1.xml"], trees["xl/worksheets/sheet2.xml"]
    header = [text.text for text in readings.findall(".//m:t", NS)]
    assert header == next(csv.reader([sheet.csv_text]))
    assert "Value [MS/m]" in header
    assert "Metal temperature [°C]" in header
    columns: dict[str, list[str | None]] = {}
    for cell in lists.findall(".//m:c", NS):
        columns.setdefault(cell.attrib["r"].rstrip("0123456789"), []).append(cell.findtext(".//m:t", None, NS))
    ranges = {}
    for rule in readings.findall(".//m:dataValidation", NS):
        formula = rule.findtext("m:formula1", "", NS)
        letter = formula.split("$")[1]
        assert formula == f"lists!${letter}$1:${letter}${len(columns[letter])}"
        place = next(n for n in range(16) if rule.attrib["sqref"].startswith(f"{column_letters(n)}2:"))
        ranges[header[place]] = columns[letter]
    assert ranges == {
        "Meter": ["EC-09", "EC-10"],
        "Role": ["block", "part", "setting"],
        "Block": ['B<L>&"1'],
        "Temperature state": ["at_metal", "at_reference", "relative"],
    }
    # number format 49 is text: what is typed stays as it is typed
    styles = trees["xl/styles.xml"].findall("m:cellXfs/m:xf", NS)
    style = readings.find("m:cols/m:col", NS)
    assert style is not None
    assert styles[int(style.attrib["style"])].attrib["numFmtId"] == "49"


def test_the_workbook_is_the_same_each_time() -> None:
    assert template(meters=["EC-09"]).workbook_bytes == template(meters=["EC-09"]).workbook_bytes
    assert workbook(["a"], {}) == workbook(["a"], {0: []})


def test_letters_of_columns() -> None:
    assert [column_letters(place) for place in (0, 25, 26, 51, 52, 701, 702)] == [
        "A",
        "Z",
        "AA",
        "AZ",
        "BA",
        "ZZ",
        "AAA",
    ]


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(UsageError, match="did you mean 'MS/m'"):
        template(unit="mS/m")
    with pytest.raises(UsageError, match="semicolons"):
        template(delimiter=",", decimal_char=",")
