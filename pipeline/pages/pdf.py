"""Pages as PDF, through the Chromium of the machine: one browser for all of them, without a network.

It is spoken to over a pair of sockets (its DevTools protocol), so no port is opened. Its own print call starts a browser for each
page, which costs nine times as much, and takes no size of paper.
"""

from __future__ import annotations

import base64
import contextlib
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import tempfile
from typing import TYPE_CHECKING, Any, Self

from pipeline.errors import EnvironmentProblem, UsageError
from pipeline.workspace.files import write_atomically

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

__all__ = ["PAPERS", "find_browser", "print_pages"]

PAPERS = {"A4": (210 / 25.4, 297 / 25.4), "Letter": (8.5, 11.0)}
"""Width and height in inches (ISO 216; ANSI A)."""

_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
_TIMEOUT_S = 60.0
_SMALLER = (1.0, 0.94, 0.88, 0.8, 0.7, 0.6, 0.5)
"""How much smaller a paper of one sheet is printed until it fits: names without end are the only reason."""


def find_browser() -> str:
    """Return the Chromium that prints.

    Raises
    ------
    EnvironmentProblem
        If the machine has none.
    """
    for name in _NAMES:
        found = shutil.which(name)
        if found:
            return found
    raise EnvironmentProblem(
        "A PDF is printed by Chromium, and none was found on the path. Install it (Debian: apt-get install chromium), or "
        "open the page in any browser and print it there: it is made for paper."
    )


def print_pages(
    paths: Iterable[Path],
    paper: str = "A4",
    *,
    progress: Callable[[Path], None] | None = None,
    one_sheet: bool = False,
    size: tuple[float, float] | None = None,
) -> list[Path]:
    """Print pages; each PDF lies beside its page.

    Parameters
    ----------
    paths
        Pages that were written.
    paper
        A4 or Letter.
    progress
        Called after each.
    one_sheet
        Print smaller what would not fit on one sheet.
    size
        Width and height in inches, without margins, instead of a paper.

    Raises
    ------
    EnvironmentProblem
        If there is no Chromium, or it fails.
    UsageError
        If the paper is unknown.
    """
    if paper not in PAPERS:
        raise UsageError(f"No paper {paper!r}; expected one of {', '.join(PAPERS)}.")
    binary = find_browser()
    printed = []
    with _Browser(binary) as browser:
        for path in paths:
            target = path.with_suffix(".pdf")
            for scale in _SMALLER if one_sheet else _SMALLER[:1]:
                data = browser.pdf(path, *(size or PAPERS[paper]), scale=scale, margins=size is None)
                if not one_sheet or len(re.findall(rb"/Type\s*/Page\b", data)) == 1:
                    break
            write_atomically(target, data)
            printed.append(target)
            if progress is not None:
                progress(target)
    return printed


_AS_3_AND_4 = 'exec "$0" "$@" 3<&0 4>&0 </dev/null'
"""Hands the browser its end of the line as the two files that it expects."""


class _Browser:
    """A Chromium without a window."""

    def __init__(self, binary: str) -> None:
        self._binary = binary
        self._number = 0
        self._left = b""
        self._events: list[dict[str, Any]] = []

    def __enter__(self) -> Self:
        self._profile = tempfile.mkdtemp(prefix="annealog-print-")
        flags = [
            "--headless", "--remote-debugging-pipe", "--disable-gpu", "--no-first-run", "--disable-background-networking",
            "--disable-component-update", "--disable-sync", "--disable-extensions", "--host-resolver-rules=MAP * ~NOTFOUND",
            f"--user-data-dir={self._profile}", "about:blank",
        ]  # fmt: skip
        if os.geteuid() == 0:
            flags.insert(0, "--no-sandbox")  # its sandbox refuses to work for root; it opens only pages of ours
        self._line, theirs = socket.socketpair()
        self._line.settimeout(_TIMEOUT_S)
        quiet = subprocess.DEVNULL
        with theirs:
            self._process = subprocess.Popen(  # noqa: S603 - the browser that was found, and flags of ours
                ["/bin/sh", "-c", _AS_3_AND_4, self._binary, *flags],
                stdin=theirs.fileno(), stdout=quiet, stderr=quiet, start_new_session=True,
            )  # fmt: skip
        try:
            target = self._call("Target.createTarget", {"url": "about:blank"})["targetId"]
            attached = self._call("Target.attachToTarget", {"targetId": target, "flatten": True})
            self._session = attached["sessionId"]
            self._call("Page.enable", session=self._session)
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self._line.close()
        for end in (signal.SIGTERM, signal.SIGKILL):  # its children are in its group
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self._process.pid, end)
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._process.wait(timeout=5)
        shutil.rmtree(self._profile, ignore_errors=True)

    def pdf(self, page: Path, width: float, height: float, *, scale: float, margins: bool) -> bytes:
        """Return a page printed on paper of this size, in inches."""
        self._events.clear()
        self._call("Page.navigate", {"url": page.resolve().as_uri()}, session=self._session)
        while not any(event["method"] == "Page.loadEventFired" for event in self._events):
            self._receive()
        given = {
            "paperWidth": width,
            "paperHeight": height,
            "printBackground": True,
            "preferCSSPageSize": False,
            "scale": scale,
        }
        if not margins:
            given |= dict.fromkeys(("marginTop", "marginRight", "marginBottom", "marginLeft"), 0)
        answer = self._call("Page.printToPDF", given, session=self._session)
        return base64.b64decode(answer["data"])

    def _call(self, method: str, given: dict[str, Any] | None = None, *, session: str | None = None) -> dict[str, Any]:
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": given or {}}
        if session is not None:
            message["sessionId"] = session
        try:
            self._line.sendall(json.dumps(message).encode() + b"\0")
        except OSError as error:
            raise EnvironmentProblem(f"Chromium went away while printing: {error}") from None
        while True:
            answer = self._receive()
            if answer.get("id") == self._number:
                if "error" in answer:
                    raise EnvironmentProblem(f"Chromium could not print: {answer['error'].get('message')}")
                result: dict[str, Any] = answer["result"]
                return result

    def _receive(self) -> dict[str, Any]:
        """Return the next message; events are kept as well."""
        while b"\0" not in self._left:
            data = b""
            with contextlib.suppress(OSError):
                data = self._line.recv(1 << 20)
            if not data:
                raise EnvironmentProblem(
                    "Chromium did not answer while printing; print the page from a browser instead."
                )
            self._left += data
        first, _, self._left = self._left.partition(b"\0")
        message: dict[str, Any] = json.loads(first)
        if "method" in message:
            self._events.append(message)
        return message
