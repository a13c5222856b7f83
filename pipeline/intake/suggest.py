"""Proposes a layout for an unknown file, with what is open stated. Serves people; nothing is ever loaded by it.

What cannot be read off the file (unit, temperature state, order of day and month, zone, meaning of codes) stands as OPEN
in the layout, which therefore cannot be used until a person has answered.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.errors import UsageError
from pipeline.intake.layout import OPEN, parse_layout
from pipeline.intake.reader import read
from pipeline.intake.reading import HoldFile
from pipeline.intake.sniff import decoded, look_at
from pipeline.intake.suggest_fields import Draft, draft_fields
from pipeline.intake.workbooks.cell_text import plain_text
from pipeline.intake.workbooks.reading import is_workbook, sheets_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.intake.reading import FileReading
    from pipeline.intake.sniff import Shape

__all__ = ["Question", "Suggestion", "suggest"]

_PREVIEW_ROWS = 5
_END_OF_CALENDAR = datetime(9999, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Question:
    """What the file does not say. `blocking`: the layout holds OPEN at that place."""

    key: str
    text: str
    choices: tuple[str, ...] = ()
    blocking: bool = True


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A proposed layout.

    `layout_text` is complete TOML; `preview` shows the first readings, as they load where nothing is open, else the
    cells under the columns proposed for them. `tried` is what the whole file gave under it, where nothing is open.
    """

    layout_text: str
    questions: tuple[Question, ...]
    preview: pl.DataFrame
    tried: FileReading | None = None

    @property
    def complete(self) -> bool:
        """Whether nothing is open, and the layout was tried on the whole file and lost no line."""
        tried = self.tried
        return tried is not None and tried.held is None and tried.readings.height > 0 and not tried.quarantine.height

    @property
    def lost(self) -> tuple[str, ...]:
        """What stands against the layout after it was tried: why the file would be held, or each line that is refused."""
        if self.tried is None:
            return ()
        if self.tried.held is not None:
            held = self.tried.held
            return (f"the file would be held: {held.sentence} {held.what_to_do}", *held.details)
        rows = self.tried.quarantine.iter_rows(named=True)
        return tuple(f"line {row['line']}: {row['sentence']}" for row in rows)


def suggest(
    data: bytes,
    name: str,
    *,
    answers: Mapping[str, str] | None = None,
    listed: Mapping[str, frozenset[str]] | None = None,
    site_zone: str = "UTC",
    plausible_ms_per_m: tuple[float, float] = (0.5, 65.0),
    now: datetime = _END_OF_CALENDAR,
) -> Suggestion:
    """Propose a layout for a file.

    Parameters
    ----------
    data
        The file.
    name
        Its name, from which the layout gets one.
    answers
        Answers to questions asked before, by their key.
    listed
        Names in the registers of the workspace (blocks, lots, studies); None outside one: then every block and lot of the
        file counts as known.
    site_zone
        Zone of the site.
    plausible_ms_per_m
        Range of values that can be, for the preview.
    now
        Time for the preview; a meter's clock ahead of it is not believed.

    Returns
    -------
    Suggestion

    Raises
    ------
    errors.UsageError
        If the file holds no table.
    """
    given = dict(answers or {})
    sheet = _sheet(data, given) if is_workbook(data) else None
    encoding, text, words = decoded(data) if sheet is None else ("utf-8", sheet.text, ())
    if sheet is None and "encoding" in given:
        encoding = given["encoding"]
        text = data.decode(encoding, "replace")
    shape = look_at(text, encoding)
    draft = draft_fields(shape, given, frozenset() if listed is None else listed["blocks"])
    questions = [Question(one.key, one.text, one.choices, one.blocking) for one in draft.open]
    if sheet is not None and len(sheet.others) > 1 and "sheet" not in given:
        listing = tuple(sheet.others)
        questions.insert(0, Question("sheet", f"Which sheet holds the readings? Shown is '{sheet.name}'.", listing))
    if words and "encoding" not in given:
        read_as = ", ".join(words)
        questions.append(
            Question(
                "encoding",
                f"The encoding is guessed to be {encoding}. Do these words read right: {read_as}?",
                ("cp1252", "cp1250", "cp850", "mac_roman"),
                blocking=False,
            )
        )
    if not shape.ends_with_newline and "final_newline" not in given:
        questions.append(
            Question(
                "final_newline",
                "The last line has no line end. Was the export cut off (then its last line is "
                "refused), or does this meter never write one?",
                ("true", "false"),
                blocking=False,
            )
        )
    layout_text = _toml(name, shape, draft, given)
    if sheet is not None and len(sheet.others) > 1:
        ignored = [one for one in sheet.others if one != sheet.name]
        chosen = _quoted(given.get("sheet", OPEN))
        layout_text += f"\n[workbook]\nsheets = [{chosen}]\nignoreSheets = {_value('ignoreSheets', ignored)}\n"
    questions.sort(key=lambda question: not question.blocking)
    if any(question.blocking for question in questions):
        return Suggestion(layout_text, tuple(questions), _cells_preview(shape, draft))
    if listed is None:
        listed = {"blocks": frozenset(draft.blocks), "lots": frozenset(draft.names), "studies": frozenset()}
    tried = read(
        data,
        name=name,
        layout=parse_layout(layout_text, "the proposed layout"),
        plausible_ms_per_m=plausible_ms_per_m,
        site_zone=site_zone,
        listed=listed,
        now=now,
        size_cap_bytes=len(data),
    )
    first = tried.readings.head(_PREVIEW_ROWS) if tried.held is None else pl.DataFrame({"held": [tried.held.sentence]})
    return Suggestion(layout_text, tuple(questions), first, tried)


@dataclass(frozen=True, slots=True)
class _Sheet:
    """The sheet of a workbook that is looked at, as lines of cells with tabs between, and the names of all that are filled."""

    name: str
    text: str
    others: tuple[str, ...]


def _sheet(data: bytes, given: Mapping[str, str]) -> _Sheet:
    """Return the sheet named in an answer, else the first visible one that is filled.

    Raises
    ------
    errors.UsageError
        If there is none, or the workbook cannot be read.
    """
    try:
        sheets = [sheet for sheet in sheets_of(data) if sheet.rows and not sheet.hidden]
    except HoldFile as stop:
        raise UsageError(f"{stop.held.sentence} {stop.held.what_to_do}") from None
    wanted = [sheet for sheet in sheets if sheet.name == given.get("sheet", sheet.name)]
    if not wanted:
        listed = ", ".join(sheet.name for sheet in sheets) or "none"
        raise UsageError(f"The workbook has no visible sheet {given.get('sheet', '')!r} with cells. Filled: {listed}.")
    width = max(len(row) for row in wanted[0].rows)
    lines = []
    for row in wanted[0].rows:
        whole = 2 * len(row) > width  # a row ends with its last filled cell; what ends early is no row of the table
        lines.append("\t".join([*map(plain_text, row), *[""] * (width - len(row) if whole else 0)]))
    text = "".join(f"{line}\n" for line in lines)
    return _Sheet(wanted[0].name, text, tuple(sheet.name for sheet in sheets))


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _pattern(text: str) -> str:
    return _quoted(text) if "'" in text or not text.isprintable() else f"'{text}'"


def _table(values: Mapping[str, str]) -> str:
    return "{ " + ", ".join(f"{_quoted(key)} = {_quoted(value)}" for key, value in values.items()) + " }"


def _inline(entries: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return lines of a list of tables, one a line."""
    return [
        "  { " + ", ".join(f"{key} = {_value(key, value)}" for key, value in one.items()) + " }," for one in entries
    ]


def _value(key: str, value: Any) -> str:
    if isinstance(value, dict):
        return _table(value)
    if isinstance(value, list):
        return f"[{', '.join(_quoted(text) for text in value)}]"
    if isinstance(value, bool | int):
        return str(value).lower()
    return _pattern(value) if key in ("namePattern", "pattern") else _quoted(value)


def _toml(name: str, shape: Shape, draft: Draft, given: Mapping[str, str]) -> str:
    """Write the layout."""
    stem = re.sub(r"[^A-Za-z0-9]+", "_", name.rpartition(".")[0] or name).strip("_") or "export"
    out = [
        f"# Proposed from {_quoted(name)}. Read it, answer every {OPEN}, give it a name, keep it in layouts/.",
        f"name = {_quoted(stem.lower())}",
        "version = 1",
        'title = "Proposed layout"',
        f'shape = "{"wide" if draft.wide else "long"}"',
    ]
    if draft.role_by_column:
        out.append("roleByColumn = true")
    if draft.zone is not None:
        out.append(f"zone = {_quoted(draft.zone)}")
    out += [
        "",
        "[dialect]",
        f"encoding = {_quoted(shape.encoding)}",
        f"delimiter = {_quoted(shape.delimiter)}",
        f"lineTerminator = {_quoted(shape.line_terminator)}",
    ]
    if shape.join_delimiters:
        out.append("joinDelimiters = true")
    if shape.spaces_around:
        out.append("trimCells = true")
    if shape.comments:
        out.append('commentChar = "#"')
    if shape.header is None:
        out += ["header = false", f"preambleRows = {len(shape.preamble)}"]
    if shape.header_lines > 1:
        out.append(f"headerLines = {shape.header_lines}")
    if shape.units is not None:
        out.append("unitsRow = true")
    out.append(f"finalNewline = {'false' if given.get('final_newline') == 'false' else 'true'}")
    out += ["", "[schema]", 'fieldsMatch = "exact"', f"decimalChar = {_quoted(draft.decimal)}"]
    if draft.group:
        out.append(f"groupChar = {_quoted(draft.group)}")
    for field in draft.fields:
        out += ["", "[[schema.fields]]"]
        out += [f"{key} = {_value(key, value)}" for key, value in field.items()]
    if draft.preamble:
        out += ["", "[preamble]"]
        if draft.preamble_separator:
            out.append(f"separator = {_quoted(draft.preamble_separator)}")
        out += ["keys = [", *_inline(draft.preamble), "]"]
    if "file_name" in given:
        out += ["", "[fileName]", f"pattern = {_pattern(given['file_name'])}"]
    if draft.sections is not None:
        out += ["", "[sections]", f"begin = {_pattern(draft.sections['begin'])}"]
        if draft.sections["separator"]:
            out.append(f"separator = {_quoted(draft.sections['separator'])}")
        for key in ("keys", "statistics"):
            if draft.sections[key]:
                out += [f"{key} = [", *_inline(draft.sections[key]), "]"]
    if draft.routes:
        out += ["", "[routes]", "rules = [", *_inline(draft.routes), "]"]
    if draft.constants:
        out += ["", "[constants]"]
        out += [
            f"{key} = {value if key == 'year' and value.isdigit() else _quoted(value)}"
            for key, value in draft.constants.items()
        ]
    if draft.non_readings:
        out += [
            "",
            "[nonReadings]",
            *(f"{_quoted(key)} = {_quoted(value)}" for key, value in draft.non_readings.items()),
        ]
    if draft.footer_pattern:
        out += ["", "[footer]", f"pattern = {_pattern(draft.footer_pattern)}"]
        listed = ", ".join(
            f"{{ label = {_quoted(label)}, statistic = {_quoted(statistic)}, cell = {cell} }}"
            for label, statistic, cell in draft.footer_statistics
        )
        out.append(f"statistics = [{listed}]")
    return "\n".join(out) + "\n"


def _cells_preview(shape: Shape, draft: Draft) -> pl.DataFrame:
    """Show the first cells as they stand, under their names and the columns proposed for them."""
    labels: list[str] = []
    for field in draft.fields:
        target = field.get("column", "ignored")
        names = [name for name in shape.header or () if "namePattern" in field and name not in labels]
        count = field.get("replicates", 1)
        for number in range(count):
            name = field["name"] if "name" in field else names[number] if number < len(names) else str(number + 1)
            label = f"{name} -> {target}"
            labels.append(label if label not in labels else f"{label} ({len(labels) + 1})")
    rows = [[cell or None for cell in row] for row in shape.rows[:_PREVIEW_ROWS]]
    return pl.DataFrame(rows, schema=dict.fromkeys(labels, pl.String), orient="row")
