"""Hypothesis writes an export in any declared layout, layout and values generated; what is read back is equal to it.

The writer here shares no code with the reader. 200 layouts with up to 12 lines each a run.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import polars as pl
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from intake_checks import is_whole, load

from pipeline.intake import reader
from pipeline.intake.layout import parse_layout
from pipeline.intake.match import match
from pipeline.metrology.units import convert

if TYPE_CHECKING:
    import pytest

CASES = 200
_ENCODINGS = {
    "utf-8": "utf-8",
    "utf-8 with mark": "utf-8-sig",
    "cp1252": "cp1252",
    "utf-16": "utf-16",
    "cp850": "cp850",
}
_DATES = (
    "%Y-%m-%dT%H:%M:%S%z",
    "%d.%m.%Y %H:%M:%S",
    "%m/%d/%Y %I:%M:%S %p",
    "%Y%m%d %H%M%S",
    "%d %b %y %H:%M:%S.%f",
    "%d/%m %H:%M:%S",
    "default",
    "%s",
)
_CODES = {"OVR": "overload", "----": "no_reading", "> 110": "above_range", "999": "probe_lifted"}


@dataclass(frozen=True)
class Dialect:
    encoding: str
    delimiter: str
    decimal: str
    group: str | None
    end: str
    date: str
    two_columns: bool
    zone: str
    unit: str
    unit_place: str  # header | row | column | nowhere
    replicates: int  # 0 = long
    header: bool
    preamble: bool
    footer: bool
    comments: bool
    final_newline: bool
    pad: bool
    codes: bool
    order: tuple[int, ...]
    fields_match: str


@st.composite
def dialects(draw: st.DrawFn) -> Dialect:
    delimiter = draw(st.sampled_from([",", ";", "\t", "|"]))
    decimal = draw(st.sampled_from([".", ","]))
    group = draw(st.sampled_from([None, None, "'", " ", ",", "."]))
    replicates = draw(st.sampled_from([0, 0, 1, 3, 5]))
    header = replicates > 0 or draw(st.booleans())
    date = draw(st.sampled_from(_DATES))
    return Dialect(
        encoding=draw(st.sampled_from(list(_ENCODINGS))),
        delimiter=delimiter,
        decimal=decimal,
        group=None if group == decimal else group,
        end=draw(st.sampled_from(["\n", "\r\n", "\r"])),
        date=date,
        two_columns=" " in date and date.count(" ") == 1 and draw(st.booleans()),
        zone=draw(st.sampled_from(["Europe/Oslo", "America/New_York", "UTC", "Asia/Kolkata"])),
        unit=draw(st.sampled_from(["MS/m", "%IACS", "uOhm.cm", "nOhm.m"])),
        unit_place=draw(st.sampled_from(["header", "row", "column", "nowhere"] if header else ["column", "nowhere"])),
        replicates=replicates,
        header=header,
        preamble=draw(st.booleans()),
        footer=draw(st.booleans()),
        comments=draw(st.booleans()),
        final_newline=draw(st.booleans()),
        pad=draw(st.booleans()),
        codes=draw(st.booleans()),
        order=tuple(draw(st.permutations(range(11)))),
        fields_match=draw(st.sampled_from(["exact", "equal"])) if header else "exact",
    )


_NAMES = st.from_regex(r"[A-Z][A-Za-z0-9_.-]{0,6}[A-Z]", fullmatch=True)
_TEXT = st.text(st.sampled_from("abc XYZ09\"';,|=+-@<>&äéß°"), max_size=12).map(str.strip)


@st.composite
def records(draw: st.DrawFn, dialect: Dialect) -> dict[str, Any]:
    seconds = draw(st.integers(0, 27 * 86_400 - 1))
    # February: no change of the clock in any zone, so that local times are those of one moment
    at = datetime(2026, 2, 1, tzinfo=ZoneInfo(dialect.zone)) + timedelta(seconds=seconds)
    if dialect.date == "%d %b %y %H:%M:%S.%f":
        at = at.replace(microsecond=draw(st.integers(0, 999_999)))
    block = draw(st.booleans())
    count = max(dialect.replicates, 1)
    low, high = sorted(convert(limit, "MS/m", dialect.unit) for limit in (0.6, 64.0))
    values: list[str | None] = []
    for _ in range(count):
        kind = draw(
            st.sampled_from(["number"] * 6 + (["code"] if dialect.codes else []) + (["blank"] if count > 1 else []))
        )
        if kind == "number":
            places = draw(st.sampled_from([1, 2, 4]))
            text = f"{draw(st.floats(low * 1.01, high * 0.99)):.{places}f}"
            values.append(text if low < float(text) < high else f"{(low + high) / 2:.4f}")
        else:
            values.append(draw(st.sampled_from(list(_CODES))) if kind == "code" else None)
    if all(value is None for value in values):
        values[0] = f"{(low + high) / 2:.4f}"
    return {
        "at": at,
        "meter": draw(_NAMES),
        "role": draw(st.sampled_from(["block", "setting"])) if block else "part",
        "lot": None if block else "L" + draw(_NAMES),
        "part": draw(st.one_of(st.none(), _NAMES)),
        "block": draw(st.sampled_from(["BL-A1", "BL-C1"])) if block else None,
        "sequence": draw(st.one_of(st.none(), st.integers(0, 10_000_000))),
        "values": values,
        "temperature": draw(st.one_of(st.none(), st.integers(-200, 600).map(lambda n: f"{n / 10:.1f}"))),
        "frequency": draw(st.one_of(st.none(), st.sampled_from(["60000", "480000", "1000", "999.5"]))),
        "remark": draw(_TEXT) or None,
    }


def written_number(text: str, dialect: Dialect) -> str:
    """Write a number with the marks of a dialect."""
    if text in _CODES:
        return text
    whole, _, fraction = text.lstrip("-").partition(".")
    if dialect.group is not None and len(whole) > 3:
        first = len(whole) % 3
        groups = ([whole[:first]] if first else []) + [whole[n : n + 3] for n in range(first, len(whole), 3)]
        whole = dialect.group.join(groups)
    return ("-" if text.startswith("-") else "") + whole + (dialect.decimal + fraction if fraction else "")


def written_time(at: datetime, dialect: Dialect) -> list[str]:
    if dialect.date == "default":
        return [at.isoformat()]
    if dialect.date == "%s":
        return [str(int(at.timestamp()))]
    if dialect.two_columns:
        date, time = dialect.date.split(" ", 1)
        return [at.strftime(date), at.strftime(time)]
    return [at.strftime(dialect.date)]


def quoted(cell: str, dialect: Dialect) -> str:
    # any rule of quoting is fine that a strict reader of RFC 4180 takes back
    if any(mark in cell for mark in (dialect.delimiter, '"', "#")):
        return '"' + cell.replace('"', '""') + '"'
    return f" {cell} " if dialect.pad and cell else cell


def columns(dialect: Dialect) -> list[dict[str, Any]]:
    """The columns of the export: name, unit as shown, keys of the field, cells of a record."""
    with_unit = dialect.unit_place in ("header", "row")
    value: dict[str, Any] = {"column": "value", "type": "number"}
    if dialect.unit_place != "column":
        value["unit"] = dialect.unit
    if dialect.replicates:
        value["namePattern"] = r"V(\d+)"
        value["replicates"] = dialect.replicates
    times = [("date", {"column": "measured_at", "type": "datetime", "format": dialect.date})]
    if dialect.two_columns:
        date, time = dialect.date.split(" ", 1)
        times = [
            ("date", {"column": "measured_date", "type": "date", "format": date}),
            ("time", {"column": "measured_time", "type": "time", "format": time}),
        ]
    made: list[dict[str, Any]] = [
        {"name": name, "field": field, "cell": (lambda record, n=n: written_time(record["at"], dialect)[n])}
        for n, (name, field) in enumerate(times)
    ]
    made += [
        {"name": "who", "field": {"column": "meter"}, "cell": lambda record: record["meter"]},
        {
            "name": "kind",
            "field": {"column": "role", "values": {"B": "block", "P": "part", "S": "setting"}},
            "cell": lambda record: record["role"][0].upper(),
        },
        {"name": "lot", "field": {"column": "lot"}, "cell": lambda record: record["lot"]},
        {"name": "piece", "field": {"column": "part"}, "cell": lambda record: record["part"]},
        {"name": "standard", "field": {"column": "block"}, "cell": lambda record: record["block"]},
        {
            "name": "no",
            "field": {"column": "sequence", "type": "integer"},
            "cell": lambda record: None if record["sequence"] is None else str(record["sequence"]),
        },
        {"name": "values", "field": value, "unit": dialect.unit, "cell": None},
        {
            "name": "T",
            "field": {"column": "temperature_c", "type": "number", "unit": "degC"},
            "unit": "°C",
            "cell": lambda record: (
                None if record["temperature"] is None else written_number(record["temperature"], dialect)
            ),
        },
        {
            "name": "f",
            "field": {"column": "frequency_khz", "type": "number", "unit": "Hz"},
            "unit": "Hz",
            "cell": lambda record: (
                None if record["frequency"] is None else written_number(record["frequency"], dialect)
            ),
        },
        {"name": "remark", "field": {"column": "remark"}, "cell": lambda record: record["remark"]},
    ]
    made = [made[place] for place in dict.fromkeys((*dialect.order, *range(len(made)))) if place < len(made)]
    if dialect.unit_place == "column":
        made.append({"name": "unit", "field": {"column": "unit"}, "cell": lambda _: dialect.unit})
    for column in made:
        if with_unit and "unit" in column and dialect.unit_place == "header":
            column["field"]["unitInHeader"] = True
    return made


def toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{toml(key)} = {toml(item)}" for key, item in value.items()) + " }"
    if isinstance(value, bool | int):
        return str(value).lower()
    escapes = {"\n": "\\n", "\r": "\\r", "\t": "\\t", "\\": "\\\\", '"': '\\"'}
    return '"' + "".join(escapes.get(mark, mark) for mark in value) + '"'


def layout_text(dialect: Dialect) -> str:
    made = columns(dialect)
    year = not re.search(r"%[Yys]|default", dialect.date)
    encoding = {"utf-8 with mark": "utf-8"}.get(dialect.encoding, dialect.encoding)
    offset = dialect.date in ("default", "%s") or "%z" in dialect.date
    top = {
        "name": "made",
        "version": 3,
        "shape": "wide" if dialect.replicates else "long",
        "zone": "offset" if offset else dialect.zone,
    }
    rules: dict[str, Any] = {
        "encoding": encoding,
        "delimiter": dialect.delimiter,
        "lineTerminator": dialect.end,
        "header": dialect.header,
        "unitsRow": dialect.unit_place == "row",
        "finalNewline": dialect.final_newline,
        "trimCells": dialect.pad,
    }
    if dialect.comments:
        rules["commentChar"] = "#"
    if not dialect.header and dialect.preamble:
        rules["preambleRows"] = 3
    lines = [f"{key} = {toml(value)}" for key, value in top.items()]
    lines += ["[dialect]", *(f"{key} = {toml(value)}" for key, value in rules.items())]
    lines += ["[schema]", f"fieldsMatch = {toml(dialect.fields_match)}", f"decimalChar = {toml(dialect.decimal)}"]
    if dialect.group:
        lines.append(f"groupChar = {toml(dialect.group)}")
    for column in made:
        field = dict(column["field"])
        if "namePattern" not in field:
            field["name"] = column["name"]
        lines += ["[[schema.fields]]", *(f"{key} = {toml(value)}" for key, value in field.items())]
    if dialect.preamble:
        lines += ["[preamble]", 'separator = ":"', 'keys = [{ key = "By", column = "operator" }]']
    lines += ["[constants]", 'temperature_state = "at_metal"', *(["year = 2026"] if year else [])]
    if dialect.codes:
        lines += ["[nonReadings]", *(f"{toml(code)} = {toml(name)}" for code, name in _CODES.items())]
    if dialect.footer:
        lines += ["[footer]", 'pattern = "Lines"', 'statistics = [{ label = "Lines", statistic = "count", cell = 2 }]']
    return "\n".join(lines) + "\n"


def export(dialect: Dialect, entries: list[dict[str, Any]]) -> bytes:
    """The file, written by hand."""
    made = columns(dialect)
    lines: list[str] = []
    if dialect.preamble:
        lines += ["Export of somebody", "By: Zoë", ""]
    if dialect.header:
        names: list[str] = []
        for column in made:
            several = dialect.replicates if column["field"]["column"] == "value" and dialect.replicates else 0
            own = [f"V{n}" for n in range(1, several + 1)] if several else [column["name"]]
            unit = f" [{column['unit']}]" if dialect.unit_place == "header" and "unit" in column else ""
            names += [name + unit for name in own]
        lines.append(dialect.delimiter.join(quoted(name, dialect) for name in names))
        if dialect.unit_place == "row":
            units: list[str] = []
            for column in made:
                count = dialect.replicates if column["field"]["column"] == "value" and dialect.replicates else 1
                units += [column.get("unit", "")] * count
            lines.append(dialect.delimiter.join(quoted(unit, dialect) for unit in units))
    for number, record in enumerate(entries):
        cells: list[str] = []
        for column in made:
            if column["cell"] is None:
                cells += ["" if value is None else written_number(value, dialect) for value in record["values"]]
            else:
                cells.append(column["cell"](record) or "")
        lines.append(dialect.delimiter.join(quoted(cell, dialect) for cell in cells))
        if dialect.comments and number % 3 == 1:
            lines += ["# a remark; of, the | meter", ""]
    if dialect.footer:
        lines.append(f"Lines{dialect.delimiter}{len(entries)}")
    text = dialect.end.join(lines) + (dialect.end if dialect.final_newline else "")
    return text.encode(_ENCODINGS[dialect.encoding])


def expected(dialect: Dialect, entries: list[dict[str, Any]]) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    for record in entries:
        for number, value in enumerate(record["values"], start=1):
            if value is None:
                continue
            code = _CODES.get(value)
            rows.append(
                {
                    "replicate": number,
                    "measured_at": record["at"].astimezone(UTC),
                    "meter": record["meter"],
                    "operator": "Zoë" if dialect.preamble else None,
                    "role": record["role"],
                    "lot": record["lot"],
                    "part": record["part"],
                    "block": record["block"],
                    "sequence": record["sequence"],
                    "value": None if code else float(value),
                    "unit": dialect.unit,
                    "non_reading": code,
                    "temperature_c": None if record["temperature"] is None else float(record["temperature"]),
                    "frequency_khz": None if record["frequency"] is None else float(record["frequency"]) / 1000.0,
                    "remark": record["remark"],
                    "clock": "known",
                    "temperature_state": "at_metal",
                }
            )
    return rows


@st.composite
def cases(draw: st.DrawFn) -> tuple[Dialect, list[dict[str, Any]], int]:
    dialect = draw(dialects())
    entries = draw(st.lists(records(dialect), min_size=1, max_size=12))
    return dialect, entries, draw(st.sampled_from([600, 1_500, 1 << 20]))


@settings(
    max_examples=CASES, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture]
)
@given(case=cases())
def test_what_is_written_is_read(
    case: tuple[Dialect, list[dict[str, Any]], int], monkeypatch: pytest.MonkeyPatch
) -> None:
    dialect, entries, chunk = case
    layout = parse_layout(layout_text(dialect), "made.toml")
    data = export(dialect, entries)
    # the size of a chunk must make no difference
    monkeypatch.setattr(reader, "CHUNK_BYTES", chunk)
    reading = load(data, layout)
    is_whole(reading)
    assert reading.held is None, reading.held
    assert reading.quarantine.height == 0, reading.quarantine.to_dicts()
    assert reading.warnings == ()
    assert reading.counts["accepted"] == len(entries)
    wanted = expected(dialect, entries)
    names = list(wanted[0])
    frame = reading.readings.with_columns(pl.col(pl.Categorical).cast(pl.String))
    frame = frame.with_columns(pl.lit(None).alias(name) for name in names if name not in frame.columns)
    assert frame.select(names).to_dicts() == wanted
    for value, unit, in_ms in frame.select("value", "unit", "value_ms_per_m").iter_rows():
        assert in_ms == (None if value is None else convert(value, unit, "MS/m"))
    if dialect.header:
        assert match("inbox/a.txt", data, {"made": layout}, {}) is layout
