"""Proof: what a site computed is computed again from its raw readings, and compared byte for byte.

Always the whole site: a lot alone may differ from the same lot among others in the last bit, and an equality that is only nearly
one proves nothing.
"""

from __future__ import annotations

import importlib.metadata
import json
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import TYPE_CHECKING

import polars as pl

from pipeline.centre.pieces import COMPUTED, manifest_of, tables_of
from pipeline.errors import UsageError
from pipeline.history.chain import GENESIS_HASH, event_hash
from pipeline.publish.package import RAW, assessed, computed, cut

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.centre.place import Centre
    from pipeline.centre.register import Register
    from pipeline.publish.storage import Storage
    from schemas.company import Manifest

__all__ = ["Verified", "verify_site"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """What came of computing a site again.

    Parameters
    ----------
    site, number, sha256, program
        The package, and the version that made it.
    readings, lots, meters
        How many of each were computed again.
    differs
        In words, what the site said otherwise; empty where every byte of every computed table is the same.
    broken
        In words, what is wrong with its chain of events.
    same_program
        Whether this program is the version that the site ran: between versions a difference accuses nobody.
    """

    site: str
    number: int
    sha256: str
    program: str
    readings: int
    lots: int
    meters: int
    differs: tuple[str, ...]
    broken: tuple[str, ...]
    same_program: bool


def verify_site(place: Centre, register: Register, storage: Storage, name: str) -> Verified:
    """Compute a site's last package again from its raw tables, and keep in the register what came of it.

    Raises
    ------
    UsageError
        If nobody added the site, or nothing of it was registered.
    IntegrityProblem
        If a piece is missing in storage or is not what it was when it was taken in.
    EnvironmentProblem
        If storage or the register are away.
    """
    last = register.site(name).last
    if last is None:
        raise UsageError(f"Nothing of site {name} was registered yet: annealog centre take-in --site {name}")
    manifest = manifest_of(storage, last)
    raw = tables_of(storage, manifest, place.cache, tables=RAW)
    found = computed(assessed(raw, datetime.fromisoformat(manifest.as_of)))
    ours = importlib.metadata.version("annealog")
    verified = Verified(
        site=name,
        number=last.number,
        sha256=last.sha256,
        program=last.program,
        readings=raw["readings"].height,
        lots=found["lots"].height,
        meters=found["meters"].height,
        differs=tuple(_differences(storage, manifest, found, place)),
        broken=tuple(_broken(raw["events"], manifest.head)),
        same_program=last.program == ours,
    )
    register.keep("verify", name, last.sha256, ours, json.dumps(asdict(verified)))
    return verified


def _differences(storage: Storage, manifest: Manifest, found: dict[str, pl.DataFrame], place: Centre) -> Iterator[str]:
    for table in COMPUTED:
        said = {piece.sha256 for piece in manifest.pieces if piece.table == table}
        again = {piece.sha256 for piece, _ in cut(table, found[table])}
        if said == again:
            continue
        theirs = tables_of(storage, manifest, place.cache, tables=[table])[table]
        mine = pl.concat([theirs.clear(), *(pl.read_parquet(data) for _, data in cut(table, found[table]))])
        only = theirs.join(mine, on=theirs.columns, how="anti", nulls_equal=True).height
        missing = mine.join(theirs, on=theirs.columns, how="anti", nulls_equal=True).height
        columns = [
            column
            for column in theirs.columns
            if theirs.height == mine.height and not theirs[column].sort().equals(mine[column].sort(), null_equal=True)
        ]
        of = f" in {', '.join(columns)}" if columns else ""
        yield (
            f"{table}: the site says {only} of {theirs.height} rows otherwise than computed from its readings"
            f" ({missing} of {mine.height} computed rows are not among its own){of}"
        )


def _broken(events: pl.DataFrame, head: str) -> Iterator[str]:
    """Say where the chain of events breaks. Of an account the site keeps the subject: there only the links can be followed."""
    before, sequence = GENESIS_HASH, 0
    for event in events.sort("sequence").iter_rows(named=True):
        sequence = event["sequence"]
        if event["previous_hash"] != before:
            yield f"event {sequence} does not follow the one before it"
        made = [event[name] for name in ("sequence", "at", "kind", "subject", "by", "why", "previous_hash")]
        if event["subject"] is not None and event_hash(*made) != event["hash"]:
            yield f"event {sequence} is not what its hash says"
        before = event["hash"]
    if head != ("" if not sequence else before):
        yield f"the manifest names another last event than its chain of {sequence}"
