"""What the centre gives to sites: fetched into the folder `proposals`, where it changes nothing until a person imports it."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

from pipeline.errors import IntegrityProblem
from pipeline.publish.seal import signed_by, unsealed
from pipeline.workspace.files import read_bytes, write_atomically
from schemas.company import Numbered

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.publish.storage import Storage

__all__ = ["GIVEN", "GIVES", "PROPOSALS", "GivenTable", "fetch_given", "names_given"]

GIVEN = "centre/tables"
GIVES = ("specifications", "materials")
"""Reference tables that a centre gives: limits, and what values at the reference temperature rest on."""
PROPOSALS = "proposals"
"""Folder of the workspace; `annealog reference import` takes a file of it over, and the next load asks what that would alter."""


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
    public = root / "centre.pub"
    if not public.is_file():
        return []
    key, found = read_bytes(public, 10_000).decode("ascii", "replace"), []
    for name in names_given(storage):
        if list((root / PROPOSALS).glob(f"{name[:21]}-*.csv")):
            continue
        document, signature = unsealed(storage.get(f"{GIVEN}/{name}"))
        if not signed_by(document, signature, key):
            raise IntegrityProblem(
                f"The centre's table {name} is not signed by the key in {public}. Ask the centre before anything of it is used."
            )
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
