"""Workbooks that are hostile, damaged or merely odd: held or refused with a sentence, and never the end of the program."""

from __future__ import annotations

import io
import re
import struct
import subprocess
import sys
import zipfile
from datetime import date, time
from typing import TYPE_CHECKING, Any

import orjson
import pytest
from intake_checks import is_whole, load
from sample_workbooks import GOOD, LAYOUT, LOT_FIELD, NAMES, fates, layout, row, with_part, xls, xlsx

from pipeline.errors import LayoutError
from pipeline.intake.layout import parse_layout
from pipeline.intake.match import match
from pipeline.intake.reading import Held, HoldFile
from pipeline.intake.workbooks import parts, structure, unpack
from pipeline.intake.workbooks import xls as xls_module
from pipeline.intake.workbooks.cell_text import column_text
from pipeline.intake.workbooks.reading import sheets_of, span_words
from pipeline.intake.workbooks.xls import structure_of as xls_structure
from pipeline.intake.workbooks.xlsx import structure_of as xlsx_structure

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.intake.layout import Layout


# --- hostile ---------------------------------------------------------------------------------------------------------


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
    data = with_part(xlsx(GOOD), "xl/worksheets/sheet1.xml", lambda text: text.replace("?>", f"?>{doctype}", 1))
    assert "document type" in held_of(data).sentence


def test_a_long_text_named_by_many_cells_is_held(monkeypatch: pytest.MonkeyPatch) -> None:
    data = xlsx([["x" * 32_000] * 50] * 2)
    monkeypatch.setattr(unpack, "MOST_TEXT", 3_200_000)
    assert unpack._sheets(data)[0]["rows"][1][49] == "x" * 32_000
    monkeypatch.setattr(unpack, "MOST_TEXT", 3_199_999)
    with pytest.raises(structure.Refused, match="too_large"):
        unpack._sheets(data)


def test_containers_that_are_no_workbook_say_what_they_are() -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("readings.csv", "a,b\n")
    assert "a ZIP archive" in held_of(packed.getvalue()).sentence
    assert held_of(packed.getvalue()).reason == "not_text"
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
    declared = with_part(xlsx(GOOD), "xl/worksheets/sheet1.xml", lambda text: text.replace("UTF-8", "U2F-8", 1))
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
    data = with_part(
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

    data = with_part(
        xlsx([["a", True, 2]], also=write), "xl/worksheets/sheet1.xml", lambda text: text.replace("<v></v>", "")
    )
    (sheet,) = unpack._sheets(data)
    assert sheet["rows"] == [["a", ["boolean", "TRUE"], 2.0], [None, "#DIV/0!"], ["m"], [], [None, None, "="]]
    assert sheet["faults"] == [(1, 1, "error", "#DIV/0!"), (4, 2, "formula", "without a stored result")]
    assert (sheet["hidden_rows"], sheet["merged"], sheet["hidden"]) == ([0], [[2, 0, 3, 0]], False)
