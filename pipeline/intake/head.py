"""The lines before the readings: preamble, header and units, each compared with what the layout declares."""

from __future__ import annotations

import difflib
from collections import Counter
from itertools import zip_longest
from typing import TYPE_CHECKING

from pipeline.intake.preamble import read_preamble, split_line
from pipeline.intake.reading import FileColumn, Head, Held, HoldFile, shown
from pipeline.intake.units_text import spelled_unit, unit_in_name

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pipeline.intake.layout import Layout
    from pipeline.intake.layout_parts import LayoutField

__all__ = ["LONGEST_HEAD", "check_units", "is_figure", "looks_like_a_reading", "read_head"]

LONGEST_HEAD = 400
"""Lines in which the header is looked for."""

MOST_COLUMNS = 2_000
_HINTS = 50
"""So many unknown columns are told the nearest known name, which costs more than all else."""
_ESSENTIAL = {
    "measured_at",
    "measured_date",
    "measured_time",
    "meter",
    "role",
    "value",
    "unit",
    "temperature_state",
}


def _matches(cell: str, declared: LayoutField, layout: Layout) -> tuple[bool, str | None]:
    """Whether a header cell is the declared field, and what is wrong with its unit."""
    name, unit_problem = cell.strip(), None
    if declared.unit_in_header:
        parts = unit_in_name(name)
        if parts is None:
            unit_problem = f"column '{shown(name)}' names no unit; the layout declares {declared.unit}"
        else:
            name, spelling = parts
            found = spelled_unit(spelling, layout.unit_aliases)
            if found != declared.unit:
                known = f"which is {found}" if found else "which is no known spelling of a unit"
                unit_problem = f"column '{shown(cell.strip())}' says {shown(spelling)}, {known}; the layout declares {declared.unit}"
    same = name == declared.name if declared.name_pattern is None else bool(declared.name_pattern.fullmatch(name))
    return same, unit_problem if same else None


def _replicate(cell: str, declared: LayoutField, fallback: int) -> int:
    if declared.name_pattern is None or not declared.name_pattern.groups:
        return 1
    name = cell.strip()
    if declared.unit_in_header and (parts := unit_in_name(name)) is not None:
        name = parts[0]
    found = declared.name_pattern.fullmatch(name)
    return int(found[1]) if found and found[1] and found[1].isdecimal() else fallback


def _candidates(layout: Layout) -> Callable[[str], Sequence[int]]:
    """Return what says which fields a header cell may be: by name at once, only patterns and units are tried one by one."""
    by_name: dict[str, list[int]] = {}
    tried = []
    for number, declared in enumerate(layout.fields):
        if declared.name_pattern is None and not declared.unit_in_header:
            by_name.setdefault(declared.name, []).append(number)
        else:
            tried.append(number)
    return lambda name: sorted([*by_name[name], *tried]) if name in by_name else tried


def _resolve(
    cells: Sequence[str], layout: Layout, candidates: Callable[[str], Sequence[int]], *, hints: bool = False
) -> tuple[list[FileColumn], list[str], list[str]]:
    """Pair header cells with fields: columns, differences of names (with the nearest, by `hints`), differences of units."""
    columns: list[FileColumn] = []
    differences: list[str] = []
    units: list[str] = []
    seen: dict[str, int] = {}
    declared_names = Counter(field.name for field in layout.fields)
    for position, cell in enumerate(cells, start=1):
        name = cell.strip()
        if name in seen and declared_names[name] < 2:
            differences.append(f"column '{shown(name)}' stands twice: as number {seen[name]} and {position}")
        seen.setdefault(name, position)
    used: dict[int, int] = {}
    for position, cell in enumerate(cells):
        for number in candidates(cell.strip()):
            declared = layout.fields[number]
            if number in used and declared.name_pattern is None:
                continue
            same, unit_problem = _matches(cell, declared, layout)
            if same:
                used[number] = used.get(number, 0) + 1
                replicate = _replicate(cell, declared, used[number])
                columns.append(FileColumn(position, cell.strip(), declared, replicate))
                if unit_problem:
                    units.append(unit_problem)
                break
        else:
            if cell.strip() not in declared_names:
                near = _near(cell.strip(), layout) if hints and len(differences) < _HINTS else ""
                differences.append(f"column '{shown(cell.strip())}' (number {position + 1}) is not in the layout{near}")
    for number, declared in enumerate(layout.fields):
        count = used.get(number, 0)
        needed = declared.constraints.required or declared.column in _ESSENTIAL
        if count == 0 and (layout.table.fields_match != "superset" or needed):
            differences.append(f"column '{declared.label}' is missing")
        if declared.name_pattern is not None and declared.replicates not in (None, count) and count:
            differences.append(f"{count} columns match '{declared.label}', the layout declares {declared.replicates}")
    replicates = [column.replicate for column in columns if column.field.column == "value"]
    if len(set(replicates)) < len(replicates):
        differences.append("two replicate columns have the same number")
    if layout.table.fields_match == "exact" and not differences:
        order = [layout.fields.index(column.field) for column in columns]
        for at, number in enumerate(order[1:], start=1):
            if number < order[at - 1]:
                differences.append(
                    f"column '{shown(columns[at].name)}' is number {columns[at].position + 1}, after "
                    f"'{shown(columns[at - 1].name)}'; the layout has them the other way round"
                )
    return columns, differences, units


def _near(name: str, layout: Layout) -> str:
    close = difflib.get_close_matches(name, [field.name for field in layout.fields if field.name], n=1, cutoff=0.7)
    return f"; the layout has '{close[0]}'" if close else ""


def _hold_header(differences: Sequence[str], line: int | None, layout: Layout) -> HoldFile:
    return HoldFile(
        Held(
            "header_mismatch",
            f"The header differs from layout {layout.name} (version {layout.version}): {differences[0]}"
            + (f" and {len(differences) - 1} more" if len(differences) > 1 else "")
            + ".",
            "Name another layout, or correct this one and raise its version; columns are never renamed by themselves.",
            details=tuple(differences),
            line=line,
        )
    )


def _header_cells(lines: Sequence[str], layout: Layout) -> list[str]:
    """Return the names in one line, or those of several lines joined column by column."""
    if len(lines) == 1:
        return split_line(lines[0], layout.dialect)
    cells = [[cell.strip() for cell in split_line(line, layout.dialect)] for line in lines]
    join = layout.dialect.header_join
    return [join.join(filter(None, column)) for column in zip_longest(*cells, fillvalue="")]


def _find_header(lines: Sequence[str], layout: Layout, passed: set[int]) -> tuple[int, list[FileColumn]]:
    best: tuple[int, int, Sequence[str]] | None = None
    rows = layout.dialect.header_rows
    candidates = _candidates(layout)
    for number in [rows[0] - 1] if rows is not None else range(len(lines)):
        if number >= len(lines) or number in passed:
            continue
        cells = _header_cells(lines[number : number + layout.dialect.header_height], layout)
        if len(cells) > MOST_COLUMNS:
            raise HoldFile(
                Held(
                    "too_many_columns",
                    f"Line {number + 1} has {len(cells):,} cells; a header has at most {MOST_COLUMNS:,}.",
                    "Look at the export: it is no table of readings.",
                    line=number + 1,
                )
            )
        columns, differences, units = _resolve(cells, layout, candidates)
        if columns and not differences:
            if units:
                raise HoldFile(
                    Held(
                        "unit_mismatch",
                        f"The units in the header differ from the layout: {units[0]}.",
                        "Name a layout with this unit; values are never taken in another unit than stated.",
                        details=tuple(units),
                        line=number + 1,
                    )
                )
            return number, columns
        if best is None or len(columns) > best[0]:
            best = (len(columns), number, cells)
    if best is None or best[0] == 0:
        raise HoldFile(
            Held(
                "header_missing",
                f"No line is the header that layout {layout.name} declares: "
                f"{', '.join(field.label for field in layout.fields)}.",
                "Name another layout, or let `annealog layout suggest` propose one.",
            )
        )
    raise _hold_header(_resolve(best[2], layout, candidates, hints=True)[1], best[1] + 1, layout)


def check_units(cells: Sequence[str], columns: Sequence[FileColumn], layout: Layout, line: int) -> None:
    """Compare a line of units with the layout.

    Raises
    ------
    HoldFile
        If a unit is another one than declared.
    """
    wrong: list[str] = []
    for column in columns:
        declared = column.field.unit
        if column.field.column == "standard_deviation":
            declared = layout.unit
        text = cells[column.position].strip() if column.position < len(cells) else ""
        if declared is None or (not text and column.field.column == "standard_deviation"):
            continue
        found = spelled_unit(text, layout.unit_aliases)
        if found != declared:
            wrong.append(
                f"column '{shown(column.name)}': the file says '{shown(text)}', the layout declares {declared}"
            )
    if len(cells) != len(columns):
        wrong.append(f"the line of units has {len(cells)} cells, the header {len(columns)}")
    if wrong:
        raise HoldFile(
            Held(
                "unit_mismatch",
                f"The line of units differs from the layout: {wrong[0]}.",
                "Name a layout with this unit; values are never taken in another unit than stated.",
                details=tuple(wrong),
                line=line,
            )
        )


def looks_like_a_reading(line: str, layout: Layout, width: int) -> bool:
    """Whether a line outside the table has the cells of a reading."""
    cells = [cell.strip() for cell in split_line(line, layout.dialect)]
    filled = [cell for cell in cells if cell]
    return width > 3 and len(cells) == width and 2 * len(filled) > width and any(map(is_figure, filled))


def _hold_if_readings(before: Sequence[tuple[int, str]], layout: Layout, width: int) -> None:
    """Hold a file whose header comes after lines that look like readings: they would be lost as preamble."""
    for number, line in before:
        if looks_like_a_reading(line, layout, width):
            raise HoldFile(
                Held(
                    "readings_before_header",
                    f"Line {number} stands before the header and has the cells of a reading.",
                    "Was the file put together from several? Load them one by one. If the line says nothing, name it in "
                    "dialect.commentRows of the layout.",
                    line=number,
                )
            )


def is_figure(text: str) -> bool:
    """Whether a cell has digits and no letter."""
    return any(mark.isdigit() for mark in text) and not any(mark.isalpha() for mark in text)


def read_head(lines: Sequence[str], layout: Layout, file_name: str | None = None) -> Head:
    """Read preamble, header and units.

    Parameters
    ----------
    lines
        The first lines of the file, without line ends.
    layout
        What to expect.
    file_name
        Name of the file, without its folder; None where it is not to be looked at.

    Returns
    -------
    Head
        With the columns of the file, in order, and the number of lines used up.

    Raises
    ------
    HoldFile
        If anything differs from the layout.
    """
    dialect, head = layout.dialect, Head()
    blank = {n for n, line in enumerate(lines) if not line.strip(dialect.delimiter + " \t")}
    comments = {
        n
        for n, line in enumerate(lines)
        if n + 1 in dialect.comment_rows or (dialect.comment_char and line.startswith(dialect.comment_char))
    }
    first = _first_section(lines, layout, blank | comments)
    if dialect.header:
        at, columns = _find_header(lines, layout, blank | comments)
        end = at + dialect.header_height
        head.columns, head.header_texts = tuple(columns), tuple(lines[at:end])
        head.header_first = at < first
        head.counts["header"] = end - at
        if dialect.units_row:
            while end < len(lines) and end in blank | comments:
                end += 1
            if end >= len(lines):
                raise HoldFile(
                    Held(
                        "units_missing",
                        "The line of units after the header is missing.",
                        "Export again, or declare dialect.unitsRow = false in the layout.",
                    )
                )
            check_units(split_line(lines[end], dialect), columns, layout, end + 1)
            head.units_text, head.counts["units"] = lines[end], 1
            end += 1
    else:
        at = end = min(dialect.preamble_rows if layout.sections is None else first, len(lines))
        head.columns = tuple(FileColumn(n, one.name, one) for n, one in enumerate(layout.fields))
    if not head.header_first:  # the section's own lines, header and units among them, are told later
        at = end = first
        head.counts["header"] = head.counts["units"] = 0
    head.before, head.lines = at, end
    head.counts["blank"] = sum(n in blank and n not in comments for n in range(end))
    head.counts["preamble"] = end - head.counts["blank"] - head.counts["header"] - head.counts["units"]
    before = [(n + 1, lines[n]) for n in range(at) if n not in blank | comments]
    if dialect.header:
        _hold_if_readings(before, layout, len(head.columns))
    read_preamble(before, layout, head, file_name)
    return head


def _first_section(lines: Sequence[str], layout: Layout, passed: set[int]) -> int:
    """Return the place of the line that begins the first section, or one after the last where there are no sections.

    Raises
    ------
    HoldFile
        If no line begins one.
    """
    if layout.sections is None:
        return len(lines)
    begin = layout.sections.begin
    found = next((n for n, line in enumerate(lines) if n not in passed and begin.match(line)), None)
    if found is None:
        raise HoldFile(
            Held(
                "section_missing",
                f"No line begins a section as layout {layout.name} declares: {begin.pattern}.",
                "Name another layout, or let `annealog layout suggest` propose one.",
            )
        )
    return found
