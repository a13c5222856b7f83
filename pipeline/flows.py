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
from contextvars import ContextVar
from typing import TYPE_CHECKING, Any

from pipeline.errors import EnvironmentProblem

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from datetime import datetime
    from pathlib import Path

    from pipeline.load.report import FileReport, LoadReport, Touched
    from pipeline.pages.lots_and_meters import PageReport
    from pipeline.workspace.settings import Workspace

__all__ = [
    "embedded_server",
    "in_flow",
    "load_steps",
    "lost",
    "resident",
    "run_demo",
    "run_load",
    "run_render",
    "run_review",
]

_progress: ContextVar[dict[str, Any] | None] = ContextVar("progress", default=None)
"""Callbacks: for the screen, and for what was computed on the way. They are no parameters of a flow, which the server would store."""

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


def _call(name: str, *arguments: Any) -> None:
    callbacks = _progress.get()
    if callbacks and callbacks.get(name):
        callbacks[name](*arguments)


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
                return work(lambda _, function: function())
            value = in_flow(name, work, about)
            if lost.is_set():
                held.pop().close()
                try_at = time.monotonic() + _SERVER_AGAIN_S
            return value

        yield carry_out


@contextlib.contextmanager
def _running(workspace: Workspace, callbacks: dict[str, Callable[..., None]] | None) -> Iterator[None]:
    token = _progress.set(callbacks)
    try:
        with embedded_server(workspace):
            yield
    finally:
        _progress.reset(token)


def load_steps(workspace: Workspace, paths: list[Path], given: dict[str, Any], step: Any) -> LoadReport:
    """Run the steps of a load, each through `step`."""
    from pipeline.load import load as loading
    from pipeline.workspace.settings import find_workspace

    def after(report: FileReport) -> None:
        _call("file", report)

    def assess(ids: list[int], options: dict[str, Any]) -> Touched:
        return loading.assess_touched(place, ids, assessed=lambda found: _call("assessed", found), **options)

    # a demo's workspace gets its settings while it is built
    place = find_workspace(workspace.root)
    return loading.run_steps(
        given,
        take_over=lambda options: step("take_over_reference", lambda: loading.take_over_reference(place, **options)),
        load=lambda options: step("load_files", lambda: loading.load_files(place, paths, progress=after, **options)),
        assess=lambda ids, options: step("assess_touched", lambda: assess(ids, options)),
    )


def _render(workspace: Workspace, as_of: datetime | None, *, always: bool, alone: bool = False) -> list[PageReport]:
    from pipeline.pages.render import render
    from pipeline.pages.writer import processes
    from pipeline.workspace.settings import find_workspace

    def after(report: PageReport, total: int) -> None:
        _call("page", report, total)

    place = find_workspace(workspace.root)
    count = processes(place.settings)
    pages, found = render(place, as_of=as_of, always=always, progress=after, processes=count, alone=alone)
    _call("rendered", found)
    return pages


def run_load(
    workspace: Workspace,
    paths: list[Path],
    given: dict[str, Any],
    callbacks: dict[str, Callable[..., None]] | None = None,
) -> LoadReport:
    """Run the flow `load`; `given` are the options of `load.load.load`."""
    with _running(workspace, callbacks):
        report: LoadReport = in_flow(
            "load",
            lambda step: load_steps(workspace, paths, given, step),
            {"folder": str(workspace.root), "paths": [str(path) for path in paths]},
        )
    return report


def run_render(
    workspace: Workspace,
    *,
    as_of: datetime | None,
    always: bool,
    alone: bool = False,
    callbacks: dict[str, Callable[..., None]] | None = None,
) -> list[PageReport]:
    """Run the flow `render`."""
    with _running(workspace, callbacks):
        pages: list[PageReport] = in_flow(
            "render",
            lambda step: step("write_pages", lambda: _render(workspace, as_of, always=always, alone=alone)),
            {"folder": str(workspace.root)},
        )
    return pages


def run_review(workspace: Workspace, month: str) -> str:
    """Run the flow `review`; return the path of the page."""

    def write() -> str:
        from pipeline.pages.lots_and_meters import write_pages
        from pipeline.questions.review import review_page

        return str(write_pages(workspace, [review_page(workspace, month)])[0].path)

    with _running(workspace, None):
        path: str = in_flow(
            "review", lambda step: step("write_review", write), {"folder": str(workspace.root), "month": month}
        )
    return path


def run_demo(
    workspace: Workspace, given: dict[str, Any], callbacks: dict[str, Callable[..., None]] | None = None
) -> tuple[LoadReport, list[PageReport]]:
    """Run the flow `demo`: build, load, assess, render."""

    def work(step: Any) -> tuple[LoadReport, list[PageReport]]:
        from fixtures.demo import build
        from pipeline.workspace.files import collect

        step("build_demo", lambda: build(workspace.root))
        _call("built")
        files, passed = collect([workspace.inbox])
        report = load_steps(workspace, files, {**given, "passed_over": passed}, step)
        return report, step("write_pages", lambda: _render(workspace, None, always=False))

    with _running(workspace, callbacks):
        report, pages = in_flow("demo", work, {"folder": str(workspace.root)})
    return report, pages
