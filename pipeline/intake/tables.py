"""Reference tables of a workspace: CSV text -> typed frame, or an error that names file, line and column.

A reference table decides verdicts, so nothing in it is quarantined: one wrong cell refuses the table.
"""

from __future__ import annotations

import csv
import difflib
import io
import re
from datetime import UTC, date, datetime, time
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.errors import ReferenceTableError
from schemas.declare import UTC_TIME
from schemas.reference_tables import REFERENCE_TABLES
from schemas.terms import UNSEEN, YEARS
from schemas.validate import require

if TYPE_CHECKING:
    from collections.abc import Mapping
    from zoneinfo import ZoneInfo

    from schemas.declare import Column, Table

__all__ = ["parse_table", "parse_tables"]

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_WHOLE = re.compile(r"[+-]?\d{1,18}", re.ASCII)
_TRUTH = {"yes": True, "no": False, "true": True, "false": False}
_ROUNDING = re.compile(r"none|half_(up|even):[0-9]")


def _cell(column: Column, text: str, zone: ZoneInfo) -> tuple[Any, str | None]:
    """Return (value, problem) for one cell."""
    text = text.strip()
    if not text:
        return None, None if column.nullable else "a value is needed here"
    value: Any = text
    if column.dtype == pl.Float64:
        if not _NUMBER.fullmatch(text):
            return None, "expected a number with a decimal point"
        value = float(text)
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
            moment = (
                datetime.combine(date.fromisoformat(text), time(), zone)
                if len(text) == 10
                else datetime.fromisoformat(text)
            )
        except ValueError:
            return None, "expected a date such as 2026-03-02, or a date and time with offset"
        try:
            value = (moment if moment.tzinfo else moment.replace(tzinfo=zone)).astimezone(UTC)
        except OverflowError:  # the first or the last day of all
            return None, f"expected a time in {YEARS}"
    elif any(mark in text for mark in UNSEEN):
        return None, "expected text without marks that nobody sees"
    elif column.name == "rounding" and not _ROUNDING.fullmatch(text):
        return None, "expected none, half_up:N or half_even:N with N decimals from 0 to 9"
    return value, column.problem(value)


def _rows(text: str, where: str) -> list[tuple[int, list[str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: list[tuple[int, list[str]]] = []
    line = 1
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                rows.append((line, row))
            line = reader.line_num + 1
    except csv.Error as error:
        raise ReferenceTableError(
            f"{where}, line {line}: {error}. Expected comma-separated text with closed quotes."
        ) from None
    return rows


def _header(table: Table, header: list[str], where: str) -> None:
    for place, name in enumerate(header, start=1):
        if name not in table.names:
            near = difflib.get_close_matches(name, table.names, n=1)
            hint = f"Did you mean {near[0]!r}?" if near else f"Known columns: {', '.join(table.names)}."
            raise ReferenceTableError(f"{where}, line 1, column {place}: unknown column {name!r}. {hint}")
    for name in header:
        if header.count(name) > 1:
            raise ReferenceTableError(f"{where}, line 1: column {name!r} stands twice. Keep one.")
    for column in table:
        if column.required and column.name not in header:
            raise ReferenceTableError(f"{where}, line 1: column {column.name!r} is missing; {column.doc}")


def parse_table(table: Table, text: str, *, where: str, zone: ZoneInfo) -> pl.DataFrame:
    """Read one reference table.

    Parameters
    ----------
    table
        Its declaration.
    text
        CSV: comma, decimal point, header by column names; columns that may be empty may be missing.
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
        Names file, line and column, what was found and what was expected.
    """
    rows = _rows(text, where)
    if not rows:
        return table.empty()
    _, header = rows[0]
    header = [name.strip() for name in header]
    _header(table, header, where)
    seen: dict[tuple[Any, ...], int] = {}
    records: list[dict[str, Any]] = []
    known: dict[tuple[str, str], Any] = {}  # cells read without a problem: the same few texts stand in many rows
    for line, row in rows[1:]:
        if len(row) != len(header):
            raise ReferenceTableError(
                f"{where}, line {line}: {len(row)} cells, expected {len(header)} as in the header. Check commas and quotes."
            )
        record: dict[str, Any] = {}
        for name, cell in zip(header, row, strict=True):
            if (name, cell) not in known:
                value, problem = _cell(table[name], cell, zone)
                if problem:
                    raise ReferenceTableError(f"{where}, line {line}, column {name}: found {cell!r}; {problem}.")
                known[name, cell] = value
            record[name] = known[name, cell]
        identity = (*(record.get(name) for name in table.key), record.get("valid_from"))
        if identity in seen:
            raise ReferenceTableError(
                f"{where}, line {line}: {', '.join(str(record.get(k)) for k in table.key)} stands in line {seen[identity]} "
                "already with the same valid_from. Give a new version its own valid_from, or remove one."
            )
        seen[identity] = line
        problem = _row_problem(table.name, record)
        if problem:
            raise ReferenceTableError(f"{where}, line {line}: {problem}")
        records.append(record)
    frame = table.complete(pl.DataFrame(records, schema={n: table[n].dtype for n in header}))
    return frame.sort(*table.key, "valid_from", nulls_last=False)


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


def parse_tables(
    texts: Mapping[str, str], *, zone: ZoneInfo, folder: str = "reference", contract: bool = True
) -> dict[str, pl.DataFrame]:
    """Read all reference tables; one without a text is empty.

    Parameters
    ----------
    texts
        By name of the table.
    zone
        Zone of dates and of times without an offset.
    folder
        Where they lie, for messages.
    contract
        Hold each against its pandera contract, too. The import of pandera takes a second, so a text that passed when it
        was taken over is not held against it again.

    Raises
    ------
    ReferenceTableError
        For an unknown table name, or anything wrong in one.
    """
    unknown = sorted(set(texts) - set(REFERENCE_TABLES))
    if unknown:
        near = difflib.get_close_matches(unknown[0], REFERENCE_TABLES, n=1)
        hint = f"Did you mean {near[0]}.csv?" if near else f"Known tables: {', '.join(REFERENCE_TABLES)}."
        raise ReferenceTableError(f"{folder}/{unknown[0]}.csv is no reference table. {hint}")
    read = _held_against_contract if contract else _parsed
    return {
        name: read(name, texts[name], f"{folder}/{name}.csv", zone).clone() if name in texts else table.empty()
        for name, table in REFERENCE_TABLES.items()
    }


# the same texts are asked for many times while a command runs, and by each round of the service
@lru_cache(maxsize=2 * len(REFERENCE_TABLES))
def _parsed(name: str, text: str, where: str, zone: ZoneInfo) -> pl.DataFrame:
    return parse_table(REFERENCE_TABLES[name], text, where=where, zone=zone)


@lru_cache(maxsize=2 * len(REFERENCE_TABLES))
def _held_against_contract(name: str, text: str, where: str, zone: ZoneInfo) -> pl.DataFrame:
    return require(REFERENCE_TABLES[name], _parsed(name, text, where, zone))
