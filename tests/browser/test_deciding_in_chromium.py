"""The forms in a browser: with a finger's width and without a script, by the keyboard alone, and as assistive technology reads them."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest
from accessible import WCAG, violations
from visiting import DECISIONS, PASSWORD, PEOPLE, AtWork, asked_at, cheap_passwords, decided_works, typed_into

from pipeline.cli.answers import ANSWERS
from pipeline.history.store import History
from pipeline.pages.render import render
from pipeline.web import app as app_module
from pipeline.web import server
from pipeline.web.decisions import FORMS
from pipeline.web.sessions import Rates
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
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


@pytest.fixture(scope="module")
def phone(chromium: Browser) -> Iterator[Callable[..., Page]]:
    """Hand a phone to somebody who signed in; whoever had it before is forgotten. A new one costs as much as five pages."""
    contexts = {
        scripts: chromium.new_context(viewport={"width": 390, "height": 800}, java_script_enabled=scripts)
        for scripts in (True, False)
    }
    pages = {scripts: context.new_page() for scripts, context in contexts.items()}

    def handed_to(address: str, who: str, *, scripts: bool = True) -> Page:
        person = AtWork(address, who)
        cookies = [{"name": one.name, "value": one.value, "url": address} for one in person.client.cookies.jar]
        person.client.close()
        pages[scripts].goto("about:blank")
        pages[scripts].set_default_timeout(60_000)
        contexts[scripts].clear_cookies()
        contexts[scripts].add_cookies(cookies)  # type: ignore[arg-type]
        return pages[scripts]

    yield handed_to
    for context in contexts.values():
        context.close()


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
    phone: Callable[..., Page], made: Path, tmp_path: Path, form: str
) -> None:
    root = shutil.copytree(made, tmp_path / "works")
    who, _, kind = DECISIONS[form]
    with pytest.MonkeyPatch.context() as patch:
        cheap_passwords(patch)
        with server.listening(root, ANSWERS, server.Listen(port=0)) as address:
            # without scripts of the page; Playwright asks for values by its own
            page = phone(address, who, scripts=False)
            page.goto(address.rstrip("/") + asked_at(form))
            fill_by_keyboard(page, form, {**typed_into(root, form), "why": "seen at the bench"})
            page.wait_for_selector("text=Look before you sign")
            assert page.evaluate("document.documentElement.scrollWidth") <= 390
            fill_by_keyboard(page, form, {"password": PASSWORD})
            page.wait_for_url("**/done/*")
            assert page.evaluate("document.documentElement.scrollWidth") <= 390
            assert page.locator("h1").inner_text() == "Recorded"
            page.goto("about:blank")  # before the server ends
    with History.open(find_workspace(root).history, snapshot=False) as history:
        last = [event for event in history.events() if event.by == who]
    assert [event.kind for event in last] == ([kind] if kind else [])


@pytest.mark.parametrize("form", FORMS)
def test_each_form_refuses_in_words_and_is_read_by_assistive_technology(
    phone: Callable[..., Page], served: tuple[Path, str], form: str
) -> None:
    root, address = served
    who, typed = DECISIONS[form][0], typed_into(root, form)
    with History.open(find_workspace(root).history, snapshot=False) as history:
        before = len(history.events())
    page = phone(address, who)
    complaints: list[str] = []
    page.on("console", take := lambda message: complaints.append(message.text))
    page.goto(address.rstrip("/") + asked_at(form))
    fill(page, typed)
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
    for name, value in typed.items():
        assert page.input_value(f"#f-{name}") == value
    page.remove_listener("console", take)
    assert [text for text in complaints if "status of 4" not in text] == []
    with History.open(find_workspace(root).history, snapshot=False) as history:
        assert len(history.events()) == before
    AtWork(address, who).client.close()  # after one wrong signature nobody has to wait


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


def test_a_page_leads_to_what_can_be_decided_about_it(phone: Callable[..., Page], served: tuple[Path, str]) -> None:
    _, address = served
    page = phone(address, "Ada Lind")
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
    page.fill("#f-name", "Ada Lind")
    page.fill("#f-password", PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url(f"{address}lots/L1.html")


def test_a_file_is_dropped_and_told_line_by_line(
    phone: Callable[..., Page], served: tuple[Path, str], tmp_path: Path
) -> None:
    root, address = served
    export = tmp_path / "week.csv"
    export.write_bytes((root / "inbox" / "40.csv").read_bytes().replace(b"L1", b"L2") + b"no,such,line\n")
    page = phone(address, "Cia Ek", scripts=False)
    page.goto(f"{address}bring")
    page.set_input_files("#f-file", export)
    page.click("main >> text=Hand in >> nth=-1")
    page.wait_for_selector("text=Refused lines")
    assert "no,such,line" in page.content()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_everybody_is_somebody() -> None:
    assert {DECISIONS[form][0] for form in FORMS} <= set(PEOPLE)
