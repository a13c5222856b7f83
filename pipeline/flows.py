"""Prefect flows: thin. They pass paths, ids and counts; the work is in `steps` and runs the same without Prefect.

Without a configured server an embedded one starts once per command: quiet, telemetry off, its home inside the workspace.
The run ledger in the history, not Prefect's state, is the truth.
"""

from __future__ import annotations

import contextlib
import http.client
import importlib.metadata
import os
import sqlite3
import subprocess
import sys
import time
from contextvars import ContextVar
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import EnvironmentProblem

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from datetime import datetime

    from pipeline.settings import Workspace
    from pipeline.steps.load_report import FileReport, LoadReport
    from pipeline.steps.pages import PageReport

__all__ = ["embedded_server", "run_demo", "run_load", "run_render", "run_review"]

_progress: ContextVar[dict[str, Any] | None] = ContextVar("progress", default=None)
"""Callbacks for the screen; they are no parameters of a flow, which the server would store."""

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


def _prepare_store(home: Path) -> None:
    """Lay down the empty database of the server, where there is none: its own migrations would take five seconds.

    The text was written by the same migrations (`.ci/flow-store`). A later version of the server brings it up to date;
    an earlier one could not read it and starts from nothing.
    """
    place = home / "prefect.db"
    if place.exists():
        return
    text = (resources.files("pipeline") / "flow_store.sql").read_text(encoding="utf-8")
    made_by = text.partition("\n")[0].removeprefix("-- prefect ")
    if _numbers(importlib.metadata.version("prefect")) < _numbers(made_by):
        return
    part = home / "prefect.db.part"
    part.unlink(missing_ok=True)
    connection = sqlite3.connect(part)
    try:
        connection.executescript(text)
    finally:
        connection.close()
    part.replace(place)


def _numbers(version: str) -> tuple[int, ...]:
    return tuple(int(part) for part in version.split(".") if part.isdigit())


class _Server:
    """The embedded server of one command, started early so that it comes up while this process imports its own things."""

    def __init__(self, home: Path) -> None:
        home.mkdir(parents=True, exist_ok=True)
        _prepare_store(home)
        self.log = home / "server.log"
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "pipeline.flow_server"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
                env={**os.environ, "PREFECT__SERVER_EPHEMERAL": "1", "PREFECT__SERVER_FINAL": "1"},
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
def embedded_server(workspace: Workspace) -> Iterator[None]:
    """Have a server for the flows of one command; a server configured by PREFECT_API_URL is used as it is."""
    added = {name: value for name, value in _QUIET.items() if name not in os.environ}
    if "PREFECT_HOME" not in os.environ:
        added["PREFECT_HOME"] = str(workspace.flow_home)
    os.environ.update(added)
    server = None if os.environ.get("PREFECT_API_URL") else _Server(workspace.flow_home)
    try:
        from prefect.settings import PREFECT_API_URL, PREFECT_FLOWS_HEARTBEAT_FREQUENCY, temporary_settings

        # the heartbeat thread costs a second a flow, and nobody listens to it here
        settings: dict[Any, Any] = {PREFECT_FLOWS_HEARTBEAT_FREQUENCY: None}
        if server is not None:
            settings[PREFECT_API_URL] = server.wait()
        with temporary_settings(settings):
            yield
    finally:
        if server is not None:
            server.stop()
        for name in added:
            os.environ.pop(name, None)


def _call(name: str, *arguments: Any) -> None:
    callbacks = _progress.get()
    if callbacks and callbacks.get(name):
        callbacks[name](*arguments)


def _flows() -> dict[str, Any]:
    """Define flows and tasks. Inside a function, because importing Prefect takes most of a second."""
    from prefect import flow, task
    from prefect.cache_policies import NO_CACHE

    from pipeline.settings import find_workspace
    from pipeline.steps import load as loading
    from pipeline.steps.render import render
    from pipeline.steps.written import processes

    def work(function: Callable[..., Any]) -> Callable[..., Any]:
        # without NO_CACHE Prefect hashes every input and may return an earlier result: idempotence is the history's job
        made: Callable[..., Any] = task(cache_policy=NO_CACHE, persist_result=False)(function)
        return made

    @work
    def build_demo(folder: str) -> None:
        from fixtures.demo import build

        build(Path(folder))

    @work
    def take_over_reference(folder: str, options: dict[str, Any]) -> Any:
        return loading.take_over_reference(find_workspace(Path(folder)), **options)

    @work
    def load_files(folder: str, paths: list[str], options: dict[str, Any]) -> Any:
        def after(report: FileReport) -> None:
            _call("file", report)

        return loading.load_files(find_workspace(Path(folder)), [Path(p) for p in paths], progress=after, **options)

    @work
    def assess_touched(folder: str, source_ids: list[int], options: dict[str, Any]) -> Any:
        lots, meters, _ = loading.assess_touched(find_workspace(Path(folder)), source_ids, **options)
        return lots, meters

    @work
    def write_pages(folder: str, as_of: datetime | None, always: bool) -> Any:
        def after(report: PageReport, total: int) -> None:
            _call("page", report, total)

        workspace = find_workspace(Path(folder))
        count = processes(workspace.settings)
        pages, _ = render(workspace, as_of=as_of, always=always, progress=after, processes=count)
        return pages

    def load_steps(folder: str, paths: list[str], given: dict[str, Any]) -> LoadReport:
        return loading.run_steps(
            given,
            take_over=lambda options: take_over_reference(folder, options),
            load=lambda options: load_files(folder, paths, options),
            assess=lambda ids, options: assess_touched(folder, ids, options),
        )

    settings: dict[str, Any] = {"validate_parameters": False, "persist_result": False, "log_prints": False}

    @flow(name="load", **settings)
    def load(folder: str, paths: list[str], given: dict[str, Any]) -> Any:
        return load_steps(folder, paths, given)

    @flow(name="render", **settings)
    def render_pages(folder: str, as_of: datetime | None, always: bool) -> Any:
        return write_pages(folder, as_of, always)

    @work
    def write_review(folder: str, month: str) -> str:
        from pipeline.steps.pages import write_pages as write
        from pipeline.steps.review import review_page

        place = find_workspace(Path(folder))
        return str(write(place, [review_page(place, month)])[0].path)

    @flow(name="review", **settings)
    def review(folder: str, month: str) -> Any:
        return write_review(folder, month)

    @flow(name="demo", **settings)
    def demo(folder: str, given: dict[str, Any]) -> Any:
        from pipeline.steps.files import collect

        build_demo(folder)
        _call("built")
        files, passed = collect([find_workspace(Path(folder)).inbox])
        report = load_steps(folder, [str(f) for f in files], {**given, "passed_over": passed})
        return report, write_pages(folder, None, False)

    return {"load": load, "render": render_pages, "review": review, "demo": demo}


@contextlib.contextmanager
def _running(workspace: Workspace, callbacks: dict[str, Callable[..., None]] | None) -> Iterator[dict[str, Any]]:
    token = _progress.set(callbacks)
    try:
        with embedded_server(workspace):
            yield _flows()
    finally:
        _progress.reset(token)


def run_load(
    workspace: Workspace,
    paths: list[Path],
    given: dict[str, Any],
    callbacks: dict[str, Callable[..., None]] | None = None,
) -> LoadReport:
    """Run the flow `load`; `given` are the options of `steps.load.load`."""
    with _running(workspace, callbacks) as flows:
        report: LoadReport = flows["load"](str(workspace.root), [str(path) for path in paths], given)
    return report


def run_render(
    workspace: Workspace,
    *,
    as_of: datetime | None,
    always: bool,
    callbacks: dict[str, Callable[..., None]] | None = None,
) -> list[PageReport]:
    """Run the flow `render`."""
    with _running(workspace, callbacks) as flows:
        pages: list[PageReport] = flows["render"](str(workspace.root), as_of, always)
    return pages


def run_review(workspace: Workspace, month: str) -> str:
    """Run the flow `review`; return the path of the page."""
    with _running(workspace, None) as flows:
        path: str = flows["review"](str(workspace.root), month)
    return path


def run_demo(
    workspace: Workspace, given: dict[str, Any], callbacks: dict[str, Callable[..., None]] | None = None
) -> tuple[LoadReport, list[PageReport]]:
    """Run the flow `demo`: build, load, assess, render."""
    with _running(workspace, callbacks) as flows:
        report, pages = flows["demo"](str(workspace.root), given)
    return report, pages
