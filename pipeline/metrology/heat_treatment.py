"""On which sides conductivity and hardness lie, together; what that can mean is a matter of words (`reports`), never a verdict.

In heat-treatable aluminium ageing after the quench raises conductivity all the way, while hardness rises to a peak and falls
again; a slow quench or too little solution treatment leaves more conductivity and less hardness (common practice; ASM Handbook
volume 4 and SAE AMS 2658, both from memory). So the four pairs of sides mean different things, and none of them proves one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["Pair", "pairs_of_sides", "side"]


@dataclass(frozen=True, slots=True)
class Pair:
    """Parts with conductivity on one side of its limits and hardness on one side of its own: low or high each.

    `conductivity_mean` is of these parts, in the unit of the values; `parts` is empty for results of the lot as a whole.
    """

    conductivity: str
    hardness: str
    parts: tuple[str, ...]
    conductivity_mean: float


def side(value: float | None, lower: float | None, upper: float | None) -> str | None:
    """Return low below a lower limit, high above an upper one, None within, on a limit or where nothing is compared."""
    if value is None:
        return None
    if lower is not None and value < lower:
        return "low"
    return "high" if upper is not None and value > upper else None


def pairs_of_sides(results: Iterable[tuple[str | None, str | None, str | None, float | None]]) -> tuple[Pair, ...]:
    """Gather the parts by the sides on which both lie out of limits.

    Parameters
    ----------
    results
        Part (None for the lot as a whole), side of its conductivity, side of its hardness, its conductivity.

    Returns
    -------
    tuple of Pair
        By conductivity, then hardness; none where not both are out.
    """
    found: dict[tuple[str, str], list[tuple[str | None, float]]] = {}
    for part, conductivity, hardness, value in results:
        if conductivity is not None and hardness is not None and value is not None:
            found.setdefault((conductivity, hardness), []).append((part, value))
    return tuple(
        Pair(
            *sides,
            tuple(dict.fromkeys(part for part, _ in rows if part is not None)),
            sum(value for _, value in rows) / len(rows),
        )
        for sides, rows in sorted(found.items())
    )
