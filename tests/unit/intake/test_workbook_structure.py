"""What the cells of a workbook do not say: sizes, hidden rows and columns, formulas, errors, percentages, in both formats."""

from __future__ import annotations

import io
import struct
import zipfile
from datetime import datetime
from typing import TYPE_CHECKING, Any

import openpyxl
import pytest
from sample_workbooks import GOOD, with_part, xls, xlsx

from pipeline.intake.workbooks import xls as old_form
from pipeline.intake.workbooks import xlsx as form
from pipeline.intake.workbooks.structure import Refused
from pipeline.intake.workbooks.writing import sheet_to_fill_in

if TYPE_CHECKING:
    from collections.abc import Callable

SHEET = "xl/worksheets/sheet1.xml"


def of_xml(rows: str, *, styles: str | None = None, before: str = "") -> Any:
    """Return the structure of a workbook whose only sheet holds these rows."""
    ns = 'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
    data = with_part(
        xlsx([["x"]]), SHEET, lambda _: f"<worksheet {ns}>{before}<sheetData>{rows}</sheetData></worksheet>"
    )
    if styles is not None:
        data = with_part(data, "xl/styles.xml", lambda _: f"<styleSheet {ns}>{styles}</styleSheet>")
    (found,) = form.structure_of(data).values()
    return found


def packed(*files: tuple[str, bytes]) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        for name, content in files:
            archive.writestr(name, content)
    return file.getvalue()


# -- XLSX ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reference", "place"),
    [("A1", (0, 0)), ("B7", (6, 1)), ("Z10", (9, 25)), ("AA1", (0, 26)), ("AZ2", (1, 51)), ("BA2", (1, 52)), ("XFD1048576", (1_048_575, 16_383))],
)  # fmt: skip
def test_references_are_rows_and_columns_from_nought(reference: str, place: tuple[int, int]) -> None:
    """Letters count in base 26 without a nought; XFD1048576 is the last cell (ISO/IEC 29500-1, 18.3.1.4 and 18.18.7)."""
    assert form._place(reference) == place


@pytest.mark.parametrize(
    ("rows", "last", "faults"),
    [
        ('<row r="2"><c r="B2"><v>1</v></c></row>', (1, 1), []), ("<row><c><v>1</v></c><c><v>2</v></c></row><row><c><v>1</v></c></row>", (1, 1), []),
        ('<row r="3"><c><v>1</v></c></row><row><c><v>1</v></c></row>', (3, 0), []), ('<row r="1"><c r="C1"/><c r="D1" t="s"></c></row>', (-1, -1), []),
        ('<row r="1"><c r="C1" t="inlineStr"><is><t>x</t></is></c></row>', (0, 2), []), ('<row r="1"><c r="B1"/><c><v>1</v></c></row>', (0, 2), []),
        ('<row r="1"><c r="A1"><f>1+1</f><v>2</v></c></row>', (0, 0), [(0, 0, "formula", "")]),
        ('<row r="1"><c r="A1"><f>1+1</f></c></row>', (0, 0), [(0, 0, "formula", "without a stored result")]),
        ('<row r="1"><c r="A1" t="e"><f>1/0</f><v>#DIV/0!</v></c></row>', (0, 0), [(0, 0, "error", "#DIV/0!")]),
        ('<row r="1"><c r="A1" t="e"><v>#N/A</v></c><c r="B1"><v>5</v></c></row>', (0, 1), [(0, 0, "error", "#N/A")]),
        ('<row r="1"><c r="A1"><f>1</f><v>1</v></c><c r="B1"><v>5</v></c></row>', (0, 1), [(0, 0, "formula", "")]),
        ('<row r="1"><c r="A1" s="1"><v>0.5</v></c><c r="B1" s="1"><v>0.75</v></c></row>', (0, 1), [(0, 0, "percent", "0.5"), (0, 1, "percent", "0.75")]),
        ('<row r="1"><c r="A1" s="1" t="s"><v>0</v></c><c r="B1" s="0"><v>5</v></c><c r="C1"><v>5</v></c></row>', (0, 2), []),
        ('<row r="1"><c r="A1" s="1"><f>1</f><v>1</v></c></row>', (0, 0), [(0, 0, "formula", "")]), ('<row r="1"><c r="A1" s="1"/></row>', (-1, -1), []),
    ],
)  # fmt: skip
def test_cells_that_hold_something_and_those_no_reading_may_rest_on(rows: str, last: Any, faults: Any) -> None:
    found = of_xml(rows, styles='<cellXfs><xf numFmtId="0"/><xf numFmtId="9"/></cellXfs>')
    assert ((found.last_row, found.last_column), found.faults) == (last, faults)


@pytest.mark.parametrize(("said", "hidden"), [("1", True), ("true", True), ("0", False), ("false", False)])
def test_hidden_rows_and_columns_of_a_sheet(said: str, hidden: bool) -> None:
    rows = f'<row r="3" hidden="{said}"><c r="A3"><v>1</v></c></row><row hidden="{said}"/><row r="9"/>'
    found = of_xml(rows, before=f'<cols><col min="2" max="4" hidden="{said}"/><col min="6" max="6"/></cols>')
    assert (found.hidden_rows, found.hidden_columns) == (({2, 3}, [(1, 3)]) if hidden else (set(), []))


@pytest.mark.parametrize(
    ("styles", "percent"),
    [
        ('<cellXfs><xf numFmtId="9"/><xf numFmtId="10"/><xf numFmtId="11"/><xf numFmtId="8"/></cellXfs>', {"0", "1"}),
        (('<numFmts><numFmt numFmtId="164" formatCode="0.0%"/><numFmt numFmtId="165" formatCode="0.0"/></numFmts>'
         '<cellXfs><xf numFmtId="165"/><xf numFmtId="164"/><xf/></cellXfs>'), {"1"}),
        ('<cellStyleXfs><xf numFmtId="9"/></cellStyleXfs><cellXfs><xf numFmtId="0"/><xf numFmtId="9"/></cellXfs><dxfs><xf numFmtId="9"/></dxfs>', {"1"}),
        ('<numFmts><numFmt formatCode="0%"/></numFmts><cellXfs><xf/></cellXfs>', {"0"}), ('<numFmts><numFmt numFmtId="164"/></numFmts><cellXfs><xf numFmtId="164"/></cellXfs>', set()),
    ],
)  # fmt: skip
def test_styles_that_show_a_percentage(styles: str, percent: set[str]) -> None:
    """9 and 10 are 0% and 0.00% (ISO/IEC 29500-1, 18.8.30); cells name the formats of cellXfs alone (18.8.10)."""
    data = with_part(xlsx([["x"]]), "xl/styles.xml", lambda _: f"<styleSheet>{styles}</styleSheet>")
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        assert form._percent_styles(archive) == percent
    with zipfile.ZipFile(io.BytesIO(packed(("a", b"")))) as archive:
        assert form._percent_styles(archive) == set()


def test_sheets_are_found_by_their_relation_whichever_way_it_is_written() -> None:
    def moved(text: str) -> str:
        return text.replace('Target="worksheets/sheet1.xml"', 'Target="/xl/worksheets/sheet1.xml"')

    data = xlsx([["x"]], [["y", "z"]], names=("one", "two"))
    found = form.structure_of(with_part(data, "xl/_rels/workbook.xml.rels", moved))
    assert {name: one.cells for name, one in found.items()} == {"one": 1, "two": 2}
    lost = with_part(data, "xl/_rels/workbook.xml.rels", lambda text: text.replace("sheet1.xml", "sheet9.xml"))
    assert list(form.structure_of(lost)) == ["two"]
    drawn = with_part(
        data, "xl/_rels/workbook.xml.rels", lambda text: text.replace("worksheets/sheet1.xml", "styles.xml")
    )
    assert list(form.structure_of(drawn)) == ["two"]


def refused(data: bytes, look: Callable[[bytes], Any] = form.structure_of) -> tuple[str, str]:
    with pytest.raises(Refused) as caught:
        look(data)
    reason, sentence, what_to_do = caught.value.args
    assert what_to_do
    return reason, sentence


def test_a_sheet_that_ends_before_its_last_element_is_damaged_though_its_archive_is_whole() -> None:
    cut = with_part(xlsx([["x"], ["y"]]), SHEET, lambda text: text[: text.index("</sheetData>")])
    reason, sentence = refused(cut)
    assert reason == "damaged_workbook"
    assert sentence.startswith("The workbook is damaged: ")


def test_two_sheets_of_one_name_and_parts_of_one_name_are_refused() -> None:
    named = with_part(
        xlsx([["x"]], [["y"]], names=("one", "two")), "xl/workbook.xml", lambda text: text.replace('"two"', '"one"')
    )
    assert refused(named) == ("damaged_workbook", "The workbook is damaged: two sheets are named 'one'.")
    with pytest.warns(UserWarning, match="Duplicate"):
        double = packed(("xl/workbook.xml", b""), ("a", b""), ("a", b""))
    assert refused(double) == ("too_large", "The workbook has 3 parts, or two of one name.")


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("mimetype", "a workbook of another format"),
        ("xl/workbook.bin", "a workbook of another format"),
        ("word/document.xml", "a ZIP archive"),
    ],
)
def test_archives_that_are_no_workbook_say_which(name: str, said: str) -> None:
    assert refused(packed((name, b"x"))) == ("not_text", f"The file is {said}, whatever its name says.")


def test_parts_are_counted_and_weighed_by_what_is_stated_and_by_what_is_true(monkeypatch: pytest.MonkeyPatch) -> None:
    data = xlsx([["x"]])
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        infos = archive.infolist()
        size = sum(info.file_size for info in infos)
    monkeypatch.setattr(form, "MOST_PARTS", len(infos))
    monkeypatch.setattr(form, "MOST_UNPACKED", size)
    assert list(form.structure_of(data)) == ["Sheet1"]
    monkeypatch.setattr(form, "MOST_PARTS", len(infos) - 1)
    assert refused(data) == ("too_large", f"The workbook has {len(infos)} parts, or two of one name.")
    monkeypatch.setattr(form, "MOST_PARTS", len(infos))
    monkeypatch.setattr(form, "MOST_UNPACKED", size - 1)
    assert refused(data) == ("too_large", f"The workbook unpacks to {size:,} bytes; at most {size - 1:,} are read.")
    # what the directory says is too little: then what comes out is weighed
    monkeypatch.setattr(zipfile.ZipFile, "infolist", lambda self: [Small(info) for info in self.filelist])
    assert refused(data) == ("too_large", f"The workbook unpacks to more than {size - 1:,} bytes.")
    monkeypatch.setattr(form, "MOST_UNPACKED", size)
    assert list(form.structure_of(data)) == ["Sheet1"]


class Small(zipfile.ZipInfo):
    """An entry that opens as another one does, and says that it unpacks to nothing."""

    def __new__(cls, info: zipfile.ZipInfo) -> Any:
        small = zipfile.ZipInfo.__new__(cls)
        for name in zipfile.ZipInfo.__slots__:
            if hasattr(info, name) and name != "file_size":
                setattr(small, name, getattr(info, name))
        return small

    def __init__(self, info: zipfile.ZipInfo) -> None:
        self.true_size = info.file_size
        self.asked = 0

    @property
    def file_size(self) -> int:
        self.asked += 1
        return 0 if self.asked == 1 else self.true_size


# -- XLS -----------------------------------------------------------------------------------------------------------


def record(kind: int, body: bytes = b"") -> bytes:
    return struct.pack("<HH", kind, len(body)) + body


BEGIN, END = record(0x0809, bytes(8)), record(0x000A)


def cell(kind: int, row: int, column: int, style: int, more: bytes = b"") -> bytes:
    return record(kind, struct.pack("<HHH", row, column, style) + more)


def of_records(*records: bytes, percent: tuple[int, ...] = (3,)) -> Any:
    return old_form._old_sheet(BEGIN + b"".join(records) + END, 0, set(percent))


FORMULA = bytes(6) + b"\0\0" + bytes(6)


def result(kind: int, code: int) -> bytes:
    return bytes([kind, 0, code, 0, 0, 0]) + b"\xff\xff" + bytes(6)


@pytest.mark.parametrize(
    ("records", "last", "faults"),
    [
        ([cell(0x0203, 2, 1, 0, bytes(8))], (2, 1), []), ([cell(0x0203, 2, 1, 3, bytes(8))], (2, 1), [(2, 1, "percent", "")]),
        ([cell(0x027E, 2, 1, 3, bytes(4))], (2, 1), [(2, 1, "percent", "")]), ([cell(0x00FD, 2, 1, 3, bytes(4))], (2, 1), []),
        ([cell(0x0204, 2, 1, 3)], (2, 1), []), ([cell(0x00D6, 2, 1, 3)], (2, 1), []), ([cell(0x0201, 9, 9, 3)], (-1, -1), []),
        ([cell(0x9999, 9, 9, 3)], (-1, -1), []), ([record(0x0203, b"\1\0\1\0\0")], (-1, -1), []),
        ([cell(0x0006, 1, 0, 3, FORMULA)], (1, 0), [(1, 0, "formula", "")]), ([cell(0x0006, 1, 0, 0, result(2, 42))], (1, 0), [(1, 0, "error", "#N/A")]),
        ([cell(0x0006, 1, 0, 0, result(2, 99))], (1, 0), [(1, 0, "error", "#ERROR")]), ([cell(0x0006, 1, 0, 0, result(0, 42))], (1, 0), [(1, 0, "formula", "")]),
        ([cell(0x0205, 1, 0, 0, b"\x07\1")], (1, 0), [(1, 0, "error", "#DIV/0!")]), ([cell(0x0205, 1, 0, 0, b"\x63\1")], (1, 0), [(1, 0, "error", "#ERROR")]),
        ([cell(0x0205, 1, 0, 0, b"\1\0")], (1, 0), []),
        ([cell(0x00BD, 1, 2, 3, bytes(4) + struct.pack("<H", 0) + bytes(4) + b"\3\0")], (1, 3), [(1, 2, "percent", "")]),
        ([cell(0x00BD, 1, 2, 0, bytes(4) + struct.pack("<H", 3) + bytes(4) + b"\3\0")], (1, 3), [(1, 3, "percent", "")]),
        ([record(0x00BD, struct.pack("<HHH", 1, 2, 3) + bytes(4))], (-1, -1), []), ([record(0x00BD, struct.pack("<HHH", 1, 2, 3) + bytes(6))], (1, 2), [(1, 2, "percent", "")]),
    ],
)  # fmt: skip
def test_old_cells_that_hold_something_and_those_no_reading_may_rest_on(records: Any, last: Any, faults: Any) -> None:
    """Records as the maker of the format publishes them: numbers, texts, formulas with results, errors, several in one."""
    found = of_records(*records)
    assert ((found.last_row, found.last_column), found.faults) == (last, faults)


@pytest.mark.parametrize(
    ("code", "said"),
    [(0, "#NULL!"), (7, "#DIV/0!"), (15, "#VALUE!"), (23, "#REF!"), (29, "#NAME?"), (36, "#NUM!"), (42, "#N/A")],
)
def test_old_errors_are_named(code: int, said: str) -> None:
    assert of_records(cell(0x0205, 0, 0, 0, bytes([code, 1]))).faults == [(0, 0, "error", said)]


def test_old_rows_and_columns_that_are_hidden() -> None:
    def row(number: int, flags: int) -> bytes:
        return record(0x0208, struct.pack("<H", number) + bytes(10) + bytes([flags, 0, 0, 0]))

    def columns(first: int, last: int, flags: int) -> bytes:
        return record(0x007D, struct.pack("<HHHH", first, last, 0, 0) + bytes([flags, 0]))

    found = of_records(
        row(3, 0x20),
        row(4, 0),
        row(5, 0x30),
        row(6, 0xDF),
        columns(1, 3, 1),
        columns(5, 5, 0),
        columns(7, 256, 3),
        columns(8, 8, 2),
    )
    assert (found.hidden_rows, found.hidden_columns) == ({3, 5}, [(1, 3), (7, 255)])
    assert of_records(record(0x0208, struct.pack("<H", 3) + bytes(10) + b"\x20\0\0")).hidden_rows == set()
    assert of_records(record(0x007D, struct.pack("<HHHH", 1, 3, 0, 0) + b"\1")).hidden_columns == []


def test_records_end_with_their_substream_and_what_is_embedded_is_passed_over() -> None:
    one, two = record(0x0203, b"1"), record(0x0204, b"22")
    stream = b"junk" + BEGIN + one + BEGIN + two + END + two + END + one
    assert list(old_form._records(stream, 4)) == [(0x0203, b"1"), (0x0204, b"22")]
    assert list(old_form._records(BEGIN + one + one[:3], 0)) == [(0x0203, b"1")]
    assert list(old_form._records(BEGIN + one + record(0x0205), 0)) == [(0x0203, b"1"), (0x0205, b"")]
    assert list(old_form._records(one + BEGIN + two, 0)) == [(0x0204, b"22")]
    assert list(old_form._records(END + BEGIN + two, 0)) == []


@pytest.mark.parametrize(
    ("table", "start", "chain"),
    [
        ([1, 2, 9], 0, [0, 1, 2]),
        ([9], 0, [0]),
        ([1, 2, 9], 3, []),
        ([0], 0, [0, 0]),
        ([1, 0], 1, [1, 0, 1]),
        ([], 0, []),
    ],
)
def test_sectors_are_followed_to_the_end_and_in_a_circle_no_longer_than_the_table(
    table: list[int], start: int, chain: list[int]
) -> None:
    assert list(old_form._chain(table, start)) == chain


def test_a_long_old_workbook_is_found_in_its_large_sectors_and_sizes_of_sectors_are_looked_at() -> None:
    data = xls([[n, "x" * 50] for n in range(300)])
    (found,) = old_form.structure_of(data)
    assert (found.last_row, found.last_column) == (299, 1)
    for at, value in ((30, 8), (30, 10), (32, 5), (32, 7)):
        wrong = bytearray(data)
        struct.pack_into("<H", wrong, at, value)
        assert refused(bytes(wrong), old_form.structure_of) == (
            "damaged_workbook",
            "The workbook is damaged: sectors of an unknown size.",
        )
    nameless = data.replace("Workbook".encode("utf-16-le"), "Wirkbook".encode("utf-16-le"))
    assert refused(nameless, old_form.structure_of)[0] == "not_text"
    older = data.replace("Workbook".encode("utf-16-le"), "Book\0\0\0\0".encode("utf-16-le"))
    at = older.index("Book".encode("utf-16-le"))
    older = older[: at + 64] + struct.pack("<H", 10) + older[at + 66 :]
    assert old_form.structure_of(older)[0].cells == 600


@pytest.mark.parametrize("circle", [False, True])
def test_a_list_of_sectors_that_goes_on_outside_of_the_header_is_followed_once(circle: bool) -> None:
    """Beyond 109 sectors the list goes on in sectors of its own, each of which ends with the next one's number (MS-CFB 2.5, from memory)."""

    def write(_: Any, sheet: Any) -> None:
        for n in range(4, 8000):
            sheet.write(n, 0, n)

    data = xls(GOOD[:1], also=write)
    (usual,) = old_form.structure_of(data)
    first, *others = [n for n in struct.unpack_from("<109I", data, 76) if n < 0xFFFFFFF0]
    assert len(others) >= 2
    own = len(data) // 512 - 1
    long = bytearray(data)
    struct.pack_into("<109I", long, 76, first, *[0xFFFFFFFF] * 108)
    struct.pack_into("<2I", long, 68, own, len(others))
    for at, number in enumerate(others, start=1):
        following = own + at if at < len(others) else own if circle else 0xFFFFFFFE
        long += struct.pack("<128I", *[0xFFFFFFFF] * 126, number, following)
    (found,) = old_form.structure_of(bytes(long))
    assert (found.last_row, found.last_column) == (usual.last_row, usual.last_column)
    assert found.last_row == 7999


def test_old_styles_that_show_a_percentage() -> None:
    import xlwt

    def write(_: Any, sheet: Any) -> None:
        for column, code in enumerate(("0%", "0.00%", "0.0 %", "0.00", "General")):
            sheet.write(3, column, 0.5, xlwt.easyxf(num_format_str=code))

    (found,) = old_form.structure_of(xls(GOOD, also=write))
    assert found.faults == [(3, column, "percent", "") for column in (0, 1, 2)]


# -- a sheet to fill in --------------------------------------------------------------------------------------------


def test_a_sheet_to_fill_in_has_formats_checks_rows_and_lists() -> None:
    kinds = ["text", "number", "date", "time", "datetime"]
    data = sheet_to_fill_in(
        ["A" * 40, "B", "C", "D", "E"], kinds, rows=[["007", "1.5", "", "", ""], ["", "", "x", "y", ""]],
        lists={0: ["one", "two"], 1: [], 2: ["x"]}, last_row=9, name="mine",
    )  # fmt: skip
    book = openpyxl.load_workbook(io.BytesIO(data))
    sheet, listed = book["mine"], book["lists"]
    assert (book.sheetnames, listed.sheet_state, sheet.freeze_panes) == (["mine", "lists"], "hidden", "A2")
    assert book.properties.created == datetime(2000, 1, 1)  # noqa: DTZ001 - as it is stored
    assert [cell.value for cell in sheet[1]] == ["A" * 40, "B", "C", "D", "E"]
    assert all(cell.font.bold and cell.number_format == "@" for cell in sheet[1])
    assert [cell.value for cell in sheet[2]][:2] == ["007", 1.5]
    assert [cell.value for cell in sheet[3]][:4] == [None, None, "x", "y"]
    assert [cell.number_format for cell in sheet[3]][2:4] == ["yyyy-mm-dd", "hh:mm"]
    formats = [sheet.column_dimensions[letter].number_format for letter in "ABCDE"]
    assert formats == ["@", "General", "yyyy-mm-dd", "hh:mm", "yyyy-mm-dd hh:mm:ss"]
    assert {sheet.column_dimensions[letter].width for letter in "ABCDE"} == {18.7109375}
    assert [[cell.value for cell in row] for row in listed.iter_rows()] == [["one", "x"], ["two", None]]
    rules = {(str(rule.sqref), rule.type): rule for rule in sheet.data_validations.dataValidation}
    assert set(rules) == {("A2:A9", "list"), ("C2:C9", "list"), ("C2:C9", "date"), ("D2:D9", "time"), ("E2:E9", "date")}
    assert rules["A2:A9", "list"].formula1 == "lists!$A$1:$A$2"
    assert rules["C2:C9", "list"].formula1 == "lists!$B$1"
    assert (rules["A2:A9", "list"].errorTitle, rules["A2:A9", "list"].error) == ("A" * 32, "Choose from the list.")
    day, clock = rules["E2:E9", "date"], rules["D2:D9", "time"]
    assert (day.operator, day.formula1, day.errorTitle) == ("greaterThanOrEqual", "36526", "Date")  # 2000-01-01
    assert (clock.formula1, float(clock.formula2), clock.errorTitle) == ("0", pytest.approx(86_399 / 86_400), "Time")
    assert "07:31" in clock.error


def test_a_sheet_without_lists_has_no_second_sheet_and_reaches_to_row_2000() -> None:
    book = openpyxl.load_workbook(io.BytesIO(sheet_to_fill_in(["A", "B"], ["date", "text"])))
    assert book.sheetnames == ["readings"]
    (rule,) = book["readings"].data_validations.dataValidation
    assert str(rule.sqref) == "A2:A2000"
