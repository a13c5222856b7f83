"""A workbook becomes sheets of typed cells: unpacked by a process of its own, whose end by any cause holds one file."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import orjson

from pipeline.intake.reading import Held, HoldFile
from pipeline.intake.workbooks.structure import MEMORY_BYTES, SECONDS
from pipeline.intake.workbooks.xls import COMPOUND

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["Cell", "Sheet", "is_workbook", "sheets_of", "span_words"]

type_and_text = list[str]
Cell = str | float | type_and_text | None
"""Empty, text, a number, or a type (date, datetime, time, duration, boolean) and its text in ISO 8601."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One sheet, rows and columns from 0; a row ends with its last filled cell.

    `merged` holds first row, first column, last row and last column; `faults` row, column, kind (formula, error, percent)
    and what the cell says.
    """

    name: str
    hidden: bool
    rows: Sequence[Sequence[Cell]]
    merged: Sequence[tuple[int, int, int, int]]
    hidden_rows: Sequence[int]
    hidden_columns: Sequence[tuple[int, int]]
    faults: Sequence[tuple[int, int, str, str]]


def is_workbook(data: bytes) -> bool:
    """Whether the first bytes are those of a workbook, or of a container that may be one."""
    return data.startswith((b"PK\x03\x04", COMPOUND))


# a file is matched and then read: the same bytes twice, one after the other
@lru_cache(maxsize=1)
def sheets_of(data: bytes) -> tuple[Sheet, ...]:
    """Return the sheets of a workbook.

    Parameters
    ----------
    data
        The file.

    Returns
    -------
    tuple of Sheet
        In the order of the workbook.

    Raises
    ------
    HoldFile
        If it is damaged, protected, too large, or no workbook.
    """
    try:
        done = subprocess.run(
            [sys.executable, "-I", "-m", "pipeline.intake.workbooks.unpack"],
            input=data,
            capture_output=True,
            timeout=3 * SECONDS,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise _not_unpacked() from None
    if done.returncode != 0:
        raise _not_unpacked()
    answer = orjson.loads(done.stdout)
    if "refused" in answer:
        raise HoldFile(Held(*answer["refused"]))
    return tuple(Sheet(**sheet) for sheet in answer["sheets"])


def _not_unpacked() -> HoldFile:
    return HoldFile(
        Held(
            "damaged_workbook",
            f"The workbook could not be unpacked: it is damaged, or needs more than {MEMORY_BYTES / 1e9:g} GB of memory or "
            f"{SECONDS} s of processor time.",
            "Open it, save the sheet with the readings alone as XLSX or CSV, and load that.",
        )
    )


def span_words(numbers: Sequence[int], most: int = 5) -> str:
    """Return rising numbers in words, neighbours as spans: 5, 7 to 9 and 3 more."""
    spans: list[list[int]] = []
    for number in numbers:
        if spans and number == spans[-1][1] + 1:
            spans[-1][1] = number
        else:
            spans.append([number, number])
    words = ", ".join(str(first) if first == last else f"{first} to {last}" for first, last in spans[:most])
    more = sum(last - first + 1 for first, last in spans[most:])
    return f"{words} and {more} more" if more else words
