"""The layer over the charts: values, enlarging, linked selections, by pointer and by keyboard."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from pathlib import Path


def dim(page: Any) -> list[int]:
    return [figure.locator(".dim").count() for figure in page.locator("figure").all()]


def drag(page: Any, svg: Any, start: float, end: float, *, down: float = 0.0) -> None:
    box = svg.bounding_box()
    y = box["y"] + box["height"] * 0.4
    page.mouse.move(box["x"] + box["width"] * start, y)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * end, y + down, steps=4)
    page.mouse.up()


@pytest.fixture
def lot(visit: Any, written: dict[str, Path]) -> Any:
    opened = visit(written["lot reject"], height=1200)
    opened.page.locator("figure").first.scroll_into_view_if_needed()
    yield opened.page
    assert opened.complaints == []


def test_pointing_at_a_mark_tells_what_it_is_and_its_value(lot: Any) -> None:
    out = lot.locator("#figure-parts .points > *[href='#mark-out']").first
    box = out.bounding_box()
    lot.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    said = lot.locator("#figure-parts .readout").inner_text()
    assert said.startswith("P07, spot B")
    assert "MS/m: 57.30" in said
    # the same spot has a ring in the distribution as well
    assert lot.locator("#figure-spots .ring").count() == 1


def test_what_is_told_agrees_with_the_table(lot: Any) -> None:
    lot.locator("#figure-parts .chart").focus()
    lot.keyboard.press("Home")
    said = lot.locator("#figure-parts .readout").inner_text()
    part, spot = said.split(" ·")[0].split(", spot ")
    rows = [row.locator("th,td").all_text_contents() for row in lot.locator("#table-spots tbody tr").all()]
    mean = next(row[2] for row in rows if row[:2] == [part, spot])
    assert mean == said.rsplit(": ", 1)[1]


def test_a_selection_lights_up_the_same_spots_in_the_distribution(lot: Any) -> None:
    total = lot.locator("#figure-parts .points > *").count()
    drag(lot, lot.locator("#figure-parts svg").first, 0.2, 0.4)
    parts, spots, support = dim(lot)
    assert 0 < parts < total
    assert parts == spots
    assert support == 0
    chosen = lot.locator("#figure-parts .readout").inner_text()
    assert chosen.startswith(f"{total - parts} of {total} marks selected")
    lot.locator("#figure-parts").get_by_role("button", name="Whole chart").click()
    assert dim(lot) == [0, 0, 0]


def test_a_selection_in_the_distribution_lights_up_spots_by_their_value(lot: Any) -> None:
    drag(lot, lot.locator("#figure-spots svg").first, 0.1, 0.2)
    parts, spots, _ = dim(lot)
    assert parts == spots > 0


def test_enlarging_keeps_axes_and_values(lot: Any) -> None:
    before = lot.locator("#figure-parts .ticks text").all_text_contents()
    drag(lot, lot.locator("#figure-parts svg").first, 0.25, 0.5, down=90)
    lot.locator("#figure-parts").get_by_role("button", name="Enlarge").click()
    ticks = lot.locator("#figure-parts svg > g text[text-anchor=end]:visible").all_text_contents()
    assert ticks
    assert ticks != before
    values = [float(tick) for tick in ticks]
    assert values == sorted(values)
    lot.locator("#figure-parts .chart").press("Home")
    assert lot.locator("#figure-parts .ring").count() == 1
    lot.locator("#figure-parts .chart").press("Escape")
    assert lot.locator("#figure-parts .ticks text:visible").all_text_contents() == before


def test_a_chart_can_be_read_by_keyboard_alone(lot: Any) -> None:
    chart = lot.locator("#figure-parts .chart")
    chart.focus()
    for _ in range(2):
        lot.keyboard.press("ArrowRight")
    second = lot.locator("#figure-parts .readout").inner_text()
    lot.keyboard.press("ArrowLeft")
    assert lot.locator("#figure-parts .readout").inner_text() != second
    for _ in range(4):
        lot.keyboard.press("Shift+ArrowRight")
    assert dim(lot)[0] > 0
    lot.keyboard.press("+")
    assert lot.locator("#figure-parts .ticks text:visible").count() == 0
    lot.keyboard.press("Escape")
    assert dim(lot) == [0, 0, 0]
    lot.keyboard.press("Tab")
    assert lot.evaluate("() => document.activeElement.textContent") == "Mark to the left"


def test_charts_of_one_block_are_linked_and_those_of_another_are_not(visit: Any, written: dict[str, Path]) -> None:
    page = visit(written["meter suspended"], height=1400).page
    for place in (1, 2):
        page.locator(f"#charts-{place} summary").click()
    page.locator("#figure-control-1").scroll_into_view_if_needed()
    drag(page, page.locator("#figure-control-1 svg").first, 0.2, 0.4)
    same = [page.locator(f"#figure-{kind}-1 .dim").count() for kind in ("control", "strip", "within")]
    assert same[0] == same[1] == same[2] > 0
    assert page.locator("#figure-control-2 .dim").count() == page.locator("#figure-within-2 .dim").count() == 0


def test_a_tap_tells_what_lies_under_the_finger(visit: Any, written: dict[str, Path]) -> None:
    opened = visit(written["lot reject"], width=390, height=800, has_touch=True, is_mobile=True)
    page = opened.page
    out = page.locator("#figure-parts .points > *[href='#mark-out']").first
    out.scroll_into_view_if_needed()
    box = out.bounding_box()
    page.touchscreen.tap(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    assert page.locator("#figure-parts .readout").inner_text().startswith("P07, spot")
    assert opened.complaints == []


def test_a_key_goes_from_signal_to_signal_and_round(visit: Any, written: dict[str, Path]) -> None:
    page = visit(written["meter suspended"], height=1400).page
    chart = page.locator("#figure-strip-1 .chart")
    chart.focus()
    readout, told = page.locator("#figure-strip-1 .readout"), []
    for _ in range(12):
        page.keyboard.press("n")
        told.append(readout.inner_text())
    rounds = told.index(told[0], 1)
    assert len(set(told)) == rounds > 1
    # date, z and rule stand in the readout
    assert all("2026-0" in one and "z = " in one for one in told)
    assert any("1-3s" in one for one in told)


def test_bars_are_linked_by_their_quantity(visit: Any, written: dict[str, Path]) -> None:
    page = visit(written["lot many"], height=1200).page
    page.locator("#figure-spots").scroll_into_view_if_needed()
    drag(page, page.locator("#figure-spots svg").first, 0.1, 0.5)
    bars = page.locator("#figure-spots .rects .dim").count()
    assert 0 < bars < page.locator("#figure-spots .rects > *").count()


def test_without_scripts_charts_are_whole_and_nothing_is_offered_that_does_not_work(
    visit: Any, written: dict[str, Path]
) -> None:
    page = visit(written["lot reject"], scripts=False).page
    assert page.locator(".tools, .readout, .filter, button, input, select").count() == 0
    assert page.locator("#figure-parts .points > *").count() == 30
    assert page.locator("#figure-parts .ticks text").count() > 3
