"""Costs of pages against one another in one run; no seconds, so that a slow machine changes nothing."""

from __future__ import annotations

import dataclasses
import time
from typing import TYPE_CHECKING, Any

from sample_pages import index_page, lot_page

import reports
from pipeline.pages.writer import write_pages
from pipeline.workspace.settings import Settings, Workspace

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


def cost(work: Callable[[], Any], times: int = 3) -> float:
    """Return the least processor time of some tries, in seconds."""
    found = []
    for _ in range(times):
        start = time.process_time()
        work()
        found.append(time.process_time() - start)
    return min(found)


def test_the_index_costs_in_proportion_to_its_lots() -> None:
    few, many = index_page(lots=300), index_page(lots=3000)
    reports.render(few)
    assert cost(lambda: reports.render(many)) < 15 * cost(lambda: reports.render(few))


def test_the_index_of_thousands_of_lots_stays_small() -> None:
    few, many = (len(reports.render(index_page(lots=lots)).encode()) for lots in (1000, 2000))
    assert many - few < 1000 * 450


def test_charts_do_not_grow_with_what_they_show() -> None:
    """From so many parts on, groups of them are drawn."""
    small, large = lot_page(parts=160, spots=3, repeats=1), lot_page(parts=2560, spots=3, repeats=1)
    few, many = (reports.render(page).count(' transform="translate(') for page in (small, large))
    assert many < 1.1 * few


def test_a_page_that_did_not_change_costs_next_to_nothing(tmp_path: Path) -> None:
    page = lot_page(parts=5)
    pages = [dataclasses.replace(page, result=dataclasses.replace(page.result, lot=f"L-{i}")) for i in range(12)]
    workspace = Workspace(tmp_path, Settings())
    writing = cost(lambda: write_pages(workspace, pages, always=True), 1)
    assert cost(lambda: write_pages(workspace, pages)) < writing / 5
