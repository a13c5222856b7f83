"""What a rule of the multi-rule scheme is, and the pattern that most rules are made of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import polars as pl

from pipeline.statistics.run_lengths import Pattern

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

__all__ = ["WESTGARD_1981", "Rule", "along", "consecutive"]

WESTGARD_1981 = (
    "Westgard, Barry, Hunt and Groth, Clinical Chemistry 27 (1981) 493: multi-rule scheme; definitions from memory"
)


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule on z, the mean of a check against the centre and standard deviation of its limits.

    Parameters
    ----------
    id
        Name in the trade's short form, without a space (``1-3s``).
    title
        One sentence: what it looks for.
    source
        Where the rule was taken from.
    reject
        Whether its source lets it reject. The site says which of these do (`reject_rules`); all others warn.
    scope
        ``series``: along the checks of one block in time; ``run``: across the blocks of one run of checks.
    flag
        For ``series``: ``flag(z, over)``, for ``run``: ``flag(z, over, block)``. `z` and `block` are expressions,
        `over` the names of the columns that identify the series or run. Returns a boolean expression, never null:
        true for a check that completes the pattern (series) or takes part in it (run). "Beyond" a limit is strict.
        A null z is a check without limits: it hits nothing and breaks a pattern. For ``series`` the frame is sorted by
        time within `over`.
    pattern
        What it looks for along one block, where that can be said so: how often it hits by chance follows from it.
    """

    id: str
    title: str
    source: str
    reject: bool
    scope: Literal["series", "run"]
    flag: Callable[..., pl.Expr]
    pattern: Pattern | None = None

    def __post_init__(self) -> None:
        if not self.id or any(character.isspace() for character in self.id):
            raise ValueError(f"rule id {self.id!r}: expected a name without spaces, because ids are joined by a space")
        if self.scope not in ("series", "run"):
            raise ValueError(f"rule {self.id}: scope {self.scope!r}; expected series or run")


def consecutive(condition: pl.Expr, count: int, over: Sequence[str]) -> pl.Expr:
    """Return whether a condition held at this row and the `count` − 1 rows before it within the same series.

    Parameters
    ----------
    condition
        Boolean expression; null counts as false.
    count
        Length of the pattern, at least 1.
    over
        Columns that identify a series, inside which the rows are in order of time.

    Returns
    -------
    polars.Expr
        Boolean, never null. In a longer stretch every row from the `count`-th on is true.
    """
    held = condition.fill_null(value=False)
    return pl.all_horizontal(held.shift(back, fill_value=False) for back in range(count)).over(*over)


def along(identity: str, title: str, *, least: int, limit: float, reject: bool = True) -> Rule:
    """Return the rule of Westgard (1981) that asks for consecutive checks of one block beyond the same limit.

    Parameters
    ----------
    identity, title
        As for :class:`Rule`.
    least
        How many consecutive checks.
    limit
        In standard deviations, on either side.
    reject
        Whether the source lets it reject.
    """

    def flag(z: pl.Expr, over: Sequence[str]) -> pl.Expr:
        return consecutive(z > limit, least, over) | consecutive(z < -limit, least, over)

    return Rule(
        id=identity, title=title, source=WESTGARD_1981, reject=reject, scope="series", flag=flag,
        pattern=Pattern(least, least, limit),
    )  # fmt: skip
