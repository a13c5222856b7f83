"""Matching a file to a layout: folder rule, header, and what is said where none or two fit."""

from __future__ import annotations

import pytest
from intake_checks import FIXTURES, layouts

from fixtures.damaged.build import files
from pipeline.intake.layout import Layout, parse_layout
from pipeline.intake.match import match
from pipeline.intake.reading import Held

GOOD = files()["good_cp1252.csv"]
KNOWN = {name: layout for name, layout in layouts().items() if name != "neutral_without_last_line_end"}


def text_of(name: str) -> str:
    return (FIXTURES / "demo/layouts" / f"{name}.toml").read_text(encoding="utf-8")


def held(found: Layout | Held) -> Held:
    assert isinstance(found, Held)
    return found


@pytest.mark.parametrize(
    ("data", "name"),
    [(GOOD, "semicolon"), (files()["good_utf16.txt"], "wide"), (files()["utf8_with_bom.csv"], "neutral")],
)
def test_the_header_tells(data: bytes, name: str) -> None:
    assert match("anything.txt", data, KNOWN, {}) is KNOWN[name]


@pytest.mark.parametrize(
    ("path", "name"),
    [
        ("inbox/EC-02/a.csv", "semicolon"),
        ("/site/inbox/EC-02/2026/a.csv", "semicolon"),
        ("inbox\\EC-02\\a.csv", "semicolon"),
        ("inbox/EC-02/old/a.csv", "wide"),
        ("EC-02/old/deep/a.csv", "wide"),
    ],
)
def test_the_longest_folder_rule_wins_over_the_header(path: str, name: str) -> None:
    rules = {"EC-02": "semicolon", "EC-02/old": "wide"}
    assert match(path, b"whatever", KNOWN, rules) is KNOWN[name]


def test_a_folder_rule_is_no_part_of_a_name_and_no_pattern() -> None:
    rules = {"EC-0": "wide", "*": "wide", "EC-02.csv": "wide"}
    assert match("inbox/EC-02/EC-02.csv", GOOD, KNOWN, rules) is KNOWN["semicolon"]


def test_contradicting_and_wrong_folder_rules_are_said() -> None:
    assert held(match("a/b/x.csv", GOOD, KNOWN, {"a": "wide", "b": "semicolon"})).reason == "layout_ambiguous"
    wrong = held(match("a/x.csv", GOOD, KNOWN, {"a": "semicolom"}))
    assert wrong.reason == "layout_unknown"
    assert "did you mean 'semicolon'?" in wrong.sentence


def test_two_layouts_with_the_same_header_are_never_guessed() -> None:
    twin = parse_layout(text_of("semicolon").replace('name = "semicolon"', 'name = "twin"'), "twin.toml")
    found = held(match("x.csv", GOOD, KNOWN | {"twin": twin}, {}))
    assert found.reason == "layout_ambiguous"
    assert [line.split()[0] for line in found.details] == ["semicolon", "twin"]


def test_rules_of_the_layouts_tell_twins_apart() -> None:
    by_folder = parse_layout(
        text_of("semicolon")
        .replace('name = "semicolon"', 'name = "twin"')
        .replace("[match]", "[match]\nfolder = 'line-2'"),
        "twin.toml",
    )
    by_name = parse_layout(
        text_of("semicolon").replace("[match]", "[match]\nfileName = 'week-[0-9]+\\.csv'"), "semicolon.toml"
    )
    both = {"semicolon": by_name, "twin": by_folder}
    assert match("line-1/week-10.csv", GOOD, both, {}) is by_name
    assert match("line-2/other.csv", GOOD, both, {}) is by_folder
    assert held(match("line-2/week-10.csv", GOOD, both, {})).reason == "layout_ambiguous"
    assert held(match("line-1/other.csv", GOOD, both, {})).reason == "layout_unknown"


def test_units_tell_layouts_with_the_same_names_apart() -> None:
    other = parse_layout(
        text_of("semicolon").replace('name = "semicolon"', 'name = "si"').replace('"%IACS"', '"MS/m"'), "si.toml"
    )
    both = {"semicolon": KNOWN["semicolon"], "si": other}
    assert match("x.csv", GOOD, both, {}) is KNOWN["semicolon"]
    assert match("x.csv", GOOD.replace(b"%IACS", b"MS/m"), both, {}) is other
    assert held(match("x.csv", GOOD.replace(b"%IACS", b"S/m"), both, {})).reason == "layout_ambiguous"


def test_a_wrong_unit_is_left_to_the_reader_to_say() -> None:
    assert match("x.csv", GOOD.replace(b"%IACS", b"S/m"), KNOWN, {}) is KNOWN["semicolon"]


def test_text_before_the_header_is_part_of_the_fingerprint() -> None:
    found = held(match("x.csv", GOOD.replace(b"Export of readings", b"Something else"), KNOWN, {}))
    assert found.reason == "layout_unknown"
    assert any("'Export of readings' does not stand before the header" in line for line in found.details)


def test_differences_to_the_nearest_layouts_are_listed() -> None:
    found = held(match("x.csv", GOOD.replace(b"Temp;Freq", b"Temperature;Freq"), KNOWN, {}))
    assert found.reason == "layout_unknown"
    assert found.details[0].startswith("semicolon (version 1)")
    assert "  column 'Temp' is missing" in found.details
    assert len([line for line in found.details if not line.startswith("  ")]) == 3


def test_layouts_without_a_header_are_found_by_name_or_folder_only() -> None:
    data = (FIXTURES / "exports" / "columns_by_spaces.txt").read_bytes()
    assert held(match("x.txt", data, KNOWN, {})).reason == "layout_unknown"
    assert match("old/x.txt", data, KNOWN, {"old": "columns_by_spaces"}) is KNOWN["columns_by_spaces"]


def test_no_layout_at_all() -> None:
    assert held(match("x.csv", GOOD, {}, {})).reason == "layout_unknown"
    assert held(match("", b"", {}, {})).reason == "empty_file"
