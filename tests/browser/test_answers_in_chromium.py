"""Review, event, process, supplier and study in a browser and on paper: they fit, open by keyboard, and what is signed is one sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pypdfium2
import pytest
from accessible import violations
from sample_company import company_pages
from sample_events import event_pages
from sample_processes import _process, supplier_pages
from sample_reviews import review_page, review_pages
from sample_studies import study_pages

import reports

if TYPE_CHECKING:
    from pathlib import Path

NAMES = (
    "review usual", "review many", "review hostile", "event open", "event hostile", "process suspended", "supplier several", "study usable", "company supplier",
    "company block", "company meter", "company review",
)  # fmt: skip

SMALLEST = """() => Math.min(...[...document.querySelectorAll("main *, footer *")]
  .filter((e) => [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim()) && e.checkVisibility())
  .map((e) => parseFloat(getComputedStyle(e).fontSize)))"""


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Pages of these kinds as files, by their case."""
    folder = tmp_path_factory.mktemp("asked")
    cases: dict[str, Any] = {f"review {name}": page for name, page in review_pages().items()}
    cases |= {f"event {name}": page for name, page in event_pages().items()}
    cases |= {"supplier several": supplier_pages()["several"], "study usable": study_pages()["usable"]}
    cases["process suspended"] = _process("copper bar", [30, 4], shift=-0.8, after=20, suspended=20)
    cases |= {f"company {name}": page for name, page in company_pages().items()}
    paths = {}
    for name, page in cases.items():
        paths[name] = folder / f"{name.replace(' ', '-')}.html"
        paths[name].write_text(reports.render(page), encoding="utf-8")
    return paths


@pytest.mark.parametrize("width", [1400, 800, 390])
@pytest.mark.parametrize("name", NAMES)
def test_a_page_is_not_wider_than_the_screen(visit: Any, asked: dict[str, Path], name: str, width: int) -> None:
    opened = visit(asked[name], width=width)
    assert opened.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0
    assert (opened.complaints, opened.outside) == ([], [])


@pytest.mark.parametrize(("name", "scheme"), [(name, ("light", "dark")[n % 2]) for n, name in enumerate(NAMES)])
def test_a_page_has_no_violation(visit: Any, asked: dict[str, Path], name: str, scheme: str) -> None:
    page = visit(asked[name], color_scheme=scheme).page
    page.evaluate("() => document.querySelectorAll('details').forEach((e) => { e.open = true })")
    assert violations(page) == []


@pytest.mark.parametrize("name", NAMES)
def test_nothing_on_paper_is_smaller_than_8_pt(visit: Any, asked: dict[str, Path], name: str) -> None:
    page = visit(asked[name]).page
    page.emulate_media(media="print")
    assert page.evaluate(SMALLEST) * 72 / 96 >= 8


def sheets(page: Any, paper: str, path: Path) -> list[str]:
    page.pdf(path=str(path), format=paper)
    document = pypdfium2.PdfDocument(path)
    texts = [" ".join(sheet.get_textpage().get_text_range().split()) for sheet in document]
    # the running foot comes first
    found = [text.partition(f" of {len(texts)} ")[2] for text in texts]
    document.close()
    return found


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("name", ["usual", "many", "quiet"])
def test_what_is_signed_is_one_sheet_and_the_annex_follows_whole(
    visit: Any, asked: dict[str, Path], tmp_path: Path, name: str, paper: str
) -> None:
    first, *rest = sheets(visit(asked[f"review {name}"]).page, paper, tmp_path / "review.pdf")
    for said in (
        "Review of 2026-03",
        "The last six months",
        "Held by: name, date, signature",
        "Agreed by: name, date, signature",
    ):
        assert said in first
    assert rest[0].startswith("Annex")
    # closed on a screen, printed all the same
    annex = " ".join(rest)
    assert "Meters" in annex
    assert ("Bias of each meter on each block." in annex) is (name != "quiet")
    assert all(len(sheet) > 20 for sheet in (first, *rest)), "no sheet is blank"


def test_the_first_sheet_bears_all_that_can_stand_on_it(visit: Any, tmp_path: Path) -> None:
    path = tmp_path / "full.html"
    path.write_text(reports.render(review_page(many=40)), encoding="utf-8")
    first, second, *_ = sheets(visit(path).page, "Letter", tmp_path / "full.pdf")
    assert "Agreed by" in first
    assert second.startswith("Annex")


def test_the_annex_opens_by_keyboard_and_by_its_link(visit: Any, asked: dict[str, Path]) -> None:
    page = visit(asked["review usual"]).page
    part = page.locator("details.annexed", has=page.locator("#meters"))
    assert not part.locator("#table-meters").is_visible()
    part.locator("summary").first.focus()
    page.keyboard.press("Enter")
    assert part.locator("#table-meters").is_visible()
    page.locator('.contents a[href="#budgets"]').focus()
    page.keyboard.press("Enter")
    page.locator("#table-budgets").wait_for(state="visible")


@pytest.mark.parametrize("width", [1400, 390])
def test_a_command_stays_on_one_line_and_scrolls_in_itself(visit: Any, asked: dict[str, Path], width: int) -> None:
    page = visit(asked["event open"], width=width).page
    block = page.locator("pre")
    lines = block.locator("code").inner_text().split("\n")
    assert len(lines) == 2
    height, line, over = block.evaluate(
        """(e) => {
          const of = getComputedStyle(e), space = parseFloat(of.paddingTop) + parseFloat(of.paddingBottom);
          return [Math.round((e.clientHeight - space) / parseFloat(of.lineHeight)), of.whiteSpace, e.scrollWidth - e.clientWidth];
        }"""
    )
    assert (height, line) == (2, "pre"), "a line of text a command"
    assert (over > 0) is (width == 390)
    block.focus()
    assert page.evaluate("document.activeElement.tagName") == "PRE"
    page.emulate_media(media="print")
    assert block.evaluate("(e) => getComputedStyle(e).breakInside") == "avoid"


def test_what_few_look_at_opens_by_keyboard(visit: Any, asked: dict[str, Path]) -> None:
    for name, anchor in (("process suspended", "phases"), ("supplier several", "lots"), ("study usable", "annex")):
        page = visit(asked[name]).page
        part = page.locator("details", has=page.locator(f"#{anchor}"))
        assert not part.locator("table").first.is_visible()
        part.locator("summary").first.focus()
        page.keyboard.press("Enter")
        assert part.locator("table").first.is_visible(), name
