"""What the commands that look would answer, kept beside the pages when these are written, and given again without computing.

An answer holds while nothing of what it follows from has changed: the history, the program, the texts of the pages; and while
its page lies where it was written. Else the command computes it. A rendering, of which there is one at a time, looks at
everything, or at what was touched since the last one: so one mark says for which history all its answers hold, those of
untouched lots among them. Before the first page is written the mark becomes one for untouched lots alone, so that a rendering which
did not end vouches for nothing that it touched, and the next one looks at that again. What a rendering does not know is taken
away, too. The mark states the hash of each answer, and a note in the chain of events the hash of the mark: what was changed
since is computed again.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import logging
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import orjson

from pipeline.errors import EnvironmentProblem, HistoryBusy
from pipeline.history.journal import Journal
from pipeline.history.snapshot import signature
from pipeline.workspace.files import cannot, sha256_of, state_of_file
from pipeline.workspace.locks import only_one
from pipeline.workspace.program import program
from pipeline.workspace.texts import changed_texts, hashes_of_texts

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from pipeline.workspace.settings import Workspace

__all__ = [
    "EVENTS",
    "OF_METER",
    "OF_SENSOR",
    "Answer",
    "Answers",
    "altered_answers",
    "answer_before",
    "answer_of",
    "one_rendering",
    "withdraw",
]

EVENTS = "events"
OF_METER = "trace of a meter"
OF_SENSOR = "trace of a sensor"
"""Kinds of answers beside those of pages, which go by the kind of their page."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Answer:
    """The JSON document of a command, its page, and the hashes of the reference texts that it follows from."""

    document: dict[str, Any]
    page: Path | None
    workspace: Workspace
    taken_over: dict[str, str]

    @property
    def not_taken_over(self) -> list[str]:
        """The reference texts edited since and not taken over."""
        return changed_texts(hashes_of_texts(self.workspace), self.taken_over)


def _of_program(workspace: Workspace) -> dict[str, Any]:
    language = workspace.settings.language
    return {
        "program": program(),
        "language": language,
        "texts": state_of_file(workspace.root / "texts" / f"{language}.toml"),
    }


def _put(path: Path, data: bytes) -> None:
    """Write a file whose hash is stated elsewhere: half of it is as good as none, so nothing beside it is needed.

    Raises
    ------
    EnvironmentProblem
        If the disk is full or the folder cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    except OSError as error:
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)
        raise cannot("write", path, error) from None


class Answers:
    """Keeps the answers of one rendering.

    Parameters
    ----------
    workspace
        They lie in a folder of its pages.
    history
        What :func:`pipeline.history.snapshot.signature` said of the history that the answers follow from.
    taken_over
        Hashes of the reference texts by name, as the history took them over.
    """

    def __init__(self, workspace: Workspace, history: list[int], taken_over: Mapping[str, str]) -> None:
        self._workspace = workspace
        self._folder = _folder(workspace)
        # what the answers follow from is looked at before they are made
        self._mark: dict[str, Any] = {
            "history": history,
            "at": datetime.now(UTC).isoformat(timespec="seconds"),
            **_of_program(workspace),
            "taken_over": dict(taken_over),
        }
        # a rendering looks at what was touched, where the answers before still hold of the rest
        before = _mark(workspace)
        self._kept: dict[str, str] = {} if before is None else dict(before["answers"])

    def keep(
        self, kind: str, name: str, document: Mapping[str, Any], page: Path | None = None, sha256: str | None = None
    ) -> None:
        """Keep the answer of a command that names a thing of some kind.

        Parameters
        ----------
        kind, name
            Of the thing.
        document
            What the command says.
        page, sha256
            The page that shows it, and the hash of that.
        """
        place = self._folder / _name(kind, name)
        shown = None if page is None else page.relative_to(self._workspace.pages).as_posix()
        kept = {
            "document": document,
            "page": shown,
            "sha256": sha256,
            "state": [] if page is None else state_of_file(page),
        }
        data = json.dumps(kept, ensure_ascii=False, allow_nan=False).encode()
        self._kept[place.name] = sha256_of(data)
        try:
            same = place.read_bytes() == data
        except OSError:
            same = False
        if not same:
            _put(place, data)

    def has(self, kind: str, name: str) -> bool:
        """Say whether an answer is kept, be it from the rendering before."""
        return _name(kind, name) in self._kept

    def stand(self, kind: str, names: Iterable[str]) -> None:
        """Say, before the first page is written, of which things of a kind the answers of the rendering before hold as they are."""
        places = [_name(kind, name) for name in names]
        self._state({place: self._kept[place] for place in places})

    def settle(self, known: Iterable[tuple[str, str]]) -> None:
        """Say that all answers hold for the history, and drop those of things that are not known any more.

        The chain vouches for the mark, and the mark for each answer by its hash. Where the history is busy nothing is
        said: somebody writes it, and the answers would not hold.

        Parameters
        ----------
        known
            Kind and name of everything that the rendering knew.
        """
        names = {_name(kind, name) for kind, name in known}
        for path in self._folder.glob("*.json"):
            if path.name not in names and path.name != _MARK:
                path.unlink(missing_ok=True)
        kept = {name: digest for name, digest in self._kept.items() if name in names}
        self._state(kept)

    def _state(self, kept: dict[str, str]) -> None:
        data = json.dumps({**self._mark, "answers": kept}, ensure_ascii=False).encode()
        from pipeline.history.store import History  # whoever only asks needs nothing of it

        with (
            contextlib.suppress(HistoryBusy),
            History.open(self._workspace.history, wait_s=0.2, snapshot=False) as history,
        ):
            history.note("kept", {"answers": sha256_of(data)})
            _put(self._folder / _MARK, data)


def _mark(workspace: Workspace) -> dict[str, Any] | None:
    """Return the mark of the last rendering, where the chain vouches for it."""
    try:
        data = (_folder(workspace) / _MARK).read_bytes()
    except OSError:
        return None
    if not Journal(workspace.history).vouches(sha256_of(data)):
        return None
    found: dict[str, Any] = orjson.loads(data)
    return found


_vouched: dict[Path, tuple[list[int], dict[str, Any]]] = {}
"""The mark that a process believed last, with the state of its file: a server is asked for thousands of answers under one mark."""


def _mark_as_before(workspace: Workspace) -> dict[str, Any] | None:
    """Return the mark of the last rendering, read and vouched for once in each state of its file and of the journal."""
    path, journal = _folder(workspace) / _MARK, Journal(workspace.history).path
    state = [*state_of_file(path), *state_of_file(journal)]
    known = _vouched.get(path)
    if known is not None and known[0] == state:
        return known[1]
    mark = _mark(workspace)
    if mark is not None and [*state_of_file(path), *state_of_file(journal)] == state:
        _vouched[path] = (state, mark)
    return mark


def _answer(workspace: Workspace, name: str, digest: str) -> dict[str, Any] | None:
    """Return what was kept under a name, where it has the hash that the mark states."""
    try:
        data = (_folder(workspace) / name).read_bytes()
    except OSError:
        return None
    if sha256_of(data) != digest:
        return None
    found: dict[str, Any] = orjson.loads(data)
    return found


def altered_answers(workspace: Workspace) -> list[str]:
    """Return what is not as the last rendering kept it: answers, and pages that they name."""
    if not (_folder(workspace) / _MARK).exists():
        return []
    mark = _mark(workspace)
    if mark is None:
        return [f"{_folder(workspace) / _MARK} is not as the last rendering wrote it"]
    found = []
    for name, digest in mark["answers"].items():
        kept = _answer(workspace, name, digest)
        if kept is None:
            found.append(f"{_folder(workspace) / name} is not as the last rendering wrote it")
        elif kept["page"] is not None and (page := workspace.pages / kept["page"]).is_file():
            same = sha256_of(page.read_bytes()) == kept["sha256"]
            found += [] if same else [f"{page} is not as the last rendering wrote it"]
    return found


def withdraw(workspace: Workspace) -> None:
    """Take the mark of the last rendering away: from here on its answers hold no more."""
    (_folder(workspace) / _MARK).unlink(missing_ok=True)


@contextlib.contextmanager
def one_rendering(workspace: Workspace, *, wait_s: float) -> Iterator[None]:
    """Let one process at a time write the pages of a workspace.

    Raises
    ------
    HistoryBusy
        If another one still does after `wait_s`.
    """
    folder = _folder(workspace)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise EnvironmentProblem(f"Cannot make {folder}: {error.strerror}.") from None
    deadline = time.monotonic() + wait_s
    with contextlib.ExitStack() as stack:
        while True:
            try:
                stack.enter_context(only_one(folder / "rendering.lock", "rendering", _log.warning))
                break
            except HistoryBusy:
                if time.monotonic() >= deadline:
                    raise
                time.sleep(0.1)
        yield


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
    kind, name
        As they were kept.
    """
    known = _kept(workspace, kind, name)
    if known is None or known[0]["history"] != signature(workspace.history):
        return None
    mark, found = known
    page = None if found["page"] is None else workspace.pages / found["page"]
    if page is not None and state_of_file(page) != found["state"]:
        return None
    return Answer(found["document"], page, workspace, mark["taken_over"])


def answer_before(workspace: Workspace, kind: str, name: str) -> tuple[dict[str, Any], str] | None:
    """Return what the last rendering kept, and when that read the history, whatever was written since; None where nothing is kept.

    For whoever cannot read the history now, and says of when it is what he says.
    """
    known = _kept(workspace, kind, name)
    return None if known is None else (known[1]["document"], known[0]["at"])


def _kept(workspace: Workspace, kind: str, name: str) -> tuple[dict[str, Any], dict[str, Any]] | None:
    """Return the mark of the last rendering and what this program kept then."""
    # most often nothing is kept: then neither mark nor answer is read
    mark = _mark_as_before(workspace) if (_folder(workspace) / _name(kind, name)).is_file() else None
    if mark is None or any(mark[key] != value for key, value in _of_program(workspace).items()):
        return None
    found = _answer(workspace, _name(kind, name), mark["answers"].get(_name(kind, name), ""))
    return None if found is None else (mark, found)
