"""The event page: what happened in order, commands to copy, rows that stand alike as one, nothing of them lost."""

from __future__ import annotations

import re
import shlex
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import polars as pl
import pytest
from parsed_pages import Parsed, rendered
from sample_events import event_page
from sample_texts import DAY

import reports
from reports.event.page import _quoted

if TYPE_CHECKING:
    from schemas.look_back import EventPage


def text_of(page: EventPage) -> str:
    return Parsed(reports.render(page)).text


def entries(page: EventPage) -> list[str]:
    (found,) = re.findall(r'<ol class="timeline">(.*?)</ol>', reports.render(page))
    return [Parsed(item).text for item in re.findall(r"<li.*?</li>", found)]


def test_the_timeline_tells_last_good_lots_what_fired_and_decisions_in_order_of_time() -> None:
    page = event_page(closed=True)
    assert entries(page) == [
        "2026-03-02 09:00Last good evidence. run of checks",
        "2026-03-02 12:004 lots read. L-1001, L-1002, L-1003, L-1004",
        "2026-03-02 15:001 lot left the site. L-1002",
        "2026-03-02 15:001 lot measured again, with checks that passed on both sides. L-1004",
        "2026-03-02 15:00Failed check. 2 checks on B1, B2 failed.",
        "2026-03-02 18:00A run of checks passed.",
        "2026-03-02 21:00The event, L-1001, L-1002, L-1003, L-1004: re-measured (N. Berg: read again)",
    ]


def test_lots_with_something_between_them_are_told_apart() -> None:
    page = event_page()
    first, *rest = page.result.lots
    later = replace(first, first=page.result.fired_at + timedelta(hours=1))
    told = entries(replace(page, result=replace(page.result, lots=(later, *rest))))
    assert [one for one in told if " read." in one] == ["2026-03-02 12:003 lots read. L-1002, L-1003, L-1004", "2026-03-02 16:001 lot read. L-1001"]  # fmt: skip


@pytest.mark.parametrize(("hours", "shown"), [(1, False), (1.01, True)])
def test_the_last_check_is_told_where_the_event_went_on_beyond_its_run(hours: float, shown: bool) -> None:
    page = event_page()
    last = page.result.fired_at + timedelta(hours=hours)
    assert any("The last check" in one for one in entries(replace(page, result=replace(page.result, last_at=last)))) is shown  # fmt: skip


def test_a_window_that_is_open_says_so_at_its_ends() -> None:
    told = entries(event_page("signal", ended=False))
    assert told[0] == "Nothing good is known of the meter before: everything it read is looked at."
    assert told[-1].endswith("Nothing good has followed yet.")
    assert not any("passed" in one for one in told)


def commands(page: EventPage) -> list[str]:
    (found,) = re.findall(r"<pre[^>]*><code>(.*?)</code></pre>", reports.render(page), re.DOTALL)
    return Parsed(f"<p>{found}</p>").text.split("\n")


def test_commands_name_the_event_and_each_lot_that_waits() -> None:
    assert commands(event_page()) == [
        f"annealog record disposition --event M1/2026-03-02{lot} --decision … --by … --why …" for lot in ("", " --lot L-1001")
    ]  # fmt: skip
    # nothing is left to record of an event that is closed, and no command stands on its page
    assert "<pre" not in rendered("event closed")
    assert "<pre" not in rendered("event closed").partition("<main")[2]
    assert "The same for" not in text_of(event_page(lots=4))
    assert "The same for" not in text_of(event_page(lots=8))  # two lots of the four wait, each once


def test_lots_beyond_the_first_are_counted() -> None:
    page = event_page(lots=1)
    (lot,) = page.result.lots
    many = tuple(replace(lot, lot=f"L-{n}") for n in range(9))
    found = replace(page, result=replace(page.result, lots=many))
    assert len(commands(found)) == 7
    assert "The same for 3 more lots of the list." in text_of(found)


@pytest.mark.parametrize("name", ["L-7", "EC-02/2026-06-01", "lot 7", "a'b", "$(reboot)", "x;y", "`id`", "-rf"])
def test_a_name_is_quoted_as_a_shell_takes_it(name: str) -> None:
    assert shlex.split(f"--lot {_quoted(name)}") == ["--lot", name]


@pytest.mark.parametrize("name", ["\u202egnp", "a\nb", "x" * 81, "é"])
def test_a_name_that_nobody_can_type_is_left_open(name: str) -> None:
    assert _quoted(name) == "…"


def rows_of(page: EventPage, anchor: str) -> list[str]:
    (found,) = re.findall(rf'id="table-{anchor}".*?<tbody>(.*?)</tbody>', reports.render(page))
    return [Parsed(f"<table>{row}</table>").text for row in re.findall(r"<tr.*?</tr>", found)]


def test_lots_that_stand_alike_share_a_row_and_each_that_waits_has_its_own() -> None:
    page = event_page(lots=1)
    (lot,) = page.result.lots
    covered = [
        replace(lot, lot=f"C-{n}", doubt="covered", errors_to_limit=2.0 + n, support="supported", verdict="accept")
        for n in range(5)
    ]
    waiting = [replace(lot, lot=f"W-{n}", errors_to_limit=2.0 + n) for n in range(2)]
    far = replace(covered[0], lot="C-9", errors_to_limit=0.9)
    rows = rows_of(replace(page, result=replace(page.result, lots=(*waiting, *covered, far))), "lots")
    assert [row.split("with" if "with" in row else "no")[0] for row in rows] == [
        "W-0",
        "W-1",
        "C-0, C-1, C-2, C-3, C-4",
        "C-9",
    ]
    assert "2.0 to 6.0" in rows[2]
    assert "225" in rows[2]  # five times 45 readings
    assert "below 1" in rows[3]
    assert "below 1" not in rows[2]


@pytest.mark.parametrize("checks", [12, 13])
def test_many_checks_share_rows_and_each_stands_behind_a_disclosure(checks: int) -> None:
    page = event_page("signal")
    rows = [
        {"part": "signal", "block": "B1", "run": n, "at": DAY + timedelta(days=n), "mean": 58.1, "bias": 0.01 * n, "tolerance": 0.29,
         "passes": True, "rejects": "1-3s" if n % 2 else "1-3s 2-2s", "certificate": "C-1", "certificate_due_on": DAY,
         "certificate_overdue": False}
        for n in range(checks)
    ]  # fmt: skip
    found = replace(page, checks=pl.DataFrame(rows, schema=page.checks.schema))
    assert len(rows_of(found, "every-check")) == checks
    html = reports.render(found)
    if checks == 12:
        assert 'id="table-checks"' not in html
        return
    assert rows_of(found, "checks") == ["signalB1132026-03-02 to 2026-03-140.000 to +0.120passed1-3s × 13, 2-2s × 7C-1"]
    assert "All 13 checks by time" in html


def test_what_checks_cover_waits_for_no_decision_of_its_own() -> None:
    page = event_page(lots=4)
    assert page.result.undecided == ("L-1001",)
    text = text_of(page)
    assert "Settle 1 lot," in text
    assert (
        "1 lot covered: checks that passed stand before and after, so the disposition of the event is enough." in text
    )
