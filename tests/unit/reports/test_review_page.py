"""The review: its first sheet says what is open and how far off each meter is, and says nothing that its numbers do not."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from parsed_pages import Parsed, rendered
from sample_reviews import review_page

import reports
from reports.review.front import first_open
from reports.sections.small import interval_bar, small_line
from schemas.review import ReviewAction

if TYPE_CHECKING:
    from reports.kit.markup import Html


def front(html: str) -> str:
    return html[html.index('<div class="verdict') : html.index('id="annex"')]


def test_the_first_sheet_comes_before_the_annex_and_ends_with_two_signatures() -> None:
    text = Parsed(front(rendered("review usual"))).text
    order = ["3 open", "The last six months", "Bias of each meter", "2026-04-01 · block B0", "Head of the chain", "Held by: name, date, signature", "Agreed by: name, date, signature"]  # fmt: skip
    assert [text.index(said) for said in order] == sorted(text.index(said) for said in order)


@pytest.mark.parametrize(("checks", "shown"), [(3, "−0.05 (−0.17 to +0.07)"), (2, "+0.100 (2 checks: no interval)")])
def test_a_bias_has_an_interval_from_three_checks_on(checks: int, shown: str) -> None:
    html = front(rendered("review usual"))
    (row,) = [row for row in re.findall(r"<tr.*?</tr>", html) if shown in Parsed(f"<table>{row}</table>").text]
    # the bar has whiskers only where there is an interval: tolerance and zero are three paths, an interval three more
    assert row.count("<path") == (6 if checks == 3 else 3)


def test_what_lies_beyond_the_tolerance_differs_by_shape() -> None:
    beyond, within = interval_bar(1.01, None, 2.0), interval_bar(1.0, None, 2.0)
    assert ("#mark-out" in beyond, "#mark-plain" in beyond) == (True, False)
    assert ("#mark-out" in within, "#mark-plain" in within) == (False, True)


def test_a_small_line_leaves_a_gap_where_nothing_was_read() -> None:
    def lines(drawn: Html) -> int:
        return len(re.findall(r"[0-9]L[0-9]", drawn))

    assert (lines(small_line((1, 2, 3))), lines(small_line((None, 2, 3))), lines(small_line((1, None, 3)))) == (2, 1, 0)
    assert lines(small_line((0, 0))) == 1
    assert re.findall("#mark-([a-z]+)", small_line((1, 2, 3))) == ["plain", "plain", "own"]


def test_an_event_whose_disposition_suffices_is_not_said_to_wait_for_lots() -> None:
    html = rendered("review usual")
    (covered, waiting) = (
        Parsed(f"<table>{row}</table>").text
        for row in re.findall(r"<tr[^>]*>(?:(?!<tr).)*?, signal of . March.*?</tr>", html)
    )
    assert "none: that of the event is enough" in covered
    assert "L-1001" not in covered
    assert "L-1001 and L-1002" in waiting
    assert "is enough" not in waiting


def test_equal_signals_are_one_row_and_what_was_decided_stands_apart() -> None:
    text = Parsed(rendered("review usual")).text
    assert "M1B122026-03-02 to 2026-03-031-3s × 2, 2-2s × 1+3.20 to +4.20" in text
    assert "M1B162026-03-04 to 2026-03-091-3s × 6, 2-2s × 3+5.20 to +10.20" in text
    assert "8, 6 open" in text


def test_the_first_sheet_holds_as_many_open_points_as_it_has_room_for() -> None:
    short, long = ReviewAction("lot", "L", "x" * 99), ReviewAction("lot", "L", "x" * 100)
    assert first_open((short,) * 20) == 13
    assert first_open((long,) * 20) == 6
    assert first_open((ReviewAction("lot", "L", "x" * 9_000),)) == 1
    assert first_open(()) == 0
    text = Parsed(front(reports.render(review_page(many=9)))).text
    assert "27 open" in text
    assert "20 more in the annex." in text


def test_a_month_that_is_not_over_and_one_with_nothing_open_say_so() -> None:
    quiet = Parsed(rendered("review quiet")).text
    assert "The month is not over" in quiet
    assert "Nothing open" in quiet
    page = review_page()
    assert "not over" not in Parsed(reports.render(replace(page, result=replace(page.result, over=True)))).text
