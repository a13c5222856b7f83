"""The cells of a workbook (XLSX or XLS) as JSON: a program of its own, run in a process that may use little.

A workbook is compressed, and its reader believes what it says about itself. So its sizes are looked at before anything is
unpacked, its structure before the reader sees it, and all of it happens in a process whose memory and time are limited:
what kills that process costs one file (calamine 0.37 ends it for an XLS whose record of dimensions lies, and panics on
others that are damaged). Standard input is the file, standard output the JSON.

What the reader does not tell is found in the structure: which rows and columns are hidden, which cells hold a formula, an
error, or a number shown as a percentage.
"""

from __future__ import annotations

import io
import json
import sys
from datetime import date, datetime, timedelta
from datetime import time as clock
from typing import Any

from pipeline.intake.workbooks import xls, xlsx
from pipeline.intake.workbooks.structure import (
    MEMORY_BYTES,
    MOST_TEXT,
    SECONDS,
    Refused,
    protected,
    too_large,
)
from pipeline.intake.workbooks.xls import COMPOUND

__all__ = ["main"]


def _cell(value: Any) -> Any:
    """Return a cell as JSON: null, text, number, or [type, text]."""
    if isinstance(value, bool):
        return ["boolean", "TRUE" if value else "FALSE"]
    if isinstance(value, str):
        return value or None
    if isinstance(value, int | float):
        return value
    if isinstance(value, datetime):
        return ["datetime", value.isoformat(sep=" ")]
    if isinstance(value, date):
        return ["date", value.isoformat()]
    if isinstance(value, clock):
        return ["time", value.isoformat()]
    if isinstance(value, timedelta):
        return ["duration", str(value.total_seconds())]
    return str(value)


def _sheets(data: bytes) -> list[dict[str, Any]]:
    from python_calamine import CalamineError, PasswordError, SheetTypeEnum, SheetVisibleEnum, load_workbook

    old = data.startswith(COMPOUND)
    in_order = xls.structure_of(data) if old else []
    by_name = {} if old else xlsx.structure_of(data)
    listed: list[dict[str, Any]] = []
    text = 0
    try:
        book = load_workbook(io.BytesIO(data))
        for number, about in enumerate(book.sheets_metadata):
            structure = in_order[number] if number < len(in_order) else by_name.get(about.name)
            if structure is None or about.typ != SheetTypeEnum.WorkSheet:
                continue
            sheet = book.get_sheet_by_index(number)
            rows: list[list[Any]] = []
            for row in sheet.to_python(skip_empty_area=False) if structure.cells else ():
                cells = [_cell(value) for value in row]
                while cells and cells[-1] is None:
                    cells.pop()
                text += sum(len(cell) for cell in cells if isinstance(cell, str))
                if text > MOST_TEXT:
                    raise too_large(f"holds more than {MOST_TEXT:,} characters in its cells")
                rows.append(cells)
            while rows and not rows[-1]:
                rows.pop()
            for row_at, column, kind, said in structure.faults:
                if kind != "percent":
                    rows += [[] for _ in range(row_at + 1 - len(rows))]
                    cells = rows[row_at]
                    cells += [None] * (column + 1 - len(cells))
                    if cells[column] is None:
                        cells[column] = said if kind == "error" else "="
            listed.append(
                {
                    "name": about.name,
                    "hidden": about.visible != SheetVisibleEnum.Visible,
                    "rows": rows,
                    "merged": [[*first, *last] for first, last in sheet.merged_cell_ranges or ()],
                    "hidden_rows": sorted(row for row in structure.hidden_rows if row < len(rows)),
                    "hidden_columns": structure.hidden_columns,
                    "faults": structure.faults,
                }
            )
    except PasswordError:
        raise protected() from None
    except CalamineError as error:
        raise Refused(
            "damaged_workbook", f"The workbook is damaged: {error}.", "Open it, save it again as XLSX and load that."
        ) from None
    return listed


def main() -> None:
    """Read a workbook from standard input, write its cells, or why not, to standard output."""
    try:
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
        resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS))
    except (ImportError, ValueError, OSError):  # a system without such limits: the sizes were looked at all the same
        pass
    try:
        answer: dict[str, Any] = {"sheets": _sheets(sys.stdin.buffer.read())}
    except Refused as refused:
        answer = {"refused": list(refused.args)}
    except MemoryError:
        answer = {"refused": list(too_large(f"needs more than {MEMORY_BYTES:,} bytes when unpacked").args)}
    sys.stdout.write(json.dumps(answer))


if __name__ == "__main__":
    main()
