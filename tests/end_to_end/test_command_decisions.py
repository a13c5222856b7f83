"""Decisions and changed rules through the command line: recorded, asked for, and never behind a verdict's back."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from scenario import REFERENCE, Scenario

if TYPE_CHECKING:
    from workspace_files import Shell

DAY = "2026-03-02"


def good_day() -> Scenario:
    return Scenario().check("08:00").check("08:01", block="B2").lot("09:00").check("10:00").check("10:01", block="B2")


def test_decisions_stand_beside_the_verdict(shell: Shell) -> None:
    shell.make()
    shell.load(shell.put("a.csv", Scenario().check("08:00").lot("09:00").check("10:00", 0.4)))
    assert shell.json("lot", "L1")["verdict"] == "hold"
    shell(
        "record",
        "disposition",
        "--lot",
        "L1",
        "--decision",
        "re-measured",
        "--by",
        "Ada",
        "--why",
        "read on M2, in limits",
    )
    assert shell.code == 0
    lot = shell.json("lot", "L1")
    assert (lot["verdict"], lot["support"]) == ("hold", "suspect")
    assert lot["dispositions"][0]["decision"] == "re-measured"
    touched = shell.json("trace", "--meter", "M1")["lots"]
    assert touched[0]["disposition"] == "re-measured (Ada: read on M2, in limits)"
    shell("record", "disposition", "--lot", "L1", "--decision", "shrugged", "--by", "Ada", "--why", "x")
    assert shell.code == 2
    shell("record", "disposition", "--lot", "L1", "--decision", "rejected")
    assert shell.code == 2
    shell("record", "disposition", "--lot", "L77", "--decision", "rejected", "--by", "Ada", "--why", "x")
    assert shell.code == 2


def test_a_recorded_adjustment_starts_a_phase(shell: Shell) -> None:
    shell.make()
    shell.load(shell.put("a.csv", Scenario().check("08:00").lot("09:00").check("10:00", 0.4).check("10:30")))
    assert shell.json("meter", "M1")["state"] == "suspended"  # one run, and a check of it failed
    shell("record", "adjustment", "--meter", "M1", "--at", f"{DAY}T10:15", "--by", "Ada", "--why", "set after the drop")
    meter = shell.json("meter", "M1")
    assert (meter["state"], meter["blocks"][0]["checks"]) == ("fit", 1)
    assert shell.json("lot", "L1")["support"] == "suspect"


def test_a_recorded_action_starts_a_run_and_keeps_the_baseline(shell: Shell) -> None:
    shell.make()
    shell.load(shell.put("a.csv", Scenario().check("08:00").lot("09:00").check("10:00", 0.4).check("10:30")))
    assert shell.json("meter", "M1")["state"] == "suspended"
    command = ("record", "action", "--meter", "M1", "--at", f"{DAY}T10:15", "--kind", "cleaned")
    shell(*command, "--by", "Ada", "--why", "oil on the block", "--dry-run")
    assert shell.code == 0
    assert shell.json("meter", "M1")["state"] == "suspended"
    shell(*command, "--by", "Ada", "--why", "oil on the block")
    meter = shell.json("meter", "M1")
    assert (meter["state"], meter["blocks"][0]["checks"], meter["last_setting_at"]) == ("fit", 3, None)
    # what the failed run closed stays as it is
    assert shell.json("lot", "L1")["support"] == "suspect"
    shell("meter", "M1")
    page = (shell.root / "pages/meters/M1.html").read_text(encoding="utf-8")
    assert "oil on the block" in page
    for wrong in (("--kind", "polished"), ("--meter", "M7"), ("--by", " ")):
        shell(*command, "--by", "Ada", "--why", "x", *wrong)
        assert shell.code == 2
    shell("verify")
    assert shell.code == 0
    # without a time it is now, and the word is left to --why
    assert shell.json("record", "action", "--meter", "M1", "--by", "Ada", "--why", "x")["subject"]["kind"] == "other"


def test_a_change_that_alters_verdicts_needs_consent(shell: Shell) -> None:
    shell.make()
    shell.load(shell.put("a.csv", good_day()))
    table = shell.root / "reference" / "specifications.csv"
    table.write_text(REFERENCE["specifications"].replace("57,60", "59,60"), encoding="utf-8")
    later = shell.put("b.csv", Scenario().check("08:00", day=1))
    shell("load", "--direct", str(later))
    assert shell.code == 2
    assert "lot L1: accept would become reject" in shell.err
    assert "--accept-changes" in shell.err
    assert shell.json("lot", "L1")["verdict"] == "accept"
    shell("load", "--direct", str(later), "--accept-changes")
    assert shell.code == 2  # a decision needs a name and a reason
    report = shell.load(later, by="Ada", why="limits were typed wrong", accept_changes="")
    assert report["verdicts_altered"] == ["lot L1: accept would become reject"]
    assert shell.json("lot", "L1")["verdict"] == "reject"
    # a new version that holds from a later day alters nothing
    table.write_text(
        "specification,material,lower,upper,unit,valid_from\nS,copper,59,60,MS/m,\nS,copper,57,60,MS/m,2026-04-01\n",
        encoding="utf-8",
    )
    shell.load(shell.put("c.csv", Scenario().check("08:00", 0.05, day=2)))
    assert shell.code == 0
    # a tolerance decides verdicts, too
    (shell.root / "annealog.toml").write_text("tolerance = 0.0001\n", encoding="utf-8")
    shell("load", "--direct", str(shell.put("d.csv", Scenario().check("08:00", day=3))))
    assert shell.code == 2
    assert "would be: failed" in shell.err


def test_edits_decide_nothing_until_a_load_takes_them_over(shell: Shell) -> None:
    shell.make()
    shell.load(shell.put("a.csv", Scenario().check("08:00").lot("09:00").check("10:00", 0.4)))
    assert shell.json("lot", "L1")["verdict"] == "hold"
    (shell.root / "annealog.toml").write_text("tolerance = 2.0\n", encoding="utf-8")
    assert shell.json("lot", "L1")["verdict"] == "hold"
    assert "annealog.toml was changed since the last load" in shell.err
    shell("load", str(shell.put("b.csv", Scenario().check("08:00", day=1))), "--dry-run")
    assert shell.code == 2
    shell("load", "--direct", "inbox/b.csv")
    assert shell.code == 2
    assert "lot L1: hold would become accept" in shell.err


def test_a_new_version_of_a_lot_leaves_the_past_alone(shell: Shell) -> None:
    specifications = REFERENCE["specifications"] + "T,copper,50,51,MS/m,1,1,1\n"
    lots = "lot,material,specification,valid_from\nL1,copper,S,\n"
    shell.make(specifications=specifications, lots=lots)
    shell.load(shell.put("a.csv", good_day()))
    (shell.root / "reference" / "lots.csv").write_text(lots + "L1,copper,T,2026-03-10\n", encoding="utf-8")
    report = shell.load(shell.put("b.csv", Scenario().check("08:00", day=9)))
    assert (shell.code, report["verdicts_altered"]) == (0, [])
    assert shell.json("lot", "L1")["verdict"] == "accept"


def test_dispositions_of_signals_stand_at_the_signal(shell: Shell) -> None:
    shell.make()
    scenario = Scenario()
    for day in range(-20, 0):
        scenario.check("08:00", 0.02 * (day % 3), day=day).lot("09:00", lot="L2", day=day)
    shell.load(shell.put("a.csv", scenario.check("08:00").lot("09:00").check("10:00", 0.2)))
    words = ["record", "disposition", "--meter", "M1", "--decision", "no effect found", "--by", "Ada", "--why", "x"]
    shell(*words, "--block", "B2")
    assert shell.code == 2
    shell(*words, "--at", f"{DAY}T11:00")
    assert shell.code == 2
    assert [s["dispositions"] for s in shell.json("meter", "M1")["signals"]] == [[]]
    shell(*words, "--block", "B1", "--at", f"{DAY}T10:00")
    assert shell.code == 0, shell.err
    assert [len(s["dispositions"]) for s in shell.json("meter", "M1")["signals"]] == [1]


def test_another_unit_keeps_frozen_limits(shell: Shell) -> None:
    shell.make()
    scenario = Scenario()
    for day in range(22):
        scenario.check("08:00", 0.02 * (day % 3), day=day).lot("09:00", day=day)
    shell.load(shell.put("a.csv", scenario.check("08:00", day=22)))
    before = shell.json("meter", "M1")
    assert before["blocks"][0]["limits_kind"] == "frozen"
    (shell.root / "annealog.toml").write_text('unit = "%IACS"\n', encoding="utf-8")
    shell.load(shell.put("b.csv", Scenario().check("08:00", day=23)))
    after = shell.json("meter", "M1")
    assert after["blocks"][0]["centre"] == pytest.approx(before["blocks"][0]["centre"] / 0.58)
    assert (after["state"], after["signals"]) == (before["state"], [])
