"""1-2s: one check beyond two standard deviations warns."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.rules.rule import WESTGARD_1981, Rule

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl

__all__ = ["RULE"]


def _flag(z: pl.Expr, over: Sequence[str]) -> pl.Expr:  # noqa: ARG001 - one check alone needs no series
    return (z.abs() > 2).fill_null(value=False)


RULE = Rule(
    id="1-2s",
    title="one check beyond 2 standard deviations",
    source=WESTGARD_1981,
    reject=False,
    scope="series",
    flag=_flag,
)
