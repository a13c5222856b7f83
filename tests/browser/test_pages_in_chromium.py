"""The pages in a real browser: they draw, nothing from a file comes alive, they print, nothing is fetched."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import pytest
from sample_pages import HOSTILE

from reports.kit.markup import shorten, visible

if TYPE_CHECKING:
    from pathlib import Path

SHOWN = ("lot reject", "lot many", "lot hostile", "meter suspended", "meter hostile", "index")
DESK, PHONE = 1200, 375

MEASURE = """() => {
  const box = (e) => e.getBoundingClientRect();
  const style = (selector) => getComputedStyle(document.querySelector(selector));
  return {
    title: document.title,
    styles: document.styleSheets.length,
    handlers: [...document.querySelectorAll("*")].filter((e) => [...e.attributes].some((a) => /^on|^style$/.test(a.name))).length,
    foreign: document.querySelectorAll("img,iframe,object,embed,form,base,video,audio,foreignObject,script[src]").length,
    charts: [...document.querySelectorAll(".chart > svg")].map((e) => [box(e).width, box(e).height]),
    marks: document.querySelectorAll(".chart .points > *, .chart .segments > *").length,
    word: document.querySelector(".word")?.textContent ?? "",
    overflow: document.documentElement.scrollWidth - document.documentElement.clientWidth,
    verdict_top: document.querySelector(".verdict") ? box(document.querySelector(".verdict")).top : 0,
    paper: style(".sheet").backgroundColor,
    ink: style("h1").color,
  };
}"""


@pytest.mark.parametrize("width", [DESK, PHONE])
@pytest.mark.parametrize("name", SHOWN)
def test_a_page_draws_is_not_too_wide_and_shows_its_verdict_first(
    visit: Any, written: dict[str, Path], name: str, width: int
) -> None:
    opened = visit(written[name], width=width)
    found = opened.page.evaluate(MEASURE)
    assert found["styles"] == (3 if name.startswith("index") else 2)  # all were let through by the policy of the page
    if not name.startswith("index"):
        assert len(found["charts"]) >= 3
        # the drawing itself, its words stand beside it
        least = 600 if width == DESK else 160
        assert all(w > least and h > 70 for w, h in found["charts"]), found["charts"]
        assert found["marks"] > 20
    assert found["word"].strip()
    assert found["overflow"] <= 0
    assert found["verdict_top"] < (340 if width == DESK else 440)
    assert opened.complaints == []
    assert opened.outside == []


@pytest.mark.parametrize("scripts", [True, False])
@pytest.mark.parametrize("name", ["lot hostile", "meter hostile", "index"])
def test_hostile_text_stays_text(visit: Any, written: dict[str, Path], name: str, scripts: bool) -> None:
    opened = visit(written[name], scripts=scripts)
    found = opened.page.evaluate(MEASURE)
    assert (found["handlers"], found["foreign"]) == (0, 0)
    if name == "lot hostile":
        assert found["title"] == f"Hold: {visible(shorten(HOSTILE[0], 60))}"
    assert (opened.complaints, opened.outside) == ([], [])


def brightness(colour: str) -> float:
    red, green, blue = (int(c) for c in re.findall(r"\d+", colour)[:3])
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_the_page_follows_the_scheme_of_the_reader(visit: Any, written: dict[str, Path]) -> None:
    light, dark = (
        visit(written["lot reject"], color_scheme=scheme).page.evaluate(MEASURE) for scheme in ("light", "dark")
    )
    assert brightness(light["paper"]) > 230 > 60 > brightness(light["ink"])
    assert brightness(dark["ink"]) > 200 > 60 > brightness(dark["paper"])


@pytest.mark.parametrize("name", ["lot reject", "meter hostile", "index plain"])
@pytest.mark.parametrize(("paper", "points"), [("A4", (595, 842)), ("Letter", (612, 792))])
def test_a_page_prints(visit: Any, written: dict[str, Path], name: str, paper: str, points: tuple[int, int]) -> None:
    pdf = visit(written[name]).page.pdf(format=paper)
    assert pdf.startswith(b"%PDF-")
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) >= 3
    width, height = (float(side) for side in re.findall(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", pdf)[0])
    assert (width, height) == pytest.approx(points, abs=1)


PRINTED = """() => {
  const gone = (selector) => [...document.querySelectorAll(selector)].every((e) => getComputedStyle(e).display === "none");
  const kept = (selector) => [...document.querySelectorAll(selector)].every((e) => getComputedStyle(e).breakInside === "avoid");
  return {
    tools: gone(".under,.filter,.crumbs,.contents,.skip"),
    whole: kept("figure,.verdict,tr"),
    heads: [...document.querySelectorAll("thead")].every((e) => getComputedStyle(e).display === "table-header-group"),
    paper: getComputedStyle(document.querySelector(".sheet")).backgroundColor,
  };
}"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_printed_page_keeps_charts_whole_repeats_heads_and_is_light(
    visit: Any, written: dict[str, Path], scheme: str
) -> None:
    page = visit(written["meter suspended"], color_scheme=scheme).page
    page.emulate_media(media="print", color_scheme=scheme)
    found = page.evaluate(PRINTED)
    assert found["tools"]
    assert found["whole"]
    assert found["heads"]
    assert "0, 0, 0, 0" in found["paper"]
    assert brightness(page.evaluate("() => getComputedStyle(document.querySelector('h1')).color")) < 60


def test_a_request_would_be_seen(visit: Any, tmp_path: Path) -> None:
    control = tmp_path / "control.html"
    control.write_text('<img src="http://example.invalid/seen.png"><script>alert(1)</script>', encoding="utf-8")
    opened = visit(control)
    assert opened.outside == ["http://example.invalid/seen.png"]
    assert "dialog: 1" in opened.complaints


def test_a_script_that_slips_in_is_stopped_by_the_policy(visit: Any, written: dict[str, Path], tmp_path: Path) -> None:
    slipped = tmp_path / "slipped.html"
    page = written["lot reject"].read_text(encoding="utf-8")
    evil = '<img src="http://example.invalid/a.png"><script>alert(1)</script><p onclick="alert(2)" id="evil">x</p>'
    slipped.write_text(page.replace("</main>", f"{evil}</main>"), encoding="utf-8")
    opened = visit(slipped)
    opened.page.locator("#evil").click()
    # the browser may name the address before the policy stops it; nothing is run
    assert not [said for said in opened.complaints if said.startswith("dialog")]
    assert sum("Content Security Policy" in said for said in opened.complaints) >= 3
