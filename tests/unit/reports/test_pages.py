"""Whole pages: nothing from a file becomes markup, every reader is served, the same data gives the same bytes."""

from __future__ import annotations

import base64
import hashlib
import itertools
import json
import os
import re
import subprocess
import sys

import pytest
from parsed_pages import pages, parsed, rendered
from sample_pages import HOSTILE, permuted

import reports
from reports.kit.address import _FOLDERS
from reports.kit.markup import shorten, visible
from reports.kit.scripts import CHARTS, INDEX_FILTER
from reports.words import general as words
from schemas.results import FilesPage

ELEMENTS = {
    "html", "head", "meta", "title", "link", "style", "body", "div", "header", "main", "footer", "section", "p", "a", "h1", "h2",
    "h3", "ul", "ol", "li", "dl", "dt", "dd", "table", "caption", "thead", "tbody", "tr", "th", "td", "figure", "figcaption", "b",
    "small", "span", "details", "summary", "bdi", "svg", "g", "path", "line", "text", "rect", "symbol", "use", "nav", "script", "defs", "code", "pre", "sub",
}  # fmt: skip
ATTRIBUTES = {
    "lang", "charset", "http-equiv", "content", "name", "rel", "href", "class", "id", "scope", "tabindex", "role", "aria-label",
    "aria-labelledby", "aria-hidden", "viewbox", "preserveaspectratio", "d", "transform", "fill", "stroke",
    "fill-opacity", "stroke-width", "stroke-linejoin", "stroke-dasharray", "text-anchor", "font-weight", "font-size", "paint-order", "x", "y", "x2",
    "y2", "dx", "width", "height", "type", "aria-current", "data-column", "start",
}  # fmt: skip
RELATIVE = re.compile(rf"(\.\./)?(index\.html|({'|'.join(_FOLDERS.values())})/[A-Za-z0-9._~-]+\.html)(#[a-z0-9_-]+)?")


every_page = pytest.mark.parametrize("name", list(pages()))


def test_reports_are_found_by_a_scan_of_the_folder() -> None:
    assert {"index", "lot", "meter"} <= {report.name for report in reports.find()}
    with pytest.raises(TypeError, match="no report takes a str"):
        reports.render("page")


@every_page
def test_a_page_holds_only_elements_and_attributes_of_ours(name: str) -> None:
    page = parsed(name)
    assert not page.open
    assert {tag for tag, _ in page.elements} <= ELEMENTS
    assert {key for _, attrs in page.elements for key in attrs} <= ATTRIBUTES
    for href in page.values("href"):
        assert href == "data:," or href.startswith("#") or RELATIVE.fullmatch(href), href


@pytest.mark.parametrize(
    "name",
    [
        "lot hostile",
        "lot detail_hostile",
        "meter hostile",
        "index hostile",
        "process hostile",
        "supplier hostile",
        "study hostile",
    ],
)
def test_hostile_text_is_shown_as_text(name: str) -> None:
    text = parsed(name).text
    for hostile in HOSTILE:
        if hostile.strip():
            assert visible(shorten(hostile, 600)) in text or visible(shorten(hostile, 300)) in text, hostile[:40]
    assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u200b-\u200f\u202a-\u202e\u2066-\u2069\ufeff]", text)


@every_page
def test_no_foreign_script_style_attribute_or_outside_address(name: str) -> None:
    page = rendered(name)
    markup = re.sub(
        r">[^<]+<", "><", re.sub("<script.*?</script>", "", page, flags=re.DOTALL)
    )  # what stands between elements is text and was judged above
    assert {attrs.get("type") for tag, attrs in parsed(name).elements if tag == "script"} <= {"application/json", None}
    own = [source for source in parsed(name).scripts if not source.startswith("{")]
    assert set(own) <= {CHARTS, INDEX_FILTER}
    for data in parsed(name).scripts:
        if data.startswith("{"):
            assert json.loads(data)
            assert "<" not in data
    assert not re.search(r"https?:|//|url\(|@import|expression", "".join(parsed(name).styles))
    assert not re.search(r"(?:src|href|action|xlink)\s*=\s*[\"']?\s*(?:https?:|//|javascript:)", markup, re.IGNORECASE)


@every_page
def test_the_policy_allows_just_the_style_sheets_and_scripts_of_the_page(name: str) -> None:
    page = parsed(name)
    policy = next(
        a["content"] for t, a in page.elements if t == "meta" and a.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy is not None
    styles, scripts = (
        [f"'sha256-{base64.b64encode(hashlib.sha256(source.encode()).digest()).decode()}'" for source in sources]
        for sources in (page.styles, [source for source in page.scripts if not source.startswith("{")])
    )
    allowed = f"script-src {' '.join(scripts)}; " if scripts else ""
    assert policy == (
        f"default-src 'none'; style-src {' '.join(styles)}; {allowed}img-src data:; base-uri 'none'; form-action 'none'"
    )
    place = [tag for tag, _ in page.elements]
    assert place.index("meta") < place.index("style")


@every_page
def test_structure_serves_every_reader(name: str) -> None:
    page = parsed(name)
    levels = [level for level, _ in page.headings]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    assert all(words_in.strip() for _, words_in in page.headings)
    identifiers = page.values("id")
    assert len(identifiers) == len(set(identifiers))
    targets = {href[1:] for href in page.values("href") if href.startswith("#")} | set(page.values("aria-labelledby"))
    assert targets <= set(identifiers)
    assert all(attrs.get("scope") in {"col", "row"} for tag, attrs in page.elements if tag == "th")
    tags = [tag for tag, _ in page.elements]
    assert tags.count("table") == tags.count("caption") == tags.count("thead")
    assert tags.count("figure") == tags.count("figcaption")
    assert tags.count("main") == 1
    assert page.elements[0] == ("html", {"lang": "en"})
    for tag, attrs in page.elements:
        # what stands inside an image is presentational
        if tag == "svg" and attrs.get("class") not in ("lines", "marks"):
            assert attrs.get("aria-hidden") == "true" or (attrs.get("role") == "img" and attrs.get("aria-label"))


@every_page
def test_every_row_of_a_table_has_as_many_cells_as_its_head(name: str) -> None:
    for table in re.findall(r"<table[ >].*?</table>", rendered(name)):
        heads = len(re.findall(r"<th[^>]* ?scope=\"col\"", table))
        for row in re.findall(r"<tr[^>]*>(.*?)</tr>", table.partition("<tbody>")[2]):
            assert len(re.findall(r"<t[hd][ >]", row)) == heads


@every_page
def test_figures_and_tables_are_numbered_as_they_stand(name: str) -> None:
    for kind, element in (("Figure", "figcaption"), ("Table", "caption")):
        found = re.findall(rf"<{element}><b>{kind} (\d+)\. </b>", rendered(name))
        assert [int(number) for number in found] == list(range(1, len(found) + 1))


@every_page
def test_a_page_is_the_same_bytes_again_and_in_any_order_of_rows(name: str) -> None:
    page = pages()[name]
    assert reports.render(page) == rendered(name)
    for seed in (1, 2):
        assert reports.render(permuted(page, seed)) == rendered(name)


def test_zone_and_hash_seed_of_the_machine_leave_no_trace() -> None:
    code = "import hashlib, reports, sample_pages; page = sample_pages.meter_pages()['suspended']; "
    code += "print(hashlib.sha256(reports.render(page).encode()).hexdigest())"
    here = hashlib.sha256(rendered("meter suspended").encode()).hexdigest()
    for zone, seed in (("Pacific/Auckland", "1"), ("America/St_Johns", "2")):
        environment = {**os.environ, "TZ": zone, "PYTHONHASHSEED": seed, "PYTHONPATH": os.pathsep.join(sys.path)}
        done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True)
        assert done.stdout.strip() == here


@every_page
def test_no_number_that_is_none_reaches_a_reader(name: str) -> None:
    assert not re.search(r"\b(nan|inf|null|None(?!\.))\b", parsed(name).text)


@every_page
def test_the_footer_says_with_what_the_page_was_made(name: str) -> None:
    text, provenance = parsed(name).text, pages()[name].provenance
    assert provenance.software_version in text
    assert provenance.data_sha256 in text
    assert "2026-03-02 17:00:00 Europe/Oslo" in text
    for row in provenance.files.iter_rows(named=True):
        assert row["sha256"] in (text if not name.startswith("index") else reports.render(FilesPage(provenance)))
    for caution in words.CAUTIONS.values():
        assert caution in text
