"""Accounts as the journal states them, and passwords: just inside each bound and just outside it."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pytest

from pipeline.errors import IntegrityProblem, UsageError
from pipeline.history import accounts
from pipeline.history.accounts import (
    ROLES,
    Account,
    Accounts,
    account_of,
    hashed,
    key_of,
    named_right,
    password_fits,
    strong_enough,
)
from pipeline.history.chain import GENESIS_HASH, event_hash

if TYPE_CHECKING:
    from pathlib import Path

PASSWORD = "seven copper kettles"


@pytest.fixture(autouse=True)
def cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(accounts, "_COST", 10)
    monkeypatch.setattr(accounts, "_NOBODY", accounts._NOBODY.replace("$15$", "$10$"))


def account(**given: Any) -> Account:
    return Account(**{"name": "Ben Moor", "role": "metrologist", "open": True, "password": hashed(PASSWORD), **given})


# -- names and passwords -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("Ben Moor", " ben MOOR ", True), ("Ａｄａ", "ada", True), ("straße", "STRASSE", True), ("Ben Moor", "Ben  Moor", False),
        ("x" * 200 + "y", "x" * 200 + "z", True), ("x" * 199 + "y", "x" * 199 + "z", False),
    ],
)  # fmt: skip
def test_two_spellings_of_a_name_are_one(one: str, other: str, same: bool) -> None:
    assert (key_of(one) == key_of(other)) is same


@pytest.mark.parametrize("name", ["Al", "x" * 60, "Ada-Maria O'Neill Jr.", "Åsa 漢 2"])
def test_a_name_of_a_person_is_kept(name: str) -> None:
    assert named_right(f"  {name.replace(' ', '   ')} ") == name


@pytest.mark.parametrize(
    "name",
    ["A", "x" * 61, "", "   ", "a_b", "<b>", "Ada\u202e", "a\u200bb", "a/b", "Load", "settings", "ANNEALOG", "rebuild"],
)
def test_what_would_be_misread_is_no_name(name: str) -> None:
    with pytest.raises(UsageError, match="name"):
        named_right(name)


@pytest.mark.parametrize("password", ["abcde" + "a" * 7, "abcde" + "a" * 195])
def test_a_password_of_twelve_to_two_hundred_marks_will_do(password: str) -> None:
    strong_enough(password, "Ben Moor")


@pytest.mark.parametrize(
    ("password", "name", "said"),
    [
        ("abcdefghijk", "Ben Moor", "12 to 200"), ("abcde" * 40 + "x", "Ben Moor", "12 to 200"), ("abcd" * 4, "Ben Moor", "guessed"),
        (" BENEDIKT MOOR", "Benedikt Moor", "guessed"),
    ],
)  # fmt: skip
def test_a_password_that_is_guessed_is_refused(password: str, name: str, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        strong_enough(password, name)


def test_a_password_fits_the_account_it_was_hashed_for_and_no_other() -> None:
    assert password_fits(account(), PASSWORD)
    assert password_fits(account(), "seven copper kettle\uff53")  # what looks alike is alike (NFKC)
    assert not password_fits(account(), PASSWORD.upper())
    assert not password_fits(account(), PASSWORD + " ")
    assert not password_fits(account(open=False), PASSWORD)
    assert not password_fits(account(open=False, password="of none of ours"), PASSWORD)  # nobody looks at it any more
    assert not password_fits(None, PASSWORD)
    assert not password_fits(None, "")
    assert hashed(PASSWORD) != hashed(PASSWORD)  # a salt of its own
    longest = "ab" * 100
    assert password_fits(account(password=hashed(longest)), longest)
    assert not password_fits(account(password=hashed(longest)), longest + "a")


def test_a_hash_is_scrypt_at_the_stated_cost() -> None:
    kind, cost, salt, digest = hashed(PASSWORD).split("$")
    assert (kind, cost, len(salt)) == ("scrypt", "10", 32)
    # RFC 7914 with N = 2^cost, r = 8, p = 3
    assert hashlib.scrypt(PASSWORD.encode(), salt=bytes.fromhex(salt), n=1024, r=8, p=3, dklen=32).hex() == digest


def test_the_cost_of_real_accounts_is_borne_by_the_library() -> None:
    assert hashlib.scrypt(b"x" * 20, salt=b"", n=1 << 15, r=8, p=3, maxmem=1 << 26, dklen=32) == accounts._scrypt(
        "x" * 20, b"", 15
    )


@pytest.mark.parametrize(("cost", "known"), [("9", False), ("10", True), ("20", True), ("21", False)])
def test_a_hash_at_a_cost_of_none_of_ours_is_not_tried(monkeypatch: pytest.MonkeyPatch, cost: str, known: bool) -> None:
    monkeypatch.setattr(accounts, "_scrypt", lambda *_: b"\x00" * 32)
    one = account(password=f"scrypt${cost}${'00' * 16}${'00' * 32}")
    if known:
        assert password_fits(one, PASSWORD)
    else:
        with pytest.raises(IntegrityProblem, match="none of this program"):
            password_fits(one, PASSWORD)
    with pytest.raises(IntegrityProblem):
        password_fits(account(password=one.password.replace("scrypt", "plain")), PASSWORD)


# -- what the journal states -------------------------------------------------------------------------------------


def test_an_account_is_stated_and_read_back() -> None:
    one = account()
    assert account_of(one.stated(), 7) == Account(
        name=one.name, role=one.role, open=True, password=one.password, sequence=7
    )
    assert not account_of({**one.stated(), "open": "true"}, 7).open  # true is true, and no word for it
    assert one.sequence == 0


@pytest.mark.parametrize("lacking", ["name", "role", "open", "password", "known role"])
def test_half_an_account_is_none(lacking: str) -> None:
    subject = (
        account(role="chief").stated()
        if lacking == "known role"
        else {k: v for k, v in account().stated().items() if k != lacking}
    )
    with pytest.raises(IntegrityProblem, match="Event 7 of the journal states no account"):
        account_of(subject, 7)
    assert ROLES == ("reader", "technician", "metrologist", "supervisor")


class Written:
    """A journal that grows line by line."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(exist_ok=True)
        self.path, self.sequence, self.head = folder / "journal.jsonl", 0, GENESIS_HASH

    def add(self, kind: str, subject: dict[str, Any], end: str = "\n") -> None:
        self.sequence += 1
        at, text = datetime(2026, 3, 2, tzinfo=UTC), json.dumps(subject)
        digest = event_hash(self.sequence, at, kind, text, "Eve", "a test", self.head)
        entry = {"sequence": self.sequence, "at": at.isoformat(), "kind": kind, "subject": text, "by": "Eve", "why": "a test",
                 "previous_hash": self.head, "hash": digest}  # fmt: skip
        self.head = digest
        with self.path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(entry) + end)


def test_the_last_word_on_a_name_holds_and_only_what_is_new_is_read(tmp_path: Path) -> None:
    known, journal = Accounts(tmp_path / "annealog.duckdb"), Written(tmp_path)
    assert (known.now(), known.last) == ({}, 0)
    journal.add("account", account().stated())
    journal.add("load", {"name": "account", "note": '"account"'})
    found = known.now()
    assert [(key, one.role, one.sequence) for key, one in found.items()] == [("ben moor", "metrologist", 1)]
    assert known.last == 2
    assert known.now() is found  # nothing is new
    journal.add("account", account(name="BEN MOOR", role="supervisor", open=False).stated())
    (closed,) = known.now().values()
    assert (closed.name, closed.role, closed.open, closed.sequence) == ("BEN MOOR", "supervisor", False, 3)
    assert found["ben moor"].role == "metrologist"  # whoever holds the former state keeps it


def test_a_line_that_is_cut_off_counts_once_it_is_whole(tmp_path: Path) -> None:
    known, journal = Accounts(tmp_path / "annealog.duckdb"), Written(tmp_path)
    journal.add("account", account().stated())
    journal.add("account", account(name="Cia Ek").stated(), end="")
    assert (list(known.now()), known.last) == (["ben moor"], 1)
    with journal.path.open("a", encoding="utf-8") as file:
        file.write("\n")
    assert (list(known.now()), known.last) == (["ben moor", "cia ek"], 2)


def test_a_journal_that_was_replaced_or_went_is_read_anew(tmp_path: Path) -> None:
    known, journal = Accounts(tmp_path / "annealog.duckdb"), Written(tmp_path)
    journal.add("account", account().stated())
    journal.add("account", account(name="Cia Ek").stated())
    whole = journal.path.read_bytes()
    assert len(known.now()) == 2
    journal.path.write_bytes(whole[: whole.index(b"\n") + 1])  # shorter, and the same file
    assert (list(known.now()), known.last) == (["ben moor"], 1)
    other = tmp_path / "other"
    other.write_bytes(whole)
    other.replace(journal.path)  # another file
    assert (len(known.now()), known.last) == (2, 2)
    again = Written(tmp_path / "again")
    for name in ("Eva Ny", "Fia By", "Gry Aa"):  # a longer one of another works
        again.add("account", account(name=name).stated())
    again.path.replace(journal.path)
    assert (known.last, sorted(known.now())) == (3, ["eva ny", "fia by", "gry aa"])
    journal.path.unlink()
    assert (known.now(), known.last) == ({}, 0)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('\\"metrologist\\"', '\\"supervisor\\"', "Event 1 of .* was changed"), ('"hash"', '"hush"', r"Event \? of .* was changed"),
        ('"Eve"', '"Eva"', "Event 1 of .* was changed"), ('"sequence": 1', '"sequence": 2', "Event 2 of .* was changed"),
    ],
)  # fmt: skip
def test_an_event_that_was_changed_lets_nobody_in(tmp_path: Path, old: str, new: str, said: str) -> None:
    journal = Written(tmp_path)
    journal.add("account", account().stated())
    text = journal.path.read_text(encoding="utf-8")
    assert old in text
    journal.path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(IntegrityProblem, match=said):
        Accounts(tmp_path / "annealog.duckdb").now()


def test_a_last_line_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    journal = Written(tmp_path)
    journal.add("account", account().stated())
    with journal.path.open("a", encoding="utf-8") as file:
        file.write("rubbish\n")
    with pytest.raises(IntegrityProblem, match="The last line of"):
        Accounts(tmp_path / "annealog.duckdb").now()
