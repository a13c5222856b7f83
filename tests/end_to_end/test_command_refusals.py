"""What the commands refuse, name and keep: wrong tables and settings, damage, a busy or a newer history, backups."""

from __future__ import annotations

import re
import subprocess
import sys
from typing import TYPE_CHECKING

from scenario import Scenario
from workspace_files import neutral_csv

from pipeline.history.store import History

if TYPE_CHECKING:
    from pathlib import Path

    from workspace_files import Shell


def good_day() -> Scenario:
    return Scenario().check("08:00").check("08:01", block="B2").lot("09:00").check("10:00").check("10:01", block="B2")


def test_wrong_reference_tables_name_file_line_and_column(shell: Shell) -> None:
    shell.make()
    cases = {
        "blocks": (
            "block,certified_value,unit\nB1,fifty,MS/m\n",
            r"reference/blocks.csv, line 2, column certified_value: found 'fifty'",
        ),
        "meters": (
            "meter,acuracy_percent\nM1,1\n",
            r"unknown column 'acuracy_percent'; did you mean 'accuracy_percent'",
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
    assert "did you mean 'blocks'?" in shell.err


def test_wrong_settings_name_the_key(shell: Shell) -> None:
    shell.make()
    for text, message in (
        ("tolerence = 1\n", "did you mean 'tolerance'?"),
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
    assert "1 stored line differs from the archived file and the journal: value (line 4)" in shell.out
    assert "text of reference table specifications" in shell.out
    with History.open(shell.root / "history" / "annealog.duckdb", write=True) as history:
        history._run("DELETE FROM reading WHERE line = 3")
    shell("verify")
    assert shell.code == 6
    assert "line 3" in shell.out


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


def test_whoever_asks_for_a_name_is_told_the_nearest(shell: Shell) -> None:
    shell.make()
    text = neutral_csv(good_day())
    shell.load(shell.put("a.csv", text))
    shell.load(shell.put("b.csv", text.replace(",B1,", ",b-01,").replace("2026-03-02", "2026-03-03")))
    refused = [row["sentence"] for row in shell.json("quarantine", "list")]
    assert len(refused) == text.count(",B1,")
    assert all("did you mean 'B1'?" in sentence for sentence in refused)
    lower = text.replace(",L1,", ",l-1,").replace("2026-03-02", "2026-03-04")
    (told,) = shell.load(shell.put("c.csv", lower))["files"][0]["warnings"]
    assert told == "lot_not_registered: lot 'l-1' does not stand in reference/lots.csv; did you mean 'L1'?"
    who = ("--by", "Ada", "--why", "x")
    for words, near in (
        (("lot", "L01"), "L1"),
        (("meter", "m_1"), "M1"),
        (("block", "b1"), "B1"),
        (("trace", "--meter", "M-01"), "M1"),
        (("process", "Bar"), "bar"),
        (("record", "disposition", "--lot", "l1", "--decision", "re-measured", *who), "L1"),
        (("record", "disposition", "--lot", "L1", "--decision", "remeasured", *who), "re-measured"),
        (("record", "action", "--meter", "m 01", "--at", "2026-03-02T07:15", "--kind", "cleaned", *who), "M1"),
        (("record", "baseline", "--meter", "M1", "--block", "b-1", *who), "B1"),
        (("load", "inbox", "--direct", "--layout", "neutrel"), "neutral"),
    ):
        shell(*words)
        assert (shell.code, f"did you mean '{near}'?" in shell.err) == (2, True), (words, shell.err)


def test_whoever_asks_of_a_time_before_is_not_told_that_nothing_was_loaded(shell: Shell) -> None:
    shell.make()
    shell.load(shell.put("a.csv", neutral_csv(good_day())))
    shell("meter", "M1", "--as-of", "2026-02-01")
    assert shell.code == 2
    assert "No reading of meter 'M1' up to 2026-02-01 was loaded" in shell.err
    shell("meter", "M1", "--as-of", "2026-03-02")
    assert shell.code == 0
