"""Is everything still as it was recorded: raw files, stored readings, reference texts, chain of events, counts."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline import stop
from pipeline.errors import IntegrityProblem
from pipeline.history.blocks import changed_places
from pipeline.history.chain import GENESIS_HASH, event_hash
from pipeline.history.journal import Journal
from pipeline.history.store import History
from pipeline.intake.layout import parse_layout
from pipeline.steps.content import content_hash
from pipeline.steps.exports import read_export
from pipeline.steps.files import archived, sha256_of
from pipeline.steps.findings import keep_findings, note_verified
from pipeline.steps.recorded import recorded_settings
from schemas.tables import FATES, READING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pipeline.settings import Settings, Workspace

__all__ = ["VerifyReport", "verify"]


@dataclass(frozen=True, slots=True)
class VerifyReport:
    """What was recomputed and what did not agree."""

    files: int
    events: int
    readings: int
    quarantined: int
    chain_head: str
    problems: tuple[str, ...]
    content: str
    """Hash of the logical content, which a rebuilt history has, too."""
    notes: tuple[str, ...] = ()


_READINGS_AT_ONCE, _FILES_AT_ONCE = 500_000, 200


def _in_turn(sources: pl.DataFrame) -> Iterator[list[dict[str, Any]]]:
    """Cut the ledger into runs of files that are looked up together: thousands of small ones, or a single big one."""
    run: list[dict[str, Any]] = []
    readings = 0
    for source in sources.iter_rows(named=True):
        if run and (len(run) >= _FILES_AT_ONCE or readings + source["readings"] > _READINGS_AT_ONCE):
            yield run
            run, readings = [], 0
        run.append(source)
        readings += source["readings"]
    if run:
        yield run


def _read_again(
    source: dict[str, Any], data: bytes, *, stored: pl.DataFrame, layout_text: str, settings: Settings
) -> list[str]:
    """Read an archived file again with the layout it was read with, and compare each stored reading."""
    layout = parse_layout(layout_text, f"the layout stored with {source['name']}")
    result = read_export(
        data,
        name=source["name"],
        layout=layout,
        settings=settings,
        # a block that has left the register since was in it then
        blocks=frozenset(stored["block"].drop_nulls().unique().to_list()),
        now=source["loaded_at"],
    )
    if result.held is not None:
        return [f"{source['name']}: the archived file is held when it is read again: {result.held.sentence}"]
    again = READING.complete(result.readings.with_columns(pl.col(pl.Categorical).cast(pl.String)))
    columns = [name for name in READING.names if name not in ("line", "replicate", "clock")]
    both = stored.join(again, on=["line", "replicate"], how="left", suffix="_again")
    differs = pl.any_horizontal(pl.col(name).ne_missing(pl.col(f"{name}_again")) for name in columns)
    lines = both.filter(differs)["line"].unique().sort().to_list()
    if not lines:
        return []
    shown = ", ".join(str(line) for line in lines[:5])
    return [
        f"{source['name']}: {len(lines)} stored lines differ from the archived file (line {shown}{' ...' if len(lines) > 5 else ''})."
    ]


def verify(workspace: Workspace) -> VerifyReport:
    """Recompute the hashes of raw files, texts and events, read the raw files again, compare the journal, and count.

    What does not agree is kept, so that no verdict is given on it until it was mended and found whole.

    Raises
    ------
    IntegrityProblem
        If the history cannot be read at all; then that is kept as what does not agree.
    """
    try:
        report = _verify(workspace)
    except IntegrityProblem as error:
        keep_findings(workspace.history, {}, [str(error)])
        note_verified(workspace.history, datetime.now(UTC))
        raise
    note_verified(workspace.history, datetime.now(UTC))
    return report


def _verify(workspace: Workspace) -> VerifyReport:
    by_file: dict[str, list[str]] = {}
    with History.open(workspace.history, wait_s=workspace.settings.busy_wait_seconds, snapshot=False) as history:
        others = [
            f"The text of reference table {name} in the history was changed: its hash does not agree."
            for name in history.changed_reference_texts()
        ]
        sources = history.sources()
        counts = {row["source_id"]: row for row in history.readings_by_source().iter_rows(named=True)}
        refused = dict(
            history.quarantine(states=["new", "discarded"])
            .group_by("source_id")
            .agg(pl.col("line").n_unique().alias("n"))
            .iter_rows()
        )
        settings = recorded_settings(history.reference_texts(), workspace.settings)
        for run in _in_turn(sources):
            numbers = run[0]["source_id"], run[-1]["source_id"]
            stored, layouts = history.readings_of_files(*numbers), history.layout_texts(*numbers)
            for source in run:
                stop.look()
                number = source["source_id"]
                found = [
                    *_verify_raw(workspace.archive, source, stored.get(number), layouts[number], settings),
                    *_verify_counts(source, counts.get(number, _NOTHING), refused.get(number, 0)),
                ]
                if found:
                    by_file[source["sha256"]] = found
        rows = history.event_rows()
        content = content_hash(history)
        places = changed_places(workspace.history)
    strangers = set(counts) - set(sources["source_id"].to_list())
    others += [
        f"There are readings of a file number {number} that the ledger does not know." for number in sorted(strangers)
    ]
    head, notes, last = GENESIS_HASH, [_of_place(workspace.history, *place) for place in places or ()], None
    for number, row in enumerate(rows.iter_rows(named=True), start=1):
        expected_hash = event_hash(
            row["sequence"], row["at"], row["kind"], row["subject"], row["by"], row["why"], row["previous_hash"]
        )
        if row["sequence"] != number or row["previous_hash"] != head or row["hash"] != expected_hash:
            others.append(f"Event {row['sequence']} ({row['kind']}) was changed, or one before it is missing.")
        if last is not None and row["at"] < last:
            notes.append(
                f"Event {row['sequence']} is dated before event {row['sequence'] - 1}: the clock was set back."
            )
        head, last = row["hash"], row["at"]
    others += _verify_journal(workspace, rows)
    keep_findings(workspace.history, {sha: found[0] for sha, found in by_file.items()}, others)
    return VerifyReport(
        sources.height,
        rows.height,
        int(sources["readings"].sum()),
        int(sources["quarantined"].sum()),
        head,
        (*(sentence for found in by_file.values() for sentence in found), *others),
        content,
        tuple(notes),
    )


def _of_place(history: Path, first: int, last: int) -> str:
    """Say that a place of the file has changed where nothing of the record lies: all of that was read, and agrees."""
    return (
        f"Bytes {first} to {last} of {history} do not agree with their checksum. Nothing of the record lies there, for all of it "
        "was read. A process that was killed while it wrote leaves such a place; if none was, look after the disk. A new "
        "file is written by: annealog rebuild"
    )


def _verify_raw(
    archive: Path, source: dict[str, Any], stored: pl.DataFrame | None, layout_text: str, settings: Settings
) -> list[str]:
    """Compare one file of the archive with its hash, and what it says with the readings stored of it."""
    place = archived(archive, source["sha256"])
    name = source["name"]
    try:
        data = place.read_bytes()
    except OSError as error:
        return [f"{name}: the raw file {place} cannot be read: {error.strerror}."]
    digest = sha256_of(data)
    if digest != source["sha256"]:
        return [f"{name}: the raw file {place} has changed: its hash is {digest[:12]}…, not {source['sha256'][:12]}…."]
    return (
        [] if stored is None else _read_again(source, data, stored=stored, layout_text=layout_text, settings=settings)
    )


_NOTHING = {"readings": 0, "lines": 0, "conflicts": 0}


def _verify_counts(source: dict[str, Any], stored: dict[str, int], refused: int) -> list[str]:
    """Compare what the ledger says of one file with what is stored of it."""
    name = source["name"]
    problems = []
    if sum(source[fate] for fate in FATES) != source["lines"]:
        problems.append(f"{name}: the lines by fate do not add up to {source['lines']}.")
    for what, expected, found in (
        ("readings", source["readings"], stored["readings"]),
        ("accepted lines", source["accepted"], stored["lines"]),
        ("conflicts", source["conflicts"], stored["conflicts"]),
        ("quarantined lines", source["quarantined"], refused),
    ):
        if expected != found:
            problems.append(f"{name}: the ledger says {expected} {what}, the history holds {found}.")
    return problems


def _verify_journal(workspace: Workspace, rows: pl.DataFrame) -> list[str]:
    """Compare the journal with the chain, and the texts it names with their hashes."""
    journal = Journal(workspace.history)
    if not journal.path.is_file():
        return []
    events = {row["sequence"]: row for row in rows.iter_rows(named=True)}
    problems = []
    number = 0
    try:
        for number, entry in enumerate(journal.entries(), start=1):
            row = events.get(number)
            names = ("sequence", "kind", "subject", "by", "why", "previous_hash", "hash")
            if row is None:
                return [f"The journal goes on to event {entry['sequence']}, the history ends with {len(events)}."]
            if entry["at"] != row["at"].isoformat() or any(entry[name] != row[name] for name in names):
                problems.append(f"Event {number} differs between the history and its journal {journal.path}.")
            digests = [entry["with"]["layout"]] if "layout" in entry["with"] else []
            if entry["kind"] == "reference":
                digests += json.loads(row["subject"])["changed"].values()
            for digest in digests:
                journal.text(digest)
    except IntegrityProblem as error:
        problems.append(str(error))
    except (KeyError, TypeError, ValueError):
        problems.append(f"Line {number} of {journal.path} was changed.")
    return problems
