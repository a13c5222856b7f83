"""Runs the application: a process of its own beside the service, so that loading and answering do not keep each other waiting."""

from __future__ import annotations

import contextlib
import logging
import multiprocessing
import os
import socket
import ssl
import threading
from typing import TYPE_CHECKING, Any, cast

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from pipeline.errors import EnvironmentProblem, UsageError
from pipeline.history.accounts import Accounts
from pipeline.web.app import Application, Place
from pipeline.web.sessions import network_of
from pipeline.workspace.settings import find_workspace

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from pathlib import Path

__all__ = ["Listen", "beside", "listening", "run"]

SLOW_S = 30.0
"""A connection that has not said what it wants after this long is closed, so that idle ones do not pile up."""
_AT_ONCE, _AT_ONCE_EACH = 200, 100
"""Connections, and those of one place: a browser has six."""


class _Bounded(H11Protocol):
    """Does not wait for ever for a request, nor for more of them at once from one place than leaves room for others."""

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        self._late = self.loop.call_later(SLOW_S, self._give_up, 0)
        if cast("Application", self.config.app).place.proxy is not None:
            return  # everybody asks from its place, and it bounds them itself
        places = [_place(cast("_Bounded", one)) for one in self.connections]
        if places.count(_place(self)) > _AT_ONCE_EACH:
            self.transport.close()

    def _give_up(self, before: int) -> None:
        waiting = self.cycle is None or self.cycle.response_complete
        if waiting and before == id(self.cycle):
            self.transport.close()
        elif not self.transport.is_closing():
            self._late = self.loop.call_later(SLOW_S, self._give_up, id(self.cycle) if waiting else 0)

    def connection_lost(self, exc: Exception | None) -> None:
        self._late.cancel()
        super().connection_lost(exc)


def _place(connection: _Bounded) -> str:
    return network_of(connection.client[0]) if connection.client is not None else ""


class Listen:
    """Where to answer, held against what is safe.

    Parameters
    ----------
    address, port
        0 takes a port that is free.
    certificate, key
        Files of TLS.
    proxy
        Address of the proxy that alone may ask.
    names
        Names under which it may be asked for, beside those of this computer.
    """

    def __init__(
        self, *, address: str = "127.0.0.1", port: int = 8080, certificate: Path | None = None, key: Path | None = None,
        proxy: str | None = None, names: tuple[str, ...] = (),
    ) -> None:  # fmt: skip
        self.address, self.port, self.certificate, self.key = address, port, certificate, key
        self.place = Place(
            names=frozenset(name.casefold() for name in (*names, address)), secure=certificate is not None, proxy=proxy
        )

    def check(self, history: Path) -> None:
        """Refuse to be reached over a network in the clear, or without accounts.

        Raises
        ------
        UsageError
            Says what is lacking.
        """
        if (self.certificate is None) != (self.key is None):
            raise UsageError("--certificate and --key belong together.")
        if self.certificate is not None and self.place.proxy is not None:
            raise UsageError("Either --certificate and --key, or --behind: the proxy speaks TLS then.")
        if self.certificate is not None:
            try:
                ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(self.certificate, self.key)
            except (OSError, ssl.SSLError) as error:
                raise UsageError(f"{self.certificate} and {self.key} do not serve for TLS: {error}") from None
        if self.address in ("0.0.0.0", "::") and not self.place.names - {self.address}:  # noqa: S104
            raise UsageError(f"{self.address} is every address: say with --name under which name browsers ask for it.")
        here = self.address in ("127.0.0.1", "localhost", "::1")
        if not here and self.certificate is None and self.place.proxy is None:
            raise UsageError(
                f"{self.address} is reached from elsewhere: passwords would go in the clear. Give --certificate and --key, or "
                "--behind with the address of the proxy that speaks TLS."
            )
        people = any(account.open for account in Accounts(history).now().values())
        if not people and (not here or self.place.proxy is not None):
            raise UsageError("From elsewhere only with accounts. First: annealog account add NAME --role supervisor")

    def socket(self) -> socket.socket:
        """Return the open socket.

        Raises
        ------
        EnvironmentProblem
            If the port is taken.
        """
        family = socket.AF_INET6 if ":" in self.address else socket.AF_INET
        # with the protocol named, asyncio sends small answers at once (TCP_NODELAY)
        made = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        try:
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            made.bind((self.address, self.port))
            made.listen(128)
        except (OSError, OverflowError) as error:
            made.close()
            raise EnvironmentProblem(
                f"Cannot serve on port {self.port} of {self.address}: {error}. Choose another one."
            ) from None
        return made

    def url(self, port: int) -> str:
        """Return what to type into a browser."""
        name = f"[{self.address}]" if ":" in self.address else self.address
        return f"{'https' if self.place.secure else 'http'}://{name}:{port}/"


def run(root: Path, answers: Mapping[str, Callable[..., Any]], listen: Listen, open_socket: socket.socket) -> None:
    """Answer until somebody asks to stop."""
    _server(root, answers, listen).run([open_socket])


def _server(root: Path, answers: Mapping[str, Callable[..., Any]], listen: Listen) -> uvicorn.Server:
    for name in ("uvicorn.error", "uvicorn.access"):  # a browser that refreshes would fill the log
        logging.getLogger(name).setLevel(logging.CRITICAL)
    application = Application(root, answers, listen.place)
    config = uvicorn.Config(
        application, http=_Bounded, ws="none", lifespan="off", log_config=None, access_log=False,
        limit_concurrency=_AT_ONCE, timeout_keep_alive=15, timeout_graceful_shutdown=5, server_header=False,
        proxy_headers=False, ssl_certfile=listen.certificate, ssl_keyfile=listen.key,
    )  # fmt: skip
    server = uvicorn.Server(config)
    application.ending = lambda: server.should_exit
    return server


@contextlib.contextmanager
def listening(root: Path, answers: Mapping[str, Callable[..., Any]], listen: Listen) -> Iterator[str]:
    """Answer from a thread while the block runs; yield the address."""
    listen.check(find_workspace(root).history)
    with listen.socket() as open_socket:
        server = _server(root, answers, listen)
        thread = threading.Thread(target=server.run, args=([open_socket],), daemon=True)
        thread.start()
        try:
            yield listen.url(open_socket.getsockname()[1])
        finally:
            server.should_exit = True
            thread.join(20.0)


def _child(root: Path, answers: Mapping[str, Callable[..., Any]], listen: Listen, open_socket: socket.socket) -> None:
    """Answer until the service ends, however it does."""
    parent = multiprocessing.parent_process()

    def wait() -> None:
        if parent is not None:
            parent.join()
        os._exit(0)

    threading.Thread(target=wait, daemon=True).start()
    with contextlib.suppress(KeyboardInterrupt):
        run(root, answers, listen, open_socket)


@contextlib.contextmanager
def beside(root: Path, answers: Mapping[str, Callable[..., Any]], listen: Listen) -> Iterator[str]:
    """Answer from a process of its own while the block runs; yield the address."""
    listen.check(find_workspace(root).history)
    with listen.socket() as open_socket:
        process = multiprocessing.get_context("spawn").Process(
            target=_child, args=(root, answers, listen, open_socket), daemon=True
        )
        process.start()
        try:
            yield listen.url(open_socket.getsockname()[1])
        finally:
            process.terminate()
            process.join(10.0)
            if process.is_alive():
                process.kill()
