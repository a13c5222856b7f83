"""The database file block by block: whether each agrees with the checksum that DuckDB wrote before it.

DuckDB looks at a block when it reads it, so what nothing refers to is never looked at. The layout of the file and the checksum
are from memory: three headers of 4096 bytes, then blocks of 262 144; each begins with eight bytes of checksum, the exclusive or
of 5381 and of every word times an odd constant. Tests compare both with files that the installed DuckDB wrote.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["changed_places"]

_HEADERS, _HEADER = 3, 4096
_BLOCK = 262_144
_FACTOR, _START = np.uint64(0xBF58476D1CE4E5B9), np.uint64(5381)
_MAGIC = b"DUCK"


def _agrees(data: bytes) -> bool:
    words = np.frombuffer(data, dtype="<u8")
    return bool((np.bitwise_xor.reduce(words[1:] * _FACTOR) ^ _START) == words[0])


def changed_places(path: Path) -> list[tuple[int, int]] | None:
    """Return the first and last byte of each header or block that does not agree with its checksum.

    Parameters
    ----------
    path
        A database file that nobody is writing.

    Returns
    -------
    list of (int, int), or None
        None where the file is laid out in another way, which says nothing. A block that was never written is all zero.
    """
    found = []
    with path.open("rb") as file:
        for number in range(_HEADERS):
            header = file.read(_HEADER)
            agrees = len(header) == _HEADER and _agrees(header)
            # the main header: DuckDB opens no file whose own does not agree, so another way of counting is another format
            if number == 0 and (not agrees or header[8:12] != _MAGIC):
                return None
            if not agrees:
                found.append((number * _HEADER, (number + 1) * _HEADER - 1))
        at = _HEADERS * _HEADER
        while block := file.read(_BLOCK):
            whole = len(block) == _BLOCK and (_agrees(block) or not any(block))
            if not whole:
                found.append((at, at + len(block) - 1))
            at += len(block)
    return found
