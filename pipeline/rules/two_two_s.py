"""2-2s: two consecutive checks of a block beyond the same limit of two standard deviations reject."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.rules.rule import WESTGARD_1981, Rule, consecutive

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl

__all__ = ["RULE"]


def _flag(z: pl.Expr, over: Sequence[str]) -> pl.Expr:
    return consecutive(z > 2, 2, over) | consecutive(z < -2, 2, over)


RULE = Rule(
    id="2-2s",
    title="two consecutive checks of a block beyond the same 2 standard deviations",
    source=WESTGARD_1981,
    reject=True,
    scope="series",
    flag=_flag,
)
