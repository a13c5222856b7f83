"""Writing pages: only those whose data, look or links changed, in several processes where there are many."""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import os
import signal
from collections import deque
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Self

import reports
from pipeline import stop
from pipeline.pages.language import texts_of
from pipeline.pages.linked import with_linked
from pipeline.pages.page import PageReport
from pipeline.workspace.files import cannot, sha256_of, write_atomically

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from datetime import datetime
    from pathlib import Path

    from pipeline.kept.answers import Answers
    from pipeline.pages.page import Page
    from pipeline.workspace.settings import Settings, Workspace

__all__ = ["altered_pages", "processes", "register_of", "write_pages"]


_MOST_PROCESSES = 8


def processes(settings: Settings) -> int:
    """Return how many processes may write pages: as the settings say, else one a core."""
    if settings.page_processes > 0:
        return settings.page_processes
    available = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(available, _MOST_PROCESSES)


def write_pages(
    workspace: Workspace,
    pages: Iterable[Page],
    *,
    as_of: datetime | None = None,
    always: bool = False,
    progress: Callable[[PageReport], None] | None = None,
    known: Iterable[str] | None = None,
    processes: int = 1,
    due: int = 0,
    alone: bool = False,
    answers: Answers | None = None,
) -> list[PageReport]:
    """Write pages whose data changed since they were last written, and beside them those that hold their long parts.

    Parameters
    ----------
    workspace
        Pages go into its folder `pages`.
    as_of
        A moment that was asked for: its pages go into a folder of their own, so that they never replace the present ones.
    pages
        What to show.
    always
        Write even what did not change.
    progress
        Called after each page.
    known
        Addresses of all pages that will exist; None means these pages and those written before. Links lead only there.
    processes
        How many may render; more than one pays from a hundred pages on, and only a guarded main module may ask for it.
    due
        How many pages are likely to be written, as far as that is known: then others help from the start.
    alone
        Write them as pages that travel alone, without links to others, into a folder of their own.
    answers
        Keeps what the commands would answer.

    Returns
    -------
    list of PageReport
        In the order of the pages.
    """
    folder = workspace.pages if as_of is None else workspace.pages / f"as-of-{as_of:%Y%m%dT%H%M%SZ}"
    if alone:
        folder /= "single"
    way = _way(workspace, alone=alone)
    register = Register(folder, reports.LOOK + way.mark())
    if known is None:
        pages = list(pages)
        known = [_address(page) for page in with_linked(pages)]
    there = frozenset(known) | register.present()
    found: dict[int, PageReport] = {}
    addresses: dict[int, tuple[str, Page]] = {}

    def say(number: int, page: Page, written: bool) -> None:
        report = PageReport(folder / _address(page), page.link.kind, page.link.identifier, written)
        found[number] = report
        answer = None if answers is None else page.answer
        if answers is not None and answer is not None:
            sha256 = register.sha256(_address(page))
            answers.keep(page.link.kind, page.link.identifier, answer, report.path, sha256)
        if progress is not None:
            progress(report)

    def keep(done: Iterable[_Rendered]) -> None:
        for number, html, missing in done:
            stop.look()
            address, page = addresses.pop(number)
            data = html.encode()
            register.announce(address, data)
            write_atomically(folder / address, data)
            register.note(address, page.provenance.data_sha256, data, missing)
            say(number, page, written=True)

    try:
        with _Crew(frozenset() if alone else there, processes, way, due) as crew:
            chunk: list[tuple[int, Page]] = []
            # a page that travels alone holds everything itself
            for number, page in enumerate(pages if alone else with_linked(pages)):
                stop.look()
                address = _address(page)
                if not always and register.fresh(address, page.provenance.data_sha256, there):
                    say(number, page, written=False)
                    continue
                addresses[number] = address, page
                chunk.append((number, page))
                if len(chunk) == _CHUNK:
                    keep(crew.take(chunk))
                    chunk = []
            keep(crew.take(chunk))
            keep(crew.rest())
    finally:
        register.write()
    return [found[number] for number in sorted(found)]


def register_of(workspace: Workspace) -> Register:
    """Return what was written of the present pages of a workspace."""
    return Register(workspace.pages, reports.LOOK + _way(workspace, alone=False).mark())


def _address(page: Page) -> str:
    return reports.address(page.link.kind, page.link.identifier)


def altered_pages(folder: Path) -> list[str]:
    """Return the addresses of pages in a folder that are not as they were written, or as a rendering that was killed wrote them."""
    register = Register(folder, "")
    announced = register.announced()
    return sorted(
        address
        for address in register.present()
        if not register.as_written(address) and (address, register.hash_of(address)) not in announced
    )


class Register:
    """What was written: by address the hash of the data, the look, the hash of the page, and the links that led nowhere then."""

    def __init__(self, folder: Path, look: str) -> None:
        self._folder = folder
        self._look = look
        self._path = folder / ".written.json"
        self._announced = folder / ".writing"
        try:
            found = json.loads(self._path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            found = {}
        self._written: dict[str, list[str]] = {
            address: entry
            for address, entry in (found.items() if isinstance(found, dict) else ())
            if isinstance(entry, list) and all(isinstance(word, str) for word in entry)
        }

    def present(self) -> frozenset[str]:
        """Return the pages that were written and are still there."""
        return frozenset(address for address in self._written if (self._folder / address).is_file())

    def fresh(self, address: str, data: str, there: frozenset[str]) -> bool:
        """Say whether a page stands as it would be written now."""
        return self._written.get(address, [])[:1] == [data] and self.linked(address, there) and self.as_written(address)

    def linked(self, address: str, there: frozenset[str]) -> bool:
        """Say whether a page was written in this look, and with every link that it would have now."""
        entry = self._written.get(address, [])
        return entry[1:2] == [self._look] and there.isdisjoint(entry[3:])

    def as_written(self, address: str) -> bool:
        """Say whether a page is there and has the bytes that were written."""
        return self._written.get(address, [])[2:3] == [self.hash_of(address)]

    def hash_of(self, address: str) -> str | None:
        """Return the hash of a page as it lies there, if it does."""
        try:
            return sha256_of((self._folder / address).read_bytes())
        except OSError:
            return None

    def announce(self, address: str, html: bytes) -> None:
        """Say which bytes a page is about to have: the register is written last, and a process may be killed before."""
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            with self._announced.open("a", encoding="utf-8") as file:
                file.write(f"{sha256_of(html)} {address}\n")
        except OSError as error:
            raise cannot("write", self._announced, error) from None

    def announced(self) -> set[tuple[str, str]]:
        """Return address and hash of what a rendering that did not end was about to write."""
        try:
            lines = self._announced.read_text(encoding="utf-8", errors="replace").splitlines()
        except OSError:
            return set()
        return {(address, digest) for digest, _, address in (line.partition(" ") for line in lines)}

    def note(self, address: str, data: str, html: bytes, missing: Iterable[str]) -> None:
        """Take down a page."""
        self._written[address] = [data, self._look, sha256_of(html), *sorted(missing)]

    def sha256(self, address: str) -> str:
        """Return the hash of a page as it was written."""
        return self._written[address][2]

    def write(self) -> None:
        """Write the register."""
        write_atomically(self._path, json.dumps(self._written, indent=0, sort_keys=True).encode())
        self._announced.unlink(missing_ok=True)


_CHUNK = 16
_ENOUGH = 96
"""Others help where so many pages are due, or were rendered here: starting a process takes as long as rendering about so many."""

_Rendered = tuple[int, str, set[str]]


@dataclass(frozen=True, slots=True)
class _Way:
    """How pages are written: alone or linked, in which language, with which texts (None is English)."""

    alone: bool
    language: str
    texts: dict[str, str] | None

    def mark(self) -> str:
        """Return what tells the texts of another language from these; nothing for English."""
        if self.texts is None:
            return ""
        return hashlib.sha256(json.dumps(self.texts, sort_keys=True).encode()).hexdigest()[:12]


def _way(workspace: Workspace, *, alone: bool) -> _Way:
    return _Way(alone, workspace.settings.language, texts_of(workspace))


def _render(pages: list[tuple[int, Any]], known: frozenset[str], way: _Way) -> list[_Rendered]:
    """Render some pages; each with its number and the links that led nowhere."""
    sites = [reports.Site(known, way.alone, language=way.language, texts=way.texts) for _ in pages]
    written = reports.render_all([(page, site) for (_, page), site in zip(pages, sites, strict=True)])
    return [(number, html, site.missing) for (number, _), html, site in zip(pages, written, sites, strict=True)]


def _ignore_interrupts() -> None:
    """Leave stopping to the process that writes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


class _Crew:
    """Renders pages, here and in other processes.

    This process never waits while there is something to render: it takes a chunk itself when the others have enough.
    """

    def __init__(self, known: frozenset[str], processes: int, way: _Way, due: int) -> None:
        self._known = known
        self._way = way
        self._helpers = max(processes - 1, 0)
        self._seen, self._due = 0, due
        self._pool: ProcessPoolExecutor | None = None
        self._waiting: deque[tuple[Future[list[_Rendered]], list[tuple[int, Page]]]] = deque()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)

    def take(self, pages: list[tuple[int, Page]]) -> Iterator[_Rendered]:
        """Render a chunk, now or later; yield what is ready."""
        self._seen += len(pages)
        if pages and self._helpers and max(self._seen, self._due) > _ENOUGH and len(self._waiting) < 2 * self._helpers:
            if self._pool is None:
                # a fresh interpreter: a fork would copy the threads of polars and of the drawing engine half alive
                context = multiprocessing.get_context("spawn")
                self._pool = ProcessPoolExecutor(self._helpers, mp_context=context, initializer=_ignore_interrupts)
            self._waiting.append((self._pool.submit(_render, pages, self._known, self._way), pages))
        else:
            yield from _render(pages, self._known, self._way)
        while self._waiting and self._waiting[0][0].done():
            yield from self._waiting.popleft()[0].result()

    def rest(self) -> Iterator[_Rendered]:
        """Yield what is still being rendered; what nobody began is rendered here."""
        while self._waiting:
            future, pages = self._waiting.pop()
            yield from _render(pages, self._known, self._way) if future.cancel() else future.result()
