"""The catalogue is complete, and nothing in it is left over."""

from __future__ import annotations

import re
import string
from pathlib import Path

import pytest
from parsed_pages import pages, parsed

from reports.kit.numbers import typeset
from reports.words import general as words

SOURCES = "".join(
    path.read_text(encoding="utf-8")
    for path in sorted(Path(words.__file__).parents[1].rglob("*.py"))
    if path.name != "words.py"
)
CATALOGUES = [name for name in words.__all__ if isinstance(getattr(words, name), dict)]
BY_VALUE = {"VERDICT", "STATE", "SUPPORT", "WITHIN", "PASSES", "LIMITS_KIND", "TEMPERATURE_STATE", "UNIT", "CONFORMS_BY",
            "DECISION_RULE", "SETTING_KIND", "CAUTIONS", "COUNT", "SINGULAR"}  # fmt: skip
"""Catalogues whose keys are values of the results, or that are read as a whole or by the functions beside them."""
BY_SIDE = {"before_run", "after_run", "before_none", "after_none"}
"""Keys that are put together from the side of a bracket."""


@pytest.mark.parametrize("name", [name for name in CATALOGUES if name not in BY_VALUE])
def test_no_text_is_left_over(name: str) -> None:
    keys = set(getattr(words, name)) - BY_SIDE
    assert [key for key in sorted(keys) if not re.search(rf"[\"']{key}[\"']", SOURCES)] == []


@pytest.mark.parametrize("name", CATALOGUES)
def test_every_text_is_a_sentence_or_a_word_with_named_places(name: str) -> None:
    for key, said in getattr(words, name).items():
        assert said.strip(), key
        for _, field, specification, conversion in string.Formatter().parse(said):
            assert field is None or field.isidentifier(), key
            assert not specification
            assert conversion is None


def test_numbers_of_things_agree_with_their_nouns() -> None:
    assert words.counted(1, "lot") == "1 lot"
    assert words.counted(0, "lot") == "0 lots"
    assert words.counted(1200, "reading") == "1\u202f200 readings"


def test_lists_are_read_aloud() -> None:
    assert words.listed([]) == ""
    assert words.listed(["A"]) == "A"
    assert words.listed(["A", "B"]) == "A and B"
    assert words.listed(["A", "B", "C"]) == "A, B and C"
    assert words.listed(list("ABCDEFGH"), 3) == "A, B, C and 5 more"


@pytest.mark.parametrize(
    ("rule", "said"),
    [
        (None, "not rounded before the comparison"),
        ("none", "not rounded before the comparison"),
        ("half_up:1", "rounded to 1 decimal before the comparison, halves away from zero"),
        ("half_even:2", "rounded to 2 decimals before the comparison, halves to even"),
    ],
)
def test_rounding_is_said_in_words(rule: str | None, said: str) -> None:
    assert words.rounding(rule) == said


@pytest.mark.parametrize(
    ("said", "printed"),
    [
        ("off by -0.545 MS/m", "off by −0.545 MS/m"),
        ("(p = 2.1e-07)", "(p = 2.1·10⁻⁷)"),
        ("6.81e-05 Ω·mm²/m and 1.5e+12", "6.81·10⁻⁵ Ω·mm²/m and 1.5·10¹²"),
        # ids, dates, rules and file names stay as they are
        (
            "L-0011 of EC-02/2026-06-01: 1-3s, 2-2s, 10-x in day-1.csv",
            "L-0011 of EC-02/2026-06-01: 1-3s, 2-2s, 10-x in day-1.csv",
        ),
        ("2.34e\u221207", "2.34·10⁻⁷"),
        ("61ad3ce86 and 1e5", "61ad3ce86 and 1e5"),
        ("archive/-5.csv, S~-3", "archive/-5.csv, S~-3"),
    ],
)
def test_numbers_of_a_sentence_are_printed_as_such_and_names_are_left_alone(said: str, printed: str) -> None:
    assert typeset(said) == printed


def test_no_page_says_what_nobody_says() -> None:
    for name in pages():
        if "hostile" not in name:
            text = parsed(name).text
            for odd in ("Support is supported", "Mark before", "Told apart", " 1 lots", " 1 meters", "1 lot are"):
                assert odd not in text, (name, odd)
