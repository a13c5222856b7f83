"""A layout: how one kind of export is written. One TOML file; its keys are declared here, once, for parser and JSON Schema.

Words follow Frictionless Table Dialect and Table Schema where these have a word (``delimiter``, ``quoteChar``,
``decimalChar``, ``missingValues``, ``fieldsMatch``, ``constraints`` ...); what meters need beyond them has our own.
"""

from __future__ import annotations

import codecs
import re
from re import Pattern
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    WithJsonSchema,
    model_validator,
)
from pydantic.alias_generators import to_camel

from pipeline.intake.layout_errors import Wrong, nearest, read_toml, refused
from pipeline.intake.text import has_offset, has_year, moment_grammar
from pipeline.intake.units_text import COLUMN_UNITS
from schemas.tables import READING, UNITS

__all__ = [
    "Cells",
    "Constraints",
    "Dialect",
    "Footer",
    "FooterStatistic",
    "Layout",
    "LayoutField",
    "PreambleKey",
    "WorkbookRules",
    "json_schema",
    "parse_layout",
]

_ONLY_INTAKE = ("line", "replicate", "clock", "value_ms_per_m", "non_reading")
TARGETS = (*(name for name in READING.names if name not in _ONLY_INTAKE), "measured_date", "measured_time")
"""What a field can fill: columns of the table of readings, or a date and a time that make up ``measured_at``."""
_CONSTANT = frozenset(READING.names) - {*_ONLY_INTAKE, "measured_at", "value", "unit"}
_CLOSED = {column.name: column.allowed for column in READING if column.allowed is not None and column.name != "clock"}
_UNITS = tuple(dict.fromkeys([*UNITS, *(unit for units in COLUMN_UNITS.values() for unit in units)]))
_TYPES = {"measured_at": "datetime", "measured_date": "date", "measured_time": "time", "Float64": "number"}
_TYPES |= {"Int64": "integer", "Boolean": "boolean"}


def _one_of(words: tuple[str, ...]) -> Any:
    """Return what refuses a text that is none of some words, and tells editors which there are."""

    def check(text: str) -> str:
        if text not in words:
            raise Wrong(f"found {text!r}, expected one of {', '.join(words)}{nearest(text, words)}")
        return text

    return AfterValidator(check), Field(json_schema_extra={"enum": list(words)})


def _compiled(text: Any) -> Any:
    if not isinstance(text, str | Pattern):
        raise Wrong(f"found {text!r}, expected a text")
    try:
        return re.compile(text)
    except re.error as error:
        raise Wrong(f"{text!r} is not a regular expression: {error}") from error


def _encoding(text: str) -> str:
    try:
        name = codecs.lookup(text).name.replace("utf-8-sig", "utf-8")
        "".encode(name)
    except LookupError as error:
        words = "utf-8, cp1252, utf-16 or another name that Python knows"
        raise Wrong(f"unknown encoding {text!r}; expected {words}") from error
    return name


def _mark(text: str) -> str:
    if len(text) > 1 or not text.isascii() or text in ("\n", "\r", "\0"):
        raise Wrong(f"found {text!r}, expected one character of ASCII")
    return text


def _mark_or_none(text: str | None) -> str | None:
    return text or None


def _not_empty(texts: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(text for text in texts if text)


def _scalars(values: dict[str, Any]) -> dict[str, Any]:
    if wrong := [(name, value) for name, value in values.items() if not isinstance(value, str | int | float | bool)]:
        raise Wrong(*((name, f"found {value!r}, expected a text, a number or true or false") for name, value in wrong))
    return values


_CHECK, _LISTED = _one_of(TARGETS)
Target = Annotated[str, _CHECK, _LISTED]
_CHECK, _LISTED = _one_of(_UNITS)
Unit = Annotated[str, _CHECK, _LISTED]
Regex = Annotated[Pattern[str], BeforeValidator(_compiled), WithJsonSchema({"type": "string"})]
Mark = Annotated[str, AfterValidator(_mark)]
Texts = Annotated[tuple[str, ...], Field(strict=False)]
Missing = Annotated[Texts, AfterValidator(_not_empty)]
GroupMark = Annotated[str | None, AfterValidator(_mark_or_none)]
Numbers = Annotated[tuple[Annotated[int, Field(ge=1)], ...], Field(strict=False)]
Statistic = Literal["count", "mean", "standard_deviation", "minimum", "maximum"]


class _Part(BaseModel):
    """Keys are written in camel case, as Frictionless writes them; one that is not declared is refused."""

    model_config = ConfigDict(
        frozen=True,
        strict=True,
        extra="forbid",
        alias_generator=to_camel,
        validate_by_name=False,
        validate_by_alias=True,
    )


class Constraints(_Part):
    """What a cell must satisfy, or its line is quarantined."""

    required: bool = Field(
        default=False, description="An empty cell is refused; in a superset the column must be there."
    )
    pattern: Regex | None = Field(default=None, description="Pattern for the whole text.")
    enum: Texts | None = Field(default=None, description="Closed list of texts.")
    minimum: float | None = Field(default=None, description="Least number.")
    maximum: float | None = Field(default=None, description="Greatest number.")
    min_length: int | None = Field(default=None, description="Fewest characters.")
    max_length: int | None = Field(default=None, description="Most characters.")


class Dialect(_Part):
    """How lines and cells are written."""

    encoding: Annotated[str, AfterValidator(_encoding)] = Field(
        default="utf-8", description="Encoding; a byte order mark in the file wins, then strict UTF-8."
    )
    delimiter: Annotated[Mark, StringConstraints(min_length=1)] = Field(
        default=",", description="One character between cells."
    )
    join_delimiters: bool = Field(default=False, description="Runs of the delimiter count as one.")
    quote_char: Mark = Field(default='"', description="Quote mark; empty for none.")
    double_quote: bool = Field(default=True, description="A quote mark inside quotes is written twice.")
    line_terminator: Literal["\n", "\r\n", "\r"] = Field(default="\n", description="End of a line.")
    skip_initial_space: bool = Field(default=False, description="Spaces after a delimiter do not count.")
    trim_cells: bool = Field(default=False, description="Spaces around a cell do not count.")
    comment_char: Mark | None = Field(default=None, description="Lines that begin with it are passed over.")
    comment_rows: Numbers = Field(default=(), description="Lines (from 1) that are passed over.")
    header: bool = Field(default=True, description="There is a line with the names of the columns.")
    header_rows: Numbers | None = Field(
        default=None, description="Line of the header (from 1); without the key it is found by its names."
    )
    preamble_rows: int = Field(default=0, ge=0, description="Lines before the readings, where there is no header.")
    units_row: bool = Field(default=False, description="The line after the header holds units.")
    final_newline: bool = Field(
        default=True, description="The last line ends with a line end; if not there the file was cut off."
    )

    @model_validator(mode="after")
    def _agree(self) -> Dialect:
        wrong = []
        if self.delimiter in (self.quote_char, self.comment_char):
            wrong.append(("delimiter", "also stands for another mark"))
        if self.header_rows is not None and len(self.header_rows) != 1:
            wrong.append(("headerRows", f"found {[*self.header_rows]!r}, expected the number of one line"))
        if not self.header and (self.units_row or self.header_rows is not None):
            wrong.append(("header", "false, yet headerRows or unitsRow is set"))
        if self.header and self.preamble_rows:
            wrong.append(("preambleRows", "serves only without a header; the header is found by its names"))
        if wrong:
            raise Wrong(*wrong)
        return self


class Cells(_Part):
    """How the cells of one source are written, and what they fill."""

    column: Target | None = Field(default=None, description="Column of the table of readings that it fills.")
    type: Literal["string", "number", "integer", "boolean", "datetime", "date", "time"] = Field(
        default="string", description="Type of the cells."
    )
    format: str = Field(
        default="default", description="Date or time: default (ISO 8601) or a pattern such as %d.%m.%Y %H:%M:%S."
    )
    month_names: Annotated[Texts, Field(min_length=12, max_length=12)] | None = Field(
        default=None, description="Twelve names that stand for %b."
    )
    decimal_char: Literal[".", ","] = Field(default=".", description="Decimal mark; default: that of the schema.")
    group_char: GroupMark = Field(
        default=None, description="Mark between groups of three digits; default: the schema's."
    )
    exponent: bool = Field(default=False, description="Numbers may carry an exponent (5.89E+01).")
    missing_values: Missing = Field(
        default=(), description="Texts that mean an empty cell; default: those of the schema."
    )
    true_values: Texts = Field(default=("yes", "true"), description="Texts for yes.")
    false_values: Texts = Field(default=("no", "false"), description="Texts for no.")
    unit: Unit | None = Field(default=None, description="Unit of the numbers.")
    values: dict[str, str] | None = Field(default=None, description="What a cell says, and what it means here.")
    other_values: Literal["quarantine", "keep"] = Field(
        default="quarantine", description="What happens to a cell that 'values' does not name."
    )
    constraints: Constraints = Field(
        default=Constraints(), description="What a cell must satisfy, or its line is quarantined."
    )

    @property
    def keep_other_values(self) -> bool:
        """Whether a cell that `values` does not name stays as it is."""
        return self.other_values == "keep"

    def _wrong(self) -> list[tuple[str, str]]:
        """Say what the keys contradict one another in."""
        wrong: list[tuple[str, str]] = []
        group, column, kind = self.group_char, self.column, self.type
        if group and (len(group) != 1 or group == self.decimal_char or group.isalnum() or group in "+-"):
            wrong.append(("groupChar", f"found {group!r}, expected one mark other than the decimal mark"))
        if self.values is not None and kind != "string":
            wrong.append(("values", f'serves for type = "string", not {kind!r}'))
        wrong += [("values", text) for value in (self.values or {}).values() if (text := _not_known(column, value))]
        if column is None:
            return wrong
        expected = _TYPES.get(column) or _TYPES.get(str(READING.polars_schema.get(column)), "string")
        if kind != expected:
            wrong.append(("type", f"found {kind!r}, expected {expected!r} for column {column}"))
        units = UNITS if column in ("value", "standard_deviation") else tuple(COLUMN_UNITS.get(column, ()))
        listed = ", ".join(units) or "no unit"
        if self.unit is None and column in COLUMN_UNITS:
            wrong.append(("unit", f"missing; expected one of {listed} (no unit is ever assumed)"))
        if self.unit is not None and self.unit not in units:
            wrong.append(("unit", f"found {self.unit!r}, expected {listed} for column {column}"))
        if kind in ("datetime", "date", "time") and kind == expected:
            try:
                moment_grammar(self.format, kind)
            except ValueError as error:
                wrong.append(("format", str(error)))
        return wrong


class LayoutField(Cells):
    """One column of the file; `column` is None where it is ignored, `name_pattern` set for replicate columns."""

    name: Annotated[str, StringConstraints(strip_whitespace=True)] = Field(
        default="", description="Name in the header, without the unit where unitInHeader is set."
    )
    name_pattern: Regex | None = Field(
        default=None, description="Pattern of the names of replicate columns; the first group is their number."
    )
    replicates: int | None = Field(
        default=None, description="How many columns the pattern stands for; any number without the key."
    )
    title: str = Field(default="", description="For people.")
    description: str = Field(default="", description="For people.")
    ignore: bool = Field(default=False, description="The column is known and not wanted.")
    join_with: Texts = Field(
        default=(),
        description="Columns (each ignore = true) whose cells follow this one, a space between: a time in several columns.",
    )
    unit_in_header: bool = Field(default=False, description="The name is followed by the unit in brackets.")

    @model_validator(mode="after")
    def _agree(self) -> LayoutField:
        wrong = []
        if ("name" in self.model_fields_set) == (self.name_pattern is not None):
            wrong.append(("", "expected either name or namePattern"))
        if self.ignore == (self.column is not None):
            what = "expected either column = ... (what it fills) or ignore = true"
            wrong.append(("", f"column {self.label!r} of the file: {what}"))
        pattern = self.name_pattern
        if pattern is not None and not self.ignore and (self.column != "value" or pattern.groups < 1):
            what = 'serves for columns not wanted, and for column = "value" with one group for the number of the '
            wrong.append(("namePattern", what + "replicate, such as R(\\d+)"))
        if self.join_with and self.column != "measured_at":
            wrong.append(("joinWith", 'serves for column = "measured_at"'))
        if self.unit_in_header and self.unit is None:
            wrong.append(("unitInHeader", "needs unit = ... to compare with"))
        if wrong := wrong + self._wrong():
            raise Wrong(*wrong)
        return self

    @property
    def label(self) -> str:
        """The name for messages."""
        return self.name if self.name_pattern is None else self.name_pattern.pattern


class Schema(_Part):
    """The columns, and what holds for all of them."""

    fields: Annotated[tuple[LayoutField, ...], Field(strict=False, min_length=1)] = Field(
        description="The columns, in the order of the file."
    )
    fields_match: Literal["exact", "equal", "superset"] = Field(
        default="exact",
        description="exact: these columns in this order; equal: in any order; superset: in any order, "
        "and those not required may be missing. A column not declared always holds the file.",
    )
    missing_values: Missing = Field(
        default=(), description="Texts that mean an empty cell; the empty text always does."
    )
    decimal_char: Literal[".", ","] = Field(default=".", description="Decimal mark.")
    group_char: GroupMark = Field(
        default=None, description="Mark between groups of three digits; none unless declared."
    )


class PreambleKey(_Part):
    """A line `key, value` before the header, and the column it fills for every reading."""

    key: str = Field(description="As written in the file.")
    column: Target | None = Field(default=None, description="Column of the table of readings that it fills.")
    required: bool = Field(default=True, description="Without it the file is held.")
    values: dict[str, str] | None = Field(default=None, description="What it says, and what it means here.")
    constraints: Constraints = Field(default=Constraints(), description="What it must satisfy, or the file is held.")

    @model_validator(mode="after")
    def _agree(self) -> PreambleKey:
        wrong = []
        if self.column is not None and str(READING.polars_schema.get(self.column)) != "String":
            wrong.append(("column", f"found {self.column!r}, expected a column of text"))
        values = (self.values or {}).values()
        wrong += [("values", text) for value in values if (text := _not_known(self.column, value))]
        if wrong:
            raise Wrong(*wrong)
        return self


class Preamble(_Part):
    """Lines before the header."""

    separator: str | None = Field(
        default=None, description="Text between key and value; the delimiter without the key."
    )
    keys: Annotated[tuple[PreambleKey, ...], Field(strict=False)] = Field(
        default=(), description="What is taken from the preamble."
    )


class FooterStatistic(_Part):
    """A figure of the footer."""

    label: str = Field(description="Text of the first cell.")
    statistic: Statistic = Field(description="What it states.")
    cell: int = Field(ge=1, description="Cell that holds the figure, from 1.")


class Footer(_Part):
    """Lines after the readings."""

    pattern: Regex = Field(description="Pattern at the beginning of the line that ends the readings.")
    required: bool = Field(default=True, description="A file without the footer gets a warning.")
    statistics: Annotated[tuple[FooterStatistic, ...], Field(strict=False)] = Field(
        default=(), description="Figures of the footer that are checked against ours."
    )


class WorkbookRules(_Part):
    """Which sheets of a workbook are read, and what in them is taken."""

    sheets: Texts = Field(
        default=(),
        description="Names of the sheets that hold readings, hidden ones too; default: the only visible one.",
    )
    sheet_pattern: Regex | None = Field(
        default=None, description="Pattern of the names of the visible sheets that hold readings."
    )
    ignore_sheets: Texts = Field(default=(), description="Names of sheets that are known and not wanted.")
    sheet_name_fills: Literal["meter", "probe", "operator", "lot", "part", "spot", "block", "run", "remark"] | None = (
        Field(
            default=None,
            description="Column of readings that the name of the sheet fills; of a sheetPattern its first group.",
        )
    )
    merged_cells: Literal["hold", "first", "fill"] = Field(
        default="hold",
        description="Cells merged in the header or below: hold the file, take the text for the first of them, or for each.",
    )
    formulas: Literal["quarantine", "read"] = Field(
        default="quarantine",
        description="Lines with a formula in a column that is read: quarantine them, or read the stored result.",
    )

    @model_validator(mode="after")
    def _agree(self) -> WorkbookRules:
        wrong = []
        if self.sheets and self.sheet_pattern is not None:
            wrong.append(("sheetPattern", "found beside sheets; keep one of them"))
        if both := sorted({*self.sheets} & {*self.ignore_sheets}):
            wrong.append(("ignoreSheets", f"found {both[0]!r}, which sheets names, too"))
        if wrong:
            raise Wrong(*wrong)
        return self


class MatchRules(_Part):
    """What narrows the files a layout is tried on."""

    folder: Regex | None = Field(default=None, description="Pattern for the folder, with / between names.")
    file_name: Regex | None = Field(default=None, description="Pattern for the whole file name.")
    preamble: str | None = Field(default=None, description="Text that must stand before the header.")


class Layout(_Part):
    """How one kind of export is written."""

    name: str = Field(description="Name of the layout; letters, digits, - and _.")
    version: int = Field(description="Raised with every change; stored with each file read.")
    title: str = Field(default="", description="One line that says what the export is.")
    description: str = Field(default="", description="What a colleague should know about it.")
    shape: Literal["long", "wide"] = Field(default="long", description="One reading a line (long) or several (wide).")
    declared_zone: str | None = Field(
        default=None,
        alias="zone",
        description="Zone of the times: 'offset' (each time carries its own), 'site' or an IANA name. "
        "Without the key: the offset where the format has one, else the site's zone.",
    )
    repeats_kept: bool = Field(
        default=False, description="Neither time nor sequence tells readings apart: keep every repeat."
    )
    taken_by_hand: bool = Field(default=False, description="Readings were written down by a person.")
    transposed: bool = Field(
        default=False,
        description="Readings stand in columns: rows and columns are exchanged first, and a line is then a column of the file.",
    )
    dialect: Dialect = Field(default=Dialect(), description="How lines and cells are written.")
    workbook: WorkbookRules = Field(
        default=WorkbookRules(), description="Which sheets of a workbook are read, and what in them is taken."
    )
    table: Schema = Field(alias="schema", description="The columns.")
    preamble: Preamble = Field(default=Preamble(), description="Lines before the header.")
    declared_constants: Annotated[dict[str, Any], AfterValidator(_scalars)] = Field(
        default={},
        alias="constants",
        description="Columns of readings with the same value in every line, and 'year' for dates without one.",
        json_schema_extra={"additionalProperties": {"type": ["string", "number", "boolean"]}},
    )
    non_readings: dict[str, str] = Field(
        default={}, description='Text in a value cell that is no number, and its name: OVR = "overload".'
    )
    unit_aliases: dict[str, Texts] = Field(default={}, description="Further spellings of a unit in this export.")
    footer: Footer | None = Field(default=None, description="Lines after the readings.")
    match: MatchRules = Field(default=MatchRules(), description="Narrows which files the layout is tried on.")

    @model_validator(mode="before")
    @classmethod
    def _marks_of_all(cls, raw: Any) -> Any:
        """Hand what the schema says for all columns on to each that does not say it itself."""
        schema = raw.get("schema") if isinstance(raw, dict) else None
        if not isinstance(schema, dict) or not isinstance(schema.get("fields"), list):
            return raw
        for_all = {key: schema[key] for key in ("decimalChar", "groupChar", "missingValues") if key in schema}
        for_all |= (
            {} if for_all.get("decimalChar", ".") in (".", ",") else {"decimalChar": "."}
        )  # wrong: told once, there
        spread = [{**for_all, **one} if isinstance(one, dict) else one for one in schema["fields"]]
        return {**raw, "schema": {**schema, "fields": spread}}

    @property
    def fields(self) -> tuple[LayoutField, ...]:
        """The columns of the file."""
        return self.table.fields

    @property
    def wide(self) -> bool:
        """Whether a line holds several readings."""
        return self.shape == "wide"

    @property
    def year(self) -> int | None:
        """The year of dates without one."""
        return self.declared_constants.get("year")

    @property
    def constants(self) -> dict[str, str | float | bool]:
        """Columns of the table of readings with the same value in every line."""
        return {name: value for name, value in self.declared_constants.items() if name != "year"}

    @property
    def zone(self) -> str:
        """Zone of the times: "offset" (each time carries its own), "site" or an IANA name."""
        return self.declared_zone or ("offset" if self._offset_in_times() else "site")

    def _offset_in_times(self) -> bool:
        return any(
            has_offset(field.format, field.type)
            for field in self.fields
            if field.column in ("measured_at", "measured_time")
        )

    def field_of(self, column: str) -> LayoutField | None:
        """Return the field that fills a column, or None."""
        return next((field for field in self.fields if field.column == column), None)

    @property
    def value_field(self) -> LayoutField:
        """The field of the values; a layout without one is refused when it is read."""
        return next(field for field in self.fields if field.column == "value")

    @property
    def unit(self) -> str | None:
        """The unit of the value, or None where a column of the file states it."""
        return self.value_field.unit

    @model_validator(mode="after")
    def _agree(self) -> Layout:
        wrong = [*self._wrong_alone(), *self._wrong_columns(), *self._wrong_constants(), *self._wrong_sources()]
        if wrong:
            raise Wrong(*wrong)
        return self

    def _wrong_alone(self) -> list[tuple[str, str]]:
        wrong = []
        if re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]*", self.name) is None:
            wrong.append(("name", f"found {self.name!r}, expected letters, digits, - and _"))
        if self.version < 1:
            wrong.append(("version", f"found {self.version}, expected 1 or more"))
        zone, with_offset = self.zone, self._offset_in_times()
        if with_offset != (zone == "offset"):
            found = "carries an offset" if with_offset else "carries no offset"
            wrong.append(("zone", f"found {zone!r}, but the format of the times {found}"))
        elif zone not in ("offset", "site"):
            try:
                ZoneInfo(zone)
            except (ZoneInfoNotFoundError, ValueError, OSError):
                wrong.append(("zone", f"found {zone!r}, expected 'offset', 'site' or a name such as Europe/Oslo"))
        wrong += [(f"unitAliases.{unit}", "unknown unit") for unit in self.unit_aliases if unit not in _UNITS]
        return wrong

    def _wrong_columns(self) -> list[tuple[str, str]]:
        wrong, dialect = [], self.dialect
        numbers = [field for field in self.fields if field.column and field.type in ("number", "integer")]
        if not dialect.quote_char and dialect.delimiter in {
            mark for field in numbers for mark in (field.group_char, field.decimal_char)
        }:
            wrong.append(("dialect.delimiter", "is also a mark inside numbers, and there is no quote mark"))
        if self.wide != any(field.name_pattern is not None and field.column == "value" for field in self.fields):
            what = f"found {self.shape!r}, but {'no' if self.wide else 'a'} field has a namePattern"
            wrong.append(("shape", what))
        if self.wide and not dialect.header:
            wrong.append(("shape", "a wide export needs a header"))
        if self.table.fields_match != "exact":
            names = [field.name for field in self.fields if field.name_pattern is None]
            if not dialect.header:
                what = "without a header the columns can only be told by their order (exact)"
                wrong.append(("schema.fieldsMatch", what))
            if len(set(names)) < len(names):
                what = "two fields have the same name; only their order (exact) tells them apart"
                wrong.append(("schema.fieldsMatch", what))
        for number, field in enumerate(self.fields, start=1):
            dated = field.column in ("measured_at", "measured_date")
            if dated and not has_year(field.format, field.type) and self.year is None:
                wrong.append((f"schema.fields[{number}].format", "has no year, and constants.year is not set"))
        return wrong

    def _wrong_constants(self) -> list[tuple[str, str]]:
        wrong = []
        if "year" in self.declared_constants and not (isinstance(self.year, int) and 2000 <= self.year <= 2200):
            wrong.append(("constants.year", f"found {self.year!r}, expected a year"))
        for column, value in self.constants.items():
            if text := _wrong_constant(column, value):
                wrong.append((f"constants.{column}", text))
        return wrong

    def _wrong_sources(self) -> list[tuple[str, str]]:
        """Every column has one source, and those without which a reading makes no sense have one."""
        named = [field.column for field in self.fields if field.column is not None]
        named += [key.column for key in self.preamble.keys if key.column is not None]
        named += list(self.constants)
        named += [self.workbook.sheet_name_fills] if self.workbook.sheet_name_fills is not None else []
        wrong = [f"column {c!r} is filled from two places" for c in dict.fromkeys(named) if named.count(c) > 1]
        ignored = {field.name for field in self.fields if field.column is None}
        joined = [name for field in self.fields for name in field.join_with if name not in ignored]
        wrong += [f"joinWith names {name!r}, which is no field with ignore = true" for name in joined]
        have = set(named)
        if {"measured_date", "measured_time"} <= have:
            have.add("measured_at")
        elif {"measured_date", "measured_time"} & have:
            wrong.append("measured_date and measured_time come as a pair")
            have.add("measured_at")
        field = self.field_of("value")
        if field is not None and field.unit is not None:
            if "unit" in have:
                wrong.append("the unit is stated at the value and by a column; expected one of the two")
            have.add("unit")
        what = "expected a field, a preamble key or a constant (it is never assumed)"
        needed = ("measured_at", "meter", "role", "value", "unit", "temperature_state")
        wrong += [f"nothing fills {column!r}; {what}" for column in needed if column not in have]
        if not {"lot", "block"} & have:
            wrong.append("nothing fills 'lot' or 'block'")
        return [("schema.fields", text) for text in wrong]


def _not_known(column: str | None, text: Any) -> str:
    """Say what is wrong with a text that a column with a closed list does not know, or nothing."""
    allowed = _CLOSED.get(column or "")
    if allowed is None or text in allowed:
        return ""
    return f"found {text!r}, expected one of {', '.join(allowed)}{nearest(str(text), allowed)}"


def _wrong_constant(column: str, value: Any) -> str:
    if column == "unit":
        return "the unit belongs to the field that fills 'value'"
    if column not in _CONSTANT:
        return f"unknown column{nearest(column, _CONSTANT)}"
    if text := _not_known(column, value):
        return text
    dtype = str(READING.polars_schema[column])
    fits = {
        "String": isinstance(value, str) and value != "",
        "Float64": isinstance(value, int | float) and not isinstance(value, bool),
        "Int64": isinstance(value, int) and not isinstance(value, bool),
        "Boolean": isinstance(value, bool),
    }[dtype]
    wrong = READING[column].problem(value) if fits else f"expected a value of type {dtype}"
    return f"found {value!r}, {wrong} for column {column}" if wrong is not None else ""


def parse_layout(text: str, where: str) -> Layout:
    """Read a layout from TOML text.

    Parameters
    ----------
    text
        Content of a layout file.
    where
        Name of the file, for messages.

    Returns
    -------
    Layout

    Raises
    ------
    errors.LayoutError
        Names for all that is wrong file, line, key, what was found, what was expected, and the nearest known word.
    """
    raw = read_toml(text, where)
    try:
        return Layout.model_validate(raw)
    except ValueError as error:
        raise refused(error, Layout, text, where) from None


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a layout file, for editors."""
    found = _plain(Layout.model_json_schema(by_alias=True))
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Layout of an export of readings",
        **found,
    }


def _plain(part: Any, *, named: bool = False) -> Any:
    """Return a part of a schema without made-up titles and without null, which a TOML file cannot hold."""
    if isinstance(part, list):
        return [_plain(one) for one in part]
    if not isinstance(part, dict):
        return part
    if "anyOf" in part:
        some = [one for one in part["anyOf"] if one != {"type": "null"}]
        part = {**some[0], **{key: value for key, value in part.items() if key != "anyOf"}}
    kept = {
        key: value
        for key, value in part.items()
        if named or not (key == "title" or (key == "default" and (value is None or isinstance(value, dict))))
    }
    return {key: _plain(value, named=key in ("properties", "$defs")) for key, value in kept.items()}
