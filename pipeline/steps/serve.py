"""Serving the pages on the loopback address: to this computer and nobody else."""

from __future__ import annotations

import contextlib
import threading
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING

from pipeline.errors import EnvironmentProblem

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["served"]


class _Pages(SimpleHTTPRequestHandler):
    """Files of the folder, fetched anew each time; no listing, nothing hidden, no other host name."""

    def send_head(self):  # type: ignore[no-untyped-def]
        host = (self.headers.get("Host") or "").rpartition(":")[0] or self.headers.get("Host")
        if host not in ("127.0.0.1", "localhost"):
            self.send_error(403, "Loopback only")
            return None
        if any(part.startswith(".") for part in self.path.split("/")):
            self.send_error(404)
            return None
        return super().send_head()

    def list_directory(self, path):  # type: ignore[no-untyped-def]  # noqa: ARG002
        self.send_error(404)

    def end_headers(self) -> None:
        self.send_header("Cache-Control", "no-cache")
        self.send_header("X-Content-Type-Options", "nosniff")
        super().end_headers()

    def log_message(self, *_: object) -> None:
        """Say nothing: a browser that refreshes would fill the journal."""


@contextlib.contextmanager
def served(folder: Path, port: int) -> Iterator[str]:
    """Serve a folder while the block runs; yield its address.

    Raises
    ------
    EnvironmentProblem
        If the port is taken.
    """
    try:
        server = ThreadingHTTPServer(("127.0.0.1", port), partial(_Pages, directory=str(folder)))
    except (OSError, OverflowError) as error:
        raise EnvironmentProblem(f"Cannot serve on port {port} of 127.0.0.1: {error}. Choose another one.") from None
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}/"
    finally:
        server.shutdown()
        server.server_close()
