"""Readings typed by hand in a browser: Enter leads on, mean and scatter run along, and a lost connection loses nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from accessible import WCAG, violations
from visiting import PASSWORD, cheap_passwords, people
from workspace_files import full_workspace

from pipeline.cli.answers import ANSWERS
from pipeline.history.store import History
from pipeline.web import server
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

LOT = "enter/lot?meter=M1&lot=L2&unit=MS/m&parts=2&spots=2"


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[Path, str]]:
    with pytest.MonkeyPatch.context() as patch:
        cheap_passwords(patch)
        root = full_workspace(tmp_path / "works")
        people(root)
        with server.listening(root, ANSWERS, server.Listen(port=0)) as address:
            yield root, address


def sign_in(page: Page) -> None:
    page.fill("#f-name", "Cia Ek")
    page.fill("#f-password", PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url(lambda url: "sign-in" not in url)


def lots(root: Path) -> list[float]:
    with History.open(find_workspace(root).history, snapshot=False) as history:
        return history.readings(lots=["L2"]).sort("part", "spot")["value"].to_list()


def test_a_lot_is_typed_kept_through_a_lost_connection_and_stored_once(
    chromium: Browser, served: tuple[Path, str]
) -> None:
    root, address = served
    context = chromium.new_context(viewport={"width": 390, "height": 800})
    page = context.new_page()
    page.set_default_timeout(60_000)
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto(address + LOT)
    sign_in(page)
    page.goto(address + LOT)
    page.focus("input[name=v-1-1]")
    for value in ("58.5", "58,6", "85"):
        page.keyboard.type(value)
        page.keyboard.press("Enter")
    said = page.locator("#entry-said").inner_text()
    assert "3 of 4 read: mean 67.367" in said
    assert "Part 2, spot 1: 85 is far from the others" in said
    assert page.locator("input[name=v-2-1]").get_attribute("aria-invalid") == "true"
    page.fill("input[name=v-2-1]", "60.4")
    assert "Part 2, spot 1: 60.4 is outside." in page.locator("#entry-said").inner_text()
    page.fill("input[name=v-2-1]", "58.4")
    page.fill("input[name=v-2-2]", "58.7")
    # mean and standard deviation of 58.5, 58.6, 58.4 and 58.7: 58.55 and sqrt(0.05 / 3)
    assert "4 of 4 read: mean 58.550, standard deviation 0.13." in page.locator("#entry-said").inner_text()
    assert violations(page, WCAG, whole=True) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 390

    context.set_offline(True)
    page.click("text=Go on")
    assert "There is no connection." in page.locator("#entry-said").inner_text()
    page.close()  # and the browser is closed
    context.set_offline(False)
    context.clear_cookies()  # and the session ended
    page = context.new_page()
    page.set_default_timeout(60_000)
    page.goto(address + LOT)
    sign_in(page)
    page.goto(address + LOT)
    page.wait_for_selector("#entry-kept:visible")
    assert page.input_value("input[name=v-1-2]") == "58,6"
    page.click("text=Go on")
    page.get_by_role("button", name="Save").click()
    page.wait_for_selector("text=What became of the file")
    assert lots(root) == [58.5, 58.6, 58.4, 58.7]
    page.reload()  # sent once more
    page.wait_for_selector("text=already loaded")
    assert lots(root) == [58.5, 58.6, 58.4, 58.7]
    page.goto(address + LOT)
    assert page.input_value("input[name=v-1-1]") == ""
    assert page.locator("#entry-kept").is_hidden()
    assert [text for text in complaints if "Password" not in text] == []
    context.close()


def test_what_was_kept_can_be_thrown_away(chromium: Browser, served: tuple[Path, str]) -> None:
    _, address = served
    page = chromium.new_context().new_page()
    page.set_default_timeout(60_000)
    page.goto(address + LOT)
    sign_in(page)
    page.goto(address + LOT)
    page.fill("input[name=v-1-1]", "58.5")
    page.goto(address + LOT)
    assert page.input_value("input[name=v-1-1]") == "58.5"
    page.click("#entry-forget")
    page.wait_for_selector("#entry-kept", state="hidden")
    assert page.input_value("input[name=v-1-1]") == ""
    page.context.close()


def test_a_check_is_entered_without_scripts_by_keyboard(chromium: Browser, served: tuple[Path, str]) -> None:
    root, address = served
    page = chromium.new_context(viewport={"width": 390, "height": 800}, java_script_enabled=False).new_page()
    page.set_default_timeout(60_000)
    page.goto(address + "enter")
    sign_in(page)
    page.wait_for_selector("text=A check on a block")
    page.fill("#f-meter-check", "M1")
    page.fill("#f-block", "B1")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=The check passes from 57.71 to 58.29 MS/m")
    page.focus("input[name=v-1-1]")
    for value in ("58.01", "58.02", "58.00", "57.99", "58.03"):
        page.keyboard.type(value)
        page.keyboard.press("Tab")
    page.fill("#f-temperature", "20")
    page.click("text=Go on")
    page.get_by_role("button", name="Save").click()
    page.wait_for_selector("text=What became of the file")
    with History.open(find_workspace(root).history, snapshot=False) as history:
        assert history.sources().filter("taken_by_hand")["readings"].to_list() == [5]
    page.context.close()
