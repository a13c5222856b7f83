"""Files that were not loaded: kept by their bytes, discarded with a reason, closed by a later file that holds all of them.

What is proven closes a held file: the same bytes were loaded, or every line of it stands in a file that was. A file of the
same name proves nothing, because many meters write each export under one name; it is said, and a person decides.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from pipeline.workspace.files import archived

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from pipeline.history.store import History

__all__ = ["close_held", "discarded_before", "holds_every_line", "listed_held"]


def _lines(data: bytes) -> list[bytes]:
    """Return the lines that hold anything; how a line ends says nothing."""
    return [line for line in (line.strip() for line in data.split(b"\n")) if line]


def holds_every_line(whole: bytes, part: bytes) -> bool:
    """Whether every line of a file stands in another, as often as there; a last line that was cut off, as a beginning.

    Parameters
    ----------
    whole, part
        Both files, as bytes. A part without any line is held by nothing.
    """
    lines = _lines(part)
    if not lines:
        return False
    cut = None if part.endswith((b"\n", b"\r")) else lines.pop()
    wanted = Counter(lines)
    found = Counter(line for line in _lines(whole) if line in wanted or (cut is not None and line.startswith(cut)))
    if cut is None:
        return wanted <= found
    # what is cut off begins a line that no whole line needs
    return wanted <= found and any(line.startswith(cut) for line in (found - wanted))


@lru_cache(maxsize=100_000)
def _telling_line(place: Path) -> bytes | None:
    """Return the hash of a line without which no file holds all lines of an archived one, None where any may; empty if it is gone.

    It is the last whole line: headers are the same in many files. What lies under a hash never changes, so thousands of held
    files cost a file that is loaded a look into memory each.
    """
    if not place.is_file():
        return b""
    data = place.read_bytes()
    lines = _lines(data)
    whole = lines if data.endswith((b"\n", b"\r")) else lines[:-1]
    return hashlib.sha256(whole[-1]).digest() if whole else None


def close_held(
    history: History, archive: Path, *, name: str, sha256: str, data: bytes, now: datetime
) -> list[dict[str, Any]]:
    """Close the held files of which every line stands in a file that was just loaded. Call inside a transaction.

    Parameters
    ----------
    history
        Open to write.
    archive
        Where the bytes of held files lie.
    name, sha256, data
        Of the file that was loaded.
    now
        Time of the event.

    Returns
    -------
    list of dict
        name and sha256 of what is closed.
    """
    waiting = history.held_up_to(2 * len(data))
    if not waiting:
        return []
    lines = {hashlib.sha256(line).digest() for line in _lines(data)}
    closed = []
    for held_name, digest in waiting:
        place = archived(archive, digest)
        telling = _telling_line(place)
        if (telling is None or telling in lines) and holds_every_line(data, place.read_bytes()):
            closed.append({"name": held_name, "sha256": digest})
    if closed:
        history.release_held([one["sha256"] for one in closed])
        why = f"every line stands in {name}, which was loaded"
        history.append_event("held_closed", {"files": closed, "sha256": sha256}, by="load", why=why, at=now)
    return closed


def discarded_before(history: History, sha256: str, reason: str) -> tuple[datetime, str, str] | None:
    """Return when, by whom and why a file was discarded that was held for this reason; None where it was not."""
    for event in reversed(history.events("discard")):
        if any((one["sha256"], one["reason"]) == (sha256, reason) for one in event.subject.get("files", ())):
            return event.at, event.by, event.why
    return None


def listed_held(history: History) -> list[dict[str, Any]]:
    """Return the files that are held, as rows beside those of refused lines: they have no number and no line.

    `loaded_since` is when a file of the same name was loaded after it was held: whether it holds the same, a person must say.
    """
    loaded = {row["name"]: row["loaded_at"] for row in history.sources().iter_rows(named=True)}
    rows = []
    for held in history.held_files().iter_rows(named=True):
        since = loaded.get(held["name"])
        rows.append(
            {
                "quarantine_id": None,
                "file": held["name"],
                "line": None,
                "reason": held["reason"],
                "sentence": held["sentence"],
                "state": "held",
                "sha256": held["sha256"],
                "size": held["size"],
                "held_at": held["held_at"],
                "loaded_since": since if since is not None and since > held["held_at"] else None,
            }
        )
    return rows
