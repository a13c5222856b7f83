"""Tells browsers when the page that they show was written again: four looks a second for all of them together.

The page says as it was served what state of its file it shows, so that nothing is lost between serving and listening, nor
while a hidden window does not listen. A stream ends with what allowed it, such as its session.
"""

from __future__ import annotations

import asyncio
import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from starlette.concurrency import run_in_threadpool
from starlette.responses import StreamingResponse

from pipeline.errors import AnnealogError
from pipeline.web.files import state_of_page
from pipeline.web.visit import Refused
from reports.words import web as words

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable
    from pathlib import Path

    from starlette.types import Receive, Scope, Send

__all__ = ["Changes"]

_ALIVE_EVERY = 60
"""After how many looks without news a comment is sent, which keeps proxies from closing the stream (HTML standard, 9.2.7)."""
_CHANGED = b"event: changed\ndata:\n\n"


@dataclass(eq=False, kw_only=True)
class _Listener:
    page: Path
    shown: str
    whose: str
    may: Callable[[], bool]
    said: asyncio.Queue[bytes | None] = field(default_factory=asyncio.Queue)

    def look(self) -> bytes | None:
        """Return what is to be said now; None ends the stream."""
        try:
            if not self.may():
                return None
        except AnnealogError:  # whoever still may asks again
            return None
        return _CHANGED if state_of_page(self.page) not in ("", self.shown) else b""


def _all(listeners: list[_Listener]) -> list[tuple[_Listener, bytes | None]]:
    return [(one, one.look()) for one in listeners]


class Changes:
    """All who listen.

    Parameters
    ----------
    most, most_each
        How many may listen at once, and of one person: each is a connection that others cannot have.
    every_s
        Between two looks.
    """

    def __init__(self, *, most: int = 100, most_each: int = 20, every_s: float = 0.25) -> None:
        self._most, self._most_each, self._every_s = most, most_each, every_s
        self._listeners: set[_Listener] = set()
        self._lock = threading.Lock()
        self._looking: asyncio.Task[None] | None = None

    def stream(self, page: Path, shown: str, may: Callable[[], bool], whose: str) -> StreamingResponse:
        """Return the answer that says once that a page is not in the state that is shown.

        Raises
        ------
        Refused
            If too many listen already.
        """
        listener = _Listener(page=page, shown=shown, may=may, whose=whose)
        with self._lock:
            theirs = sum(one.whose == whose for one in self._listeners)
            if len(self._listeners) >= self._most or theirs >= self._most_each:
                raise Refused(503, words.TOLD["listeners"])
            self._listeners.add(listener)
        return _Stream(self._told(listener), lambda: self._listeners.discard(listener))

    async def _told(self, listener: _Listener) -> AsyncIterator[bytes]:
        if self._looking is None or self._looking.done():
            self._looking = asyncio.create_task(self._look())
        yield b"retry: 5000\n\n"
        while (said := await listener.said.get()) is not None:
            yield said

    async def _look(self) -> None:
        looks = 0
        while listeners := list(self._listeners):
            alive = b":\n\n" if looks % _ALIVE_EVERY == 0 else b""
            for one, said in await run_in_threadpool(_all, listeners):
                if said is None or said or alive:
                    one.said.put_nowait(said if said is None else said or alive)
                if said:  # once: the page that is fetched then listens anew
                    one.said.put_nowait(None)
                if said is None or said:
                    self._listeners.discard(one)
            looks += 1
            await asyncio.sleep(self._every_s)


class _Stream(StreamingResponse):
    """Gives its place back however it ends, also before it began."""

    def __init__(self, said: AsyncIterator[bytes], ended: Callable[[], None]) -> None:
        super().__init__(said, media_type="text/event-stream")
        self._ended = ended

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._ended()
