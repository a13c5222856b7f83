"""Who may sign: accounts are events of the chain, each stating the whole account; the last one of a name holds.

They are read from the journal, which nobody keeps waiting: a load that holds the history keeps no page from being shown.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import threading
import unicodedata
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from pipeline.errors import IntegrityProblem, UsageError
from pipeline.history.chain import event_hash

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

__all__ = [
    "KIND",
    "ROLES",
    "Account",
    "Accounts",
    "account_of",
    "hashed",
    "key_of",
    "named_right",
    "password_fits",
    "strong_enough",
]

KIND = "account"
"""Kind of the events."""
ROLES = ("reader", "technician", "metrologist", "supervisor")
"""What an account may be (common practice, no source)."""
LEAST_LENGTH = 12
"""Characters of a password. NIST SP 800-63B asks for length and against rules of composition; its least number differs by
edition (from memory)."""
_LONGEST = 200
_COST = 15
"""scrypt with N = 2^15, r = 8, p = 3: 32 MB, one of the equivalent choices of the OWASP cheat sheet (from memory)."""
_OURS = frozenset({"load", "settings", "annealog", "rebuild"})
"""Names by which the program itself writes events."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """Somebody who may sign.

    Parameters
    ----------
    name
        As it stands in what is signed.
    role
        One of `ROLES`.
    open
        Whether it may be used.
    password
        Hash of the password.
    sequence
        Of the event that states it.
    """

    name: str
    role: str
    open: bool
    password: str
    sequence: int = 0

    def stated(self) -> dict[str, Any]:
        """Return the subject of the event."""
        return {"name": self.name, "role": self.role, "open": self.open, "password": self.password}


def key_of(name: str) -> str:
    """Return what two spellings of one name have in common; of what is too long for a name only the beginning.

    Strangers send names: normalising takes time with the square of the length, and each is kept with its wrong tries.
    """
    return unicodedata.normalize("NFKC", name[:_LONGEST]).casefold().strip()


def named_right(name: str) -> str:
    """Return the name of a new account; refuse one that would be read wrongly in a record.

    Raises
    ------
    UsageError
        If it is empty, long, holds anything but letters, digits, blanks and ``.'-``, or is a name of the program.
    """
    found = " ".join(unicodedata.normalize("NFC", name).split())
    if not 2 <= len(found) <= 60 or not all(mark.isalnum() or mark in " .'-" for mark in found):
        raise UsageError(
            f"{name!r} is no name for an account: expected 2 to 60 letters, digits, blanks, points, hyphens."
        )
    if key_of(found) in _OURS:
        raise UsageError(f"{name!r} is how the program names itself in the record. Choose another name.")
    return found


def strong_enough(password: str, name: str) -> None:
    """Refuse a password that is short, or the name.

    Raises
    ------
    UsageError
        Says what is expected.
    """
    if not LEAST_LENGTH <= len(password) <= _LONGEST:
        raise UsageError(f"A password has {LEAST_LENGTH} to {_LONGEST} characters; several words make a good one.")
    if len(set(password)) < 5 or key_of(name) == key_of(password):
        raise UsageError("This password is guessed at once. Take several words that have nothing to do with you.")


def _scrypt(password: str, salt: bytes, cost: int) -> bytes:
    text = unicodedata.normalize("NFKC", password).encode("utf-8", "surrogatepass")
    return hashlib.scrypt(text, salt=salt, n=1 << cost, r=8, p=3, maxmem=1 << (cost + 11), dklen=32)


def hashed(password: str) -> str:
    """Return the hash of a password, with its salt and its cost."""
    salt = os.urandom(16)
    return f"scrypt${_COST}${salt.hex()}${_scrypt(password, salt, _COST).hex()}"


_NOBODY = f"scrypt${_COST}${'00' * 16}${'00' * 32}"


def password_fits(account: Account | None, password: str) -> bool:
    """Whether a password is that of an open account; for nobody it takes as long, and is no."""
    known = account is not None and account.open
    kind, cost, salt, digest = (account.password if account is not None and known else _NOBODY).split("$")
    if kind != "scrypt" or not 10 <= int(cost) <= 20:
        raise IntegrityProblem("The hash of a password is none of this program. Run: annealog verify")
    found = _scrypt(password[: _LONGEST + 1], bytes.fromhex(salt), int(cost))
    return hmac.compare_digest(found, bytes.fromhex(digest)) and known


def account_of(subject: Mapping[str, Any], sequence: int) -> Account:
    """Return the account that an event states.

    Raises
    ------
    IntegrityProblem
        If it states none.
    """
    try:
        found = Account(
            name=str(subject["name"]), role=str(subject["role"]), open=subject["open"] is True,
            password=str(subject["password"]), sequence=sequence,
        )  # fmt: skip
    except KeyError:
        found = None
    if found is None or found.role not in ROLES:
        raise IntegrityProblem(f"Event {sequence} of the journal states no account. Run: annealog verify")
    return found


class Accounts:
    """The accounts of a history, from its journal; only what was added since is read again."""

    def __init__(self, history: Path) -> None:
        self._journal = history.parent / "journal.jsonl"
        self._lock = threading.RLock()
        self._file: tuple[int, int] | None
        self._read: int
        self._last: int
        self._known: dict[str, Account]
        self._forget(None)

    def now(self) -> dict[str, Account]:
        """Return all accounts by their key, open and closed.

        Raises
        ------
        IntegrityProblem
            If an event that states one was changed.
        """
        with self._lock:
            try:
                with self._journal.open("rb") as file:
                    state = os.fstat(file.fileno())
                    if self._file != (state.st_dev, state.st_ino) or state.st_size < self._read:
                        self._forget((state.st_dev, state.st_ino))
                    if state.st_size > self._read:
                        file.seek(self._read)
                        self._take(file.read(state.st_size - self._read))
            except FileNotFoundError:
                self._forget(None)
            return self._known

    def _forget(self, file: tuple[int, int] | None) -> None:
        self._file, self._read, self._last, self._known = file, 0, 0, {}

    @property
    def last(self) -> int:
        """The last event of the journal, as of the last look."""
        self.now()
        return self._last

    def _take(self, data: bytes) -> None:
        whole = data.rfind(b"\n") + 1
        known = dict(self._known)
        lines = data[:whole].splitlines()
        for line in lines:
            if f'"{KIND}"'.encode() not in line:
                continue
            try:
                entry = json.loads(line)
                if entry["kind"] != KIND:
                    continue
                parts = [entry[name] for name in ("kind", "subject", "by", "why", "previous_hash")]
                digest = event_hash(entry["sequence"], datetime.fromisoformat(entry["at"]), *parts)
                whole_event, subject = digest == entry["hash"], json.loads(entry["subject"])
            except (ValueError, KeyError, TypeError):
                whole_event, entry = False, {"sequence": "?"}
            if not whole_event:
                raise IntegrityProblem(
                    f"Event {entry['sequence']} of {self._journal} was changed. Run: annealog verify"
                )
            found = account_of(subject, entry["sequence"])
            known[key_of(found.name)] = found
        if lines:
            try:
                self._last = int(json.loads(lines[-1])["sequence"])
            except (ValueError, KeyError, TypeError):
                raise IntegrityProblem(
                    f"The last line of {self._journal} cannot be read. Run: annealog verify"
                ) from None
        self._known, self._read = known, self._read + whole
