"""What a chart tells of a mark: the time by the clock on the wall, the number as its table has it, by buttons that say which chart."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pytest

from reports.kit.charts import figure, svg
from reports.kit.markup import element
from reports.kit.numbers import Clock
from reports.kit.plot import Plot
from reports.kit.scripts import CHARTS, data_block
from reports.kit.shell import whole
from reports.kit.states import shapes
from reports.kit.style import STYLE
from reports.kit.times import time_axis
from reports.words import scripts as words

if TYPE_CHECKING:
    from pathlib import Path


def chart_page(path: Path, zone: str, moments: list[str]) -> Path:
    """Write a page with one chart of some moments (UTC)."""
    times = [datetime.fromisoformat(moment).replace(tzinfo=UTC) for moment in moments]
    axis = time_axis(times, Clock(zone))
    places = [axis.place(at) for at in times]
    plot = Plot((places[0] - 6e5, places[-1] + 6e5), (0.0, 3.0), axis.title, "MS/m", x_time=axis, y_decimals=1)
    for place in places:
        plot.point(place, 1.26, "plain")
    sheet = element("main", figure(1, "times", svg(plot, "times"), "Circle: a value."), id="main")
    scripts = [(CHARTS, data_block(words.LAYER, "chart-words"))]
    path.write_text(whole("times", [STYLE], shapes(sheet), sheet, scripts=scripts), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("zone", "moments", "told"),
    [
        ("Europe/Berlin", ["2026-03-29T00:59:59", "2026-03-29T01:00:00"], ["01:59:59 UTC+01:00", "03:00:00 UTC+02:00"]),
        ("Europe/Berlin", ["2026-10-25T00:30:00", "2026-10-25T01:30:00"], ["02:30:00 UTC+02:00", "02:30:00 UTC+01:00"]),
        ("America/Denver", ["2026-03-08T08:59:59", "2026-03-08T09:00:00"], ["01:59:59 UTC−07:00", "03:00:00 UTC−06:00"]),
        ("America/Denver", ["2026-11-01T07:30:00", "2026-11-01T08:30:00"], ["01:30:00 UTC−06:00", "01:30:00 UTC−07:00"]),
        ("Europe/Berlin", ["2026-07-01T10:00:00", "2026-07-01T11:00:00"], ["12:00:00", "13:00:00"]),
    ],
)  # fmt: skip
def test_a_time_is_told_by_the_clock_on_the_wall(
    visit: Any, tmp_path: Path, zone: str, moments: list[str], told: list[str]
) -> None:
    # the reader's own zone plays no part
    opened = visit(chart_page(tmp_path / "times.html", zone, moments), timezone_id="Asia/Tokyo")
    page = opened.page
    page.locator(".chart").focus()
    for moment, said in zip(moments, told, strict=True):
        page.keyboard.press("ArrowRight")
        assert page.locator(".readout").inner_text().endswith(f": {moment[:10]} {said} · MS/m: 1.3")
    # enlarged, the ticks are those of the wall as well
    page.keyboard.press("+")
    assert page.locator("figure svg text:visible", has_text=re.compile(r"^\d\d-\d\d \d\d:\d\d$")).count() > 0
    assert opened.complaints == []


def tables_of(page: Path, link: str) -> str:
    """Return the text of the tables of the page with the table that a caption links to; spots stand beside their parts."""
    there = link.partition("#")[0]
    html = (page.parent / there if there else page).read_text(encoding="utf-8")
    assert f'id="{link.partition("#")[2]}"' in html
    return re.sub(r"<[^>]*>", " ", " ".join(re.findall(r"<table.*?</table>", html, re.DOTALL)))


def test_numbers_are_told_as_the_tables_have_them(visit: Any, each_kind: list[Path]) -> None:
    told = 0
    for path in each_kind:
        page = visit(path, height=1200).page
        page.evaluate("() => document.querySelectorAll('details').forEach((e) => { e.open = true; })")
        # means of each on each part stand in no table
        for chart in page.locator("figure:has(.readout):has(figcaption a):not(#figure-interaction)").all():
            table = tables_of(path, chart.locator("figcaption a[href*='#table-']").get_attribute("href"))
            frame = chart.locator(".chart")
            frame.focus()
            for key in ("Home", "End"):
                frame.press(key)
                said = chart.locator(".readout").inner_text()
                name, _, value = said.rpartition(" · ")[2].rpartition(": ")
                if not re.fullmatch(r"−?[\d.]+", value) or "% of tolerance" in name:
                    continue  # a strip has the percent of the tolerance; its table has bias and tolerance
                assert re.search(rf"(?<![\d.]){re.escape(value.lstrip('−'))}(?![\d.])", table), (path.name, said)
                told += 1
    assert told > 30


def test_the_readout_of_a_check_tells_date_z_and_rule_in_every_chart_of_it(visit: Any, demo: Path) -> None:
    page = visit(demo / "meters" / "EC-02.html", height=1400).page
    page.evaluate("() => document.querySelectorAll('details').forEach((e) => { e.open = true; })")
    for kind in ("strip", "control"):
        frame = page.locator(f"#figure-{kind}-1 .chart")
        frame.focus()
        frame.press("n")
        said = page.locator(f"#figure-{kind}-1 .readout").inner_text()
        assert re.search(r"check \d+, 2026-\d\d-\d\d \d\d:\d\d · z = [+−]\d+\.\d\d · .*(1-3s|2-2s|4-1s|R-4s)", said), (
            said
        )


def test_every_button_says_which_chart_no_two_are_named_alike_and_marks_that_are_referred_to_are_drawn(
    visit: Any, each_kind: list[Path]
) -> None:
    for path in each_kind:
        page = visit(path).page
        names = page.locator(".tools button").evaluate_all("(all) => all.map((e) => e.getAttribute('aria-label'))")
        assert len(names) == len(set(names)), path.name
        assert all(re.search(r"Figure \d+$", name) for name in names), path.name
        missing = page.evaluate(
            "() => [...document.querySelectorAll('use')].map((e) => e.getAttribute('href')).filter((h) => !document.querySelector(h))"
        )
        assert missing == [], path.name
