"""Each look of `verify` by itself, on a few rows: just what differs is said, of what, and nothing where all agrees."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import polars as pl
import pytest

from pipeline.custody import verify as module
from pipeline.errors import AnnealogError, EnvironmentProblem, IntegrityProblem
from pipeline.history.chain import GENESIS_HASH, event_hash
from pipeline.history.content import table_hash

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
COLUMNS = ("sequence", "at", "kind", "subject", "by", "why", "previous_hash", "hash")


def chain(*events: tuple[str, Any, str], at: list[datetime] | None = None) -> pl.DataFrame:
    """Return the rows of some events (kind, subject, by), an hour apart, each with its hash."""
    rows, head = [], GENESIS_HASH
    for number, (kind, subject, by) in enumerate(events, start=1):
        moment = START + timedelta(hours=number) if at is None else at[number - 1]
        text = subject if isinstance(subject, str) else json.dumps(subject)
        row = (number, moment, kind, text, by, "why", head)
        head = event_hash(*row)
        rows.append((*row, head))
    return pl.DataFrame(rows, schema=COLUMNS, orient="row")


THREE = [("load", {"n": n}, "load") for n in range(3)]


# -- the chain -----------------------------------------------------------------------------------------------------


def test_a_whole_chain_says_nothing_and_ends_with_its_last_hash() -> None:
    found, rows = module._Found(), chain(*THREE)
    assert module._verify_chain(rows, found) == rows["hash"][-1]
    assert (found.everything, found.notes, found.files) == ([], [], {})
    assert module._verify_chain(rows[:0], found) == GENESIS_HASH


@pytest.mark.parametrize(
    ("column", "value", "named"),
    [("sequence", 7, [7]), ("subject", "{}", [2]), ("by", "Eve", [2]), ("hash", "0", [2, 3]), ("previous_hash", "0", [2])],
)  # fmt: skip
def test_a_changed_event_is_named_and_so_is_the_one_that_hangs_on_it(column: str, value: Any, named: list[int]) -> None:
    rows, found = chain(*THREE), module._Found()
    changed = rows.with_columns(
        pl.when(pl.col("sequence") == 2).then(pl.lit(value)).otherwise(pl.col(column)).alias(column)
    )
    module._verify_chain(changed, found)
    assert found.everything == [f"Event {n} (load) was changed, or one before it is missing." for n in named]


def test_an_event_with_a_right_hash_and_a_wrong_number_is_named() -> None:
    first, last = chain(*THREE[:1]), chain(*THREE)
    row = (3, START, "load", "{}", "load", "why", first["hash"][0])
    skipped = pl.DataFrame([(*row, event_hash(*row))], schema=COLUMNS, orient="row")
    found = module._Found()
    module._verify_chain(pl.concat([first, skipped]), found)
    assert found.everything == ["Event 3 (load) was changed, or one before it is missing."]
    assert last.height == 3


@pytest.mark.parametrize(("seconds", "said"), [(0, False), (1, False), (-1, True)])
def test_a_clock_that_went_back_is_noted_from_the_first_moment_before_the_last(seconds: int, said: bool) -> None:
    found = module._Found()
    module._verify_chain(chain(*THREE[:2], at=[START, START + timedelta(seconds=seconds)]), found)
    assert found.everything == []
    assert found.notes == ["Event 2 is dated before event 1: the clock was set back."] * said


# -- signatures ----------------------------------------------------------------------------------------------------


def account(name: str = "Cia Ek", role: str = "technician", **more: Any) -> tuple[str, Any, str]:
    return "account", {"name": name, "role": role, "open": True, "password": "scrypt$15$00$00"} | more, "Eve"


def signed(by: str = "Cia Ek", **more: Any) -> tuple[str, Any, str]:
    return "action", {"signed": {"account": "Cia Ek", "role": "technician", "from": "10.0.0.7"} | more}, by


def signatures(*events: tuple[str, Any, str]) -> tuple[list[str], list[str]]:
    found = module._Found()
    module._verify_signatures(chain(*events), found)
    return found.everything, found.notes


NO_ACCOUNT = "Event {} (action) is signed by {} as {}, who had no such account then."


@pytest.mark.parametrize(
    ("events", "said"),
    [
        ([account(), signed()], []),
        ([signed(), account()], [NO_ACCOUNT.format(1, "Cia Ek", "technician")]),
        ([account(role="metrologist"), signed()], [NO_ACCOUNT.format(2, "Cia Ek", "technician")]),
        ([account(open=False), signed()], [NO_ACCOUNT.format(2, "Cia Ek", "technician")]),
        ([account(), account(open=False), signed()], [NO_ACCOUNT.format(3, "Cia Ek", "technician")]),
        ([account(open=False), account(), signed()], []),
        ([account(), signed(), account(open=False)], []),
        ([account(), signed(by="Ben")], [NO_ACCOUNT.format(2, "Cia Ek", "technician")]),
        ([account(), signed(by="cia ek", account="cia ek")], [NO_ACCOUNT.format(2, "cia ek", "technician")]),
        ([account("Ben"), signed()], [NO_ACCOUNT.format(2, "Cia Ek", "technician")]),
        ([account(), ("action", {"note": 'he "signed"'}, "Ben")], []),
        ([account(), ("action", {"signed": None}, "Ben")], []),
    ],
)
def test_a_signature_needs_the_open_account_of_that_name_and_role_at_that_time(
    events: list[Any], said: list[str]
) -> None:
    assert signatures(*events)[0] == said


@pytest.mark.parametrize(
    "event",
    [
        ("action", {"signed": {"account": "Cia Ek", "role": "technician"}}, "Cia Ek"), ("action", {"signed": "x"}, "x"),
        ("action", '["signed"]', "x"), ("action", '{"signed"', "x"), ("action", {"signed": {"account": 3, "role": "r", "from": "f"}}, "x"),
        ("account", {"name": "x"}, "Eve"), ("account", "null", "Eve"),
    ],
)  # fmt: skip
def test_what_is_no_signature_and_what_states_no_account_is_named_and_the_rest_is_looked_at(event: Any) -> None:
    said, notes = signatures(account(), event, signed())
    assert said == [f"Event 2 ({event[0]}) states no account, or a signature that is none."]
    assert notes == ["Signed by Cia Ek, technician, from 10.0.0.7: 1 event."]


def test_who_signed_from_where_is_counted_in_order_of_name() -> None:
    ben = ("Ben", {"account": "Ben", "role": "metrologist", "from": "10.0.0.8"})
    given = ("account", {"name": "Dan", "role": "reader", "open": True, "password": "p", "signed": ben[1]}, "Ben")
    events = [
        account("Ben", "metrologist"),
        account(),
        signed(),
        ("action", {"signed": ben[1]}, "Ben"),
        signed(),
        given,
    ]
    said, notes = signatures(*events)
    assert said == []
    assert notes == [
        "Signed by Ben, metrologist, from 10.0.0.8: 2 events.",
        "Signed by Cia Ek, technician, from 10.0.0.7: 2 events.",
    ]
    said, notes = signatures(account(), signed(), signed(**{"from": "10.0.0.9"}))
    assert notes == [f"Signed by Cia Ek, technician, from 10.0.0.{n}: 1 event." for n in (7, 9)]


# -- tables --------------------------------------------------------------------------------------------------------

KEYS = ["id", "line"]


def table(*rows: tuple[int, int, float | None, str | None]) -> pl.DataFrame:
    schema = {"id": pl.Int64, "line": pl.Int64, "value": pl.Float64, "remark": pl.String}
    return pl.DataFrame(rows, schema=schema, orient="row")


WHOLE = [(1, 1, 5.0, None), (1, 2, 6.0, "a"), (2, 1, 7.0, None)]


@pytest.mark.parametrize(
    ("stored", "said"),
    [
        (WHOLE, []),
        (WHOLE[:2], [(2, 1, "is missing in the history")]),
        ([*WHOLE, (2, 2, 1.0, None)], [(2, 2, "stands in the history alone")]),
        ([*WHOLE, WHOLE[1]], [(1, 2, "stands there more than once")] * 2),
        ([WHOLE[0], (1, 2, 6.5, "a"), WHOLE[2]], [(1, 2, "value")]),
        ([WHOLE[0], (1, 2, None, "a"), WHOLE[2]], [(1, 2, "value")]),
        ([(1, 1, 5.0, "x"), WHOLE[1], WHOLE[2]], [(1, 1, "remark")]),
        ([(1, 1, 5.5, "x"), WHOLE[1], (2, 1, 7.0, "y")], [(1, 1, "value, remark"), (2, 1, "remark")]),
        ([], [(*row[:2], "is missing in the history") for row in WHOLE]),
    ],
)
def test_rows_are_set_beside_one_another_by_their_keys(stored: list[Any], said: list[Any]) -> None:
    found = module._differences(table(*stored).sort(KEYS), table(*WHOLE), KEYS)
    assert found.select("id", "line", "what").rows() == said


@pytest.mark.parametrize(("count", "lines"), [(1, "1"), (2, "1, 2"), (5, "1, 2, 3, 4, 5"), (6, "1, 2, 3, 4, 5 ...")])
def test_of_a_file_lines_are_counted_once_and_the_first_five_named(count: int, lines: str) -> None:
    rows = pl.DataFrame({"line": [*range(count, 0, -1), 1], "what": ["value, unit", *["value"] * count]})
    which = {"reading": "stored", "quarantine": "refused"}
    for name, kind in which.items():
        counted = f"1 {kind} line differs" if count == 1 else f"{count} {kind} lines differ"
        wanted = f"{counted} from the archived file and the journal: value, unit (line {lines})"
        assert module._of_file(name, rows) == wanted
    assert module._of_file("source_file", rows.drop("line")) == (
        "its row of the ledger differs from the archived file and the journal: value, unit"
    )


@pytest.mark.parametrize(("here", "there"), [("M1", None), (None, "M1"), ("M1", "M9")])
def test_what_tells_of_no_file_bears_its_name_from_whichever_side_has_it(here: str | None, there: str | None) -> None:
    row = {"meter": here, "meter_made": there, "block": here, "block_made": there, "name": here, "name_made": there}
    assert module._named("baseline", row) == (
        "The limits of control of M1 on M1 in the history differ from those that were recorded"
    )
    assert module._named("held_file", row) == (
        "M1: what is said of this file, which is held, is not what was said when it was looked at"
    )
    assert module._named("reference_text", row) == (
        "The text of reference table M1 in the history is not the one that was taken over"
    )


class Books:
    """A history of a few rows: a ledger of files, their readings, and empty tables."""

    def __init__(self, *readings: tuple[int, int, float], names: dict[int, str], held: tuple[str, ...] = ()) -> None:
        self.readings = pl.DataFrame(
            readings, schema={"source_id": pl.Int64, "line": pl.Int64, "value": pl.Float64}, orient="row"
        ).with_columns(replicate=pl.lit(1, pl.Int64))
        self.names, self.held, self.asked = names, held, list[Any]()

    def sources(self) -> pl.DataFrame:
        rows = [(number, name, f"sha-{number}") for number, name in self.names.items()]
        return pl.DataFrame(rows, schema={"source_id": pl.Int64, "name": pl.String, "sha256": pl.String}, orient="row")

    def last_source_id(self) -> int:
        return max(self.names, default=0)

    def table(self, name: str, *, after: int = -(2**40), to: int | None = None) -> pl.DataFrame:
        if name == "reading":
            self.asked.append((after, to))
            inside = (pl.col("source_id") > after) & (pl.lit(to is None) | (pl.col("source_id") <= (to or 0)))
            return self.readings.filter(inside)
        if name == "held_file":
            rows = [(name, f"sha of {name}", 1) for name in self.held]
            return pl.DataFrame(rows, schema={"name": pl.String, "sha256": pl.String, "size": pl.Int64}, orient="row")
        schema = {"source_file": ["source_id"], "quarantine": ["quarantine_id", "source_id", "line"]}
        columns = schema.get(name, ["sequence", "name"])
        frame = pl.DataFrame(schema=dict.fromkeys([*columns, "more"], pl.Int64))
        assert name != "event", "events are compared with the journal"
        return frame


ROWS = [(1, 1, 5.0), (1, 2, 6.0), (2, 1, 7.0), (3, 1, 8.0)]
NAMES = {1: "a.csv", 2: "b.csv", 3: "c.csv"}


def compared(stored: Books, made: Books, *, whole: bool = True) -> module._Found:
    found = module._Found()
    module._compare(stored, made, found, whole=whole)
    return found


def test_each_file_has_its_finding_and_what_belongs_to_none_concerns_everything() -> None:
    made = Books(*ROWS, names=NAMES, held=("h.csv",))
    assert compared(Books(*ROWS, names=NAMES, held=("h.csv",)), made) == module._Found()
    changed = Books((1, 1, 5.5), ROWS[1], (3, 1, 8.5), (9, 1, 1.0), names={1: "renamed.csv", 3: "c.csv"})
    found = compared(changed, made)
    told = " from the archived file and the journal: "
    assert found.files == {
        "sha-1": [f"a.csv: 1 stored line differs{told}value (line 1)."],
        "sha-3": [f"c.csv: 1 stored line differs{told}value (line 1)."],
    }
    assert found.everything == [
        f"b.csv: 1 stored line differs{told}is missing in the history (line 1).",
        f"file number 9, which the ledger does not know: 1 stored line differs{told}stands in the history alone (line 1).",
        "h.csv: what is said of this file, which is held, is not what was said when it was looked at: is missing in the history.",
    ]
    # without the end of the journal it cannot be said that something was made up
    part = compared(changed, made, whole=False)
    assert (part.files, len(part.everything)) == (found.files, 2)


@pytest.mark.parametrize(
    ("at_once", "pieces"),
    [(1, [(-(2**31), 1), (1, 2), (2, None)]), (2, [(-(2**31), 2), (2, None)]), (3, [(-(2**31), None)]), (200, [(-(2**31), None)])],
)  # fmt: skip
def test_readings_are_compared_some_files_at_a_time_and_none_is_left_out(
    monkeypatch: pytest.MonkeyPatch, at_once: int, pieces: list[Any]
) -> None:
    looked: list[None] = []
    monkeypatch.setattr(module.stop, "look", lambda: looked.append(None))
    monkeypatch.setattr(module, "_FILES_AT_ONCE", at_once)
    stored, made = Books(*ROWS, (-5, 1, 1.0), (77, 1, 1.0), names=NAMES), Books(*ROWS, names=NAMES)
    found = list(module._pieces(stored, made, "reading"))
    assert stored.asked == made.asked == pieces
    assert len(looked) == len(pieces)
    assert sum(one.height for one, _ in found) == 6
    assert next(iter(module._pieces(stored, made, "baseline")))[0].height == 0
    empty = Books(names={})
    assert [(a.height, b.height) for a, b in module._pieces(empty, empty, "reading")] == [(0, 0)]


# -- what follows from the record ----------------------------------------------------------------------------------


def verdicts(events: list[Any], given: int) -> list[str]:
    frame = pl.DataFrame({"lot": [f"L{n}" for n in range(given)], "verdict": ["accept"] * given})
    history: Any = SimpleNamespace(verdicts_given=lambda: frame, table=lambda _: frame)
    found = module._Found()
    module._verify_verdicts(history, chain(*(("load", one, "load") for one in events)), found)
    return found.everything


def test_the_verdicts_are_those_that_the_last_event_with_some_states() -> None:
    right = table_hash(pl.DataFrame({"lot": ["L0", "L1"], "verdict": ["accept"] * 2}))
    told = ["The verdicts given last, as the history holds them, are not those that a load gave."]
    assert verdicts([{"verdicts": "old"}, {"verdicts": right}, {}], 2) == []
    assert verdicts([{"verdicts": right}, {"verdicts": "new"}], 2) == told
    assert verdicts([{"verdicts": right}], 1) == told
    assert verdicts([{}], 0) == []
    assert verdicts([{}], 1) == told
    assert verdicts([{"verdicts": right}], 0) == told


class Failing:
    def __init__(self, error: Exception | None = None) -> None:
        self.error, self.done = error, list[Any]()

    def do(self, entry: Any) -> None:
        self.done.append(entry)
        if self.error is not None:
            raise self.error

    def copy_file(self, history: Any, sha256: str) -> None:
        self.done.append((history, sha256))


@pytest.mark.parametrize("error", [IntegrityProblem("gone"), KeyError("x"), TypeError("x"), ValueError("x")])
@pytest.mark.parametrize(("kind", "copied"), [("load", True), ("replay", False), ("note", None)])
def test_a_file_that_cannot_be_read_again_is_in_doubt_alone_and_anything_else_ends_the_comparing(
    error: Exception, kind: str, copied: bool | None
) -> None:
    found, again = module._Found(), Failing()
    entry = {"kind": kind, "sequence": 4, "subject": '{"sha256": "s1"}'}
    books: Any = "history"
    if copied is None:
        with pytest.raises(IntegrityProblem, match=r"Nothing after event 4 was compared\."):
            module._do_again(Failing(error), books, again, entry, found)  # type: ignore[arg-type]
        assert found == module._Found()
    else:
        module._do_again(Failing(error), books, again, entry, found)  # type: ignore[arg-type]
        assert (found.files, found.everything) == ({"s1": [str(error)]}, [])
    assert again.done == ([("history", "s1")] if copied else [])


def test_what_is_done_again_without_a_fault_says_nothing_and_a_fault_of_the_computer_is_none_of_the_record() -> None:
    found, replay, entry = module._Found(), Failing(), {"kind": "load", "sequence": 1, "subject": '{"sha256": "s"}'}
    module._do_again(replay, None, None, entry, found)  # type: ignore[arg-type]
    assert (replay.done, found) == ([entry], module._Found())
    with pytest.raises(EnvironmentProblem):
        module._do_again(Failing(EnvironmentProblem("full")), None, None, entry, found)  # type: ignore[arg-type]
    assert found == module._Found()


def paper(number: int, kind: str = module.KIND) -> dict[str, Any]:
    more = {"by": "Ada", "why": f"why {number}", "previous_hash": f"p{number}", "hash": f"h{number}"}
    return {"sequence": number, "at": START.isoformat(), "kind": kind, "subject": f'{{"n": {number}}}', **more}


def test_reports_are_computed_again_together_once_and_each_with_all_that_its_event_says(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[list[Any]] = []

    def differs(again: Any, settings: Any, waiting: list[Any]) -> list[str]:
        assert (again, settings) == (books, "settings")
        asked.append(waiting)
        return [f"report {event.sequence} differs" for event in waiting if event.sequence == 2]

    put: list[Any] = []
    books, found = SimpleNamespace(put_event=put.append), module._Found(papers=["before"])
    monkeypatch.setattr(module, "what_differs", differs)
    papers = module._Papers("settings", books, found)  # type: ignore[arg-type]
    papers.compute()
    for entry in (paper(1, "note"), paper(2), paper(3)):
        papers.take(entry)
    papers.compute()
    papers.compute()
    assert put == [paper(1, "note"), paper(2), paper(3)]
    ((second, third),) = asked
    assert (second.sequence, second.at, second.kind, second.subject) == (2, START, module.KIND, {"n": 2})
    assert (third.by, third.why, third.previous_hash, third.hash) == ("Ada", "why 3", "p3", "h3")
    assert found.papers == ["before", "report 2 differs"]


def test_from_an_event_that_cannot_be_put_no_report_is_computed_again_and_that_is_said_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def put(entry: dict[str, Any]) -> None:
        if entry["sequence"] == 2:
            raise IntegrityProblem("x")

    found = module._Found()
    monkeypatch.setattr(module, "what_differs", lambda *given: [f"{len(given[2])} computed"])
    papers = module._Papers("settings", SimpleNamespace(put_event=put), found)  # type: ignore[arg-type]
    for number in (1, 2, 3):
        papers.take(paper(number))
    papers.compute()
    assert found.papers == ["Reports issued from event 2 on were not computed again.", "2 computed"]


@pytest.mark.parametrize("error", [AnnealogError("no"), KeyError("k"), TypeError("t"), ValueError("v")])
def test_a_report_that_cannot_be_computed_again_is_in_doubt_and_no_verdict_is(
    monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    def fail(*_: Any) -> list[str]:
        raise error

    monkeypatch.setattr(module, "what_differs", fail)
    found = module._Found()
    papers = module._Papers("settings", SimpleNamespace(put_event=lambda _: None), found)  # type: ignore[arg-type]
    papers.take(paper(5))
    papers.take(paper(6))
    papers.compute()
    assert found == module._Found(papers=[f"The reports of event 5, 6 cannot be computed again: {error!r}."])


def test_no_disk_left_for_a_report_is_the_computers_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: Any) -> list[str]:
        raise EnvironmentProblem("full")

    monkeypatch.setattr(module, "what_differs", fail)
    papers = module._Papers("settings", SimpleNamespace(put_event=lambda _: None), module._Found())  # type: ignore[arg-type]
    papers.take(paper(5))
    with pytest.raises(EnvironmentProblem):
        papers.compute()


# -- beside the record ---------------------------------------------------------------------------------------------


def of_certificates(monkeypatch: pytest.MonkeyPatch, tables: Any, lost: tuple[str, ...] = ()) -> list[str]:
    def raw(archive: Any, digest: str, where: str) -> None:
        assert archive == "archive"
        if digest in lost:
            raise IntegrityProblem(f"{where}: {digest[:3]} is gone.")

    def recorded(*_: Any) -> Any:
        if isinstance(tables, Exception):
            raise tables
        return None, tables

    monkeypatch.setattr(module, "raw_file", raw)
    monkeypatch.setattr(module, "recorded", recorded)
    workspace: Any = SimpleNamespace(archive="archive", settings=None)
    return list(module._verify_certificates(workspace, SimpleNamespace(reference_texts=dict)))  # type: ignore[arg-type]


def test_certificates_of_tables_lie_in_the_archive_as_they_were(monkeypatch: pytest.MonkeyPatch) -> None:
    a, b = "a" * 64, "b" * 64
    tables = {
        "sensors": pl.DataFrame({"sensor": ["S1"], "certificate_file": [b]}),
        "blocks": pl.DataFrame({"block": ["B1", "B2", "B3"], "certificate_file": [a, None, "A" * 64]}),
        "lots": pl.DataFrame({"lot": ["L1"]}),
    }
    wrong = f"blocks.csv, B3: certificate_file '{'A' * 64}' is no SHA-256, so it names no file of the archive."
    assert of_certificates(monkeypatch, tables) == [wrong]
    said = "It is the certificate; put it back from a backup, or import it again: annealog reference import"
    assert of_certificates(monkeypatch, tables, (a, b)) == [
        f"blocks.csv, B1: aaa is gone. {said}",
        wrong,
        f"sensors.csv, S1: bbb is gone. {said}",
    ]
    longer = {"blocks": pl.DataFrame({"block": ["B1"], "certificate_file": [a + "0"]})}
    assert "is no SHA-256" in of_certificates(monkeypatch, longer)[0]
    assert of_certificates(monkeypatch, AnnealogError("a text was changed")) == []


@pytest.mark.parametrize(
    ("current", "there", "said"),
    [
        (None, False, []),
        (None, True, ["The snapshot is not the one that was published. {} Take a new one: annealog snapshot"]),
        (True, True, []),
        (False, True, ["A file of the snapshot in folder has changed. {} Take a new one: annealog snapshot"]),
    ],
)
def test_a_snapshot_is_the_one_that_was_published_and_whole_or_said_not_to_be(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, current: bool | None, there: bool, said: list[str]
) -> None:
    snapshot = None if current is None else SimpleNamespace(folder="folder", whole=lambda: current)
    monkeypatch.setattr(module, "Snapshot", SimpleNamespace(current=lambda _: snapshot, there=lambda _: there))
    monkeypatch.setattr(module, "altered_answers", lambda _: [])
    workspace: Any = SimpleNamespace(history=tmp_path, pages=tmp_path)
    anew = "No verdict rests on it, and it is believed no more."
    assert list(module._verify_kept(workspace)) == [one.format(anew) for one in said]


def test_answers_and_pages_that_were_altered_are_named_with_what_writes_them_anew(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    for folder in ("b", "a"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / ".written.json").touch()
    monkeypatch.setattr(module, "Snapshot", SimpleNamespace(current=lambda _: None, there=lambda _: False))
    monkeypatch.setattr(module, "altered_answers", lambda _: ["The answer x was altered"])
    monkeypatch.setattr(
        module, "altered_pages", lambda folder: ["lots/L1.html", "papers/3.html"] if folder.name == "a" else ["b.html"]
    )
    workspace: Any = SimpleNamespace(history=tmp_path, pages=tmp_path)
    anew = "No verdict rests on it, and it is believed no more. Write it anew: annealog"
    assert list(module._verify_kept(workspace)) == [
        f"The answer x was altered. {anew} render",
        f"The page {tmp_path / 'a/lots/L1.html'} is not as it was written. {anew} render",
        f"The page {tmp_path / 'a/papers/3.html'} is not as it was written. {anew} test-report --again NUMBER",
        f"The page {tmp_path / 'b/b.html'} is not as it was written. {anew} render",
    ]


def test_a_place_of_the_file_without_any_record_is_told_with_what_to_do() -> None:
    said = module._of_place(Path("h.duckdb"), 10, 20)
    assert said.startswith(
        "Bytes 10 to 20 of h.duckdb do not agree with their checksum. Nothing of the record lies there"
    )
    assert said.endswith("A new file is written by: annealog rebuild")


# -- what is kept of it --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("note", [True, False])
def test_the_first_sentence_of_each_file_is_kept_and_everything_that_concerns_all(
    monkeypatch: pytest.MonkeyPatch, note: bool
) -> None:
    kept: list[Any] = []
    monkeypatch.setattr(module, "keep_findings", lambda *given, **more: kept.append((*given, more)))
    monkeypatch.setattr(module, "note_verified", lambda *given: kept.append(given))
    found = module._Found()
    for sha, said in (("s1", "first"), ("s1", "second"), (None, "all"), ("s2", "other"), (None, "more")):
        found.about(sha, said)
    assert (found.files, found.everything) == ({"s1": ["first", "second"], "s2": ["other"]}, ["all", "more"])
    workspace: Any = SimpleNamespace(history="h")
    assert module._keep(workspace, found, **({"note": True} if note else {})) == ()
    assert kept[0] == ("h", {"s1": "first", "s2": "other"}, ["all", "more"], {"note": note})
    ((where, when),) = kept[1:]
    assert where == "h"
    assert abs(when - datetime.now(UTC)) < timedelta(minutes=10)


def test_findings_that_cannot_be_written_are_told_and_nothing_is_noted(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: Any, **__: Any) -> None:
        raise EnvironmentProblem("The disk is full.")

    noted: list[Any] = []
    monkeypatch.setattr(module, "keep_findings", full)
    monkeypatch.setattr(module, "note_verified", lambda *given: noted.append(given))
    workspace: Any = SimpleNamespace(history="h")
    assert module._keep(workspace, module._Found()) == (
        "What was found is not kept, so that nothing follows from it here. The disk is full.",
    )
    assert noted == []


@pytest.mark.parametrize("every", [None, False, True])
def test_a_history_that_cannot_be_read_is_itself_what_is_found(
    monkeypatch: pytest.MonkeyPatch, every: bool | None
) -> None:
    kept: list[Any] = []

    def fail(workspace: Any, found: Any, *, every: bool) -> Any:
        kept.append((workspace, every))
        raise IntegrityProblem("no database")

    monkeypatch.setattr(module, "_verify", fail)
    monkeypatch.setattr(module, "_keep", lambda workspace, found: kept.append((workspace, found)))
    workspace: Any = "workspace"
    with pytest.raises(IntegrityProblem, match="no database"):
        module.verify(workspace, **({} if every is None else {"every": every}))
    assert kept == [("workspace", bool(every)), ("workspace", module._Found(everything=["no database"]))]
