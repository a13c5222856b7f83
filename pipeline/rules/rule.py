"""What a rule of the multi-rule scheme is, and the two patterns that most rules are made of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import polars as pl

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

__all__ = ["WESTGARD_1981", "Rule", "consecutive"]

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
        True: a hit is a signal that suspends the meter. False: a hit only warns.
    scope
        ``series``: along the checks of one block in time; ``run``: across the blocks of one run of checks.
    flag
        For ``series``: ``flag(z, over)``, for ``run``: ``flag(z, over, block)``. `z` and `block` are expressions,
        `over` the names of the columns that identify the series or run. Returns a boolean expression, never null:
        true for a check that completes the pattern (series) or takes part in it (run). "Beyond" a limit is strict.
        A null z is a check without limits: it hits nothing and breaks a pattern. For ``series`` the frame is sorted by
        time within `over`.
    """

    id: str
    title: str
    source: str
    reject: bool
    scope: Literal["series", "run"]
    flag: Callable[..., pl.Expr]

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
