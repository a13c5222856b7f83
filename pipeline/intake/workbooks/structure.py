"""What a workbook may be at most, why it is refused, and what its cells do not say of themselves."""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["PERCENT_FORMATS", "Refused", "Structure", "cells_fit", "no_workbook", "protected", "too_large"]

PERCENT_FORMATS = {9, 10}
"""0% and 0.00%, built in (ISO/IEC 29500-1, clause 18.8.30)."""
MOST_UNPACKED = 400_000_000
"""Bytes of all parts of a workbook."""
MOST_PARTS = 10_000
MOST_CELLS = 4_000_000
"""Of the rectangles that hold what is filled in, over all sheets: as many as 250,000 rows of 16 columns."""
MOST_TEXT = 400_000_000
"""Characters of all cells: one long text may be named by many."""
MEMORY_BYTES = 3_000_000_000
SECONDS = 120


class Refused(Exception):
    """Why the file is held: reason, sentence, what to do."""


@dataclass(slots=True)
class Structure:
    """What the cells themselves do not say. Rows and columns from 0."""

    hidden_rows: set[int] = field(default_factory=set)
    hidden_columns: list[tuple[int, int]] = field(default_factory=list)
    faults: list[tuple[int, int, str, str]] = field(default_factory=list)
    last_row: int = -1
    last_column: int = -1

    def seen(self, row: int, column: int) -> None:
        """Note a cell that holds something."""
        self.last_row, self.last_column = max(self.last_row, row), max(self.last_column, column)

    @property
    def cells(self) -> int:
        """Size of the rectangle from the first cell of the sheet to the last that holds something."""
        return (self.last_row + 1) * (self.last_column + 1)


def too_large(what: str) -> Refused:
    """Return why a workbook is not unpacked."""
    return Refused("too_large", f"The workbook {what}.", "Save the sheet with the readings alone, or as CSV.")


def no_workbook(what: str) -> Refused:
    """Return why a container is not read."""
    return Refused("not_text", f"The file is {what}, whatever its name says.", "Save it as XLSX or CSV.")


def protected() -> Refused:
    """Return why an encrypted workbook is not read."""
    return Refused(
        "encrypted", "The workbook is protected by a password.", "Save it without a password, then load it again."
    )


def cells_fit(structures: list[Structure]) -> None:
    """Refuse a workbook whose sheets would not fit: its reader lays out the whole rectangle of each."""
    total = sum(one.cells for one in structures)
    if total > MOST_CELLS:
        raise too_large(f"spans {total:,} cells up to its last filled one; at most {MOST_CELLS:,} are read")
