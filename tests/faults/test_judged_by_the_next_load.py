"""What was stored and not judged, or found and not kept because somebody had the results, is made up by the next load."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from kept_beside import given, next_load, same, two_days
from watching import day

from pipeline.errors import HistoryBusy
from pipeline.history.found import FoundStore, found_path, hash_of_found
from pipeline.history.store import History
from pipeline.judge.assess import assess
from pipeline.judge.carry_on import carried_on, vouched
from pipeline.load.load import load, load_files
from pipeline.load.take_over import take_over_reference
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from workspace_files import Shell

    from pipeline.workspace.settings import Workspace


@pytest.fixture
def place(shell: Shell) -> Workspace:
    return two_days(shell)


def test_results_that_somebody_writes_are_not_waited_for(place: Workspace) -> None:
    writes = "import duckdb, sys; file = duckdb.connect(sys.argv[1]); print('has it', flush=True); sys.stdin.read()"
    with (
        subprocess.Popen(
            [sys.executable, "-c", writes, str(found_path(place.history))],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        ) as other,
        History.open(place.history) as history,
    ):
        assert other.stdout is not None
        assert other.stdout.readline()
        assert carried_on(history, place.settings) is None
        other.communicate()


READS = "import duckdb, sys; file = duckdb.connect(sys.argv[1], read_only=True); print('has it', flush=True); sys.stdin.read()"


def test_results_that_somebody_reads_for_long_keep_no_verdict_back(place: Workspace, shell: Shell) -> None:
    (shell.root / "annealog.toml").write_text("busy_wait_seconds = 0.2\n", encoding="utf-8")
    place = find_workspace(shell.root)
    load(place, [])
    with subprocess.Popen(
        [sys.executable, "-c", READS, str(found_path(place.history))], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline()
        before = hash_of_found(place.history)
        report = load(place, [shell.put("3.csv", day(3).lot("09:30", 56.0, 56.1, 56.2, lot="L3", day=3))])
        other.communicate()
    assert "L3" in report.lots
    with History.open(place.history) as history:
        assert "L3" in given(history)
        assert vouched(history) == hash_of_found(place.history) == before, "what is found is kept the next time"
    handed, anew = next_load(place, shell)
    assert handed.kept is not None
    assert "L3" in handed.kept.judged
    assert same(handed, anew)


def test_results_that_this_process_reads_are_neither_taken_away_nor_waited_for_in_vain(
    place: Workspace, shell: Shell
) -> None:
    """One process opens a file to read or to write; that it cannot do both is no damage."""
    (shell.root / "annealog.toml").write_text("busy_wait_seconds = 0.2\n", encoding="utf-8")
    place = find_workspace(shell.root)
    load(place, [])
    before = hash_of_found(place.history)
    with FoundStore.open(place.history) as reader:
        assert reader is not None
        load(place, [shell.put("3.csv", day(3).lot("09:30", 56.0, 56.1, 56.2, lot="L3", day=3))])
        assert found_path(place.history).exists()
        assert reader.read("lots", columns=["lot"])["lot"].to_list() == ["L1", "L2"]
    with History.open(place.history, snapshot=False) as history:
        assert "L3" in given(history)
        assert vouched(history) == hash_of_found(place.history) == before
        with pytest.raises(HistoryBusy, match="another part of this process"):
            History.open(place.history, write=True, wait_s=0.1)


def chain(place: Workspace) -> list[str]:
    with History.open(place.history) as history:
        return [event.kind for event in history.events()]


@pytest.mark.parametrize("files", [0, 1])
def test_what_was_stored_and_not_judged_is_judged_by_the_next_load(place: Workspace, shell: Shell, files: int) -> None:
    load_files(place, [shell.put("3.csv", day(3).lot("09:30", 56.0, 56.1, 56.2, lot="L3", day=3))])
    with History.open(place.history) as history:
        assert "L3" not in given(history)
    report = load(place, [shell.root / "inbox" / "3.csv"][:files])
    assert [file.status for file in report.files] == ["already_loaded"][:files]
    assert report.lots.keys() == {"L1", "L3"}
    with History.open(place.history) as history:
        assert (
            given(history)["L3"] == report.lots["L3"] == assess(history, place.settings, as_of=None).lots["L3"].verdict
        )
    before = chain(place)
    assert before[-1] == "verdicts"
    assert load(place, []).lots == {}
    assert chain(place) == before, "nothing is left to be said"


def test_a_table_that_was_taken_over_alone_is_judged_by_the_next_load(place: Workspace, shell: Shell) -> None:
    table = shell.root / "reference" / "lots.csv"
    text = table.read_text(encoding="utf-8").replace("L2,bar", "L2,rod")
    assert text != table.read_text(encoding="utf-8")
    table.write_text(text, encoding="utf-8")
    take_over_reference(place, now=datetime.now(UTC), accept=True, by="A. Ranta", why="rod")
    before = chain(place)
    assert before[-1] == "reference"
    load(place, [])
    assert chain(place) == [*before, "verdicts"]


def test_a_later_moment_and_a_withheld_verdict_are_said_once(place: Workspace, shell: Shell) -> None:
    """Where nothing is kept, too, nothing is judged again and again."""
    load_files(place, [shell.put("3.csv", day(3))])
    with History.open(place.history) as history:
        last = history.last_measured_at()
    assert last is not None
    load(place, [], as_of=last + timedelta(days=1))
    before = chain(place)
    assert before[-1] == "verdicts"
    load(place, [], as_of=last + timedelta(days=1))
    assert chain(place) == before
