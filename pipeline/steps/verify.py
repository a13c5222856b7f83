"""Is everything still as it was recorded: raw files, chain of events, counts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from pipeline.history.store import GENESIS_HASH, History, event_hash
from pipeline.steps.files import archived, sha256_of
from schemas.tables import FATES

if TYPE_CHECKING:
    from pipeline.settings import Workspace

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


def verify(workspace: Workspace) -> VerifyReport:
    """Recompute the hashes of raw files and events, and the counts of lines and readings.

    Raises
    ------
    IntegrityProblem
        If the history cannot be read at all.
    """
    problems: list[str] = []
    with History.open(workspace.history, wait_s=workspace.settings.busy_wait_seconds) as history:
        sources = history.sources()
        stored = {row["source_id"]: row for row in history.readings_by_source().iter_rows(named=True)}
        refused = dict(
            history.quarantine(states=["new", "discarded"])
            .group_by("source_id")
            .agg(pl.col("line").n_unique().alias("n"))
            .iter_rows()
        )
        rows = history.event_rows()
    for source in sources.iter_rows(named=True):
        place = archived(workspace.archive, source["sha256"])
        name = source["name"]
        try:
            digest = sha256_of(place.read_bytes())
        except OSError as error:
            problems.append(f"{name}: the raw file {place} cannot be read: {error.strerror}.")
        else:
            if digest != source["sha256"]:
                problems.append(
                    f"{name}: the raw file {place} has changed: its hash is {digest[:12]}…, not {source['sha256'][:12]}…."
                )
        if sum(source[fate] for fate in FATES) != source["lines"]:
            problems.append(f"{name}: the lines by fate do not add up to {source['lines']}.")
        counts = stored.get(source["source_id"], {"readings": 0, "lines": 0, "conflicts": 0})
        for what, expected, found in (
            ("readings", source["readings"], counts["readings"]),
            ("accepted lines", source["accepted"], counts["lines"]),
            ("conflicts", source["conflicts"], counts["conflicts"]),
            ("quarantined lines", source["quarantined"], refused.get(source["source_id"], 0)),
        ):
            if expected != found:
                problems.append(f"{name}: the ledger says {expected} {what}, the history holds {found}.")
    strangers = set(stored) - set(sources["source_id"].to_list())
    problems += [
        f"There are readings of a file number {number} that the ledger does not know." for number in sorted(strangers)
    ]
    head = GENESIS_HASH
    for number, row in enumerate(rows.iter_rows(named=True), start=1):
        expected_hash = event_hash(
            row["sequence"], row["at"], row["kind"], row["subject"], row["by"], row["why"], row["previous_hash"]
        )
        if row["sequence"] != number or row["previous_hash"] != head or row["hash"] != expected_hash:
            problems.append(f"Event {row['sequence']} ({row['kind']}) was changed, or one before it is missing.")
        head = row["hash"]
    return VerifyReport(
        sources.height,
        rows.height,
        int(sources["readings"].sum()),
        int(sources["quarantined"].sum()),
        head,
        tuple(problems),
    )
