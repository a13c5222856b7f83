"""What the company's pages share."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.words.company import STEP, TEXT

if TYPE_CHECKING:
    from schemas.union import OverPlants, Travelled

__all__ = ["counted_sites", "next_steps", "tone"]

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
    return [STEP["none"] if result.state == "agrees" else STEP["more"].format(reason=result.reasons[0])]
