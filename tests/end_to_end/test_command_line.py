"""The main job through the command line: load, look, decide, keep."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from scenario import Scenario

if TYPE_CHECKING:
    from pathlib import Path

    from workspace_files import Shell

DAY = "2026-03-02"

LOT_KEYS = {
    "lot", "verdict", "reasons", "support", "unit", "readings", "parts", "mean", "standard_deviation", "minimum",
    "maximum", "cp", "cpk", "cpk_interval", "pp", "ppk", "ppk_interval", "expanded_uncertainty", "coverage_factor",
    "decision_rule", "flags",
}  # fmt: skip


def good_day() -> Scenario:
    return Scenario().check("08:00").check("08:01", block="B2").lot("09:00").check("10:00").check("10:01", block="B2")


def test_the_main_job(shell: Shell) -> None:
    shell.make()
    path = shell.put("a.csv", good_day())
    first = shell.load(path)
    assert shell.code == 0
    assert first["files"][0]["readings"] == 15
    assert first["files"][0]["fates"] == {
        "preamble": 0, "header": 1, "units": 0, "blank": 0, "footer": 0, "accepted": 15, "duplicate": 0, "quarantined": 0,
    }  # fmt: skip
    assert first["lots"] == {"L1": "accept"}
    assert first["meters"] == {"M1": "fit"}
    lot = shell.json("lot", "L1")
    assert shell.code == 0
    assert set(lot) >= LOT_KEYS
    assert (lot["verdict"], lot["support"], lot["readings"], lot["parts"]) == ("accept", "supported", 3, 3)
    assert lot["mean"] == pytest.approx(58.5)
    meter = shell.json("meter", "M1")
    assert set(meter) >= {"meter", "state", "checks", "blocks", "signals", "drift", "suspect_lots"}
    assert set(meter["blocks"][0]) >= {
        "block",
        "checks",
        "bias",
        "standard_deviation",
        "centre",
        "limits",
        "limits_kind",
    }
    assert meter["state"] == "fit"
    trace = shell.json("trace", "--meter", "M1")
    assert set(trace) >= {"meter", "from", "to", "lots"}
    assert trace["lots"] == []
    shell("verify")
    assert shell.code == 0


def test_loading_twice_is_loading_once(shell: Shell) -> None:
    shell.make()
    path = shell.put("a.csv", good_day())
    shell.load(path)
    before = shell.json("status", "--as-of", f"{DAY}T12:00")
    copy = shell.put("sub/other-name.csv", path.read_bytes())
    again = shell.load(path, copy)
    assert shell.code == 0
    assert [f["status"] for f in again["files"]] == ["already_loaded", "already_loaded"]
    assert "already loaded on" in again["files"][1]["sentence"]
    assert "inbox/a.csv" in again["files"][1]["sentence"]
    assert shell.json("status", "--as-of", f"{DAY}T12:00") == before


def test_an_overlapping_reexport_adds_only_what_is_new(shell: Shell) -> None:
    shell.make()
    full = good_day().lot("11:00", lot="L2").check("12:00")
    early = Scenario()
    early.rows = full.rows[:15]
    shell.load(shell.put("early.csv", early))
    second = shell.load(shell.put("full.csv", full))["files"][0]
    assert (second["fates"]["duplicate"], second["fates"]["accepted"], second["readings"]) == (15, 6, 6)
    assert shell.json("lot", "L1")["readings"] == 3
    shell("verify")
    assert shell.code == 0


def test_a_reexport_that_says_something_else_holds_the_lot_until_a_person_decides(shell: Shell) -> None:
    shell.make()
    day = good_day()
    shell.load(shell.put("a.csv", day))
    place = next(i for i, row in enumerate(day.rows) if row["role"] == "part")
    day.rows[place] = {**day.rows[place], "value": 58.9}
    report = shell.load(shell.put("b.csv", day))
    # a hold goes before refused lines: exit 4
    assert shell.code == 4
    assert report["files"][0]["conflicts"] == 1
    lot = shell.json("lot", "L1")
    assert lot["verdict"] == "hold"
    assert "exported again" in lot["reasons"][0]
    line = place + 2
    shell(
        "record",
        "exclusion",
        "--file",
        "inbox/b.csv",
        "--line",
        str(line),
        "--by",
        "Ada",
        "--why",
        "the first one is right",
    )
    assert shell.code == 0, shell.err
    assert shell.json("lot", "L1")["verdict"] == "accept"
    shell(
        "record", "exclusion", "--file", "inbox/b.csv", "--line", str(line), "--undo", "--by", "Ada", "--why", "not so"
    )
    assert shell.json("lot", "L1")["verdict"] == "hold"


def test_exit_codes(shell: Shell, tmp_path: Path) -> None:
    shell("status")
    assert shell.code == 2  # no workspace
    assert "annealog init" in shell.err
    shell.make()
    shell("status")
    assert shell.code == 7  # no history yet
    assert "annealog load" in shell.err
    shell("frobnicate")
    assert shell.code == 2
    shell("load", "--direct", "inbox/none.csv")
    assert shell.code == 2
    bad = good_day()
    report = shell.load(shell.put("a.csv", bad))
    lines = shell.put("x.csv", "measured_at,meter,role\n")
    report = shell.load(lines)
    assert (shell.code, report["held"]) == (3, 1)
    text = "\n".join(
        [",".join(["measured_at", "meter", "role", "lot", "value", "unit", "temperature_c", "temperature_state"]),
         "2026-03-03T09:00:00Z,M1,part,L9,58.5,MS/m,20,at_reference",
         "2026-03-03T09:00:05Z,M1,part,L9,abc,MS/m,20,at_reference", ""]
    )  # fmt: skip
    report = shell.load(shell.put("q.csv", text))
    assert (shell.code, report["quarantined"]) == (3, 1)
    report = shell.load(shell.put("fail.csv", Scenario().check("08:00", 0.4, day=2)))
    assert (shell.code, report["meters"]) == (4, {"M1": "suspended"})
    shell("meter", "M1")
    assert shell.code == 4
    shell("lot", "no-such-lot")
    assert shell.code == 2


def test_dry_run_writes_nothing(shell: Shell) -> None:
    target = shell.root / "new"
    shell("init", str(target), "--dry-run")
    assert not target.exists()
    shell.make()
    path = shell.put("a.csv", good_day())
    before = sorted(p for p in shell.root.rglob("*"))
    report = shell.json("load", str(path), "--dry-run")
    assert report["dry_run"] is True
    assert report["files"][0]["readings"] == 15
    assert sorted(p for p in shell.root.rglob("*")) == before
    shell.load(path)
    files = {p: p.read_bytes() for p in shell.root.rglob("*") if p.is_file()}
    again = shell.put("b.csv", Scenario().check("08:00", day=1))
    files[again] = again.read_bytes()
    shell("load", str(again), "--dry-run")
    shell("lot", "L1", "--dry-run")
    shell("meter", "M1", "--dry-run")
    shell("render", "--direct", "--dry-run")
    shell("backup", "b.zip", "--dry-run")
    shell("record", "disposition", "--lot", "L1", "--decision", "re-measured", "--by", "A", "--why", "b", "--dry-run")
    shell("record", "adjustment", "--meter", "M1", "--at", f"{DAY}T11:00", "--by", "A", "--why", "b", "--dry-run")
    assert {p: p.read_bytes() for p in shell.root.rglob("*") if p.is_file()} == files


def test_help_names_the_exit_codes_and_examples(shell: Shell) -> None:
    text = shell("--help")
    assert "Exit codes" in text
    for command in ("demo", "init", "load", "render", "status", "lot", "meter", "trace", "verify", "backup", "restore"):
        assert command in text
        assert "Example: annealog" in shell(command, "--help")


def test_output_cannot_steer_a_terminal(shell: Shell) -> None:
    lot = "\u001b[31mred\u202e"
    shell.make(lots=f"lot,specification,material\n{lot},S,copper\n")
    shell.load(shell.put("a.csv", Scenario().check("08:00").lot("09:00", lot=lot).check("10:00", 0.4)))
    text = shell("status", "--as-of", f"{DAY}T12:00")
    assert "\u001b[31m" not in text
    assert "\u202e" not in text
    assert "\\u001b" in text
    document = json.loads(shell("status", "--as-of", f"{DAY}T12:00", "--json"))
    assert document["waiting"][0]["lot"] == lot


def test_a_block_stated_differently_by_two_exports_holds_what_it_brackets(shell: Shell) -> None:
    shell.make()
    day = Scenario().check("08:00").lot("09:00").check("10:00", n=1)
    shell.load(shell.put("a.csv", day))
    assert shell.json("lot", "L1")["verdict"] == "accept"
    day.rows[-1] = {**day.rows[-1], "value": 58.1}
    report = shell.load(shell.put("b.csv", day))
    assert (shell.code, report["files"][0]["conflicts"]) == (4, 1)
    assert shell.json("lot", "L1")["verdict"] == "hold"
    assert "two exports" in shell.json("lot", "L1")["reasons"][0]
    assert shell.json("meter", "M1")["state"] == "suspended"
    shell(
        "record",
        "exclusion",
        "--file",
        "inbox/b.csv",
        "--line",
        str(len(day.rows) + 1),
        "--by",
        "Ada",
        "--why",
        "the first holds",
    )
    assert shell.json("lot", "L1")["verdict"] == "accept"


def test_readings_without_a_part_are_told_apart_across_files(shell: Shell) -> None:
    shell.make()
    shell.load(
        shell.put("a.csv", Scenario().lot("09:00", 55.0, parts=False)),
        shell.put("b.csv", Scenario().lot("09:05", 61.0, parts=False)),
    )
    shell.load(shell.put("c.csv", Scenario().check("08:00").check("10:00")))
    lot = shell.json("lot", "L1")
    # the two checks stand in one file, so only the place in time tells that the parts came between
    assert (lot["parts"], lot["limits_met"], lot["verdict"]) == (2, "out", "reject")
    shell.load(shell.put("d.csv", Scenario().lot("09:00", 58.5, parts=False)))
    assert shell.json("lot", "L1")["verdict"] == "hold"
    assert "contradict each other" in " ".join(shell.json("lot", "L1")["reasons"])


def test_pages_of_a_past_moment_do_not_replace_the_present_ones(shell: Shell) -> None:
    shell.make()
    shell.load(shell.put("a.csv", good_day()))
    now = shell.json("lot", "L1")
    then = shell.json("lot", "L1", "--as-of", f"{DAY}T09:30")
    assert (now["support"], then["support"]) == ("supported", "open")
    assert now["page"] != then["page"]
    assert "as-of-" in then["page"]
