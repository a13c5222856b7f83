"""A file as the text that is read: as it stands, or one text a sheet of a workbook, rows and columns exchanged where declared.

Every row of a sheet becomes one line, so that lines, fates and messages are those of any export.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from pipeline.intake.decoding import CHUNK_BYTES, choose_encoding, chunks
from pipeline.intake.head import LONGEST_HEAD, read_head
from pipeline.intake.preamble import split_line
from pipeline.intake.reading import Held, HoldFile, shown
from pipeline.intake.refusals import REASONS
from pipeline.intake.workbooks.cell_text import column_text, declared_text, plain_text, with_offset
from pipeline.intake.workbooks.reading import Sheet, is_workbook, sheets_of, span_words
from pipeline.intake.workbooks.structure import MOST_CELLS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.intake.layout import Layout
    from pipeline.intake.layout_parts import Cells
    from pipeline.intake.reading import Head
    from pipeline.intake.workbooks.reading import Cell

__all__ = ["Fault", "Part", "as_text", "in_sheet", "parts_of", "visible_sheets"]

_WHAT = {
    "formula": "holds a formula{}, expected a reading as it was taken",
    "error": "holds the error {}, expected a value",
    "percent": "shows a number as a percentage (stored as {}, shown as a hundred times that), expected a plain number",
}


@dataclass(frozen=True, slots=True)
class Fault:
    """A cell that no line of readings may rest on: line from 1, column as the file names it."""

    line: int
    column: str
    reason: str
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A text to be read on its own, and the layout that reads it; `sheet` is None for a file that is text itself."""

    text: bytes
    layout: Layout
    sheet: str | None = None
    faults: tuple[Fault, ...] = ()
    warnings: tuple[str, ...] = ()


def parts_of(data: bytes, layout: Layout, site_zone: str, *, head_only: bool = False) -> list[Part]:
    """Return what is read of a file.

    Parameters
    ----------
    data
        The file.
    layout
        How it is written.
    site_zone
        Zone of times that a workbook stores without an offset.
    head_only
        The lines among which the header is looked for are enough.

    Returns
    -------
    list of Part
        At least one.

    Raises
    ------
    HoldFile
        If the workbook cannot be read, or its sheets are not those that the layout declares.
    """
    if not is_workbook(data):
        return [_transposed_text(data, layout)] if layout.transposed else [Part(text=data, layout=layout)]
    chosen, warnings = _chosen(sheets_of(data), layout)
    parts = []
    for sheet in chosen:
        try:
            part = _part(sheet, layout, site_zone, head_only=head_only)
        except HoldFile as stop:
            raise HoldFile(in_sheet(stop.held, sheet.name)) from None
        parts.append(replace(part, warnings=(*warnings, *part.warnings)))
        warnings = []
    return parts


def visible_sheets(data: bytes) -> list[str]:
    """Return the names of the visible filled sheets of a workbook.

    Raises
    ------
    HoldFile
        If the workbook cannot be read, or has no such sheet.
    """
    names = [sheet.name for sheet in sheets_of(data) if sheet.rows and not sheet.hidden]
    if not names:
        raise HoldFile(Held("empty_file", "The workbook has no filled sheet that is visible.", "Save it again."))
    return names


def as_text(data: bytes, name: str, *, transposed: bool) -> bytes:
    """Return a sheet of a workbook as text, tabs between cells: to look at, before there is a layout."""
    sheet = next(sheet for sheet in sheets_of(data) if sheet.name == name)
    cells = _turned(sheet.rows) if transposed else sheet.rows
    used = sorted({column for row in cells for column, cell in enumerate(row) if cell is not None})
    rows = [_trimmed([row[column] if column < len(row) else None for column in used]) for row in cells]
    # what ends before half of the columns is a title or a key, and no row of the table with empty cells at its end
    width = len(used)
    full = [[*row, *[None] * (width - len(row))] if 2 * len(row) > width else row for row in rows]
    return _encoded(["\t".join(map(plain_text, row)) for row in full])


def in_sheet(held: Held, sheet: str | None) -> Held:
    """Return why a file is held, with the name of the sheet."""
    return held if sheet is None else replace(held, sentence=f"Sheet '{shown(sheet)}': {held.sentence}")


def _chosen(sheets: Sequence[Sheet], layout: Layout) -> tuple[list[Sheet], list[str]]:
    """Return the sheets that the layout reads, and what is told of the others; an undeclared visible one holds the file."""
    rules = layout.workbook
    filled = [sheet for sheet in sheets if sheet.rows]

    def wanted(sheet: Sheet) -> bool:
        if rules.sheets:
            return sheet.name in rules.sheets
        if rules.sheet_pattern is not None:
            return not sheet.hidden and rules.sheet_pattern.fullmatch(sheet.name) is not None
        return not sheet.hidden and sheet.name not in rules.ignore_sheets

    chosen = [sheet for sheet in filled if wanted(sheet)]
    others = [sheet for sheet in filled if not wanted(sheet) and sheet.name not in rules.ignore_sheets]
    missing = [name for name in rules.sheets if name not in {sheet.name for sheet in chosen}]
    visible = [sheet for sheet in others if not sheet.hidden]
    declared = bool(rules.sheets or rules.sheet_pattern)
    listed = ", ".join(f"'{shown(sheet.name)}'{' (hidden)' if sheet.hidden else ''}" for sheet in filled) or "none"
    if not chosen or missing or visible or (not declared and len(chosen) > 1):
        if not filled:
            what = "The workbook has no filled cell."
        elif missing:
            what = f"The workbook has no filled sheet '{shown(missing[0])}'; it has {listed}."
        else:
            what = f"Which sheets hold readings is not declared for {listed}."
        raise HoldFile(
            Held(
                "sheets_mismatch" if filled else "empty_file",
                what,
                "Declare workbook.sheets or workbook.sheetPattern, and workbook.ignoreSheets for the others, in the layout.",
            )
        )
    told = [
        f"hidden_sheet: sheet '{shown(sheet.name)}' is hidden and was not read; {len(sheet.rows)} rows"
        for sheet in others
    ]
    return chosen, told


def _some(what: str, numbers: Sequence[int]) -> str:
    ends = ("s", "are", "were") if len(numbers) > 1 else ("", "is", "was")
    return f"{what}{ends[0]} {span_words(numbers)} {ends[1]} hidden and {ends[2]} read"


def _told(sheet: Sheet) -> list[str]:
    """Say what a person who looks at the sheet does not see, although it was read."""
    told = []
    if sheet.hidden:
        told.append(f"hidden_sheet: sheet '{shown(sheet.name)}' is hidden and was read, as the layout names it")
    rows = [row + 1 for row in sheet.hidden_rows if row < len(sheet.rows) and sheet.rows[row]]
    if rows:
        told.append(f"hidden_rows: sheet '{shown(sheet.name)}': {_some('row', rows)}")
    width = max((len(row) for row in sheet.rows), default=0)
    columns = [n + 1 for first, last in sheet.hidden_columns for n in range(first, min(last + 1, width))]
    if columns:
        told.append(f"hidden_columns: sheet '{shown(sheet.name)}': {_some('column', columns)}")
    return told


def _part(sheet: Sheet, layout: Layout, site_zone: str, *, head_only: bool) -> Part:
    told = [] if head_only else _told(sheet)
    source = sheet.rows[:LONGEST_HEAD] if head_only and not layout.transposed else sheet.rows
    rows: list[list[Cell]] = [list(row) for row in source]
    merged, faults = list(sheet.merged), list(sheet.faults)
    if layout.workbook.merged_cells == "fill":
        _fill(rows, merged)
    if layout.transposed:
        rows = _turned(rows)
        merged = [(left, top, right, bottom) for top, left, bottom, right in merged]
        faults = [(column, row, kind, said) for row, column, kind, said in faults]
    if head_only:
        rows = rows[:LONGEST_HEAD]
    # a column without any cell is the space beside a table, not a column of it
    used = sorted({column for row in rows for column, cell in enumerate(row) if cell is not None})
    rows = [_trimmed([row[column] if column < len(row) else None for column in used]) for row in rows]
    layout = _of_sheet(layout, sheet.name)
    keys = {key.key: key for key in (*layout.preamble.keys, *(layout.sections.all_keys if layout.sections else ()))}
    lines = [_line(row, keys, layout.value_field.decimal_char) for row in rows]
    part = Part(text=b"", layout=layout, sheet=sheet.name, warnings=tuple(told))
    try:
        head = read_head(lines[:LONGEST_HEAD], layout)
    except HoldFile as stop:
        at = stop.held.line
        if at is not None and any(top < at <= bottom + 1 for top, _, bottom, _ in merged):
            what = f"{stop.held.what_to_do} Cells of this row are merged: undo that in the workbook first."
            raise HoldFile(replace(stop.held, what_to_do=what)) from None
        # whoever reads the text finds the same, and says so
        return replace(part, text=_encoded(lines))
    if head_only:
        return replace(part, text=_encoded(lines))
    if layout.workbook.merged_cells == "hold":
        _hold_if_merged(merged, rows, head)
    found = _faults(faults, {column: n for n, column in enumerate(used)}, head, layout)
    layout, body = _body(rows[head.lines :], head, layout, site_zone)
    lines[head.lines :] = [
        own if _label(row) in keys else line
        for own, line, row in zip(lines[head.lines :], body, rows[head.lines :], strict=True)
    ]
    return replace(part, text=_encoded(lines), layout=layout, faults=found)


def _label(row: Sequence[Cell]) -> str:
    """Return what may be a key: the text of the first cell."""
    return row[0].strip().rstrip(":").strip() if row and isinstance(row[0], str) else ""


def _line(row: Sequence[Cell], keys: Mapping[str, Cells], decimal_char: str) -> str:
    """Return a row as it stands, what follows a key as the layout declares it."""
    key = keys.get(_label(row))
    if key is None:
        return "\t".join(plain_text(cell, decimal_char) for cell in row)
    return "\t".join([plain_text(row[0]), *(declared_text(key, cell) for cell in row[1:])])


def _fill(rows: list[list[Cell]], merged: Sequence[tuple[int, int, int, int]]) -> None:
    """Put the text of merged cells into each of them, as far as the sheet is filled."""
    width, left_over = max((len(row) for row in rows), default=0), MOST_CELLS
    for top, left, bottom, right in merged:
        if top >= len(rows) or left >= len(rows[top]):
            continue
        right, bottom = min(right, width - 1), min(bottom, len(rows) - 1)
        left_over -= (bottom - top + 1) * (right - left + 1)
        if left_over < 0:
            raise HoldFile(Held("too_large", "Merged cells overlap too often.", "Save the sheet as CSV."))
        for row in rows[top : bottom + 1]:
            row += [None] * (right + 1 - len(row))
            row[left : right + 1] = [rows[top][left]] * (right + 1 - left)


def _turned(rows: Sequence[Sequence[Cell]]) -> list[list[Cell]]:
    width = max((len(row) for row in rows), default=0)
    if width * len(rows) > MOST_CELLS:
        raise HoldFile(
            Held(
                "too_large",
                f"The table spans {width * len(rows):,} cells; at most {MOST_CELLS:,} can be turned.",
                "Export a shorter time at once.",
            )
        )
    return [_trimmed([row[column] if column < len(row) else None for row in rows]) for column in range(width)]


def _trimmed(row: list[Cell]) -> list[Cell]:
    while row and row[-1] is None:
        row.pop()
    return row


def _of_sheet(layout: Layout, name: str) -> Layout:
    """Return the layout for the text of a sheet: tabs between cells, no quotes, and what the name of the sheet fills."""
    rules, constants = layout.workbook, dict(layout.declared_constants)
    if rules.sheet_name_fills is not None and name:
        found = rules.sheet_pattern.fullmatch(name) if rules.sheet_pattern is not None else None
        constants[rules.sheet_name_fills] = found[1] if found and found.re.groups and found[1] else name
    tabs: dict[str, Any] = {
        "encoding": "utf-8",
        "delimiter": "\t",
        "join_delimiters": False,
        "quote_char": "",
        "line_terminator": "\n",
        "skip_initial_space": False,
        "final_newline": True,
    }
    if layout.transposed:
        tabs |= {"comment_char": None, "comment_rows": ()}
    return layout.model_copy(
        update={"dialect": layout.dialect.model_copy(update=tabs), "declared_constants": constants}
    )


def _encoded(lines: Sequence[str]) -> bytes:
    return "".join(f"{line}\n" for line in lines).encode("utf-8", "replace")


def _hold_if_merged(merged: Sequence[tuple[int, int, int, int]], rows: Sequence[Sequence[Cell]], head: Head) -> None:
    for top, left, bottom, right in merged:
        if head.before <= bottom and top < len(rows):
            raise HoldFile(
                Held(
                    "merged_cells",
                    f"Rows {top + 1} to {bottom + 1}, columns {left + 1} to {right + 1} are merged, in the header or below.",
                    'Undo it, or declare in the layout what it means: workbook.mergedCells = "fill" (its text stands in each '
                    'of the cells) or "first" (in the first alone).',
                    line=top + 1,
                )
            )


def _faults(
    faults: Sequence[tuple[int, int, str, str]], place: dict[int, int], head: Head, layout: Layout
) -> tuple[Fault, ...]:
    by_place = {column.position: column for column in head.columns if column.field.column is not None}
    found = []
    for row, column, kind, said in faults:
        if kind == "formula" and layout.workbook.formulas == "read" and not said:
            continue
        what = _WHAT[kind].format(f" {said}" if kind == "formula" and said else said)
        if row < head.lines:
            if layout.preamble.keys and kind != "percent":
                raise HoldFile(
                    Held(
                        f"{kind}_cell",
                        f"Row {row + 1}, column {column + 1}, before the readings, {what}.",
                        REASONS[f"{kind}_cell"],
                        line=row + 1,
                    )
                )
            continue
        at = by_place.get(place.get(column, -1))
        if at is not None:
            sentence = f"Column '{shown(at.name)}' {what}. {REASONS[f'{kind}_cell']}"
            found.append(Fault(row + 1, at.name, f"{kind}_cell", sentence))
    return tuple(found)


def _body(rows: Sequence[Sequence[Cell]], head: Head, layout: Layout, site_zone: str) -> tuple[Layout, list[str]]:
    """Write the cells below the header, column by column, as their fields declare them."""
    local = with_offset(site_zone) if layout.zone == "offset" else None
    fields, texts, width = list(layout.fields), [], len(head.columns)
    for column in head.columns:
        cells = [row[column.position] if column.position < len(row) else None for row in rows]
        at = [field is column.field for field in layout.fields].index(True)
        fields[at], text = column_text(layout.fields[at], cells, local=local)
        texts.append(text)
    lines = []
    for row, found in zip(rows, zip(*texts, strict=True), strict=True):
        # what ends before half of the columns is no reading where lines of another kind are declared
        short = layout.footer is not None and 2 * len(row) <= width
        more = [plain_text(cell) for cell in row[width:]]
        lines.append("\t".join((*(found[: len(row)] if short else found), *more)))
    table = layout.table.model_copy(update={"fields": tuple(fields)})
    return layout.model_copy(update={"table": table}), lines


def _transposed_text(data: bytes, layout: Layout) -> Part:
    """Return the text of a file whose readings stand in columns, with its rows and columns exchanged."""
    dialect = layout.dialect
    rows: list[list[Cell]] = []
    number = 0
    for chunk in chunks(data, choose_encoding(data, dialect.encoding), dialect.line_terminator, CHUNK_BYTES):
        if chunk.unfinished and dialect.final_newline:
            raise HoldFile(
                Held(
                    "truncated",
                    "The last line has no line end, and every reading has a cell in it.",
                    "Export again. If this meter never writes one, declare dialect.finalNewline = false.",
                )
            )
        for line in chunk.text.decode("utf-8").split("\n")[:-1]:
            number += 1
            if number in dialect.comment_rows or (dialect.comment_char and line.startswith(dialect.comment_char)):
                continue
            rows.append([cell if cell.strip() else None for cell in split_line(line, dialect)])
    sheet = Sheet(name="", hidden=False, rows=rows, merged=(), hidden_rows=(), hidden_columns=(), faults=())
    return replace(_part(sheet, layout, "UTC", head_only=False), sheet=None)
