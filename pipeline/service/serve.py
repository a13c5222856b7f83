"""Serving the pages on the loopback address: to this computer and nobody else."""

from __future__ import annotations

import contextlib
import sys
import threading
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import EnvironmentProblem

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["served"]


class _Pages(SimpleHTTPRequestHandler):
    """Files of the folder, fetched anew each time; no listing, nothing hidden, no link, no other host name."""

    timeout = 30
    """Seconds without a byte after which a connection is closed, so that idle ones do not pile up."""

    def send_head(self):  # type: ignore[no-untyped-def]
        host = (self.headers.get("Host") or "").rpartition(":")[0] or self.headers.get("Host")
        if host not in ("127.0.0.1", "localhost"):
            self.send_error(403, "Loopback only")
            return None
        if not self._shown():
            self.send_error(404)
            return None
        # times are told to the second: a page written again within one would pass for unchanged
        del self.headers["If-Modified-Since"]
        return super().send_head()

    def _shown(self) -> bool:
        """Whether the address, in whatever spelling, is a file of the folder, and no link to one elsewhere."""
        folder = Path(self.directory)
        try:
            place = Path(self.translate_path(self.path))
            place = place / "index.html" if place.is_dir() else place
            inside = place.relative_to(folder).parts
            # a pipe would keep the thread waiting
            plain = place.is_file() and place.resolve() == folder.resolve().joinpath(*inside)
        except (ValueError, OSError):  # a NUL, or a name that is too long
            return False
        return plain and not any(part.startswith(".") for part in inside)

    def list_directory(self, path):  # type: ignore[no-untyped-def]  # noqa: ARG002
        self.send_error(404)

    def end_headers(self) -> None:
        self.send_header("Cache-Control", "no-cache")
        self.send_header("X-Content-Type-Options", "nosniff")
        super().end_headers()

    def log_message(self, *_: object) -> None:
        """Say nothing: a browser that refreshes would fill the journal."""


class _Server(ThreadingHTTPServer):
    """Says nothing of a browser that went away before it had read everything."""

    def handle_error(self, request, client_address):  # type: ignore[no-untyped-def]
        if not isinstance(sys.exception(), (ConnectionError, TimeoutError)):
            super().handle_error(request, client_address)


@contextlib.contextmanager
def served(folder: Path, port: int) -> Iterator[str]:
    """Serve a folder while the block runs; yield its address.

    Raises
    ------
    EnvironmentProblem
        If the port is taken.
    """
    try:
        server = _Server(("127.0.0.1", port), partial(_Pages, directory=str(folder)))
    except (OSError, OverflowError) as error:
        raise EnvironmentProblem(f"Cannot serve on port {port} of 127.0.0.1: {error}. Choose another one.") from None
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}/"
    finally:
        server.shutdown()
        server.server_close()
