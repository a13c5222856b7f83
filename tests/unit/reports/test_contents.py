"""What the pages say: verdict, reason and next step first, then every number with its reason or its line."""

from __future__ import annotations

import dataclasses

import polars as pl
import pytest
from parsed_pages import Parsed, pages, parsed, rendered
from sample_pages import index_page, lot_page, meter_page

import reports
from pipeline.pages.linked import linked_pages
from reports.words import general as words
from schemas.results import ReadingsPage

# what the pages say


@pytest.mark.parametrize(
    ("verdict", "word"),
    [("accept", "Accept"), ("hold", "Hold"), ("reject", "Reject"), ("not_assessed", "Not assessed")],
)
def test_the_verdict_comes_first_and_in_words(verdict: str, word: str) -> None:
    page = Parsed(reports.render(lot_page(verdict=verdict, reasons=("The reason.",))))
    text = page.text
    assert text.index(f"{word}Why") < text.index("The reason.") < text.index("Do next") < text.index("Main points")
    assert text.startswith(f"{word}: L-1001")  # the title of the window


@pytest.mark.parametrize(
    ("state", "word"),
    [("fit", "Fit"), ("suspended", "Suspended"), ("overdue", "Overdue"), ("not_assessed", "Not assessed")],
)
def test_the_state_of_a_meter_comes_first_and_in_words(state: str, word: str) -> None:
    text = Parsed(reports.render(meter_page(state=state, reasons=("The reason.",)))).text
    assert text.index(f"{word}Why") < text.index("The reason.") < text.index("Do next") < text.index("Main points")


def steps(name: str) -> str:
    text = parsed(name).text
    return text[text.index("Do next") : text.index("Main points")]


@pytest.mark.parametrize(
    ("name", "first"),
    [
        ("lot accept", "Conductivity gives no reason to hold this lot"),
        ("lot hold_open", "Check meter M1 on its blocks now"),
        ("lot hold_suspect", "Keep the lot apart. Find out why meter M1 failed"),
        ("lot hold_unsupported_out", "Do not reject on these readings yet: check meter M1"),
        ("lot hold_undecided", "The values lie closer to a limit than their uncertainty"),
        ("lot hold_conflict", "Decide which of the contradicting exports holds"),
        ("lot hold_hardness", "Get the hardness result"),
        ("lot reject", "Set the lot apart and mark it"),
        ("lot no_limits", "Enter the lot and its specification"),
        ("lot one_reading", "Measure what is missing from the plan"),
        ("lot empty", "Measure the lot"),
        ("lot without_temperature", "State the metal temperature"),
        ("meter fit", "Use it as long as its last run of checks holds."),
        ("meter suspended", "Do not measure with this meter"),
        ("meter overdue", "Check it on its blocks before the next reading"),
        ("meter calibration_due", "Take it out of use until it is calibrated"),
        ("meter uncertified", "Check it on a block with a certificate"),
    ],
)
def test_the_first_step_follows_from_verdict_support_and_reasons(name: str, first: str) -> None:
    assert steps(name).removeprefix("Do next").startswith(first)


def test_only_the_meters_that_leave_a_lot_without_support_are_named() -> None:
    assert "M2" not in steps("lot hold_suspect")


def test_a_drifting_meter_says_when_it_leaves_tolerance() -> None:
    assert "before 2026-04-01" in steps("meter drifting")
    assert "most likely on 2026-04-12" in steps("meter drifting")
    assert "the interval of the slope includes zero" in parsed("meter fit").text


def test_what_cannot_be_computed_says_why() -> None:
    text = parsed("lot one_reading").text
    assert text.count("Not computable: one part has no standard deviation.") >= 2
    assert "the standard deviation is zero" in parsed("lot all_equal").text
    assert "this index needs two limits" in parsed("lot one_sided").text
    assert "There is no chart: no part has a value" in parsed("lot empty").text
    assert "no limit is given" in parsed("lot no_limits").text


def test_a_figure_from_few_parts_is_called_indicative() -> None:
    assert "indicative" in parsed("lot accept").text
    assert "indicative" not in parsed("lot many").text


def test_a_reading_can_be_walked_to_its_line() -> None:
    text = parsed("lot accept").text
    assert "F1, line 12" in text
    assert "F1bench-1-2026-03-02.csv" in text


def test_a_number_of_a_wide_line_is_named() -> None:
    page = lot_page(parts=2)
    page = dataclasses.replace(page, readings=page.readings.with_columns(pl.lit(3, pl.Int64).alias("replicate")))
    assert "F1, line 12, number 3" in Parsed(reports.render(page)).text


def test_a_reading_that_needs_a_look_says_so_in_words() -> None:
    page = lot_page(parts=3)
    first = pl.col("line") == 12
    marked = page.readings.with_columns(
        first.alias("excluded"),
        (pl.col("line") == 13).alias("conflict"),
        pl.when(pl.col("line") == 14).then(pl.lit("OVR")).alias("non_reading"),
        pl.when(pl.col("line") == 15).then(pl.lit("unknown")).otherwise("clock").alias("clock"),
    )
    html = reports.render(dataclasses.replace(page, readings=marked))
    text = Parsed(html).text
    for note in ("left out by decision", "contradicts another export", "no value: OVR", "clock unknown"):
        assert note in text
    assert "1 reading left out by a recorded decision" in text
    assert html.count('<tr class="mark"') == 4


def test_exported_means_show_their_count() -> None:
    page = lot_page(parts=2)
    means = page.readings.with_columns(pl.lit(5, pl.Int64).alias("count"), pl.lit(0.02).alias("standard_deviation"))
    assert "Readings behind it" in Parsed(reports.render(dataclasses.replace(page, readings=means))).text
    assert "Readings behind it" not in parsed("lot accept").text


def test_signals_show_their_disposition_or_that_there_is_none() -> None:
    text = parsed("checks suspended").text
    assert "probe cleaned, N. Berg" in text
    assert "none yet" in text
    text = parsed("meter suspended").text
    assert "probe cleaned, N. Berg" not in text  # one click away
    # many signals are one event, and what is closed needs nothing
    assert "Close 1 event still open (M2/2026-03-02)" in text[text.index("After that") :]
    assert "2 events to look back on, 1 of them open; " in text
    assert "still open" not in parsed("meter fit").text


def test_suspect_lots_are_linked() -> None:
    page = parsed("meter suspended")
    assert "../lots/L-1003.html" in page.values("href")
    assert reports.address("lot", "l-1003").replace("lots/", "../lots/") in page.values("href")


def test_a_disposition_stands_beside_the_verdict() -> None:
    text = parsed("lot hold_suspect").text
    assert "measured again" in text
    assert text.startswith("Hold: L-1003")


# the index


def test_the_index_says_what_to_do_first() -> None:
    text = parsed("index").text
    assert text.index("8 lots on hold or rejected") < text.index("What to do first") < text.index("Stop using meter M2")
    assert text.index("Stop using meter M2") < text.index("Set apart 2 lots") < text.index("Check meter M1 now")
    assert "Nothing to do" in parsed("index quiet").text
    assert "1 file" in text
    assert "3 lines in quarantine" in text


def test_the_index_links_every_page_and_names_every_verdict() -> None:
    page, given = parsed("index"), pages()["index"]
    for there in (*given.lot_addresses.values(), *given.meter_addresses.values()):
        assert there in page.values("href")
    for word in (*words.VERDICT.values(), *words.STATE.values()):
        assert word in page.text


def test_an_address_that_is_not_ours_cannot_lead_away() -> None:
    page = dataclasses.replace(index_page(), lot_addresses={"L-1001": "javascript:alert(1)", "L-1002": '"><script>'})
    found = [href for href in Parsed(reports.render(page)).values("href") if "alert" in href or "script" in href]
    assert found
    assert all(":" not in href and '"' not in href for href in found)


def test_an_empty_workspace_has_an_index() -> None:
    page = dataclasses.replace(index_page(quiet=True), lots=(), meters=())
    assert "No lot and no meter has been read yet." in Parsed(reports.render(page)).text


# size


def test_pages_stay_small() -> None:
    assert len(rendered("lot accept").encode()) < 100_000
    assert len(rendered("lot many").encode()) < 300_000
    assert len(rendered("meter many").encode()) < 300_000


def test_a_page_of_many_readings_keeps_every_flagged_one_and_says_what_is_left_out() -> None:
    page = lot_page(parts=200, spots=5, repeats=1)
    marked = page.readings.with_columns((pl.col("line") % 40 == 0).alias("excluded"))
    page = dataclasses.replace(page, readings=marked)
    text = Parsed(reports.render(ReadingsPage(page))).text
    assert "400 of 1000 rows are shown" in text
    assert text.count("left out by decision") == marked.filter("excluded").height
    assert "left out by decision" not in Parsed(reports.render(page)).text  # a page of its own holds them
    assert "400 of 1000 rows are shown" in Parsed(reports.render(page, reports.Site(alone=True))).text


def test_a_lot_has_a_page_of_readings_just_above_the_length_and_not_below() -> None:
    for readings, long in ((300, False), (301, True)):
        page = lot_page(parts=readings // 3, spots=1, repeats=3)
        page = dataclasses.replace(page, result=dataclasses.replace(page.result, readings=readings))
        assert ("readings/L-1001.html" in reports.render(page)) is long
        assert [linked.link.kind for linked in linked_pages(page)] == ["readings"] * long


@pytest.mark.parametrize("missing", ["readings", "part_values", "spot_values", "brackets", "checks"])
def test_an_empty_frame_breaks_nothing(missing: str) -> None:
    page = lot_page()
    for empty in (pl.DataFrame(), getattr(page, missing).clear()):
        assert Parsed(reports.render(dataclasses.replace(page, **{missing: empty}))).text.startswith("Accept")
