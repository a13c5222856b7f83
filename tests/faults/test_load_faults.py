"""Loads that are interrupted, killed or led astray: the history stays whole and the next load goes on."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

from scenario import Scenario

from pipeline.history.store import History

if TYPE_CHECKING:
    from workspace_files import Shell

KILLS = 4
FILES = 12


def start_load(root: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "pipeline", "load", "--direct", "inbox"],
        cwd=root,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[2])},
    )


def fill(shell: Shell) -> None:
    shell.make()
    for day in range(FILES):
        shell.put(f"{day:03}.csv", Scenario().check("08:00", day=day).lot("09:00", day=day).check("10:00", day=day))


def whole(shell: Shell) -> int:
    """Check that every file is fully in or fully out; return how many are in."""
    place = shell.root / "history" / "annealog.duckdb"
    if not place.exists():
        return 0
    with History.open(place, write=True) as history:
        sources, counts = history.sources(), history.table("reading")["source_id"].value_counts()
    assert sources["readings"].to_list() == [9] * sources.height
    assert counts["count"].to_list() == [9] * sources.height
    return sources.height


def test_killed_at_random_moments(shell: Shell) -> None:
    """`kill -9` of the command itself: each file is fully in or fully out, and the next load completes (faults, row 5).

    Two hundred kills, of forked processes, are in a file of their own.
    """
    fill(shell)
    chance = random.Random("kills")

    def archived() -> int:
        return sum(1 for _ in (shell.root / "archive").rglob("*/*"))

    day, cut_short = FILES, 0
    for _ in range(KILLS):
        for _ in range(FILES):
            shell.put(f"{day:03}.csv", Scenario().check("08:00", day=day).lot("09:00", day=day).check("10:00", day=day))
            day += 1
        at = archived() + chance.randint(1, FILES * 2 // 3)
        process = start_load(shell.root)
        while process.poll() is None and archived() < at:
            time.sleep(0.002)  # until it is at that file, however fast the machine is
        time.sleep(chance.uniform(0.0, 0.05))
        process.kill()
        process.communicate()
        cut_short += whole(shell) < day
    assert cut_short > KILLS // 2, "the kills did not hit loads under way, so this test shows nothing"
    shell("load", "--direct", "inbox")
    assert shell.code == 0, shell.err
    assert whole(shell) == day
    shell("verify")
    assert shell.code == 0, shell.out


def test_stopped_from_the_keyboard(shell: Shell) -> None:
    fill(shell)
    process = start_load(shell.root)
    place = shell.root / "history" / "annealog.duckdb"
    while not place.exists():
        time.sleep(0.01)
    time.sleep(0.3)
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=30)
    # it may have finished before the signal came
    if process.returncode == 130:
        assert "run the command again to go on" in err
    assert "Traceback" not in err
    whole(shell)
    shell("load", "--direct", "inbox")
    assert (shell.code, whole(shell)) == (0, FILES)


def test_links_inside_folders_are_not_followed(shell: Shell, tmp_path: Path) -> None:
    shell.make()
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "secret.csv").write_text("x\n", encoding="utf-8")
    (shell.root / "inbox" / "link.csv").symlink_to(outside / "secret.csv")
    (shell.root / "inbox" / "folder").symlink_to(outside, target_is_directory=True)
    shell.put("a.csv", Scenario().check("08:00"))
    shell.put("copying.csv.part", "unfinished")
    report = shell.json("load", "--direct", "inbox")
    assert [f["name"] for f in report["files"]] == ["inbox/a.csv"]
    assert sorted(line.split(":")[0] for line in report["passed_over"]) == ["inbox/folder", "inbox/link.csv"]


def test_odd_names_are_read_as_they_stand(shell: Shell) -> None:
    """Exactly the named file is read; nothing in a name acts as a pattern or a column (faults, row 28)."""
    shell.make()
    names = ["lot[1].csv", "a*.csv", "-rf.csv", "x;drop table reading.csv", "lot=A12/b.csv", "lot1.csv", "ä ö.csv"]
    for day, name in enumerate(names):
        shell.put(name, Scenario().check("08:00", day=day))
    report = shell.json("load", "--direct", "inbox")
    assert sorted(f["name"] for f in report["files"]) == sorted(f"inbox/{name}" for name in names)
    assert [f["readings"] for f in report["files"]] == [3] * len(names)
    report = shell.json("load", "--direct", "inbox/lot[1].csv")
    assert report["files"][0]["status"] == "already_loaded"
    with History.open(shell.root / "history" / "annealog.duckdb") as history:
        assert history.readings()["lot"].null_count() == 3 * len(names)


def test_a_file_over_the_cap_is_refused_before_it_is_read(shell: Shell) -> None:
    shell.make()
    (shell.root / "annealog.toml").write_text("size_cap_mb = 1\n", encoding="utf-8")
    with (shell.root / "inbox" / "huge.csv").open("wb") as file:
        file.truncate(2_000_000_000)
    shell("load", "--direct", "inbox/huge.csv")
    assert shell.code == 2
    assert "size_cap_mb" in shell.err


def test_the_archive_holds_the_bytes_that_were_parsed(shell: Shell) -> None:
    shell.make()
    path = shell.put("a.csv", Scenario().check("08:00"))
    kept = path.read_bytes()
    report = shell.load(path)
    path.write_text("something else now\n", encoding="utf-8")
    digest = report["files"][0]["sha256"]
    assert (shell.root / "archive" / digest[:2] / digest).read_bytes() == kept
    shell("verify")
    assert shell.code == 0
