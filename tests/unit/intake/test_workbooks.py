"""Workbooks: every row a line with one fate, and cells by their stored type."""

from __future__ import annotations

import io
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any

import openpyxl
import pytest
from intake_checks import builtin_layouts, is_whole, load
from sample_workbooks import GOOD, NAMES, fates, layout, local, row, with_part, xls, xlsx

from pipeline.intake.layout import parse_layout
from pipeline.intake.match import match
from pipeline.intake.template import template
from pipeline.intake.workbooks.reading import sheets_of

if TYPE_CHECKING:
    from collections.abc import Callable


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
    data = xlsx([[1, 2.5, "x", None, True], [False], [local(2026, 3, 29, 2, 30, 1), time(7, 31, 20)]])
    (sheet,) = sheets_of(data)
    theirs = [[cell.value for cell in cells] for cells in openpyxl.load_workbook(io.BytesIO(data)).active.iter_rows()]
    words = {"boolean": lambda text: text == "TRUE", "datetime": datetime.fromisoformat, "time": time.fromisoformat}
    ours = [[words[cell[0]](cell[1]) if isinstance(cell, list) else cell for cell in cells] for cells in sheet.rows]
    assert [cells + [None] * (5 - len(cells)) for cells in ours] == theirs


def test_a_duration_is_told_in_seconds_and_a_sheet_that_is_a_chart_is_passed_over() -> None:
    def chart(book: Any, sheet: Any) -> None:
        drawn = book.add_chart({"type": "line"})
        drawn.add_series({"values": "=Sheet1!$A$1:$A$2"})
        book.add_chartsheet("drawn").set_chart(drawn)

    found = sheets_of(xlsx([[timedelta(hours=30), timedelta(minutes=1, microseconds=500_000)]], [[1]], also=chart))
    assert [sheet.name for sheet in found] == ["Sheet1", "Sheet2"]
    assert found[0].rows == [[["duration", "108000.0"], ["duration", "60.5"]]]


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
    changed = with_part(data, "xl/worksheets/sheet1.xml", lambda text: text.replace("<v></v>", ""))
    reading = load(changed, layout('formulas = "read"'))
    assert reading.quarantine.select("line", "reason").rows() == [(3, "formula_cell")]
    assert "without a stored result" in reading.quarantine["sentence"][0]


def test_what_nobody_sees_is_told() -> None:
    def write(_: Any, sheet: Any) -> None:
        sheet.set_row(2, None, None, {"hidden": True})
        sheet.set_column(4, 5, None, None, {"hidden": True})

    data = xlsx(GOOD, [["notes"]], names=("readings", "old"), also=write)
    hidden = with_part(
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
