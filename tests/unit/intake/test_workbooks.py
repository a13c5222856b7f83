"""Workbooks: every row a line with one fate, cells by their stored type, and hostile ones held or refused with a sentence."""

from __future__ import annotations

import io
import re
import struct
import subprocess
import sys
import zipfile
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any

import openpyxl
import orjson
import pytest
import xlsxwriter
import xlwt
from intake_checks import builtin_layouts, is_whole, load

from pipeline.errors import LayoutError
from pipeline.intake.layout import parse_layout
from pipeline.intake.match import match
from pipeline.intake.reading import Held, HoldFile
from pipeline.intake.template import template
from pipeline.intake.workbooks import parts, structure, unpack
from pipeline.intake.workbooks import xls as xls_module
from pipeline.intake.workbooks.cell_text import column_text
from pipeline.intake.workbooks.reading import sheets_of, span_words
from pipeline.intake.workbooks.xls import structure_of as xls_structure
from pipeline.intake.workbooks.xlsx import structure_of as xlsx_structure

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


@pytest.mark.parametrize("epoch_1904", [False, True])
@pytest.mark.parametrize("write", [xlsx, xls])
def test_cells_come_as_they_are_stored_in_both_formats_and_from_both_epochs(
    write: Callable[..., bytes], epoch_1904: bool
) -> None:
    data = write(GOOD, epoch_1904=epoch_1904)
    reading = load(data, layout())
    assert reading.held is None
    is_whole(reading)
    assert fates(reading) == {"header": 1, "accepted": 2}
    first, second = reading.readings.to_dicts()
    # 07:31:05 in Oslo in winter: seconds of a stored time are kept although the text format has none
    assert first["measured_at"] == datetime(2026, 3, 2, 6, 31, 5, tzinfo=UTC)
    assert (first["meter"], first["lot"], first["part"], first["value"]) == ("EC-09", "L-9", "1", 34.0)
    assert (second["line"], second["value"], second["temperature_c"]) == (3, 34.1, 21.5)


def test_serial_numbers_of_days_are_those_of_the_standard() -> None:
    """ISO/IEC 29500-1 (ECMA-376-1), 18.17.4.1: serial 1 is 1900-01-01 (epoch 1900), 0 is 1904-01-01 (epoch 1904)."""
    for epoch_1904, serial, expected in (
        (False, 61, "1900-03-01"),
        (True, 60, "1904-03-01"),
        (False, 46083, "2026-03-02"),
    ):

        def write(book: Any, sheet: Any, serial: int = serial) -> None:
            sheet.write_number(0, 0, serial, book.add_format({"num_format": 14}))

        (sheet,) = sheets_of(xlsx([], epoch_1904=epoch_1904, also=write))
        assert sheet.rows == [[["date", expected]]]


def test_a_second_reader_finds_the_same_cells() -> None:
    """openpyxl, a general library, reads what XlsxWriter wrote; so do we."""
    data = xlsx([[1, 2.5, "x", None, True], [local(2026, 3, 29, 2, 30, 1), time(7, 31, 20)]])
    (sheet,) = sheets_of(data)
    theirs = [[cell.value for cell in cells] for cells in openpyxl.load_workbook(io.BytesIO(data)).active.iter_rows()]
    words = {"boolean": lambda text: text == "TRUE", "datetime": datetime.fromisoformat, "time": time.fromisoformat}
    ours = [[words[cell[0]](cell[1]) if isinstance(cell, list) else cell for cell in cells] for cells in sheet.rows]
    assert [cells + [None] * (5 - len(cells)) for cells in ours] == theirs


def test_typed_text_must_be_written_as_declared_and_may_stand_beside_stored_dates() -> None:
    rows = [list(NAMES), row(1), row(2, Day="02.03.2026", Clock="07:32"), row(3, Day="2 March", Clock="07:33")]
    reading = load(xlsx(rows), layout())
    is_whole(reading)
    # beside text a stored time is written in the declared format, and one with seconds is not cut to fit it
    assert fates(reading) == {"header": 1, "accepted": 1, "quarantined": 2}
    assert reading.quarantine["line"].to_list() == [2, 4]
    assert set(reading.quarantine["reason"]) == {"not_a_time"}
    rows[1][1] = time(7, 31)
    assert fates(load(xlsx(rows), layout()))["accepted"] == 2


def test_a_decimal_comma_in_text_and_a_stored_number_are_the_same() -> None:
    reading = load(xlsx([list(NAMES), row(1, Value="34,5"), row(2, Value=34.5)]), layout())
    assert reading.readings["value"].to_list() == [34.5, 34.5]


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"Lot": date(2026, 4, 3)}, "spreadsheet_damage_suspected"),
        ({"Lot": 1234567890123456789}, "spreadsheet_damage_suspected"),
        ({"Value": date(2026, 4, 3)}, "spreadsheet_damage_suspected"),
        ({"Value": True}, "not_a_number"),
        ({"Day": 46083}, "not_a_time"),
        ({"Day": local(2026, 3, 2, 7, 31)}, "not_a_time"),
        ({"Clock": local(2026, 3, 2, 7, 31)}, "not_a_time"),
        ({"Clock": timedelta(hours=30)}, "not_a_time"),
        ({"Day": None}, "missing_value"),
        ({"Value": None}, "missing_value"),
        ({"Lot": " L-9"}, "surrounding_space"),
    ],
)  # fmt: skip
def test_a_cell_of_another_type_than_its_column_goes_to_quarantine(changes: dict[str, Any], reason: str) -> None:
    reading = load(xlsx([list(NAMES), row(1), row(2, **changes)]), layout())
    is_whole(reading)
    assert fates(reading) == {"header": 1, "accepted": 1, "quarantined": 1}
    assert (reading.quarantine["line"][0], reading.quarantine["reason"][0]) == (3, reason)


def test_numbers_that_name_something_are_written_as_people_see_them() -> None:
    reading = load(xlsx([list(NAMES), row(1, Lot=107, Part=7.5), row(2, Lot=999_999_999_999_999)]), layout())
    assert reading.readings["lot"].to_list() == ["107", "999999999999999"]
    assert reading.readings["part"].to_list() == ["7.5", "2"]


def test_formulas_errors_and_percentages_are_no_readings_each_with_its_sentence() -> None:
    def write(book: Any, sheet: Any) -> None:
        sheet.write_formula(1, 5, "=30+4", None, 34.0)
        sheet.write_formula(2, 3, "=A1", None, "L-9")
        sheet.write_formula(3, 5, "=1/0", None, "#DIV/0!")
        sheet.write_formula(4, 3, '=VLOOKUP("x",A1:B2,2)', None, "#N/A")
        sheet.write_number(5, 5, 0.582, book.add_format({"num_format": "0.0%"}))
        sheet.write_number(6, 0, 46083, book.add_format({"num_format": 10}))
        sheet.write_formula(8, 5, "=AVERAGE(F2:F3)", None, 34.0)

    data = xlsx([list(NAMES), *(row(n) for n in range(1, 8))], also=write)
    footer = '[footer]\npattern = "Mean"\n'
    reading = load(data, layout(more=footer))
    assert reading.held is None
    is_whole(reading)
    assert reading.readings["line"].to_list() == [8]
    found = reading.quarantine.select("line", "column", "reason").rows()
    assert found == [
        (2, "Value", "formula_cell"),
        (3, "Lot", "formula_cell"),
        (4, "Value", "error_cell"),
        (5, "Lot", "error_cell"),
        (6, "Value", "percent_cell"),
        (7, "Day", "percent_cell"),
        (9, "Value", "formula_cell"),
    ]
    sentences = " ".join(reading.quarantine["sentence"])
    assert "#DIV/0!" in sentences
    assert "stored as 0.582" in sentences
    allowed = load(data, layout('formulas = "read"', more=footer))
    assert allowed.readings["line"].to_list() == [2, 3, 8]


def test_a_formula_that_was_never_computed_is_told_even_where_formulas_are_read() -> None:
    data = xlsx(GOOD, also=lambda _, sheet: sheet.write_formula(2, 5, "=30+4", None, ""))
    changed = _with_part(data, "xl/worksheets/sheet1.xml", lambda text: text.replace("<v></v>", ""))
    reading = load(changed, layout('formulas = "read"'))
    assert reading.quarantine.select("line", "reason").rows() == [(3, "formula_cell")]
    assert "without a stored result" in reading.quarantine["sentence"][0]


def test_what_nobody_sees_is_told() -> None:
    def write(_: Any, sheet: Any) -> None:
        sheet.set_row(2, None, None, {"hidden": True})
        sheet.set_column(4, 5, None, None, {"hidden": True})

    data = xlsx(GOOD, [["notes"]], names=("readings", "old"), also=write)
    hidden = _with_part(
        data, "xl/workbook.xml", lambda text: text.replace('name="old"', 'name="old" state="veryHidden"')
    )
    reading = load(hidden, layout())
    assert fates(reading)["accepted"] == 2
    assert [warning.split(":")[0] for warning in reading.warnings] == ["hidden_sheet", "hidden_rows", "hidden_columns"]
    assert "row 3 is hidden" in reading.warnings[1]
    assert "columns 5 to 6" in reading.warnings[2]
    named = load(hidden, layout('sheets = ["readings", "old"]'))
    assert named.held is not None
    assert named.held.sentence.startswith("Sheet 'old': ")

    def old(_: Any, sheet: Any) -> None:
        sheet.row(2).hidden = True
        sheet.col(4).hidden = True

    assert [one.split(":")[0] for one in load(xls(GOOD, also=old), layout()).warnings] == [
        "hidden_rows",
        "hidden_columns",
    ]


def test_a_visible_sheet_that_nobody_declared_holds_the_file() -> None:
    data = xlsx(GOOD, [["a note"]], names=("readings", "notes"))
    held = load(data, layout()).held
    assert held is not None
    assert held.reason == "sheets_mismatch"
    assert "'readings', 'notes'" in held.sentence
    assert fates(load(data, layout('ignoreSheets = ["notes"]')))["accepted"] == 2
    missing = load(data, layout('sheets = ["Readings"]\nignoreSheets = ["notes"]')).held
    assert missing is not None
    assert "no filled sheet 'Readings'" in missing.sentence
    empty = load(xlsx([]), layout()).held
    assert empty is not None
    assert empty.reason == "empty_file"


def test_one_sheet_a_lot_lines_run_on_and_messages_name_sheet_and_row() -> None:
    names = [name for name in NAMES if name != "Lot"]

    def sheet(n: int, **changes: Any) -> list[list[Any]]:
        cells = row(n, **changes)
        return [names, cells[:3] + cells[4:]]

    data = xlsx(sheet(1), sheet(2), sheet(3, Value="x"), names=("Lot L-1", "Lot L-2", "Lot L-3"))
    rules = 'sheetPattern = "Lot (.+)"\nsheetNameFills = "lot"'
    reading = load(data, layout(rules, lot=""))
    assert reading.held is None
    is_whole(reading)
    assert reading.lines == 6
    assert reading.readings.select("line", "lot").rows() == [(2, "L-1"), (4, "L-2")]
    assert reading.quarantine["line"].to_list() == [6]
    assert reading.quarantine["sentence"][0].endswith("Sheet 'Lot L-3', row 2.")
    assert reading.metadata["sheet"] == "Lot L-1 (lines 1 to 2), Lot L-2 (lines 3 to 4), Lot L-3 (lines 5 to 6)"
    # one sheet with other columns holds the file as a whole
    broken = xlsx(sheet(1), [["Day", "Clock"], row(1)[:2]], names=("Lot L-1", "Lot L-2"))
    held = load(broken, layout(rules, lot="")).held
    assert held is not None
    assert held.sentence.startswith("Sheet 'Lot L-2': The header differs")


def test_readings_that_stand_in_columns_are_turned() -> None:
    turned = [list(cells) for cells in zip(*[list(NAMES), row(1), row(2, Value="OL"), row(3)], strict=True)]
    reading = load(xlsx(turned), layout(keys="transposed = true"))
    assert reading.held is None
    is_whole(reading)
    assert reading.readings.select("line", "value").rows() == [(2, 34.0), (4, 34.2)]
    assert reading.quarantine["line"].to_list() == [3]


def test_a_text_file_is_turned_too_and_one_that_was_cut_off_is_held() -> None:
    lines = [
        "Day;02.03.2026;02.03.2026", "Clock;07:31;07:32", "Device;EC-09;EC-09", '"Lot";L-9;"L;9"', "Part;1;2", "Value;34,0;34,1",
        "Metal;21,5;21,5",
    ]  # fmt: skip
    text = "\n".join(lines)
    turned = layout(keys="transposed = true")
    reading = load(f"{text}\n".encode(), turned)
    assert reading.held is None
    is_whole(reading)
    assert reading.readings.select("line", "lot", "value").rows() == [(2, "L-9", 34.0), (3, "L;9", 34.1)]
    held = load(text.encode(), turned).held
    assert held is not None
    assert held.reason == "truncated"
    assert isinstance(match("a.csv", f"{text}\n".encode(), {"hand": turned}, {}), type(turned))


def test_a_table_may_begin_anywhere_and_rows_keep_their_numbers() -> None:
    rows = [[], [None, "Lot report"], [], *([None, *cells[:3], None, *cells[3:]] for cells in GOOD)]
    reading = load(xlsx(rows), layout())
    assert reading.held is None
    is_whole(reading)
    assert fates(reading) == {"blank": 2, "preamble": 1, "header": 1, "accepted": 2}
    assert reading.readings["line"].to_list() == [5, 6]
    beside = load(xlsx([*rows[:4], [*rows[4], None, "see note"], rows[5]]), layout())
    assert fates(beside)["quarantined"] == 1
    assert beside.quarantine["reason"][0] == "too_many_cells"


def test_merged_cells_hold_the_file_unless_the_layout_says_what_they_mean() -> None:
    rows = [["Report of the day"], *map(list, GOOD), row(3)]
    rows[3][3] = rows[4][3] = None

    def lots(_: Any, sheet: Any) -> None:
        sheet.merge_range(0, 0, 0, 6, "Report of the day")
        sheet.merge_range(2, 3, 4, 3, "L-9")

    data = xlsx(rows, also=lots)
    held = load(data, layout()).held
    assert held is not None
    assert (held.reason, held.line) == ("merged_cells", 3)
    assert "Rows 3 to 5, columns 4 to 4" in held.sentence
    filled = load(data, layout('mergedCells = "fill"'))
    assert filled.readings["lot"].to_list() == ["L-9", "L-9", "L-9"]
    first = load(data, layout('mergedCells = "first"'))
    assert (first.readings["lot"].to_list(), first.quarantine["reason"].to_list()) == (["L-9"], ["missing_lot"] * 2)
    # a title over the table says nothing about its rows
    title = load(xlsx(rows[:3], also=lambda _, sheet: sheet.merge_range(0, 0, 0, 6, "Report")), layout())
    assert title.held is None


def test_a_merged_header_is_held() -> None:
    header = [*NAMES[:-1], None]
    data = xlsx([header, *GOOD[1:]], also=lambda _, sheet: sheet.merge_range(0, 5, 0, 6, "Value"))
    held = load(data, layout()).held
    assert held is not None
    assert held.reason == "header_mismatch"
    assert "column 'Metal' is missing" in held.details
    assert "merged" in held.what_to_do


def test_breaks_inside_a_cell_make_no_line() -> None:
    rows = [["Day", "Clock", "Device", "Lot", "Part", "Value", "Metal"], row(1, Lot="L\n9"), row(2, Lot="L\t9")]
    reading = load(xlsx(rows), layout())
    assert reading.lines == 3
    assert reading.readings["lot"].to_list() == ["L 9", "L 9"]


def test_a_stored_time_gets_the_offset_of_the_site_where_the_layout_wants_one() -> None:
    names = ("measured_at", "meter", "role", "lot", "value", "unit", "temperature_state")
    rest = ["EC-09", "part", "L-9", 34.0, "MS/m", "at_metal"]
    times = [local(2026, 7, 1, 12, 0), local(2026, 10, 25, 2, 30), local(2026, 3, 29, 2, 30)]
    data = xlsx([list(names), *([at, *rest] for at in times)])
    known = builtin_layouts()
    neutral = known["neutral"]
    assert match("inbox/a.xlsx", data, known, {}) is neutral
    reading = load(data, neutral)
    # Oslo in summer; then the hour that occurs twice, and the one that does not exist
    assert reading.readings["measured_at"].to_list() == [datetime(2026, 7, 1, 10, 0, tzinfo=UTC)]
    assert reading.quarantine.select("line", "reason").rows() == [(3, "not_a_time"), (4, "not_a_time")]


def test_the_sheet_of_readings_by_hand_loads_when_filled_in() -> None:
    sheet = template(unit="%IACS", delimiter=";", decimal_char=",")
    book = openpyxl.load_workbook(io.BytesIO(sheet.workbook_bytes))
    page = book["readings"]
    page.append(
        [
            date(2026, 3, 2),
            time(7, 31, 20),
            "EC-09",
            "P-91",
            "op3",
            "part",
            "3-4",
            "007",
            "1",
            None,
            58.25,
            21.5,
            "at_metal",
        ]
    )
    page.append(
        [
            date(2026, 3, 2),
            time(7, 32),
            "EC-09",
            None,
            "op3",
            "block",
            None,
            None,
            None,
            "BL-A1",
            58.5,
            21.5,
            "at_metal",
        ]
    )
    packed = io.BytesIO()
    book.save(packed)
    own = parse_layout(sheet.layout_text, "by_hand.toml")
    assert match("inbox/hand.xlsx", packed.getvalue(), {**builtin_layouts(), "by_hand": own}, {}) is own
    reading = load(packed.getvalue(), own)
    assert reading.held is None
    is_whole(reading)
    assert not reading.warnings
    first, second = reading.readings.to_dicts()
    assert (first["measured_at"], first["lot"], first["part"]) == (
        datetime(2026, 3, 2, 6, 31, 20, tzinfo=UTC),
        "3-4",
        "007",
    )
    assert (first["value"], second["block"], second["unit"]) == (58.25, "BL-A1", "%IACS")


# --- hostile ---------------------------------------------------------------------------------------------------------


def _with_part(data: bytes, name: str, change: Callable[[str], str]) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as new:
        for info in old.infolist():
            content = old.read(info.filename)
            if info.filename == name:
                content = change(content.decode()).encode()
            new.writestr(info.filename, content)
    return packed.getvalue()


def held_of(data: bytes) -> Held:
    with pytest.raises(HoldFile) as stop:
        sheets_of(data)
    assert load(data, layout()).held == stop.value.held
    assert match("inbox/a.xlsx", data, {"hand": layout()}, {}) == stop.value.held
    return stop.value.held


def test_a_small_file_with_a_giant_sheet_is_held_before_its_reader_lays_it_out() -> None:
    def corner(_: Any, sheet: Any) -> None:
        sheet.write_number(1_048_575, 16_383, 1)

    held = held_of(xlsx(GOOD, also=corner))
    assert held.reason == "too_large"
    assert f"{1_048_576 * 16_384:,} cells" in held.sentence
    old = held_of(xls(GOOD, also=lambda _, sheet: sheet.write(65_535, 255, 1)))
    assert f"{65_536 * 256:,} cells" in old.sentence


def test_the_limit_of_cells_is_met_exactly() -> None:
    found = structure.Structure()
    found.seen(0, 0)
    found.seen(structure.MOST_CELLS // 16 - 1, 15)
    structure.cells_fit([found])
    found.seen(structure.MOST_CELLS // 16, 0)
    with pytest.raises(structure.Refused):
        structure.cells_fit([found])


def test_what_unpacks_to_too_much_is_held_by_what_it_says_and_by_what_it_is() -> None:
    bomb = b"\0" * (structure.MOST_UNPACKED // 4 + 1)
    packed = io.BytesIO(xlsx(GOOD))
    with zipfile.ZipFile(packed, "a", zipfile.ZIP_DEFLATED) as archive:
        for n in range(4):
            archive.writestr(f"xl/media/{n}", bomb)
    data = packed.getvalue()
    assert len(data) < 1_000_000
    held = held_of(data)
    assert held.reason == "too_large"
    assert "unpacks to" in held.sentence


def test_a_part_that_lies_about_its_size_is_damaged() -> None:
    data = bytearray(xlsx(GOOD))
    at = data.rindex(b"PK\x01\x02")  # the last entry of the directory: bytes 24 to 27 are the size it unpacks to
    size = struct.unpack_from("<I", data, at + 24)[0]
    struct.pack_into("<I", data, at + 24, size - 1)
    assert held_of(bytes(data)).reason == "damaged_workbook"


def test_entities_are_refused() -> None:
    doctype = '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;">]>'
    data = _with_part(xlsx(GOOD), "xl/worksheets/sheet1.xml", lambda text: text.replace("?>", f"?>{doctype}", 1))
    assert "document type" in held_of(data).sentence


def test_a_long_text_named_by_many_cells_is_held(monkeypatch: pytest.MonkeyPatch) -> None:
    data = xlsx([["x" * 32_000] * 100])
    monkeypatch.setattr(unpack, "MOST_TEXT", 3_200_000)
    assert unpack._sheets(data)[0]["rows"][0][99] == "x" * 32_000
    monkeypatch.setattr(unpack, "MOST_TEXT", 3_199_999)
    with pytest.raises(structure.Refused, match="too_large"):
        unpack._sheets(data)


def test_containers_that_are_no_workbook_say_what_they_are() -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("readings.csv", "a,b\n")
    assert "a ZIP archive" in held_of(packed.getvalue()).sentence
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
    assert "another format" in held_of(packed.getvalue()).sentence
    assert "damaged" in held_of(b"PK\x03\x04" + b"\0" * 100).sentence
    assert held_of(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600).reason == "damaged_workbook"


def test_protected_workbooks_are_held() -> None:
    name = "EncryptedPackage".encode("utf-16-le")
    data = xls(GOOD)
    # the entry of the directory that names the stream, renamed as an encrypted XLSX names it
    entry = data.index("Workbook".encode("utf-16-le"))
    package = bytearray(data)
    package[entry : entry + len(name)] = name
    struct.pack_into("<H", package, entry + 64, len(name) + 2)
    held = held_of(bytes(package))
    assert held.reason == "encrypted"
    assert "password" in held.sentence
    # a record FILEPASS where the globals of the workbook had another of no meaning (CODEPAGE)
    old = bytearray(data)
    at = data.index(struct.pack("<HH", 0x0042, 2))
    struct.pack_into("<H", old, at, 0x002F)
    assert held_of(bytes(old)).reason == "encrypted"
    flagged = bytearray(xlsx(GOOD))
    for mark, offset in ((b"PK\x01\x02", 8), (b"PK\x03\x04", 6)):
        at = flagged.index(mark)
        flagged[at + offset] |= 1
    assert held_of(bytes(flagged)).reason == "encrypted"


def test_a_process_that_dies_or_takes_too_long_costs_one_file(monkeypatch: pytest.MonkeyPatch) -> None:
    def dies(*_: Any, **__: Any) -> Any:
        return subprocess.CompletedProcess([], -9, b"", b"")

    def waits(*_: Any, **__: Any) -> Any:
        raise subprocess.TimeoutExpired([], 1.0)

    for ending in (dies, waits):
        monkeypatch.setattr(subprocess, "run", ending)
        held = held_of(xlsx([[ending.__name__]]))
        assert held.reason == "damaged_workbook"
        assert "could not be unpacked" in held.sentence


def test_memory_is_limited_where_workbooks_are_unpacked() -> None:
    data = xlsx([[number + 0.5 for number in range(200)]] * 1000)
    code = "from pipeline.intake.workbooks import unpack; unpack.MEMORY_BYTES = {}; unpack.main()"
    enough, little = (
        subprocess.run([sys.executable, "-c", code.format(limit)], input=data, capture_output=True, check=False)
        for limit in (structure.MEMORY_BYTES, 25_000_000)
    )
    assert len(orjson.loads(enough.stdout)["sheets"][0]["rows"]) == 1000
    assert little.returncode != 0 or "too_large" in orjson.loads(little.stdout)["refused"]


def test_several_readings_a_row_are_read_from_a_sheet() -> None:
    wide = layout(keys='shape = "wide"')
    assert wide.wide
    names = [*NAMES[:5], "R1", "R2", "Metal"]
    cells = row(1)
    rows = [names, [*cells[:5], 34.0, 34.5, cells[6]], [*cells[:5], 34.0, None, cells[6]]]
    reading = load(xlsx(rows), wide)
    is_whole(reading)
    assert reading.readings.select("line", "replicate", "value").rows() == [(2, 1, 34.0), (2, 2, 34.5), (3, 1, 34.0)]


def test_the_name_of_a_file_decides_nothing() -> None:
    text = ";".join(NAMES) + "\n02.03.2026;07:31;EC-09;L-9;1;34,0;21,5\n"
    assert fates(load(text.encode(), layout(), name="inbox/a.xlsx")) == {"header": 1, "accepted": 1}
    assert fates(load(xls(GOOD), layout(), name="inbox/a.xlsx")) == {"header": 1, "accepted": 2}
    assert fates(load(xlsx(GOOD), layout(), name="inbox/a.csv")) == {"header": 1, "accepted": 2}


def test_whatever_byte_is_changed_the_structure_is_read_or_refused() -> None:
    """Every eleventh byte of each format; none may end in an error that has no sentence."""
    for data, look in ((xlsx(GOOD), xlsx_structure), (xls(GOOD), xls_structure), (compound(), xls_structure)):
        for at in range(0, len(data), 11):
            try:
                look(data[:at] + bytes([data[at] ^ 0x5A]) + data[at + 1 :])
            except structure.Refused as refused:
                assert len(refused.args) == 3, at  # noqa: PT017 - reason, sentence, what to do
    declared = _with_part(xlsx(GOOD), "xl/worksheets/sheet1.xml", lambda text: text.replace("UTF-8", "U2F-8", 1))
    assert held_of(declared).reason == "damaged_workbook"


def test_a_reader_that_asks_for_more_memory_than_there_is_costs_one_file() -> None:
    data = bytearray(xls(GOOD))
    at = data.index(struct.pack("<HH", 0x0200, 14))  # DIMENSIONS: what the sheet says it spans
    struct.pack_into("<IIHH", data, at + 4, 0, 0x7FFFFFFF, 0, 0xFFFF)
    assert held_of(bytes(data)).reason == "damaged_workbook"


@pytest.mark.parametrize("write", [xlsx, xls])
def test_a_workbook_cut_or_changed_anywhere_is_held_or_read_and_never_ends_the_program(
    write: Callable[..., bytes],
) -> None:
    data = write(GOOD)
    for n in range(12):
        at = len(data) * n // 12
        for broken in (data[:at], data[:at] + bytes([data[at] ^ 0x5A]) + data[at + 1 :]):
            reading = load(broken, layout())
            is_whole(reading)
            if reading.held is not None:
                assert reading.held.sentence


def test_structure_is_read_where_sheets_leave_places_out() -> None:
    data = _with_part(
        xlsx([["a", "b"], ["c"]]),
        "xl/worksheets/sheet1.xml",
        lambda text: text.replace(' r="1"', "").replace(' r="2"', "").replace(' r="A1"', "").replace(' r="B1"', ""),
    )
    (found,) = xlsx_structure(data).values()
    assert (found.last_row, found.last_column, found.cells) == (1, 1, 4)
    (old,) = xls_structure(xls([["a", 1.5, 2], [3, None, "x"]]))
    assert old.cells == 6


def test_a_layout_says_at_once_what_contradicts_itself_about_workbooks() -> None:
    with pytest.raises(LayoutError) as wrong:
        layout('sheets = ["a"]\nsheetPattern = "b"\nignoreSheets = ["a"]\nsheetNameFills = "lot"\nmergedCells = "fill"')
    assert "keep one of them" in str(wrong.value)
    assert "found 'a', which sheets names, too" in str(wrong.value)
    with pytest.raises(LayoutError, match="column 'lot' is filled from two places"):
        layout('sheetNameFills = "lot"')
    with pytest.raises(LayoutError, match="mergedCells"):
        layout('mergedCells = "guess"')


def test_spans_in_words() -> None:
    assert span_words([5]) == "5"
    assert span_words([5, 7, 8, 9]) == "5, 7 to 9"
    assert span_words([1, 3, 5, 7, 9, 11, 12]) == "1, 3, 5, 7, 9 and 2 more"


SECTIONED = """
name = "sectioned"
version = 1
[dialect]
delimiter = ";"
[schema]
decimalChar = ","
[[schema.fields]]
name = "Clock"
column = "measured_time"
type = "time"
format = "%H:%M"
[[schema.fields]]
name = "Result"
column = "value"
type = "number"
unit = "MS/m"
[preamble]
keys = [{ key = "Day", column = "measured_date", type = "date", format = "%d.%m.%Y" }, { key = "Device", column = "meter" }]
[sections]
begin = 'Job (?P<lot>[^;\\t]+)'
keys = [{ key = "Freq", column = "frequency_khz", type = "number", unit = "kHz" }]
statistics = [{ label = "Mean", statistic = "mean", cell = 2 }]
[constants]
role = "part"
temperature_state = "at_metal"
temperature_c = 20.0
"""


def test_sections_with_typed_keys_read_as_their_text_does() -> None:
    text = (
        "Day;02.03.2026\nDevice;EC-01\n\nJob L-1\nFreq;60\nClock;Result\n07:31;33,5\n07:32;33,7\nMean;33,6\n"
        "Job L-2\nFreq;480\nClock;Result\n07:41;34,5\nMean;34,5\n"
    )

    def typed(cell: str) -> Any:
        if re.fullmatch(r"\d\d:\d\d", cell):
            return time.fromisoformat(cell)
        if re.fullmatch(r"\d\d\.\d\d\.\d{4}", cell):
            return date(*map(int, reversed(cell.split("."))))
        return float(cell.replace(",", ".")) if re.fullmatch(r"\d+(,\d+)?", cell) else cell or None

    own = parse_layout(SECTIONED, "sectioned.toml")
    as_text = load(text.encode(), own)
    as_sheet = load(xlsx([[typed(cell) for cell in line.split(";")] for line in text.splitlines()]), own)
    assert (as_text.counts["accepted"], as_text.readings["frequency_khz"].to_list()) == (3, [60.0, 60.0, 480.0])
    assert as_sheet.readings.equals(as_text.readings)
    assert as_sheet.counts == as_text.counts
    assert as_sheet.metadata["Day"] == "02.03.2026"


# --- what stands before and beside a table, and structures that no writer here makes -------------------------------------


KEYED = '[preamble]\nkeys = [{ key = "Device", column = "meter" }]\n'


def keyed(workbook: str = "") -> Layout:
    text = LAYOUT.format(workbook=workbook, lot=LOT_FIELD, keys="").replace(
        '[[schema.fields]]\nname = "Device"\ncolumn = "meter"\n', ""
    )
    return parse_layout(text + KEYED, "hand.toml")


def keyed_rows(device: Any) -> list[list[Any]]:
    names = [name for name in NAMES if name != "Device"]
    return [["Device:", device], names, row()[:2] + row()[3:]]


def test_a_key_that_is_a_formula_or_an_error_holds_the_file() -> None:
    assert load(xlsx(keyed_rows("EC-09")), keyed()).readings["meter"].to_list() == ["EC-09"]
    formula = xlsx(keyed_rows(None), also=lambda _, sheet: sheet.write_formula(0, 1, "=A1", None, "EC-09"))
    held = load(formula, keyed()).held
    assert held is not None
    assert (held.reason, held.line) == ("formula_cell", 1)
    assert "Row 1, column 2, before the readings" in held.sentence
    assert load(formula, keyed('formulas = "read"')).readings["meter"].to_list() == ["EC-09"]
    error = xlsx(keyed_rows(None), also=lambda _, sheet: sheet.write_formula(0, 1, "=A1", None, "#N/A"))
    wrong = load(error, keyed('formulas = "read"')).held
    assert wrong is not None
    assert wrong.reason == "error_cell"
    # without keys nothing rests on what stands before the header
    plain = xlsx([["as of", None], *GOOD], also=lambda _, sheet: sheet.write_formula(0, 1, "=NOW()", None, 46083))
    assert fates(load(plain, layout())) == {"preamble": 1, "header": 1, "accepted": 2}


def test_merged_cells_are_filled_as_far_as_the_sheet_goes_and_no_further(monkeypatch: pytest.MonkeyPatch) -> None:
    def lots(_: Any, sheet: Any) -> None:
        sheet.merge_range(1, 3, 400, 3, "L-9")
        sheet.merge_range(500, 0, 600, 3, "")

    data = xlsx([list(NAMES), row(1, Lot=None), row(2, Lot=None)], also=lots)
    filled = layout('mergedCells = "fill"')
    reading = load(data, filled)
    assert (reading.readings["lot"].to_list(), reading.lines) == (["L-9", "L-9"], 3)
    monkeypatch.setattr(parts, "MOST_CELLS", 2)
    assert load(data, filled).held is None
    monkeypatch.setattr(parts, "MOST_CELLS", 1)
    held = load(data, filled).held
    assert held is not None
    assert held.reason == "too_large"


def test_a_table_too_large_to_be_turned_is_held(monkeypatch: pytest.MonkeyPatch) -> None:
    turned = layout(keys="transposed = true")
    text = b"Day;02.03.2026\nClock;07:31\nDevice;EC-09\nLot;L-9\nPart;1\nValue;34,0\nMetal;21,5\n"
    monkeypatch.setattr(parts, "MOST_CELLS", 14)
    assert load(text, turned).held is None
    monkeypatch.setattr(parts, "MOST_CELLS", 13)
    held = load(text, turned).held
    assert held is not None
    assert "14 cells" in held.sentence


def test_comments_of_a_text_file_are_passed_over_before_it_is_turned() -> None:
    text = (
        "# a note;x\nDay;02.03.2026\nClock;07:31\nDevice;EC-09\nLot;L-9\nPart;1\nsecond note\nValue;34,0\nMetal;21,5\n"
    )
    keys = "transposed = true"
    own = LAYOUT.format(workbook="", lot=LOT_FIELD, keys=keys).replace(
        'delimiter = ";"', 'delimiter = ";"\ncommentChar = "#"\ncommentRows = [7]'
    )
    reading = load(text.encode(), parse_layout(own, "hand.toml"))
    assert (reading.held, reading.readings["value"].to_list(), reading.lines) == (None, [34.0], 2)


def test_cells_are_written_as_their_field_declares_them() -> None:
    fields = {field.column: field for field in layout().fields}
    clock, day, value, lot = (fields[name] for name in ("measured_time", "measured_date", "value", "lot"))
    yes = value.model_copy(update={"type": "boolean", "true_values": ("ja",), "false_values": ("nein",)})

    def written(field: Any, *cells: Any) -> list[str]:
        return column_text(field, cells, local=None)[1]

    # a span below a day is a time of day; a longer one is none
    assert written(clock, ["duration", "27060.0"], ["duration", "86400.0"]) == ["07:31:00", "1 day, 0:00:00"]
    assert written(clock, ["time", "07:31:00.250000"]) == ["07:31:00.250000"]
    assert written(clock, "07:31", ["time", "07:32:00"], ["time", "07:33:01"]) == ["07:31", "07:32", "07:33:01"]
    named = day.model_copy(update={"format": "%d. %b %Y", "month_names": tuple(f"m{n}" for n in range(1, 13))})
    assert written(named, "02. m3 2026", ["date", "2026-03-03"]) == ["02. m3 2026", "03. m3 2026"]
    plain = day.model_copy(update={"format": "%d-%b-%Y"})
    assert written(plain, "02-Mar-2026", ["date", "2026-03-03"]) == ["02-Mar-2026", "03-Mar-2026"]
    assert written(day, "02.03.2026", ["datetime", "2026-03-03 00:00:00"]) == ["02.03.2026", "03.03.2026"]
    assert written(yes, ["boolean", "TRUE"], ["boolean", "FALSE"], None) == ["ja", "nein", ""]
    assert written(lot, ["boolean", "TRUE"], 0.5, -3.0) == ["TRUE", "0.5", "-3"]
    assert written(value, 1e-7, 1234567.25, 5e15) == ["0,0000001", "1234567,25", "5000000000000000"]


def compound(*, table_listed_apart: bool = False, version: int = 0x0600) -> bytes:
    """A compound file whose workbook is so small that it lies in the stream of small sectors, as no writer here makes one."""

    def record(kind: int, body: bytes) -> bytes:
        return struct.pack("<HH", kind, len(body)) + body

    bound = record(0x0085, struct.pack("<IHB", 0, 0, 1) + b"\0s")
    begin, end = record(0x0809, struct.pack("<HH", version, 0x10) + bytes(12)), record(0x000A, b"")
    percent = record(0x041E, struct.pack("<HHB", 164, 5, 0) + b"0.0 %")
    styles = record(0x00E0, struct.pack("<HH", 0, 0) + bytes(16)) + record(
        0x00E0, struct.pack("<HH", 0, 164) + bytes(16)
    )
    start = len(begin + bound + percent + styles + end)
    bound = record(0x0085, struct.pack("<IHB", start, 0, 1) + b"\0s")
    chart = begin + record(0x0203, struct.pack("<HHHd", 9, 9, 0, 1.0)) + end
    sheet = (
        begin
        + record(0x0203, struct.pack("<HHHd", 2, 1, 1, 0.5))
        + record(0x00BD, struct.pack("<HH", 3, 0) + struct.pack("<Hi", 0, 2) + struct.pack("<Hi", 1, 6) + b"\1\0")
        + record(0x0205, struct.pack("<HHHBB", 4, 0, 0, 42, 1))
        + record(0x0205, struct.pack("<HHHBB", 4, 1, 0, 1, 0))
        + record(0x0006, struct.pack("<HHH", 5, 0, 0) + b"\2\0\7\0\0\0\xff\xff" + bytes(8))
        + record(0x0201, struct.pack("<HHH", 99, 99, 0))
        + chart
        + end
    )
    stream = begin + bound + percent + styles + end + sheet
    small = [stream[at : at + 64].ljust(64, b"\0") for at in range(0, len(stream), 64)]
    sectors = -(-len(small) // 8)
    free, last = 0xFFFFFFFF, 0xFFFFFFFE
    # sectors: 0 table, 1 directory, 2 table of small sectors, 3 list of tables, 4 and on the stream of small sectors
    table = [0xFFFFFFFD, last, last, 0xFFFFFFFC, *range(5, 4 + sectors), last]
    listed = struct.pack("<I", 0).ljust(508, b"\xff") + struct.pack("<I", free)
    header = xls_module.COMPOUND + bytes(16) + struct.pack("<5H", 62, 3, 0xFFFE, 9, 6) + bytes(10)
    header += struct.pack("<III", 1, 1, 0)
    header += struct.pack("<5I", 4096, 2, 1, 3 if table_listed_apart else last, 1 if table_listed_apart else 0)
    header += struct.pack("<I", free if table_listed_apart else 0).ljust(436, b"\xff")

    def entry(name: str, kind: int, first: int, size: int) -> bytes:
        text = name.encode("utf-16-le") + b"\0\0"
        return (
            text.ljust(64, b"\0")
            + struct.pack("<HB", len(text), kind)
            + bytes(49)
            + struct.pack("<III", first, size, 0)
        )

    directory = entry("Root Entry", 5, 4, 64 * len(small)) + entry("Workbook", 2, 0, len(stream)) + bytes(256)
    chain = struct.pack(f"<{len(small)}I", *range(1, len(small)), last).ljust(512, b"\xff")
    padded = struct.pack(f"<{len(table)}I", *table).ljust(512, b"\xff")
    return header + padded + directory + chain + listed + b"".join(small).ljust(512 * sectors, b"\0")


@pytest.mark.parametrize("table_listed_apart", [False, True])
def test_a_small_old_workbook_is_found_in_its_small_sectors(table_listed_apart: bool) -> None:
    (found,) = xls_structure(compound(table_listed_apart=table_listed_apart))
    # a blank cell and what is embedded hold nothing; rows 2 to 5 and two columns do
    assert (found.last_row, found.last_column) == (5, 1)
    assert found.faults == [
        (2, 1, "percent", ""),
        (3, 1, "percent", ""),
        (4, 0, "error", "#N/A"),
        (5, 0, "error", "#DIV/0!"),
    ]


def test_a_compound_file_whose_sectors_run_in_a_circle_ends() -> None:
    assert list(xls_module._chain([1, 0], 0)) == [0, 1, 0]
    data = bytearray(compound())
    struct.pack_into("<I", data, 512 + 4 * 4, 4)  # the first sector of the small stream is followed by itself
    reading = load(bytes(data), layout())
    assert reading.held is not None
    is_whole(reading)


def test_cells_are_unpacked_with_what_the_structure_says() -> None:
    def write(book: Any, sheet: Any) -> None:
        sheet.write_formula(1, 1, "=1/0", None, "#DIV/0!")
        sheet.write_formula(4, 2, "=A1", None, "")
        sheet.set_row(0, None, None, {"hidden": True})
        sheet.set_row(9, None, None, {"hidden": True})
        sheet.merge_range(2, 0, 3, 0, "m", book.add_format())

    data = _with_part(
        xlsx([["a", True, 2]], also=write), "xl/worksheets/sheet1.xml", lambda text: text.replace("<v></v>", "")
    )
    (sheet,) = unpack._sheets(data)
    assert sheet["rows"] == [["a", ["boolean", "TRUE"], 2.0], [None, "#DIV/0!"], ["m"], [], [None, None, "="]]
    assert sheet["faults"] == [(1, 1, "error", "#DIV/0!"), (4, 2, "formula", "without a stored result")]
    assert (sheet["hidden_rows"], sheet["merged"], sheet["hidden"]) == ([0], [[2, 0, 3, 0]], False)
