"""Rules of the multi-rule scheme: one file a rule, found by a scan of this folder.

A new rule is a new module here with a value ``RULE``. Nothing else has to be told.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.rules.rule import Rule
from pipeline.statistics.run_lengths import pattern_widening
from schemas.scan import declared

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

__all__ = ["Rule", "apply", "find", "widening"]


def find() -> tuple[Rule, ...]:
    """Return every rule of this folder, sorted by id.

    Raises
    ------
    TypeError
        If a module of the folder holds no rule.
    ValueError
        If two modules hold rules of the same id.
    """
    found = declared(__name__, __path__, Rule, lambda rule: rule.id, leave_out=lambda module: module == "rule")
    return tuple(found[name] for name in sorted(found))


def widening(rejecting: Collection[str], run_length: float, checks: int) -> float:
    """Return the factor by which the scheme's limits are widened, so that it seldom rejects falsely.

    A baseline of m checks leaves centre and σ uncertain, and a scheme of several rules looks often; the factor allows for
    both. Rules across the blocks of a run come on top, and so does 10-x where it rejects: it has no limit to widen.

    Parameters
    ----------
    rejecting
        Ids of the rules that reject.
    run_length
        Checks of one block to one false reject by the rules along a block.
    checks
        Behind the limits, at least 3.

    Returns
    -------
    float
        1 where no rejecting rule has a limit.
    """
    patterns = [rule.pattern for rule in find() if rule.id in rejecting and rule.pattern and rule.pattern.limit > 0]
    return pattern_widening(tuple(patterns), run_length, checks) if patterns else 1.0


def apply(
    frame: pl.DataFrame,
    *,
    series: Sequence[str],
    run: Sequence[str],
    rejecting: Collection[str] | None = None,
    where: pl.Expr | None = None,
) -> pl.DataFrame:
    """Mark every check with the rules it hits.

    Parameters
    ----------
    frame
        One row a check: ``z`` (null where there are no limits), ``block`` and the columns of `series` and `run`, sorted
        by time within `series`. Shape (n, any).
    series
        Columns that identify the checks of one block in one phase against one kind of limits.
    run
        Columns that identify one run of checks, against one kind of limits.
    rejecting
        Ids of the rules that reject; None means those that their source lets reject. All others warn.
    where
        Checks on which a rule can reject at all; on others every rule warns. None means all.

    Returns
    -------
    polars.DataFrame
        The frame, rows in the same order, with ``warning`` (a rule was hit that only warns) and ``rejects`` (ids of the
        rejecting rules that were hit, sorted, joined by a space; empty text where none).
    """
    warns: list[pl.Expr] = []
    rejects: list[pl.Expr] = []
    can = pl.lit(value=True) if where is None else where
    for rule in find():
        arguments = (list(series),) if rule.scope == "series" else (list(run), pl.col("block"))
        # NaN is larger than every number in polars, so it would hit a rule; it is a check without limits
        flag = rule.flag(pl.col("z").cast(pl.Float64).fill_nan(None), *arguments)
        if rule.reject if rejecting is None else rule.id in rejecting:
            rejects.append(pl.when(flag & can).then(pl.lit(rule.id)))
            warns.append(flag & ~can)
        else:
            warns.append(flag)
    return frame.with_columns(
        warning=pl.any_horizontal(*warns),
        rejects=pl.concat_str(pl.lit(None, pl.String), *rejects, separator=" ", ignore_nulls=True),
    )
