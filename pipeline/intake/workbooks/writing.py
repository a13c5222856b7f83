"""A workbook to be filled in: names and lists as text, dates and times as a spreadsheet stores them, drop-down lists."""

from __future__ import annotations

import io
from datetime import date, datetime, time
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

__all__ = ["LISTS", "READINGS", "sheet_to_fill_in"]

READINGS, LISTS = "readings", "lists"
"""Names of the sheet to fill in, and of the hidden one that holds what can be chosen."""

# a spreadsheet program leaves text as it is typed: a lot 3-4 stays no date, a part 007 keeps its zeros
_FORMATS = {"text": "@", "number": "General", "date": "yyyy-mm-dd", "time": "hh:mm", "datetime": "yyyy-mm-dd hh:mm:ss"}
_WRITTEN = datetime(2000, 1, 1)  # noqa: DTZ001 - a fixed day, so that equal sheets are equal bytes


def _validation(kind: str) -> dict[str, Any] | None:
    if kind in ("date", "datetime"):
        return {
            "validate": "date",
            "criteria": ">=",
            "value": date(2000, 1, 1),
            "error_title": "Date",
            "error_message": "Type a date as this spreadsheet takes it.",
        }
    if kind == "time":
        return {
            "validate": "time",
            "criteria": "between",
            "minimum": time(0, 0),
            "maximum": time(23, 59, 59),
            "error_title": "Time",
            "error_message": "Type a time such as 07:31.",
        }
    return None


def sheet_to_fill_in(
    header: Sequence[str],
    kinds: Sequence[str],
    *,
    rows: Sequence[Sequence[str]] = (),
    lists: Mapping[int, Sequence[str]] | None = None,
    last_row: int = 2000,
    name: str = READINGS,
) -> bytes:
    """Return a workbook with a header to fill in below.

    Parameters
    ----------
    header
        Names of the columns.
    kinds
        What each column takes: text, number, date, time or datetime.
    rows
        Texts that are filled in already; a number where the column takes numbers.
    lists
        Allowed texts of some columns, by place from 0: drop-down lists.
    last_row
        Last row that formats and lists cover.
    name
        Of the sheet.

    Returns
    -------
    bytes
        The same for the same arguments.
    """
    import xlsxwriter
    from xlsxwriter.utility import xl_range_abs

    packed = io.BytesIO()
    book = xlsxwriter.Workbook(packed, {"in_memory": True})
    book.set_properties({"created": _WRITTEN})
    formats = {kind: book.add_format({"num_format": code}) for kind, code in _FORMATS.items()}
    sheet = book.add_worksheet(name)
    sheet.freeze_panes(1, 0)
    bold = book.add_format({"bold": True, "num_format": "@"})
    for place, (label, kind) in enumerate(zip(header, kinds, strict=True)):
        sheet.set_column(place, place, 18, formats[kind])
        sheet.write_string(0, place, label, bold)
        validation = _validation(kind)
        if validation is not None:
            sheet.data_validation(1, place, last_row - 1, place, validation)
    for number, row in enumerate(rows, start=1):
        for place, text in enumerate(row):
            if text and kinds[place] == "number":
                sheet.write_number(number, place, float(text), formats["number"])
            elif text:
                sheet.write_string(number, place, text, formats[kinds[place]])
    filled = [(place, texts) for place, texts in (lists or {}).items() if texts]
    if filled:
        listed = book.add_worksheet(LISTS)
        listed.hide()
    for at, (place, texts) in enumerate(filled):
        for number, text in enumerate(texts):
            listed.write_string(number, at, text, formats["text"])
        source = [0, at, len(texts) - 1, at]
        sheet.data_validation(
            1,
            place,
            last_row - 1,
            place,
            {
                "validate": "list",
                "source": f"={LISTS}!{xl_range_abs(*source)}",
                "error_title": header[place][:32],
                "error_message": "Choose from the list.",
            },
        )
    book.close()
    return packed.getvalue()
