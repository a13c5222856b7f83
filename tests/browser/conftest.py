"""A browser for the pages: Debian's Chromium without a head, driven by Playwright, offline."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING, Any

import pytest
from needed import lacking
from sample_pages import index_page, lot_pages, meter_pages

import reports
from schemas.results import ChecksPage

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, BrowserContext, Page


@pytest.fixture(scope="session")
def chromium_binary() -> str:
    """The browser; missing, it is a reason to skip at a desk and a failure in CI."""
    binary = shutil.which("chromium") or shutil.which("chromium-browser")
    if binary is None:
        lacking("no chromium on this machine; install Debian's package chromium to run the browser tests")
    return binary


@pytest.fixture(scope="session")
def chromium(chromium_binary: str) -> Iterator[Browser]:
    """One browser for all tests."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        lacking("Playwright is not installed; install the extra dev")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=chromium_binary, args=["--no-sandbox", "--disable-gpu", "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"]
        )  # fmt: skip
        yield browser
        browser.close()


class Visit:
    """A page as a reader opens it, and what it tried behind the reader's back."""

    def __init__(self, context: BrowserContext) -> None:
        self.asked: list[str] = []
        self.complaints: list[str] = []
        self.page: Page = context.new_page()
        self.page.set_default_timeout(30_000)  # what is wrong shows at once; only a busy machine waits
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.on("console", lambda message: self.complaints.append(f"{message.type}: {message.text}"))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("dialog", self._dialog)

    def turn_to(self, path: Path, width: int, height: int, color_scheme: Any, reduced_motion: Any) -> Visit:
        """Show a page in the place of what was shown, to a reader whose screen and wishes are these."""
        self.page.mouse.move(0, 0)
        self.page.set_viewport_size({"width": width, "height": height})
        self.page.emulate_media(media="null", color_scheme=color_scheme, reduced_motion=reduced_motion)
        # what the page before still asked for or complained of is no matter of the next, which begins here
        self.page.once("framenavigated", self._begin)
        self.page.goto(path.as_uri())
        return self

    def _begin(self, _: Any) -> None:
        self.asked, self.complaints = [], []

    def _dialog(self, dialog: Any) -> None:
        self.complaints.append(f"dialog: {dialog.message}")
        dialog.dismiss()

    @property
    def outside(self) -> list[str]:
        """What was asked for beyond files and data inside the page."""
        return [url for url in self.asked if not url.startswith(("file:", "data:"))]


@pytest.fixture(scope="session")
def visit(chromium: Browser) -> Callable[..., Visit]:
    """Open pages without a network, one after the other: each takes the place of the last that was opened alike.

    A new context costs as much processor time as five pages, so there is one for each set of options that only a context can
    have; screen and wishes of the reader are set anew with each page.
    """
    found: dict[tuple[Any, ...], Visit] = {}

    def opened(
        path: Path,
        *,
        width: int = 1200,
        height: int = 900,
        color_scheme: str = "light",
        reduced_motion: str = "no-preference",
        scripts: bool = True,
        **options: Any,
    ) -> Visit:
        alike = (scripts, *sorted(options.items()))
        if alike not in found:
            found[alike] = Visit(chromium.new_context(java_script_enabled=scripts, offline=True, **options))
        return found[alike].turn_to(path, width, height, color_scheme, reduced_motion)

    return opened


@pytest.fixture(scope="session")
def written(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Every sample page as a file, by its case."""
    folder = tmp_path_factory.mktemp("pages")
    cases: dict[str, Any] = {f"lot {name}": page for name, page in lot_pages().items()}
    cases |= {f"meter {name}": page for name, page in meter_pages().items()}
    cases |= {f"checks {name}": ChecksPage(page) for name, page in meter_pages().items() if page.result.checks}
    cases |= {"index": index_page(hostile=True), "index plain": index_page(), "index long": index_page(lots=2000)}
    paths: dict[str, Path] = {}
    for name, page in cases.items():
        kind, identifier = page.link.kind, page.link.identifier
        paths[name] = folder / (
            reports.address(kind, identifier) if kind != "index" else f"{name.replace(' ', '-')}.html"
        )
        paths[name].parent.mkdir(exist_ok=True)
        paths[name].write_text(reports.render(page), encoding="utf-8")
    return paths


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The pages of the demo: every kind of page that the program writes."""
    from demo_parts import shown_demo

    return shown_demo(tmp_path_factory) / "pages"


@pytest.fixture(scope="session")
def each_kind(demo: Path) -> list[Path]:
    """Of each kind of page of the demo the largest, the index first."""
    folders = sorted(path for path in demo.iterdir() if path.is_dir() and not path.name.startswith("."))
    sizes = [[(path.stat().st_size, path) for path in folder.glob("*.html")] for folder in folders]
    return [demo / "index.html", *(max(found)[1] for found in sizes if found)]
