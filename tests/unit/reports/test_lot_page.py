"""What a lot's page states and what it must not: capability, the size of a failure, the lots before it, what folds."""

from __future__ import annotations

import re
from dataclasses import replace

import polars as pl
import pytest
from parsed_pages import Parsed, pages
from sample_pages import detailed_pages, lot_page

import reports
from reports.kit.links import Site
from reports.lot.capability import withheld
from schemas.lot_detail import EarlierLot
from schemas.page import PageLink

FIGURES = r"\b(Cp|Cpk|Pp|Ppk|Cpm)\b (?:is )?[−\d]"


def text_of(page: object) -> str:
    return re.sub(
        r"\s+",
        " ",
        re.sub(r"<[^>]+>", " ", re.sub(r"<(script|style).*?</\1>", " ", reports.render(page), flags=re.DOTALL)),
    )


@pytest.mark.parametrize(
    "name", ["lot reject", "lot detail_reject", "lot detail_unstable", "lot detail_mixed", "lot many"]
)
def test_no_capability_is_stated_of_a_lot_that_is_rejected_or_not_stable(name: str) -> None:
    page = pages()[name]
    assert page.result.ppk is not None
    assert page.answer["ppk"] == page.result.ppk  # the data keeps it
    assert withheld(page.result, None if page.detail is None else page.detail.capability)
    text = text_of(page)
    assert not re.search(FIGURES, text)
    assert "No capability is stated" in text
    assert 'id="table-capability"' not in reports.render(page)


@pytest.mark.parametrize("name", ["lot accept", "lot detail"])
def test_capability_is_stated_of_a_stable_lot_that_is_not_rejected(name: str) -> None:
    page = pages()[name]
    text = text_of(page)
    assert withheld(page.result, None if page.detail is None else page.detail.capability) is None
    assert re.search(FIGURES, text)
    assert "No capability is stated" not in text


def test_the_list_of_lots_states_no_index_of_a_rejected_lot() -> None:
    page = lot_page(verdict="reject")
    index = pages()["index"]
    for verdict, stated in (("accept", True), ("reject", False)):
        listed = replace(index, lots=(replace(page.result, verdict=verdict, ppk=1.234),))
        assert ("1.23" in text_of(listed)) is stated


def suspect(passes: bool) -> object:
    page = lot_page("L-1003", verdict="hold", support="suspect")
    failed = page.checks.with_columns(
        pl.when(pl.int_range(pl.len()) == 0).then(1.55 * pl.col("tolerance")).otherwise("bias").alias("bias"),
        pl.when(pl.int_range(pl.len()) == 0).then(passes).otherwise(True).alias("passes"),
    )
    event = PageLink("event", "M1_20260302T140000Z_FAILED-CHECK", "M1, failed check of 2 March", "open")
    return replace(page, checks=failed, events=(event,))


def test_the_banner_of_a_suspect_lot_names_the_size_of_the_failure_and_links_the_event() -> None:
    html = reports.render(suspect(passes=False))
    banner = re.search(r'<div class="why">.*?</ol>', html, re.DOTALL)
    assert banner is not None
    assert "155 % of its tolerance" in banner[0]
    assert 'href="../events/M1_20260302T140000Z_FAILED-CHECK.html"' in banner[0]
    assert "of its tolerance of" not in reports.render(suspect(passes=True))
    assert "of its tolerance of" not in reports.render(lot_page())


def test_the_lots_before_it_are_drawn_beside_its_mean() -> None:
    page = detailed_pages()["detail"]
    assert page.detail is not None
    assert 'id="figure-earlier"' not in reports.render(page)
    before = tuple(EarlierLot(f"L-{n}", None, 58.0 + 0.1 * n, "reject" if n == 2 else "accept") for n in range(5))
    html = reports.render(
        replace(page, detail=replace(page.detail, earlier=(*before, EarlierLot("L-9", None, None, "hold"))))
    )
    drawing = re.search(r'id="figure-earlier".*?</figure>', html, re.DOTALL)
    assert drawing is not None
    assert drawing[0].count("L-2, Reject") == 1
    assert len(re.findall(r'"L-\d, ', drawing[0])) == 5  # one without a mean is not drawn


def test_what_stands_behind_the_verdict_is_folded_and_named_in_the_list_of_sections() -> None:
    html = reports.render(lot_page())
    folded = re.findall(r"<details><summary>(.*?)</summary>", html)
    assert {"Conformity", "Uncertainty", "Part means", "Spot means", "Readings, with file and line"} <= set(folded)
    assert "Capability" in Parsed(reports.render(detailed_pages()["detail"])).text
    assert "<details open" not in html
    assert "file and line" in reports.render(lot_page(), Site(alone=True))


def test_how_the_meters_that_read_a_lot_agree_is_told_as_data_too() -> None:
    assert lot_page().answer["meter_differences"] == []
