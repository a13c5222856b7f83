"""2-2s across blocks: two blocks of one run beyond the same limit of two standard deviations reject."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.rules.rule import WESTGARD_1981, Rule

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl

__all__ = ["RULE"]


def _flag(z: pl.Expr, over: Sequence[str], block: pl.Expr) -> pl.Expr:
    def shared(beyond: pl.Expr) -> pl.Expr:
        beyond = beyond.fill_null(value=False)
        return beyond & (block.filter(beyond).n_unique().over(*over) >= 2)

    # two checks of the same block in one run are no second witness here; along the block 2-2s sees them
    return shared(z > 2) | shared(z < -2)


RULE = Rule(
    id="2-2s-across",
    title="two blocks of one run beyond the same 2 standard deviations",
    source=WESTGARD_1981,
    reject=True,
    scope="run",
    flag=_flag,
)
