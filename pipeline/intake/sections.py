"""Files of sections: what each line is, which section it belongs to, and whether the section's figures are those of its readings."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from pipeline.intake.footer import differs
from pipeline.intake.head import check_units, is_figure, looks_like_a_reading
from pipeline.intake.preamble import split_key, split_line, without_unit
from pipeline.intake.reading import FileColumn
from pipeline.intake.refusals import REASONS
from schemas.digits import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pipeline.intake.layout import Layout
    from pipeline.intake.layout_outside import Sections
    from pipeline.intake.reading import Head

__all__ = ["Told", "carried_columns", "disagreements", "tell"]

_OUTSIDE, _HEAD, _KEYS, _TABLE, _LOST = range(5)


def carried_columns(layout: Layout, width: int) -> tuple[FileColumn, ...]:
    """Return a column beside those of the file for each key of a section's head that fills one."""
    keys = () if layout.sections is None else layout.sections.all_keys
    wanted = [key for key in keys if key.column is not None]
    needed = [
        key.model_copy(update={"constraints": key.constraints.model_copy(update={"required": True})})
        if key.required
        else key
        for key in wanted
    ]
    return tuple(FileColumn(width + n, key.key, key) for n, key in enumerate(needed))


@dataclass(slots=True)
class Told:
    """What the lines of a file are, before any is split into cells.

    `passed` is true for lines that are no readings, `of` is the section of each line (-1 outside), `cells` the texts of
    each carried column by section, `figures` the lines of statistics by section, `refused` lines that belong nowhere.
    """

    passed: NDArray[np.bool_]
    of: NDArray[np.int64]
    began: list[int] = field(default_factory=list)
    cells: list[dict[str, str]] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)
    figures: dict[int, list[tuple[int, str]]] = field(default_factory=dict)
    footer: list[tuple[int, str]] = field(default_factory=list)
    refused: list[tuple[int, str, str]] = field(default_factory=list)

    def column(self, name: str) -> pl.Series:
        """Return the texts of a key, one a section; null where its head has none."""
        return pl.Series(name, [texts.get(name) for texts in self.cells], dtype=pl.String)


class _Teller:
    """Goes through the lines once, from the first section on."""

    def __init__(self, layout: Layout, head: Head, sections: Sections, lines: Sequence[str], first_line: int) -> None:
        self.layout, self.head, self.sections, self.lines, self.first = layout, head, sections, lines, first_line
        self.told = Told(np.ones(len(lines), np.bool_), np.full(len(lines), -1, np.int64))
        self.state = _OUTSIDE
        self.pending: list[tuple[int, bool]] = []
        self.units_next = self.filled = False
        self.lost = ""
        self.keys = {key.key for key in sections.all_keys}
        labels = "|".join(re.escape(one.label.rstrip(":")) for one in sections.statistics)
        mark = re.escape(layout.dialect.delimiter)
        self.label = re.compile(rf'[\s"{mark}]*(?:{labels})\s*:?\s*"?\s*(?:{mark}|$)') if labels else None
        self.in_head = layout.dialect.header and not head.header_first

    def count(self, fate: str) -> None:
        self.told.counts[fate] = self.told.counts.get(fate, 0) + 1

    def go(self) -> Told:
        dialect, sections = self.layout.dialect, self.sections
        nothing = dialect.delimiter + " \t\x1a"
        for n, line in enumerate(self.lines):
            if not line.strip(nothing):
                self.count("blank")
            elif self.first + n in dialect.comment_rows or (
                dialect.comment_char and line.startswith(dialect.comment_char)
            ):
                self.count("preamble")
            elif begin := sections.begin.match(line):
                self.begin(n, {key: text for key, text in begin.groupdict().items() if text is not None})
            elif line in self.head.header_texts and self.state != _LOST:
                if self.in_head and self.state == _TABLE and self.filled:
                    self.lose(n, "repeats the header")
                    continue
                self.count("header")
                if line == self.head.header_texts[-1] and self.state != _OUTSIDE:
                    self.state, self.units_next, self.pending = _TABLE, dialect.units_row, []
            elif self.state == _OUTSIDE:
                self.outside(n, line)
            else:
                self.inside(n, line)
        self.close()
        return self.told

    def begin(self, n: int, texts: dict[str, str]) -> None:
        self.close()
        self.told.began.append(self.first + n)
        self.told.cells.append({})
        for key, text in texts.items():
            self.key(key, text)
        self.state = _HEAD if self.in_head else _KEYS
        self.units_next = self.filled = False
        self.pending = [(n, False)]
        self.count("preamble")

    def key(self, key: str, text: str) -> bool:
        """Take a key of the head, once."""
        texts = self.told.cells[-1]
        if key in texts:
            return False
        texts[key] = text.strip()
        return True

    def close(self) -> None:
        """Refuse what stands in a section that has no header, unless its head is all there is."""
        if self.state == _HEAD and any(unknown for _, unknown in self.pending):
            what = f"The section that begins in line {self.told.began[-1]} has no header as the first one has."
            for n, _ in self.pending:
                self.told.counts["preamble"] -= 1
                self.refuse(n, "section_without_header", what)
        self.pending = []

    def refuse(self, n: int, reason: str, what: str) -> None:
        self.told.refused.append((self.first + n, reason, f"{what} {REASONS[reason]}"))

    def lose(self, n: int, what: str) -> None:
        """Read nothing from here to the next section: what says which section this is may have been lost."""
        self.state = _LOST
        self.lost = f"Line {self.first + n} {what} and may belong to another section, whose beginning is missing."
        self.refuse(n, "section_head_lost", self.lost)

    def stray(self, line: str) -> bool:
        """Whether a line of the table is no reading at all, not even a damaged one."""
        dialect, width = self.layout.dialect, len(self.head.columns)
        cells = [cell.strip() for cell in split_line(line, dialect)]
        filled = [cell for cell in cells if cell]
        return not any(map(is_figure, filled)) or (len(cells) != width and 2 * len(filled) <= width)

    def outside(self, n: int, line: str) -> None:
        if self.told.footer or (self.layout.footer is not None and self.layout.footer.pattern.match(line)):
            self.told.footer.append((self.first + n, line))
        if looks_like_a_reading(line, self.layout, len(self.head.columns)):
            self.refuse(n, "outside_section", "The line belongs to no section.")
        else:
            self.count("footer" if self.told.began else "preamble")

    def inside(self, n: int, line: str) -> None:
        sections, layout = self.sections, self.layout
        if self.state == _LOST:
            self.refuse(n, "section_head_lost", self.lost)
            return
        if self.state in (_HEAD, _KEYS):
            key, value = split_key(line, sections.separator, layout.dialect)
            known = key in self.keys and value is not None
            if known and value is not None and not self.key(key, value):
                self.refuse(n, "key_twice", f"'{key}' stands twice in the head of the section.")
                return
            if known or self.state == _HEAD:
                self.pending.append((n, not known))
                self.count("preamble")
                return
            self.state = _TABLE
        if self.units_next:
            if line != self.head.units_text:
                check_units(split_line(line, layout.dialect), self.head.columns, layout, self.first + n)
            self.units_next = False
            self.count("units")
        elif line == self.head.units_text:
            self.count("units")
        elif sections.end is not None and sections.end.match(line):
            self.state = _OUTSIDE
            self.count("footer")
        elif layout.footer is not None and layout.footer.pattern.match(line):
            self.state = _OUTSIDE
            self.told.footer.append((self.first + n, line))
            self.count("footer")
        elif self.label is not None and self.label.match(line):
            self.told.figures.setdefault(len(self.told.began) - 1, []).append((self.first + n, line))
            self.count("footer")
        elif self.stray(line):
            self.lose(n, "is no reading and nothing that the layout declares")
        elif len(self.told.began) - 1 in self.told.figures:
            self.lose(n, "stands below the figures of a section")
        else:
            self.filled = True
            self.told.passed[n] = False
            self.told.of[n] = len(self.told.began) - 1


def tell(lines: Sequence[str], layout: Layout, head: Head, first_line: int) -> Told:
    """Say what the lines of a file are.

    Parameters
    ----------
    lines
        All lines after the head of the file, without line ends.
    layout
        With sections, or with fields that are filled down; then the whole file is one section.
    head
        With the header that every section repeats.
    first_line
        Number of the first line.

    Raises
    ------
    HoldFile
        If the units of a section are not those declared.
    """
    if layout.sections is not None:
        told = _Teller(layout, head, layout.sections, lines, first_line).go()
        aliases = layout.unit_aliases
        for column in head.carried:
            for texts in told.cells:
                if column.name in texts:
                    texts[column.name] = without_unit(texts[column.name], column.field, aliases)
        return told
    # a header that is repeated in the table must not be carried down into empty cells
    passed = np.array([line in head.header_texts or line == head.units_text for line in lines], np.bool_)
    units = sum(line == head.units_text for line in lines)
    counts = {"header": int(passed.sum()) - units, "units": units}
    return Told(passed, np.where(passed, -1, 0).astype(np.int64), [first_line], [{}], counts)


def disagreements(
    told: Told, readings: pl.DataFrame, refused: pl.Series, layout: Layout, first_line: int, decimals: int
) -> dict[int, str]:
    """Compare the figures of each section with its readings.

    The meter rounds its readings and its figures, each to the last digit it writes: half a unit of both is allowed.

    Parameters
    ----------
    told
        With the lines of statistics.
    readings
        Those of all sections, with line and value.
    refused
        Lines refused so far.
    layout, first_line
        As in :func:`tell`.
    decimals
        To which the readings are written.

    Returns
    -------
    dict
        For each section that must be held, what differs.
    """
    declared = () if layout.sections is None else layout.sections.statistics
    if not declared:
        return {}
    of_reading = told.of[readings["line"].to_numpy() - first_line]
    of_refused = told.of[refused.to_numpy() - first_line]
    found: dict[int, str] = {}
    slack = 0.5 * 10.0**-decimals
    values = readings["value"].to_list()
    ends = np.searchsorted(of_reading, np.arange(len(told.began) + 1), side="left")
    lost = np.bincount(of_refused[of_refused >= 0], minlength=len(told.began))
    for section in range(len(told.began)):
        start, end = int(ends[section]), int(ends[section + 1])
        if end == start:
            continue  # nothing to hold
        cells_of: dict[str, tuple[int, list[str]]] = {}
        for number, line in told.figures.get(section, ()):
            cells = [cell.strip() for cell in split_line(line, layout.dialect)]
            cells_of.setdefault(next(cell for cell in cells if cell).rstrip(":").strip(), (number, cells))
        for one in declared:
            number, cells = cells_of.get(one.label.rstrip(":"), (0, []))
            if not number:
                wrong = f"the section has no line '{one.label}'" if one.required else None
            elif lost[section] and one.statistic != "count":
                wrong = (
                    f"'{one.label}' cannot be compared, since {counted(lost[section], 'line')} of the section refused"
                )
            else:
                lines = end - start + int(lost[section])
                numbers = [value for value in values[start:end] if value is not None]
                wrong = differs(one, number, cells, layout, lines, numbers, slack=slack)
            if wrong is not None:
                found[section] = wrong
                break
    return found
