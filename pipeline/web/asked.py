"""Answers as JSON: kept by a rendering, computed one after another, or of before while somebody writes the history."""

from __future__ import annotations

import json
import time
from typing import TYPE_CHECKING, Any

import orjson
from starlette.responses import Response

from pipeline.errors import HistoryBusy
from pipeline.history.snapshot import signature
from pipeline.kept.answers import answer_before, answer_of
from pipeline.web.visit import Refused
from reports.words import web as words
from schemas.documents import as_json

if TYPE_CHECKING:
    import threading
    from collections.abc import Callable, Mapping

    from pipeline.workspace.settings import Workspace

__all__ = ["Asked", "as_document"]

_KEPT = frozenset({"lot", "meter", "block", "process", "supplier"})
"""Kinds of things of which the last rendering kept the answers."""
_ASKED_AGAIN_S, _MOST_ASKED = 10.0, 500
"""What was computed is answered again for some seconds, while the history is as it was: the clock alone changes little."""
_PATIENCE_S = 2.0
"""So long whoever could be told of before waits for others whose answers are computed."""


class Asked:
    """Answers what is asked under /json.

    Parameters
    ----------
    answers
        What answers, by the first part of the address; called with the workspace and the name asked for.
    one
        Held by whoever opens the history's file.
    """

    def __init__(self, answers: Mapping[str, Callable[[Workspace, str], Any]], one: threading.RLock) -> None:
        self.answers, self._one = answers, one
        self._before: dict[tuple[str, str], tuple[Any, bytes]] = {}

    def answer(self, workspace: Workspace, asked: list[str]) -> Response:
        """Answer a request, without more than it names.

        Raises
        ------
        Refused
            If there is no such address.
        HistoryBusy
            If somebody writes the history, and nothing is kept of before.
        """
        if asked in ([], [""]):
            return _response(as_document({"addresses": [f"/json/{kind}" for kind in self.answers]}))
        if asked[0] not in self.answers or len(asked) > 2:
            raise Refused(404, words.TOLD["gone"])
        kind, name = asked[0], asked[1] if len(asked) == 2 else ""
        return self.kept(workspace, kind, name) or self._computed(workspace, kind, name)

    @staticmethod
    def kept(workspace: Workspace, kind: str, name: str) -> Response | None:
        """Return the answer that the last rendering kept, where it holds; it needs no history, and keeps nobody waiting."""
        kept = answer_of(workspace, kind, name) if kind in _KEPT and name else None
        return None if kept is None else _response(as_document({**kept.document, "page": None}))

    def _computed(self, workspace: Workspace, kind: str, name: str) -> Response:
        """Compute an answer, one after another; where something of before is kept, nobody waits for a writer, nor long for others."""
        before = answer_before(workspace, kind, name) if kind in _KEPT and name else None
        if before is None:
            with self._one:
                return _response(self._remembered(workspace, kind, name))
        if self._one.acquire(timeout=_PATIENCE_S):
            try:
                return _response(self._remembered(workspace, kind, name))
            except HistoryBusy:
                pass  # told as of before
            finally:
                self._one.release()
        document, at = before
        return _response(as_document({**document, "page": None, "published_at": at}))

    def _remembered(self, workspace: Workspace, kind: str, name: str) -> bytes:
        state = (signature(workspace.history), int(time.monotonic() / _ASKED_AGAIN_S))
        asked = self._before.get((kind, name))
        if asked is None or asked[0] != state:
            if len(self._before) >= _MOST_ASKED:
                self._before.clear()
            document = as_document(as_json(self.answers[kind](workspace, name)))
            asked = self._before[kind, name] = (state, document)
        return asked[1]


def _response(document: bytes) -> Response:
    return Response(document, media_type="application/json")


def as_document(values: Any) -> bytes:
    """Return plain values as the text of a document."""
    try:
        return orjson.dumps(values, option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE)
    except orjson.JSONEncodeError:  # half a character in a name that was no valid text where it came from
        return json.dumps(values, allow_nan=False, indent=2).encode("ascii") + b"\n"
