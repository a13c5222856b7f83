"""The tables of a data pack as one workbook: a sheet a table, notes on the columns, numbers and times as such, no text a formula."""

from __future__ import annotations

import io
import math
from datetime import datetime
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.custody.spreadsheet_text import dangerous
from pipeline.errors import UsageError
from reports.kit.markup import shorten, visible
from schemas.pack import PACK_TABLES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from schemas.declare import Column

__all__ = ["MOST_ROWS", "workbook"]

MOST_ROWS = 1_048_575
"""Rows of a sheet below its header (ECMA-376 implementations; from memory)."""
_LONGEST = 32_767
"""Characters of a cell (the same)."""
_WRITTEN = datetime(2000, 1, 1)  # noqa: DTZ001 - a fixed day, so that equal tables are equal bytes
_ABOUT = "about"


def workbook(tables: Mapping[str, pl.DataFrame], about: Sequence[tuple[str, str]]) -> bytes:
    """Return the tables as a workbook.

    Parameters
    ----------
    tables
        By name in `schemas.pack.PACK_TABLES`.
    about
        What stands on the first sheet: names and texts.

    Returns
    -------
    bytes
        The same for the same tables. Text stays what it is: what a spreadsheet could take for a formula carries its own mark
        for text (the cell's quote prefix), and never a formula. Times are in UTC, as a spreadsheet stores them.

    Raises
    ------
    UsageError
        If a table has more rows than a sheet holds.
    """
    import xlsxwriter

    packed = io.BytesIO()
    book = xlsxwriter.Workbook(packed, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False})
    book.set_properties({"created": _WRITTEN})
    book.set_calc_mode("manual")
    formats = {
        "head": book.add_format({"bold": True, "bottom": 1}),
        "text": book.add_format({"num_format": "@"}),
        "quoted": book.add_format({"num_format": "@", "quote_prefix": True}),
        "time": book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss.000"}),
        "wrapped": book.add_format({"text_wrap": True, "valign": "top", "num_format": "@"}),
    }
    first = book.add_worksheet(_ABOUT)
    first.set_column(0, 0, 24, formats["wrapped"])
    first.set_column(1, 1, 100, formats["wrapped"])
    lines = [*about, *((name, PACK_TABLES[name].doc) for name in tables)]
    for number, (name, text) in enumerate(lines):
        first.write_string(number, 0, name, formats["head"])
        first.write_string(number, 1, _fits(text), formats["wrapped"])
    for name, frame in tables.items():
        if frame.height > MOST_ROWS:
            raise UsageError(
                f"Table {name} has {frame.height:,} rows, and a sheet holds {MOST_ROWS:,}. Choose fewer lots (--lot, --from, --to), or write "
                "a data pack without --xlsx."
            )
        _sheet(book.add_worksheet(name), frame, formats)
    book.close()
    return packed.getvalue()


def _sheet(sheet: Any, frame: pl.DataFrame, formats: Mapping[str, Any]) -> None:
    table = PACK_TABLES[sheet.get_name()]
    sheet.freeze_panes(1, 0)
    sheet.autofilter(0, 0, frame.height, len(table.names) - 1)
    for place, column in enumerate(table):
        sheet.set_column(place, place, min(max(len(column.name) + 3, 12), 40))
        sheet.write_string(0, place, column.name, formats["head"])
        sheet.write_comment(0, place, _note(column), {"x_scale": 2})
        for number, value in enumerate(frame[column.name], start=1):
            if value is not None:
                _cell(sheet, number, place, value, formats)


def _note(column: Column) -> str:
    """Return what stands in the note on a column: meaning, unit, allowed values."""
    said = [column.doc]
    if column.unit:
        said.append(f"Unit: {column.unit}.")
    if column.allowed:
        said.append(f"One of: {', '.join(column.allowed)}.")
    if isinstance(column.dtype, pl.Datetime):
        said.append("Time in UTC.")
    return " ".join(said)


def _cell(sheet: Any, row: int, column: int, value: Any, formats: Mapping[str, Any]) -> None:
    """Write a value as what it is."""
    if isinstance(value, bool):
        sheet.write_boolean(row, column, value)
    elif isinstance(value, datetime):
        sheet.write_datetime(row, column, value.replace(tzinfo=None), formats["time"])
    elif isinstance(value, int | float) and math.isfinite(value):
        sheet.write_number(row, column, value)
    else:
        text = str(value)
        sheet.write_string(row, column, _fits(text), formats["quoted" if dangerous(text) else "text"])


def _fits(text: str) -> str:
    """Return a text that a cell holds; characters that XML has no place for are shown by their code point."""
    shown = text if all(ord(c) >= 32 or c in "\t\n" for c in text) else visible(text)
    return shown if len(shown) <= _LONGEST else shorten(shown, _LONGEST - 100)
