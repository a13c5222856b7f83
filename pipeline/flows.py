"""Prefect flows: thin. They pass paths, ids and counts; the work is in `steps` and runs the same without Prefect.

Without a configured server an embedded one starts once per command: quiet, telemetry off, its home inside the workspace.
The run ledger in the history, not Prefect's state, is the truth.
"""

from __future__ import annotations

import contextlib
import os
import sys
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from datetime import datetime

    from pipeline.settings import Workspace
    from pipeline.steps.load import LoadReport
    from pipeline.steps.pages import PageReport

__all__ = ["embedded_server", "run_demo", "run_load", "run_render"]

_progress: ContextVar[dict[str, Any] | None] = ContextVar("progress", default=None)
"""Callbacks for the screen; they are no parameters of a flow, which the server would store."""

_QUIET = {
    "DO_NOT_TRACK": "1",
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "PREFECT_SERVER_ALLOW_EPHEMERAL_MODE": "true",
    # a slow machine needs longer than the default of 20 s for the first start
    "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": "180",
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


@contextlib.contextmanager
def _output_to(log: Path) -> Iterator[None]:
    """Send standard output and error of child processes started inside to a file, not to the user's screen."""
    sys.stdout.flush()
    sys.stderr.flush()
    saved = [os.dup(1), os.dup(2)]
    descriptor = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
    try:
        os.dup2(descriptor, 1)
        os.dup2(descriptor, 2)
        yield
    finally:
        for number, copy in zip((1, 2), saved, strict=True):
            os.dup2(copy, number)
            os.close(copy)
        os.close(descriptor)


@contextlib.contextmanager
def embedded_server(workspace: Workspace) -> Iterator[None]:
    """Have a server for the flows of one command; a server configured by PREFECT_API_URL is used as it is."""
    home = workspace.flow_home
    home.mkdir(parents=True, exist_ok=True)
    for name, value in _QUIET.items():
        os.environ.setdefault(name, value)
    os.environ.setdefault("PREFECT_HOME", str(home))
    with _output_to(home / "server.log"):
        from prefect.server.api.server import SubprocessASGIServer
        from prefect.settings import PREFECT_API_URL, PREFECT_FLOWS_HEARTBEAT_FREQUENCY, temporary_settings

        server = None
        if not PREFECT_API_URL.value():
            server = SubprocessASGIServer()
            server.start()
    try:
        # the heartbeat thread costs a second a flow, and nobody listens to it here
        with temporary_settings({PREFECT_FLOWS_HEARTBEAT_FREQUENCY: None}):
            yield
    finally:
        if server is not None:
            with _output_to(home / "server.log"):
                server.stop()


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
        def after(report: loading.FileReport) -> None:
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

        pages, _ = render(find_workspace(Path(folder)), as_of=as_of, always=always, progress=after)
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

    @flow(name="demo", **settings)
    def demo(folder: str, given: dict[str, Any]) -> Any:
        from pipeline.steps.files import collect

        build_demo(folder)
        _call("built")
        files, passed = collect([find_workspace(Path(folder)).inbox])
        report = load_steps(folder, [str(f) for f in files], {**given, "passed_over": passed})
        return report, write_pages(folder, None, False)

    return {"load": load, "render": render_pages, "demo": demo}


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


def run_demo(
    workspace: Workspace, given: dict[str, Any], callbacks: dict[str, Callable[..., None]] | None = None
) -> tuple[LoadReport, list[PageReport]]:
    """Run the flow `demo`: build, load, assess, render."""
    with _running(workspace, callbacks) as flows:
        report, pages = flows["demo"](str(workspace.root), given)
    return report, pages
