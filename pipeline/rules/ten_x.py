"""10-x: ten consecutive checks of a block on one side of the centre reject."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.rules.rule import WESTGARD_1981, Rule, consecutive

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl

__all__ = ["RULE"]


def _flag(z: pl.Expr, over: Sequence[str]) -> pl.Expr:
    # a check exactly on the centre is on neither side and breaks the row of ten
    return consecutive(z > 0, 10, over) | consecutive(z < 0, 10, over)


RULE = Rule(
    id="10-x",
    title="ten consecutive checks of a block on one side of the centre",
    source=WESTGARD_1981,
    reject=True,
    scope="series",
    flag=_flag,
)
