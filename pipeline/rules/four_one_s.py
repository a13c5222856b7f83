"""4-1s: four consecutive checks of a block beyond the same limit of one standard deviation reject."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.rules.rule import WESTGARD_1981, Rule, consecutive

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl

__all__ = ["RULE"]


def _flag(z: pl.Expr, over: Sequence[str]) -> pl.Expr:
    return consecutive(z > 1, 4, over) | consecutive(z < -1, 4, over)


RULE = Rule(
    id="4-1s",
    title="four consecutive checks of a block beyond the same 1 standard deviation",
    source=WESTGARD_1981,
    reject=True,
    scope="series",
    flag=_flag,
)
