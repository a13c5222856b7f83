"""How `verify` does the journal once more, event by event, and computes the reports that were issued where they were issued."""

from __future__ import annotations

from contextlib import nullcontext
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import polars as pl
import pytest

from pipeline.custody import verify as module
from pipeline.errors import AnnealogError, EnvironmentProblem, IntegrityProblem

START = datetime(2026, 3, 2, 8, tzinfo=UTC)


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


EVENTS = [(1, START, "load", "{}"), (2, START, "report", "{}"), (3, START + timedelta(hours=1), "discard", "{}")]
PLACE = "journal.jsonl"


def entry(number: int, **other: Any) -> dict[str, Any]:
    """Return the line of an event as the journal has it."""
    values = dict(zip(("sequence", "at", "kind", "subject"), EVENTS[number - 1], strict=True))
    return {**values, "at": values["at"].isoformat(), **other}


class Works:
    """What `_replay` reaches: a journal of some entries, a history that holds `EVENTS`, and what was done, in order."""

    def __init__(
        self, patch: pytest.MonkeyPatch, entries: Any, *, notes_alone: bool = False, papers: bool = True
    ) -> None:
        self.found, self.steps = module._Found(everything=["before"]), list[Any]()
        self.notes_alone, self.papers, self.batches = notes_alone, papers, 0
        journal = SimpleNamespace(path=PLACE, entries=lambda: iter(entries))
        patch.setattr(module, "Journal", lambda path: {"history.duckdb": journal}[path])
        patch.setattr(module, "Replay", lambda *given: ("replay", *given))
        patch.setattr(module, "_do_again", self._do)
        patch.setattr(module.stop, "look", lambda: self.steps.append("look"))
        self.journal = journal

    def _do(self, replay: Any, history: Any, again: Any, one: dict[str, Any], found: Any) -> None:
        assert replay == ("replay", self.workspace, again, self.journal)
        assert (history.name, again.name, found) == ("history", "again", self.found)
        self.steps.append(one["sequence"])
        if one.get("lost"):
            raise IntegrityProblem("lost")

    def replay(self, events: int = 3) -> bool:
        def transaction() -> Any:
            self.batches += 1
            return nullcontext()

        rows = pl.DataFrame(EVENTS[:events], schema=["sequence", "at", "kind", "subject"], orient="row")
        self.workspace: Any = SimpleNamespace(history="history.duckdb")
        history: Any = SimpleNamespace(name="history", notes_alone=lambda: self.notes_alone)
        again: Any = SimpleNamespace(name="again", transaction=transaction)
        papers: Any = SimpleNamespace(
            compute=lambda: self.steps.append("compute"), take=lambda one: self.steps.append(f"take {one['sequence']}")
        )
        return module._replay(self.workspace, history, again, rows, self.found, papers if self.papers else None)

    @property
    def said(self) -> list[str]:
        first, *rest = self.found.everything
        assert (first, self.found) == ("before", module._Found(everything=["before", *rest]))
        return rest


ALL = [entry(1), entry(2), entry(3)]


@pytest.mark.parametrize(("at_once", "batches"), [(1, 3), (2, 2), (3, 1), (200, 1)])
def test_every_event_is_done_once_more_in_order_and_reports_are_computed_before_what_changes_them(
    monkeypatch: pytest.MonkeyPatch, at_once: int, batches: int
) -> None:
    monkeypatch.setattr(module, "_ENTRIES_AT_ONCE", at_once)
    works = Works(monkeypatch, ALL)
    assert (works.replay(), works.said, works.batches) == (True, [], batches)
    # a report waits for what stands beside it; a load or a decision does not wait for a report
    assert works.steps == ["look", "compute", 1, "take 1", "look", 2, "take 2", "look", "compute", 3, "take 3"]
    alone = Works(monkeypatch, ALL, papers=False)
    assert (alone.replay(), alone.said, alone.steps) == (True, [], ["look", 1, "look", 2, "look", 3])


def test_a_note_changes_no_report(monkeypatch: pytest.MonkeyPatch) -> None:
    for kind in module.NOTES:
        works = Works(monkeypatch, [entry(1, kind=kind)])
        works.replay(1)
        assert works.steps == ["look", 1, "take 1"]


@pytest.mark.parametrize(
    "other", [{"at": "2026-03-02T08:00:01+00:00"}, {"kind": "note"}, {"subject": "[]"}, {"sequence": 9}]
)
def test_an_event_that_the_journal_tells_otherwise_is_named_and_those_beside_it_are_not(
    monkeypatch: pytest.MonkeyPatch, other: dict[str, Any]
) -> None:
    works = Works(monkeypatch, [entry(1), entry(2, **other), entry(3)])
    assert works.replay()
    assert works.said == [f"Event 2 differs between the history and its journal {PLACE}."]


@pytest.mark.parametrize("known", [0, 1])
@pytest.mark.parametrize("notes_alone", [True, False])
def test_a_journal_that_goes_on_is_told_unless_notes_alone_do(
    monkeypatch: pytest.MonkeyPatch, known: int, notes_alone: bool
) -> None:
    works = Works(monkeypatch, ALL, notes_alone=notes_alone)
    assert works.replay(known)
    goes_on = f"The journal goes on to event {known + 1}, the history ends with {known}."
    assert works.said == ([] if notes_alone else [goes_on])
    assert [step for step in works.steps if isinstance(step, int)] == [*range(1, known + 1)]


SHORT = (
    "The journal journal.jsonl {}, the history goes on to event 3. A crash or a full disk can leave that behind, and the next "
    "load adds what is missing; where neither happened somebody cut it: compare with a backup."
)


@pytest.mark.parametrize(("left", "ends"), [(0, "holds no event"), (1, "ends with event 1"), (2, "ends with event 2")])
def test_a_journal_that_ends_early_is_told_with_where_it_ends(
    monkeypatch: pytest.MonkeyPatch, left: int, ends: str
) -> None:
    works = Works(monkeypatch, ALL[:left])
    assert (works.replay(), works.said) == (False, [SHORT.format(ends)])


def test_what_cannot_be_done_again_ends_the_comparing_and_so_does_a_line_that_says_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    works = Works(monkeypatch, [entry(1), entry(2, lost=True), entry(3)])
    assert (works.replay(), works.said) == (False, ["lost", SHORT.format("ends with event 2")])
    assert works.steps[-1] == 2
    for nothing in ({"sequence": 2}, [], None):
        works = Works(monkeypatch, [entry(1), nothing, entry(3)])
        assert not works.replay()
        assert works.said == [f"Line 2 of {PLACE} was changed.", SHORT.format("ends with event 2")]
    # the last event itself was looked at, so nothing is missing
    works = Works(monkeypatch, [entry(1), entry(2), entry(3, lost=True)])
    assert (works.replay(), works.said) == (True, ["lost"])
