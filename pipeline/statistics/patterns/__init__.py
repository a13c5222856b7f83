"""Pattern rules for process charts: one file a rule, found by a scan of this folder.

A new rule is a new module here with a value ``PATTERN``. Which of them a site applies, and how many points each takes, are
settings (`process_patterns`, `pattern_points`), because editions of the standard differ in the numbers. Checks of a meter on
its blocks are judged by the multi-rule scheme (`pipeline.rules`), not by these.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from pipeline.statistics.patterns.pattern import Pattern
from schemas.scan import declared

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import ArrayLike, NDArray

__all__ = ["Pattern", "chosen", "find", "hits"]


@cache
def find() -> dict[str, Pattern]:
    """Return every pattern of this folder by id, the plainest first.

    Raises
    ------
    TypeError
        If a module of the folder holds no pattern.
    ValueError
        If two modules hold patterns of the same id.
    """
    found = declared(__name__, __path__, Pattern, lambda one: one.id, leave_out=lambda module: module == "pattern")
    return dict(sorted(found.items(), key=lambda item: item[1].order))


def chosen(ids: Sequence[str], points: Mapping[str, int]) -> tuple[tuple[Pattern, int], ...]:
    """Return the patterns of a site with the number of points of each.

    Parameters
    ----------
    ids
        Ids out of this folder.
    points
        Numbers that differ from those of the files, by id.

    Returns
    -------
    tuple of (Pattern, int)
        In the order of :func:`find`, whatever the order of `ids`.

    Raises
    ------
    ValueError
        If an id is unknown, or a number makes no sense for its pattern.
    """
    known = find()
    for name in (*ids, *points):
        if name not in known:
            raise ValueError(f"unknown pattern {name!r}; expected some of {', '.join(known)}")
    for name, number in points.items():
        if known[name].points is None:
            raise ValueError(f"pattern {name!r} has no number of points to set")
        if number < known[name].least:
            raise ValueError(f"pattern {name!r} needs at least {known[name].least} points, not {number}")
    return tuple((rule, points.get(name, rule.points or 1)) for name, rule in known.items() if name in set(ids))


def hits(z: ArrayLike, rules: Sequence[tuple[Pattern, int]]) -> NDArray[np.bool_]:
    """Return for each point whether it completes each pattern.

    Parameters
    ----------
    z
        (value − centre)/σ, time along the last axis, finite.
    rules
        From :func:`chosen`.

    Returns
    -------
    numpy.ndarray
        Booleans, shape of z with one axis in front for the rules.

    Raises
    ------
    ValueError
        If a number is not finite.
    """
    array = np.asarray(z, dtype=np.float64)
    if not np.isfinite(array).all():
        raise ValueError("z must be finite numbers; leave points without limits out before")
    if array.shape[-1] == 0 or not rules:
        return np.zeros((len(rules), *array.shape), dtype=bool)
    return np.stack([rule.flag(array, number) for rule, number in rules])
