"""Text becomes markup in one place; numbers and times become text in one place."""

from __future__ import annotations

import html
import math
import unicodedata
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sample_pages import HOSTILE

from reports.kit.markup import Html, element, isolated, join, shorten, text, visible
from reports.kit.numbers import Clock, as_written, compact, decimals_for, fixed, offset_in_words, percent, significant

ANY_TEXT = st.text(st.characters(), max_size=200)  # unpaired surrogates among them


@given(ANY_TEXT)
def test_visible_text_holds_no_control_character_and_can_be_encoded(value: str) -> None:
    shown = visible(value)
    shown.encode("utf-8")
    assert not [c for c in shown if unicodedata.category(c) in {"Cc", "Cf", "Cs", "Zl", "Zp"}]


@given(ANY_TEXT)
def test_escaped_text_reads_back_as_the_visible_text(value: str) -> None:
    written = text(value)
    assert not set(written) & set("<>\"'")
    assert html.unescape(written) == visible(value)


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        ("a\u202eb", "a⟨U+202E⟩b"),
        ("a\x00b", "a⟨U+0000⟩b"),
        ("a\nb", "a⟨U+000A⟩b"),
        ("\ud800", "⟨U+D800⟩"),
        ("é ü Ω µ − ± …", "é ü Ω µ − ± …"),
    ],
)
def test_characters_that_mislead_are_shown(value: str, shown: str) -> None:
    assert visible(value) == shown


def test_long_texts_that_differ_stay_different_when_shortened() -> None:
    one, other = "x" * 10_000 + "1", "x" * 10_000 + "2"
    assert shorten(one) != shorten(other)
    assert len(shorten(one)) <= 60
    assert "10001 characters" in shorten(one)
    assert shorten("L-1001") == "L-1001"


def test_an_empty_id_is_seen() -> None:
    assert ">∅<" in isolated("")
    assert "U+0020" in isolated(" ")
    assert isolated("L-1001") == "<bdi>L-1001</bdi>"


def test_only_markup_passes_unescaped() -> None:
    assert element("p", "<b>", Html("<i>ok</i>"), None, class_='"x') == '<p class="&quot;x">&lt;b&gt;<i>ok</i></p>'
    assert join(["<", Html("<br>")]) == "&lt;<br>"
    assert element("a", "x", href=Html('"><script>')) == '<a href="&quot;&gt;&lt;script&gt;">x</a>'
    assert element("div", hidden=True, id=None, title=False) == "<div hidden></div>"


def test_a_name_of_an_element_that_is_none_is_refused() -> None:
    for name in ("p onclick=x", "<b", ""):
        with pytest.raises(ValueError, match="no name of an element"):
            element(name)


@pytest.mark.parametrize("hostile", HOSTILE, ids=range(len(HOSTILE)))
def test_no_hostile_text_opens_an_element(hostile: str) -> None:
    written = element("td", hostile, title=hostile)
    assert written.count("<") == 2
    assert written.startswith("<td title=")


@pytest.mark.parametrize(
    ("uncertainty", "level", "decimals"),
    [
        (0.27, 58.4, 2),
        (0.027, 58.4, 3),
        (2.7, 58.4, 1),
        (35.0, 58.4, 0),
        (None, 58.4, 2),
        (None, None, 2),
        (0.0, 0.02, 5),
        (math.nan, 58.4, 2),
    ],
)
def test_decimals_follow_two_digits_of_the_uncertainty(
    uncertainty: float | None, level: float | None, decimals: int
) -> None:
    assert decimals_for(uncertainty, level) == decimals


def test_numbers_are_written_for_people() -> None:
    assert fixed(-0.001, 2) == "0.00"
    assert fixed(-0.126, 2, sign=True) == "−0.13"
    assert fixed(0.126, 2, sign=True) == "+0.13"
    assert fixed(math.inf, 2) == fixed(math.nan, 2) == fixed(None, 2) == ""
    assert significant(0.0341) == "0.0341"
    assert significant(9.999) == "10.0"
    assert significant(0.0) == "0"
    assert significant(1e-12) == "1.00·10⁻¹²"
    assert compact(60.0) == "60"
    assert compact(2.05) == "2.05"
    assert as_written(57.5) == "57.5"
    assert percent(0.004) == "<1 %"
    assert percent(0.0) == "0 %"


@given(st.floats(allow_nan=True, allow_infinity=True), st.integers(0, 9))
def test_no_number_is_written_as_nan_or_infinity(value: float, decimals: int) -> None:
    for written in (fixed(value, decimals), significant(value), compact(value), as_written(value)):
        assert "nan" not in written.lower()
        assert "inf" not in written.lower()


def test_times_are_told_in_the_zone_of_the_page() -> None:
    clock = Clock("Europe/Oslo")
    summer = datetime(2026, 7, 1, 12, 0, 5, tzinfo=UTC)
    assert clock.second(summer) == "2026-07-01 14:00:05"
    assert clock.minute(None) == ""
    assert offset_in_words(timedelta(hours=-3, minutes=-30)) == "UTC−03:30"
