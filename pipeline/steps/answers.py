"""What the commands that look would answer, kept beside the pages when these are written, and given again without computing.

An answer holds while nothing of what it follows from has changed: the history, the program, the texts of the pages; and while
its page lies where it was written. Else the command computes it. A rendering looks at everything, so one mark says for which
history all its answers hold, those of untouched lots among them, and what it does not know is taken away. A command that
computed one answer keeps it with a mark of its own, which holds for that history alone.
"""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.history.snapshot import signature
from pipeline.steps.files import write_atomically
from pipeline.steps.texts import changed_texts, hashes_of_texts

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from pipeline.settings import Workspace

__all__ = ["EVENTS", "OF_METER", "OF_SENSOR", "Answer", "Answers", "answer_of"]

EVENTS = "events"
OF_METER = "trace of a meter"
OF_SENSOR = "trace of a sensor"
"""Kinds of answers beside those of pages, which go by the kind of their page."""

_PACKAGES = ("pipeline", "reports", "schemas")


@dataclass(frozen=True, slots=True)
class Answer:
    """The JSON document of a command, its page, and the reference texts edited since and not taken over."""

    document: dict[str, Any]
    page: Path | None
    not_taken_over: list[str]


@cache
def _program() -> str:
    """Return what tells this program from an edited or another one: names, sizes and times of its files."""
    top = Path(__file__).resolve().parents[2]
    digest = hashlib.sha256()
    for package in _PACKAGES:
        for folder, names, files in os.walk(top / package):
            names[:] = sorted(name for name in names if name != "__pycache__")
            for name in sorted(files):
                state = (Path(folder) / name).stat()
                digest.update(f"{folder}/{name} {state.st_size} {state.st_mtime_ns}\n".encode())
    return digest.hexdigest()


def _state(path: Path) -> list[int]:
    try:
        state = path.stat()
    except OSError:
        return []
    return [state.st_size, state.st_mtime_ns]


def _of_program(workspace: Workspace) -> dict[str, Any]:
    language = workspace.settings.language
    return {"program": _program(), "language": language, "texts": _state(workspace.root / "texts" / f"{language}.toml")}


def _read(path: Path) -> dict[str, Any] | None:
    """Return a document with its hash before it; None where it is missing, or does not agree."""
    try:
        digest, _, text = path.read_bytes().partition(b"\n")
    except OSError:
        return None
    if hashlib.sha256(text).hexdigest().encode() != digest:
        return None
    found: dict[str, Any] = json.loads(text)
    return found


def _written(document: Mapping[str, Any]) -> bytes:
    text = json.dumps(document, ensure_ascii=False, allow_nan=False).encode()
    return hashlib.sha256(text).hexdigest().encode() + b"\n" + text


class Answers:
    """Keeps the answers of one rendering.

    Parameters
    ----------
    workspace
        They lie in a folder of its pages.
    history
        What :func:`pipeline.history.snapshot.signature` said of the history that the answers follow from.
    """

    def __init__(self, workspace: Workspace, history: list[int]) -> None:
        self._workspace = workspace
        self._history = history
        self._folder = _folder(workspace)

    def keep(
        self,
        kind: str,
        name: str,
        document: Mapping[str, Any],
        page: Path | None = None,
        *,
        taken_over: Mapping[str, str] | None = None,
    ) -> None:
        """Keep the answer of a command that names a thing of some kind.

        Parameters
        ----------
        kind, name
            Of the thing.
        document
            What the command says.
        page
            The page that shows it.
        taken_over
            Hashes of the reference texts: given for an answer that was computed alone, and holds for this history only.
        """
        place = self._folder / _name(kind, name)
        shown = None if page is None else page.relative_to(self._workspace.pages).as_posix()
        kept = {"document": document, "page": shown, "state": [] if page is None else _state(page)}
        data = _written(kept if taken_over is None else {**kept, "mark": self._mark(taken_over)})
        try:
            same = place.read_bytes() == data
        except OSError:
            same = False
        if not same:
            write_atomically(place, data, lasting=False)

    def settle(self, known: Iterable[tuple[str, str]], taken_over: Mapping[str, str]) -> None:
        """Say that all answers hold for the history, and drop those of things that are not known any more.

        Parameters
        ----------
        known
            Kind and name of everything that the rendering knew.
        taken_over
            Hashes of the reference texts by name, as they were taken over.
        """
        names = {_name(kind, name) for kind, name in known}
        for path in self._folder.glob("*.json"):
            if path.name not in names and path.name != _MARK:
                path.unlink(missing_ok=True)
        write_atomically(self._folder / _MARK, _written(self._mark(taken_over)), lasting=False)

    def _mark(self, taken_over: Mapping[str, str]) -> dict[str, Any]:
        return {"history": self._history, **_of_program(self._workspace), "taken_over": dict(taken_over)}


_MARK = "mark.json"


def _folder(workspace: Workspace) -> Path:
    return workspace.pages / ".answers"


def _name(kind: str, name: str) -> str:
    """Return a name that no name of a thing can escape from."""
    return hashlib.sha256(f"{kind}\0{name}".encode("utf-8", "surrogatepass")).hexdigest()[:40] + ".json"


def answer_of(workspace: Workspace, kind: str, name: str) -> Answer | None:
    """Return what a command would answer now, where that was kept and still holds; None where it must be computed.

    Parameters
    ----------
    workspace
        A workspace.
    kind, name
        As they were kept.

    Returns
    -------
    Answer or None
    """
    folder = _folder(workspace)
    found = _read(folder / _name(kind, name))
    if found is None:
        return None
    mark = found["mark"] if "mark" in found else _read(folder / _MARK)
    if mark is None or mark["history"] != signature(workspace.history):
        return None
    if any(mark[key] != value for key, value in _of_program(workspace).items()):
        return None
    page = None if found["page"] is None else workspace.pages / found["page"]
    if page is not None and _state(page) != found["state"]:
        return None
    return Answer(found["document"], page, changed_texts(hashes_of_texts(workspace), mark["taken_over"]))
