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
from pipeline.intake.suggest_words import target_of_name
from pipeline.intake.units_text import unit_in_name
from pipeline.intake.workbooks.parts import as_text, visible_sheets
from pipeline.intake.workbooks.reading import is_workbook
from pipeline.near import nearest

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.intake.reading import FileReading
    from pipeline.intake.sniff import Shape

__all__ = ["Question", "Suggestion", "suggest"]

_PREVIEW_ROWS = 5
_LEAST_NAMES = 3
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
    sheets = _sheets(data) if is_workbook(data) else []
    chosen = _chosen(sheets, given)
    turned = given.get("transposed") == "true"
    encoding, text, words = decoded(as_text(data, chosen[0], transposed=turned) if chosen else data)
    if "encoding" in given and not chosen:
        encoding = given["encoding"]
        try:
            text = data.decode(encoding, "replace")
        except (LookupError, ValueError):
            raise UsageError(
                f"encoding={encoding}: no encoding of text has that name. Expected one such as utf-8, cp1252, cp1250, cp850 or mac_roman."
            ) from None
    shape = look_at(text, encoding)
    draft = draft_fields(shape, given, frozenset() if listed is None else listed["blocks"])
    questions = [Question(one.key, one.text, one.choices, one.blocking) for one in draft.open]
    questions += _about_sheets(sheets, given)
    if chosen and "transposed" not in given and _seems_turned(data, chosen[0]):
        what = "The first column holds more names of columns than a row does. Do the readings stand in columns?"
        # nothing else can be asked of a table that is read the wrong way
        questions = [Question("transposed", what, ("true", "false"), blocking=True)]
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
    layout_text = _toml(name, shape, draft, given, sheets)
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


def _sheets(data: bytes) -> list[str]:
    try:
        return visible_sheets(data)
    except HoldFile as stop:
        raise UsageError(f"{stop.held.sentence} {stop.held.what_to_do}") from None


def _seems_turned(data: bytes, sheet: str) -> bool:
    """Whether the names that are known stand below one another, not side by side."""

    def most(transposed: bool) -> int:
        lines = as_text(data, sheet, transposed=transposed).decode().split("\n")[:_PREVIEW_ROWS]
        return max(len({target_of_name(cell) for cell in line.split("\t")} - {None}) for line in lines)

    across, down = most(transposed=False), most(transposed=True)
    return down >= _LEAST_NAMES and down > across


def _chosen(sheets: Sequence[str], given: Mapping[str, str]) -> list[str]:
    """Return the sheets that a person named, or all."""
    wanted = given.get("sheets", "all")
    if wanted == "all":
        return list(sheets)
    names = [name.strip() for name in wanted.split(",")]
    for name in names:
        if sheets and name not in sheets:
            hint = nearest(name, sheets) or f". It has {', '.join(sheets)}."
            raise UsageError(f"The workbook has no filled sheet {name!r}{hint}")
    return names if sheets else []


def _about_sheets(sheets: Sequence[str], given: Mapping[str, str]) -> list[Question]:
    if len(sheets) < 2:
        return []
    asked = []
    if "sheets" not in given:
        listed = ", ".join(repr(name) for name in sheets)
        text = f"The workbook has the sheets {listed}. Which hold readings, all or some with commas between?"
        asked.append(Question("sheets", text, ("all", *sheets), blocking=True))
    if "sheet_name" not in given and len(_chosen(sheets, given)) > 1:
        text = "Does the name of a sheet say what its readings are of?"
        asked.append(Question("sheet_name", text, ("lot", "block", "part", "meter", "operator"), blocking=False))
    return asked


def _toml(name: str, shape: Shape, draft: Draft, given: Mapping[str, str], sheets: Sequence[str]) -> str:
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
    if sheets and given.get("transposed") == "true":
        out.append("transposed = true")
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
    if len(sheets) > 1:
        chosen = _chosen(sheets, given)
        out += ["", "[workbook]", f"sheets = {_value('', chosen)}"]
        if others := [sheet for sheet in sheets if sheet not in chosen]:
            out.append(f"ignoreSheets = {_value('', others)}")
        if "sheet_name" in given:
            out.append(f"sheetNameFills = {_quoted(given['sheet_name'])}")
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
        pattern = field.get("namePattern")
        plain = {name: (unit_in_name(name) or (name, ""))[0] for name in shape.header or ()}
        names = [name for name in plain if pattern and any(re.fullmatch(pattern, one) for one in (name, plain[name]))]
        count = field.get("replicates", 1)
        for number in range(count):
            name = field["name"] if "name" in field else names[number] if number < len(names) else str(number + 1)
            label = f"{name} -> {target}"
            labels.append(label if label not in labels else f"{label} ({len(labels) + 1})")
    rows = [[cell or None for cell in row] for row in shape.rows[:_PREVIEW_ROWS]]
    return pl.DataFrame(rows, schema=dict.fromkeys(labels, pl.String), orient="row")
