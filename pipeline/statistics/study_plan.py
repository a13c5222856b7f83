"""The plan of a gauge study: who reads which part, and in which order.

In each round everybody reads every part (of his own, where parts are nested) once; who begins and the order of the parts are
drawn anew in each round, so that drift of meter and temperature is not taken for a difference between people or parts. The
draw depends on nothing but a text, so the same plan can be written again.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["PlannedReading", "study_plan"]


@dataclass(frozen=True, slots=True)
class PlannedReading:
    """One reading to take: its place in the order from 1, the round, who or which device, the part."""

    place: int
    round: int
    group: str
    part: str


def study_plan(
    groups: Sequence[str], parts: int, repeats: int, *, kind: str = "crossed", seed: str = ""
) -> list[PlannedReading]:
    """Return the readings of a study in the order in which to take them.

    Parameters
    ----------
    groups
        Operators or devices, each once.
    parts
        Parts in all (crossed) or of each (nested).
    repeats
        How often each part is read by each.
    kind
        crossed or nested.
    seed
        Any text; the same text gives the same order on every machine and in every version of Python.

    Raises
    ------
    ValueError
        If a number makes no sense or a group stands twice.
    """
    if kind not in ("crossed", "nested"):
        raise ValueError(f"kind {kind!r}; expected crossed or nested")
    if len(set(groups)) != len(groups) or not groups or not all(group.strip() for group in groups):
        raise ValueError("expected names of operators or devices, each once")
    if parts < 2 or repeats < 1 or (repeats < 2 and (kind == "nested" or len(groups) < 2)):
        raise ValueError("a study needs at least two parts, and two repeats where one person reads or parts are nested")
    # of the library's draws only random() after seeding with a text is promised to stay the same
    draw = random.Random(f"study plan / {seed}").random  # noqa: S311 - an order, not a secret

    def shuffled(items: Sequence[str]) -> list[str]:
        left, found = list(items), []
        while left:
            found.append(left.pop(int(draw() * len(left))))
        return found

    own = {
        group: [str(number + 1 + (place * parts if kind == "nested" else 0)) for number in range(parts)]
        for place, group in enumerate(groups)
    }
    plan: list[PlannedReading] = []
    for number in range(1, repeats + 1):
        for group in shuffled(groups):
            for part in shuffled(own[group]):
                plan.append(PlannedReading(len(plan) + 1, number, group, part))
    return plan
