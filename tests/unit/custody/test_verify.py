"""What `verify` says of a damage: which event, which file, how many lines, and nothing of what was left alone."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import duckdb
import pytest
from scenario import Scenario
from workspace_files import full_workspace, neutral_csv

from pipeline.custody import verify as module
from pipeline.custody.verify import NOT_LOOKED_AT, verify
from pipeline.history.content import content_hash
from pipeline.history.journal import Journal
from pipeline.history.store import History
from pipeline.load.load import load
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pipeline.custody.verify import VerifyReport


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return full_workspace(tmp_path_factory.mktemp("whole"))


@pytest.fixture(scope="module")
def kept(whole: Path) -> dict[Path, bytes]:
    """Everything that a test may change, to be put back after it."""
    return {
        path: path.read_bytes()
        for name in ("history", "archive")
        for path in (whole / name).rglob("*")
        if path.is_file()
    }


@pytest.fixture
def root(whole: Path, kept: dict[Path, bytes]) -> Iterator[Path]:
    yield whole
    for name in ("history", "archive"):
        for path in (whole / name).rglob("*"):
            if path.is_file() and path not in kept:
                path.unlink()
    for path, data in kept.items():
        path.write_bytes(data)


def change(root: Path, *statements: str) -> Path:
    with duckdb.connect(str(root / "history/annealog.duckdb")) as connection:
        for statement in statements:
            connection.execute(statement)
    return root


def verified(root: Path) -> VerifyReport:
    return verify(find_workspace(root))


def found(root: Path) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((root / "history/findings.json").read_text(encoding="utf-8"))
    return loaded


def lines(root: Path) -> list[bytes]:
    return (root / "history/journal.jsonl").read_bytes().splitlines(keepends=True)


def test_where_all_agrees_it_counts_what_it_looked_at(root: Path) -> None:
    with History.open(root / "history/annealog.duckdb", snapshot=False) as history:
        counts, events, content = history.counts(), history.event_rows(), content_hash(history)
    report = verified(root)
    assert (report.problems, report.content, report.chain_head) == ((), content, events["hash"][-1])
    assert (report.files, report.events) == (counts["source_file"], events.height)
    assert (report.readings, report.quarantined) == (counts["reading"], counts["quarantine"])
    assert len(report.notes) == len(NOT_LOOKED_AT) + 2  # what lies beside, and that kept answers were a sample
    said = ["Not looked at", "Not looked at beside the history", "Of the answers that are kept, those on 20 lots"]
    assert [note.partition(":")[0].partition(" and 20 meters")[0] for note in report.notes] == said
    assert not (root / "history/findings.json").exists()
    assert Journal(root / "history/annealog.duckdb").last_verified() is None  # nothing to take back


@pytest.mark.parametrize(("column", "value"), [
    ("why", "'x'"), ("by", "'x'"), ("kind", "'note'"), ("at", '"at" + INTERVAL 1 SECOND'), ("hash", "'0'"), ("previous_hash", "'0'"),
    ("subject", "subject || ' '"),
])  # fmt: skip
def test_an_event_that_was_changed_is_named_and_the_journal_with_it(root: Path, column: str, value: str) -> None:
    report = verified(change(root, f'UPDATE event SET "{column}" = {value} WHERE "sequence" = 3'))
    said = [
        re.sub(r" \(.*?\)| and its journal.*", "", problem)
        for problem in report.problems
        if problem.startswith("Event")
    ]
    wanted = ["Event 3 was changed, or one before it is missing.", "Event 3 differs between the history"]
    if column == "hash":  # the one after it says so too
        wanted[1:1] = ["Event 4 was changed, or one before it is missing."]
    assert said == wanted
    assert set(found(root)["everything"]) >= {problem for problem in report.problems if problem.startswith("Event")}


def test_an_event_that_is_gone_is_missed_by_the_one_after_it(root: Path) -> None:
    report = verified(change(root, 'DELETE FROM event WHERE "sequence" = 3'))
    named = [int(number) for problem in report.problems for number in re.findall(r"^Event (\d+) \(", problem)]
    assert named[0] == 4


@pytest.mark.parametrize(("earlier", "said"), [(timedelta(0), False), (timedelta(microseconds=1), True)])
def test_a_clock_that_was_set_back_is_a_note_and_no_problem(root: Path, earlier: timedelta, said: bool) -> None:
    with History.open(root / "history/annealog.duckdb", write=True) as history, history.transaction():
        history.append_event("note", {}, by="Ada", why="x", at=datetime.now(UTC))
        history.append_event("note", {}, by="Ada", why="x", at=history.events()[-1].at - earlier)
    report = verified(root)
    assert report.problems == ()
    assert [note for note in report.notes if "clock was set back" in note] == [
        f"Event {report.events} is dated before event {report.events - 1}: the clock was set back."
    ] * said


def test_a_reading_is_named_by_its_file_with_what_differs_and_where(root: Path) -> None:
    report = verified(
        change(root, "UPDATE reading SET value = value + 1, remark = 'x' WHERE source_id = 1 AND line = 3")
    )
    (problem,) = report.problems
    assert problem.startswith("inbox/00.csv: 1 stored line differs")
    assert "value, remark (line 3)" in problem or "remark, value (line 3)" in problem
    with History.open(root / "history/annealog.duckdb", snapshot=False) as history:
        sha = dict(history.sources().select("name", "sha256").iter_rows())["inbox/00.csv"]
    assert found(root) == {"files": {sha: problem}, "everything": []}
    # the chain vouches for what was found
    digest = Journal(root / "history/annealog.duckdb").last_verified()
    assert digest is not None
    assert digest["findings"]


@pytest.mark.parametrize(("table", "kind"), [("reading", "stored"), ("quarantine", "refused")])
@pytest.mark.parametrize(
    "what", ["is missing in the history", "stands in the history alone", "stands there more than once"]
)
def test_rows_too_few_or_too_many_are_told_apart(root: Path, table: str, kind: str, what: str) -> None:
    first = f"(SELECT min(rowid) FROM {table})"
    new = "9999 AS line" if table == "reading" else "9999 AS line, 777 AS quarantine_id"
    statement = {
        "is missing in the history": f"DELETE FROM {table} WHERE rowid = {first}",
        "stands in the history alone": f"INSERT INTO {table} SELECT * REPLACE ({new}) FROM {table} WHERE rowid = {first}",
        "stands there more than once": f"INSERT INTO {table} SELECT * FROM {table} WHERE rowid = {first}",
    }[what]
    (problem,) = verified(change(root, statement)).problems
    assert f": 1 {kind} line differs" in problem
    assert what in problem
    assert all(other not in problem for other in ("missing", "alone", "more than once") if other not in what)


@pytest.mark.parametrize(("count", "shown"), [(5, "(line 2, 3, 4, 5, 6)"), (6, "(line 2, 3, 4, 5, 6 ...)")])
def test_the_first_five_lines_are_shown(root: Path, count: int, shown: str) -> None:
    with duckdb.connect(str(root / "history/annealog.duckdb")) as connection:
        (number,) = connection.execute("SELECT source_id FROM source_file WHERE name = 'inbox/40.csv'").fetchone() or (
            0,
        )
    report = verified(
        change(root, f"UPDATE reading SET value = value + 1 WHERE source_id = {number} AND line < {2 + count}")
    )
    (problem,) = report.problems
    assert problem.startswith(f"inbox/40.csv: {count} stored lines")
    assert shown in problem


@pytest.mark.parametrize("at_once", [1, 2, 3, 5, 200])
def test_every_piece_of_a_long_record_is_compared(root: Path, monkeypatch: pytest.MonkeyPatch, at_once: int) -> None:
    monkeypatch.setattr(module, "_FILES_AT_ONCE", at_once)
    monkeypatch.setattr(module, "_ENTRIES_AT_ONCE", at_once)
    assert verified(root).problems == ()
    change(root, "UPDATE reading SET value = value + 1 WHERE line = 2")
    made = "INSERT INTO reading SELECT * REPLACE ({} AS source_id) FROM reading WHERE source_id = 1 AND line = 3"
    change(root, *(made.format(number) for number in (-3, 99)))
    problems = verified(root).problems
    assert sorted(problem.partition(":")[0] for problem in problems) == [
        "file number -3, which the ledger does not know", "file number 99, which the ledger does not know",
        *(f"inbox/{name}.csv" for name in ("00", "01", "02", "40", "41")),
    ]  # fmt: skip
    assert all("1 stored line " in problem for problem in problems)
    assert len(found(root)["everything"]) == 2


def test_what_tells_of_no_file_is_named_by_what_it_is(root: Path) -> None:
    change(root, 'UPDATE baseline SET centre = centre + 1 WHERE "sequence" = (SELECT min("sequence") FROM baseline)',
           "UPDATE reference_text SET content = content || ' ' WHERE name = 'lots'", "UPDATE held_file SET size = size + 1")  # fmt: skip
    problems = verified(root).problems
    assert [problem.rpartition(": ")[2] for problem in problems if "limits of control of M1 on B1" in problem] == [
        "centre."
    ]
    assert [problem.rpartition(": ")[2] for problem in problems if "reference table lots" in problem] == ["content."]
    assert [
        problem.rpartition(": ")[2] for problem in problems if problem.startswith("inbox/42.csv: what is said")
    ] == ["size."]
    assert len(problems) == 3
    assert found(root) == {"files": {}, "everything": list(problems)}


@pytest.mark.parametrize("table", ["baseline", "reference_text", "held_file"])
@pytest.mark.parametrize("more", [True, False])
def test_a_row_of_no_file_that_is_gone_or_made_up_has_its_name_too(root: Path, table: str, more: bool) -> None:
    key = {"baseline": "sequence", "reference_text": "sequence", "held_file": "sha256"}[table]
    new = "'made up'" if key == "sha256" else "999"
    change(root, f'INSERT INTO {table} SELECT * REPLACE ({new} AS "{key}") FROM {table} LIMIT 1' if more
           else f"DELETE FROM {table} WHERE rowid = (SELECT min(rowid) FROM {table})")  # fmt: skip
    (problem,) = verified(root).problems
    assert problem.endswith(": stands in the history alone." if more else ": is missing in the history.")
    assert "None" not in problem


def test_a_row_of_the_ledger_is_named_as_such(root: Path) -> None:
    (problem,) = verified(change(root, "UPDATE source_file SET warnings = '[1]' WHERE source_id = 2")).problems
    assert problem.startswith("inbox/01.csv: its row of the ledger differs")
    assert problem.endswith(": warnings.")


@pytest.mark.parametrize("left", [0, 1, 3])
def test_without_the_end_of_the_journal_what_it_tells_of_is_compared_and_no_more(root: Path, left: int) -> None:
    (root / "history/journal.jsonl").write_bytes(b"".join(lines(root)[:left]))
    (problem,) = verified(root).problems
    assert (f"ends with event {left}, " if left else "holds no event, ") in problem
    # nobody vouches for what was found where the journal does not go to the end
    assert Journal(root / "history/annealog.duckdb").last_verified() is None
    change(root, "UPDATE reading SET value = value + 1 WHERE source_id = 1 AND line = 2")
    assert len(verified(root).problems) == 1 + (left > 2)


def test_a_journal_that_goes_on_is_told_and_notes_alone_are_not(root: Path) -> None:
    Journal(root / "history/annealog.duckdb").note("kept", {"page": "x"})
    Journal(root / "history/annealog.duckdb").note("verified", {"findings": ""})
    assert verified(root).problems == ()  # two notes beyond the chain
    with History.open(root / "history/annealog.duckdb", write=True) as history, history.transaction():
        history.append_event("note", {}, by="Ada", why="x", at=datetime.now(UTC))
    (last,) = (json.loads(line)["sequence"] for line in lines(root)[-1:])
    change(root, f'DELETE FROM event WHERE "sequence" = {last}')
    (problem,) = verified(root).problems
    assert problem == f"The journal goes on to event {last}, the history ends with {last - 1}."


def test_an_event_that_the_journal_tells_otherwise_is_named(root: Path) -> None:
    told = lines(root)
    entry = json.loads(told[1])
    told[1] = json.dumps({**entry, "why": entry["why"] + "x"}).encode() + b"\n"
    (root / "history/journal.jsonl").write_bytes(b"".join(told))
    (problem,) = verified(root).problems
    assert problem.startswith("Event 2 differs between the history and its journal")


@pytest.mark.parametrize("entry", [b"[]\n", b"null\n", b'{"sequence": 2}\n', b"{\n"])
def test_a_line_of_the_journal_that_says_nothing_is_named_by_its_number(root: Path, entry: bytes) -> None:
    (root / "history/journal.jsonl").write_bytes(b"".join([*lines(root)[:1], entry, *lines(root)[2:]]))
    problems = verified(root).problems
    assert any(problem.startswith("Line 2 of ") for problem in problems)
    assert all("stands in the history alone" not in problem for problem in problems)


def test_a_text_that_is_gone_stops_what_rests_on_it(root: Path) -> None:
    first = json.loads(lines(root)[0])
    (digest, *_) = json.loads(first["subject"])["changed"].values()
    (root / "history/texts" / digest).unlink()
    problems = verified(root).problems
    assert any("Nothing after event 1 was compared." in problem for problem in problems)
    assert [problem for problem in problems if "stored line" in problem] == []


def test_a_raw_file_that_is_gone_is_a_finding_of_that_file_alone(root: Path) -> None:
    with History.open(root / "history/annealog.duckdb", snapshot=False) as history:
        sha = dict(history.sources().select("name", "sha256").iter_rows())["inbox/01.csv"]
    (root / "archive" / sha[:2] / sha).unlink()
    (problem,) = verified(root).problems
    assert problem.startswith("inbox/01.csv: the raw file")
    assert found(root) == {"files": {sha: problem}, "everything": []}


@pytest.mark.parametrize(
    "statement", ["reading SET value = value + 1 WHERE source_id = 1 AND line = 2", "held_file SET size = size + 1"]
)
def test_what_follows_from_a_record_in_doubt_is_not_computed_again(
    root: Path, monkeypatch: pytest.MonkeyPatch, statement: str
) -> None:
    """Whether a file is in doubt or what concerns everything."""
    monkeypatch.setattr(module, "verify_computed", lambda *_, **__: ["computed again"])
    assert verified(root).problems == ("computed again",)
    (problem,) = verified(change(root, f"UPDATE {statement}")).problems
    assert problem != "computed again"


def test_verdicts_that_nobody_gave_are_told(root: Path) -> None:
    for statement in ("UPDATE verdict_given SET verdict = 'reject'", "DELETE FROM verdict_given"):
        (problem,) = verified(change(root, statement)).problems
        assert "verdicts given last" in problem


def test_verdicts_without_any_event_that_gave_them_are_told(tmp_path: Path) -> None:
    with History.open(tmp_path / "history/annealog.duckdb", write=True):
        pass
    (tmp_path / "annealog.toml").write_text("", encoding="utf-8")
    assert verified(tmp_path).problems == ()
    change(tmp_path, "INSERT INTO verdict_given VALUES ('L1', 'accept', 'supported', TIMESTAMP '2026-03-02')")
    (problem,) = verified(tmp_path).problems
    assert "verdicts given last" in problem


def test_what_is_mended_is_found_whole_again(root: Path) -> None:
    verified(change(root, "UPDATE reading SET value = value + 1 WHERE source_id = 1 AND line = 2"))
    assert found(root)["files"]
    change(root, "UPDATE reading SET value = value - 1 WHERE source_id = 1 AND line = 2")
    assert verified(root).problems == ()
    assert not (root / "history/findings.json").exists()
    later = root / "inbox/50.csv"
    later.write_text(neutral_csv(Scenario().check("08:00", day=9)), encoding="utf-8")
    assert [report.status for report in load(find_workspace(root), [later]).files] == ["loaded"]
    assert verified(root).problems == ()
