"""The parts of a layout file, their keys declared once: from here come the parser's checks and the JSON Schema.

Words follow Frictionless Table Dialect and Table Schema where these have a word (``delimiter``, ``quoteChar``,
``decimalChar``, ``missingValues``, ``fieldsMatch``, ``constraints`` ...); what meters need beyond them has our own.
"""

from __future__ import annotations

import codecs
import re
from re import Pattern
from typing import Annotated, Any, Literal

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

from pipeline.intake.layout_errors import Wrong, nearest
from pipeline.intake.text import moment_grammar
from pipeline.intake.units_text import COLUMN_UNITS
from schemas.tables import READING, UNITS

__all__ = [
    "ONLY_INTAKE",
    "UNITS_TO_DECLARE",
    "Cells",
    "Constraints",
    "Dialect",
    "LayoutField",
    "Part",
    "Schema",
    "Texts",
    "not_known",
]

ONLY_INTAKE = ("line", "replicate", "clock", "value_ms_per_m", "non_reading")
TARGETS = (*(name for name in READING.names if name not in ONLY_INTAKE), "measured_date", "measured_time", "name")
"""What a field can fill: columns of the table of readings, a date and a time that make up ``measured_at``, or a name for the routes."""
TEXT_TARGETS = {name for name in TARGETS if name == "name" or str(READING.polars_schema.get(name)) == "String"}
_CLOSED = {column.name: column.allowed for column in READING}
UNITS_TO_DECLARE = tuple(dict.fromkeys([*UNITS, *(unit for units in COLUMN_UNITS.values() for unit in units)]))
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


_CHECK, _LISTED = _one_of(TARGETS)
Target = Annotated[str, _CHECK, _LISTED]
_CHECK, _LISTED = _one_of(UNITS_TO_DECLARE)
Unit = Annotated[str, _CHECK, _LISTED]
Regex = Annotated[Pattern[str], BeforeValidator(_compiled), WithJsonSchema({"type": "string"})]
Mark = Annotated[str, AfterValidator(_mark)]
Texts = Annotated[tuple[str, ...], Field(strict=False)]
Missing = Annotated[Texts, AfterValidator(_not_empty)]
GroupMark = Annotated[str | None, AfterValidator(_mark_or_none)]
Numbers = Annotated[tuple[Annotated[int, Field(ge=1)], ...], Field(strict=False)]


class Part(BaseModel):
    """Keys are written in camel case, as Frictionless writes them; one that is not declared is refused."""

    model_config = ConfigDict(
        frozen=True,
        strict=True,
        extra="forbid",
        alias_generator=to_camel,
        validate_by_name=False,
        validate_by_alias=True,
    )


def not_known(column: str | None, text: Any) -> str:
    """Say what is wrong with a text that a column with a closed list does not know, or nothing."""
    allowed = _CLOSED.get(column or "")
    if allowed is None or text in allowed:
        return ""
    return f"found {text!r}, expected one of {', '.join(allowed)}{nearest(str(text), allowed)}"


class Constraints(Part):
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


class Dialect(Part):
    """How lines and cells are written."""

    encoding: Annotated[str, AfterValidator(_encoding)] = Field(
        default="utf-8", description="Encoding; a byte order mark in the file wins, then strict UTF-8."
    )
    delimiter: Annotated[str, StringConstraints(min_length=1), AfterValidator(_mark)] = Field(
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
        default=None,
        description="Lines of the header (from 1), one below the other; without the key it is found by its names.",
    )
    header_lines: int = Field(default=1, ge=1, le=5, description="Lines that a header found by its names takes.")
    header_join: str = Field(default=" ", description="Text between the names of several lines of a header.")
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
        rows = self.header_rows
        if rows is not None and not (rows and rows == tuple(range(rows[0], rows[0] + len(rows)))):
            wrong.append(("headerRows", f"found {[*rows]!r}, expected numbers of lines, one below the other"))
        if not self.header and (self.units_row or self.header_rows is not None):
            wrong.append(("header", "false, yet headerRows or unitsRow is set"))
        if self.header and self.preamble_rows:
            wrong.append(("preambleRows", "serves only without a header; the header is found by its names"))
        if wrong:
            raise Wrong(*wrong)
        return self

    @property
    def header_height(self) -> int:
        """Lines that the header takes."""
        return self.header_lines if self.header_rows is None else len(self.header_rows)


class Cells(Part):
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
    exponent: bool = Field(default=False, description="Numbers may carry an exponent (`5.89E+01`).")
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
        wrong += [("values", text) for value in (self.values or {}).values() if (text := not_known(column, value))]
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
    """One column of the file; `column` is empty where it is ignored, `name_pattern` set for replicate columns."""

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
    fill_down: bool = Field(
        default=False, description="An empty cell says what the cell above it says, as far as the section goes."
    )

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
        if self.fill_down and (self.column in (None, "value") or pattern is not None):
            wrong.append(("fillDown", "serves for a column that is wanted, other than the value"))
        if self.unit_in_header and self.unit is None:
            wrong.append(("unitInHeader", "needs unit = ... to compare with"))
        if wrong := wrong + self._wrong():
            raise Wrong(*wrong)
        return self

    @property
    def label(self) -> str:
        """The name for messages."""
        return self.name if self.name_pattern is None else self.name_pattern.pattern


class Schema(Part):
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
