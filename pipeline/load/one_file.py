"""One file: read, matched, its lines told apart and stored in one transaction; or why it was not."""

from __future__ import annotations

import json
import logging
import os
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.errors import AnnealogError, EnvironmentProblem
from pipeline.intake.identity import decide
from pipeline.intake.match import match
from pipeline.intake.reading import Held
from pipeline.load.exports import misspelt_lots, read_export
from pipeline.load.held import close_held, discarded_before
from pipeline.load.report import FileReport
from pipeline.visible import shown
from pipeline.workspace.files import archive, named, read_bytes, sha256_of
from schemas.digits import counted
from schemas.tables import FATES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime
    from pathlib import Path

    from pipeline.history.store import History
    from pipeline.intake.layout import Layout
    from pipeline.workspace.settings import Workspace

__all__ = ["failed", "ledger_of", "load_one", "shown_name"]

_log = logging.getLogger(__name__)


def shown_name(workspace: Workspace, path: Path) -> str:
    """Return the path inside the workspace where it lies there, else the file's name; what cannot be printed as escapes."""
    resolved = path.absolute()
    root = workspace.root.absolute()
    return named(resolved.relative_to(root).as_posix() if resolved.is_relative_to(root) else path.name)


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


def load_one(
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
    """Load one file in a transaction of its own, or only say what would become of it; a history of None is one that is still to be made."""
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
    sentence = f"{verb} {counted(ledger['readings'], 'reading')} from {counted(fates['accepted'], 'line')}"
    extra = [
        f"{counted(fates['duplicate'], 'line')} known already" if fates["duplicate"] else "",
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


def failed(name: str, error: BaseException) -> FileReport:
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
