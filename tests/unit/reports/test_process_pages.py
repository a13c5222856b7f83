"""Pages of processes and suppliers: what alarms first, few lots as a row, dates, lots of a suspended meter, never a plain green."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest
from parsed_pages import Parsed, rendered
from sample_processes import _process, _supplier
from sample_texts import DAY

import reports
from reports.process.letter import letter
from reports.process.page import FEW_LOTS, streams_drawn
from reports.process.tables import of_need, titled
from reports.process.text import shown_state

if TYPE_CHECKING:
    from schemas.processes import ProcessPage, StreamResult


def text_of(page: Any) -> str:
    return Parsed(reports.render(page)).text


def stream_of(state: str, lots: int, name: str = "product bar, supplier A") -> StreamResult:
    stream: StreamResult = _process("bar", [9]).result.streams[0]
    return replace(stream, state=state, lots=lots, name=name)


def test_what_alarms_comes_first_then_the_stream_of_most_lots() -> None:
    streams = [
        stream_of(*given)
        for given in (("not_assessed", 30), ("in_control", 9), ("watch", 9), ("in_control", 20), ("out_of_control", 3))
    ]
    assert [streams.index(stream) for stream in sorted(streams, key=of_need)] == [4, 2, 3, 1, 0]
    html = reports.render(_process("bar", [24, 12], shift=-0.8, after=20))
    rows = re.findall(r'id="table-streams".*?</table>', html)[0]
    states = list(re.findall(r"Out of control|In control|Not assessed|Watch", Parsed(rows).text))
    assert states == sorted(states, key=["Out of control", "Watch", "In control", "Not assessed"].index)
    assert html.index('id="table-streams"') < html.index('id="figure-stream')


@pytest.mark.parametrize(
    ("state", "lots", "drawn"),
    [("in_control", FEW_LOTS, True), ("in_control", FEW_LOTS - 1, False), ("not_assessed", FEW_LOTS - 1, False),
     ("out_of_control", FEW_LOTS - 1, True), ("watch", 3, True)],
)  # fmt: skip
def test_a_stream_of_few_lots_is_a_row_of_the_table_unless_it_alarms(state: str, lots: int, drawn: bool) -> None:
    places, told = streams_drawn([stream_of(state, lots)])
    assert (places, bool(told)) == (([0], False) if drawn else ([], True))


def test_few_lots_stand_in_the_table_and_nowhere_else() -> None:
    html = reports.render(_supplier("Example Rolling", [12, 4]))
    assert 'id="figure-stream0-means"' in html
    assert "figure-stream1" not in html
    assert html.count(">CU-1<") >= 1
    assert "What has fewer than 8 lots is a row of the table only." in Parsed(html).text


@pytest.mark.parametrize(
    ("states", "said"),
    [
        (("in_control",) * 2, ("accept", "In control")),
        (("in_control", "not_assessed", "not_assessed", "not_assessed"), ("not_assessed", "1 of 4 materials judged")),
        (("in_control", "in_control", "not_assessed"), ("not_assessed", "2 of 3 materials judged")),
        (("watch", "not_assessed"), ("hold", "Watch")),
        (("out_of_control", "not_assessed"), ("reject", "Out of control")),
        (("not_assessed",), ("not_assessed", "Not assessed")),
    ],
)
def test_what_is_judged_only_in_part_is_never_plainly_in_control(
    states: tuple[str, ...], said: tuple[str, str]
) -> None:
    assert shown_state(states[0], [stream_of(state, 9) for state in states], "material") == said


def test_the_banner_of_a_supplier_says_how_many_materials_are_judged() -> None:
    html = rendered("supplier several")
    assert "3 of 4 materials judged" in Parsed(html).text
    (banner,) = re.findall(r'class="(verdict[^"]*)"', html)
    assert banner == "verdict t-none"
    assert re.findall(r'class="(verdict[^"]*)"', rendered("supplier without certificates")) == ["verdict t-accept"]


def means(html: str) -> str:
    (found,) = re.findall(r'<figure id="figure-stream0-means">.*?</figure>', html)
    return str(found)


def test_dates_stand_below_a_chart() -> None:
    page = _process("bar", [24])
    # the words of a chart are written once for each width that they have room at
    days = sorted(set(re.findall(r">(\d{4}-\d{2}-\d{2})</text>", means(reports.render(page)))))
    assert days[0] == f"{DAY - timedelta(days=24):%Y-%m-%d}"
    assert len(days) == 6
    # within one day it is the time that tells subgroups apart
    hours = page.points.with_columns((pl.lit(DAY) + pl.duration(minutes=10 * pl.col("place"))).alias("at"))
    assert re.findall(r">(2026-03-02 \d\d:\d\d)</text>", means(reports.render(replace(page, points=hours))))


def test_lots_of_a_suspended_meter_are_marked_and_the_meter_comes_first() -> None:
    page: ProcessPage = _process("copper bar", [30], shift=-0.8, after=20, suspended=20)
    text, html = text_of(page), reports.render(page)
    assert "Thick line at the foot" in text
    assert ">M2</text>" in means(html)
    assert "read on M2, suspended now" in html
    assert re.search(r"Do nextFirst the meter: 10 of 10 signals come from lots read on M2", text)
    plain = text_of(_process("copper bar", [30], shift=-0.8, after=20))
    assert "suspended" not in plain
    assert "Make sure it is the process and not the meter" in plain
    # a meter that was suspended before the shift explains none of the signals
    assert "First the meter" not in text_of(_process("copper bar", [30], shift=-0.8, after=20, suspended=30))


def test_a_supplier_is_asked_after_our_own_meter() -> None:
    page = _supplier("Example Copper", [30], shift=-0.8, after=20, suspended=20)
    text = text_of(page)
    assert 0 < text.index("First the meter") < text.index("Ask Example Copper what changed")
    said = " ".join(letter(page, "Example works", "").split())
    assert "Our own checks do not support 10 lots of these" in said
    assert "Each of them was read between two checks" in " ".join(
        letter(_supplier("Example Copper", [30]), "w", "").split()
    )


@pytest.mark.parametrize(
    ("name", "own", "shown"),
    [
        ("product bar, supplier A", "product bar", "supplier A"),
        ("product bar, line 2, supplier A", "line 2", "product bar, supplier A"),
        ("product plate, hot, supplier A", "product plate, hot", "supplier A"),
        ("product bar", "product bar", "product bar"),
        ("supplier A, material M", "", "supplier A, material M"),
    ],
)
def test_a_stream_is_named_by_what_the_page_does_not_say_already(name: str, own: str, shown: str) -> None:
    assert titled(stream_of("in_control", 9, name), own) == shown
