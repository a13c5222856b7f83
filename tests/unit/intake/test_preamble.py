"""Lines before the header: how they are split into keys and values, and what of them holds the file."""

from __future__ import annotations

from typing import Any

import pytest
from sample_layouts import LOT_WHEN_VALUE

from pipeline.intake.layout import Layout, parse_layout
from pipeline.intake.layout_outside import Key
from pipeline.intake.layout_parts import Constraints, Dialect
from pipeline.intake.preamble import broken_constraint, read_preamble, split_key, split_line, without_unit
from pipeline.intake.reading import Head, Held, HoldFile

LAYOUT = (
    """
name = "keyed"
version = 1
zone = "offset"
{more}
[dialect]
delimiter = "{mark}"
[preamble]
separator = ":"
keys = [{keys}]
"""
    + LOT_WHEN_VALUE
)
METER = '{ key = "Serial", column = "meter" }'


def keyed(keys: str = METER, *, more: str = "", mark: str = ";") -> Layout:
    return parse_layout(LAYOUT.format(keys=keys, more=more, mark=mark), "keyed.toml")


def said(layout: Layout, *lines: str, file_name: str | None = None, first: int = 1) -> Head:
    head = Head()
    read_preamble(list(enumerate(lines, start=first)), layout, head, file_name)
    return head


def held(layout: Layout, *lines: str, file_name: str | None = None) -> Held:
    with pytest.raises(HoldFile) as caught:
        said(layout, *lines, file_name=file_name)
    return caught.value.held


def filled(head: Head) -> dict[str, str]:
    return {key.column or "": text for key, text in head.said}


@pytest.mark.parametrize(
    ("keys", "line", "cells"),
    [
        ({}, "a;b;;c", ["a", "b", "", "c"]),
        ({}, ";a;", ["", "a", ""]),
        ({}, '"a;b";"c""d"', ["a;b", 'c"d']),
        ({}, '"a"x;b', ['"a"x', "b"]),  # breaks the rules of quoting
        ({}, '"a;b', ['"a', "b"]),
        ({"quoteChar": "'"}, "'a;b';\"c;d", ["a;b", '"c', "d"]),
        ({"quoteChar": ""}, '"a;b"', ['"a', 'b"']),
        ({"joinDelimiters": True}, ";;a;;;b;", ["a", "b"]),
        ({"joinDelimiters": True, "delimiter": "|"}, "|a||b", ["a", "b"]),
        ({"joinDelimiters": True}, ';"a;;b";;c', ["a;b", "c"]),
        ({"delimiter": "|"}, "a||b", ["a", "", "b"]),
    ],
)
def test_a_line_is_split_by_the_marks_of_the_layout(keys: dict[str, Any], line: str, cells: list[str]) -> None:
    """RFC 4180, 2.5 to 2.7; a line that breaks them is split as if quote marks were plain."""
    assert split_line(line, Dialect.model_validate({"delimiter": ";"} | keys)) == cells


def test_a_quote_mark_that_is_not_doubled_is_none() -> None:
    """Such a line breaks the rules (Frictionless Table Dialect, doubleQuote) and is split as if quote marks were plain."""
    dialect = Dialect.model_validate({"delimiter": ";", "doubleQuote": False})
    assert split_line('"c""d;";e', dialect) == ['"c""d', '"', "e"]
    assert split_line('"c;d";e', dialect) == ["c;d", "e"]


def test_a_key_in_quote_marks_may_be_longer_than_csv_takes_by_itself() -> None:
    text = "a;" * 131_072
    assert split_line(f'"{text}";e', Dialect.model_validate({"delimiter": ";"})) == [text, "e"]


@pytest.mark.parametrize(
    ("separator", "line", "key", "value"),
    [
        (":", "Serial: EC-01", "Serial", "EC-01"),
        (":", " Serial :EC:01 ;; ", "Serial", "EC:01"),
        (":", "Serial:", "Serial", ""),
        (":", "Serial;EC-01", "Serial;EC-01", None),
        ("=", "Serial: = EC-01", "Serial", "EC-01"),
        (None, "Serial;EC-01", "Serial", "EC-01"),
        (None, "Serial:;; EC-01 ;;", "Serial", "EC-01"),
        (None, "Serial;;", "Serial", None),
        (None, "Serial; ;", "Serial", None),
        (None, "Serial; ;EC-01", "Serial", "EC-01"),
        (None, "Serial :;EC-01", "Serial", "EC-01"),
        (None, "Serial", "Serial", None),
        (None, "Frequency;60;kHz", "Frequency", "60 kHz"),
        (None, "Frequency;;60;;kHz;x", "Frequency", "60 kHz"),
        (None, "Frequency;60;other", "Frequency", "60"),
        (None, "Frequency;60", "Frequency", "60"),
        (None, "Probe;P;kHz", "Probe", "P"),
        (None, ";EC-01", "", "EC-01"),
    ],
)
def test_key_and_value_of_a_line(separator: str | None, line: str, key: str, value: str | None) -> None:
    assert split_key(line, separator, Dialect.model_validate({"delimiter": ";"})) == (key, value)


@pytest.mark.parametrize(
    ("constraints", "good", "wrong", "told"),
    [
        ({"pattern": "EC-[0-9]"}, "EC-1", "EC-11", "pattern EC-[0-9]"),
        ({"pattern": "EC-[0-9]"}, "EC-2", "xEC-1", "pattern EC-[0-9]"),
        ({"enum": ["north", "south"]}, "south", "sout", "one of north, south"),
        ({"minLength": 3}, "abc", "ab", "at least 3 characters"),
        ({"maxLength": 3}, "abc", "abcd", "at most 3 characters"),
    ],
)
def test_a_constraint_just_inside_and_just_outside(
    constraints: dict[str, Any], good: str, wrong: str, told: str
) -> None:
    declared = Constraints.model_validate(constraints)
    assert broken_constraint(good, declared) is None
    assert told in str(broken_constraint(wrong, declared))
    assert broken_constraint(wrong, Constraints()) is None


@pytest.mark.parametrize(
    ("text", "unit", "number"),
    [
        ("60 kHz", "kHz", "60"),
        ("60kHz", "kHz", "60"),
        ("-1,250.5 kHz", "kHz", "-1,250.5"),
        ("60 Hz", "kHz", "60 Hz"),
        ("60 other", "kHz", "60 other"),
        ("60", "kHz", "60"),
        ("60 kHz", None, "60 kHz"),
    ],
)
def test_a_unit_is_taken_off_only_where_it_is_the_declared_one(text: str, unit: str | None, number: str) -> None:
    stated = {"column": "frequency_khz", "type": "number", "unit": unit} if unit else {"column": "probe"}
    assert without_unit(text, Key.model_validate({"key": "F"} | stated), {}) == number


def test_the_spellings_of_the_layout_are_units_too() -> None:
    field = Key.model_validate({"key": "F", "column": "frequency_khz", "type": "number", "unit": "kHz"})
    assert without_unit("60 kc", field, {}) == "60 kc"
    assert without_unit("60 kc", field, {"kHz": ("kc",)}) == "60"


def test_keys_fill_columns_and_the_rest_is_kept_as_text() -> None:
    head = said(keyed(), "Export", " Serial : EC-01;", "Remark: a: b", ": nobody", "Serial: EC-02", "end ")
    assert head.metadata == {
        "Serial": "EC-01",
        "Remark": "a: b",
        "text": "Export\n: nobody\nSerial: EC-02\nend",
    }
    assert filled(head) == {"meter": "EC-01"}
    assert head.warnings == ["line 5: 'Serial' stands twice before the header; the first counts"]
    assert "text" not in said(keyed(), "Serial: EC-01").metadata
    assert said(keyed(), "Serial: EC-01", "text: own", "x").metadata["text"] == "own"


def test_the_line_that_names_the_delimiter_must_name_ours() -> None:
    """`sep=` in the first line is common practice, no source."""
    for line, mark in (("sep=;", ";"), (" sep=;", ";"), ("sep=\t", "\\t"), ("sep= ", " ")):
        assert said(keyed(mark=mark), line, "Serial: EC-01").metadata == {"Serial": "EC-01"}
    for line in ("sep=,", "sep=", "sep=x"):
        found = held(keyed(), line, "Serial: EC-01")
        assert (found.reason, found.line) == ("delimiter_mismatch", 1)
        assert f"'{line}'" in found.sentence
    assert said(keyed(), "Serial: EC-01", "sep=,").metadata["text"] == "sep=,"
    assert said(keyed(), "sep=,;", "Serial: EC-01").metadata["text"] == "sep=,;"


@pytest.mark.parametrize(
    ("keys", "line", "reason"),
    [
        (METER, "Site: x", "preamble_key_missing"),
        ('{ key = "Serial", column = "meter", constraints = { pattern = "EC-[0-9]+" } }', "Serial: x", "serial_mismatch"),
        (METER + ', { key = "Site", constraints = { enum = ["a"] } }', "Site: b", "preamble_mismatch"),
        (METER + ', { key = "By", column = "operator", values = { a = "A" } }', "By: b", "preamble_mismatch"),
        (METER + ', { key = "By", column = "operator", values = { a = "A" } }', "By: A", "preamble_mismatch"),
    ],
)  # fmt: skip
def test_what_differs_from_the_layout_holds_the_file(keys: str, line: str, reason: str) -> None:
    lines = [line] if line.startswith("Serial") or reason.endswith("missing") else ["Serial: EC-01", line]
    found = held(keyed(keys), *lines)
    assert found.reason == reason
    assert " before the header " in found.sentence


def test_what_a_key_says_is_translated_and_a_key_may_be_missing_where_the_layout_says_so() -> None:
    by = '{{ key = "By", column = "operator", required = false, values = {{ a = "A" }}{} }}'
    layout = keyed(f"{METER}, {by.format('')}")
    assert filled(said(layout, "Serial: EC-01", "By: a")) == {"meter": "EC-01", "operator": "A"}
    assert filled(said(layout, "Serial: EC-01")) == {"meter": "EC-01"}
    others = ', otherValues = "keep"'
    kept = keyed(f"{METER}, {by.format(others)}")
    assert filled(said(kept, "Serial: EC-01", "By: b")) == {"meter": "EC-01", "operator": "b"}
    frequency = '{ key = "F", column = "frequency_khz", type = "number", unit = "kHz" }'
    assert filled(said(keyed(f"{METER}, {frequency}"), "Serial: EC-01", "F: 60 kHz"))["frequency_khz"] == "60"
    ignored = keyed(METER + ', { key = "Site", constraints = { enum = ["a"] } }')
    assert filled(said(ignored, "Serial: EC-01", "Site: a")) == {"meter": "EC-01"}


def test_what_the_name_of_the_file_says() -> None:
    layout = keyed(
        "",
        more="fileName = { pattern = '(?P<meter>EC-[0-9]+)(_(?P<lot_>[a-z]+))?\\.csv', keys = [{ key = 'lot_', column = 'probe', required = false }] }",
    )
    assert filled(said(layout, file_name="EC-01_ab.csv")) == {"meter": "EC-01", "probe": "ab"}
    assert filled(said(layout, file_name="EC-01.csv")) == {"meter": "EC-01"}
    assert filled(said(layout)) == {}
    found = held(layout, file_name="EC-01.csv.csv")
    assert found.reason == "file_name_mismatch"
    assert "'EC-01.csv.csv'" in found.sentence
    strict = keyed("", more="fileName = { pattern = '(?P<meter>EC-[0-9]+)(_(?P<probe>[a-z]+))?\\.csv' }")
    assert held(strict, file_name="EC-01.csv").reason == "preamble_key_missing"
