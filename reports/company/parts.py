"""What the company's pages share."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.words.company import STEP, TEXT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from schemas.blocks import MeterDifference
    from schemas.union import OverPlants, Travelled

__all__ = ["MOST_PAIRS", "MOST_REASONS", "counted_sites", "furthest", "next_steps", "told", "tone"]

MOST_PAIRS, MOST_REASONS = 100, 6

_TONE = {"differs": "open", "agrees": "passed", "not_assessed": "not_assessed"}


def tone(state: str) -> str:
    """Return the state whose shape a result of the company has: what differs waits for a look, and rejects nothing."""
    return _TONE[state]


def counted_sites(number: int) -> str:
    """Return how many sites in words."""
    return TEXT["one_site"] if number == 1 else TEXT["sites"].format(n=number)


def next_steps(result: OverPlants | Travelled) -> list[str]:
    """Return what to do next."""
    if result.state == "differs":
        return [STEP[result.kind]]
    return [STEP["none" if result.state == "agrees" else "more"]]


def told(reasons: Sequence[str]) -> list[str]:
    """Return the first reasons, and how many more there are."""
    return [
        *reasons[:MOST_REASONS],
        *([TEXT["more"].format(n=len(reasons) - MOST_REASONS)] if len(reasons) > MOST_REASONS else []),
    ]


def furthest(pairs: Sequence[MeterDifference], said: str) -> tuple[list[MeterDifference], str]:
    """Return the pairs furthest apart, and the caption that says so where some are left out."""
    if len(pairs) <= MOST_PAIRS:
        return list(pairs), said
    shown = sorted(pairs, key=lambda one: -abs(one.e_n or 0.0))[:MOST_PAIRS]
    return shown, f"{said} {TEXT['pairs'].format(shown=MOST_PAIRS, total=len(pairs))}"
