"""A typed cell becomes the text its column declares: each type in each kind of column, and each bound on both sides."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import pytest
from sample_workbooks import layout, local

from pipeline.intake.workbooks import structure
from pipeline.intake.workbooks.cell_text import column_text, declared_text, plain_text, with_offset
from pipeline.intake.workbooks.reading import is_workbook, span_words
from pipeline.intake.workbooks.unpack import _cell
from pipeline.intake.workbooks.xls import COMPOUND

FIELDS = {field.column: field for field in layout().fields}
DAY, CLOCK, VALUE, LOT = (FIELDS[name] for name in ("measured_date", "measured_time", "value", "lot"))
AT = DAY.model_copy(update={"type": "datetime", "format": "%d.%m.%Y %H:%M"})
YES = VALUE.model_copy(update={"type": "boolean", "true_values": ("ja", "1"), "false_values": ("nein", "0")})


def written(field: Any, *cells: Any, local: Any = None) -> list[str]:
    return column_text(field, cells, local=local)[1]


def form(field: Any, *cells: Any, local: Any = None) -> str:
    return str(column_text(field, cells, local=local)[0].format)


@pytest.mark.parametrize(
    ("cell", "text"),
    [
        (None, ""), ("a b", "a b"), ("a\r\n\tb\vc\fd\n", "a b c d "), ("a\u00a0b", "a\u00a0b"), (34.0, "34"), (34.5, "34.5"), (-3.25, "-3.25"),
        (1e-7, "0.0000001"), (1e16, "10000000000000000"), (0.1 + 0.2, "0.30000000000000004"), (100, "100"), (10.0, "10"),
        (["boolean", "TRUE"], "TRUE"), (["date", "2026-03-02"], "2026-03-02"), (["time", "07:31:00"], "07:31:00"),
        (["datetime", "2026-03-02 07:31:00"], "2026-03-02 07:31:00"), (["duration", "108000.0"], "1 day, 6:00:00"),
    ],
)  # fmt: skip
def test_a_cell_that_no_column_declares_is_written_in_full(cell: Any, text: str) -> None:
    assert plain_text(cell) == text
    ignored = VALUE.model_copy(update={"column": None})
    assert written(ignored, cell) == [text.replace(".", ",") if isinstance(cell, float) else text]


@pytest.mark.parametrize(
    ("field", "cell", "text"),
    [
        (LOT, 107.0, "107"), (LOT, 7.5, "7.5"), (LOT, 999_999_999_999_999.0, "999999999999999"), (LOT, 1e15, "1.00000000000000E+15"),
        (LOT, -999_999_999_999_999.0, "-999999999999999"), (LOT, -1e15, "-1.00000000000000E+15"),
        (LOT, 1234567890123456789, "1.23456789012346E+18"), (LOT, "L\n9", "L 9"), (LOT, None, ""), (LOT, ["boolean", "TRUE"], "TRUE"),
        (LOT, ["date", "2026-04-03"], "3-Apr-2026"), (LOT, ["datetime", "2026-12-31 07:31:00"], "31-Dec-2026"),
        (LOT, ["datetime", "2026-01-01 00:00:00"], "1-Jan-2026"), (LOT, ["time", "07:31:00"], "07:31:00"),
        (LOT, ["duration", "60.0"], "0:01:00"),
        (VALUE, 7.5, "7,5"), (VALUE, 5e15, "5000000000000000"), (VALUE, "7.5", "7.5"), (VALUE, None, ""), (VALUE, ["boolean", "TRUE"], "TRUE"),
        (VALUE, ["date", "2026-02-03"], "3-Feb-2026"),
        (YES, ["boolean", "TRUE"], "ja"), (YES, ["boolean", "FALSE"], "nein"), (YES, "ja", "ja"), (YES, 1.0, "1"),
        (YES, ["date", "2026-02-03"], "3-Feb-2026"),
    ],
)  # fmt: skip
def test_a_cell_of_another_type_than_its_column_is_written_so_that_the_reader_refuses_it(
    field: Any, cell: Any, text: str
) -> None:
    """A spreadsheet keeps 15 digits: from 1e15 on a number that names something lost some."""
    assert written(field, cell) == declared_list(field, cell) == [text]


def declared_list(field: Any, *cells: Any) -> list[str]:
    return [declared_text(field, cell) for cell in cells]


@pytest.mark.parametrize(
    ("field", "cell", "text"),
    [
        (CLOCK, ["duration", "0.0"], "00:00"), (CLOCK, ["duration", "86340.0"], "23:59"), (CLOCK, ["duration", "86400.0"], "1 day, 0:00:00"),
        (CLOCK, ["duration", "-60.0"], "-1 day, 23:59:00"), (CLOCK, ["time", "07:31:00"], "07:31"), (CLOCK, ["time", "07:31:05"], "07:31:05"),
        (CLOCK, ["time", "07:31:00.500000"], "07:31:00.500000"), (CLOCK, ["boolean", "TRUE"], "TRUE"), (CLOCK, None, ""),
        (CLOCK, ["datetime", "2026-03-02 07:31:00"], "2026-03-02 07:31:00"), (CLOCK, ["date", "2026-03-02"], "2026-03-02"),
        (DAY, ["date", "2026-03-02"], "02.03.2026"), (DAY, ["datetime", "2026-03-02 00:00:00"], "02.03.2026"),
        (DAY, ["datetime", "2026-03-02 00:00:01"], "2026-03-02 00:00:01"), (DAY, ["time", "07:31:00"], "07:31:00"), (DAY, 46083.0, "46083"),
        (AT, ["date", "2026-03-02"], "02.03.2026 00:00"), (AT, ["datetime", "2026-03-02 07:31:00"], "02.03.2026 07:31"),
        (AT, ["datetime", "2026-03-02 07:31:05"], "2026-03-02 07:31:05"), (AT, ["time", "07:31:00"], "07:31:00"),
    ],
)  # fmt: skip
def test_a_stored_moment_beside_text_is_written_as_declared_and_in_full_where_that_would_leave_something_out(
    field: Any, cell: Any, text: str
) -> None:
    beside = {"measured_time": "07:31", "measured_date": "02.03.2026"}[field.column]
    beside = "02.03.2026 07:31" if field is AT else beside
    assert written(field, beside, cell) == [beside, text]
    assert form(field, beside, cell) == field.format
    assert declared_text(field, cell) == text


def with_form(field: Any, form: str, **more: Any) -> Any:
    return field.model_copy(update={"format": form, **more})


MONTHS = tuple(f"m{n}%" for n in range(1, 13))


@pytest.mark.parametrize(
    ("field", "cell", "text"),
    [
        (with_form(CLOCK, "%H:%M:%S"), ["time", "07:31:05"], "07:31:05"), (with_form(CLOCK, "%H.%M.%-S"), ["time", "07:31:05"], "07.31.5"),
        (with_form(CLOCK, "%H:%M:%S"), ["time", "07:31:05.250000"], "07:31:05.250000"),
        (with_form(CLOCK, "%H:%M:%S.%f"), ["time", "07:31:05.250000"], "07:31:05.250000"),
        (with_form(CLOCK, "%H.%M.%S,%f"), ["time", "07:31:05.250000"], "07.31.05,250000"),
        (with_form(CLOCK, "%H:%M h"), ["time", "07:31:00"], "07:31 h"), (with_form(CLOCK, "default"), ["time", "07:31:00"], "07:31:00"),
        (with_form(DAY, "default"), ["date", "2026-03-02"], "2026-03-02"),
        (with_form(AT, "default"), ["datetime", "2026-03-02 07:31:00"], "2026-03-02 07:31:00"),
        (with_form(AT, "%Y%m%d %H:%M %z"), ["datetime", "2026-03-02 07:31:00"], "2026-03-02 07:31:00"),
        (with_form(AT, "%s"), ["datetime", "2026-03-02 07:31:00"], "2026-03-02 07:31:00"),
        (with_form(DAY, "%d-%b-%Y"), ["date", "2026-03-02"], "02-Mar-2026"), (with_form(DAY, "%d-%b-%Y"), ["date", "2026-12-02"], "02-Dec-2026"),
        (with_form(DAY, "%d %b %Y", month_names=MONTHS), ["date", "2026-03-02"], "02 m3% 2026"),
        (with_form(DAY, "%d %B %Y", month_names=MONTHS), ["date", "2026-12-02"], "02 m12% 2026"),
        (with_form(AT, "%d %B %Y %H:%M", month_names=MONTHS), ["datetime", "2026-01-02 07:31:00"], "02 m1% 2026 07:31"),
    ],
)  # fmt: skip
def test_formats_are_written_with_all_they_declare(field: Any, cell: Any, text: str) -> None:
    assert declared_text(field, cell) == text


def test_months_have_their_english_names_whatever_language_the_machine_speaks() -> None:
    months = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
    days = [["date", f"2026-{n:02}-09"] for n in range(1, 13)]
    assert declared_list(with_form(DAY, "%d-%b-%Y"), *days) == [f"09-{month}-2026" for month in months]
    assert declared_list(LOT, *days) == [f"9-{month}-2026" for month in months]


@pytest.mark.parametrize(
    ("field", "cells", "wanted", "texts"),
    [
        (CLOCK, [["time", "07:31:05"], None], "%H:%M:%S", ["07:31:05", ""]),
        (CLOCK, [["time", "07:31:00.500000"], ["time", "07:32:00"]], "%H:%M:%S.%f", ["07:31:00.500000", "07:32:00.000000"]),
        (DAY, [["date", "2026-03-02"], "soon"], "%Y-%m-%d", ["2026-03-02", "soon"]),
        (AT, [["datetime", "2026-03-02 07:31:05"], ["date", "2026-03-03"]], "%Y-%m-%d %H:%M:%S", ["2026-03-02 07:31:05", "2026-03-03 00:00:00"]),
        (AT, [["datetime", "2026-03-02 07:31:05.000001"]], "%Y-%m-%d %H:%M:%S.%f", ["2026-03-02 07:31:05.000001"]),
        (AT, [None, 3.0], "%Y-%m-%d %H:%M:%S", ["", "3"]),
        (AT, ["02.03.2026 07:31", ["datetime", "2026-03-02 07:32:00"]], "%d.%m.%Y %H:%M", ["02.03.2026 07:31", "02.03.2026 07:32"]),
    ],
)  # fmt: skip
def test_a_column_without_text_as_declared_is_read_in_the_form_in_which_it_is_stored(
    field: Any, cells: list[Any], wanted: str, texts: list[str]
) -> None:
    assert (form(field, *cells), written(field, *cells)) == (wanted, texts)


def test_a_stored_time_has_the_offset_of_its_place_where_times_carry_one() -> None:
    """Oslo: summer from 29 March 2026, 01:00 UTC, to 25 October; IANA time zone database."""
    write = with_offset("Europe/Oslo")
    said = {
        local(2026, 7, 1, 12, 0): "2026-07-01T12:00:00+02:00",
        local(2026, 1, 1, 12, 0, 5): "2026-01-01T12:00:05+01:00",
        local(2026, 1, 1, 12, 0, 0, 250_000): "2026-01-01T12:00:00.250000+01:00",
        local(2026, 10, 25, 2, 30): "2026-10-25 02:30:00",
        local(2026, 10, 25, 1, 59): "2026-10-25T01:59:00+02:00",
        local(2026, 10, 25, 3, 0): "2026-10-25T03:00:00+01:00",
        local(2026, 3, 29, 2, 30): "2026-03-29 02:30:00",
        local(2026, 3, 29, 3, 0): "2026-03-29T03:00:00+02:00",
    }
    assert [write(moment) for moment in said] == list(said.values())
    cells = [["datetime", "2026-07-01 12:00:00"], ["date", "2026-01-01"], ["time", "07:31:00"], None]
    texts = ["2026-07-01T12:00:00+02:00", "2026-01-01T00:00:00+01:00", "07:31:00", ""]
    assert (form(AT, *cells, local=write), written(AT, *cells, local=write)) == ("default", texts)
    typed = "02.03.2026 07:31"
    assert (form(AT, typed, cells[0], local=write), written(AT, typed, cells[0], local=write)) == (
        AT.format,
        [typed, texts[0]],
    )
    assert written(DAY, ["date", "2026-03-02"], local=write) == ["2026-03-02"]


@pytest.mark.parametrize(
    ("value", "cell"),
    [
        (True, ["boolean", "TRUE"]), (False, ["boolean", "FALSE"]), ("", None), ("x", "x"), (3, 3), (0.0, 0.0),
        (datetime(2026, 3, 2, 7, 31, tzinfo=UTC), ["datetime", "2026-03-02 07:31:00+00:00"]), (date(2026, 3, 2), ["date", "2026-03-02"]),
        (time(7, 31), ["time", "07:31:00"]), (timedelta(days=1, seconds=1.5), ["duration", "86401.5"]), (1 + 2j, "(1+2j)"),
    ],
)  # fmt: skip
def test_what_the_reader_of_workbooks_gives_is_passed_on_with_its_type(value: Any, cell: Any) -> None:
    assert _cell(value) == cell


def test_what_begins_a_workbook() -> None:
    assert is_workbook(b"PK\x03\x04...")
    assert is_workbook(COMPOUND)
    assert not any(map(is_workbook, (b"", b"PK", b"PK\x05\x06", COMPOUND[:-1], b" PK\x03\x04")))


def test_how_many_spans_are_named_and_how_many_numbers_more() -> None:
    assert span_words([]) == ""
    assert span_words([1, 2]) == "1 to 2"
    assert span_words([1, 3, 5, 7, 9]) == "1, 3, 5, 7, 9"
    assert span_words([1, 3, 5, 7, 9, 11]) == "1, 3, 5, 7, 9 and 1 more"
    assert span_words([1, 2, 4, 6, 7, 8], most=1) == "1 to 2 and 4 more"


def test_why_a_workbook_is_refused_and_what_to_do() -> None:
    assert structure.too_large("has x").args == (
        "too_large", "The workbook has x.", "Save the sheet with the readings alone, or as CSV.",
    )  # fmt: skip
    assert structure.no_workbook("a picture").args == (
        "not_text", "The file is a picture, whatever its name says.", "Save it as XLSX or CSV.",
    )  # fmt: skip
    assert structure.protected().args[0] == "encrypted"
    found = structure.Structure()
    assert found.cells == 0
    for place in ((2, 0), (0, 3), (1, 1)):
        found.seen(*place)
    assert (found.last_row, found.last_column, found.cells) == (2, 3, 12)
    with pytest.raises(structure.Refused) as caught:
        structure.cells_fit([found, structure.Structure(last_row=structure.MOST_CELLS - 12, last_column=0)])
    assert caught.value.args[1].startswith(
        "The workbook spans 4,000,001 cells up to its last filled one; at most 4,000,000 are"
    )
    structure.cells_fit([found, structure.Structure(last_row=structure.MOST_CELLS - 13, last_column=0)])
