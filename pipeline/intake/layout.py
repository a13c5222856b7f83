"""A layout: how one kind of export is written. One TOML file, checked as a whole when it is read."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, Field, model_validator

from pipeline.intake.layout_errors import Wrong, nearest, read_toml, refused
from pipeline.intake.layout_outside import FileName, Footer, Key, MatchRules, Preamble, Routes, Sections, WorkbookRules
from pipeline.intake.layout_parts import (
    ONLY_INTAKE,
    UNITS_TO_DECLARE,
    Cells,
    Dialect,
    LayoutField,
    Part,
    Schema,
    Texts,
    not_known,
)
from pipeline.intake.text import has_offset, has_year
from schemas.tables import READING

__all__ = ["OPEN", "Layout", "json_schema", "parse_layout"]

OPEN = "OPEN"
"""Stands in a proposed layout where only a person can answer; no layout with it can be used."""
_CONSTANT = frozenset(READING.names) - {*ONLY_INTAKE, "measured_at", "value", "unit"}


def _scalars(values: dict[str, Any]) -> dict[str, Any]:
    if wrong := [(name, value) for name, value in values.items() if not isinstance(value, str | int | float | bool)]:
        raise Wrong(*((name, f"found {value!r}, expected a text, a number or true or false") for name, value in wrong))
    return values


def _marked(part: Any, marks: dict[str, Any]) -> Any:
    return {**marks, **part} if isinstance(part, dict) else part


class Layout(Part):
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
    role_by_column: bool = Field(
        default=False,
        description="No column says what was read: a line that fills 'block' is a check, one that fills 'lot' a reading on a "
        "part; one that fills both or none is quarantined.",
    )
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
    file_name: FileName | None = Field(default=None, description="What the name of the file says.")
    sections: Sections | None = Field(default=None, description="Sections of the file, one below the other.")
    routes: Routes | None = Field(default=None, description="What names stand for that are blocks, lots or studies.")
    footer: Footer | None = Field(default=None, description="Lines after the readings.")
    match: MatchRules = Field(default=MatchRules(), description="Narrows which files the layout is tried on.")

    @model_validator(mode="before")
    @classmethod
    def _marks_of_all(cls, raw: dict[str, Any]) -> dict[str, Any]:
        """Hand what the schema says for all columns on to each that does not say it itself."""
        schema = raw.get("schema")
        if not isinstance(schema, dict) or not isinstance(schema.get("fields"), list):
            return raw
        for_all = {key: schema[key] for key in ("decimalChar", "groupChar", "missingValues") if key in schema}
        for_all |= (
            {} if for_all.get("decimalChar", ".") in (".", ",") else {"decimalChar": "."}
        )  # wrong: told once, there
        spread = {**raw, "schema": {**schema, "fields": [_marked(one, for_all) for one in schema["fields"]]}}
        for name in ("preamble", "fileName", "sections"):
            part = raw.get(name)
            if isinstance(part, dict) and isinstance(part.get("keys"), list):
                spread[name] = {**part, "keys": [_marked(one, for_all) for one in part["keys"]]}
        return spread

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

    @property
    def keys(self) -> tuple[tuple[str, Key], ...]:
        """Every key outside the table, with its place in the layout."""
        sections, name = self.sections, self.file_name
        of = {
            "preamble.keys": self.preamble.keys,
            "fileName.keys": () if name is None else name.all_keys,
            "sections.keys": () if sections is None else sections.all_keys,
        }
        return tuple((f"{place}[{n}]", key) for place, keys in of.items() for n, key in enumerate(keys, start=1))

    @property
    def sources(self) -> tuple[tuple[str, Cells], ...]:
        """Every field and key, with its place in the layout."""
        return (*((f"schema.fields[{n}]", one) for n, one in enumerate(self.fields, start=1)), *self.keys)

    @property
    def at_once(self) -> bool:
        """Whether a line can only be read with all those before it."""
        return self.sections is not None or any(field.fill_down for field in self.fields)

    def _offset_in_times(self) -> bool:
        times = [one for _, one in self.sources if one.column in ("measured_at", "measured_time")]
        return any(has_offset(one.format, one.type) for one in times)

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
        wrong += [(f"unitAliases.{unit}", "unknown unit") for unit in self.unit_aliases if unit not in UNITS_TO_DECLARE]
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
        for place, one in self.sources:
            dated = one.column in ("measured_at", "measured_date")
            if dated and not has_year(one.format, one.type) and self.year is None:
                wrong.append((f"{place}.format", "has no year, and constants.year is not set"))
            if one.column == "value" and not isinstance(one, LayoutField):
                wrong.append((f"{place}.column", "a value stands in the table"))
        if self.sections is not None:
            if dialect.header_rows is not None or dialect.preamble_rows:
                what = "headerRows and preambleRows count lines of the whole file; in sections a header is found by its names"
                wrong.append(("sections", what))
            if self.wide and self.sections.statistics:
                wrong.append(("sections.statistics", "serve one reading a line (shape = 'long')"))
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
        columns = (*(one.column for _, one in self.sources), self.workbook.sheet_name_fills)
        named = [column for column in columns if column is not None]
        named += [*self.constants, *sorted(self.routes.fills - {"role"} if self.routes is not None else ())]
        wrong = [f"column {c!r} is filled from two places" for c in dict.fromkeys(named) if named.count(c) > 1]
        ignored = {field.name for field in self.fields if field.column is None}
        joined = [name for field in self.fields for name in field.join_with if name not in ignored]
        wrong += [f"joinWith names {name!r}, which is no field with ignore = true" for name in joined]
        have = set(named) | ({"role"} if self.routes is not None else set())
        if self.role_by_column:
            if "role" in have:
                wrong.append(
                    "the role is filled by a source of its own, and roleByColumn is true; expected one of the two"
                )
            wrong += [
                f"nothing fills {column!r}, which roleByColumn needs"
                for column in ("lot", "block")
                if column not in have
            ]
            have.add("role")
        if ("name" in have) != (self.routes is not None):
            wrong.append("a column 'name' needs [routes], and [routes] a column 'name'")
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
        what = "expected a field, a key or a constant (it is never assumed)"
        needed = ("measured_at", "meter", "role", "value", "unit", "temperature_state")
        wrong += [f"nothing fills {column!r}; {what}" for column in needed if column not in have]
        if not {"lot", "block"} & have:
            wrong.append("nothing fills 'lot' or 'block'")
        return [("schema.fields", text) for text in wrong]


def _wrong_constant(column: str, value: Any) -> str:
    if column == "unit":
        return "the unit belongs to the field that fills 'value'"
    if column not in _CONSTANT:
        return f"unknown column{nearest(column, _CONSTANT)}"
    if text := not_known(column, value):
        return text
    if value == OPEN:
        return f"found '{OPEN}', expected an answer, which only a person can give"
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
        part = {**part["anyOf"][0], **{key: value for key, value in part.items() if key != "anyOf"}}
    kept = {
        key: value
        for key, value in part.items()
        if named or not (key == "title" or (key == "default" and (value is None or isinstance(value, dict))))
    }
    return {key: _plain(value, named=key == "properties") for key, value in kept.items()}
