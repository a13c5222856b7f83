"""Prefect flows: thin. They pass paths, ids and counts; the work is in `steps` and runs the same without Prefect.

Without a configured server an embedded one starts once per command: quiet, telemetry off, its home inside the workspace.
The run ledger in the history, not Prefect's state, is the truth.
"""

from __future__ import annotations

import contextlib
import http.client
import importlib.metadata
import os
import subprocess
import sys
import threading
import time
from typing import TYPE_CHECKING, Any

from pipeline.errors import EnvironmentProblem

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from pipeline.pages.page import PageReport
    from pipeline.workspace.settings import Workspace

__all__ = ["carrying_out", "embedded_server", "in_flow", "lost", "render_step", "resident"]

_START_LIMIT_S = 180.0
"""How long the server may take to start: a slow machine needs a minute for the first migration of its database."""

_QUIET = {
    "DO_NOT_TRACK": "1",
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    # errors reach the user as exceptions of ours; the same as log lines would come twice
    "PREFECT_LOGGING_LEVEL": "CRITICAL",
    "PREFECT_LOGGING_TO_API_ENABLED": "false",
    "PREFECT_SERVER_UI_ENABLED": "false",
    # nothing here is scheduled, triggered or late
    "PREFECT_SERVER_SERVICES_SCHEDULER_ENABLED": "false",
    "PREFECT_SERVER_SERVICES_LATE_RUNS_ENABLED": "false",
    "PREFECT_SERVER_SERVICES_FOREMAN_ENABLED": "false",
    "PREFECT_SERVER_SERVICES_TRIGGERS_ENABLED": "false",
    "PREFECT_SERVER_SERVICES_CANCELLATION_CLEANUP_ENABLED": "false",
    "PREFECT_SERVER_SERVICES_PAUSE_EXPIRATIONS_ENABLED": "false",
}


_DATABASES = ("PREFECT_SERVER_DATABASE_", "PREFECT_API_DATABASE_")


class _Server:
    """The embedded server of one command, started early so that it comes up while this process imports its own things."""

    def __init__(self, home: Path) -> None:
        home.mkdir(parents=True, exist_ok=True)
        self.log = home / "server.log"
        environment = {**os.environ, "PREFECT__SERVER_EPHEMERAL": "1", "PREFECT__SERVER_FINAL": "1"}
        store = []
        if not any(name.startswith(_DATABASES) for name in environment):
            store = [str(home / f"runs-{importlib.metadata.version('prefect')}.db")]
            environment["PREFECT_SERVER_DATABASE_CONNECTION_URL"] = f"sqlite+aiosqlite:///{store[0]}"
            environment["PREFECT_SERVER_DATABASE_MIGRATE_ON_START"] = "false"  # see `flow_server`
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(  # noqa: S603 - this interpreter, a module and a file of our own
                [sys.executable, "-m", "pipeline.flow_server", *store],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
                env=environment,
            )
        self.url = ""

    def wait(self) -> str:
        """Return the server's address once it answers.

        Raises
        ------
        EnvironmentProblem
            If it does not come up.
        """
        stream = self.process.stdout
        port = stream.readline().strip().decode() if stream is not None else ""
        deadline = time.monotonic() + _START_LIMIT_S
        while port and time.monotonic() < deadline and self.process.poll() is None:
            with contextlib.suppress(OSError):
                connection = http.client.HTTPConnection("127.0.0.1", int(port), timeout=5)
                connection.request("GET", "/api/health")
                if connection.getresponse().status == 200:
                    self.url = f"http://127.0.0.1:{port}/api"
                    return self.url
            time.sleep(0.05)
        self.stop()
        raise EnvironmentProblem(
            f"The embedded flow server did not start within {_START_LIMIT_S:g} s; see {self.log}. "
            "The same work runs without it: add --direct."
        )

    def stop(self) -> None:
        """End the server."""
        for stream in (self.process.stdin, self.process.stdout):
            if stream is not None:
                stream.close()
        try:
            self.process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


@contextlib.contextmanager
def embedded_server(workspace: Workspace) -> Iterator[_Server | None]:
    """Have a server for the flows of one command; a server configured by PREFECT_API_URL is used as it is."""
    added = {name: value for name, value in _QUIET.items() if name not in os.environ}
    if "PREFECT_HOME" not in os.environ:
        added["PREFECT_HOME"] = str(workspace.flow_home)
    os.environ.update(added)
    server = None if os.environ.get("PREFECT_API_URL") else _Server(workspace.flow_home)
    try:
        from prefect.settings import (
            PREFECT_API_URL,
            PREFECT_CLIENT_MAX_RETRIES,
            PREFECT_FLOWS_HEARTBEAT_FREQUENCY,
            temporary_settings,
        )

        # the heartbeat thread costs a second a flow, and nobody listens to it here
        # a server that is lost stays lost; five retries would take a minute
        settings: dict[Any, Any] = {PREFECT_FLOWS_HEARTBEAT_FREQUENCY: None, PREFECT_CLIENT_MAX_RETRIES: 1}
        if server is not None:
            settings[PREFECT_API_URL] = server.wait()
        with temporary_settings(settings):
            yield server
    finally:
        if server is not None:
            server.stop()
        for name in added:
            os.environ.pop(name, None)


class _Record:
    """What became of the steps of one run. Prefect's word is not needed for it, so the work survives its server."""

    def __init__(self) -> None:
        self._done: list[Any] = []
        self._next = 0
        self.error: BaseException | None = None
        self.value: Any = None
        self.finished = False

    def step(self, function: Callable[[], Any]) -> Any:
        """Carry out a step, or return what it gave the first time."""
        number, self._next = self._next, self._next + 1
        if number == len(self._done):
            try:
                self._done.append(function())
            except BaseException as error:
                self.error = error
                raise
        return self._done[number]

    def again(self) -> None:
        """Begin the work again; steps that were done are not repeated."""
        self._next = 0


def in_flow(name: str, work: Any, about: dict[str, Any]) -> Any:
    """Carry out a piece of work as one flow run, its steps as tasks; end it without Prefect if the server is lost.

    Parameters
    ----------
    work
        Called with a function that carries out a step: ``step(name, function)``.
    about
        Paths and counts, shown as the parameters of the run.
    """
    from prefect import flow, task
    from prefect.cache_policies import NO_CACHE

    record = _Record()

    def as_task(step: str, function: Callable[[], Any]) -> Any:
        def carry_out() -> Any:
            return record.step(function)

        # without NO_CACHE Prefect hashes every input and may return an earlier result: idempotence is the history's job
        return task(name=step, cache_policy=NO_CACHE, persist_result=False)(carry_out)()

    @flow(name=name, validate_parameters=False, persist_result=False, log_prints=False)
    def run(about: dict[str, Any]) -> None:  # noqa: ARG001 - shown by the server
        record.value = work(as_task)
        record.finished = True

    try:
        run(about)
    except BaseException as error:
        if record.error is not None:
            raise record.error from None
        if not isinstance(error, Exception):
            raise
        _lost(error)
        if not record.finished:
            record.again()
            record.value = work(lambda _, function: record.step(function))
    return record.value


lost = threading.Event()
"""Set once a flow server was lost: Prefect's own threads would then keep the process from ending for a minute."""


def _lost(error: Exception) -> None:
    lost.set()
    sys.stderr.write(f"The flow server was lost ({type(error).__name__}); the work went on without it.\n")


_SERVER_AGAIN_S = 300.0
"""How long a service works without a lost server before it starts another one."""


@contextlib.contextmanager
def resident(workspace: Workspace, note: Callable[[str], None]) -> Iterator[Callable[[str, Any, dict[str, Any]], Any]]:
    """Keep a server for the rounds of a service; yield what carries out a round.

    Lost, the server is started again after a while; until then, rounds are carried out without it.
    """
    with contextlib.ExitStack() as stack:
        held: list[contextlib.ExitStack] = []
        try_at = 0.0

        def carry_out(name: str, work: Any, about: dict[str, Any]) -> Any:
            nonlocal try_at
            if not held and time.monotonic() >= try_at:
                inner = contextlib.ExitStack()
                try:
                    inner.enter_context(embedded_server(workspace))
                except (EnvironmentProblem, OSError) as error:
                    try_at = time.monotonic() + _SERVER_AGAIN_S
                    note(f"{error} The service works without it meanwhile.")
                else:
                    lost.clear()
                    held.append(stack.enter_context(inner))
            if not held:
                return _plainly(name, work, about)
            value = in_flow(name, work, about)
            if lost.is_set():
                held.pop().close()
                try_at = time.monotonic() + _SERVER_AGAIN_S
            return value

        yield carry_out


def _plainly(_name: str, work: Any, _about: dict[str, Any]) -> Any:
    return work(lambda _, function: function())


@contextlib.contextmanager
def carrying_out(workspace: Workspace, *, direct: bool) -> Iterator[Callable[[str, Any, dict[str, Any]], Any]]:
    """Yield what carries out the work of one command: :func:`in_flow` with a server, or, `direct`, the same without Prefect."""
    if direct:
        yield _plainly
        return
    with embedded_server(workspace):
        yield in_flow


def render_step(workspace: Workspace, step: Any, callbacks: dict[str, Any], **options: Any) -> list[PageReport]:
    """Write pages as a step; `options` are those of `pages.render.render`."""

    def write() -> list[PageReport]:
        from pipeline.pages.render import render
        from pipeline.pages.writer import processes
        from pipeline.workspace.settings import find_workspace

        place = find_workspace(workspace.root)
        many = processes(place.settings)
        return render(
            place, progress=callbacks.get("page"), assessed=callbacks.get("rendered"), processes=many, **options
        )[0]

    pages: list[PageReport] = step("write_pages", write)
    return pages
