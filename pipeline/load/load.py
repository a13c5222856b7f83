"""Loading: each file read, matched, validated and stored in one transaction; then what it touched is assessed."""

from __future__ import annotations

import json
import logging
import os
import time
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import polars as pl
from polars.exceptions import PanicException

from pipeline import stop
from pipeline.errors import (
    AnnealogError,
    DiskFull,
    EnvironmentProblem,
    HistoryBusy,
    IntegrityProblem,
    LayoutError,
    UsageError,
)
from pipeline.history.content import verdicts_hash
from pipeline.history.found import hash_of_found, seen_of_found
from pipeline.history.store import History
from pipeline.intake.identity import decide
from pipeline.intake.match import match
from pipeline.intake.reading import Held
from pipeline.judge.assess import assess
from pipeline.judge.carry_on import carried_on, vouched
from pipeline.judge.findings import findings_state, state_of
from pipeline.load.changes import changes_since, keep_said
from pipeline.load.exports import layouts_of, misspelt_lots, names_listed, read_export
from pipeline.load.held import close_held, discarded_before
from pipeline.load.report import FileReport, LoadReport, Touched
from pipeline.load.take_over import ReferenceChange, check_names, read_reference, take_over
from pipeline.near import nearest
from pipeline.questions.status import without_decision
from pipeline.visible import shown
from pipeline.workspace.files import archive, named, read_bytes, sha256_of
from pipeline.workspace.location import shared_place
from pipeline.workspace.recorded import recorded_tables
from schemas.tables import BASELINE, FATES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence
    from pathlib import Path

    from pipeline.history.chain import Event
    from pipeline.intake.layout import Layout
    from pipeline.judge.assessment import Assessment
    from pipeline.workspace.settings import Workspace

__all__ = [
    "assess_touched",
    "ledger_of",
    "load",
    "load_files",
    "shown_name",
    "take_over_reference",
]


_log = logging.getLogger(__name__)


def shown_name(workspace: Workspace, path: Path) -> str:
    """Return the path inside the workspace where it lies there, else the file's name; what cannot be printed as escapes."""
    resolved = path.absolute()
    root = workspace.root.absolute()
    return named(resolved.relative_to(root).as_posix() if resolved.is_relative_to(root) else path.name)


def take_over_reference(
    workspace: Workspace, *, now: datetime, accept: bool = False, by: str = "", why: str = "", dry_run: bool = False
) -> ReferenceChange:
    """Take over the reference tables and settings of a workspace into its history, or only say what would change."""
    texts = read_reference(workspace)
    settings = workspace.settings
    wrong: dict[str, str] = {}
    known = layouts_of(workspace, wrong)
    # what changed is held against its contract when it is taken over
    check_names(settings, recorded_tables(texts, settings, contract=not workspace.history.exists()), [*known, *wrong])
    if dry_run:
        if not workspace.history.exists():
            return ReferenceChange((), ())
        with History.open(workspace.history, wait_s=settings.busy_wait_seconds) as history:
            return take_over(history, texts, settings, now=now, accept=accept, by=by, why=why, dry_run=True)
    with (
        History.open(workspace.history, write=True, wait_s=settings.busy_wait_seconds) as history,
        history.transaction(),
    ):
        _record_place(history, workspace, now)
        texts = read_reference(workspace)  # whoever had the history meanwhile may have added a row to a table
        return take_over(history, texts, settings, now=now, accept=accept, by=by, why=why)


def _record_place(history: History, workspace: Workspace, now: datetime) -> None:
    """Record once that somebody decided to keep the history on a network or sync folder."""
    decision = workspace.settings.network_history_decision.strip()
    why = shared_place(workspace.history.parent) if decision else None
    if why is not None and all(event.why != decision for event in history.events("network_history")):
        history.append_event(
            "network_history",
            {"place": str(workspace.history.parent), "reason": why},
            by="settings",
            why=decision,
            at=now,
        )


def ledger_of(
    result: Any, layout_text: str, decided: pl.DataFrame, now: datetime, *, taken_by_hand: bool
) -> tuple[dict[str, Any], pl.DataFrame]:
    """Return the ledger row of a file and the readings to store, after duplicates have been told apart."""
    stored = decided.filter(pl.col("fate") != "duplicate")
    duplicate = 0
    if stored.height < decided.height:
        lines = decided.group_by("line").agg((pl.col("fate") == "duplicate").all().alias("duplicate"))
        duplicate = int(lines["duplicate"].sum())
    counts = dict(result.counts)
    counts["accepted"] -= duplicate
    counts["duplicate"] += duplicate
    ledger = {
        "sha256": result.sha256,
        "name": result.name,
        "size": result.size,
        "layout": result.layout_name,
        "layout_version": result.layout_version,
        "layout_text": layout_text,
        "zone": result.zone,
        "taken_by_hand": taken_by_hand,
        "loaded_at": now,
        "lines": sum(counts.values()),
        **{fate: counts[fate] for fate in FATES},
        "readings": stored.height,
        "conflicts": int((stored["fate"] == "conflict").sum()),
        "metadata": json.dumps(result.metadata, ensure_ascii=False, sort_keys=True),
        "warnings": json.dumps(list(result.warnings), ensure_ascii=False),
    }
    return ledger, stored.with_columns((pl.col("fate") == "conflict").alias("conflict")).drop("fate")


def _load_one(
    history: History | None,
    workspace: Workspace,
    path: Path,
    layouts: Mapping[str, tuple[Layout, str]],
    wrong: Mapping[str, str],
    listed: Mapping[str, frozenset[str]],
    *,
    layout: str | None,
    now: datetime,
    dry_run: bool,
) -> FileReport:
    settings = workspace.settings
    name = shown_name(workspace, path)
    cap = settings.size_cap_mb * 1_000_000
    data = read_bytes(path, cap)
    digest = sha256_of(data)
    known = history.source(digest) if history is not None else None
    if known is not None:
        at = known["loaded_at"].astimezone(settings.zone)
        sentence = f"already loaded on {at:%Y-%m-%d %H:%M} as {known['name']}; nothing was added"
        return FileReport(name, digest, "already_loaded", sentence, known["layout"], known["source_id"])

    def hold(reason: Held, by: str | None = None) -> FileReport:
        discarded = None if history is None else discarded_before(history, digest, reason.reason)
        if discarded is not None:
            at, who, why = discarded
            sentence = f"discarded on {at.astimezone(settings.zone):%Y-%m-%d} by {who} ({why}); nothing was loaded: {reason.sentence}"
            return FileReport(name, digest, "discarded", sentence, by)
        if history is not None and not dry_run:
            archive(workspace.archive, data, digest)  # nothing is lost, whatever becomes of the folder
            said: dict[str, Any] = {"name": name, "size": len(data), "reason": reason.reason}
            said["sentence"] = f"{reason.sentence} {reason.what_to_do}"
            with history.transaction():
                if history.hold_file(digest, **said, at=now):
                    history.append_event("held", {"sha256": digest, **said}, by="load", why="not loaded", at=now)
        sentence = f"held, nothing was loaded: {reason.reason}: {reason.sentence} {reason.what_to_do}"
        return FileReport(name, digest, "held", sentence, by, details=reason.details)

    found = (
        match(name, data, {key: pair[0] for key, pair in layouts.items()}, settings.folders)
        if layout is None
        else layouts[layout][0]
    )
    if isinstance(found, Held):
        unusable = tuple(f"not usable: {line}" for text in wrong.values() for line in text.split("\n"))
        return hold(replace(found, details=found.details + unusable))
    result = read_export(data, name=name, layout=found, settings=settings, listed=listed, now=now)
    if result.held is not None:
        return hold(result.held, found.name)
    if history is None:
        existing = result.readings.clear()
        existing = existing.with_columns(pl.lit(1, pl.Int32).alias("occurrence"))
    else:
        existing = history.stored_slots(result.readings)
    decided = decide(result.readings, existing, repeats_kept=found.repeats_kept)
    ledger, stored = ledger_of(result, layouts[found.name][1], decided, now, taken_by_hand=found.taken_by_hand)
    source_id, closed = None, []
    if history is not None and not dry_run:
        archive(workspace.archive, data, digest)
        with history.transaction():
            source_id = history.add_file(ledger, stored, result.quarantine)
            history.append_event(
                "load",
                {
                    "sha256": digest,
                    "name": name,
                    "layout": f"{found.name} {found.version}",
                    "layout_sha256": sha256_of(ledger["layout_text"].encode()),
                    "taken_by_hand": ledger["taken_by_hand"],
                    "readings": ledger["readings"],
                },
                by="load",
                why="loaded",
                at=now,
            )
            closed = close_held(history, workspace.archive, name=name, sha256=digest, data=data, now=now)
    reasons = dict(
        result.quarantine["reason"]
        .value_counts(sort=True)
        .sort("count", "reason", descending=[True, False])
        .iter_rows()
    )
    fates = {fate: int(ledger[fate]) for fate in FATES}
    verb = "would load" if dry_run else "loaded"
    sentence = f"{verb} {ledger['readings']} readings from {fates['accepted']} lines"
    extra = [
        f"{fates['duplicate']} lines known already" if fates["duplicate"] else "",
        f"{fates['quarantined']} quarantined" if fates["quarantined"] else "",
        f"{ledger['conflicts']} contradict an earlier export" if ledger["conflicts"] else "",
        f"held no more: {_named(closed)}, every line of which stands here" if closed else "",
    ]
    return FileReport(
        name,
        digest,
        "loaded",
        ", ".join([sentence, *(words for words in extra if words)]),
        found.name,
        source_id,
        int(ledger["lines"]),
        fates,
        int(ledger["readings"]),
        int(ledger["conflicts"]),
        reasons,
        result.warnings + misspelt_lots(result.readings, listed),
    )


def _named(closed: Sequence[Mapping[str, Any]], most: int = 3) -> str:
    names = ", ".join(one["name"] for one in closed[:most])
    return f"{names} and {len(closed) - most} more" if len(closed) > most else names


_AT_ONCE_S, _PAUSE_S = 10.0, 0.25
"""How long the history is held, and then left to others, while many files are loaded."""

# what stands in the way of every file, not of one: the history is busy or damaged, no room is left
_OF_ALL_FILES = (IntegrityProblem, HistoryBusy, DiskFull)


def _failed(name: str, error: BaseException) -> FileReport:
    """Say that a file could not be looked at; it costs itself alone."""
    if isinstance(error, AnnealogError):
        why, problem = str(error), error
    elif isinstance(error, MemoryError):
        why = "the computer has no memory left for it"
        problem = EnvironmentProblem(f"{name}: {why}.")
    else:
        why = f"internal error, {type(error).__name__}: {shown(str(error), 300)}. Send the file to whoever keeps this program."
        problem = AnnealogError(f"{name}: {why}")
        _log.error("%s", problem, exc_info=error if os.environ.get("ANNEALOG_TRACEBACK") else None)
    return FileReport(name, "", "failed", f"not loaded, and to be tried again: {why}", error=problem)


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

    def load_one(path: Path) -> FileReport:
        try:
            return _load_one(history, workspace, path, known, wrong, listed, layout=layout, now=moment, dry_run=dry_run)
        except _OF_ALL_FILES:
            raise
        except (Exception, PanicException) as error:
            return _failed(shown_name(workspace, path), error)

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
            report = replace(load_one(path), given=named(path))
            reports.append(report)
            if progress is not None:
                progress(report)
        if history is not None and not dry_run:
            history.checkpoint()
    finally:
        if history is not None:
            history.close()
    return reports


def assess_touched(
    workspace: Workspace,
    source_ids: Iterable[int],
    *,
    now: datetime,
    as_of: datetime | None = None,
    refresh: bool = False,
    assessed: Callable[[Assessment], None] | None = None,
) -> Touched:
    """Assess what some files touched; freeze baselines that are due and keep the verdicts given.

    What was stored and not judged, because somebody had the history or the computer stopped, is judged with it.

    Parameters
    ----------
    workspace
        Where they were loaded.
    source_ids
        Numbers of the files.
    now
        Time of the events.
    as_of
        Moment of the assessment; None means the last reading.
    refresh
        Assess even if no file was loaded, because reference tables changed.
    assessed
        Told everything computed as of the last reading, where that still says what the history says afterwards: whoever shows
        it next need not compute it again.

    Returns
    -------
    Touched
    """
    settings = workspace.settings
    ids = set(source_ids)
    with History.open(workspace.history, write=True, wait_s=settings.busy_wait_seconds) as history:
        left = _not_judged(history)
        if not ids and not refresh and not left:
            return Touched()
        ids.update(history.source_ids(event.subject["sha256"] for event in left if event.kind != "reference"))
        damage = findings_state(history.path)
        carried = carried_on(history, settings, keep=True) if as_of is None else None
        found = assess(history, settings, as_of=as_of) if carried is None else carried
        lots, meters = history.lots_and_meters_of(ids)
        changes, said = changes_since(history, found)
        to_give = _to_give(history, found)
        with history.transaction():
            history.add_baselines(found.new_baselines)
            for row in BASELINE.complete(found.new_baselines).iter_rows(named=True):
                history.append_event(
                    "baseline",
                    BASELINE.as_json(row),
                    by="load",
                    why=f"the first {row['checks']} checks since the last setting are complete",
                    at=now,
                )
            kept = vouched(history)
            before = "" if left else verdicts_hash(history)
            history.put_verdicts(to_give)
            digest = verdicts_hash(history)
            now_kept = kept if carried is None else hash_of_found(history.path)
            seen = [] if carried is None else seen_of_found(history.path)
            if left or (digest, now_kept) != (before, kept):
                history.append_event(
                    "verdicts",
                    {"verdicts": digest, "found": now_kept, **({"seen": seen} if seen else {})},
                    by="load",
                    why="what a later change is compared with",
                    at=now,
                )
        history.checkpoint()
        keep_said(history.path, said)
        same = not found.new_baselines.height and findings_state(history.path) == damage
        if assessed is not None and as_of is None and same:
            # the verdicts written meanwhile are a record of what was given; nothing follows from them
            assessed(found.restated(history_state=state_of(history)))
        # while it is open: what is said of lots is read from what is kept beside it
        return Touched(
            {lot: found.lots[lot].verdict for lot in lots if lot in found.lots},
            {meter: found.meters[meter].state for meter in meters if meter in found.meters},
            changes,
            {r.lot: r.conditions for r in without_decision(found.lots[lot] for lot in lots if lot in found.lots)},
        )


def _not_judged(history: History) -> list[Event]:
    """Return what took over readings or tables since verdicts were given last."""
    if history.is_empty():
        return []
    last = history.last_of("verdicts")
    events = history.events_after(0 if last is None else last.sequence)
    return [event for event in events if event.kind in ("load", "replay", "reference")]


def _to_give(history: History, found: Assessment) -> pl.DataFrame:
    """Return the verdicts that are new, or other than those given last: lot, verdict, support, as_of."""
    last = history.verdicts_given().select("lot", "verdict")
    lots = found.columns_of_lots(["lot", "verdict", "support"])
    others = lots.join(last, on=["lot", "verdict"], how="anti")["lot"]
    judged = found.lots if found.kept is None else found.kept.judged
    return lots.filter(pl.col("lot").is_in({*judged, *others})).with_columns(
        pl.lit(found.as_of, pl.Datetime("us", "UTC")).alias("as_of")
    )


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
