"""Links lead only to pages that exist; what was missing is remembered; a page that travels alone has none."""

from __future__ import annotations

import re

import pytest
from parsed_pages import Parsed
from sample_pages import index_page, lot_page, meter_page

import reports
from reports import Site
from reports.kit.address import address, kind_of
from reports.kit.links import here_is, linked
from schemas.line import BoardPage


def test_an_id_is_linked_where_its_page_exists() -> None:
    with here_is(Site(frozenset({"meters/M1.html"}))) as site:
        assert linked("lots/L-1.html", "meter", "M1") == '<a href="../meters/M1.html"><bdi>M1</bdi></a>'
        assert linked("lots/L-1.html", "meter", "M2") == "<bdi>M2</bdi>"
        assert linked("lots/L-1.html", "meter", None) == ""
    assert site.missing == {"meters/M2.html"}


def test_hostile_ids_cannot_leave_their_link() -> None:
    html = linked("lots/L-1.html", "supplier", '"><script>alert(1)</script>')
    assert re.fullmatch(
        r'<a href="\.\./suppliers/[A-Za-z0-9_~-]+\.html"><bdi[^>]*>&quot;&gt;&lt;script&gt;[^<]*</bdi></a>', html
    )


@pytest.mark.parametrize("kind", ["lot", "meter", "block", "supplier", "process", "study", "event", "review", "board"])
def test_an_address_tells_its_kind(kind: str) -> None:
    assert kind_of(address(kind, "X-1")) == kind


def test_the_kind_of_the_index_is_index() -> None:
    assert kind_of("index.html") == "index"


def test_a_page_links_only_what_exists_and_remembers_the_rest() -> None:
    site = Site(frozenset({"index.html", "lots/L-1001.html"}))
    page = Parsed(reports.render(lot_page(), site))
    assert {href for href in page.values("href") if ".html" in href} == {"../index.html", "../index.html#lots"}
    assert "meters/M1.html" in site.missing
    everywhere = Parsed(reports.render(lot_page()))
    assert "../meters/M1.html" in everywhere.values("href")


@pytest.mark.parametrize("page", [lot_page(), meter_page()])
def test_a_page_that_travels_alone_links_to_no_other(page: object) -> None:
    alone = Parsed(reports.render(page, Site(alone=True)))
    assert all(href.startswith(("#", "data:,")) for href in alone.values("href"))
    assert all("index" not in (href or "") for href in alone.values("href"))


def test_the_way_from_a_spot_to_the_line_of_the_file() -> None:
    html = reports.render(lot_page(parts=3))
    spot = re.search(r'<th scope="row">[^/]*P02.*?<a href="#(F\d+-\d+)">', html)
    assert spot is not None
    row = re.search(rf'<tr id="{spot[1]}">.*?</tr>', html)
    assert row is not None
    file = re.search(r'<a href="#(F\d+)">F\d+</a>, line \d+', row[0])
    assert file is not None
    assert re.search(rf'<span id="{file[1]}">{file[1]}</span>.*?bench-\d.*?([0-9a-f]{{2}})\1{{31}}', html)


def test_crumbs_lead_back_to_the_place_in_the_index() -> None:
    html = reports.render(meter_page())
    crumbs = re.search(r'<nav class="crumbs".*?</nav>', html)
    assert crumbs is not None
    assert re.findall(r'href="([^"]*)"', crumbs[0]) == ["../index.html", "../index.html#meters"]
    assert 'aria-current="page"' in crumbs[0]


def test_the_one_board_stands_in_its_crumbs_once() -> None:
    index = index_page()
    html = reports.render(BoardPage(index.meters, {}, (), 1, 0, 0, None, None, index.provenance))
    crumbs = re.search(r'<nav class="crumbs".*?</nav>', html)
    assert crumbs is not None
    assert re.findall(r'href="([^"]*)"', crumbs[0]) == ["../index.html"]
