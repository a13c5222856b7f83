"""The board on a wall of 1920 by 1080: all of it at once, in letters for three metres, however much waits."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
from sample_pages import DAY, index_page, lot_page, meter_page

import reports
from reports.overview.board import STALE_S
from schemas.line import BoardPage

if TYPE_CHECKING:
    from pathlib import Path


def board(meters: int, lots: int) -> BoardPage:
    one, meter = lot_page(verdict="hold", support="suspect").result, meter_page("M2", state="suspended").result
    waiting = [replace(one, lot=f"L-{2000 + n}", verdict="reject" if n == lots - 1 else "hold") for n in range(lots)]
    found = [
        replace(meter, meter=f"METER-NUMBER-{n:02}", state="suspended" if n == meters - 1 else "fit")
        for n in range(meters)
    ]
    provenance = index_page().provenance
    return BoardPage(tuple(found), {}, tuple(waiting), 63, 2, 5, DAY, None, provenance)


@pytest.mark.parametrize(("meters", "lots"), [(1, 0), (6, 5), (7, 6), (40, 300)])
def test_nothing_of_the_board_needs_scrolling(visit: Any, tmp_path: Path, meters: int, lots: int) -> None:
    path = tmp_path / "board.html"
    path.write_text(reports.render(board(meters, lots)), encoding="utf-8")
    for scripts in (True, False):
        opened = visit(path, width=1920, height=1080, scripts=scripts)
        page = opened.page
        assert page.evaluate("() => [document.documentElement.scrollWidth, document.documentElement.scrollHeight]") == [
            1920,
            1080,
        ]
        assert page.locator(".board li:not(.t-none)").count() == min(meters, 6)
        assert page.locator(".queue li:not(.more)").count() == min(lots, 5)
        assert opened.complaints == []
        # 16 minutes of arc at three metres on a screen half a metre wide are 2.8 % of its width
        sizes = page.evaluate(
            "() => [...document.querySelectorAll('.board b,.board strong,.board span,.queue li,.queue small')].map((e) => parseFloat(getComputedStyle(e).fontSize))"
        )
        assert min(sizes) >= 0.028 * 1920 - 0.1
    if lots > 5:
        assert (
            page.locator(".queue li").first.inner_text().startswith("L-" + str(2000 + lots - 1))
        )  # what is rejected first
        assert f"and {lots - 5} more wait" in page.locator(".queue").inner_text()
        assert f"and {meters - 6} more, all fit" in page.locator(".board").inner_text()
        assert "Suspended" in page.locator(".board li").first.inner_text()


def test_the_clock_tells_how_old_the_last_reading_is(visit: Any, tmp_path: Path) -> None:
    path = tmp_path / "board.html"
    path.write_text(reports.render(board(2, 1)), encoding="utf-8")
    assert "last reading" in visit(path).page.locator("#board-clock").inner_text()
    assert " days ago" in visit(path).page.locator("#board-clock").inner_text()
    assert "last reading 2026-03-02" in visit(path, scripts=False).page.locator("#board-clock").inner_text()


@pytest.mark.parametrize(("age", "stale"), [(STALE_S - 60, False), (STALE_S + 1, True)])
def test_a_board_that_stands_still_says_so(visit: Any, tmp_path: Path, age: int, stale: bool) -> None:
    """The service died, the screen did not: what was fit when it ended is not said to be fit now."""
    moment = datetime.now(UTC) - timedelta(seconds=age)
    page = board(2, 0)
    page = replace(
        page,
        meters=tuple(replace(one, state="fit") for one in page.meters),
        provenance=replace(page.provenance, as_of=moment),
    )
    path = tmp_path / "board.html"
    path.write_text(reports.render(page), encoding="utf-8")
    banner = visit(path).page.locator("#board-banner")
    assert banner.inner_text().startswith("Out of date: state of 20" if stale else "All meters fit")
    assert ("t-reject" in (banner.get_attribute("class") or "")) is stale
    assert "state of 20" in visit(path, scripts=False).page.locator("#board-clock").inner_text()
