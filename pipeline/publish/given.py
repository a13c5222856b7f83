"""What the centre says to sites: believed where its key signed it. Tables lie in `proposals` and change nothing until a person imports them."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

from pipeline.errors import IntegrityProblem, UsageError
from pipeline.publish.seal import signed_by, unsealed
from pipeline.workspace.files import read_bytes, write_atomically
from schemas.company import Numbered

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.publish.storage import Storage

__all__ = [
    "CENTRE_KEY",
    "GIVEN",
    "GIVES",
    "PROPOSALS",
    "GivenTable",
    "believed",
    "centre_key",
    "fetch_given",
    "names_given",
]

GIVEN = "centre/tables"
GIVES = ("specifications", "materials")
"""Reference tables that a centre gives: limits, and what values at the reference temperature rest on."""
PROPOSALS = "proposals"
"""Folder of the workspace; `annealog reference import` takes a file of it over, and the next load asks what that would alter."""


CENTRE_KEY = "centre.pub"
"""The centre's public key, which a person put beside annealog.toml; without it nothing that is said in the centre's name is believed."""


def centre_key(root: Path) -> str | None:
    """Return the key that a workspace believes the centre by; None where nobody put one there."""
    path = root / CENTRE_KEY
    return read_bytes(path).decode("ascii", "replace") if path.is_file() else None


def believed(data: bytes, key: str, what: str) -> dict[str, Any]:
    """Return a sealed document that the centre signed.

    Raises
    ------
    IntegrityProblem
        If it did not, there is no sealed document, or the key is none.
    """
    try:
        document, signature = unsealed(data)
    except IntegrityProblem as problem:
        raise IntegrityProblem(f"{what} is not the centre's: {problem}. Nothing of it is believed.") from None
    try:
        signed = signed_by(document, signature, key)
    except UsageError:
        raise IntegrityProblem(
            f"{CENTRE_KEY} holds no public Ed25519 key in PEM, so that {what[0].lower()}{what[1:]} cannot be believed. Put into it what "
            "'annealog centre key' prints at the centre."
        ) from None
    if not signed:
        raise IntegrityProblem(
            f"{what} is not signed by the key in {CENTRE_KEY}: nothing of it is believed. Ask the centre, by another way than the "
            f"storage. If it has a new key, put into {CENTRE_KEY} what 'annealog centre key' prints there."
        )
    return document


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenTable(Numbered):
    """A reference table as the centre gives it: its rows as CSV, who gives it, and why."""

    table: str
    text: str
    by: str
    why: str
    at: str
    format: int = 1


def names_given(storage: Storage) -> list[str]:
    """Return the names of all tables that were given, in their order."""
    return [key.rsplit("/", 1)[-1] for key in storage.keys(GIVEN)]


def fetch_given(storage: Storage, root: Path) -> list[Path]:
    """Fetch the tables that the site does not have yet; return their files.

    Parameters
    ----------
    root
        The workspace. Without the centre's public key, `centre.pub`, nothing is fetched: a table nobody signed would be believed.

    Raises
    ------
    IntegrityProblem
        If a table was not signed by the centre, or is not what its name says. Nothing after it is fetched.
    """
    key, found = centre_key(root), []
    if key is None:
        return []
    for name in names_given(storage):
        if list((root / PROPOSALS).glob(f"{name[:21]}-*.csv")):
            continue
        document = believed(storage.get(f"{GIVEN}/{name}"), key, f"The table {name}")
        if set(document) != {field.name for field in fields(GivenTable)} or document["format"] != 1:
            raise IntegrityProblem(
                f"The centre's table {name} has another format than this version knows: update annealog."
            )
        table = GivenTable(**document)
        if table.name != name or table.table not in GIVES:
            raise IntegrityProblem(
                f"The centre's table {name} is not what its name says, or no table that a centre gives."
            )
        path = root / PROPOSALS / f"{name[:21]}-{table.table}.csv"
        write_atomically(path, table.text.encode())
        found.append(path)
    return found
