"""A date outside 1900 to 2200 costs its line, its row or its word on the command line, never the service or a later command."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from scenario import Scenario
from workspace_files import made_once, neutral_csv, silent_shell

if TYPE_CHECKING:
    from pathlib import Path

    from workspace_files import Shell

POISON = ("0000-01-01T00:00:00Z", "0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z", "9999-12-31T23:59:59-05:00")


@pytest.mark.parametrize("zone", ["America/New_York", "Asia/Tokyo"])
def test_a_reading_of_such_a_date_is_quarantined_and_everything_else_goes_on(shell: Shell, zone: str) -> None:
    shell.make()
    (shell.root / "annealog.toml").write_text(f'time_zone = "{zone}"\n', encoding="utf-8")
    good = neutral_csv(Scenario().check("08:00").lot("09:00").check("10:00"))
    line = good.splitlines()[4]
    assert "part" in line
    bad = "".join(line.replace(line.partition(",")[0], text) + "\n" for text in POISON)
    document = shell.load(shell.put("1.csv", good + bad))
    assert shell.code == 3
    assert document["files"][0]["readings"] == 9
    assert document["files"][0]["quarantine_reasons"] == {"date_out_of_range": 4}
    for words in (
        ("status",),
        ("render", "--direct"),
        ("lot", "L1"),
        ("meter", "M1"),
        ("snapshot",),
        ("watch", "--once", "--direct"),
        ("verify",),
    ):
        shell(*words)
        assert shell.code in (0, 3, 4), (words, shell.out, shell.err)
    assert shell.json("lot", "L1")["verdict"] == "accept"


def _loaded_in_tokyo(root: Path) -> None:
    shell = silent_shell(root).make()
    (root / "annealog.toml").write_text('time_zone = "Asia/Tokyo"\n', encoding="utf-8")
    path = shell.put("1.csv", Scenario().check("08:00").lot("09:00").check("10:00"))
    shell("load", "--direct", str(path), "--workspace", str(root))
    assert shell.code == 0


@pytest.mark.parametrize("table", ["meters", "blocks"])
@pytest.mark.parametrize("text", ["9999-12-31", "0001-01-01", "1899-12-31", "2201-01-02", "0001-01-01T00:00:00+14:00"])
def test_a_row_of_such_a_date_is_refused_by_place(shell: Shell, table: str, text: str) -> None:
    shell.become(made_once(_loaded_in_tokyo, _loaded_in_tokyo))
    path = shell.root / "reference" / f"{table}.csv"
    head, *rows = path.read_text(encoding="utf-8").splitlines()
    for column in ("due_on", "valid_from"):
        path.write_text(
            "\n".join([f"{head},{column}", f"{rows[0]},{text}", *(f"{row}," for row in rows[1:])]) + "\n",
            encoding="utf-8",
        )
        for words in (("config", "check"), ("load", "--direct", "inbox"), ("watch", "--once", "--direct")):
            shell(*words)
            assert shell.code == 2, (words, shell.out, shell.err)
            assert f"reference/{table}.csv, line 2, column {column}" in shell.err
            assert "the years 1900 to 2200" in shell.err
    path.write_text(
        "\n".join([f"{head},due_on", f"{rows[0]},2200-12-30", *(f"{row}," for row in rows[1:])]) + "\n",
        encoding="utf-8",
    )
    shell("load", "--direct", "inbox")
    assert shell.code == 0, shell.err


def test_words_of_the_command_line(shell: Shell) -> None:
    shell.make()
    shell.load(shell.put("1.csv", Scenario().check("08:00").lot("09:00").check("10:00")))
    why = ("--by", "Ada", "--why", "tried")
    for words in (
        ("review", "9999-12"), ("review", "0000-01"), ("review", "1899-12"), ("review", "2201-01"), ("review", "٢٠٢٦-٠٣"),
        ("lot", "L1", "--as-of", "9999-12-31"), ("status", "--as-of", "0001-01-01"), ("lot", "L1", "--as-of", "20260302"),
        ("lot", "L1", "--as-of", "2026-W10-1"), ("trace", "--meter", "M1", "--since", "2201-01-01"),
        ("record", "adjustment", "--meter", "M1", "--at", "9999-12-31T23:59:59", *why),
        ("record", "adjustment", "--meter", "M1", "--at", "2026-03-02", *why),
        ("record", "baseline", "--meter", "M1", "--block", "B1", "--to", "9999-12-31", *why),
        ("export", "pack.zip", "--from", "0001-01-01"),
    ):  # fmt: skip
        shell(*words)
        assert shell.code == 2, (words, shell.out, shell.err)
        assert "internal" not in shell.err
    for words in (
        ("review", "1900-01"),
        ("review", "2200-12"),
        ("status", "--as-of", "2200-12-30"),
        ("lot", "L1", "--as-of", "1900-01-02"),
    ):
        shell(*words, "--dry-run") if words[0] != "status" else shell(*words)
        assert "internal" not in shell.err
        assert shell.code in (0, 2, 4), (words, shell.err)


@pytest.mark.parametrize(
    "name",
    ["check_interval_hours", "check_gap_minutes", "review_due_days", "alert_silence_hours", "watch_settle_seconds"],
)
def test_a_setting_longer_than_a_century_is_refused(shell: Shell, name: str) -> None:
    shell.make()
    (shell.root / "annealog.toml").write_text(f"{name} = 1e12\n", encoding="utf-8")
    shell("config", "check")
    assert shell.code == 2
    assert name in shell.err
    assert "hundred years" in shell.err
