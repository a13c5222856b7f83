"""Rules of the multi-rule scheme: one file a rule, found by a scan of this folder.

A new rule is a new module here with a value ``RULE``. Nothing else has to be told.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.rules.rule import Rule
from schemas.scan import declared

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["Rule", "apply", "find"]


def find() -> tuple[Rule, ...]:
    """Return every rule of this folder, sorted by id.

    Returns
    -------
    tuple of Rule

    Raises
    ------
    TypeError
        If a module of the folder holds no rule.
    ValueError
        If two modules hold rules of the same id.
    """
    found = declared(__name__, __path__, Rule, lambda rule: rule.id, leave_out=lambda module: module == "rule")
    return tuple(found[name] for name in sorted(found))


def apply(frame: pl.DataFrame, *, series: Sequence[str], run: Sequence[str]) -> pl.DataFrame:
    """Mark every check with the rules it hits.

    Parameters
    ----------
    frame
        One row a check: ``z`` (null where there are no limits), ``block`` and the columns of `series` and `run`, sorted
        by time within `series`. Shape (n, any).
    series
        Columns that identify the checks of one block in one phase, such as meter, probe, frequency, block and setting.
    run
        Columns that identify one run of checks.

    Returns
    -------
    polars.DataFrame
        The frame, rows in the same order, with ``warning`` (a rule that only warns was hit) and ``rejects`` (ids of the
        rejecting rules that were hit, sorted, joined by a space; empty text where none).
    """
    flags: dict[bool, list[pl.Expr]] = {True: [], False: []}
    for rule in find():
        arguments = (list(series),) if rule.scope == "series" else (list(run), pl.col("block"))
        # NaN is larger than every number in polars, so it would hit a rule; it is a check without limits
        flag = rule.flag(pl.col("z").cast(pl.Float64).fill_nan(None), *arguments)
        flags[rule.reject].append(pl.when(flag).then(pl.lit(rule.id)) if rule.reject else flag)
    return frame.with_columns(
        warning=pl.any_horizontal(pl.lit(value=False), *flags[False]),
        rejects=pl.concat_str(pl.lit(None, pl.String), *flags[True], separator=" ", ignore_nulls=True),
    )
