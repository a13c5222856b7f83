"""The corpus of damaged and odd exports: what becomes of each stands in its expected.toml, and nothing else happens."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from intake_checks import data_lines, is_whole, layouts, load

from fixtures.damaged.build import HERE, files
from pipeline.intake.layout import Layout
from pipeline.intake.match import match
from pipeline.intake.reading import Held, shown

FIXTURES = HERE.parent
EXPECTED: list[dict[str, Any]] = tomllib.loads((HERE / "expected.toml").read_text(encoding="utf-8"))["file"]


def test_the_corpus_is_what_its_generator_writes() -> None:
    written = {path.name: path.read_bytes() for path in (HERE / "files").iterdir()}
    assert written == files()


def test_every_file_of_the_corpus_has_one_expectation() -> None:
    assert sorted(case["name"] for case in EXPECTED) == sorted(files())
    assert len(EXPECTED) >= 40


@pytest.mark.parametrize("case", EXPECTED, ids=lambda case: str(case["name"]))
def test_damage(case: dict[str, Any]) -> None:
    data = (HERE / "files" / case["name"]).read_bytes()
    reading = load(data, layouts()[case["layout"]], name=case["name"])
    is_whole(reading)
    if "held" in case:
        assert reading.held is not None
        assert reading.held.reason == case["held"]
        if "line" in case:
            assert reading.held.line == case["line"]
        if "byte" in case:
            assert reading.held.byte_offset == case["byte"]
        for text in case.get("differences", []):
            assert any(text in detail for detail in reading.held.details), reading.held.details
        return
    assert reading.held is None
    assert {fate: count for fate, count in reading.counts.items() if count} == case["counts"]
    assert reading.lines == data_lines(data, layouts()[case["layout"]])
    assert reading.readings.height == case["readings"]
    refused = dict(reading.quarantine.select("line", "reason").iter_rows())
    assert refused == {int(line): reason for line, reason in case.get("refused", {}).items()}
    assert [text.partition(":")[0] for text in reading.warnings] == case.get("warnings", [])
    assert (reading.readings["clock"] == "unknown").sum() == case.get("unknown_clock", 0)
    codes = reading.readings.get_column("non_reading", default=pl.Series(dtype=pl.String))
    assert codes.drop_nulls().len() == case.get("non_readings", 0)


def test_quarantine_keeps_the_line_as_it_stands() -> None:
    data = files()["codes_and_impossible_values.csv"]
    quarantine = load(data, layouts()["semicolon"]).quarantine
    lines = data.decode("cp1252").split("\r\n")
    for line, original in quarantine.select("line", "original").iter_rows():
        assert original == lines[line - 1]


def test_hostile_text_is_kept_as_it_is_and_shown_escaped() -> None:
    lots = load(files()["hostile_lots.csv"], layouts()["neutral"]).readings["lot"].cast(pl.String).to_list()
    assert lots[0] == "</script><script>alert(1)</script>"
    assert lots[1] == '=HYPERLINK("x")'
    assert lots[4] == "\x1b[31mred\x1b[0m"
    assert len(lots[5]) == 10_000
    assert shown(lots[4]) == "\\x1b[31mred\\x1b[0m"
    assert shown(lots[7]) == "\\u202eevil\\u202c"
    assert shown(lots[8]) == "L\\u2028-9"
    assert len(shown(lots[5])) == 81


@pytest.mark.parametrize(
    "row",
    [b"2026-03-02T08:01:00Z," + b"x" * 2_000_000, b"," * 10_000_000, b'"' + b"y" * 5_000_000 + b'"'],
    ids=["line of 2 MB", "ten million columns", "field of 5 MB"],
)
@pytest.mark.parametrize("header", [True, False], ids=["after the header", "alone"])
def test_lines_too_long_are_refused_before_they_are_parsed(row: bytes, header: bool) -> None:
    start = b"measured_at,meter,role,lot,value,unit,temperature_state\n" if header else b""
    reading = load(start + row + b"\n", layouts()["neutral"])
    is_whole(reading)
    assert reading.held is not None
    assert reading.held.reason in ("line_too_long", "too_many_columns")
    assert reading.held.line == (2 if header else 1)
    assert len(reading.held.sentence) < 500


def test_a_file_over_the_cap_is_not_read() -> None:
    reading = load(files()["good_cp1252.csv"], layouts()["semicolon"], size_cap_bytes=100)
    assert reading.held is not None
    assert reading.held.reason == "too_large"


def test_an_unclosed_quote_near_the_end_of_a_long_file_loads_nothing() -> None:
    row = b"2026-03-02T08:01:00Z,EC-01,part,L-1,33.5,MS/m,at_metal,%b\n"
    header = b"measured_at,meter,role,lot,value,unit,temperature_state,remark\n"
    data = header + (row % b"") * 49_990 + (row % b'"lost') + (row % b"") * 9
    reading = load(data, layouts()["neutral"])
    is_whole(reading)
    assert reading.held is not None
    assert (reading.held.reason, reading.held.line) == ("unclosed_quote", 49_992)


def test_a_code_far_down_is_no_surprise() -> None:
    row = b"%d;02.03.2026;08:02:40;P;L-0007;1;1;;%b;22,6;60;3,0;\r\n"
    good = files()["good_cp1252.csv"]
    head = good[: good.index(b"1;02.03.2026")]
    body = b"".join(row % (n, b"OVR" if n == 30_001 else b"58,90") for n in range(1, 30_101))
    reading = load(head + body + b"Count;30100\r\n", layouts()["semicolon"])
    is_whole(reading)
    assert reading.warnings == ()
    codes = reading.readings.filter(pl.col("non_reading").is_not_null())
    assert codes.select("sequence", "non_reading").rows() == [(30_001, "overload")]


NAMES = ("lot[1].csv", "a*.csv", "-rf.csv", "x;drop.csv", "?.csv", "lot=A12/b.csv", "..%2f.csv")


@pytest.mark.parametrize("name", NAMES)
def test_file_names_are_never_patterns(name: str) -> None:
    data = files()["good_cp1252.csv"]
    path = f"/inbox/lot=A12/{name}"
    layout = match(path, data, layouts(), {})
    assert isinstance(layout, Layout)
    reading = load(data, layout, name=name)
    assert reading.name == name
    assert set(reading.readings["lot"].drop_nulls()) == {"L-0007"}


def test_damaged_files_are_held_by_the_match_too() -> None:
    reasons = {}
    for name in ("zip_named_csv.csv", "empty.csv", "nul_byte.csv", "other_table.csv", "header_renamed.csv"):
        found = match(name, files()[name], layouts(), {})
        assert isinstance(found, Held), name
        reasons[name] = found.reason
    assert reasons == {
        "zip_named_csv.csv": "not_text",
        "empty.csv": "empty_file",
        "nul_byte.csv": "nul_byte",
        "other_table.csv": "layout_unknown",
        "header_renamed.csv": "layout_unknown",
    }


def test_the_corpus_is_matched_by_header_alone() -> None:
    """Every file that loads finds the layout it is expected to, unless another declares the same header."""
    known = {name: layout for name, layout in layouts().items() if name != "neutral_without_last_line_end"}
    for case in EXPECTED:
        if "counts" in case and case["layout"] in known:
            found = match(case["name"], files()[case["name"]], known, {})
            assert isinstance(found, Layout), (case["name"], found)
            assert found.name == case["layout"]


def test_fixtures_are_found() -> None:
    assert (Path(FIXTURES) / "demo" / "layouts" / "semicolon.toml").is_file()
