"""What must come first although a lot is accepted: the one list of it. The verdict stays; whoever shows it says so with it."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["CONDITIONS", "FIRST", "conditions_of"]

CONDITIONS = {
    "material_does_not_fit": "identify",
    "more_than_one_group": "sort",
    "too_thin": "thickness",
    "correction_not_applied": "correction",
    "sensor_in_doubt": "temperature",
    "spots_differ_within_parts": "spots",
}
"""Flag that makes a condition -> its name, the weightiest first: what the metal is goes before how well it was read, and that before
how even it is (our own rule)."""

FIRST = {
    "identify": "identify first", "sort": "sort first", "thickness": "look at thickness first",
    "correction": "settle corrections first", "temperature": "look at the sensor first", "spots": "look at spots first",
}  # fmt: skip
"""What stands behind the word of the verdict on the terminal; pages have words of their own."""


def conditions_of(verdict: str, flags: Iterable[str]) -> tuple[str, ...]:
    """Return the conditions of an accepted lot, by its flags, the weightiest first; none of any other verdict.

    Parameters
    ----------
    verdict
        Of the lot.
    flags
        Each a code, a colon and a sentence.
    """
    if verdict != "accept":
        return ()
    codes = {flag.partition(":")[0] for flag in flags}
    return tuple(condition for code, condition in CONDITIONS.items() if code in codes)
