"""One shape for one meaning: on every page a mark is one of the declared ones, told apart without colour and named in the caption."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest
from parsed_pages import pages, rendered

from reports.kit import marks
from reports.kit.charts import Plot
from reports.words import general as words

if TYPE_CHECKING:
    from collections.abc import Iterator


def figures(html: str) -> Iterator[tuple[str, str, set[str]]]:
    """Return of each figure its name, the text of its caption, and what its marks mean."""
    for found in re.finditer(r'<figure id="figure-([^"]*)">(.*?)</figure>', html, re.DOTALL):
        drawn, _, caption = found[2].partition("<figcaption>")
        used = {meaning for meaning, _ in marks._USED.findall(drawn)}
        yield found[1], re.sub(r"<[^>]*>", "", caption), used


def test_no_two_meanings_look_alike_without_colour() -> None:
    looks = [(mark.path, mark.filled) for mark in marks.MARKS.values()]
    assert len(looks) == len(set(looks))
    assert words.SHAPE.keys() == marks.MARKS.keys()
    assert len(set(words.SHAPE.values())) == len(marks.MARKS)
    assert set(marks.GROUPS) <= marks.MARKS.keys()


def test_a_meaning_that_is_not_declared_cannot_be_drawn() -> None:
    plot = Plot((0.0, 1.0), (0.0, 1.0), "", "")
    with pytest.raises(KeyError, match="hexagon"):
        plot.point(0.5, 0.5, "hexagon")


@pytest.mark.parametrize("name", [name for name in pages() if "hostile" not in name])
def test_a_chart_draws_declared_marks_only_and_its_caption_names_them(name: str) -> None:
    html = rendered(name)
    for points in re.findall(r'<g class="points">(.*?)</g>', html):
        assert not re.sub(r'<use href="#mark-[a-z]+(-big)?" x="[-\d.]+%" y="[-\d.]+"/>', "", points)
    # of several charts of one kind the first tells what their marks mean
    used, told = set(), ""
    for figure, caption, meanings in figures(html):
        used |= meanings
        told = f"{told} {caption.lower()}"
        for meaning in meanings:
            assert words.SHAPE[meaning] in told, (figure, meaning)
    assert {found[0] for found in re.findall(r'id="mark-([a-z]+)(-big)?"', html)} >= used
