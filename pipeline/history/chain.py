"""The chain of events: each carries the hash of the one before, so that a change anywhere shows."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

__all__ = ["GENESIS_HASH", "Event", "event_hash"]

GENESIS_HASH = "0" * 64
"""What stands in the place of a hash before the first event."""


@dataclass(frozen=True, slots=True)
class Event:
    """One link of the chain."""

    sequence: int
    at: datetime
    kind: str
    subject: dict[str, Any]
    by: str
    why: str
    previous_hash: str
    hash: str


def event_hash(sequence: int, at: datetime, kind: str, subject: str, by: str, why: str, previous_hash: str) -> str:
    """Return the SHA-256 of an event, over a JSON list so that no two events can share a text.

    Parameters
    ----------
    sequence, at, kind, subject, by, why
        The event; `subject` as the stored JSON text, `at` in UTC.
    previous_hash
        Hash of the event before, or `GENESIS_HASH`.
    """
    parts = [sequence, at.astimezone(UTC).isoformat(), kind, subject, by, why, previous_hash]
    return hashlib.sha256(json.dumps(parts, ensure_ascii=False).encode()).hexdigest()
