"""The main job through the command line: load, look, decide, keep."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest
from scenario import REFERENCE, Scenario

from pipeline.history.store import History

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


def test_wrong_reference_tables_name_file_line_and_column(shell: Shell) -> None:
    shell.make()
    cases = {
        "blocks": (
            "block,certified_value,unit\nB1,fifty,MS/m\n",
            r"reference/blocks.csv, line 2, column certified_value: found 'fifty'",
        ),
        "meters": (
            "meter,acuracy_percent\nM1,1\n",
            r"unknown column 'acuracy_percent'. Did you mean 'accuracy_percent'",
        ),
        "lots": ("lot,material\nL1,copper\nL1,brass\n", r"line 3: L1 stands in line 2"),
        "materials": ("material,temperature_model,coefficient\ncopper,magic,1\n", r"expected one of linear"),
        "specifications": ("specification,lower,upper,unit\nS,60,57,MS/m\n", r"lower = 60 is not below upper = 57"),
        "suppliers": ('supplier\n"open\n', r"line 2"),
    }
    for name, (text, message) in cases.items():
        path = shell.root / "reference" / f"{name}.csv"
        kept = path.read_text(encoding="utf-8")
        path.write_text(text, encoding="utf-8")
        shell("config", "check")
        assert shell.code == 2, name
        assert re.search(message, shell.err), (name, shell.err)
        path.write_text(kept, encoding="utf-8")
    (shell.root / "reference" / "blox.csv").write_text("block\n", encoding="utf-8")
    shell("config", "check")
    assert "Did you mean blocks.csv?" in shell.err


def test_wrong_settings_name_the_key(shell: Shell) -> None:
    shell.make()
    for text, message in (
        ("tolerence = 1\n", "Did you mean 'tolerance'?"),
        ('unit = "MS"\n', "expected one of MS/m"),
        ("check_interval_hours = 0\n", "above 0"),
        ('time_zone = "Mars/Base"\n', "IANA zone"),
        ("plausible_range_ms_per_m = [0.1, 65]\n", "plausible_range_decision"),
        ("tolerance = yes\n", "no valid TOML"),
        ("baseline_checks = 1\n", "at least 2"),
    ):
        (shell.root / "annealog.toml").write_text(text, encoding="utf-8")
        shell("config", "show")
        assert shell.code == 2
        assert message in shell.err, text


def test_backup_restore_verify(shell: Shell, tmp_path: Path) -> None:
    shell.make()
    shell.load(shell.put("a.csv", good_day()))
    shell("backup", str(tmp_path / "kept.zip"))
    assert shell.code == 0, shell.err
    shell("backup", str(tmp_path / "kept.zip"))
    assert shell.code == 2
    shell("restore", str(tmp_path / "kept.zip"), str(tmp_path / "again"))
    assert shell.code == 0
    shell("verify", "--workspace", str(tmp_path / "again"))
    assert shell.code == 0
    one, two = (shell.json("lot", "L1", "--workspace", str(root)) for root in (shell.root, tmp_path / "again"))
    assert {**one, "page": None} == {**two, "page": None}
    shell("restore", str(tmp_path / "kept.zip"), str(tmp_path / "again"))
    assert shell.code == 2
    whole = (tmp_path / "kept.zip").read_bytes()
    for number in range(25):
        data = bytearray(whole)
        data[number * len(data) // 25] ^= 0x55
        (tmp_path / "bad.zip").write_bytes(data)
        shell("restore", str(tmp_path / "bad.zip"), str(tmp_path / f"try-{number}"))
        # a flipped byte in a part of the container that nothing depends on leaves every hash right
        assert shell.code in (0, 2, 6), shell.err
        if shell.code == 0:
            shell("verify", "--workspace", str(tmp_path / f"try-{number}"))
            assert shell.code == 0


def test_verify_names_what_changed(shell: Shell) -> None:
    shell.make()
    shell.load(shell.put("a.csv", good_day()))
    raw = next(p for p in (shell.root / "archive").rglob("*") if p.is_file())
    kept = raw.read_bytes()
    raw.write_bytes(kept[:-3] + b"9" + kept[-2:])
    shell("verify")
    assert shell.code == 6
    assert "inbox/a.csv" in shell.out
    raw.write_bytes(kept)
    with History.open(shell.root / "history" / "annealog.duckdb", write=True) as history:
        history._run("UPDATE event SET why = 'nothing happened' WHERE \"sequence\" = 1")
    shell("verify")
    assert shell.code == 6
    assert "Event 1" in shell.out
    with History.open(shell.root / "history" / "annealog.duckdb", write=True) as history:
        history._run("UPDATE event SET why = 'first take-over' WHERE \"sequence\" = 1")
        history._run("UPDATE reading SET value = 99 WHERE line = 4")
        history._run(
            "UPDATE reference_text SET content = replace(content, '57,60', '50,70') WHERE name = 'specifications'"
        )
    shell("verify")
    assert shell.code == 6
    assert "1 stored lines differ from the archived file (line 4)" in shell.out
    assert "reference table specifications in the history was changed" in shell.out
    with History.open(shell.root / "history" / "annealog.duckdb", write=True) as history:
        history._run("DELETE FROM reading WHERE line = 3")
    shell("verify")
    assert shell.code == 6
    assert "the ledger says 15 readings, the history holds 14" in shell.out


def test_a_busy_history_is_named(shell: Shell) -> None:
    shell.make()
    shell.load(shell.put("a.csv", good_day()))
    (shell.root / "annealog.toml").write_text("busy_wait_seconds = 0.3\n", encoding="utf-8")
    code = "import sys, duckdb; con = duckdb.connect(sys.argv[1]); print('open', flush=True); sys.stdin.read(); con.close()"
    other = subprocess.Popen(
        [sys.executable, "-c", code, str(shell.root / "history" / "annealog.duckdb")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    try:
        assert other.stdout is not None
        other.stdout.readline()
        shell("load", "--direct", str(shell.put("b.csv", Scenario().check("08:00", day=1))))
        assert shell.code == 5
        assert f"process {other.pid}" in shell.err
    finally:
        other.communicate()
    shell.load(shell.root / "inbox" / "b.csv")
    assert shell.code == 0


def test_a_newer_history_is_left_alone(shell: Shell) -> None:
    shell.make()
    shell.load(shell.put("a.csv", good_day()))
    place = shell.root / "history" / "annealog.duckdb"
    with History.open(place, write=True) as history:
        history._run("INSERT INTO migration VALUES (999, 'x', now()::TIMESTAMP)")
    before = place.read_bytes()
    shell("status")
    assert shell.code == 6
    assert "999" in shell.err
    assert place.read_bytes() == before


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


def test_dispositions_of_signals_stand_at_the_signal(shell: Shell) -> None:
    shell.make(meters="meter,accuracy_percent\nM1,0.05\n", blocks=REFERENCE["blocks"].replace("0.2", "0.02"))
    shell.load(shell.put("a.csv", Scenario().check("08:00").lot("09:00").check("10:00", 0.2)))
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


def test_pages_of_a_past_moment_do_not_replace_the_present_ones(shell: Shell) -> None:
    shell.make()
    shell.load(shell.put("a.csv", good_day()))
    now = shell.json("lot", "L1")
    then = shell.json("lot", "L1", "--as-of", f"{DAY}T09:30")
    assert (now["support"], then["support"]) == ("supported", "open")
    assert now["page"] != then["page"]
    assert "as-of-" in then["page"]
