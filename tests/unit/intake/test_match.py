"""Matching a file to a layout: folder rule, header, and what is said where none or two fit."""

from __future__ import annotations

import pytest
from intake_checks import FIXTURES, layouts, load
from sample_layouts import LOT_WHEN_VALUE

from fixtures.damaged.build import files
from pipeline.intake.layout import Layout, parse_layout
from pipeline.intake.match import match
from pipeline.intake.reading import Held, HoldFile
from pipeline.intake.workbooks.reading import sheets_of

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


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"a;b\n\0;c\n", "nul_byte"),
        (b"a;\xc3\xa9\nb;\xe9\n", "mixed_encodings"),
        (b"x" * 1_000_001 + b"\n", "line_too_long"),
    ],
)
@pytest.mark.parametrize("first", ["semicolon", "wide"])
def test_damage_under_every_layout_is_the_finding_whatever_one_in_another_encoding_says(
    data: bytes, reason: str, first: str
) -> None:
    names = ["semicolon", "wide"]
    known = {f"{place}": KNOWN[name] for place, name in enumerate(names if first == names[0] else names[::-1])}
    assert held(match("x.csv", data, known, {})).reason == reason
    assert held(match("x.csv", data, {"0": KNOWN["wide"]}, {})).reason == "layout_unknown"


def test_damage_under_some_layouts_is_no_finding_where_another_reads_the_bytes() -> None:
    """E9 is no character of UTF-8 here, and one of windows-1252."""
    found = held(match("x.csv", b"a;\xe9\nb\n", {name: KNOWN[name] for name in ("neutral", "semicolon")}, {}))
    assert found.reason == "layout_unknown"
    assert [line.split()[0] for line in found.details if not line.startswith(" ")] == ["neutral", "semicolon"]


def test_a_workbook_that_cannot_be_unpacked_is_held_for_that() -> None:
    data = b"PK\x03\x04 and nothing of a workbook"
    with pytest.raises(HoldFile) as caught:
        sheets_of(data)
    for known in (KNOWN, {}):
        assert held(match("x.xlsx", data, known, {})) == caught.value.held
    assert held(match("x.csv", b"\x1f\x8b\x08", KNOWN, {})).reason == "not_text"


KEYED = (
    """
name = "keyed"
version = 1
zone = "offset"
fileName = { pattern = 'week-[0-9]+\\.csv' }
[dialect]
unitsRow = true
[preamble]
separator = ":"
keys = [{ key = "Serial", column = "meter", constraints = { pattern = "EC-[0-9]+" } }, { key = "Site", constraints = { enum = ["north"] } }]
"""
    + LOT_WHEN_VALUE
)
KEYED_FILE = "Serial: EC-01\nSite: north\nLot,When,Value\n,,MS/m\nL-1,2026-03-02T08:00:00Z,33.1\n"


@pytest.mark.parametrize(
    ("old", "new", "file_name", "reason"),
    [
        ("", "", "week-1.csv", None),
        ("", "", "other.csv", "file_name_mismatch"),
        ("EC-01", "other", "week-1.csv", "serial_mismatch"),
        ("north", "south", "week-1.csv", "preamble_mismatch"),
        ("Serial: EC-01\n", "", "week-1.csv", "preamble_key_missing"),
        (",,MS/m", ",,%IACS", "week-1.csv", "unit_mismatch"),
        (",,MS/m\nL-1,2026-03-02T08:00:00Z,33.1\n", "", "week-1.csv", "units_missing"),
        ("When", "Whem", "week-1.csv", "header_mismatch"),
    ],
)
def test_a_file_with_the_columns_of_a_layout_belongs_to_it_whatever_else_it_says(
    old: str, new: str, file_name: str, reason: str | None
) -> None:
    keyed = parse_layout(KEYED, "keyed.toml")
    data = KEYED_FILE.replace(old, new, 1).encode()
    reading = load(data, keyed, name=file_name)
    assert (reading.held.reason if reading.held else None) == reason
    found = match(file_name, data, {"keyed": keyed, "semicolon": KNOWN["semicolon"]}, {})
    assert held(found).reason == "layout_unknown" if reason == "header_mismatch" else found is keyed


def test_the_start_of_a_file_is_enough() -> None:
    """Whatever stands beyond its first megabytes, damaged or not: the reader says so."""
    long = KEYED_FILE + "L-1,2026-03-02T08:00:00Z,33.1\n" * 200_000
    keyed = {"keyed": parse_layout(KEYED, "keyed.toml")}
    for end in (b"\0", b"\xff", b"x" * 2_000_000):
        assert match("week-1.csv", long.encode() + end, keyed, {}) is keyed["keyed"]


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff", b"\r\n", b"\xef\xbb\xbf \t\r\n\n"])
def test_a_file_that_says_nothing_is_empty_and_no_layout_is_tried(mark: bytes) -> None:
    assert held(match("x.csv", mark, KNOWN, {})).reason == "empty_file"
    assert held(match("x.csv", mark + b"x", KNOWN, {})).reason != "empty_file"


def test_layouts_are_named_in_order_whatever_the_order_of_the_files() -> None:
    names = ["delta", "alpha", "charlie", "bravo"]
    twins = {
        name: parse_layout(text_of("semicolon").replace('name = "semicolon"', f'name = "{name}"'), "twin.toml")
        for name in names
    }
    found = held(match("x.csv", GOOD, twins, {}))
    assert [line.split()[0] for line in found.details] == sorted(names)


@pytest.mark.parametrize("folder", ["./a/b", "a/./b", "a//b/", "/a/b", ".\\a\\b"])
def test_a_folder_is_named_in_any_way(folder: str) -> None:
    assert match("inbox/a/b/x.csv", b"whatever", KNOWN, {folder: "wide", "a": "semicolon"}) is KNOWN["wide"]
    assert match("inbox/a/c/b/x.csv", b"whatever", KNOWN, {folder: "wide", "a": "semicolon"}) is KNOWN["semicolon"]


@pytest.mark.parametrize("folder", ["", ".", "/", "./"])
def test_a_rule_that_names_no_folder_rules_nothing(folder: str) -> None:
    assert match("inbox/a/x.csv", GOOD, KNOWN, {folder: "wide"}) is KNOWN["semicolon"]


def test_the_nearest_layouts_come_first() -> None:
    """First what differs in its header, by how much, then what cannot be read by it at all."""

    def changed(name: str, *columns: str) -> Layout:
        text = KEYED.replace('"keyed"', f'"{name}"')
        for column in columns:
            text = text.replace(f'name = "{column}"', f'name = "other {column}"')
        return parse_layout(text, name)

    far = parse_layout(KEYED.replace('"keyed"', '"a"').replace("[dialect]", '[dialect]\nencoding = "utf-16"'), "a")
    known = {one.name: one for one in (changed("b", "Lot", "When"), changed("d", "Lot"), changed("c", "Value"), far)}
    found = held(match("week-1.csv", KEYED_FILE.encode(), known, {}))
    assert [line.split()[0] for line in found.details if not line.startswith(" ")] == ["c", "d", "b"]
    del known["b"]
    found = held(match("week-1.csv", KEYED_FILE.encode(), known, {}))
    assert [line.split()[0] for line in found.details if not line.startswith(" ")] == ["c", "d", "a"]


def test_no_layout_at_all() -> None:
    assert held(match("x.csv", GOOD, {}, {})).reason == "layout_unknown"
    assert held(match("", b"", {}, {})).reason == "empty_file"
