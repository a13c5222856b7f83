"""The monthly review: counted again by hand from the demo's own files, and what it says of what is open."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenario import REFERENCE, Scenario
from workspace_files import Shell

from pipeline.errors import UsageError
from pipeline.history.store import History
from pipeline.questions.review import _blocks, month_span

if TYPE_CHECKING:
    from pathlib import Path


def workspace(tmp_path: Path, capsys: pytest.CaptureFixture[str], **reference: str) -> Shell:
    """Two months: a good day, a failed closing check, a lot without a check; then a good day in the next month."""
    scenario = Scenario()
    scenario.check("08:00").lot("08:30", lot="L1").check("09:30")
    scenario.check("08:00", day=7).lot("08:30", lot="L2", day=7).check("09:30", bias=1.0, day=7)
    scenario.lot("10:00", lot="L2", day=7).check("10:30", day=7)
    scenario.lot("22:30", lot="L1", day=8)
    scenario.check("08:00", day=31).lot("08:30", lot="L2", day=31).check("09:30", day=31)
    shell = Shell(tmp_path / "works", capsys).make(**reference)
    shell.load(shell.put("a.csv", scenario))
    return shell


def review(shell: Shell, month: str, *words: str) -> Any:
    return shell.json("review", month, "--direct", "--workspace", str(shell.root), *words)


def test_a_month_in_numbers_and_open_points(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shell = workspace(tmp_path, capsys)
    said = review(shell, "2026-03")
    assert shell.code == 4, shell.err
    (meter,) = [m for m in said["meters"] if m["meter"] == "M1"]
    # five checks of three readings, each a run: where no part reading stands between, days do; four times three on parts
    assert (meter["runs"], meter["failed_runs"], meter["checks"], meter["readings"]) == (5, 1, 5, 5 * 3 + 4 * 3)
    assert meter["missed"] == ["L1"]
    assert (said["readings"], said["over"]) == (27, True)
    assert [(s["block"], s["passes"], s["closed_on"]) for s in said["signals"]] == [("B1", False, None)]
    assert {lot["lot"]: lot["verdict"] for lot in said["not_accepted"]} == {"L1": "hold", "L2": "hold"}
    fired = {e["kind"]: e for e in said["events"]}
    assert set(fired) == {"failed_check", "check_overdue"}
    assert (fired["failed_check"]["state"], fired["failed_check"]["undecided"]) == ("open", ["L2"])
    assert fired["check_overdue"]["undecided"] == ["L1"]
    # lots that an event names are not listed once more on their own
    assert sorted(a["identifier"] for a in said["actions"]) == sorted(e["name"] for e in said["events"])

    april = review(shell, "2026-04")
    # the lot read again in April still carries its failed check of March
    assert (april["over"], april["lots"]["hold"], april["signals"]) == (False, 1, [])


def test_a_disposition_closes_a_signal_and_stands_in_the_month_it_is_about(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shell = workspace(tmp_path, capsys)
    before = review(shell, "2026-03")
    for subject in (("--meter", "M1"), ("--lot", "L2"), ("--lot", "L1")):
        shell(
            "record", "disposition", *subject, "--decision", "re-measured", "--by", "Ada", "--why", "block was dirty",
            "--workspace", str(shell.root),
        )  # fmt: skip
        assert shell.code == 0, shell.err
    after = review(shell, "2026-03")
    (signal,) = after["signals"]
    assert [d["by"] for d in signal["decisions"]] == ["Ada"]
    assert signal["closed_on"] is not None
    assert {e["kind"]: e["state"] for e in after["events"]}["failed_check"] == "closed"
    assert {a["identifier"] for a in before["actions"]} - {a["identifier"] for a in after["actions"]} == {
        e["name"] for e in after["events"] if e["state"] == "closed"
    }
    # verdicts and figures stay: a decision stands beside them
    assert after["lots"] == before["lots"]
    assert after["meters"] == before["meters"]
    assert after["chain"]["sequence"] == before["chain"]["sequence"] + 3
    page = (shell.root / "pages" / "reviews" / "2026-03.html").read_text(encoding="utf-8")
    with History.open(shell.root / "history" / "annealog.duckdb") as history:
        assert history.events()[-1].hash in page
    assert "block was dirty" in page


def test_what_is_due_is_listed_with_what_is_overdue_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    blocks = REFERENCE["blocks"].replace("certificate\n", "certificate,due_on\n").replace("C-1\n", "C-1,2026-03-05\n")
    blocks = blocks.replace("C-2\n", "C-2,2026-05-20\n").replace("BX,copper,,,,,", "BX,copper,,,,,,")
    meters = (
        REFERENCE["meters"]
        .replace("unit\n", "unit,due_on\n")
        .replace("M1,0.5,0.01,MS/m", "M1,0.5,0.01,MS/m,2027-01-01")
    )
    meters = meters.replace("M2,0.5,0.01,MS/m", "M2,0.5,0.01,MS/m,2026-04-01")
    said = review(workspace(tmp_path, capsys, blocks=blocks, meters=meters), "2026-03")
    # the month's last reading was taken on 10 March; the horizon of 60 days ends on 9 May
    assert [(d["kind"], d["identifier"], d["due_on"], d["overdue"]) for d in said["due"]] == [
        ("block", "B1", "2026-03-05", True),
        ("meter", "M2", "2026-04-01", False),
    ]
    assert any(a["kind"] == "block" and "2026-03-05" in a["sentence"] for a in said["actions"])


def test_the_same_month_twice_gives_the_same_page_and_the_index_lists_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shell = workspace(tmp_path, capsys)
    path = shell.root / "pages" / "reviews" / "2026-03.html"
    review(shell, "2026-03")
    one = path.read_bytes()
    path.unlink()
    review(shell, "2026-03")
    assert path.read_bytes() == one
    shell("render", "--direct", "--workspace", str(shell.root))
    assert 'href="reviews/2026-03.html"' in (shell.root / "pages" / "index.html").read_text(encoding="utf-8")


def test_a_month_without_readings_is_refused_in_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shell = workspace(tmp_path, capsys)
    for month, said in (("2026-02", "No reading was taken"), ("2026-13", "is no month"), ("May", "is no month")):
        shell("review", month, "--direct", "--workspace", str(shell.root))
        assert (shell.code, said in shell.err) == (2, True), shell.err
    shell("review", "2026-03", "--direct", "--dry-run", "--workspace", str(shell.root))
    assert not (shell.root / "pages" / "reviews").exists()


@given(st.dates(min_value=date(1950, 1, 1), max_value=date(2200, 11, 30)).map(lambda day: f"{day:%Y-%m}"))
def test_months_in_a_zone_follow_one_another_without_gap(month: str) -> None:
    zone = ZoneInfo("Europe/Oslo")
    start, end = month_span(month, zone)
    assert (start.astimezone(zone).day, start.astimezone(zone).hour) == (1, 0)
    assert f"{start.astimezone(zone):%Y-%m}" == month
    following = f"{end.astimezone(zone).year:04d}-{end.astimezone(zone).month:02d}"
    assert month_span(following, zone)[0] == end
    assert 28 <= (end - start).days <= 31


@pytest.mark.parametrize("month", ["2026-00", "2026-13", "26-01", "2026-1", "0000-01", ""])
def test_what_is_no_month_is_said(month: str) -> None:
    with pytest.raises(UsageError, match=re.escape(repr(month))):
        month_span(month, ZoneInfo("UTC"))


def test_the_spans_of_summer_time_are_those_of_the_zone() -> None:
    start, end = month_span("2026-03", ZoneInfo("Europe/Oslo"))
    assert start == datetime(2026, 2, 28, 23, tzinfo=UTC)
    assert end == datetime(2026, 3, 31, 22, tzinfo=UTC)


def test_the_months_of_a_history_share_its_readings(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shell = workspace(tmp_path, capsys)
    with History.open(shell.root / "history" / "annealog.duckdb") as history:
        by_month = history.readings(columns=["measured_at"]).group_by(pl.col("measured_at").dt.strftime("%Y-%m")).len()
    assert {m: review(shell, m)["readings"] for m in ("2026-03", "2026-04")} == dict(by_month.iter_rows())


def test_each_probe_on_a_block_has_the_drift_of_its_own_checks() -> None:
    scenario = Scenario()
    for day in range(12):
        ripple = 0.001 * (-1) ** day
        scenario.check("08:00", 0.02 * day + ripple, day=day, probe="A")
        scenario.check("08:20", -0.02 * day + ripple, day=day, probe="B")
    found = scenario.assess(day=12)
    start = datetime(2026, 3, 1, tzinfo=UTC)
    slopes = {row.probe: row.slope_per_30_days for row in _blocks(found, start, datetime(2026, 4, 1, tzinfo=UTC))}
    assert slopes == {"A": pytest.approx(0.6, abs=0.01), "B": pytest.approx(-0.6, abs=0.01)}


def test_the_last_six_months_count_what_the_months_themselves_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = review(workspace(tmp_path, capsys), "2026-04")
    assert [m["month"] for m in said["months"]] == [f"2025-{n}" for n in (11, 12)] + [
        f"2026-0{n}" for n in (1, 2, 3, 4)
    ]
    assert [m["failed_checks"] for m in said["months"]] == [None, None, None, None, 1, 0]
    assert said["months"][-1]["held"] == said["lots"]["hold"] + said["lots"]["reject"]
    assert said["months"][-2]["events"] == 2


def test_an_interval_of_the_bias_stands_on_three_checks_or_more() -> None:
    scenario = Scenario()
    for day, bias in enumerate((0.01, 0.03, 0.05)):
        scenario.check("08:00", bias, day=day, probe="A")
        if day:
            scenario.check("08:20", bias, day=day, probe="B")
    start, end = datetime(2026, 3, 1, tzinfo=UTC), datetime(2026, 4, 1, tzinfo=UTC)
    rows = {row.probe: row for row in _blocks(scenario.assess(day=3), start, end)}
    assert (rows["B"].checks, rows["B"].bias_interval) == (2, None)
    # t(0.975, 2) = 4.303 (ISO 3534-1 tables; NIST/SEMATECH e-Handbook 1.3.6.7.2), s = 0.02
    half = 4.303 * 0.02 / 3**0.5
    assert rows["A"].bias_interval == pytest.approx((0.03 - half, 0.03 + half), abs=1e-4)
