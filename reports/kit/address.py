"""Names of pages. Ids come from files, so a name must be safe, unique and the same on every run and machine."""

from __future__ import annotations

import hashlib
import re

__all__ = ["BOOK", "INDEX", "PARENT", "address", "between", "kind_of"]

INDEX = "index.html"
BOOK = "handbook/index.html"
_FOLDERS = {
    "lot": "lots",
    "meter": "meters",
    "block": "blocks",
    "supplier": "suppliers",
    "process": "processes",
    "study": "studies",
    "event": "events",
    "review": "reviews",
    "board": "boards",
    "checks": "checks",
    "readings": "readings",
    "month": "months",
    "files": "files",
    "paper": "papers",
    "handbook": "handbook",
}
"""Folder of each kind of page beside the index."""
PARENT = {"checks": "meter", "readings": "lot", "month": "lot"}
"""Kinds that hold the long part of another page, of the same name where that has one."""
_PLAIN = re.compile(r"[A-Z0-9][A-Z0-9._-]{0,59}")
_UNSAFE = re.compile(r"[^A-Za-z0-9_-]+")
_RESERVED = re.compile(r"(CON|PRN|AUX|NUL|CONIN\$|CONOUT\$|COM\d|LPT\d)(\..*)?", re.IGNORECASE)
"""Names that one widespread family of file systems keeps for devices, whatever the ending."""


def address(kind: str, identifier: str) -> str:
    """Return the address of a page, relative to the folder of the index.

    An id of capitals, digits, point, hyphen and underscore, of at most 60 characters, keeps its name. Any other one is
    rewritten and gets part of its SHA-256, set off by ``~``, which no kept name holds. Capitals only, because file
    systems that do not tell cases apart would put two pages into one file.

    Parameters
    ----------
    kind
        index, or one of the kinds of page that have a folder.
    identifier
        Id as the export states it; not used for the index.

    Returns
    -------
    str
        Such as ``lots/L-1001.html`` or ``meters/m_7~3a1f09c2bd10.html``: ASCII that needs no quoting in an address.

    Raises
    ------
    ValueError
        If the kind is unknown.
    """
    if kind == "index":
        return INDEX
    if kind not in _FOLDERS:
        raise ValueError(f"unknown kind of page {kind!r}; expected one of index, {', '.join(_FOLDERS)}")
    name = identifier
    if kind == "handbook":  # names of our own, no ids from files
        return f"{_FOLDERS[kind]}/{name}.html"
    if not _PLAIN.fullmatch(identifier) or _RESERVED.fullmatch(identifier) or identifier.endswith("."):
        mark = hashlib.sha256(identifier.encode("utf-8", "surrogatepass")).hexdigest()[:12]
        slug = _UNSAFE.sub("_", identifier[:200]).strip("_-")[:40] or "id"
        name = f"{slug}~{mark}"
    return f"{_FOLDERS[kind]}/{name}.html"


def between(here: str, there: str) -> str:
    """Return the relative address from one page to another.

    Parameters
    ----------
    here, there
        Addresses relative to the folder of the index.

    Returns
    -------
    str
    """
    if here == there:
        return there.rsplit("/", 1)[-1]
    return "../" * here.count("/") + there


def kind_of(there: str) -> str:
    """Return the kind of page that an address belongs to."""
    folder = there.rpartition("/")[0]
    return next((kind for kind, name in _FOLDERS.items() if name == folder), "index")
