"""Loading: tables are taken over, files are loaded one after another, and what they touched is assessed."""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from polars.exceptions import PanicException

from pipeline import stop
from pipeline.errors import DiskFull, HistoryBusy, IntegrityProblem, LayoutError, UsageError
from pipeline.history.store import History
from pipeline.load.exports import layouts_of, names_listed
from pipeline.load.one_file import failed, load_one, shown_name
from pipeline.load.report import FileReport, LoadReport, Touched
from pipeline.load.take_over import read_reference, take_over_reference
from pipeline.load.touched import assess_touched
from pipeline.near import nearest
from pipeline.workspace.files import named
from pipeline.workspace.recorded import recorded_tables

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace

__all__ = ["load", "load_files"]

_AT_ONCE_S, _PAUSE_S = 10.0, 0.25
"""How long the history is held, and then left to others, while many files are loaded."""

# what stands in the way of every file, not of one: the history is busy or damaged, no room is left
_OF_ALL_FILES = (IntegrityProblem, HistoryBusy, DiskFull)


def load_files(
    workspace: Workspace,
    paths: Iterable[Path],
    *,
    layout: str | None = None,
    now: datetime | None = None,
    dry_run: bool = False,
    progress: Callable[[FileReport], None] | None = None,
) -> list[FileReport]:
    """Load files, each in a transaction of its own.

    Parameters
    ----------
    workspace
        Where to load.
    paths
        Files, in the order in which they are loaded.
    layout
        Name of the layout of all of them; None matches each one.
    now
        Time of the load.
    dry_run
        Only say what would become of the files.
    progress
        Called after each file.

    Returns
    -------
    list of FileReport

    Raises
    ------
    UsageError
        If the named layout is not known.
    """
    moment = now or datetime.now(UTC)
    wrong: dict[str, str] = {}
    known = layouts_of(workspace, wrong)
    if layout is not None and layout in wrong:
        raise LayoutError(wrong[layout])
    if layout is not None and layout not in known:
        raise UsageError(
            f"There is no layout {layout!r}. Known layouts: {', '.join(sorted(known))}{nearest(layout, known)}"
        )
    settings = workspace.settings
    history: History | None = None

    def tried(path: Path) -> FileReport:
        try:
            return load_one(history, workspace, path, known, wrong, listed, layout=layout, now=moment, dry_run=dry_run)
        except _OF_ALL_FILES:
            raise
        except (Exception, PanicException) as error:
            return failed(shown_name(workspace, path), error)

    if workspace.history.exists() or not dry_run:
        history = History.open(workspace.history, write=not dry_run, wait_s=settings.busy_wait_seconds)
    reports = []
    try:
        texts = read_reference(workspace) if history is None or dry_run else history.reference_texts()
        tables = recorded_tables(texts, settings)
        listed = names_listed(tables)
        taken = time.monotonic()
        for path in paths:
            if history is not None and not dry_run and time.monotonic() - taken > _AT_ONCE_S:
                # ten thousand files take a quarter of an hour: whoever waits for the history gets it meanwhile
                history.close()
                history = None
                time.sleep(_PAUSE_S)
                history = History.open(workspace.history, write=True, wait_s=settings.busy_wait_seconds)
                taken = time.monotonic()
            stop.look()
            report = replace(tried(path), given=named(path))
            reports.append(report)
            if progress is not None:
                progress(report)
        if history is not None and not dry_run:
            history.checkpoint()
    finally:
        if history is not None:
            history.close()
    return reports


def _at_once(_: str, function: Callable[[], Any]) -> Any:
    return function()


def load(
    workspace: Workspace,
    files: Iterable[Path],
    *,
    step: Callable[[str, Callable[[], Any]], Any] = _at_once,
    progress: Callable[[FileReport], None] | None = None,
    loaded: Callable[[list[FileReport]], None] | None = None,
    assessed: Callable[[Assessment], None] | None = None,
    **given: Any,
) -> LoadReport:
    """Take over reference tables, load files and assess what they touched: the one place that says what a load is.

    Parameters
    ----------
    workspace
        Where to load.
    files
        From `files.collect`.
    step
        Carries out a step by its name, as a task of a flow; at once where nothing is given.
    progress
        Called after each file.
    loaded
        Told what became of the files before anything is assessed.
    assessed
        As for :func:`assess_touched`.
    **given
        layout, dry_run, accept_changes, by, why, as_of, now, passed_over; all but none needed.

    Returns
    -------
    LoadReport

    Raises
    ------
    UsageError
        If changes are accepted without a name and a reason.
    """
    paths = list(files)
    now = given.get("now") or datetime.now(UTC)
    layout, dry_run = given.get("layout"), bool(given.get("dry_run"))
    by, why, accept = given.get("by") or "", given.get("why") or "", bool(given.get("accept_changes"))
    if accept and not (by.strip() and why.strip()):
        raise UsageError("--accept-changes needs --by NAME and --why TEXT: it is recorded as a decision.")

    def bring() -> list[FileReport]:
        reports = load_files(workspace, paths, layout=layout, now=now, dry_run=dry_run, progress=progress)
        if loaded is not None:
            loaded(reports)
        return reports

    reference = step(
        "take_over_reference",
        lambda: take_over_reference(workspace, now=now, accept=accept, by=by, why=why, dry_run=dry_run),
    )
    reports = step("load_files", bring) if paths or layout is not None else []
    found = Touched()
    if not dry_run:
        ids = [report.source_id for report in reports if report.status == "loaded" and report.source_id is not None]
        as_of, refresh = given.get("as_of"), bool(reference.changed)
        found = step(
            "assess_touched",
            lambda: assess_touched(workspace, ids, now=now, as_of=as_of, refresh=refresh, assessed=assessed),
        )
    passed_over = tuple(given.get("passed_over") or ())
    return LoadReport(
        tuple(reports), passed_over, reference, found.lots, found.meters, dry_run, found.changes, found.conditions
    )
