"""Charts of many pages are drawn in one go, and each stands where its page asked for it."""

from __future__ import annotations

from typing import Any

import pytest
import vl_convert
from sample_pages import lot_page

import reports
from reports.kit import charts
from reports.kit.markup import Html, text
from reports.kit.plot import Plot
from reports.kit.together import answered, together


def _plot(x: float) -> Plot:
    made = Plot((0.0, 10.0), (0.0, 4.0), "n", "MS/m", height=136)
    made.point(x, 2.0, "plain")
    made.across(3.0, "limit", "limit")
    made.rect(0.0, x, 0.0, 1.0)  # straight lines and marks alone do not ask the engine
    return made


def test_a_chart_drawn_among_others_is_the_one_drawn_alone() -> None:
    alone = [charts.drawing(_plot(x), "chart") for x in (1.0, 2.0, 9.0)]
    with together() as put_in:
        pages = [
            "".join(charts.drawing(_plot(x), "chart") for x in (1.0, 2.0)),
            str(charts.drawing(_plot(9.0), "chart")),
        ]
        assert put_in(pages) == ["".join(alone[:2]), alone[2]]


def test_charts_beyond_one_drawing_stand_in_their_order(monkeypatch: pytest.MonkeyPatch) -> None:
    alone = "".join(charts.drawing(_plot(float(x)), "chart") for x in range(5))
    monkeypatch.setattr(charts, "_MOST", 2)
    with together() as put_in:
        assert put_in(["".join(charts.drawing(_plot(float(x)), "chart") for x in range(5))]) == [alone]


def test_pages_rendered_together_are_those_rendered_one_by_one() -> None:
    pages: list[Any] = [lot_page("L-1", parts=100), lot_page("L-2", parts=100)]
    each = [reports.render(page) for page in pages]
    assert each[0].count('<svg class="lines"') > 1
    assert reports.render_all([(page, reports.Site()) for page in pages]) == each
    assert not any("\ue000" in page or "\ue001" in page for page in each)


def test_the_engine_is_asked_once_for_all_pages(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []
    real = vl_convert.vega_to_svg

    def counted(drawing: str, **options: Any) -> str:
        asked.append(drawing)
        return real(drawing, **options)

    monkeypatch.setattr(vl_convert, "vega_to_svg", counted)
    reports.render_all([(lot_page(name, parts=100), reports.Site()) for name in ("L-1", "L-2")])
    assert len(asked) == 1


def test_no_text_of_a_page_is_taken_for_a_sign() -> None:
    def answer(questions: list[str]) -> list[Html]:
        return [Html(f"<b>{question}</b>") for question in questions]

    with together() as put_in:
        page = f"{text(chr(0xE000) + '0 ' + chr(0xE001))} {answered(answer, 'one', 'told')}"
        assert "told" in page
        assert put_in([page]) == ["⟨U+E000⟩0 ⟨U+E001⟩ <b>one</b>"]
    assert answered(answer, "two") == "<b>two</b>"  # outside, at once


def test_a_chart_that_cannot_be_drawn_is_refused_where_its_page_asks_for_it() -> None:
    with together(), pytest.raises(ValueError, match="finite"):
        charts.drawing(_plot(float("nan")), "chart")
