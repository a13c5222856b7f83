"""What is written can be read: nothing below 8 pt on paper, no word of a chart below 11 px on a phone."""

from __future__ import annotations

import ctypes
from typing import TYPE_CHECKING, Any

import pypdfium2
import pytest
from parsed_pages import rendered
from pypdfium2 import raw

if TYPE_CHECKING:
    from pathlib import Path

LEAST_PT, LEAST_PX = 8.0, 11.0


def small(path: Path) -> dict[float, str]:
    """Return what stands in a PDF below 8 pt, by its size: the size of the font times what the sheet makes of it."""
    document = pypdfium2.PdfDocument(path)
    found: dict[float, str] = {}
    for sheet in document:
        text = sheet.get_textpage()
        for place in range(text.count_chars()):
            character = chr(raw.FPDFText_GetUnicode(text.raw, place) or 32)
            matrix = raw.FS_MATRIX()
            raw.FPDFText_GetMatrix(text.raw, place, ctypes.byref(matrix))
            size = raw.FPDFText_GetFontSize(text.raw, place) * (matrix.b**2 + matrix.d**2) ** 0.5
            if character.strip() and size < LEAST_PT - 0.02:  # the size is written with two decimals
                found[round(size, 1)] = found.get(round(size, 1), "") + character
    document.close()
    return {size: words[:80] for size, words in found.items()}


def test_the_measure_finds_small_print(visit: Any, tmp_path: Path) -> None:
    page = tmp_path / "small.html"
    page.write_text('<!doctype html><p style="font-size:7.9pt">under<p style="font-size:8pt">enough', encoding="utf-8")
    visit(page).page.pdf(path=tmp_path / "small.pdf")
    assert small(tmp_path / "small.pdf") == {7.9: "under"}
    # what is too broad for the sheet is printed smaller by the browser
    page.write_text('<!doctype html><p style="font-size:8pt;width:60rem">broad', encoding="utf-8")
    visit(page).page.pdf(path=tmp_path / "small.pdf")
    assert "".join(small(tmp_path / "small.pdf").values()) == "broad"


def test_nothing_is_printed_below_8_pt(visit: Any, each_kind: list[Path], tmp_path: Path) -> None:
    review = tmp_path / "review.html"
    review.write_text(rendered("review usual"), encoding="utf-8")
    assert len(each_kind) >= 12
    for path in (*each_kind, review):
        page = visit(path).page
        # charts behind disclosures are printed by who opens them, and beside them everything that is printed without
        page.evaluate(
            "() => document.querySelectorAll('details').forEach((e) => { e.open = !!e.querySelector('figure'); })"
        )
        for paper in ("A4", "Letter"):
            page.pdf(path=tmp_path / "sheet.pdf", format=paper)
            assert small(tmp_path / "sheet.pdf") == {}, (path, paper)


WORDS = """() => [...document.querySelectorAll("figure svg text, figure .axis")]
  .filter((e) => e.checkVisibility({visibilityProperty: true}) && e.getClientRects().length)
  .map((e) => {
    const drawn = e.ownerSVGElement && e.ownerSVGElement.getScreenCTM();
    const box = e.getBoundingClientRect();
    return {word: e.textContent, size: parseFloat(getComputedStyle(e).fontSize) * (drawn ? drawn.d : 1), left: box.left, right: box.right};
  })"""
OPEN = "() => document.querySelectorAll('details').forEach((e) => { e.open = true; })"


COVERED = """() => [...document.querySelectorAll("figure svg[role=img]")].flatMap((svg) => {
  const words = [...svg.querySelectorAll("text")].filter((e) => e.checkVisibility() && getComputedStyle(e).display !== "none" && e.textContent.trim())
    .map((e) => [e.textContent, e.getBoundingClientRect()]).filter(([, box]) => box.width);
  const found = [];
  words.forEach(([one, a], i) => words.slice(i + 1).forEach(([other, b]) => {
    const across = Math.min(a.right, b.right) - Math.max(a.left, b.left), down = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
    if (across > 2 && down > 5) found.push(`${svg.closest("figure").id}: ${one} / ${other}`);
  }));
  return found;
})"""


@pytest.mark.parametrize("width", [390, 800, 1400])
def test_words_of_charts_keep_their_size_stay_on_the_screen_and_cover_none(
    visit: Any, each_kind: list[Path], width: int
) -> None:
    seen = 0
    for path in each_kind:
        page = visit(path, width=width).page
        page.evaluate(OPEN)
        words = page.evaluate(WORDS)
        seen += len(words)
        assert [word for word in words if word["size"] < LEAST_PX - 0.01] == [], path
        assert [word for word in words if word["left"] < 0 or word["right"] > width + 1] == [], path
        assert page.evaluate(COVERED) == [], path
    assert seen > 200
