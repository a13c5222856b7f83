"""Proof: what a site computed is computed again from its raw readings, and compared byte for byte.

The whole site, or some of its lots: a lot computed alone is equal to the last bit to the same lot among all others. What the others are
(their means, for the level of a supplier) is then taken as the site says it; only the whole proves that, too.
"""

from __future__ import annotations

import importlib.metadata
import json
from dataclasses import asdict, dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.centre.pieces import COMPUTED, manifest_of, months_of, tables_of
from pipeline.errors import IntegrityProblem, UsageError
from pipeline.history.chain import GENESIS_HASH, event_hash
from pipeline.metrology.block_checks import NUMBERS_OF_A_METER
from pipeline.publish.package import RAW, assessed, assessed_part, computed, cut, lots_read
from pipeline.workspace.files import sha256_of
from schemas.company import moment_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from pipeline.centre.place import Centre
    from pipeline.centre.register import Register
    from pipeline.publish.storage import Storage

__all__ = ["Verified", "verify_site"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """What came of computing a site again.

    Parameters
    ----------
    site, number, sha256, program
        The package, and the version that made it.
    readings, lots, meters
        How many of each were computed again; of lots that were drawn their readings, and no meters.
    differs
        In words, what the site said otherwise; empty where every byte of every computed table is the same.
    drawn
        The lots that were drawn; empty where the whole was computed.
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
    drawn: tuple[str, ...]
    broken: tuple[str, ...]
    same_program: bool


def verify_site(
    place: Centre,
    register: Register,
    storage: Storage,
    name: str,
    *,
    draw: Callable[[list[str]], list[str]] | None = None,
) -> Verified:
    """Compute a site's last package again from its raw tables, and keep in the register what came of it.

    Parameters
    ----------
    draw
        Chooses of the lots, those that were read and those that the site names, which are computed; None computes all, and the meters, too.

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
    as_of, months = moment_of(manifest.as_of), partial(months_of, storage, manifest, place.cache)
    raw = tables_of(storage, manifest, place.cache, tables=[name for name in RAW if draw is None or name != "readings"])
    if as_of is None:
        raise IntegrityProblem(f"Package {last.number} says that it is as of {manifest.as_of!r}, which is no moment")
    key, alone = name, None
    if draw is None:
        found = computed(_judged(last.number, assessed, raw, as_of))
        said = {table: {piece.sha256 for piece in manifest.pieces if piece.table == table} for table in COMPUTED}
    else:
        theirs = tables_of(storage, manifest, place.cache, tables=["lots"])
        read = _judged(last.number, lots_read, raw, as_of, months)
        alone = sorted(draw(sorted({*read, *theirs["lots"]["lot"]})))
        key = f"{name} {sha256_of(json.dumps(alone).encode())[:16]}"
        asked, own = sorted({*alone} & {*read}), pl.col("lot").is_in(alone)
        theirs |= tables_of(storage, manifest, place.cache, tables=_BESIDE, rows=dict.fromkeys(_BESIDE, own))
        again = computed(_judged(last.number, assessed_part, raw, as_of, asked, theirs["lots"], months))
        found = {table: _rows(again[table], alone) for table in theirs}
        said = {table: {piece.sha256 for piece, _ in cut(table, _rows(rows, alone))} for table, rows in theirs.items()}

    def rows_of(table: str) -> pl.DataFrame:
        return _rows(tables_of(storage, manifest, place.cache, tables=[table])[table], alone)

    ours = importlib.metadata.version("annealog")
    verified = Verified(
        site=name,
        number=last.number,
        sha256=last.sha256,
        program=last.program,
        readings=sum(_rows(rows, alone).height for rows in months(["lot"])),
        lots=found["lots"].height,
        meters=found["meters"].height if alone is None else 0,
        differs=tuple(_differences(said, found, rows_of)),
        drawn=tuple(alone or ()),
        broken=tuple(_broken(raw["events"], manifest.head)),
        same_program=last.program == ours,
    )
    register.keep("verify", key, last.sha256, ours, json.dumps(asdict(verified)))
    return verified


def _judged(number: int, judge: Callable[..., Any], *given: Any) -> Any:
    """Return what a judgement finds; of what nobody can judge, such as a decision of a form that no site writes, the package is told."""
    try:
        return judge(*given)
    except (ValueError, KeyError, TypeError) as error:
        raise IntegrityProblem(
            f"What package {number} says cannot be judged ({type(error).__name__}: {str(error).splitlines()[0]}). Ask the site to publish again."
        ) from None


_BESIDE = ("parts", "brackets")
"""What a site says of lots in more than a row each."""
_NAMED = 20


def _rows(frame: pl.DataFrame, lots: list[str] | None) -> pl.DataFrame:
    """Return the rows of some lots, None for all; a run is then numbered within its meter, for other meters are not there to count."""
    if lots is None:
        return frame
    runs = [name for name in ("before_run", "after_run") if name in frame.columns]
    return frame.filter(pl.col("lot").is_in(lots)).with_columns(pl.col(runs) % NUMBERS_OF_A_METER)


def _differences(
    said: Mapping[str, set[str]], found: Mapping[str, pl.DataFrame], theirs_of: Callable[[str], pl.DataFrame]
) -> Iterator[str]:
    """Compare what a site said of each table (hashes of its pieces) with what was found; tell rows where they differ."""
    for table, hashes in said.items():
        pieces = cut(table, found[table])
        if hashes == {piece.sha256 for piece, _ in pieces}:
            continue
        theirs = theirs_of(table)
        mine = pl.concat([theirs.clear(), *(pl.read_parquet(data) for _, data in pieces)])
        only = theirs.join(mine, on=theirs.columns, how="anti", nulls_equal=True).height
        missing = mine.join(theirs, on=theirs.columns, how="anti", nulls_equal=True).height
        columns = [
            column
            for column in theirs.columns
            if theirs.height == mine.height and not theirs[column].sort().equals(mine[column].sort(), null_equal=True)
        ]
        of = f" in {', '.join(columns)}" if columns else ""
        if table == "lots":
            for words, rows, others in (
                ("does not name", mine, theirs),
                ("names without readings of it", theirs, mine),
            ):
                if alone := rows.join(others, on="lot", how="anti")["lot"].to_list():
                    of += f"; lots that it {words}: {', '.join(alone[:_NAMED])}{' ...' if len(alone) > _NAMED else ''}"
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
