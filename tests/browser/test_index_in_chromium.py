"""The index: the whole list without scripts, a search and filters that narrow it with them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from pathlib import Path

ROWS = "#table-lots tbody tr"


def shown(page: Any) -> int:
    return sum(row.is_visible() for row in page.locator(ROWS).all())


@pytest.fixture
def index(visit: Any, written: dict[str, Path]) -> Any:
    opened = visit(written["index plain"])
    yield opened.page
    assert opened.complaints == []


def test_without_scripts_nothing_is_offered_that_does_not_work(visit: Any, written: dict[str, Path]) -> None:
    page = visit(written["index long"], scripts=False).page
    assert page.locator(ROWS).count() == 50
    assert page.locator(".filter, .sort, button").count() == 0


def test_two_thousand_lots_make_no_long_and_no_heavy_index(visit: Any, written: dict[str, Path]) -> None:
    page = visit(written["index long"], width=1400).page
    assert written["index long"].stat().st_size < 150_000
    assert page.evaluate("() => document.documentElement.scrollHeight") < 4000
    # each lot stands on one of the months
    assert page.locator("a[href*='months/']").count() == 5
    assert "50 of 2000 stand here" in page.locator("#table-lots caption").inner_text()


def test_the_filter_stands_directly_above_the_lots(index: Any) -> None:
    assert index.evaluate("() => document.querySelector('.filter').nextElementSibling.id") == "table-lots"


def test_a_head_sorts_the_lots_and_again_turns_them_round(index: Any) -> None:
    def column(place: int) -> list[str]:
        return [row.locator("th,td").nth(place).inner_text() for row in index.locator(ROWS).all()]

    index.locator("#table-lots .sort").first.click()
    assert column(0) == sorted(column(0), key=str.casefold)
    index.locator("#table-lots .sort").first.click()
    assert column(0) == sorted(column(0), key=str.casefold, reverse=True)
    assert index.locator("th[aria-sort=descending]").count() == 1
    index.locator("#table-lots .sort", has_text="Parts").click()
    parts = [int(value) for value in column(6)]
    assert parts == sorted(parts)
    assert len(set(parts)) > 1


def test_a_verdict_narrows_the_list_and_says_how_many_are_left(index: Any) -> None:
    total = index.locator(ROWS).count()
    assert index.locator(".filter [role=status]").inner_text() == f"{total} of {total} lots are shown"
    index.get_by_label("Verdict").select_option("Reject")
    assert shown(index) == 2
    assert index.locator(".filter [role=status]").inner_text() == f"2 of {total} lots are shown"
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
    assert "of 50 lots" in page.locator(".filter [role=status]").inner_text()


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
