"""1-3s: one check beyond three standard deviations rejects."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.rules.rule import WESTGARD_1981, Rule

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl

__all__ = ["RULE"]


def _flag(z: pl.Expr, over: Sequence[str]) -> pl.Expr:  # noqa: ARG001 - one check alone needs no series
    return (z.abs() > 3).fill_null(value=False)


RULE = Rule(
    id="1-3s",
    title="one check beyond 3 standard deviations",
    source=WESTGARD_1981,
    reject=True,
    scope="series",
    flag=_flag,
)
