"""From checked keys to a layout: what the keys of a layout must satisfy together."""

from __future__ import annotations

import codecs
import re
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pipeline.intake.layout import (
    Constraints,
    Dialect,
    Field,
    FooterStatistic,
    Layout,
    MatchRules,
    PreambleKey,
    compiled,
)
from pipeline.intake.layout_keys import nearest, problem, take
from pipeline.intake.text import has_offset, has_year, moment_grammar
from pipeline.intake.units_text import COLUMN_UNITS
from schemas.tables import READING, UNITS

if TYPE_CHECKING:
    from re import Pattern

    from pipeline.errors import LayoutError

__all__ = ["build"]

_TYPES = {
    "measured_at": "datetime",
    "measured_date": "date",
    "measured_time": "time",
    "curvature_compensated": "boolean",
}
_CLOSED = {column.name: column.allowed for column in READING if column.allowed is not None and column.name != "clock"}
_TEXT_COLUMNS = {name for name, dtype in READING.polars_schema.items() if str(dtype) == "String"}


class _Builder:
    """Carries the name of the file through the checks."""

    def __init__(self, where: str) -> None:
        self.where = where

    def error(self, path: str, text: str) -> LayoutError:
        return problem(self.where, path, text)

    def pattern(self, text: str | None, path: str) -> Pattern[str] | None:
        try:
            return compiled(text)
        except re.error as error:
            raise self.error(path, f"{text!r} is not a regular expression: {error}") from error

    def constraints(self, raw: dict[str, Any] | None, path: str) -> Constraints:
        if raw is None:
            return Constraints()
        return Constraints(
            required=raw["required"],
            pattern=self.pattern(raw["pattern"], f"{path}.pattern"),
            enum=None if raw["enum"] is None else tuple(raw["enum"]),
            minimum=raw["minimum"],
            maximum=raw["maximum"],
            min_length=raw["minLength"],
            max_length=raw["maxLength"],
        )

    def dialect(self, raw: dict[str, Any] | None) -> Dialect:
        raw = take("dialect", {}, self.where) if raw is None else raw
        try:
            encoding = codecs.lookup(raw["encoding"]).name.replace("utf-8-sig", "utf-8")
            "".encode(encoding)
        except LookupError as error:
            raise self.error(
                "dialect.encoding",
                f"unknown encoding {raw['encoding']!r}; expected utf-8, cp1252, utf-16 "
                "or another name that Python knows",
            ) from error
        for key, least in (("delimiter", 1), ("quoteChar", 0), ("commentChar", 0)):
            text = raw[key]
            if text is not None and not (least <= len(text) <= 1 and text.isascii() and text not in ("\n", "\r", "\0")):
                raise self.error(f"dialect.{key}", f"found {text!r}, expected one character of ASCII")
        if raw["delimiter"] in (raw["quoteChar"], raw["commentChar"]):
            raise self.error("dialect.delimiter", "also stands for another mark")
        rows = raw["headerRows"]
        if rows is not None and len(rows) != 1:
            raise self.error("dialect.headerRows", f"found {rows!r}, expected the number of one line")
        if not raw["header"] and (raw["unitsRow"] or rows is not None):
            raise self.error("dialect.header", "false, yet headerRows or unitsRow is set")
        if raw["header"] and raw["preambleRows"]:
            raise self.error("dialect.preambleRows", "serves only without a header; the header is found by its names")
        return Dialect(
            encoding=encoding,
            delimiter=raw["delimiter"],
            join_delimiters=raw["joinDelimiters"],
            quote_char=raw["quoteChar"],
            double_quote=raw["doubleQuote"],
            line_terminator=raw["lineTerminator"],
            skip_initial_space=raw["skipInitialSpace"],
            trim_cells=raw["trimCells"],
            comment_char=raw["commentChar"] or None,
            comment_rows=frozenset(raw["commentRows"]),
            header=raw["header"],
            header_row=rows[0] if rows else None,
            preamble_rows=raw["preambleRows"],
            units_row=raw["unitsRow"],
            final_newline=raw["finalNewline"],
        )

    def field(self, raw: dict[str, Any], schema: dict[str, Any], path: str) -> Field:
        if (raw["name"] is None) == (raw["namePattern"] is None):
            raise self.error(path, "expected either name or namePattern")
        if raw["ignore"] == (raw["column"] is not None):
            raise self.error(
                path,
                f"column {raw['name']!r} of the file: expected either column = ... (what it fills) or ignore = true",
            )
        column, kind = raw["column"], raw["type"]
        pattern = self.pattern(raw["namePattern"], f"{path}.namePattern")
        if pattern is not None and not raw["ignore"] and (column != "value" or pattern.groups < 1):
            raise self.error(
                f"{path}.namePattern",
                'serves for columns not wanted, and for column = "value" with one group for the number of the '
                "replicate, such as R(\\d+)",
            )
        decimal = raw["decimalChar"] or schema["decimalChar"]
        group = schema["groupChar"] if raw["groupChar"] is None else raw["groupChar"]
        if group is not None and (len(group) != 1 or group == decimal or group.isalnum() or group in "+-"):
            raise self.error(f"{path}.groupChar", f"found {group!r}, expected one mark other than the decimal mark")
        if column is not None:
            self.field_type(column, kind, raw, path)
        if raw["joinWith"] and column != "measured_at":
            raise self.error(f"{path}.joinWith", 'serves for column = "measured_at"')
        missing = schema["missingValues"] if raw["missingValues"] is None else raw["missingValues"]
        if raw["values"] is not None and kind != "string":
            raise self.error(f"{path}.values", f'serves for type = "string", not {kind!r}')
        for text in (raw["values"] or {}).values():
            self.known_value(column, text, f"{path}.values")
        if raw["monthNames"] is not None and len(raw["monthNames"]) != 12:
            raise self.error(f"{path}.monthNames", f"found {len(raw['monthNames'])} names, expected twelve")
        return Field(
            name=(raw["name"] or "").strip(),
            name_pattern=pattern,
            replicates=raw["replicates"],
            column=column,
            type=kind,
            format=raw["format"],
            join_with=tuple(raw["joinWith"]),
            month_names=None if raw["monthNames"] is None else tuple(raw["monthNames"]),
            decimal_char=decimal,
            group_char=group or None,
            exponent=raw["exponent"],
            missing_values=tuple(text for text in missing if text),
            true_values=tuple(raw["trueValues"]),
            false_values=tuple(raw["falseValues"]),
            unit=raw["unit"],
            unit_in_header=raw["unitInHeader"],
            values=raw["values"],
            keep_other_values=raw["otherValues"] == "keep",
            constraints=self.constraints(raw["constraints"], f"{path}.constraints"),
        )

    def known_value(self, column: str | None, text: Any, path: str) -> None:
        allowed = _CLOSED.get(column or "")
        if allowed is not None and text not in allowed:
            raise self.error(path, f"found {text!r}, expected one of {', '.join(allowed)}{nearest(str(text), allowed)}")

    def field_type(self, column: str, kind: str, raw: dict[str, Any], path: str) -> None:
        dtype = str(READING.polars_schema.get(column, "other"))
        expected = _TYPES.get(column) or {"Float64": "number", "Int64": "integer"}.get(dtype, "string")
        if kind != expected:
            raise self.error(f"{path}.type", f"found {kind!r}, expected {expected!r} for column {column}")
        units = UNITS if column in ("value", "standard_deviation") else tuple(COLUMN_UNITS.get(column, ()))
        if raw["unit"] is None and column in COLUMN_UNITS:
            raise self.error(f"{path}.unit", f"missing; expected one of {', '.join(units)} (no unit is ever assumed)")
        if raw["unit"] is not None and raw["unit"] not in units:
            listed = ", ".join(units) or "no unit"
            raise self.error(f"{path}.unit", f"found {raw['unit']!r}, expected {listed} for column {column}")
        if raw["unitInHeader"] and raw["unit"] is None:
            raise self.error(f"{path}.unitInHeader", "needs unit = ... to compare with")
        if kind in ("datetime", "date", "time"):
            try:
                moment_grammar(raw["format"], kind)
            except ValueError as error:
                raise self.error(f"{path}.format", str(error)) from error

    def zone(self, raw: str | None, fields: tuple[Field, ...]) -> str:
        with_offset = any(
            has_offset(field.format, field.type) for field in fields if field.column in ("measured_at", "measured_time")
        )
        zone = ("offset" if with_offset else "site") if raw is None else raw
        if with_offset != (zone == "offset"):
            found = "carries an offset" if with_offset else "carries no offset"
            raise self.error("zone", f"found {zone!r}, but the format of the times {found}")
        if zone not in ("offset", "site"):
            try:
                ZoneInfo(zone)
            except (ZoneInfoNotFoundError, ValueError, OSError) as error:
                raise self.error(
                    "zone", f"found {zone!r}, expected 'offset', 'site' or a name such as Europe/Oslo"
                ) from error
        return zone

    def sources(self, layout: Layout) -> None:
        """Every column has one source, and those without which a reading makes no sense have one."""
        named = [field.column for field in layout.fields if field.column is not None]
        named += [key.column for key in layout.preamble_keys if key.column is not None]
        named += list(layout.constants)
        for column in named:
            if named.count(column) > 1:
                raise self.error("schema.fields", f"column {column!r} is filled from two places")
        ignored = {field.name for field in layout.fields if field.column is None}
        for name in (name for field in layout.fields for name in field.join_with):
            if name not in ignored:
                raise self.error("schema.fields", f"joinWith names {name!r}, which is no field with ignore = true")
        have = set(named)
        if {"measured_date", "measured_time"} <= have:
            have.add("measured_at")
        elif {"measured_date", "measured_time"} & have:
            raise self.error("schema.fields", "measured_date and measured_time come as a pair")
        if layout.unit is not None:
            if "unit" in have:
                raise self.error(
                    "schema.fields", "the unit is stated at the value and by a column; expected one of the two"
                )
            have.add("unit")
        for column in ("measured_at", "meter", "role", "value", "unit", "temperature_state"):
            if column not in have:
                raise self.error(
                    "schema.fields",
                    f"nothing fills {column!r}; expected a field, a preamble key or a constant (it is never assumed)",
                )
        if not {"lot", "block"} & have:
            raise self.error("schema.fields", "nothing fills 'lot' or 'block'")


def build(raw: dict[str, Any], where: str) -> Layout:
    """Return the layout from keys already checked one by one.

    Raises
    ------
    errors.LayoutError
        If the keys contradict one another.
    """
    make = _Builder(where)
    if re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]*", raw["name"]) is None:
        raise make.error("name", f"found {raw['name']!r}, expected letters, digits, - and _")
    if raw["version"] < 1:
        raise make.error("version", f"found {raw['version']}, expected 1 or more")
    dialect = make.dialect(raw["dialect"])
    schema = raw["schema"]
    if not schema["fields"]:
        raise make.error("schema.fields", "found none")
    fields = tuple(
        make.field(one, schema, f"schema.fields[{number}]") for number, one in enumerate(schema["fields"], start=1)
    )
    if (
        dialect.delimiter
        in {
            mark
            for field in fields
            if field.column and field.type in ("number", "integer")
            for mark in (field.group_char, field.decimal_char)
        }
        and not dialect.quote_char
    ):
        raise make.error("dialect.delimiter", "is also a mark inside numbers, and there is no quote mark")
    wide = raw["shape"] == "wide"
    if wide != any(field.name_pattern is not None and field.column == "value" for field in fields):
        raise make.error("shape", f"found {raw['shape']!r}, but {'no' if wide else 'a'} field has a namePattern")
    if wide and not dialect.header:
        raise make.error("shape", "a wide export needs a header")
    if schema["fieldsMatch"] != "exact":
        names = [field.name for field in fields if field.name_pattern is None]
        if not dialect.header:
            raise make.error(
                "schema.fieldsMatch", "without a header the columns can only be told by their order (exact)"
            )
        if len(set(names)) < len(names):
            raise make.error(
                "schema.fieldsMatch", "two fields have the same name; only their order (exact) tells them apart"
            )
    constants = dict(raw["constants"])
    year = constants.pop("year", None)
    if year is not None and not (isinstance(year, int) and 2000 <= year <= 2200):
        raise make.error("constants.year", f"found {year!r}, expected a year")
    for column, value in constants.items():
        _constant(make, column, value)
    footer, preamble = raw["footer"], raw["preamble"] or {"separator": None, "keys": []}
    match = raw["match"] or {"folder": None, "fileName": None, "preamble": None}
    for unit in raw["unitAliases"]:
        if unit not in UNITS and not any(unit in units for units in COLUMN_UNITS.values()):
            raise make.error(f"unitAliases.{unit}", "unknown unit")
    layout = Layout(
        name=raw["name"],
        version=raw["version"],
        title=raw["title"],
        description=raw["description"],
        wide=wide,
        zone=make.zone(raw["zone"], fields),
        repeats_kept=raw["repeatsKept"],
        taken_by_hand=raw["takenByHand"],
        dialect=dialect,
        fields=fields,
        fields_match=schema["fieldsMatch"],
        preamble_separator=preamble["separator"],
        preamble_keys=tuple(_preamble_key(make, one, n) for n, one in enumerate(preamble["keys"], start=1)),
        constants=constants,
        year=year,
        non_readings=raw["nonReadings"],
        unit_aliases={unit: tuple(texts) for unit, texts in raw["unitAliases"].items()},
        footer_pattern=None if footer is None else make.pattern(footer["pattern"], "footer.pattern"),
        footer_required=footer is not None and footer["required"],
        footer_statistics=()
        if footer is None
        else tuple(FooterStatistic(one["label"], one["statistic"], one["cell"] - 1) for one in footer["statistics"]),
        match=MatchRules(
            make.pattern(match["folder"], "match.folder"),
            make.pattern(match["fileName"], "match.fileName"),
            match["preamble"],
        ),
    )
    for number, field in enumerate(fields, start=1):
        dated = field.column in ("measured_at", "measured_date")
        if dated and not has_year(field.format, field.type) and year is None:
            raise make.error(f"schema.fields[{number}].format", "has no year, and constants.year is not set")
    make.sources(layout)
    return layout


def _constant(make: _Builder, column: str, value: Any) -> None:
    path = f"constants.{column}"
    known = set(READING.names) - {
        "line",
        "replicate",
        "clock",
        "measured_at",
        "value",
        "unit",
        "value_ms_per_m",
        "non_reading",
    }
    if column == "unit":
        raise make.error(path, "the unit belongs to the field that fills 'value'")
    if column not in known:
        raise make.error(path, f"unknown column{nearest(column, known)}")
    make.known_value(column, value, path)
    dtype = str(READING.polars_schema[column])
    fits = {
        "String": isinstance(value, str) and value != "",
        "Float64": isinstance(value, int | float) and not isinstance(value, bool),
        "Int64": isinstance(value, int) and not isinstance(value, bool),
        "Boolean": isinstance(value, bool),
    }[dtype]
    wrong = READING[column].problem(value) if fits else f"expected a value of type {dtype}"
    if wrong is not None:
        raise make.error(path, f"found {value!r}, {wrong} for column {column}")


def _preamble_key(make: _Builder, raw: dict[str, Any], number: int) -> PreambleKey:
    path = f"preamble.keys[{number}]"
    if raw["column"] is not None and raw["column"] not in _TEXT_COLUMNS:
        raise make.error(f"{path}.column", f"found {raw['column']!r}, expected a column of text")
    for text in (raw["values"] or {}).values():
        make.known_value(raw["column"], text, f"{path}.values")
    return PreambleKey(
        key=raw["key"],
        column=raw["column"],
        required=raw["required"],
        values=raw["values"],
        constraints=make.constraints(raw["constraints"], f"{path}.constraints"),
    )
