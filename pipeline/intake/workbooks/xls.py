"""The structure of an XLS workbook: a compound file with a stream of BIFF records, as its maker publishes both."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

from pipeline.intake.workbooks.structure import (
    PERCENT_FORMATS,
    Refused,
    Structure,
    cells_fit,
    no_workbook,
    protected,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["COMPOUND", "structure_of"]

COMPOUND = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
"""How a compound file begins."""
_ERRORS = {0: "#NULL!", 7: "#DIV/0!", 15: "#VALUE!", 23: "#REF!", 29: "#NAME?", 36: "#NUM!", 42: "#N/A"}


def _chain(table: list[int], start: int) -> Iterator[int]:
    steps = 0
    while start < len(table) and steps <= len(table):
        yield start
        start = table[start]
        steps += 1


def _workbook_stream(data: bytes) -> bytes:
    """Return the stream of an old workbook out of its compound file."""
    shift, small_shift = struct.unpack_from("<HH", data, 30)
    if shift not in (9, 12) or small_shift != 6:
        raise ValueError("sectors of an unknown size")
    size = 1 << shift

    def sector(number: int) -> bytes:
        return data[(number + 1) * size : (number + 2) * size]

    def numbers(raw: bytes) -> list[int]:
        return list(struct.unpack(f"<{len(raw) // 4}I", raw[: len(raw) // 4 * 4]))

    (directory,) = struct.unpack_from("<I", data, 48)
    cutoff, small_start, _, more, _ = struct.unpack_from("<5I", data, 56)
    sectors = list(struct.unpack_from("<109I", data, 76))
    steps = 0
    while more < 0xFFFFFFF0 and steps <= len(data) // size:
        entries = numbers(sector(more))
        sectors += entries[:-1]
        more = entries[-1] if entries else 0xFFFFFFFF
        steps += 1
    table = [entry for number in sectors if number < 0xFFFFFFF0 for entry in numbers(sector(number))]

    def chained(start: int) -> bytes:
        return b"".join(sector(number) for number in _chain(table, start))

    listed = chained(directory)
    root_start = 0
    found: tuple[int, int] | None = None
    for at in range(0, len(listed) - 127, 128):
        length = struct.unpack_from("<H", listed, at + 64)[0]
        name = listed[at : at + max(0, min(length, 64) - 2)].decode("utf-16-le", "replace")
        start, stream_size = struct.unpack_from("<II", listed, at + 116)
        if name == "EncryptedPackage":
            raise protected()
        if listed[at + 66] == 5:
            root_start = start
        elif name.lower() in ("workbook", "book"):
            found = start, stream_size
    if found is None:
        raise no_workbook("a compound document that is no workbook")
    start, stream_size = found
    if stream_size >= cutoff:
        return chained(start)[:stream_size]
    small_table = numbers(chained(small_start))
    small = chained(root_start)
    return b"".join(small[number * 64 : number * 64 + 64] for number in _chain(small_table, start))[:stream_size]


def _records(stream: bytes, at: int) -> Iterator[tuple[int, bytes]]:
    """Yield the records of one substream, from its beginning to its end; what is embedded in it is passed over."""
    depth = 0
    while at + 4 <= len(stream):
        kind, length = struct.unpack_from("<HH", stream, at)
        if kind == 0x0809:
            depth += 1
        elif kind == 0x000A:
            depth -= 1
            if depth <= 0:
                return
        elif depth == 1:
            yield kind, stream[at + 4 : at + 4 + length]
        at += 4 + length


def _old_sheet(stream: bytes, at: int, percent: set[int]) -> Structure:
    found = Structure()
    for kind, body in _records(stream, at):
        if kind in (0x0006, 0x0201, 0x0203, 0x0204, 0x0205, 0x027E, 0x00FD, 0x00D6) and len(body) >= 6:
            row, column, style = struct.unpack_from("<3H", body)
            if kind != 0x0201:  # a blank cell carries its style only
                found.seen(row, column)
            if kind == 0x0006:
                error = body[12:14] == b"\xff\xff" and body[6] == 2
                text = _ERRORS.get(body[8], "#ERROR") if error else ""
                found.faults.append((row, column, "error" if error else "formula", text))
            elif kind == 0x0205 and body[7]:
                found.faults.append((row, column, "error", _ERRORS.get(body[6], "#ERROR")))
            elif kind in (0x0203, 0x027E) and style in percent:
                found.faults.append((row, column, "percent", ""))
        elif kind == 0x00BD and len(body) >= 12:
            row, column = struct.unpack_from("<2H", body)
            for n in range((len(body) - 6) // 6):
                found.seen(row, column + n)
                if struct.unpack_from("<H", body, 4 + 6 * n)[0] in percent:
                    found.faults.append((row, column + n, "percent", ""))
        elif kind == 0x0208 and len(body) >= 16 and body[12] & 0x20:
            found.hidden_rows.add(struct.unpack_from("<H", body)[0])
        elif kind == 0x007D and len(body) >= 10 and body[8] & 1:
            first, last = struct.unpack_from("<2H", body)
            found.hidden_columns.append((first, min(last, 255)))
    return found


def structure_of(data: bytes) -> list[Structure]:
    """Return the structure of each sheet, in the order of the workbook, after all limits were looked at.

    Raises
    ------
    Refused
        If it is damaged, protected or too large.
    """
    try:
        stream = _workbook_stream(data)
        codes: dict[int, str] = {}
        styles: list[int] = []
        sheets: list[int] = []
        for kind, body in _records(stream, 0):
            if kind == 0x002F:
                raise protected()
            if kind == 0x041E:
                codes[struct.unpack_from("<H", body)[0]] = body[5:].decode("latin-1")
            elif kind == 0x00E0:
                styles.append(struct.unpack_from("<H", body, 2)[0])
            elif kind == 0x0085:
                sheets.append(struct.unpack_from("<I", body)[0])
        percent = {n for n, code in enumerate(styles) if code in PERCENT_FORMATS or "%" in codes.get(code, "")}
        found = [_old_sheet(stream, at, percent) for at in sheets]
    except (struct.error, IndexError, ValueError) as error:
        raise Refused(
            "damaged_workbook", f"The workbook is damaged: {error}.", "Open it, save it again as XLSX and load that."
        ) from None
    cells_fit(found)
    return found
