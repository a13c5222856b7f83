"""The journal: every event once more, line by line, in a plain file beside the history.

It is what a rebuild needs beside the raw archive: the chain of events, which carry the numbers that a computation would not
give again, and the texts of layouts and reference tables under the hash by which the events name them. A history shorter than its journal was replaced by
an older one; `verify` and the next write say so.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from typing import TYPE_CHECKING, Any

from pipeline.errors import EnvironmentProblem, IntegrityProblem
from pipeline.history.chain import GENESIS_HASH
from pipeline.history.connection import lacking

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

__all__ = ["Journal"]


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
        line = self._last_line()
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

    def _last_line(self) -> bytes | None:
        try:
            with self.path.open("rb") as file:
                end = file.seek(0, os.SEEK_END)
                tail, start = b"", end
                while start > 0 and tail.rstrip(b"\n").count(b"\n") < 2:
                    step = min(65536, start)
                    start = file.seek(start - step)
                    tail = file.read(step) + tail
        except FileNotFoundError:
            return None
        whole = tail[: tail.rfind(b"\n") + 1].rstrip(b"\n")
        return whole[whole.rfind(b"\n") + 1 :] or None

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
                part.unlink(missing_ok=True)
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
