"""The pieces of a package: fetched by their hash, held against what the manifest and the declarations say, kept in a cache."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from itertools import groupby
from operator import attrgetter
from typing import TYPE_CHECKING

import polars as pl

from pipeline.errors import IntegrityProblem
from pipeline.publish.seal import unsealed
from pipeline.publish.storage import TooLong
from pipeline.workspace.files import archived, write_atomically
from schemas.company import COMPANY_TABLES, Manifest, canonical

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from pipeline.centre.register import Registered
    from pipeline.publish.storage import Storage
    from schemas.company import Piece

__all__ = [
    "COMPUTED",
    "blob_key",
    "checked",
    "fetch_all",
    "fetched",
    "forget",
    "manifest_of",
    "months_of",
    "packages_of",
    "remember",
    "tables_of",
]

COMPUTED = ("checks", "runs", "settings", "brackets", "parts", "lots", "meters")
"""Tables that a site computed from the others: the only ones that the union asks, so the only ones kept when taken in."""

_LARGEST = 256 * 2**20
_LARGEST_UNPACKED = 4 * 2**30
"""A piece is refused above this, before it is unpacked: no month of a table comes near, and a hostile one could be any size."""
_AT_ONCE = 8


def packages_of(site: str) -> str:
    """Return where the packages of a site lie in storage."""
    return f"sites/{site}/packages"


def blob_key(site: str, sha256: str) -> str:
    """Return where a piece of a site lies in storage."""
    return f"sites/{site}/blobs/{sha256}"


def manifest_of(storage: Storage, package: Registered, cache: Path | None = None) -> Manifest:
    """Return the manifest of a registered package, as it was when it was registered.

    Parameters
    ----------
    storage, package
        Where it lies, and which it is.
    cache
        Where it is looked for first, and kept; None looks into storage, as a proof does.

    Raises
    ------
    IntegrityProblem
        If it is not in storage any more, or is another one.
    EnvironmentProblem
        If storage cannot be reached.
    """
    place = None if cache is None else archived(cache, package.sha256)
    if place is not None:
        with contextlib.suppress(OSError, ValueError):
            kept = Manifest.of(json.loads(place.read_bytes()), registered=True)
            if kept.sha256 == package.sha256:
                return kept
    key = f"{packages_of(package.site)}/{package.number:08}-{package.sha256}.json"
    try:
        found = Manifest.of(unsealed(storage.get(key))[0], registered=True)
    except (FileNotFoundError, IntegrityProblem, ValueError, TypeError) as error:
        raise IntegrityProblem(
            f"Package {package.number} of site {package.site} cannot be read any more: {error}"
        ) from None
    if found.sha256 != package.sha256:
        raise IntegrityProblem(
            f"Package {package.number} of site {package.site} was changed in storage after it was registered: {key}"
        )
    if cache is not None:
        remember(cache, found)
    return found


def remember(cache: Path, manifest: Manifest) -> None:
    """Keep a manifest in the cache, so that neither a question nor the next package asks storage for it."""
    write_atomically(archived(cache, manifest.sha256), canonical(manifest.document))


def forget(cache: Path, names: Iterable[str]) -> None:
    """Take pieces and manifests out of the cache that nothing asks for any more; whoever does finds them in storage."""
    for sha256 in names:
        archived(cache, sha256).unlink(missing_ok=True)


def checked(piece: Piece, data: bytes) -> None:
    """Hold a piece against its manifest and the declaration of its table.

    Raises
    ------
    IntegrityProblem
        If bytes, rows or columns are others, or it would unpack to more than a piece can be.
    """
    name = f"piece {piece.sha256[:16]} ({piece.table} {piece.month})".replace(" )", ")")
    if len(data) != piece.bytes or hashlib.sha256(data).hexdigest() != piece.sha256:
        raise IntegrityProblem(f"{name} is not what its hash says: {len(data)} bytes, {piece.bytes} expected")
    if piece.table not in COMPANY_TABLES:
        raise IntegrityProblem(f"{name} belongs to no table that is known here")
    import pyarrow.parquet as pq
    from pyarrow import ArrowException

    try:
        said = pq.read_metadata(io.BytesIO(data))
        unpacked = sum(said.row_group(group).total_byte_size for group in range(said.num_row_groups))
        columns = pl.read_parquet_schema(io.BytesIO(data))
    except (ArrowException, OSError, pl.exceptions.PolarsError) as error:
        raise IntegrityProblem(f"{name} cannot be read as Parquet: {str(error).splitlines()[0]}") from None
    if unpacked > _LARGEST_UNPACKED:
        raise IntegrityProblem(f"{name} would unpack to {unpacked:,} bytes, more than {_LARGEST_UNPACKED:,}")
    if said.num_rows != piece.rows:
        raise IntegrityProblem(f"{name} has {said.num_rows} rows, {piece.rows} expected")
    declared = COMPANY_TABLES[piece.table].empty().schema
    if columns != declared:
        other = sorted({*columns.items()} ^ {*declared.items()}, key=str)
        raise IntegrityProblem(
            f"{name} has other columns than declared: {', '.join(f'{n} {t}' for n, t in other) or 'their order'}"
        )


def fetched(storage: Storage, site: str, piece: Piece, cache: Path, *, keep: bool = True) -> bytes:
    """Return the bytes of a piece, from the cache or from storage, once they are what they should be.

    Raises
    ------
    IntegrityProblem
        If it is missing in storage, or is not what it should be.
    EnvironmentProblem
        If storage cannot be reached.
    """
    place = archived(cache, piece.sha256)
    try:
        data = place.read_bytes()
        checked(piece, data)
    except (OSError, IntegrityProblem):  # a cache that was damaged costs a look at storage
        if piece.bytes > _LARGEST:
            raise IntegrityProblem(
                f"piece {piece.sha256[:16]} has {piece.bytes:,} bytes, more than {_LARGEST:,}"
            ) from None
        try:
            data = storage.get(blob_key(site, piece.sha256), largest=piece.bytes)
        except TooLong as error:
            raise IntegrityProblem(
                f"piece {piece.sha256[:16]} ({piece.table}) is not what its hash says: {error.size} bytes, {piece.bytes} expected"
            ) from None
        except FileNotFoundError:
            raise IntegrityProblem(f"piece {piece.sha256[:16]} ({piece.table}) is missing in storage") from None
        checked(piece, data)
        if keep:
            write_atomically(place, data)
    return data


def fetch_all(
    storage: Storage, site: str, pieces: Iterable[Piece], cache: Path, *, keep: Iterable[str] = COMPUTED
) -> int:
    """Fetch and check pieces, several at once; keep those of some tables. Return how many bytes they have."""
    kept = set(keep)

    def one(piece: Piece) -> int:
        return len(fetched(storage, site, piece, cache, keep=piece.table in kept))

    with ThreadPoolExecutor(_AT_ONCE) as pool:
        return sum(pool.map(one, pieces))


def months_of(
    storage: Storage, manifest: Manifest, cache: Path, columns: Sequence[str] | None
) -> Iterator[pl.DataFrame]:
    """Yield the raw readings of a package month by month, or some columns of them; errors as for :func:`fetched`."""
    pieces = [piece for piece in manifest.pieces if piece.table == "readings"]
    wanted = None if columns is None else list(columns)
    for _, of_month in groupby(pieces, attrgetter("month")):
        found = (fetched(storage, manifest.site, piece, cache) for piece in of_month)
        yield pl.concat(pl.read_parquet(io.BytesIO(data), columns=wanted) for data in found)


def tables_of(
    storage: Storage,
    manifest: Manifest,
    cache: Path,
    *,
    tables: Iterable[str] = COMPUTED,
    rows: Mapping[str, pl.Expr] | None = None,
    but: Mapping[str, Sequence[str]] | None = None,
) -> dict[str, pl.DataFrame]:
    """Return tables of a package, put together from their pieces, sorted by their keys, as the site had them.

    Parameters
    ----------
    storage, manifest, cache
        Where the pieces are.
    tables
        Which.
    rows
        Of some tables which rows; the others of a piece are gone before the next one is read.
    but
        Of some tables columns that nobody asks for.

    Raises
    ------
    IntegrityProblem, EnvironmentProblem
        As :func:`fetched`.
    """
    found = {}
    for table in tables:
        wanted = pl.lit(True) if rows is None else rows.get(table, pl.lit(True))
        declared = COMPANY_TABLES[table]
        none = declared.empty().drop(() if but is None else but.get(table, ()))
        columns, pieces = none.columns, [piece for piece in manifest.pieces if piece.table == table]
        fetch = partial(fetched, storage, manifest.site, cache=cache)
        with ThreadPoolExecutor(_AT_ONCE) as pool:
            read = (pl.read_parquet(io.BytesIO(data), columns=columns) for data in pool.map(fetch, pieces))
            frames = [frame.filter(wanted) for frame in read]
        found[table] = pl.concat([none, *frames]).sort(declared.key, nulls_last=True, maintain_order=True)
    return found
