"""The journal: what counts as a line, what a crash cut off, and notes that are believed only where their hash agrees."""

from __future__ import annotations

import errno
import fcntl
import hashlib
import json
import os
from datetime import UTC, datetime, timedelta, timezone
from typing import TYPE_CHECKING, Any

import pytest

from pipeline.errors import EnvironmentProblem, IntegrityProblem
from pipeline.history.chain import GENESIS_HASH, event_hash
from pipeline.history.journal import Journal, follows

if TYPE_CHECKING:
    from pathlib import Path

NOW = datetime(2026, 3, 2, 8, tzinfo=UTC)
READ_AT_ONCE = 65536


def link(sequence: int, head: str, kind: str = "load", **changed: Any) -> dict[str, Any]:
    """Return an entry whose hash agrees; `changed` is put in afterwards, so that it does not any more."""
    parts = {"kind": kind, "subject": '{"x": 1}', "by": "Zoë", "why": "because", "previous_hash": head}
    digest = event_hash(sequence, NOW, kind, parts["subject"], parts["by"], parts["why"], head)
    return {"sequence": sequence, "at": NOW.isoformat(), **parts, "hash": digest, **changed}


def chain(*kinds: str, start: int = 1, head: str = GENESIS_HASH) -> list[dict[str, Any]]:
    found = []
    for sequence, kind in enumerate(kinds, start=start):
        found.append(link(sequence, head, kind))
        head = found[-1]["hash"]
    return found


@pytest.fixture
def journal(tmp_path: Path) -> Journal:
    return Journal(tmp_path / "annealog.duckdb")


def test_it_lies_beside_the_history(journal: Journal, tmp_path: Path) -> None:
    assert (journal.path, journal.texts) == (tmp_path / "journal.jsonl", tmp_path / "texts")
    assert journal.last() == (0, GENESIS_HASH)
    assert (list(journal.entries()), journal.after(0), journal.last_verified()) == ([], [], None)
    assert not journal.path.exists()
    journal.append([])
    assert not journal.path.exists()


@pytest.mark.parametrize("torn", [b"", b"{", b'{"sequence": 99, "hash": "f"}', b"x" * (READ_AT_ONCE + 10)])
@pytest.mark.parametrize(
    "length", [1, READ_AT_ONCE - 200, READ_AT_ONCE - 1, READ_AT_ONCE, READ_AT_ONCE + 1, 2 * READ_AT_ONCE]
)
def test_a_line_without_its_end_is_none_and_goes_with_the_next(journal: Journal, torn: bytes, length: int) -> None:
    first, second, third = chain("load", "load", "load")
    second["why"] = "w" * length  # what is read at once ends within, at and behind a line
    journal.append([first, second])
    whole = journal.path.read_bytes()
    with journal.path.open("ab") as file:
        file.write(torn)
    assert journal.last() == (2, second["hash"])
    assert list(journal.entries()) == [first, second]
    assert (journal.after(0), journal.after(1), journal.after(2)) == ([first, second], [second], [])
    journal.append([third])
    assert journal.path.read_bytes()[: len(whole)] == whole
    assert list(journal.entries()) == [first, second, third]


@pytest.mark.parametrize("torn", [b"x", b"x" * (READ_AT_ONCE + 1), b'{"sequence": 1, "hash": "f"}'])
def test_a_first_line_without_its_end_leaves_an_empty_journal(journal: Journal, torn: bytes) -> None:
    journal.path.write_bytes(torn)
    assert (journal.last(), list(journal.entries()), journal.after(0)) == ((0, GENESIS_HASH), [], [])
    (first,) = chain("load")
    journal.append([first])
    assert list(journal.entries()) == [first]


def test_lines_are_as_they_were_given(journal: Journal) -> None:
    (first,) = chain("load")
    journal.append([first])
    assert json.loads(journal.path.read_text(encoding="utf-8")) == first
    assert "Zoë".encode() in journal.path.read_bytes()
    with pytest.raises(ValueError, match="JSON compliant"):
        journal.append([{"value": float("nan")}])
    assert list(journal.entries()) == [first]


@pytest.mark.parametrize("line", [b"{\n", b"[]\n", b"null\n", b'{"sequence": 3}\n', b'{"sequence": "x", "hash": ""}\n'])
def test_a_last_line_that_says_nothing_is_refused(journal: Journal, line: bytes) -> None:
    journal.append(chain("load"))
    with journal.path.open("ab") as file:
        file.write(line)
    with pytest.raises(IntegrityProblem, match=r"last line of .*journal"):
        journal.last()
    if b"sequence" not in line:
        assert journal.after(0) == []


def test_the_number_of_a_broken_line_is_told(journal: Journal) -> None:
    first, second = chain("load", "load")
    journal.append([first])
    with journal.path.open("ab") as file:
        file.write(b"{\n")
    journal.append([second])
    entries = journal.entries()
    assert next(entries) == first
    with pytest.raises(IntegrityProblem, match="Line 2 of"):
        next(entries)


def test_what_cannot_be_written_leaves_the_lines_before(journal: Journal, monkeypatch: pytest.MonkeyPatch) -> None:
    first, second = chain("load", "load")
    journal.append([first])

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        with pytest.raises(EnvironmentProblem, match="No space left"):
            journal.append([second])
        with pytest.raises(EnvironmentProblem, match="No space left"):
            journal.keep_text("a text")
        assert list(journal.texts.iterdir()) == []
    assert list(journal.entries()) == [first]
    journal.append([second])
    assert list(journal.entries()) == [first, second]


def test_lines_and_texts_are_on_the_disk_before_they_count(journal: Journal, monkeypatch: pytest.MonkeyPatch) -> None:
    sizes: list[int] = []
    monkeypatch.setattr(os, "fsync", lambda handle: sizes.append(os.fstat(handle).st_size))
    journal.append(chain("load"))
    assert sizes == [journal.path.stat().st_size]
    kept = journal.keep_text("a text")
    assert sizes[1:] == [(journal.texts / kept).stat().st_size] == [6]


# notes ------------------------------------------------------------------------------------------------------------------


def test_a_note_is_the_next_link_of_the_chain(journal: Journal) -> None:
    first, second = chain("load", "load")
    journal.append([first])
    before = datetime.now(UTC)
    journal.note("kept", {"b": "digest", "a": 1}, lambda: journal.append([second]))
    note = list(journal.entries())[-1]
    assert (note["sequence"], note["previous_hash"], note["kind"]) == (3, second["hash"], "kept")
    assert (note["subject"], note["by"], note["why"]) == ('{"a": 1, "b": "digest"}', "annealog", "")
    assert before <= datetime.fromisoformat(note["at"]) <= datetime.now(UTC)
    assert follows([note], 2, second["hash"]) == note["hash"] == journal.last()[1]


def test_a_note_of_something_kept_vouches_for_its_hash_and_no_other(journal: Journal) -> None:
    assert not journal.vouches("aa")
    journal.note("kept", {"page": "aa"})
    journal.note("verified", {"findings": "bb"})
    assert journal.vouches("aa")
    assert not journal.vouches("bb")  # what was found is nothing that was kept
    assert not journal.vouches("cc")
    assert journal.last_verified() == {"findings": "bb"}
    journal.note("verified", {"findings": "dd"})
    journal.note("kept", {"page": "verified"})
    assert journal.last_verified() == {"findings": "dd"}


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("subject", '{"page": "ab"}'), ("by", "Ada"), ("why", "x"), ("sequence", 7), ("hash", "0" * 64), ("previous_hash", "0" * 63 + "1"),
        ("at", "2026-03-02T08:00:01+00:00"), ("at", "noon"), ("at", None), ("kind", "load"),
    ],
)  # fmt: skip
def test_a_note_that_was_changed_is_not_believed(journal: Journal, name: str, value: Any) -> None:
    journal.note("kept", {"page": "ab"})
    (note,) = journal.entries()
    changed = {**note, name: value}
    if changed == note:
        changed["subject"] = '{"page": "ab", "more": 1}'
    for entry in (changed, {key: inner for key, inner in note.items() if key != name}):
        journal.path.write_text(json.dumps(entry) + '\n"kept" ab\n', encoding="utf-8")
        assert not journal.vouches("ab")
    # the whole one before it is still believed
    journal.path.write_text(json.dumps(note) + "\n" + json.dumps(changed) + "\n", encoding="utf-8")
    assert journal.vouches("ab")


def test_an_event_that_speaks_as_a_note_is_none(journal: Journal) -> None:
    journal.append([link(1, GENESIS_HASH, "load", subject='"kept" ab'), *chain("kept_open", "load")])
    assert not journal.vouches("because")


def test_only_whole_links_that_are_notes_follow() -> None:
    head = "a" * 64
    notes = chain("kept", "verified", "kept", start=5, head=head)
    assert follows([], 4, head) == head
    assert follows(notes, 4, head) == notes[-1]["hash"]
    assert follows(notes, 3, head) is None
    assert follows(notes, 5, head) is None
    assert follows(notes, 4, "b" * 64) is None
    assert follows(notes[1:], 4, head) is None
    assert follows([*notes, *chain("load", start=8, head=notes[-1]["hash"])], 4, head) is None
    for place in range(3):
        for name in notes[place]:
            changed = [*notes[:place], {**notes[place], name: "x"}, *notes[place + 1 :]]
            assert follows(changed, 4, head) is None, name
            lacking = [dict(note) for note in notes]
            del lacking[place][name]
            assert follows(lacking, 4, head) is None, name
    assert follows([None], 4, head) is None  # type: ignore[list-item]


def test_a_note_where_nothing_may_be_written_is_named(tmp_path: Path) -> None:
    with pytest.raises(EnvironmentProblem, match=r"Cannot write .*journal"):
        Journal(tmp_path / "gone" / "annealog.duckdb").note("kept", {})


def test_a_note_waits_for_nobody_but_keeps_every_other_out(journal: Journal) -> None:
    free: list[bool] = []

    def look() -> None:
        with journal.path.open("ab") as file:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                free.append(False)
            else:
                free.append(True)

    journal.note("kept", {"page": "aa"}, catch_up=look)
    look()
    assert free == [False, True]


# texts ------------------------------------------------------------------------------------------------------------------


def test_a_text_is_kept_under_its_hash_once_and_mended_where_it_was_cut(journal: Journal) -> None:
    kept = journal.keep_text("größer\r\n")
    place = journal.texts / kept
    assert (journal.text(kept), place.read_bytes()) == ("größer\r\n", "größer\r\n".encode())
    before = place.stat().st_ino
    assert journal.keep_text("größer\r\n") == kept
    assert place.stat().st_ino == before
    place.write_bytes(b"gr")
    with pytest.raises(IntegrityProblem, match="has changed"):
        journal.text(kept)
    assert journal.keep_text("größer\r\n") == kept
    assert journal.text(kept) == "größer\r\n"
    assert [path.name for path in journal.texts.iterdir()] == [kept]
    place.unlink()
    with pytest.raises(IntegrityProblem, match="cannot be read"):
        journal.text(kept)


@pytest.mark.parametrize("number", [errno.EMFILE, errno.ENOMEM])
def test_what_the_computer_lacks_is_not_held_against_a_text(
    journal: Journal, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    kept = journal.keep_text("a text")

    def fail(_: Path) -> bytes:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(type(journal.path), "read_bytes", fail)
    with pytest.raises(EnvironmentProblem, match=os.strerror(number)):
        journal.text(kept)


def test_where_no_text_can_be_kept_at_all_the_place_is_named(journal: Journal) -> None:
    journal.texts.write_bytes(b"a file in the place of the folder")
    with pytest.raises(EnvironmentProblem, match=r"Cannot write .*texts"):
        journal.keep_text("a text")


def test_a_hash_is_that_of_every_part_and_of_the_moment_in_any_zone() -> None:
    parts: list[Any] = [1, NOW, "load", "{}", "Ada", "because", GENESIS_HASH]
    digest = event_hash(*parts)
    assert digest == event_hash(1, NOW.astimezone(timezone(timedelta(hours=5))), *parts[2:])
    others = [2, NOW + timedelta(microseconds=1), "loa", "[]", "Adä", "", "1" * 64]
    changed = [event_hash(*[*parts[:i], other, *parts[i + 1 :]]) for i, other in enumerate(others)]
    assert len({digest, *changed}) == 8
    # recomputed by hand: a JSON list in UTF-8, as written down for whoever checks a chain without this program
    text = f'[1, "2026-03-02T08:00:00+00:00", "load", "{{}}", "Zoë", "because", "{GENESIS_HASH}"]'
    assert event_hash(1, NOW, "load", "{}", "Zoë", "because", GENESIS_HASH) == hashlib.sha256(text.encode()).hexdigest()
    assert GENESIS_HASH == "0" * 64
