"""The index: the whole list without scripts, a search and filters that narrow it with them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from pathlib import Path

ROWS = "[id^=table-lots] tbody tr"


def shown(page: Any) -> int:
    return sum(row.is_visible() for row in page.locator(ROWS).all())


@pytest.fixture
def index(visit: Any, written: dict[str, Path]) -> Any:
    opened = visit(written["index plain"])
    yield opened.page
    assert opened.complaints == []


def test_without_scripts_all_lots_stand_there(visit: Any, written: dict[str, Path]) -> None:
    page = visit(written["index long"], scripts=False).page
    assert page.locator(ROWS).count() == 2000
    assert page.locator(".filter").count() == 0


def test_a_verdict_narrows_the_list_and_says_how_many_are_left(index: Any) -> None:
    total = index.locator(ROWS).count()
    assert index.locator(".filter [role=status]").inner_text() == f"{total} of {total} lots are shown"
    index.get_by_label("Verdict").select_option("Reject")
    assert shown(index) == 2
    assert index.locator(".filter [role=status]").inner_text() == f"2 of {total} lots are shown"
    assert not index.locator("#lots-accept").is_visible()
    index.get_by_role("button", name="Show all").click()
    assert shown(index) == total


def test_filters_and_words_work_together(index: Any) -> None:
    index.get_by_role("combobox", name="Meter").select_option("M2")
    assert shown(index) == 1
    index.get_by_label("Find", exact=True).fill("l-1003 HOLD")
    index.wait_for_timeout(200)
    assert shown(index) == 1
    index.get_by_label("Find", exact=True).fill("no such lot")
    index.wait_for_timeout(200)
    assert shown(index) == 0
    assert "0 of" in index.locator(".filter [role=status]").inner_text()


def test_hostile_values_are_choices_and_nothing_more(visit: Any, written: dict[str, Path]) -> None:
    opened = visit(written["index"])
    opened.page.get_by_label("Find", exact=True).fill("<script>")
    opened.page.wait_for_timeout(200)
    assert shown(opened.page) >= 1
    assert (opened.complaints, opened.outside) == ([], [])


def test_a_list_of_thousands_narrows_at_once(visit: Any, written: dict[str, Path]) -> None:
    page = visit(written["index long"]).page
    took = page.evaluate("""() => {
      const select = [...document.querySelectorAll(".filter select")][0];
      const start = performance.now();
      select.value = "Hold";
      select.dispatchEvent(new Event("change"));
      document.body.getBoundingClientRect();
      return performance.now() - start;
    }""")
    assert took < 2000
    assert "400 of 2000" in page.locator(".filter [role=status]").inner_text()


def test_the_list_can_be_narrowed_by_keyboard(index: Any) -> None:
    index.get_by_label("Find", exact=True).focus()
    index.keyboard.type("L-1008")
    index.wait_for_timeout(200)
    assert shown(index) == 1
    seen = []
    for _ in range(12):
        index.keyboard.press("Tab")
        seen.append(index.evaluate("() => document.activeElement.textContent"))
    assert "Show all" in seen
