"""The chain of events: each carries the hash of the one before, so that a change anywhere shows."""

from __future__ import annotations

import hashlib
import json
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["GENESIS_HASH", "Event", "Signature", "event_hash", "signature_in_force", "signed"]

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

    @property
    def signed_as(self) -> str | None:
        """In which role, from where and how it was signed, in words; None where it was not."""
        signature = self.subject.get("signed")
        return signature and f"{signature['role']}, from {signature['from']}, {signature['how']}"


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


@dataclass(kw_only=True)
class Signature:
    """Who signs what is decided inside a block, in which role, from where and how.

    Parameters
    ----------
    account, role, address, how
        As the events state them.
    seen
        The last event when the signer looked: what was decided on the same thing since is refused.
    stated_by
        The event that stated the account when its password was given: nobody signs once it was closed or changed since.
    events
        What was signed; filled as it is written.
    """

    account: str
    role: str
    address: str
    how: str
    seen: int
    stated_by: int
    events: list[Event] = field(default_factory=list)

    def stated(self) -> dict[str, str]:
        """Return what an event states of it."""
        return {"account": self.account, "role": self.role, "from": self.address, "how": self.how}


_signature: ContextVar[Signature | None] = ContextVar("signature", default=None)


@contextmanager
def signed(signature: Signature) -> Iterator[Signature]:
    """Sign the events that this account decides inside the block; those of the program itself are not signed."""
    token = _signature.set(signature)
    try:
        yield signature
    finally:
        _signature.reset(token)


def signature_in_force(by: str) -> Signature | None:
    """Return the signature that an event decided by somebody bears; None where nobody signs it."""
    signature = _signature.get()
    return signature if signature is not None and signature.account == by else None
