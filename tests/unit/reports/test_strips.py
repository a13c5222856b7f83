"""The strips of a meter's page: one axis of time, percent of the tolerance, worst first, nothing hidden at the edge."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import polars as pl
import pytest
from parsed_pages import Parsed, rendered
from sample_pages import DAY, meter_page

import reports
from reports.kit.links import Site
from reports.kit.numbers import Clock
from reports.meter.series import Series, series_of
from reports.meter.strip import Beside, share_used, shared_axis, strip_plot
from reports.sections.what_to_do import meter_steps
from schemas.look_back import EventGlance

if TYPE_CHECKING:
    from reports.kit.charts import Plot
    from schemas.results import MeterPage

OSLO = Clock("Europe/Oslo")


def first(page: MeterPage) -> Series:
    return series_of(page, OSLO, "MS/m")[0][1]


def drawn(of: Series, beside: Beside | None = None) -> tuple[Plot, list[str]]:
    found = strip_plot(of, shared_axis([of], [None], OSLO), (), None, beside or Beside((), ()))
    assert found is not None
    return found


def test_a_check_stands_where_its_bias_is_in_percent_of_the_tolerance() -> None:
    of = first(meter_page())
    plot, notes = drawn(of)
    expected = [100 * bias / tolerance for bias, tolerance in of.frame.select("bias", "tolerance").iter_rows()]
    assert [point["y"] for point in plot.points] == pytest.approx(expected)
    assert notes == []
    assert {name for _, name, _ in plot.names_right} >= {"tolerance +0.29", "tolerance −0.29"}
    assert share_used(of) == pytest.approx(expected[-1] / 100)


def test_a_check_just_beyond_its_tolerance_has_another_shape_than_one_just_inside() -> None:
    page = meter_page()
    last = pl.int_range(pl.len()) == pl.len() - 1
    for share, mark in ((0.999, "mark-plain"), (1.001, "mark-out")):
        frame = first(page).frame.with_columns(
            pl.when(last).then(share * pl.col("tolerance")).otherwise("bias").alias("bias"),
            pl.when(last).then(share <= 1).otherwise("passes").alias("passes"),
            rejects=pl.lit(""),
        )
        plot, _ = drawn(replace(first(page), frame=frame))
        assert plot.points[-1]["mark"] == mark


def test_what_lies_beyond_the_edge_is_an_arrow_and_is_counted() -> None:
    page = meter_page()
    last = pl.int_range(pl.len()) == pl.len() - 1
    for share, beyond in ((2.49, 0), (2.51, 1)):
        frame = first(page).frame.with_columns(
            pl.when(last).then(share * pl.col("tolerance")).otherwise("bias").alias("bias")
        )
        plot, notes = drawn(replace(first(page), frame=frame))
        assert plot.y_domain[1] <= 280
        assert sum(segment["width"] == 2.5 for segment in plot.segments) == beyond
        assert len(plot.points) == frame.height - beyond
        assert ("1 check beyond ±250 %" in " ".join(notes)) == bool(beyond)


def test_a_block_without_a_certificate_has_no_strip_but_its_other_charts() -> None:
    page = meter_page("M6", state="not_assessed", certified=False, checks=12, blocks=1)
    of = first(page)
    assert strip_plot(of, shared_axis([of], [None], OSLO), (), None, Beside((), ())) is None
    html = reports.render(page)
    assert 'id="figure-strip-1"' not in html
    assert 'id="figure-control-1"' in html


def test_calibrations_and_lots_stand_on_the_axis_and_those_before_it_do_not() -> None:
    of = first(meter_page())
    start, end = of.row(0)["at"], of.row(-1)["at"]
    inside = start + (end - start) / 2
    plot, _ = drawn(
        of, Beside(((inside, False), (start - timedelta(days=90), True)), (inside, inside, start - timedelta(days=90)))
    )
    assert [name for *_, name, _ in plot.names if "calibration" in name] == ["calibration failed"]
    low = plot.y_domain[0]
    assert sum(segment["y"] == low and segment["colour"] == "var(--spot)" for segment in plot.segments) == 1


def test_the_strip_that_needs_a_look_stands_on_top() -> None:
    html = rendered("meter suspended")
    order = re.findall(r'id="figure-strip-(\d+)"', html)
    assert len(order) == 2
    page = meter_page("M2", state="suspended", late_shift=0.3, seed=9)
    shares = [abs(share_used(series) or 0) for _, series in series_of(page, OSLO, "MS/m")]
    assert shares[int(order[0]) - 1] == max(shares)


def test_strips_of_a_page_share_one_axis() -> None:
    page = meter_page()
    found = [series for _, series in series_of(page, OSLO, "MS/m")]
    axis = shared_axis(found, [None], OSLO)
    assert axis.first < min(series.row(0)["at"] for series in found)
    assert axis.last > max(series.row(-1)["at"] for series in found)
    domains = re.findall(r'"domain":\[(\d[^,]*),([^,]*),', rendered("meter fit"))
    timed = {domain for domain in domains if float(domain[0]) > 1e12}
    assert len(timed) == 1


def event(kind: str, day: int, undecided: tuple[str, ...] = ()) -> EventGlance:
    return EventGlance(
        event=f"M2/2026-03-0{day}", name=f"M2-{day}", title="", kind=kind, state="open", sentence=f"What a {kind} is.",
        fired_at=DAY + timedelta(days=day), last_at=DAY + timedelta(days=day), blocks=(), rules=(), disposed=False, undecided=undecided,
    )  # fmt: skip


def test_the_banner_asks_for_three_things_at_most_and_the_failed_calibration_comes_first() -> None:
    page = meter_page("M2", state="suspended", late_shift=0.3, seed=9)
    events = (event("signal", 5), event("failed_check", 4), event("calibration", 3, ("L-1", "L-2")))
    page = replace(page, result=replace(page.result, events=events))
    steps = meter_steps(page.result, OSLO)
    assert len(steps) > 3
    assert (
        steps[1]
        == "Close M2/2026-03-03. What a calibration is. 2 lots without a decision: write down who looked, what was found, what was done."
    )
    assert "Close 2 events still open" in " ".join(steps)
    banner = re.search(r'<div class="why">.*?</div>', reports.render(page), re.DOTALL)
    assert banner is not None
    assert banner[0].count("<li>") == 3
    text = Parsed(reports.render(page)).text
    assert all(step.split(". ")[0] in text for step in steps)  # the others come after it
    fit = replace(page.result, state="fit", events=events[1:2])
    assert meter_steps(fit, OSLO)[0].startswith("Close M2/2026-03-04.")
    assert meter_steps(replace(fit, events=events[:1]), OSLO)[0].startswith(
        "Use it as long as its last run of checks holds."
    )


def test_checks_stand_on_the_linked_page_and_on_the_own_one_only_where_it_travels_alone() -> None:
    page = meter_page()
    linked = reports.render(page, Site(frozenset({"checks/M1.html"})))
    assert 'id="table-checks-1"' not in linked
    assert "../checks/M1.html#table-checks-1" in linked
    for site in (Site(alone=True), Site(frozenset())):
        assert 'id="table-checks-1"' in reports.render(page, site)
