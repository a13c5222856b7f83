"""Decisions on pages: of a signed one name, role, time and meaning (21 CFR 11.50, from memory); of another no signature."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from parsed_pages import Parsed
from sample_events import event_page
from sample_lots import lot_page
from sample_meters import meter_page
from sample_reviews import review_page
from sample_texts import DAY

import reports
from reports.words import general as words
from schemas.page import Decision
from schemas.results import ChecksPage

if TYPE_CHECKING:
    from collections.abc import Callable

    from schemas.page import Page

TYPED = Decision(DAY, "Ben Moor", "re-measured", "looked")
SIGNED = replace(TYPED, signed="metrologist, from 127.0.0.1, password at the moment of signing")


def lot(said: Decision) -> Page:
    page = lot_page()
    return replace(page, result=replace(page.result, dispositions=(said,)))


def event(said: Decision) -> Page:
    page = event_page()
    return replace(page, result=replace(page.result, dispositions=(said,), lots=()))


def meter(said: Decision) -> Page:
    page = meter_page("M2", state="suspended", late_shift=0.3, seed=9)
    signals = tuple(replace(one, dispositions=(said,)) for one in page.result.signals)
    return ChecksPage(replace(page, result=replace(page.result, signals=signals)))


def review(said: Decision) -> Page:
    page = review_page()
    signals = tuple(replace(one, decisions=(said,)) for one in page.result.signals)
    return replace(page, result=replace(page.result, signals=signals))


@pytest.mark.parametrize("page", [lot, event, meter, review])
def test_a_signature_is_shown_with_name_role_time_and_meaning_and_none_that_nobody_gave(
    page: Callable[[Decision], Page],
) -> None:
    signed, typed = (Parsed(reports.render(page(said))).text for said in (SIGNED, TYPED))
    assert "Ben Moor, metrologist (signed)" in signed
    (beside,) = {signed[at - 60 : at + 120] for at in [signed.index("Ben Moor, metrologist (signed)")]}
    assert "re-measured" in beside
    assert f"{DAY:%Y-%m-%d} " in beside  # and the time of the day, not the day alone
    assert "127.0.0.1" not in signed
    assert "(signed)" not in typed
    assert "Ben Moor" in typed
    assert (words.FRAGMENT["signature"] in signed) is (page is lot)
    assert words.FRAGMENT["signature"] not in typed
