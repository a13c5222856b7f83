"""The draft of a layout: fields, preamble, constants and footer of an unknown file, and what is open about them."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

from pipeline.intake.sniff import is_number
from pipeline.intake.suggest_cells import codes, date_formats, marks, month_names
from pipeline.intake.suggest_columns import find_columns, target_of_name
from pipeline.intake.text import has_offset, has_year
from pipeline.intake.units_text import COLUMN_UNITS, spelled_unit
from schemas.tables import READING, ROLES, TEMPERATURE_SOURCES, TEMPERATURE_STATES, UNITS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.intake.sniff import Shape
    from pipeline.intake.suggest_columns import FoundColumn

__all__ = ["OPEN", "Draft", "OpenPoint", "draft_fields"]

OPEN = "OPEN"
"""Stands in a proposed layout where only a person can answer; no layout with it can be used."""

_FROM_PREAMBLE = ("meter", "probe", "operator", "lot", "sensor", "run")
_STATISTICS = (
    ("count", r"n|count|number|readings|nr\.?"),
    ("mean", r"mean|average|avg\.?|x̄|x-bar"),
    ("standard_deviation", r"s|sd|std\.?(?:[ _]?dev.*)?|stdev|standard[ _]deviation"),
    ("minimum", r"min\.?|minimum"),
    ("maximum", r"max\.?|maximum"),
)
_CHOICES: dict[str, tuple[str, ...]] = {
    "role": ROLES,
    "temperature_state": TEMPERATURE_STATES,
    "temperature_source": TEMPERATURE_SOURCES,
    "unit": UNITS,
}
_TEXT = {name for name, dtype in READING.polars_schema.items() if str(dtype) == "String"}


@dataclass(frozen=True, slots=True)
class OpenPoint:
    """Something that only a person can answer."""

    key: str
    text: str
    choices: tuple[str, ...] = ()
    blocking: bool = True


@dataclass(slots=True)
class Draft:
    """Parts of a proposed layout."""

    fields: list[dict[str, Any]] = field(default_factory=list)
    open: list[OpenPoint] = field(default_factory=list)
    wide: bool = False
    zone: str | None = None
    decimal: str = "."
    group: str | None = None
    preamble: dict[str, str] = field(default_factory=dict)
    preamble_separator: str | None = None
    constants: dict[str, str] = field(default_factory=dict)
    non_readings: dict[str, str] = field(default_factory=dict)
    footer_pattern: str | None = None
    footer_statistics: list[tuple[str, str, int]] = field(default_factory=list)
    blocks: set[str] = field(default_factory=set)


class _Drafter:
    """Fills a draft, asking the given answers first."""

    def __init__(self, shape: Shape, given: Mapping[str, str]) -> None:
        self.shape, self.given, self.draft = shape, given, Draft()
        self.exponent = False
        self.has_unit_column = False

    def ask(self, key: str, text: str, choices: tuple[str, ...] = ()) -> str:
        """Return the answer given, else note the question and return OPEN."""
        if key in self.given:
            return self.given[key]
        self.draft.open.append(OpenPoint(key, text, choices))
        return OPEN

    def note(self, key: str, text: str, choices: tuple[str, ...] = ()) -> None:
        """Note what was taken from the look of the cells and a person should confirm."""
        if key not in self.given:
            self.draft.open.append(OpenPoint(key, text, choices, blocking=False))

    def marks(self, columns: list[FoundColumn]) -> None:
        cells = [
            cell
            for column in columns
            if column.target not in ("measured_at", "measured_date", "measured_time")
            for cell in column.cells
            if is_number(cell)
        ]
        found = marks(cells)
        decimal = self.given.get("decimal", found.decimal)
        if decimal is None:
            alone = found.example.replace(",", "").replace(".", "")
            decimal = self.ask(
                "decimal", f"Is '{found.example}' a fraction, or {alone}? Name the decimal mark.", (".", ",")
            )
        self.draft.decimal = decimal
        self.draft.group = found.group if found.group != decimal else None
        self.exponent = found.exponent

    def targets(self, columns: list[FoundColumn]) -> None:
        """Ask what the columns are that no name explains."""
        for column in columns:
            answer = self.given.get(f"column:{column.name}")
            if answer is not None:
                column.target = answer
            elif column.target is None:
                some = ", ".join(dict.fromkeys(column.cells[:3])) or "empty"
                column.target = self.ask(
                    f"column:{column.name}",
                    f"What is column '{column.name}' ({some})? Name a column of the table of readings, or 'ignore'.",
                    (*READING.names, "ignore"),
                )
        if "measured_time" in (have := {column.target for column in columns}) and "measured_date" not in have:
            for column in columns:
                if column.target == "measured_time":
                    column.target = "measured_at"

    def field(self, column: FoundColumn) -> dict[str, Any]:
        target = column.target or OPEN
        made: dict[str, Any] = {}
        if column.pattern is not None:
            made |= {"namePattern": column.pattern, "replicates": column.replicates}
            self.draft.wide = True
        else:
            made["name"] = column.name
        if target == "ignore":
            return made | {"ignore": True}
        made["column"] = target
        if target in ("measured_at", "measured_date", "measured_time"):
            made |= self.moment(column, target)
        elif target in ("sequence", "count", "pieces"):
            made["type"] = "integer"
        elif target == "curvature_compensated":
            made["type"] = "boolean"
        elif target not in _TEXT and target != OPEN:
            made |= self.number(column, target)
        elif target in _CHOICES:
            made |= self.words(column, target)
        if target == "block":
            self.draft.blocks |= set(column.cells)
        return made

    def number(self, column: FoundColumn, target: str) -> dict[str, Any]:
        made: dict[str, Any] = {"type": "number"}
        if target == "value":
            self.draft.non_readings = {
                text: re.sub(r"\W+", "_", text).strip("_").lower() or "no_reading" for text in codes(column.cells)
            }
            if self.draft.non_readings:
                listed = ", ".join(f"'{text}' as {name}" for text, name in self.draft.non_readings.items())
                self.note(
                    "codes", f"Among the values stand texts, kept as non-readings: {listed}. Are these their names?"
                )
            if self.exponent:
                made["exponent"] = True
        elif texts := codes(column.cells):
            made["missingValues"] = texts
            self.note(
                f"missing:{column.name}", f"In column '{column.name}' {', '.join(texts)} is taken for an empty cell."
            )
        unit = column.unit
        if column.needs_unit and unit is None and not (target == "value" and self.has_unit_column):
            choices = UNITS if target in ("value", "standard_deviation") else tuple(COLUMN_UNITS[target])
            key = "unit" if target == "value" else f"unit:{column.name}"
            if target == "standard_deviation":
                return made
            unit = self.ask(key, f"In which unit is column '{column.name}' ({', '.join(column.cells[:3])})?", choices)
        if unit is not None and column.needs_unit:
            made["unit"] = unit
            if column.unit_in_header:
                made["unitInHeader"] = True
        return made

    def words(self, column: FoundColumn, target: str) -> dict[str, Any]:
        """Translate a column with a closed list of values."""
        allowed = _CHOICES[target]
        distinct = list(dict.fromkeys(column.cells))
        if all(text in allowed for text in distinct):
            return {}
        key = f"values:{column.name}"
        if key in self.given:
            pairs = (pair.partition("=") for pair in self.given[key].split(","))
            return {"values": {word.strip(): meaning.strip() for word, _, meaning in pairs}}
        meanings: dict[str, str] = {}
        for text in distinct:
            known = text if text in allowed else spelled_unit(text, {}) if target == "unit" else None
            meanings[text] = known if known in allowed else OPEN
        if OPEN in meanings.values():
            self.ask(
                key,
                f"What do the words of column '{column.name}' mean: {', '.join(distinct)}? Answer as "
                f"{distinct[0]}={allowed[0]},...",
                allowed,
            )
        return {"values": meanings}

    def moment(self, column: FoundColumn, target: str) -> dict[str, Any]:
        kind = {"measured_at": "datetime", "measured_date": "date", "measured_time": "time"}[target]
        key = f"format:{column.name}"
        names, cells = month_names(column.cells)
        found = [self.given[key]] if key in self.given else date_formats(cells, kind)
        if not found:
            example = column.cells[0] if column.cells else ""
            return {
                "type": kind,
                "format": self.ask(
                    key,
                    f"How is '{example}' in column '{column.name}' written? Answer "
                    "with words such as %d.%m.%Y %H:%M:%S.",
                ),
            }
        form = found[0]
        day_first = {text: _day_first(text) for text in found}
        if len(set(day_first.values())) > 1:
            example = column.cells[0]
            day = next(text for text in found if day_first[text])
            month = next(text for text in found if not day_first[text])
            said = " or ".join(_in_words(example, text) for text in (day, month))
            answer = self.ask("date_order", f"Is '{example}' {said}?", ("day first", "month first"))
            form = {"day first": day, "month first": month}.get(answer, OPEN)
        if form != OPEN:
            if kind != "date":
                self.draft.zone = (
                    None
                    if has_offset(form, kind)
                    else self.ask("zone", "In which zone are the times (an IANA name such as Europe/Oslo, or 'site')?")
                )
            if kind != "time" and not has_year(form, kind):
                self.draft.constants["year"] = self.ask("year", "The dates have no year. Which year is it?")
        elif kind != "date":
            self.draft.zone = self.ask(
                "zone", "In which zone are the times (an IANA name such as Europe/Oslo, or 'site')?"
            )
        return {"type": kind, "format": form} | ({} if names is None else {"monthNames": list(names)})

    def preamble(self, have: set[str]) -> None:
        lines = [line for line in self.shape.preamble if line.strip(self.shape.delimiter + " \t")]
        colons = [line for line in lines if re.match(r"[^:]{1,40}:\s*\S", line)]
        with_delimiter = [line for line in lines if self.shape.delimiter in line.strip(self.shape.delimiter)]
        if len(colons) > len(with_delimiter):
            self.draft.preamble_separator = ":"
        mark = self.draft.preamble_separator or self.shape.delimiter
        for line in lines:
            key, found, value = line.partition(mark)
            key = key.strip().rstrip(":").strip()
            target = target_of_name(key)
            if found and value.strip(mark + " ") and target in _FROM_PREAMBLE and target not in have:
                self.draft.preamble[key] = target
                have.add(target)

    def constants(self, have: set[str]) -> None:
        """Ask for what no column and no preamble says."""
        questions = {
            "meter": "Which meter wrote the file (its name in the register)?",
            "role": "What are the readings: of parts, of blocks, or settings?",
            "temperature_state": "At which temperature are the values stated: at_metal (as read), at_reference (the meter "
            "has corrected them), relative (the meter was set on a block at the block's temperature)?",
        }
        for target, text in questions.items():
            if target not in have:
                self.draft.constants[target] = self.ask(target, text, _CHOICES.get(target, ()))
                have.add(target)
        if any(field.get("column") == OPEN for field in self.draft.fields):
            return  # the answers to those columns may say the rest
        if "value" not in have:
            self.ask("value", "Which column holds the values? Answer as column:NAME = value.")
        if not {"measured_at", "measured_date"} & have:
            self.ask("measured_at", "Which column holds the time? Answer as column:NAME = measured_at.")
        if not {"lot", "block"} & have:
            missing = "block" if self.draft.constants.get("role") in ("block", "setting") else "lot"
            self.draft.constants[missing] = self.ask(
                missing, f"The file names no lot and no block. Which {missing} is it?"
            )

    def footer(self) -> None:
        labels: list[str] = []
        for line in self.shape.footer:
            cells = [cell.strip() for cell in line.split(self.shape.delimiter)]
            labels.append(cells[0])
            plain = cells[0].lower().rstrip(":")
            statistic = next((name for name, words in _STATISTICS if re.fullmatch(words, plain)), None)
            if statistic is not None and len(cells) > 1 and is_number(cells[1]):
                self.draft.footer_statistics.append((cells[0], statistic, 2))
        if labels:
            self.draft.footer_pattern = "|".join(re.escape(label) for label in dict.fromkeys(labels))


def _day_first(form: str) -> bool:
    day = re.search(r"%-?d", form)
    month = re.search(r"%-?m", form)
    return day is not None and month is not None and day.start() < month.start()


def _in_words(text: str, form: str) -> str:
    plain = form.replace("%-", "%").replace(".%f", "").replace(",%f", "")
    try:
        return f"{datetime.strptime(text[: len(text)], plain):%-d %B}"  # noqa: DTZ007 - shown to a person, never kept
    except ValueError:
        return form


def draft_fields(shape: Shape, given: Mapping[str, str]) -> Draft:
    """Draft a layout.

    Parameters
    ----------
    shape
        Parts of the file.
    given
        Answers by key.

    Returns
    -------
    Draft
    """
    make = _Drafter(shape, given)
    columns = find_columns(shape)
    make.marks(columns)
    make.targets(columns)
    have = {column.target for column in columns if column.target not in (None, OPEN, "ignore")}
    make.has_unit_column = "unit" in have
    make.draft.fields = [make.field(column) for column in columns]
    known = {target for target in have if target is not None}
    make.preamble(known)
    make.constants(known)
    make.footer()
    return make.draft
