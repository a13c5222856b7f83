"""The look keeps its promises: contrast, one look for paper and screen, nothing from a file in a style sheet."""

from __future__ import annotations

import re

import pytest
from sample_pages import HOSTILE

from reports.kit import states
from reports.kit.marks import MARKS
from reports.kit.style import DARK, LIGHT, STYLE, running_foot
from reports.words import general as words

TEXTS = (
    ("ink", "paper"), ("soft", "paper"), ("link", "paper"), ("soft", "desk"), ("ink", "none-wash"),
    ("accept", "paper"), ("hold", "paper"), ("reject", "paper"), ("none", "paper"), ("flag", "paper"),
    ("accept", "accept-wash"), ("hold", "hold-wash"), ("reject", "reject-wash"), ("none", "none-wash"),
    ("ink", "accept-wash"), ("ink", "hold-wash"), ("ink", "reject-wash"), ("paper", "reject"), ("inner", "paper"),
    ("tolerance", "paper"), ("link", "none-wash"), ("link", "hold-wash"), ("link", "reject-wash"), ("soft", "none-wash"),
)  # fmt: skip
"""Pairs of a text colour and its ground that occur."""
LINES = ("point", "spot", "limit", "inner", "tolerance", "flag")
"""Colours of lines and marks of charts; guard bands and bands of confidence behind them are drawn in the colour of the grid."""


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, definition)."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


schemes = pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])


@schemes
@pytest.mark.parametrize(("ink", "ground"), TEXTS)
def test_text_can_be_read(palette: dict[str, str], ink: str, ground: str) -> None:
    assert contrast(palette[ink], palette[ground]) >= 4.5


@schemes
@pytest.mark.parametrize("ground", ["paper", "grid"])
@pytest.mark.parametrize("colour", LINES)
def test_lines_and_marks_of_charts_can_be_seen(palette: dict[str, str], colour: str, ground: str) -> None:
    assert contrast(palette[colour], palette[ground]) >= 3.0  # WCAG 2.2, 1.4.11
    assert {mark.colour for mark in MARKS.values()} <= set(LINES)


def test_both_schemes_name_the_same_colours() -> None:
    assert LIGHT.keys() == DARK.keys()
    used = set(re.findall(r"var\(--([a-z-]+)\)", STYLE)) - {"tone", "wash", "ground", "l", "r", "t", "b"}
    assert used <= LIGHT.keys()


def test_every_state_has_a_word_and_a_shape_of_its_tone() -> None:
    for names in (words.VERDICT, words.STATE):
        for state, word in names.items():
            assert state in states.TONES
            assert word
    shapes = {states.glyph(state) for state in ("accept", "hold", "reject", "not_assessed", "overdue")}
    assert len(shapes) == 5


def test_nothing_is_fetched_by_the_style_sheet() -> None:
    assert not re.search(r"url\(|@import|@font-face|//", STYLE)
    assert "@media print" in STYLE
    assert "prefers-color-scheme:dark" in STYLE


@pytest.mark.parametrize(
    "hostile", [*HOSTILE, '"}*{display:none}', "\\", '\\"', "</style>", "\n"], ids=range(len(HOSTILE) + 5)
)
def test_the_running_foot_keeps_its_string(hostile: str) -> None:
    rules = running_foot(hostile, "Page", "of")
    text = re.search(r'@bottom-left\{content:"((?:[A-Za-z0-9 ]|\\[0-9a-f]+ )*)";', rules)
    assert text is not None
    back = re.sub(r"\\([0-9a-f]+) ", lambda m: chr(int(m[1], 16)), text[1])
    assert back == hostile
    assert rules.count("{") == rules.count("}") == 3
