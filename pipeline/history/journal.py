"""The journal: every event once more, line by line, in a plain file beside the history.

It is what a rebuild needs beside the raw archive: the chain of events, which carry the numbers that a computation would not
give again, and the texts of layouts and reference tables under the hash by which the events name them. A history shorter than
its journal was replaced by an older one; `verify` and the next write say so.

Notes are links of the same chain that are written here first: the hash of what was kept beside the history (a snapshot,
answers, pages: kind `kept`), and of what `verify` found (`verified`). Nothing follows from them but whether that may be
believed, and so the history need not be open to write; the next event takes them into the chain.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import sys
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from pipeline.errors import EnvironmentProblem, IntegrityProblem, lacking
from pipeline.history.chain import GENESIS_HASH, event_hash

if sys.platform != "win32":
    import fcntl

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping
    from pathlib import Path

__all__ = ["NOTES", "Journal", "follows"]


NOTES = ("kept", "verified")
"""Kinds of entries that are written into the journal first."""


def _agrees(entry: Mapping[str, Any]) -> bool:
    parts = [entry[name] for name in ("kind", "subject", "by", "why", "previous_hash")]
    digest: str = event_hash(entry["sequence"], datetime.fromisoformat(entry["at"]), *parts)
    return bool(digest == entry["hash"])


def follows(entries: Iterable[Mapping[str, Any]], sequence: int, head: str) -> str | None:
    """Return the hash of the last entry where all are notes, each the next link after a place of the chain; else None."""
    try:
        for number, entry in enumerate(entries, start=sequence + 1):
            if (entry["sequence"], entry["previous_hash"]) != (number, head) or entry["kind"] not in NOTES:
                return None
            if not _agrees(entry):
                return None
            head = entry["hash"]
    except (ValueError, KeyError, TypeError):
        return None
    return head


class Journal:
    """The journal of the history at a path."""

    def __init__(self, history: Path) -> None:
        self.path = history.parent / "journal.jsonl"
        self.texts = history.parent / "texts"

    def last(self) -> tuple[int, str]:
        """Return sequence and hash of the last whole line; a line cut off by a crash does not count.

        Raises
        ------
        IntegrityProblem
            If the last line cannot be read.
        """
        line = next(self._backwards(), None)
        if line is None:
            return 0, GENESIS_HASH
        try:
            entry = json.loads(line)
            return int(entry["sequence"]), str(entry["hash"])
        except (ValueError, KeyError, TypeError):
            raise IntegrityProblem(
                f"The last line of {self.path} cannot be read. Run: annealog verify. Restore a backup, or move the "
                "journal aside so that it is written anew from the history."
            ) from None

    def _backwards(self) -> Iterator[bytes]:
        """Yield the whole lines from the last to the first."""
        try:
            file = self.path.open("rb")
        except FileNotFoundError:
            return
        with file:
            start, rest, whole = file.seek(0, os.SEEK_END), b"", False
            while start > 0:
                step = min(65536, start)
                start = file.seek(start - step)
                *lines, last = (file.read(step) + rest).split(b"\n")[::-1]
                yield from lines if whole else lines[1:]
                whole, rest = whole or bool(lines), last
            if whole and rest:
                yield rest

    def after(self, sequence: int) -> list[dict[str, Any]]:
        """Return the entries beyond a place of the chain, the oldest first; none where a line cannot be read."""
        found: list[dict[str, Any]] = []
        try:
            for line in self._backwards():
                entry = json.loads(line)
                if entry["sequence"] <= sequence:
                    break
                found.append(entry)
        except (ValueError, KeyError, TypeError):
            return []
        return found[::-1]

    def vouches(self, digest: str) -> bool:
        """Whether a note says that something with this hash was kept."""
        return self._note("kept", digest) is not None

    def last_verified(self) -> dict[str, Any] | None:
        """Return what the last note says that `verify` found; None where there is none."""
        return self._note("verified")

    def _note(self, kind: str, value: str | None = None) -> dict[str, Any] | None:
        """Return the subject of the last note of a kind, about a value where one is given, whose hash agrees."""
        for line in self._backwards():
            if f'"{kind}"'.encode() in line and (value or "").encode() in line:
                with contextlib.suppress(ValueError, KeyError, TypeError, AttributeError):
                    entry = json.loads(line)
                    subject: dict[str, Any] = json.loads(entry["subject"])
                    if entry["kind"] == kind and (value is None or value in subject.values()) and _agrees(entry):
                        return subject
        return None

    def note(self, kind: str, subject: Mapping[str, Any], catch_up: Callable[[], None] | None = None) -> None:
        """Add a note after the last entry; `catch_up` first adds the events that a crash kept from the journal.

        Raises
        ------
        EnvironmentProblem
            If it cannot be written.
        """
        with self._alone():
            if catch_up is not None:
                catch_up()
            sequence, head = self.last()
            at, text = datetime.now(UTC), json.dumps(subject, sort_keys=True)
            link = {
                "sequence": sequence + 1,
                "at": at.isoformat(),
                "kind": kind,
                "subject": text,
                "by": "annealog",
                "why": "",
            }
            digest = event_hash(sequence + 1, at, kind, text, "annealog", "", head)
            self.append([{**link, "previous_hash": head, "hash": digest}])

    @contextlib.contextmanager
    def _alone(self) -> Iterator[None]:
        """Let one process at a time add a note; a writer of the history keeps all of them out."""
        try:
            file = self.path.open("ab")
        except OSError as error:
            raise EnvironmentProblem(f"Cannot write {self.path}: {error.strerror}.") from None
        with file:
            if sys.platform != "win32":
                fcntl.flock(file, fcntl.LOCK_EX)
            yield

    def append(self, entries: Iterable[dict[str, Any]]) -> None:
        """Add lines and write them through to the disk.

        Raises
        ------
        EnvironmentProblem
            If they cannot be written; the next write of the history adds them.
        """
        lines = [json.dumps(entry, ensure_ascii=False, allow_nan=False) + "\n" for entry in entries]
        if not lines:
            return
        try:
            with self.path.open("ab+") as file:
                end = file.seek(0, os.SEEK_END)
                whole = self._whole_length(file, end)
                if whole < end:
                    file.truncate(whole)  # what a crash cut off
                try:
                    file.write("".join(lines).encode())
                    file.flush()
                    os.fsync(file.fileno())
                except OSError:
                    with contextlib.suppress(OSError):
                        file.truncate(whole)
                    raise
        except OSError as error:
            raise EnvironmentProblem(
                f"The history is whole, but its journal {self.path} cannot be written: {error.strerror}. "
                "Free some space; the next load adds what is missing."
            ) from None

    @staticmethod
    def _whole_length(file: Any, end: int) -> int:
        """Return the length up to the last line end."""
        start = end
        while start > 0:
            step = min(65536, start)
            start = file.seek(start - step)
            found = file.read(step).rfind(b"\n")
            if found >= 0:
                return int(start + found + 1)
        return 0

    def entries(self) -> Iterator[dict[str, Any]]:
        """Yield all whole lines in order.

        Raises
        ------
        IntegrityProblem
            If one cannot be read.
        """
        try:
            file = self.path.open("rb")
        except FileNotFoundError:
            return
        with file:
            for number, line in enumerate(file, start=1):
                if not line.endswith(b"\n"):
                    return
                try:
                    yield json.loads(line)
                except ValueError:
                    raise IntegrityProblem(f"Line {number} of {self.path} cannot be read.") from None

    def keep_text(self, text: str) -> str:
        """Keep a text under its hash and return the hash."""
        data = text.encode()
        digest = hashlib.sha256(data).hexdigest()
        place = self.texts / digest
        if place.is_file() and place.stat().st_size == len(data):
            return digest
        part = self.texts / f".{digest}.{os.getpid()}.tmp"
        try:
            self.texts.mkdir(parents=True, exist_ok=True)
            with part.open("wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            part.replace(place)
        except OSError as error:
            with contextlib.suppress(OSError):
                part.unlink()
            raise EnvironmentProblem(f"Cannot write {place}: {error.strerror}.") from None
        return digest

    def text(self, digest: str) -> str:
        """Return a kept text.

        Raises
        ------
        IntegrityProblem
            If it is missing or was changed.
        """
        try:
            data = (self.texts / digest).read_bytes()
        except OSError as error:
            kind = EnvironmentProblem if lacking(error) else IntegrityProblem
            raise kind(f"The text {self.texts / digest} cannot be read: {error.strerror}.") from None
        if hashlib.sha256(data).hexdigest() != digest:
            raise IntegrityProblem(
                f"The text {self.texts / digest} has changed: its hash does not agree with its name."
            )
        return data.decode()
