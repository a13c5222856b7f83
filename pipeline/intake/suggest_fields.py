"""The draft of a layout: fields, preamble, constants and footer of an unknown file, and what is open about them."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

from pipeline.errors import UsageError
from pipeline.intake.layout import OPEN
from pipeline.intake.sniff import is_number
from pipeline.intake.suggest_cells import codes, date_formats, marks, month_names
from pipeline.intake.suggest_columns import FoundColumn, find_columns, language_of_columns
from pipeline.intake.suggest_words import statistic_of, target_of_name
from pipeline.intake.text import has_offset, has_year
from pipeline.intake.units_text import COLUMN_UNITS, spelled_unit, unit_in_name
from schemas.tables import READING, ROLES, TEMPERATURE_SOURCES, TEMPERATURE_STATES, UNITS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from pipeline.intake.sniff import Shape, ShapeOfSections

__all__ = ["Draft", "OpenPoint", "draft_fields"]

_NOT_OF_A_KEY = ("value", "standard_deviation", "count", "sequence")
_CARRIED = ("lot", "block", "name", "meter", "role", "part", "spot", "operator", "probe")
_CHOICES: dict[str, tuple[str, ...]] = {
    "role": ROLES,
    "temperature_state": TEMPERATURE_STATES,
    "temperature_source": TEMPERATURE_SOURCES,
    "unit": UNITS,
}
_TEXT = {"name", *(name for name, dtype in READING.polars_schema.items() if str(dtype) == "String")}


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
    role_by_column: bool = False
    zone: str | None = None
    decimal: str = "."
    group: str | None = None
    preamble: list[dict[str, Any]] = field(default_factory=list)
    preamble_separator: str | None = None
    sections: dict[str, Any] | None = None
    routes: list[dict[str, str]] = field(default_factory=list)
    constants: dict[str, str] = field(default_factory=dict)
    non_readings: dict[str, str] = field(default_factory=dict)
    footer_pattern: str | None = None
    footer_statistics: list[tuple[str, str, int]] = field(default_factory=list)
    blocks: set[str] = field(default_factory=set)
    names: set[str] = field(default_factory=set)


class _Drafter:
    """Fills a draft, asking the given answers first."""

    def __init__(self, shape: Shape, given: Mapping[str, str], known_blocks: frozenset[str]) -> None:
        self.shape, self.given, self.draft, self.known_blocks = shape, given, Draft(), known_blocks
        self.language = language_of_columns(shape)
        heads = [] if shape.sections is None else [line for head in shape.sections.heads for line in head]
        self.separator, self.outside = self.keys_in(shape.preamble)
        self.head_separator, self.in_heads = self.keys_in(heads)
        self.columns: list[FoundColumn] = []
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
        have = {column.target for column in columns}
        for column in columns:
            if column.target == "lot" and "role" not in have and self.known_blocks & set(column.cells):
                column.target = "name"  # blocks stand among the lots: the registers tell them apart
        dated = {target_of_name(key, self.language) for key in (*self.outside, *self.in_heads)} & {"measured_date"}
        if "measured_time" in have and "measured_date" not in have and not dated:
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
        made |= self.cells(column, target)
        if target in _CARRIED and column.pattern is None and self.stands_once(column.name):
            answer = self.ask(
                f"fill_down:{column.name}",
                f"Column '{column.name}' is empty in lines below one that says '{column.cells[0]}'. Does that hold for them, too?",
                ("yes", "no"),
            )
            made |= {OPEN: True} if answer == OPEN else {"fillDown": True} if answer == "yes" else {}
        return made

    def stands_once(self, name: str) -> bool:
        """Whether a column is filled in the first line of several alone, and nothing else says what it would."""
        names = [one.name for one in self.columns if one.pattern is None]
        if len(names) < len(self.columns) or name not in names:
            return False
        place = names.index(name)
        others = [n for n, one in enumerate(self.columns) if one.target in ("lot", "block") and n != place]
        empty = [row for row in self.shape.rows if not row[place]]
        return len(empty) > len(self.shape.rows) // 4 and not any(row[n] for row in empty for n in others)

    def cells(self, column: FoundColumn, target: str) -> dict[str, Any]:
        """How the cells are written, and what they fill."""
        made: dict[str, Any] = {"column": target}
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
        if target == "name":
            self.draft.names |= set(column.cells)
        return made

    def number(self, column: FoundColumn, target: str) -> dict[str, Any]:
        made: dict[str, Any] = {"type": "number"}
        if target == "value":
            self.draft.non_readings = {
                text: re.sub(r"\W+", "_", text).strip("_").lower() or "no_reading" for text in codes(column.cells)
            } | self.pairs("codes")
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

    def pairs(self, key: str) -> dict[str, str]:
        """Return an answer such as ``B=block,P=part``."""
        pairs = (pair.partition("=") for pair in self.given.get(key, "").split(",") if pair.strip())
        return {word.strip(): meaning.strip() for word, _, meaning in pairs}

    def words(self, column: FoundColumn, target: str) -> dict[str, Any]:
        """Translate a column with a closed list of values."""
        allowed = _CHOICES[target]
        distinct = list(dict.fromkeys(column.cells))
        if all(text in allowed for text in distinct):
            return {}
        key = f"values:{column.name}"
        if key in self.given:
            return {"values": self.pairs(key)}
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

    def keys_in(self, lines: Sequence[str]) -> tuple[str | None, dict[str, tuple[str, ...]]]:
        """Return the mark between keys and values where it is not the delimiter, and the values of each key."""
        mark = self.shape.delimiter
        lines = [line for line in lines if line.strip(mark + " \t")]
        counts = {
            sign: sum(
                re.match(rf"[^{sign}]{{1,40}}{sign}\s*[^\s{re.escape(mark)}]", line) is not None for line in lines
            )
            for sign in (":", "=")
        }
        with_delimiter = sum(mark in line.strip(mark + " ") for line in lines) if mark != " " else 0
        best = max(counts, key=lambda sign: counts[sign])
        separator = best if counts[best] > with_delimiter else None
        found: dict[str, tuple[str, ...]] = {}
        for line in lines:
            key, _, rest = line.partition(separator or mark)
            values = (
                [cell.strip() for cell in rest.split(mark) if cell.strip()]
                if separator is None
                else [rest.strip(mark + " \t")]
            )
            key = key.strip().rstrip(":").strip()
            if key and values and values[0]:
                unit = (
                    f" {values[1]}"
                    if len(values) > 1 and spelled_unit(values[1], {}) and values[0][0].isdigit()
                    else ""
                )
                found[key] = (*found.get(key, ()), values[0].strip('"') + unit)
        return separator, found

    def preamble(self, have: set[str]) -> None:
        self.draft.preamble_separator = self.separator
        self.draft.preamble = [made for made in self.keys(self.outside.items(), have) if made]

    def keys(self, found: Iterable[tuple[str, tuple[str, ...]]], have: set[str]) -> list[dict[str, Any]]:
        """Say what keys fill that no column does."""
        made = []
        for key, values in found:
            parts = unit_in_name(key)
            unit = spelled_unit(parts[1], {}) if parts is not None else None
            word = parts[0] if parts is not None and unit is not None else key
            target = self.given.get(f"column:{key}") or target_of_name(word, self.language)
            dated = target in ("measured_at", "measured_date", "measured_time")
            if target in (None, "ignore", *_NOT_OF_A_KEY) or target in have or (dated and "measured_at" in have):
                continue
            if (
                target in ("measured_date", "measured_time")
                and not {"measured_date", "measured_time"} - {target} & have
            ):
                continue  # half a time, and the other half nowhere
            if target not in _TEXT and not dated and not all(re.match(r"[+-]?[.,]?\d", value) for value in values):
                continue
            if target not in _TEXT and not dated:
                split = [re.fullmatch(r"(.*?\d[\d.,]*)\s*([^\d\s.,].*)?", value) for value in values]
                unit = unit or next((spelled_unit(one[2], {}) for one in split if one and one[2]), None)
                values = tuple(one[1] if one else value for one, value in zip(split, values, strict=True))
            entry = {"key": key} | self.cells(FoundColumn(key, target, unit, False, values), target)
            made.append(entry)
            have.add(target)
        return made

    def sections(self, shape: ShapeOfSections, have: set[str]) -> None:
        """Say what begins a section, what its head states and which figures follow its readings."""
        named = re.sub(r"[\s:=]+$", "", shape.prefix).strip(self.shape.delimiter + " ")
        target = target_of_name(named, self.language)
        target = target if target in ("lot", "block", "part") and target not in have else "name"
        if all(re.fullmatch(r"\d{0,4}", name) for name in shape.names):
            target = self.ask(
                "section",
                f"What does '{shape.names[0]}' in '{shape.prefix}{shape.names[0]}' name?",
                ("ignore", "lot", "block", "part", "run", "name"),
            )
        elif target == "block" and self.known_blocks and not set(shape.names) <= self.known_blocks:
            target = "name"
        target = self.given.get("section", target)
        mark = re.escape(self.shape.delimiter)
        begin = re.escape(shape.prefix).replace("\\ ", " ")
        if target not in ("ignore", OPEN):
            begin += rf"(?P<{target}>[^{mark}]*[^{mark}\s])"
            have.add(target)
            if target == "block":
                self.draft.blocks |= set(shape.names)
            if target == "name":
                self.draft.names |= set(shape.names)
        keys = self.keys(self.in_heads.items(), have)
        for entry in keys:
            if len(self.in_heads[entry["key"]]) < len(shape.heads):
                entry["required"] = False
        self.draft.sections = {"begin": begin, "separator": self.head_separator, "keys": keys, "statistics": []}
        labels: dict[str, list[int]] = {}
        for tail in shape.tails:
            for line in tail:
                cells = [cell.strip() for cell in line.split(self.shape.delimiter)]
                label = next(cell for cell in cells if cell)
                labels.setdefault(label, []).append(next(n for n, cell in enumerate(cells, start=1) if is_number(cell)))
        for label, places in labels.items():
            statistic = statistic_of(label)
            if statistic is not None and len(set(places)) == 1:
                one = {"label": label, "statistic": statistic, "cell": places[0]}
                self.draft.sections["statistics"].append(
                    one | ({} if len(places) == len(shape.tails) else {"required": False})
                )

    def names_told_apart(self, have: set[str]) -> None:
        """Propose routes for names of which none says whether it is a block or a lot."""
        if "name" not in have:
            return
        rules = [{"role": "block", "listed": "blocks"}]
        if "settings" in self.given:
            rules.append({"role": "setting", "pattern": self.given["settings"], "listed": "blocks"})
        rules.append({"role": "part", "listed": "studies"})
        rules.append(
            {"role": "part", **({"pattern": self.given["lots"]} if "lots" in self.given else {"listed": "lots"})}
        )
        self.draft.routes = rules
        some = ", ".join(sorted(self.draft.names)[:4])
        self.note(
            "lots",
            f"Names such as {some} are looked up in reference/blocks.csv, studies.csv and lots.csv. If lots are not entered "
            "before they are read, give the pattern of their names instead, such as KB-\\d+.",
        )
        have |= {"role", "lot", "block", "run"}

    def constants(self, have: set[str]) -> None:
        """Ask for what no column and no preamble says."""
        questions = {
            "meter": "Which meter wrote the file (its name in the register)? If its name stands in the name of the file, answer file_name=PATTERN "
            "with a group, such as (?P<meter>EC-\\d+)_.*",
            "role": "What are the readings: of parts, of blocks, or settings?",
            "temperature_state": "At which temperature are the values stated: at_metal (as read), at_reference (the meter "
            "has corrected them), relative (the meter was set on a block at the block's temperature)?",
        }
        for target, text in questions.items():
            if target in have:
                continue
            choices = _CHOICES.get(target, ())
            if target == "role" and {"lot", "block"} <= have:
                text += " Or does the column that is filled, lot or block, say it (by column)?"
                choices = (*choices, "by column")
            answer = self.ask(target, text, choices)
            have.add(target)
            if answer == "by column":
                self.draft.role_by_column = True
            else:
                self.draft.constants[target] = answer
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
            label = next(cell for cell in cells if cell)
            labels.append(line[: line.index(label) + len(label)])
            statistic = statistic_of(label)
            figures = [n for n, cell in enumerate(cells, start=1) if is_number(cell)]
            if statistic is not None and figures and cells[0] == label:
                self.draft.footer_statistics.append((label, statistic, figures[0]))
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


def compiled(pattern: str) -> re.Pattern[str]:
    """Compile the pattern of an answer.

    Raises
    ------
    UsageError
        If it is none.
    """
    try:
        return re.compile(pattern)
    except re.error as error:
        raise UsageError(f"{pattern!r} is not a regular expression: {error}") from error


def draft_fields(shape: Shape, given: Mapping[str, str], known_blocks: frozenset[str]) -> Draft:
    """Draft a layout.

    Parameters
    ----------
    shape
        Parts of the file.
    given
        Answers by key.
    known_blocks
        Reference blocks in the register.

    Returns
    -------
    Draft
    """
    make = _Drafter(shape, given, known_blocks)
    make.columns = columns = find_columns(shape)
    make.marks(columns)
    make.targets(columns)
    have = {column.target for column in columns if column.target not in (None, OPEN, "ignore")}
    outside = {target_of_name(key, make.language) for key in (*make.outside, *make.in_heads)}
    make.has_unit_column = "unit" in have | outside
    make.draft.fields = [make.field(column) for column in columns]
    known = {target for target in have if target is not None}
    if "file_name" in given:
        known |= set(compiled(given["file_name"]).groupindex)
    if "sheet_name" in given:
        known.add(given["sheet_name"])
    make.preamble(known)
    if shape.sections is not None:
        make.sections(shape.sections, known)
    make.names_told_apart(known)
    make.constants(known)
    make.footer()
    return make.draft
