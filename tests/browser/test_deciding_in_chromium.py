"""The forms in a browser: with a finger's width and without a script, by the keyboard alone, and as assistive technology reads them."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING, Any

import pytest
from accessible import WCAG, violations
from visiting import DECISIONS, PASSWORD, PEOPLE, asked_at, cheap_passwords, decided_works, typed_into

from pipeline.cli.answers import ANSWERS
from pipeline.history.store import History
from pipeline.pages.render import render
from pipeline.web import app as app_module
from pipeline.web import server
from pipeline.web.decisions import FORMS
from pipeline.web.sessions import Rates
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    with pytest.MonkeyPatch.context() as patch:
        cheap_passwords(patch)
        root = decided_works(tmp_path_factory.mktemp("works"))
    render(find_workspace(root))
    return root


@pytest.fixture(scope="module")
def served(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, str]]:
    root = shutil.copytree(made, tmp_path_factory.mktemp("served") / "works")
    with pytest.MonkeyPatch.context() as patch:
        cheap_passwords(patch)
        # all of these tests come from one address within minutes
        patch.setattr(app_module, "Rates", lambda **_: Rates(1e6, 1e6))
        with server.listening(root, ANSWERS, server.Listen(port=0)) as address:
            yield root, address


def at(chromium: Browser, address: str, who: str, **options: Any) -> Page:
    """Return a page on which somebody has signed in."""
    context = chromium.new_context(**options)
    page = context.new_page()
    page.set_default_timeout(60_000)
    page.goto(address)
    page.fill("#f-name", who)
    page.fill("#f-password", PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url(address)
    return page


def fill_by_keyboard(page: Page, form: str, typed: dict[str, str]) -> None:
    """Fill a form field by field with the keyboard alone, in the order in which Tab goes, and press Enter on its button."""
    page.focus("a.skip")
    left = dict(typed)
    for _ in range(60):
        page.keyboard.press("Tab")
        name, kind = page.evaluate("[document.activeElement.name || '', document.activeElement.type || '']")
        if kind == "submit":
            assert not left, f"{left} cannot be reached"
            page.keyboard.press("Enter")
            return
        if name in left:
            value = left.pop(name)
            if kind == "select-one":
                page.keyboard.type(value)
                assert page.evaluate("document.activeElement.value") == value
            elif kind == "datetime-local":
                day, clock = value.split("T")
                year, month, date = day.split("-")
                page.keyboard.type(f"{month}{date}{year}")
                page.keyboard.press("Tab")
                hour, minute = (int(part) for part in clock.split(":"))
                page.keyboard.type(f"{hour % 12 or 12:02}{minute:02}{'PM' if hour >= 12 else 'AM'}")
                assert page.evaluate("document.activeElement.value") == value
            else:
                page.keyboard.type(value)
    raise AssertionError("no button was reached")


@pytest.mark.parametrize("form", FORMS)
def test_each_form_goes_to_its_end_by_keyboard_on_a_phone_without_scripts(
    chromium: Browser, made: Path, tmp_path: Path, form: str
) -> None:
    root = shutil.copytree(made, tmp_path / "works")
    who, _, kind = DECISIONS[form]
    with pytest.MonkeyPatch.context() as patch:
        cheap_passwords(patch)
        with server.listening(root, ANSWERS, server.Listen(port=0)) as address:
            # without scripts of the page; Playwright asks for values by its own
            page = at(chromium, address, who, viewport={"width": 390, "height": 800}, java_script_enabled=False)
            page.goto(address.rstrip("/") + asked_at(form))
            fill_by_keyboard(page, form, {**typed_into(root, form), "why": "seen at the bench"})
            page.wait_for_selector("text=Look before you sign")
            assert page.evaluate("document.documentElement.scrollWidth") <= 390
            fill_by_keyboard(page, form, {"password": PASSWORD})
            page.wait_for_url("**/done/*")
            assert page.evaluate("document.documentElement.scrollWidth") <= 390
            assert page.locator("h1").inner_text() == "Recorded"
            page.context.close()
    with History.open(find_workspace(root).history, snapshot=False) as history:
        last = [event for event in history.events() if event.by == who]
    assert [event.kind for event in last] == ([kind] if kind else [])


@pytest.mark.parametrize("form", FORMS)
def test_each_form_refuses_in_words_and_is_read_by_assistive_technology(
    chromium: Browser, served: tuple[Path, str], form: str
) -> None:
    root, address = served
    who, _, _ = DECISIONS[form]
    with History.open(find_workspace(root).history, snapshot=False) as history:
        before = len(history.events())
    page = at(chromium, address, who, viewport={"width": 390, "height": 800})
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text))
    page.goto(address.rstrip("/") + asked_at(form))
    fill(page, typed_into(root, form))
    assert_readable(page)
    page.evaluate("document.querySelectorAll('form').forEach(form => form.noValidate = true)")
    page.click("text=Go on")  # without a reason
    page.wait_for_selector("[role=alert]")
    assert "Why: fill this in." in page.locator("[role=alert]").inner_text()
    assert_readable(page)
    page.fill("#f-why", "seen at the bench")
    page.click("text=Go on")
    page.wait_for_selector("text=Look before you sign")
    assert_readable(page)
    page.fill("#f-password", "wrong wrong wrong")
    page.click("text=Sign and record")
    page.wait_for_selector("[role=alert]")
    page.click("text=Change")
    page.wait_for_selector("#f-why")
    assert page.input_value("#f-why") == "seen at the bench"
    for name, value in typed_into(root, form).items():
        assert page.input_value(f"#f-{name}") == value
    assert [text for text in complaints if "status of 4" not in text] == []
    page.context.close()
    with History.open(find_workspace(root).history, snapshot=False) as history:
        assert len(history.events()) == before
    # one wrong signature a form: nobody has to wait
    page = at(chromium, address, who)
    page.context.close()


def fill(page: Page, typed: dict[str, str]) -> None:
    for name, value in typed.items():
        box = page.locator(f"#f-{name}")
        if box.evaluate("box => box.tagName") == "SELECT":
            box.select_option(value)
        else:
            box.fill(value)


def assert_readable(page: Page) -> None:
    assert violations(page, WCAG, whole=True) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_a_page_leads_to_what_can_be_decided_about_it(chromium: Browser, served: tuple[Path, str]) -> None:
    _, address = served
    page = at(chromium, address, "Ada Lind", viewport={"width": 390, "height": 800})
    page.goto(f"{address}lots/L1.html")
    assert_readable(page)
    page.click("nav.filter >> text=Decide here")
    assert_readable(page)
    page.click("text=Release or refuse")
    assert page.input_value("#f-lot") == "L1"
    page.goto(f"{address}me")
    assert_readable(page)
    page.click("text=Sign out")
    page.wait_for_selector("#f-name")
    assert_readable(page)
    page.goto(f"{address}lots/L1.html")
    assert "sign-in" in page.url
    page.context.close()


def test_a_file_is_dropped_and_told_line_by_line(chromium: Browser, served: tuple[Path, str], tmp_path: Path) -> None:
    root, address = served
    export = tmp_path / "week.csv"
    export.write_bytes((root / "inbox" / "40.csv").read_bytes().replace(b"L1", b"L2") + b"no,such,line\n")
    page = at(chromium, address, "Cia Ek", viewport={"width": 390, "height": 800}, java_script_enabled=False)
    page.goto(f"{address}bring")
    page.set_input_files("#f-file", export)
    page.click("main >> text=Hand in >> nth=-1")
    page.wait_for_selector("text=Refused lines")
    assert "no,such,line" in page.content()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.context.close()


def test_everybody_is_somebody() -> None:
    assert {DECISIONS[form][0] for form in FORMS} <= set(PEOPLE)
