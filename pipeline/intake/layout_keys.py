"""The keys of a layout file, declared once: from here come the parser's checks and the JSON Schema.

Words follow Frictionless Table Dialect and Table Schema where these have a word (``delimiter``, ``quoteChar``,
``decimalChar``, ``missingValues``, ``fieldsMatch``, ``constraints`` ...); what meters need beyond them has our own.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import Any

from pipeline.errors import LayoutError
from schemas.tables import READING

__all__ = ["SECTIONS", "Key", "json_schema", "nearest", "problem", "take"]

TARGETS = (
    *(c.name for c in READING if c.name not in ("line", "replicate", "clock", "value_ms_per_m", "non_reading")),
    "measured_date",
    "measured_time",
)
"""What a field can fill: columns of the table of readings, or a date and a time that make up ``measured_at``."""

UNITS_TO_DECLARE = (
    "MS/m",
    "%IACS",
    "Ohm.cm",
    "uOhm.cm",
    "nOhm.m",
    "degC",
    "degF",
    "kHz",
    "Hz",
    "MHz",
    "mm",
    "um",
    "m",
    "in",
    "mil",
    "min",
    "s",
    "h",
)
_JSON_TYPES: dict[str, dict[str, Any]] = {
    "text": {"type": "string"},
    "integer": {"type": "integer"},
    "number": {"type": "number"},
    "boolean": {"type": "boolean"},
    "texts": {"type": "array", "items": {"type": "string"}},
    "integers": {"type": "array", "items": {"type": "integer", "minimum": 1}},
    "text map": {"type": "object", "additionalProperties": {"type": "string"}},
    "texts map": {"type": "object", "additionalProperties": {"type": "array", "items": {"type": "string"}}},
    "constants": {"type": "object", "additionalProperties": {"type": ["string", "number", "boolean"]}},
}


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a layout file.

    Parameters
    ----------
    name
        As written in the file.
    kind
        text, integer, number, boolean, texts, integers, text map, texts map, constants, or the name of a section
        (``table:NAME`` for one table, ``tables:NAME`` for a list of them).
    doc
        One sentence.
    default
        Value where the key is missing.
    required
        The key must be there.
    allowed
        Closed list of values.
    """

    name: str
    kind: str
    doc: str
    default: Any = None
    required: bool = False
    allowed: tuple[str, ...] | None = None


SECTIONS: dict[str, tuple[Key, ...]] = {
    "layout": (
        Key("name", "text", "Name of the layout; letters, digits, - and _.", required=True),
        Key("version", "integer", "Raised with every change; stored with each file read.", required=True),
        Key("title", "text", "One line that says what the export is.", default=""),
        Key("description", "text", "What a colleague should know about it.", default=""),
        Key("shape", "text", "One reading a line (long) or several (wide).", default="long", allowed=("long", "wide")),
        Key(
            "zone",
            "text",
            "Zone of the times: 'offset' (each time carries its own), 'site' or an IANA name. "
            "Without the key: the offset where the format has one, else the site's zone.",
        ),
        Key(
            "repeatsKept",
            "boolean",
            "Neither time nor sequence tells readings apart: keep every repeat.",
            default=False,
        ),
        Key("takenByHand", "boolean", "Readings were written down by a person.", default=False),
        Key("dialect", "table:dialect", "How lines and cells are written."),
        Key("schema", "table:schema", "The columns.", required=True),
        Key("preamble", "table:preamble", "Lines before the header."),
        Key(
            "constants",
            "constants",
            "Columns of readings with the same value in every line, and 'year' for dates without one.",
            default={},
        ),
        Key(
            "nonReadings",
            "text map",
            'Text in a value cell that is no number, and its name: OVR = "overload".',
            default={},
        ),
        Key("unitAliases", "texts map", "Further spellings of a unit in this export.", default={}),
        Key("footer", "table:footer", "Lines after the readings."),
        Key("match", "table:match", "Narrows which files the layout is tried on."),
    ),
    "dialect": (
        Key("encoding", "text", "Encoding; a byte order mark in the file wins, then strict UTF-8.", default="utf-8"),
        Key("delimiter", "text", "One character between cells.", default=","),
        Key("joinDelimiters", "boolean", "Runs of the delimiter count as one.", default=False),
        Key("quoteChar", "text", "Quote mark; empty for none.", default='"'),
        Key("doubleQuote", "boolean", "A quote mark inside quotes is written twice.", default=True),
        Key("lineTerminator", "text", "End of a line.", default="\n", allowed=("\n", "\r\n", "\r")),
        Key("skipInitialSpace", "boolean", "Spaces after a delimiter do not count.", default=False),
        Key("trimCells", "boolean", "Spaces around a cell do not count.", default=False),
        Key("commentChar", "text", "Lines that begin with it are passed over."),
        Key("commentRows", "integers", "Lines (from 1) that are passed over.", default=[]),
        Key("header", "boolean", "There is a line with the names of the columns.", default=True),
        Key("headerRows", "integers", "Line of the header (from 1); without the key it is found by its names."),
        Key("preambleRows", "integer", "Lines before the readings, where there is no header.", default=0),
        Key("unitsRow", "boolean", "The line after the header holds units.", default=False),
        Key(
            "finalNewline",
            "boolean",
            "The last line ends with a line end; if not there the file was cut off.",
            default=True,
        ),
    ),
    "schema": (
        Key("fields", "tables:field", "The columns, in the order of the file.", required=True),
        Key(
            "fieldsMatch",
            "text",
            "exact: these columns in this order; equal: in any order; superset: in any order, "
            "and those not required may be missing. A column not declared always holds the file.",
            default="exact",
            allowed=("exact", "equal", "superset"),
        ),
        Key("missingValues", "texts", "Texts that mean an empty cell; the empty text always does.", default=[""]),
        Key("decimalChar", "text", "Decimal mark.", default=".", allowed=(".", ",")),
        Key("groupChar", "text", "Mark between groups of three digits; none unless declared."),
    ),
    "field": (
        Key("name", "text", "Name in the header, without the unit where unitInHeader is set."),
        Key("namePattern", "text", "Pattern of the names of replicate columns; the first group is their number."),
        Key("replicates", "integer", "How many columns the pattern stands for; any number without the key."),
        Key("title", "text", "For people.", default=""),
        Key("description", "text", "For people.", default=""),
        Key("column", "text", "Column of the table of readings that it fills.", allowed=TARGETS),
        Key("ignore", "boolean", "The column is known and not wanted.", default=False),
        Key(
            "type",
            "text",
            "Type of the cells.",
            default="string",
            allowed=("string", "number", "integer", "boolean", "datetime", "date", "time"),
        ),
        Key(
            "format",
            "text",
            "Date or time: default (ISO 8601) or a pattern such as %d.%m.%Y %H:%M:%S.",
            default="default",
        ),
        Key(
            "joinWith",
            "texts",
            "Columns (each ignore = true) whose cells follow this one, a space between: a time in several columns.",
            default=[],
        ),
        Key("monthNames", "texts", "Twelve names that stand for %b."),
        Key("decimalChar", "text", "Decimal mark of this column.", allowed=(".", ",")),
        Key("groupChar", "text", "Mark between groups of three digits in this column."),
        Key("exponent", "boolean", "Numbers may carry an exponent (5.89E+01).", default=False),
        Key("missingValues", "texts", "Texts that mean an empty cell in this column."),
        Key("trueValues", "texts", "Texts for yes.", default=["yes", "true"]),
        Key("falseValues", "texts", "Texts for no.", default=["no", "false"]),
        Key("unit", "text", "Unit of the numbers.", allowed=UNITS_TO_DECLARE),
        Key("unitInHeader", "boolean", "The name is followed by the unit in brackets.", default=False),
        Key("values", "text map", "What a cell says, and what it means here."),
        Key(
            "otherValues",
            "text",
            "What happens to a cell that 'values' does not name.",
            default="quarantine",
            allowed=("quarantine", "keep"),
        ),
        Key("constraints", "table:constraints", "What a cell must satisfy, or its line is quarantined."),
    ),
    "constraints": (
        Key("required", "boolean", "An empty cell is refused; in a superset the column must be there.", default=False),
        Key("pattern", "text", "Pattern for the whole text."),
        Key("enum", "texts", "Closed list of texts."),
        Key("minimum", "number", "Least number."),
        Key("maximum", "number", "Greatest number."),
        Key("minLength", "integer", "Fewest characters."),
        Key("maxLength", "integer", "Most characters."),
    ),
    "preamble": (
        Key("separator", "text", "Text between key and value; the delimiter without the key."),
        Key("keys", "tables:preambleKey", "What is taken from the preamble.", default=[]),
    ),
    "preambleKey": (
        Key("key", "text", "As written in the file.", required=True),
        Key("column", "text", "Column of the table of readings that it fills.", allowed=TARGETS),
        Key("required", "boolean", "Without it the file is held.", default=True),
        Key("values", "text map", "What it says, and what it means here."),
        Key("constraints", "table:constraints", "What it must satisfy, or the file is held."),
    ),
    "footer": (
        Key("pattern", "text", "Pattern at the beginning of the line that ends the readings.", required=True),
        Key("required", "boolean", "A file without the footer gets a warning.", default=True),
        Key("statistics", "tables:statistic", "Figures of the footer that are checked against ours.", default=[]),
    ),
    "statistic": (
        Key("label", "text", "Text of the first cell.", required=True),
        Key(
            "statistic",
            "text",
            "What it states.",
            required=True,
            allowed=("count", "mean", "standard_deviation", "minimum", "maximum"),
        ),
        Key("cell", "integer", "Cell that holds the figure, from 1.", required=True),
    ),
    "match": (
        Key("folder", "text", "Pattern for the folder, with / between names."),
        Key("fileName", "text", "Pattern for the whole file name."),
        Key("preamble", "text", "Text that must stand before the header."),
    ),
}
_SCALARS: dict[str, tuple[type, ...]] = {
    "text": (str,),
    "integer": (int,),
    "number": (int, float),
    "boolean": (bool,),
}


def nearest(word: str, words: Any) -> str:
    """Return ``"; did you mean 'x'?"`` for the closest of some words, or nothing."""
    close = difflib.get_close_matches(word, list(words), n=1, cutoff=0.6)
    return f"; did you mean '{close[0]}'?" if close else ""


def problem(where: str, path: str, text: str) -> LayoutError:
    """Return the error for one key of a layout file."""
    return LayoutError(f"{where}, key {path}: {text}")


def _fits(kind: str, value: Any) -> bool:
    if kind in _SCALARS:
        return isinstance(value, _SCALARS[kind]) and (kind == "boolean" or not isinstance(value, bool))
    if kind in ("texts", "integers"):
        return isinstance(value, list) and all(_fits("text" if kind == "texts" else "integer", item) for item in value)
    if kind == "constants":
        return isinstance(value, dict) and all(isinstance(item, str | int | float | bool) for item in value.values())
    item_kind = "text" if kind == "text map" else "texts"
    return isinstance(value, dict) and all(_fits(item_kind, item) for item in value.values())


def _advice(name: str, section: str, keys: dict[str, Key]) -> str:
    """Return the nearest key of this table, else the table where the key belongs, else all keys."""
    elsewhere = [
        other for other, declared in SECTIONS.items() if other != section and name in {k.name for k in declared}
    ]
    if elsewhere:
        return f"; it belongs to {' or '.join(elsewhere)}"
    if near := nearest(name, keys):
        return near
    everywhere = {f"{other}.{key.name}": key.name for other, declared in SECTIONS.items() for key in declared}
    close = difflib.get_close_matches(name, everywhere.values(), n=1, cutoff=0.75)
    if close:
        return f"; did you mean '{next(path for path, key in everywhere.items() if key == close[0])}'?"
    return f", expected one of {', '.join(keys)}"


_IN_WORDS = {
    "text": "a text",
    "integer": "a whole number",
    "number": "a number",
    "boolean": "true or false",
    "texts": "a list of texts",
    "integers": "a list of whole numbers",
    "text map": "a table of texts",
    "texts map": "a table of lists of texts",
    "constants": "a table of texts and numbers",
}


def take(section: str, raw: Any, where: str, path: str = "") -> dict[str, Any]:
    """Check one table of a layout file against its declared keys and fill in the defaults.

    Parameters
    ----------
    section
        Name in :data:`SECTIONS`.
    raw
        The table as read.
    where
        Name of the file, for messages.
    path
        Keys that lead to the table.

    Returns
    -------
    dict
        Every declared key; sections inside it already checked.

    Raises
    ------
    LayoutError
        For an unknown key (with the nearest known one), a missing key or a wrong value.
    """
    if not isinstance(raw, dict):
        raise problem(where, path or "(file)", f"found {raw!r}, expected a table")
    keys = {key.name: key for key in SECTIONS[section]}
    prefix = f"{path}." if path else ""
    for name in raw:
        if name not in keys:
            raise problem(where, prefix + name, f"unknown key{_advice(name, section, keys)}")
    taken: dict[str, Any] = {}
    for key in keys.values():
        here = prefix + key.name
        if key.name not in raw:
            if key.required:
                raise problem(where, here, f"missing; {key.doc}")
            taken[key.name] = key.default
            continue
        value = raw[key.name]
        shape, _, inner = key.kind.partition(":")
        if shape == "table":
            taken[key.name] = take(inner, value, where, here)
        elif shape == "tables":
            if not isinstance(value, list):
                raise problem(where, here, f"found {value!r}, expected a list of tables")
            taken[key.name] = [take(inner, item, where, f"{here}[{n}]") for n, item in enumerate(value, start=1)]
        else:
            if not _fits(key.kind, value):
                raise problem(where, here, f"found {value!r}, expected {_IN_WORDS[key.kind]}")
            if key.allowed is not None and value not in key.allowed:
                listed = ", ".join(repr(one) for one in key.allowed)
                raise problem(
                    where, here, f"found {value!r}, expected one of {listed}{nearest(str(value), key.allowed)}"
                )
            taken[key.name] = value
    return taken


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a layout file, for editors."""

    def table(section: str) -> dict[str, Any]:
        properties: dict[str, Any] = {}
        for key in SECTIONS[section]:
            shape, _, inner = key.kind.partition(":")
            if shape == "table":
                entry: dict[str, Any] = {"$ref": f"#/$defs/{inner}"}
            elif shape == "tables":
                entry = {"type": "array", "items": {"$ref": f"#/$defs/{inner}"}}
            else:
                entry = dict(_JSON_TYPES[key.kind])
            if key.allowed is not None:
                entry["enum"] = list(key.allowed)
            if key.default is not None:
                entry["default"] = key.default
            properties[key.name] = {**entry, "description": key.doc}
        return {
            "type": "object",
            "additionalProperties": False,
            "required": [key.name for key in SECTIONS[section] if key.required],
            "properties": properties,
        }

    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Layout of an export of readings",
        **table("layout"),
        "$defs": {section: table(section) for section in SECTIONS if section != "layout"},
    }
