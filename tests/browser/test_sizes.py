"""How long, heavy and wide the pages of the demo are: read in a glance, printed on few sheets, nothing cut off."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from pathlib import Path

MEASURE = """() => ({
  height: document.documentElement.scrollHeight,
  over: document.documentElement.scrollWidth - document.documentElement.clientWidth,
  figures: [...document.querySelectorAll("figure")].filter((e) => e.checkVisibility({contentVisibilityAuto: true})).length,
  wide: [...document.querySelectorAll(".scroll")].filter((e) => e.checkVisibility({contentVisibilityAuto: true}) && e.scrollWidth > e.clientWidth + 1).map((e) => e.id),
})"""


def sheets(page: Any, paper: str = "A4") -> int:
    return len(re.findall(rb"/Type\s*/Page\b", page.pdf(format=paper)))


def largest(folder: Path) -> Path:
    return max(folder.glob("*.html"), key=lambda path: (path.stat().st_size, path.name))


def test_a_meter_is_read_in_a_glance_and_its_checks_fit_the_screen(visit: Any, demo: Path) -> None:
    for path in sorted((demo / "meters").glob("*.html")):
        page = visit(path, width=1400).page
        found = page.evaluate(MEASURE)
        assert found["height"] < 8500, path.name
        assert found["figures"] <= 9, path.name
        assert (found["over"], found["wide"]) == (0, []), path.name
        assert page.locator(".why ol > li").count() <= 3
        assert path.stat().st_size < 250_000
    checks = visit(largest(demo / "checks"), width=1400).page.evaluate(MEASURE)
    assert (checks["over"], checks["wide"]) == (0, [])


def test_an_accepted_lot_takes_two_sheets_and_a_short_page(visit: Any, demo: Path) -> None:
    found = [
        path for path in sorted((demo / "lots").glob("*.html")) if "<title>Accept: " in path.read_text(encoding="utf-8")
    ]
    assert len(found) > 40
    for path in found[:: len(found) // 5]:
        page = visit(path, width=1400).page
        measured = page.evaluate(MEASURE)
        assert measured["height"] < 5200, path.name
        assert (measured["over"], measured["wide"]) == (0, []), path.name
        # what came to light since, events, flags and hardness take room of their own
        more = page.locator(
            "#events, #flags, #hardness, #left_out, #dispositions, #agreement, .why h2:nth-of-type(3)"
        ).count()
        assert sheets(page) <= (3 if more else 2), path.name


SHORT = {
    "events": (2_900, 3), "processes": (3_700, 4), "reviews": (3_300, 6), "studies": (4_000, 4), "suppliers": (4_100, 4),
}  # fmt: skip


@pytest.mark.parametrize("folder", SHORT)
def test_what_was_asked_is_answered_on_a_short_page_and_few_sheets(visit: Any, demo: Path, folder: str) -> None:
    height, most = SHORT[folder]
    path = largest(demo / folder)
    page = visit(path, width=1400).page
    found = page.evaluate(MEASURE)
    assert found["height"] < height
    assert (found["over"], found["wide"]) == (0, [])
    assert max(sheets(page), sheets(page, "Letter")) <= most


@pytest.mark.parametrize("width", [800, 390])
def test_no_kind_of_page_is_wider_than_the_screen(visit: Any, demo: Path, width: int) -> None:
    for folder in sorted(path for path in demo.iterdir() if path.is_dir() and not path.name.startswith(".")):
        page = visit(largest(folder), width=width).page
        assert page.evaluate(MEASURE)["over"] <= 0, folder.name


CUT = """() => {
  document.querySelectorAll("details").forEach((e) => { e.open = true; });
  const cut = [], boxes = [...document.querySelectorAll(".scroll:has(caption)")];
  for (const box of boxes) for (const to of [0, box.scrollWidth]) {
    box.scrollLeft = to;
    const [whole, said] = [box, box.querySelector("caption")].map((e) => e.getBoundingClientRect());
    if (said.left < whole.left - 1 || said.right > whole.right + 1) cut.push([box.id, to, said.left - whole.left, said.right - whole.right]);
  }
  return [boxes.length, boxes.filter((e) => e.scrollWidth > e.clientWidth + 1).length, cut];
}"""


def test_what_a_table_says_of_itself_is_read_whole_however_far_it_is_scrolled(
    visit: Any, each_kind: list[Path]
) -> None:
    wider = 0
    for width in (1400, 800, 390):
        for path in each_kind:
            tables, scrolled, cut = visit(path, width=width).page.evaluate(CUT)
            assert cut == [], (path.name, width, tables)
            wider += scrolled
    assert wider > 20
