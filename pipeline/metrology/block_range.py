"""Whether the blocks of a run of checks bracket the level of what was measured between the runs."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["missing_blocks"]

_TIES = 1e-9


def missing_blocks(level: float, blocks: Mapping[str, float], *, span: float, least: int) -> tuple[str, ...]:
    """Say which blocks are missing around a level.

    MIL-STD-1537C, 4.1.1, asks for at least three standards within 10 %IACS of the value, one above and one below it.

    Parameters
    ----------
    level
        Level of the lot, in %IACS.
    blocks
        Certified value of each block that was checked, in %IACS.
    span
        How far a block may lie from the level, in %IACS.
    least
        How many blocks must lie within the span.

    Returns
    -------
    tuple of str
        What is missing, in words; empty where the blocks bracket the level. A block at the level itself counts on both
        sides.
    """
    near = {name: value for name, value in blocks.items() if abs(value - level) <= span * (1 + _TIES)}
    tie = _TIES * level
    missing = []
    if not any(value >= level - tie for value in near.values()):
        missing.append(f"one between {level:.4g} and {level + span:.4g} %IACS")
    if not any(value <= level + tie for value in near.values()):
        missing.append(f"one between {level - span:.4g} and {level:.4g} %IACS")
    short = least - len(near) - len(missing)
    if short > 0:
        missing.append(f"{short} more within {span:g} %IACS of {level:.4g} %IACS")
    return tuple(missing)
