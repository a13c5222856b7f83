"""Reference tables of a workspace: CSV text -> typed frame, or an error that names file, line and column.

A reference table decides verdicts, so nothing in it is quarantined: one wrong cell refuses the table.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.errors import ReferenceTableError
from pipeline.near import all_of, nearest
from schemas.declare import UTC_TIME
from schemas.reference_tables import REFERENCE_TABLES
from schemas.terms import UNSEEN, YEARS
from schemas.validate import require

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from zoneinfo import ZoneInfo

    from schemas.declare import Column, Table

__all__ = ["TablesLater", "parse_table", "parse_tables"]

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_LEAST, _MOST = 1e-15, 1e15
"""No quantity of these tables is smaller or larger, in any of its units; far beyond, no square can be computed (own bounds)."""
_WHOLE = re.compile(r"[+-]?\d{1,18}", re.ASCII)
_TRUTH = {"yes": True, "no": False, "true": True, "false": False}
_ROUNDING = re.compile(r"none|half_(up|even):[0-9]")


def _cell(column: Column, text: str, zone: ZoneInfo) -> tuple[Any, str | None]:
    """Return (value, problem) for one cell."""
    text = text.strip()
    if not text:
        return None, None if column.nullable else "a value is needed here"
    value: Any = text
    if column.dtype is pl.String:
        if not text.isascii() and any(mark in text for mark in UNSEEN):
            return None, "expected text without marks that nobody sees"
        if column.name == "rounding" and not _ROUNDING.fullmatch(text):
            return None, "expected none, half_up:N or half_even:N with N decimals from 0 to 9"
    elif column.dtype == pl.Float64:
        if not _NUMBER.fullmatch(text):
            return None, "expected a number with a decimal point"
        value = float(text)
        if value and not _LEAST <= abs(value) <= _MOST and math.isfinite(value):
            return None, f"expected 0, or a number from {_LEAST:g} to {_MOST:g} in size"
    elif column.dtype == pl.Int64:
        if not _WHOLE.fullmatch(text):
            return None, "expected a whole number"
        value = int(text)
    elif column.dtype == pl.Boolean:
        if text.lower() not in _TRUTH:
            return None, "expected yes or no"
        value = _TRUTH[text.lower()]
    elif column.dtype == UTC_TIME:
        try:
            moment = datetime.fromisoformat(text)  # a day is its midnight
        except ValueError:
            return None, "expected a date such as 2026-03-02, or a date and time with offset"
        try:
            value = (moment if moment.tzinfo else moment.replace(tzinfo=zone)).astimezone(UTC)
        except OverflowError:  # the first or the last day of all
            return None, f"expected a time in {YEARS}"
    wrong = column.problem(value)
    if wrong is not None and column.allowed is not None:
        wrong += nearest(text, column.allowed)
    return value, wrong


def _rows(text: str, where: str) -> list[tuple[int, list[str]]]:
    """Return the filled rows with their lines; what stands before the header and begins with # is a comment."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: list[tuple[int, list[str]]] = []
    line = 1
    try:
        for row in reader:
            if any(cell.strip() for cell in row) and (rows or not row[0].lstrip().startswith("#")):
                rows.append((line, row))
            line = reader.line_num + 1
    except csv.Error as error:
        raise ReferenceTableError(
            f"{where}, line {line}: {error}. Expected comma-separated text with closed quotes."
        ) from None
    return rows


def _wrong_header(table: Table, header: list[str]) -> list[str]:
    wrong = []
    for place, name in enumerate(header, start=1):
        if name not in table.names:
            hint = nearest(name, table.names) or f". Known columns: {', '.join(table.names)}."
            wrong.append(f"column {place}: unknown column {name!r}{hint}")
    wrong += [f"column {name!r} stands twice. Keep one." for name in dict.fromkeys(header) if header.count(name) > 1]
    return wrong + [
        f"column {column.name!r} is missing; {column.doc}"
        for column in table
        if column.required and column.name not in header
    ]


def parse_table(table: Table, text: str, *, where: str, zone: ZoneInfo) -> pl.DataFrame:
    """Read one reference table.

    Parameters
    ----------
    table
        Its declaration.
    text
        CSV: comma, decimal point, header by column names; columns that may be empty may be missing. Lines before the header
        that begin with # are comments.
    where
        Name of the file, for messages.
    zone
        Zone of dates and of times without an offset.

    Returns
    -------
    polars.DataFrame
        All declared columns, sorted by key and `valid_from` (the first version of a row first).

    Raises
    ------
    ReferenceTableError
        Names for all that is wrong file, line and column, what was found, what was expected and the nearest allowed value.
    """
    plain = _plain(table, text, zone)
    if plain is not None:
        return _in_order(table, plain)
    rows = _rows(text, where)
    if not rows:
        return table.empty()
    first, header = rows[0]
    header = [name.strip() for name in header]
    if wrong := _wrong_header(table, header):
        raise ReferenceTableError(all_of([f"{where}, line {first}, {one}" for one in wrong], where))
    found: list[tuple[int, int, str]] = []  # line, place in it, what is wrong there
    lines, filled = [], []
    for line, row in rows[1:]:
        if len(row) == len(header):
            lines.append(line)
            filled.append(row)
        else:
            cells = f"{len(row)} cells, expected {len(header)} as in the header. Check commas and quotes."
            found.append((line, 0, f": {cells}"))
    values: dict[str, Sequence[Any]] = {}
    for place, name in enumerate(header):  # column by column: the same few texts stand in many rows
        column = [row[place] for row in filled]
        known = {cell: _cell(table[name], cell, zone) for cell in dict.fromkeys(column)}
        values[name] = [known[cell][0] for cell in column]
        if any(problem for _, problem in known.values()):
            for line, cell in zip(lines, column, strict=True):
                if problem := known[cell][1]:
                    end = "" if problem.endswith("?") else "."
                    found.append((line, place, f", column {name}: found {cell!r}; {problem}{end}"))
    seen: dict[tuple[Any, ...], int] = {}
    named = [values.get(name, [None] * len(lines)) for name in (*table.key, "valid_from")]
    for line, *identity in zip(lines, *named, strict=True):
        before = seen.setdefault(tuple(identity), line)
        if before != line:
            shown = ", ".join(str(part) for part in identity[:-1] if part is not None)
            again = f": {shown} stands in line {before} already with the same valid_from. Give a new version its own valid_from, or remove one."
            found.append((line, len(header), again))
            seen[tuple(identity)] = line
    ruled = {name: values[name] for name in _RULED if name in values}
    for place, line in enumerate(lines):
        if problem := _row_problem(table.name, {name: cells[place] for name, cells in ruled.items()}):
            found.append((line, len(header) + 1, f": {problem}"))
    if found:
        wrong = [f"{where}, line {line}{said}" for line, _, said in sorted(found)]
        raise ReferenceTableError(all_of(wrong, where))
    return _in_order(table, pl.DataFrame(values, schema={n: table[n].dtype for n in header}))


def _in_order(table: Table, frame: pl.DataFrame) -> pl.DataFrame:
    return table.complete(frame).sort(*table.key, *(["valid_from"] if "valid_from" in table.names else []))


def _plain(table: Table, text: str, zone: ZoneInfo) -> pl.DataFrame | None:
    """Return the columns of a text without quotes in which nothing is wrong, ten times as fast as row by row; None for any other."""
    text = text.replace("\r\n", "\n")
    if '"' in text or not text.replace("\n", "").isprintable():
        return None
    written = pl.Series("line", text.split("\n"))
    lines = written.filter(written.str.strip_chars(" ,") != "")
    first = next((place for place, line in enumerate(lines) if not line.lstrip().startswith("#")), lines.len())
    header = [name.strip() for line in lines[first : first + 1] for name in line.split(",")]
    if not header or _wrong_header(table, header):
        return None
    *cells, beyond = lines[first + 1 :].str.split_exact(",", len(header)).struct.unnest().get_columns()
    if beyond.null_count() < beyond.len() or cells[-1].null_count():
        return None
    values = []
    for name, found in zip(header, cells, strict=True):
        column, distinct = table[name], found.unique()
        if column.dtype is pl.String and column.allowed is None and column.name != "rounding":
            text_alone = found.str.strip_chars(" ").replace("", None).alias(name)
            if not column.nullable and text_alone.null_count():
                return None
            values.append(text_alone)
            continue
        known = [_cell(column, cell, zone) for cell in distinct]
        if any(problem for _, problem in known):
            return None
        new = pl.Series([value for value, _ in known], dtype=column.dtype)
        values.append(found.replace_strict(distinct, new).alias(name))
    frame = pl.DataFrame(values)
    if frame.select(name for name in (*table.key, "valid_from") if name in header).is_duplicated().any():
        return None
    ruled = frame.select(name for name in _RULED if name in header).unique()
    return None if any(_row_problem(table.name, row) for row in ruled.iter_rows(named=True)) else frame


_RULED = (
    "lower", "upper", "unit", "conforms_by", "k", "most_nonconforming_percent", "decision_rule", "tolerance", "certified_value",
    "temperature_model", "coefficient", "low", "high", "value", "expanded_uncertainty", "coverage_factor",
)  # fmt: skip
"""Columns that the rules across a row see, whichever way the text is read: a rule of another column would never fire."""


def _row_problem(name: str, row: dict[str, Any]) -> str | None:
    """Rules across the columns of one row."""
    low, high = row.get("lower"), row.get("upper")
    if low is not None and high is not None and low >= high:
        return f"lower = {low:g} is not below upper = {high:g}."
    if name == "specifications":
        if (low is not None or high is not None) and row.get("unit") is None:
            return "limits need a unit."
        two = low is not None and high is not None
        if row.get("conforms_by") == "k_method" and row.get("k") is None:
            if row.get("most_nonconforming_percent") is None:
                return "conforms_by = k_method needs a k, or with two limits a most_nonconforming_percent (M)."
            if not two:
                return (
                    "conforms_by = k_method with one limit needs a k; most_nonconforming_percent (M) is for two limits."
                )
        if row.get("conforms_by") == "k_method" and row.get("decision_rule") == "guarded":
            return "the k method has no guarded rule; use decision_rule = simple."
    if name == "studies" and (row.get("tolerance") is None) != (row.get("unit") is None):
        return "a tolerance and its unit go together."
    if name == "blocks" and row.get("certified_value") is not None and row.get("unit") is None:
        return "a certified value needs a unit."
    if name == "materials" and (row.get("temperature_model") is None) != (row.get("coefficient") is None):
        return "a temperature model and its coefficient go together."
    if name == "corrections":
        start, end = row.get("low"), row.get("high")
        if start is not None and end is not None and start >= end:
            return f"low = {start:g} is not below high = {end:g}."
        if row.get("value") is not None and row.get("unit") is None:
            return "a correction needs a unit, MS/m or %IACS."
    if row.get("expanded_uncertainty") is not None and row.get("coverage_factor") is None:
        return "an expanded uncertainty needs its coverage factor."
    return None


def parse_tables(texts: Mapping[str, str], *, zone: ZoneInfo, contract: bool = True) -> dict[str, pl.DataFrame]:
    """Read all reference tables; one without a text is empty.

    Parameters
    ----------
    texts
        By name of the table.
    zone
        Zone of dates and of times without an offset.
    contract
        Hold each against its pandera contract, too. The import of pandera takes a second, so a text that passed when it
        was taken over is not held against it again.

    Raises
    ------
    ReferenceTableError
        For an unknown table name, or anything wrong in one.
    """
    wrong = _unknown(texts)
    read = _held_against_contract if contract else _parsed
    found = {}
    for name in REFERENCE_TABLES:
        try:
            found[name] = _read(name, texts, read, zone)
        except ReferenceTableError as error:
            wrong.append(str(error))
    if wrong:
        raise ReferenceTableError("\n".join(wrong))
    return found


def _unknown(texts: Mapping[str, str]) -> list[str]:
    return [
        f"reference/{name}.csv is no reference table{nearest(name, REFERENCE_TABLES) or '. Known tables: ' + ', '.join(REFERENCE_TABLES) + '.'}"
        for name in sorted(set(texts) - set(REFERENCE_TABLES))
    ]


class TablesLater(Mapping[str, pl.DataFrame]):
    """All reference tables, each read when somebody looks at it: texts that passed when they were taken over."""

    def __init__(self, texts: Mapping[str, str], zone: ZoneInfo) -> None:
        if wrong := _unknown(texts):
            raise ReferenceTableError("\n".join(wrong))
        self._texts, self._zone = texts, zone
        self._read: dict[str, pl.DataFrame] = {}

    def __getitem__(self, name: str) -> pl.DataFrame:
        """Return a table.

        Raises
        ------
        ReferenceTableError
            For anything wrong in it.
        """
        if name not in self._read:
            known = {name: self._texts[name]} if name in self._texts else {}
            self._read[name] = _read(name, known, _parsed, self._zone)
        return self._read[name]

    def __iter__(self) -> Iterator[str]:
        """Return the names of the tables."""
        return iter(REFERENCE_TABLES)

    def __len__(self) -> int:
        """Return how many tables there are."""
        return len(REFERENCE_TABLES)


def _read(name: str, texts: Mapping[str, str], read: Callable[..., pl.DataFrame], zone: ZoneInfo) -> pl.DataFrame:
    if name not in texts:
        return REFERENCE_TABLES[name].empty()
    return read(name, texts[name], f"reference/{name}.csv", zone).clone()


# the same texts are asked for many times while a command runs, and by each round of the service
@lru_cache(maxsize=2 * len(REFERENCE_TABLES))
def _parsed(name: str, text: str, where: str, zone: ZoneInfo) -> pl.DataFrame:
    return parse_table(REFERENCE_TABLES[name], text, where=where, zone=zone)


@lru_cache(maxsize=2 * len(REFERENCE_TABLES))
def _held_against_contract(name: str, text: str, where: str, zone: ZoneInfo) -> pl.DataFrame:
    return require(REFERENCE_TABLES[name], _parsed(name, text, where, zone))
