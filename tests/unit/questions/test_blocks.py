"""Blocks from a history: certificates in time, agreement of meters, and commands that show them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import polars as pl
import pytest
from sample_pages import index_page, lot_page
from scenario import Scenario, at

import reports
from pipeline.questions.blocks import block_results
from pipeline.questions.meters_that_read_a_lot import differences_on_lot
from schemas.blocks import MeterDifference
from schemas.page import PageLink

if TYPE_CHECKING:
    from workspace_files import Shell

TWO = (
    "block,material,certified_value,unit,expanded_uncertainty,coverage_factor,certificate,due_on,valid_from\n"
    "B1,copper,58.0,MS/m,0.2,2,C-1,2026-03-02,\n"
    "B1,copper,58.1,MS/m,0.1,2,C-9,2028-03-02,2026-03-04\n"
    "B2,copper,50.0,MS/m,0.2,2,C-2,,\n"
)


def test_bias_goes_by_the_certificate_that_held_at_the_time() -> None:
    scenario = Scenario(blocks=TWO)
    for day in range(5):
        scenario.check("07:00", 0.05, day=day).check("07:05", 0.02, block="B2", day=day)
    result = block_results(scenario.assess("09:00", day=4))["B1"]
    first, second = result.certificates
    assert (first.certificate, first.holds_from, first.checks) == ("C-1", None, 2)
    assert (second.certificate, second.holds_from, second.checks) == ("C-9", datetime(2026, 3, 4, tzinfo=UTC), 3)
    assert second.step == pytest.approx(0.1)
    assert second.step_e_n == pytest.approx(0.1 / (0.2**2 + 0.1**2) ** 0.5)
    # due at the end of the second of March; the check of the third used it after that
    assert (first.checks_after_due, second.checks_after_due) == (1, 0)
    assert result.meters[0].bias == pytest.approx((2 * 0.05 - 3 * 0.05) / 5)
    assert result.meters[0].mean == pytest.approx(58.05)
    assert result.neighbours == ("B2",)
    assert result.visits == 5
    # a later version is not known before its time
    assert len(block_results(scenario.assess("09:00", day=1))["B1"].certificates) == 1


def test_difference_of_two_meters_leaves_the_certificate_out() -> None:
    scenario = Scenario()
    for day in range(6):
        scenario.check("07:00", 0.3 + 0.01 * (day % 3), day=day).check(
            "07:30", 0.0 + 0.01 * (day % 2), day=day, meter="M2"
        )
    result = block_results(scenario.assess("09:00", day=5))["B1"]
    (pair,) = result.differences
    assert (pair.first, pair.second, pair.basis) == ("M1", "M2", "checks")
    assert pair.difference == pytest.approx(0.305)
    assert pair.interval is not None
    assert 0.28 < pair.interval[0] < 0.305 < pair.interval[1] < 0.33
    # both claim 0.5 %: the difference of 0.3 is within what they claim together, whatever the certificate says
    assert pair.e_n is not None
    assert 0.5 < pair.e_n < 1


def test_meters_that_read_one_lot_are_compared_on_the_parts_they_share() -> None:
    scenario = Scenario().check("07:00").check("07:05", meter="M2")
    scenario.lot("08:00", 58.0, 59.0, 57.5).lot("08:10", 58.2, 59.25, 57.7, meter="M2")
    found = scenario.assess("09:00")
    readings = found.readings.filter(pl.col("lot").cast(pl.String) == "L1")
    (pair,) = differences_on_lot(found, readings)
    assert (pair.first, pair.second, pair.basis) == ("M1", "M2", "same_parts")
    assert pair.difference == pytest.approx(-(0.2 + 0.25 + 0.2) / 3)
    # one part each: what varies between parts is counted
    apart = Scenario().lot("08:00", 58.0, 59.0).lot("08:10", 58.2, 59.2, lot="L1", meter="M2")
    for place, row in enumerate(apart.rows):
        row["part"] = str(place)
    found = apart.assess("09:00")
    (pair,) = differences_on_lot(found, found.readings)
    assert pair.basis == "other_parts"
    assert pair.interval is not None
    assert pair.interval[0] < -1
    # one meter alone has nobody to agree with
    assert differences_on_lot(found, found.readings.filter(pl.col("meter").cast(pl.String) == "M1")) == ()


def test_lot_page_names_its_events_and_the_difference_of_its_meters() -> None:
    difference = MeterDifference("M1", "M2", 0.4, (0.3, 0.5), 0.05, 4.0, 1.6, None, "same_parts")
    event = PageLink(
        "event",
        "M1_20260302T110010Z_FAILED-CHECK",
        "M1_20260302T110010Z_FAILED-CHECK",
        None,
        "1 check failed.",
        at("11:00"),
    )
    page = replace(lot_page("L-1001"), meter_differences=(difference,), events=(event,))
    text = reports.render(page)
    assert 'href="../events/M1_20260302T110010Z_FAILED-CHECK.html"' in text
    assert "beyond 1" in text
    assert "the same parts" in text


def test_index_names_open_events_and_blocks_that_moved_among_what_to_do_first() -> None:
    links = (
        PageLink("block", "B1", "B1", "steady"),
        PageLink("block", "B2", "B2", "moved"),
        PageLink("event", "M1_20260302T110010Z_SIGNAL", "M1_20260302T110010Z_SIGNAL", "open"),
        PageLink("event", "M1_20260301T110010Z_SIGNAL", "M1_20260301T110010Z_SIGNAL", "closed"),
    )
    first, _, rest = reports.render(replace(index_page(quiet=True), others=links)).partition("</ol>")
    assert "Close the events of the look-back that are open (1)" in first
    assert "M1_20260302T110010Z_SIGNAL" in first
    assert "M1_20260301T110010Z_SIGNAL" not in first
    assert "Take out of use, for the block moved:" in first
    assert ">B1<" not in first.partition("Take out of use")[2]
    # in the table of open work the block stands in a column of its own: no colon leads nowhere
    assert "<span>Take out of use, for the block moved.</span>" in rest
    assert ":</span>" not in rest


def test_states_of_blocks() -> None:
    scenario = Scenario().check("07:00").check("07:05", block="BX")
    found = block_results(scenario.assess("09:00"))
    assert found["BX"].state == "not_assessed"
    assert found["B2"].state == "not_assessed"
    assert found["B2"].meters == ()
    overdue = Scenario(blocks=TWO.replace("2028-03-02", "2026-03-05")).check("07:00").check("07:05", block="B2")
    assert block_results(overdue.assess("09:00", day=6))["B1"].state == "overdue"


THREE = TWO + "BX,copper,55.0,MS/m,0.2,2,C-3,,\n"


def history(*blocks: str, moved: str = "", since: int = 9, meters: int = 1, days: int = 12) -> Scenario:
    """Return a check a day of every block on every meter, with scatter; from a day on blocks read 2 MS/m higher."""
    scenario = Scenario(blocks=THREE)
    for day in range(days):
        for meter in range(meters):
            for place, block in enumerate(blocks):
                scatter = 0.01 * ((7 * day + 3 * place + 5 * meter) % 11 - 5)
                bias = scatter + 2.0 * (block in moved.split() and day >= since)
                scenario.check(f"{7 + meter:02}:{5 * place:02}", bias, block=block, day=day, meter=f"M{meter + 1}")
    return scenario


@pytest.mark.parametrize("since", [1, 2, 3, 11])
def test_one_meter_on_three_blocks_names_the_one_that_left_the_others_as_the_suspect(since: int) -> None:
    found = block_results(history("B1", "B2", "BX", moved="B2", since=since).assess("20:00", day=12))
    assert {name: one.state for name, one in found.items()} == {"B1": "steady", "B2": "unclear", "BX": "steady"}
    (movement,) = found["B2"].movements
    assert (movement.kind, movement.name, movement.certain) == ("block", "B2", False)
    assert movement.visits == min(since, 12 - since)
    (said,) = (reason for reason in found["B2"].reasons if "moved" in reason)
    assert f" MS/m from 2026-03-{2 + since:02} on: 1 meter sees it against its neighbours. It is the suspect" in said
    assert "check the set with another meter, or have the block certified anew" in said


def test_one_meter_on_two_blocks_cannot_tell_which_moved_and_says_what_would() -> None:
    found = block_results(history("B2", "BX", moved="B2").assess("20:00", day=12))
    assert {found[name].state for name in ("B2", "BX")} >= {"unclear"}
    (first,) = found["B2"].movements
    assert not first.certain
    (said,) = found[first.name].reasons
    assert "One meter on two blocks cannot tell which of them moved: check both with another meter" in said


def test_two_meters_tell_the_block_that_moved_from_three_visits_on() -> None:
    certain = block_results(history("B1", "B2", "BX", moved="B2", meters=2).assess("20:00", day=12))["B2"]
    assert certain.state == "moved"
    assert "from 2026-03-11 on: 2 meters see it against its neighbours." in certain.reasons[0]
    two = block_results(history("B1", "B2", "BX", moved="B2", meters=2, since=11).assess("20:00", day=12))["B2"]
    assert two.state == "unclear"
    assert two.reasons[0].endswith("Only 2 visits on one side of the change tell: check the set again.")


def test_a_meter_whose_blocks_all_moved_moved_itself_and_each_block_kept_its_place() -> None:
    found = block_results(history("B1", "B2", "BX", moved="B1 B2 BX").assess("20:00", day=12))
    (movement,) = found["B2"].movements
    assert (movement.kind, movement.name, movement.certain) == ("meter", "M1", True)
    assert found["B2"].state == "steady"
    assert found["B2"].reasons == ("Over 12 visits of 1 meter it kept its place among its neighbours.",)


def test_one_block_on_one_meter_tells_nothing_and_says_what_would() -> None:
    found = block_results(history("B2", moved="B2").assess("20:00", day=12))["B2"]
    assert (found.state, found.movements, found.neighbours) == ("not_assessed", (), ())
    assert found.reasons[-1].endswith(
        "check it beside another certified block, with another meter, too, or have it certified anew."
    )


def test_commands_show_blocks_events_and_calibrations(shell: Shell) -> None:
    calibrations = (
        "meter,calibrated_on,condition,nominal,indicated,unit,tolerance\nM1,2026-03-02,as_found,58,58.6,MS/m,0.3\n"
    )
    shell.make(blocks=TWO, calibrations=calibrations)
    scenario = Scenario(blocks=TWO).check("07:00").check("07:05", block="B2").lot("07:30").check("08:00", 0.6)
    shell.load(shell.put("a.csv", scenario))
    block = shell.json("block", "B1")
    assert (shell.code, block["state"]) == (0, "steady")
    assert (shell.root / block["page"]).read_text(encoding="utf-8").count("C-1") >= 1
    shell("block", "B9")
    assert shell.code == 2
    assert "Known blocks: B1, B2" in shell.err
    listed = shell.json("trace")
    assert shell.code == 4
    assert {event["kind"] for event in listed["events"]} == {"failed_check", "calibration"}
    name, page = next((one["event"], one["name"]) for one in listed["events"] if one["kind"] == "failed_check")
    assert [lot["lot"] for lot in shell.json("trace", "--event", name)["lots"]] == ["L1"]
    status = shell.json("status", "--as-of", "2026-03-02T09:00")
    assert name in {event["event"] for event in status["events_open"]}
    assert shell.json("status", "--as-of", "2026-03-04T09:00")["blocks_overdue"] == []
    given = ("record", "disposition", "--event", name, "--by", "Ada", "--why", "probe worn", "--decision")
    shell(*given, "re-measured", "--lot", "L9")
    assert shell.code == 2
    assert "It touched: L1" in shell.err
    shell(*given, "re-measured", "--lot", "L1")
    shell(*given, "no effect found")
    assert shell.code == 0, shell.err
    shown = shell.json("trace", "--event", name)
    assert (shown["state"], shown["undecided"]) == ("closed", [])
    assert [lot["support"] for lot in shown["lots"]] == ["suspect"]
    shell(
        "record",
        "disposition",
        "--event",
        "M1_20200101T000000Z_SIGNAL",
        "--decision",
        "rejected",
        "--by",
        "A",
        "--why",
        "b",
    )
    assert shell.code == 2
    assert name in shell.err
    shell("trace", "--event", name, "--meter", "M1")
    assert shell.code == 2
    late = next(event["event"] for event in listed["events"] if event["kind"] == "calibration")
    assert shell.json("trace", "--event", late)["last_good_at"] is None
    # decisions are events of the chain, and pages tell
    shell("verify")
    assert shell.code == 0, shell.err
    shell("render", "--direct")
    pages = {path.relative_to(shell.root / "pages").as_posix() for path in (shell.root / "pages").rglob("*.html")}
    assert {f"events/{page}.html", "blocks/B1.html", "blocks/B2.html"} <= pages
    meter = (shell.root / "pages" / "meters" / "M1.html").read_text(encoding="utf-8")
    assert f"../events/{page}.html" in meter
    assert "as found" in meter
    assert at("08:00").isoformat()[:10] in meter
