"""A served page that was written again: it says so and is fetched only by a person's hand; a board is fetched by itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from accessible import WCAG, violations

from pipeline.cli.answers import ANSWERS
from pipeline.web import server
from reports.kit.markup import element
from reports.kit.scripts import BOARD_CLOCK, data_block
from reports.kit.shell import whole
from reports.kit.style import STYLE
from reports.words import board as board_words
from reports.words import web as words

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser


def write(root: Path, state: str) -> None:
    sheet = element(
        "div", element("main", element("h1", state), element("input", aria_label="Search", id="search")), class_="sheet"
    )
    (root / "pages" / "index.html").write_text(whole("Index", [STYLE], sheet), encoding="utf-8")
    clock = {**board_words.CLOCK, "until": 1e15, "zone": "UTC", "last": None}
    body = element("main", element("h1", state), element("p", id="board-clock"), element("p", id="board-banner"))
    text = whole("Board", [STYLE], body, scripts=[(BOARD_CLOCK, data_block(clock, "board-words"))], refresh_s=900)
    (root / "pages" / "boards" / "LINE.html").write_text(text, encoding="utf-8")


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[Path, str]]:
    (tmp_path / "annealog.toml").write_text("", encoding="utf-8")
    (tmp_path / "pages" / "boards").mkdir(parents=True)
    write(tmp_path, "as it was")
    with server.listening(tmp_path, ANSWERS, server.Listen(port=0)) as address:
        yield tmp_path, address


def test_a_page_says_that_it_is_old_and_a_board_is_new(chromium: Browser, served: tuple[Path, str]) -> None:
    root, address = served
    complaints: list[str] = []
    pages = []
    for path in ("", "boards/LINE.html"):
        page = chromium.new_context(viewport={"width": 390, "height": 800}).new_page()
        page.set_default_timeout(60_000)
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(address + path)
        pages.append(page)
    page, board = pages
    page.fill("#search", "half a na")
    assert page.locator("#changed").inner_text() == ""
    write(root, "as it is now")
    board.wait_for_selector("text=as it is now")
    page.wait_for_selector(f"text={words.CHANGED['said']}")
    assert page.input_value("#search") == "half a na"  # nothing is taken from under the hands
    assert page.locator("h1").inner_text() == "as it was"
    assert violations(page, WCAG, whole=True) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.get_by_role("button", name=words.CHANGED["show"]).press("Enter")
    page.wait_for_selector("text=as it is now")
    assert page.locator("#changed").inner_text() == ""
    assert complaints == []
    for one in pages:
        one.context.close()


def test_without_a_script_a_page_is_as_it_lies_and_the_board_fetches_itself(
    chromium: Browser, served: tuple[Path, str]
) -> None:
    root, address = served
    page = chromium.new_context(java_script_enabled=False).new_page()
    page.goto(address)
    assert page.locator("h1").inner_text() == "as it was"
    assert page.locator("#changed").is_hidden()
    board = root / "pages" / "boards" / "LINE.html"
    board.write_text(board.read_text(encoding="utf-8").replace('content="900"', 'content="1"'), encoding="utf-8")
    page.goto(f"{address}boards/LINE.html")
    write(root, "as it is now")
    page.wait_for_selector("text=as it is now", timeout=60_000)
    page.context.close()
