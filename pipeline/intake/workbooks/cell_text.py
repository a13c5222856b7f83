"""A typed cell of a sheet becomes the text that the layout declares for its column, so that one grammar reads everything.

Nothing is rounded: a time with seconds in a column declared to the minute is written as it is, and refused there. What does
not belong into a column (a date among lots) is written so that the reader's own rules refuse it.
"""

from __future__ import annotations

import re
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from pipeline.intake.text import moment_grammar

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pipeline.intake.layout_parts import Cells, LayoutField
    from pipeline.intake.workbooks.reading import Cell

__all__ = ["column_text", "declared_text", "plain_text", "with_offset"]

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_MOMENTS = ("date", "datetime", "time")
_DAY_S = 86_400
_MOST_DIGITS = 1e15
"""A spreadsheet keeps 15 digits: a longer number of a lot lost some, and is shown as a power of ten."""


def declared_text(cells: Cells, cell: Cell) -> str:
    """Return one cell as the text that a key of the layout declares, such as a day before the header."""
    moment = _of_type(_moment(cell), cells.type) if cells.type in _MOMENTS else None
    return _in_column(cells, cell) if moment is None else _as_declared(moment, cells)


def _number(value: float, decimal_char: str) -> str:
    text = f"{Decimal(repr(value)):f}"
    text = text.removesuffix(".0")
    return text.replace(".", decimal_char)


def _flat(text: str) -> str:
    """Return a text on one line and in one cell: a line break or a tab inside a cell counts as a space."""
    return re.sub(r"[\t\r\n\v\f]+", " ", text) if not text.isprintable() else text


def plain_text(cell: Cell, decimal_char: str = ".") -> str:
    """Return a cell that no column declares: a number in full, a date or time in ISO 8601."""
    if cell is None:
        return ""
    if isinstance(cell, str):
        return _flat(cell)
    if isinstance(cell, list):
        kind, text = cell
        return str(timedelta(seconds=float(text))) if kind == "duration" else text
    return _number(cell, decimal_char)


def column_text(
    field: LayoutField, cells: Sequence[Cell], *, local: Callable[[datetime], str] | None
) -> tuple[LayoutField, list[str]]:
    """Return the cells of one column as text, and the field that reads them.

    Parameters
    ----------
    field
        As declared.
    cells
        Below the header.
    local
        Writes a local time with its offset, where the layout declares that each time carries one; else None.

    Returns
    -------
    (LayoutField, list of str)
        Of a time column without any text in the declared format, the field with the format in which stored times are written.
    """
    if field.column is None:
        return field, [plain_text(cell, field.decimal_char) for cell in cells]
    if field.type in _MOMENTS:
        return _moments(field, cells, local)
    return field, [_in_column(field, cell) for cell in cells]


def _in_column(field: Cells, cell: Cell) -> str:
    if isinstance(cell, str) or cell is None:
        return plain_text(cell)
    if isinstance(cell, list):
        kind, text = cell
        if kind == "boolean" and field.type == "boolean":
            return (field.true_values if text == "TRUE" else field.false_values)[0]
        if kind in ("date", "datetime"):
            day = date.fromisoformat(text[:10])
            return f"{day.day}-{_MONTHS[day.month - 1]}-{day.year}"  # what spreadsheets show, and the reader refuses
        return plain_text(cell)
    if field.type == "string":
        return f"{cell:.14E}" if abs(cell) >= _MOST_DIGITS else _number(cell, ".")
    return _number(cell, field.decimal_char)


def _moment(cell: Cell) -> datetime | date | time | None:
    if not isinstance(cell, list):
        return None
    kind, text = cell
    if kind == "datetime":
        return datetime.fromisoformat(text)
    if kind == "date":
        return date.fromisoformat(text)
    if kind == "time":
        return time.fromisoformat(text)
    if kind == "duration" and 0 <= float(text) < _DAY_S:
        return (datetime(1970, 1, 1) + timedelta(seconds=float(text))).time()  # noqa: DTZ001 - a time of day
    return None


def _of_type(moment: datetime | date | time | None, kind: str) -> datetime | date | time | None:
    """Return a day as its midnight where a date and time is declared, and midnight as its day where a date is."""
    if kind == "datetime" and isinstance(moment, date) and not isinstance(moment, datetime):
        return datetime.combine(moment, time())
    if kind == "date" and isinstance(moment, datetime) and moment.time() == time():
        return moment.date()
    return moment


def _moments(
    field: LayoutField, cells: Sequence[Cell], local: Callable[[datetime], str] | None
) -> tuple[LayoutField, list[str]]:
    found = [_moment(cell) for cell in cells]
    written = re.compile(moment_grammar(field.format, field.type, None, field.month_names).pattern)
    stored = not any(isinstance(cell, str) and written.search(cell) for cell in cells)
    found = [_of_type(one, field.type) for one in found]
    if local is not None and field.type == "datetime":
        return (field.model_copy(update={"format": "default"}) if stored else field), [
            local(one) if isinstance(one, datetime) else plain_text(cell)
            for one, cell in zip(found, cells, strict=True)
        ]
    if stored:
        parts = any(getattr(one, "microsecond", 0) for one in found)
        full = {"date": "%Y-%m-%d", "time": "%H:%M:%S", "datetime": "%Y-%m-%d %H:%M:%S"}[field.type]
        field = field.model_copy(update={"format": full + (".%f" if parts and field.type != "date" else "")})
    return field, [
        plain_text(cell) if one is None else _as_declared(one, field) for one, cell in zip(found, cells, strict=True)
    ]


def _as_declared(moment: datetime | date | time, field: Cells) -> str:
    """Write a moment in the format of its field, or in ISO 8601 where that would leave something out."""
    words = field.format
    kind = "datetime" if isinstance(moment, datetime) else "date" if isinstance(moment, date) else "time"
    seconds, parts = getattr(moment, "second", 0), getattr(moment, "microsecond", 0)
    lost = (seconds and "%S" not in words and "%-S" not in words) or (parts and "%f" not in words)
    if kind != field.type or lost or words == "default" or "%z" in words or "%s" in words:
        return moment.isoformat(sep=" ") if isinstance(moment, datetime) else moment.isoformat()
    if isinstance(moment, date):
        names = field.month_names
        if names is not None:
            words = re.sub("%[bB]", names[moment.month - 1].replace("%", "%%"), words)
        elif "%b" in words:
            words = words.replace("%b", _MONTHS[moment.month - 1])
    return moment.strftime(words)


def with_offset(zone: str) -> Callable[[datetime], str]:
    """Return what writes a local time of a zone with its offset; one that occurs twice or never stays without."""
    place = ZoneInfo(zone)

    def write(moment: datetime) -> str:
        first, second = moment.replace(tzinfo=place), moment.replace(tzinfo=place, fold=1)
        if first.utcoffset() != second.utcoffset():
            return moment.isoformat(sep=" ")
        return first.isoformat(timespec="seconds" if not moment.microsecond else "microseconds")

    return write
