"""A new history from the journal and the raw archive: every event once more, every file read again as it was read then."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import duckdb
import polars as pl

from pipeline.errors import AnnealogError, IntegrityProblem, UsageError, lacking
from pipeline.history.content import content_hash, verdicts_hash
from pipeline.history.journal import NOTES, Journal
from pipeline.history.store import History
from pipeline.intake.identity import decide
from pipeline.intake.layout import parse_layout
from pipeline.judge.assess import assess
from pipeline.load.exports import names_listed, read_export
from pipeline.load.one_file import ledger_of
from pipeline.workspace.files import archived, cannot, opened, sha256_of
from pipeline.workspace.recorded import recorded
from schemas.tables import BASELINE

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.intake.layout import Layout
    from pipeline.workspace.settings import Settings, Workspace

__all__ = ["RebuildReport", "Replay", "raw_file", "rebuild", "take"]


@dataclass(frozen=True, slots=True)
class RebuildReport:
    """What was built, and whether it equals the history that is there."""

    path: Path
    events: int
    files: int
    readings: int
    content: str
    same: bool | None
    """Whether the logical content equals that of the present history; None where that cannot be read."""


def rebuild(workspace: Workspace) -> RebuildReport:
    """Build a new history beside the present one, which is not touched.

    Raises
    ------
    IntegrityProblem
        If the journal, a text or a raw file was changed: names it.
    UsageError
        If there is no journal, or an earlier rebuild lies there.
    """
    journal = Journal(workspace.history)
    target = workspace.history.with_name("rebuilt") / workspace.history.name
    if not journal.path.is_file():
        raise UsageError(f"There is no journal {journal.path}, so there is nothing to build from. Restore a backup.")
    if target.exists():
        raise UsageError(
            f"{target} exists already, from an earlier rebuild. Move it away, or take it: annealog rebuild --take"
        )
    files = 0
    try:
        with History.open(target, write=True) as history:
            again = Replay(workspace, history, journal)
            notes: list[dict[str, Any]] = []
            for entry in journal.entries():
                if entry["kind"] in NOTES:  # those after the last event are not taken into the chain yet
                    notes.append(entry)
                    continue
                with history.transaction():
                    again.do(entry)
                    for one in (*notes, entry):
                        history.put_event(one)
                notes.clear()
                files += entry["kind"] == "load"
            found = assess(history, workspace.settings, as_of=None)
            given = [
                {"lot": lot, "verdict": r.verdict, "support": r.support, "as_of": r.as_of}
                for lot, r in found.lots.items()
            ]
            with history.transaction():
                history.put_verdicts(pl.DataFrame(given))
            history.checkpoint()
            content, counts = content_hash(history), history.counts()
    except BaseException:
        for rest in (*target.parent.glob("texts/*"), *target.parent.glob("*.*")):
            rest.unlink(missing_ok=True)
        raise
    return RebuildReport(target, counts["event"], files, counts["reading"], content, _same(workspace, content))


def _same(workspace: Workspace, content: str) -> bool | None:
    if not workspace.history.exists():
        return None
    try:
        with History.open(workspace.history, wait_s=workspace.settings.busy_wait_seconds, snapshot=False) as history:
            return content_hash(history) == content
    except (AnnealogError, duckdb.Error):
        return None


def raw_file(archive: Path, sha256: str, name: str) -> bytes:
    """Return a file of the archive.

    Raises
    ------
    IntegrityProblem
        If it is missing or has changed; `name` says in the sentence what it is.
    EnvironmentProblem
        If the machine keeps it from being read.
    """
    place = archived(archive, sha256)
    try:
        with opened(place) as file:
            data = file.read()
    except UsageError:
        raise IntegrityProblem(f"{name}: the raw file {place} is no regular file.") from None
    except OSError as error:
        if lacking(error):
            raise cannot("read", place, error) from None
        raise IntegrityProblem(f"{name}: the raw file {place} cannot be read: {error.strerror}.") from None
    digest = sha256_of(data)
    if digest != sha256:
        raise IntegrityProblem(
            f"{name}: the raw file {place} has changed: its hash is {digest[:12]}…, not {sha256[:12]}…."
        )
    return data


class Replay:
    """Does once more what the events of a journal did, one after the other, into another history.

    Parameters
    ----------
    workspace
        For its archive of raw files.
    history
        Open to write; it takes what comes out.
    journal
        With the texts of layouts and tables.
    """

    def __init__(self, workspace: Workspace, history: History, journal: Journal) -> None:
        self._workspace = workspace
        self._history = history
        self._journal = journal
        self._rules: tuple[Settings, dict[str, frozenset[str]]] | None = None

    def do(self, entry: dict[str, Any]) -> None:
        """Do what an event did. Call inside a transaction.

        Raises
        ------
        IntegrityProblem
            If the event, a text or a raw file was changed: names it. Nothing of the entry was stored then.
        """
        history, journal = self._history, self._journal
        subject = json.loads(entry["subject"])
        at = datetime.fromisoformat(entry["at"])
        if entry["kind"] == "reference":
            self._rules = None
            texts = {name: journal.text(digest) for name, digest in subject["changed"].items()}
            for name, text in texts.items():
                history.put_reference_text(name, text, at)
        elif entry["kind"] == "load":
            self._load(journal.text(subject["layout_sha256"]), subject, at)
        elif entry["kind"] == "replay":
            self._read_refused(journal.text(subject["layout_sha256"]), subject, entry, at)
        elif entry["kind"] == "held":
            history.hold_file(**subject, at=at)
        elif entry["kind"] == "discard":
            waiting = history.quarantine(states=["new"])
            ids = [
                row["quarantine_id"]
                for row in waiting.iter_rows(named=True)
                if {"sha256": row["sha256"], "line": row["line"]} in subject["lines"]
            ]
            history.mark_quarantine(ids, "discarded", entry["by"], entry["why"])
            history.release_held(one["sha256"] for one in subject.get("files", ()))
        elif entry["kind"] == "held_closed":
            history.release_held(one["sha256"] for one in subject["files"])
        elif entry["kind"] == "baseline":
            history.add_baselines(BASELINE.from_json(subject.get("limits", [subject])))

    def _in_force(self) -> tuple[Settings, dict[str, frozenset[str]]]:
        """Return the settings and the names in the registers, as taken over last."""
        if self._rules is None:
            settings, tables = recorded(self._history.reference_texts(), self._workspace.settings)
            self._rules = settings, names_listed(tables)
        return self._rules

    def _again(self, text: str, subject: dict[str, Any], at: datetime) -> tuple[Layout, Any]:
        """Read a raw file as it was read then."""
        name = subject["name"]
        data = raw_file(self._workspace.archive, subject["sha256"], name)
        settings, listed = self._in_force()
        layout = parse_layout(text, f"the layout kept with {name}")
        result = read_export(data, name=name, layout=layout, settings=settings, listed=listed, now=at)
        if result.held is not None:
            raise IntegrityProblem(f"{name}: the raw file is held when it is read again: {result.held.sentence}")
        return layout, result

    def _load(self, text: str, subject: dict[str, Any], at: datetime) -> None:
        layout, result = self._again(text, subject, at)
        decided = decide(result.readings, self._history.stored_slots(result.readings), repeats_kept=layout.repeats_kept)
        ledger, stored = ledger_of(result, text, decided, at, taken_by_hand=subject["taken_by_hand"])
        if ledger["readings"] != subject["readings"]:
            raise IntegrityProblem(
                f"{subject['name']}: {subject['readings']} readings were loaded then, {ledger['readings']} are read now."
            )
        self._history.add_file(ledger, stored, result.quarantine)

    def _read_refused(self, text: str, subject: dict[str, Any], entry: dict[str, Any], at: datetime) -> None:
        layout, result = self._again(text, subject, at)
        history = self._history
        source = history.source(subject["sha256"])
        if source is None:
            raise IntegrityProblem(f"{subject['name']}: its refused lines are read before it was loaded.")
        lines = subject["lines"]
        mended = result.readings.filter(pl.col("line").is_in(lines))
        decided = decide(mended, history.stored_slots(mended), repeats_kept=layout.repeats_kept)
        fresh = decided.filter(pl.col("fate") != "duplicate")
        waiting = history.quarantine(states=["new"]).filter(
            (pl.col("source_id") == source["source_id"]) & pl.col("line").is_in(lines)
        )
        history.add_replayed(
            source["source_id"],
            fresh.with_columns((pl.col("fate") == "conflict").alias("conflict")).drop("fate"),
            lines=len(lines),
            duplicates=len(set(lines) - set(fresh["line"].to_list())),
            layout_version=layout.version,
            layout_text=text,
        )
        history.mark_quarantine(waiting["quarantine_id"].to_list(), "replayed", entry["by"], entry["why"])


def take(workspace: Workspace, *, by: str, why: str) -> Path:
    """Put a rebuilt history in the place of the present one, which is kept under another name, log and all.

    Returns
    -------
    Path
        Where the history before lies now.

    Raises
    ------
    UsageError
        If nobody is named, or nothing was rebuilt.
    """
    if not by.strip() or not why.strip():
        raise UsageError("A decision needs --by NAME and --why TEXT.")
    rebuilt = workspace.history.with_name("rebuilt") / workspace.history.name
    if not rebuilt.is_file():
        raise UsageError("Nothing was rebuilt. First: annealog rebuild")
    moment = datetime.now(UTC)
    kept = workspace.history.with_name(f"before-{moment:%Y%m%dT%H%M%SZ}")
    kept.mkdir()
    for path in (workspace.history, workspace.history.with_name(workspace.history.name + ".wal")):
        if path.exists():
            path.replace(kept / path.name)
    rebuilt.replace(workspace.history)
    for rest in sorted(rebuilt.parent.rglob("*"), reverse=True):
        rest.rmdir() if rest.is_dir() else rest.unlink()
    rebuilt.parent.rmdir()
    with (
        History.open(workspace.history, write=True, wait_s=workspace.settings.busy_wait_seconds) as history,
        history.transaction(),
    ):
        subject = {"kept": kept.name, "verdicts": verdicts_hash(history)}
        history.append_event("rebuild", subject, by=by, why=why, at=moment)
    return kept
