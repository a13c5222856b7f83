"""The logical content of a history as one hash: what was read and decided, not how the file happens to lie on the disk."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl

    from pipeline.history.store import History

__all__ = ["CONTENT", "content_hash", "table_hash", "verdicts_hash"]

CONTENT = {
    "source_file": ["source_id"],
    "reading": ["source_id", "line", "replicate"],
    "quarantine": ["quarantine_id"],
    "event": ["sequence"],
    "reference_text": ["sequence"],
    "baseline": ["sequence"],
    "held_file": ["sha256"],
}
"""Tables that make up the content, with the keys of their rows. The verdicts given last are not part of it: they have a hash
of their own."""

_FILES_AT_ONCE = 200


def table_hash(frame: pl.DataFrame) -> str:
    """Return a hash of a frame: names, kinds and values, in the order of its rows."""
    digest = hashlib.sha256(repr([(name, str(dtype)) for name, dtype in frame.schema.items()]).encode())
    # floats are written with as many digits as tell them apart
    digest.update(frame.write_csv(None, null_value="\\N", quote_style="non_numeric").encode())
    return digest.hexdigest()


def verdicts_hash(history: History) -> str:
    """Return the hash of the verdicts given last, which the event that gives them states."""
    return table_hash(history.table("verdict_given").sort("lot"))


def content_hash(history: History) -> str:
    """Return the hash of everything in `CONTENT`; equal hashes mean equal content.

    Parameters
    ----------
    history
        Open to read.

    Returns
    -------
    str
        SHA-256 in hexadecimal.
    """
    digest = hashlib.sha256()
    for name, keys in CONTENT.items():
        if name != "reading":
            digest.update(f"{name} {table_hash(history.table(name).sort(keys))}".encode())
            continue
        last = history.last_source_id()
        for after in range(0, max(last, 1), _FILES_AT_ONCE):
            frame = history.table(name, after=after, to=after + _FILES_AT_ONCE).sort([*keys, *_REST])
            digest.update(f"{name} {after} {table_hash(frame)}".encode())
    return digest.hexdigest()


_REST = ["measured_at", "occurrence", "conflict"]
