"""What the centre says to sites, signed with its key: what it took in of each, and tables such as limits, which change nothing by themselves."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from pipeline.errors import AnnealogError, EnvironmentProblem, UsageError
from pipeline.intake.tables import parse_table
from pipeline.near import nearest
from pipeline.publish.given import GIVEN, GIVES, GivenTable, names_given
from pipeline.publish.seal import key_pair, read_key, sealed
from pipeline.publish.storage import Storage
from pipeline.workspace.files import read_bytes
from schemas.reference_tables import REFERENCE_TABLES

if TYPE_CHECKING:
    from pathlib import Path

    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    from pipeline.centre.place import Centre
    from pipeline.centre.register import Register
    from schemas.company import Head

__all__ = ["give", "key_of", "tell", "to_tell", "untold"]

_LARGEST = 10_000_000
_MAKE_KEY = "annealog centre key"


def _key(place: Centre) -> Ed25519PrivateKey:
    return read_key(place.root / "centre.key", _MAKE_KEY)


def key_of(place: Centre) -> str:
    """Return the public half of the centre's key, which lies beside it; either is made where there is none."""
    return key_pair(place.root / "centre.key", _MAKE_KEY)


def untold(place: Centre) -> str:
    """Say why sites are told nothing; empty where they are. Taking in goes on, and never makes a key in the midst of it."""
    try:
        _key(place)
    except AnnealogError as error:
        return f"The sites are not told what is taken in or refused, for it cannot be signed. Once it can, the next round tells them. {error}"
    return ""


def to_tell(place: Centre) -> set[str]:
    """Return the sites that were to be told something while it could not be signed, once it can."""
    waiting = {path.name for path in (place.root / "untold").glob("*")}
    return set() if waiting and untold(place) else waiting


def tell(place: Centre, storage: Storage, head: Head) -> None:
    """Put what a site may know into storage, where it is not there already; where it cannot be signed (:func:`untold`), that is noted."""
    waits = place.root / "untold" / head.site
    try:
        key, data = f"centre/heads/{head.site}.json", sealed(head.document, _key(place))
    except AnnealogError:
        waits.parent.mkdir(exist_ok=True)
        waits.touch()
        return
    try:
        known = storage.get(key) == data
    except FileNotFoundError:
        known = False
    if not known:
        storage.replace(key, data)
    waits.unlink(missing_ok=True)


def give(place: Centre, register: Register, file: Path, *, by: str, why: str, dry_run: bool = False) -> GivenTable:
    """Put a table into storage for sites to take over, and record who gave it.

    Parameters
    ----------
    file
        CSV named as the reference table that it is, such as ``specifications.csv``.

    Raises
    ------
    UsageError
        If it is no table that a centre gives, has no row, or nobody decides.
    ReferenceTableError
        Names line and column of all that is wrong in it.
    """
    if file.stem not in GIVES:
        raise UsageError(
            f"{file.name} names no table that a centre gives: expected {' or '.join(f'{n}.csv' for n in GIVES)}{nearest(file.stem, GIVES)}"
        )
    if not by.strip() or not why.strip():
        raise UsageError("A decision states who decides and why: --by NAME --why TEXT")
    text = read_bytes(file, _LARGEST).decode("utf-8-sig", "replace")
    if not parse_table(REFERENCE_TABLES[file.stem], text, where=file.name, zone=ZoneInfo("UTC")).height:
        raise UsageError(f"{file} has no row: there is nothing to give.")
    storage = Storage(place.storage)
    given = names_given(storage)
    number = 1 + max((int(name[:8]) for name in given), default=0)
    at = datetime.now(UTC).isoformat(timespec="seconds")
    table = GivenTable(number=number, table=file.stem, text=text, by=by, why=why, at=at)
    if dry_run:
        return table
    key_of(place)
    # recorded first: what lies in storage was always decided
    register.decide("limits", {"table": table.table, "number": number, "sha256": table.sha256}, by=by, why=why)
    if not storage.put_if_absent(f"{GIVEN}/{table.name}", sealed(table.document, _key(place))):
        raise EnvironmentProblem(f"Storage has {table.name} already. Nothing was put; look who else gives tables.")
    return table
