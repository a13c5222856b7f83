"""What `verify` found not to agree, kept beside the history: no verdict is given on it until a later run finds it whole.

A note in the journal states the hash of the file, so that taking the file away, or changing it, gives no verdict back.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from pipeline.errors import EnvironmentProblem, lacking
from pipeline.history.journal import Journal
from pipeline.workspace.files import cannot, sha256_of, write_atomically

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    import polars as pl

    from pipeline.history.store import History
    from schemas.results import LotResult, MeterResult

__all__ = [
    "findings_state",
    "keep_findings",
    "last_verified",
    "note_verified",
    "standing_findings",
    "state_of",
    "withhold",
]


def _place(history: Path) -> Path:
    return history.parent / "findings.json"


def keep_findings(history: Path, files: dict[str, str], others: list[str], *, note: bool = False) -> None:
    """Keep what does not agree: sentences by hash of the file concerned, and those that concern everything.

    With `note` the chain vouches for it: only where the journal is known to go to the end of the chain, and nobody writes.
    Findings without their note withhold everything.
    """
    place = _place(history)
    data = json.dumps({"files": files, "everything": others}, ensure_ascii=False, indent=0).encode()
    digest = sha256_of(data) if files or others else ""
    if digest:
        write_atomically(place, data)
    elif place.exists():  # what cannot be written is not asked to
        try:
            place.unlink()
        except OSError as error:
            raise cannot("remove", place, error) from None
    journal = Journal(history)
    if note and _noted(journal) != digest:
        journal.note("verified", {"findings": digest})


def _noted(journal: Journal) -> Any:
    """Return the hash of what `verify` found last; empty where everything agreed."""
    return (journal.last_verified() or {}).get("findings", "")


def _kept(history: Path) -> tuple[dict[str, str], list[str]]:
    place, journal = _place(history), Journal(history)
    if history.exists() and not journal.path.exists():
        return {}, [f"The journal {journal.path} is gone, and with it what verify noted there."]
    noted = _noted(journal)
    try:
        data = place.read_bytes() if place.exists() else b""
        kept: dict[str, Any] = json.loads(data) if data else {"files": {}, "everything": []}
        files, everything = dict(kept["files"]), list(kept["everything"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        if lacking(error):
            raise  # whoever cannot look does not say what was found
        return {}, [f"{place} cannot be read."]
    if (sha256_of(data) if data else "") != noted:
        everything.append(f"{place}, which says what did not agree, is not what verify noted last.")
    return files, everything


def note_verified(history: Path, at: datetime) -> None:
    """Keep when the record was last verified, where that can be written."""
    with contextlib.suppress(EnvironmentProblem):
        write_atomically(history.parent / _VERIFIED, json.dumps({"at": at.isoformat()}).encode())


def last_verified(history: Path) -> datetime | None:
    """Return when the record was last verified; None where nobody knows."""
    try:
        return datetime.fromisoformat(json.loads((history.parent / _VERIFIED).read_text(encoding="utf-8"))["at"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


_VERIFIED = "verified.json"


def findings_state(history: Path) -> str:
    """Return a text that differs whenever the findings differ."""
    try:
        return hashlib.sha256(_place(history).read_bytes()).hexdigest()
    except OSError:
        return ""


def state_of(history: History) -> str:
    """Return a text that differs whenever the history or what `verify` found of it differs."""
    return f"{history.state()} {findings_state(history.path)}"


def standing_findings(history: Path) -> list[str]:
    """Return the sentences of what did not agree when `verify` last looked."""
    files, everything = _kept(history)
    return [*everything, *files.values()]


def withhold(
    history: Path,
    sources: pl.DataFrame,
    readings: pl.DataFrame,
    lots: Mapping[str, LotResult],
    meters: Mapping[str, MeterResult],
) -> tuple[Mapping[str, LotResult], Mapping[str, MeterResult]]:
    """Take back the verdicts that rest on what does not agree.

    Parameters
    ----------
    sources
        Ledger.
    readings
        With lot, meter, source_id.

    Returns
    -------
    (mapping, mapping)
        The same results, but not assessed where a file or the whole is in doubt.
    """
    import polars as pl

    files, everything = _kept(history)
    if not files and not everything:
        return lots, meters
    why_file = dict(
        sources.filter(pl.col("sha256").is_in(list(files)))
        .select("source_id", pl.col("sha256").replace_strict(files, default=None, return_dtype=pl.String))
        .iter_rows()
    )
    touched = readings.filter(pl.col("source_id").is_in(list(why_file))).select(
        "source_id", pl.col("lot", "meter").cast(pl.String)
    )
    doubts: dict[str, dict[str, str]] = {"lot": {}, "meter": {}}
    for kind, found in doubts.items():
        for source_id, name in (
            touched.select("source_id", kind).drop_nulls().unique().sort(kind, "source_id").iter_rows()
        ):
            found.setdefault(name, why_file[source_id])
    # the checks of a meter in doubt support no lot
    of_meter = readings.filter(pl.col("meter").cast(pl.String).is_in(list(doubts["meter"]))).select(
        pl.col("lot", "meter").cast(pl.String)
    )
    for name, meter in of_meter.drop_nulls().unique().sort("lot", "meter").iter_rows():
        doubts["lot"].setdefault(name, doubts["meter"][meter])
    if everything:
        doubts = {"lot": dict.fromkeys(lots, everything[0]), "meter": dict.fromkeys(meters, everything[0])}
    return (
        {name: _doubted(result, doubts["lot"].get(name), "verdict") for name, result in lots.items()},
        {name: _doubted(result, doubts["meter"].get(name), "state") for name, result in meters.items()},
    )


def _doubted(result: Any, why: str | None, field: str) -> Any:
    if why is None:
        return result
    reason = f"Nothing is said, because the record does not agree with itself: {why} Run: annealog verify"
    return replace(result, **{field: "not_assessed", "reasons": (reason, *result.reasons)})
