"""Who decided what: of a signed decision name, role, time and meaning, as 21 CFR 11.50 asks of what people read (from memory)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.markup import shorten
from reports.words import general as words
from reports.words.web import ROLE

if TYPE_CHECKING:
    from collections.abc import Iterable

    from reports.kit.numbers import Clock
    from schemas.page import Decision

__all__ = ["decided", "in_order", "signer"]


def in_order(decisions: Iterable[Decision]) -> list[Decision]:
    """Return decisions, oldest first."""
    return sorted(decisions, key=lambda d: (d.at, d.by, d.decision, d.why))


def signer(decision: Decision, length: int = 60) -> str:
    """Return who decided, and as what it was signed; the time stands beside."""
    by, role = shorten(decision.by, length), decision.signed_as
    return by if role is None else words.FRAGMENT["signer"].format(by=by, role=ROLE.get(role, role))


def decided(decisions: Iterable[Decision], clock: Clock) -> str:
    """Return decisions in words, oldest first; a signed one with the time of its signature."""
    return "; ".join(
        words.FRAGMENT["disposed"].format(
            decision=shorten(d.decision, 80), by=signer(d, 40), why=shorten(d.why, 200),
            day=clock.day(d.at) if d.signed_as is None else f"{clock.minute(d.at)} {clock.zone}",
        )
        for d in in_order(decisions)
    )  # fmt: skip
