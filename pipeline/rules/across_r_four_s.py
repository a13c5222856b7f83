"""R-4s: one block beyond +2 and another beyond −2 standard deviations in the same run reject.

The scheme is known in two readings: opposite limits (here), and a range above four standard deviations, which gives
more than four times as many false alarms with two checks a run. The source asks for it within a run only.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.rules.rule import WESTGARD_1981, Rule

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl

__all__ = ["RULE"]


def _flag(z: pl.Expr, over: Sequence[str], block: pl.Expr) -> pl.Expr:
    above, below = (z > 2).fill_null(value=False), (z < -2).fill_null(value=False)
    # opposite checks of one and the same block are no contradiction between blocks
    both = above.any().over(*over) & below.any().over(*over) & (block.filter(above | below).n_unique().over(*over) >= 2)
    return (above | below) & both


RULE = Rule(
    id="R-4s",
    title="one block beyond +2 and another beyond −2 standard deviations in the same run",
    source=WESTGARD_1981,
    reject=True,
    scope="run",
    flag=_flag,
)
