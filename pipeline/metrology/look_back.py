"""Look-back: what a meter touched since its last good check, and in which order to look at it.

A failed check casts doubt on everything the meter measured since its last good one, until someone has looked
(common practice; ISO 9001:2015, 7.1.5.2 asks for the same of equipment found unfit; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import polars as pl

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

__all__ = [
    "Episode",
    "errors_to_limit",
    "failed_episodes",
    "lots_touched",
    "precision_episodes",
    "signal_episodes",
    "window_start",
]


@dataclass(frozen=True, slots=True)
class Episode:
    """Runs of one meter, one after another, in which something fired; rows of `runs_of_checks`.

    `before` is the last good run, `after` the first good one that followed; None where there is none.
    """

    fired: tuple[dict[str, Any], ...]
    before: dict[str, Any] | None
    after: dict[str, Any] | None


def _stretches(rows: Sequence[dict[str, Any]], bad: Sequence[bool]) -> list[Episode]:
    """Return the longest stretches of bad rows, each with the good row on either side."""
    found: list[Episode] = []
    start: int | None = None
    for place, is_bad in enumerate([*bad, False]):
        if is_bad and start is None:
            start = place
        elif not is_bad and start is not None:
            before = rows[start - 1] if start else None
            after = rows[place] if place < len(rows) else None
            found.append(Episode(tuple(rows[start:place]), before, after))
            start = None
    return found


def failed_episodes(runs: pl.DataFrame, meter: str) -> list[Episode]:
    """Return the stretches of runs that failed; runs that could not be judged end none.

    Parameters
    ----------
    runs
        From `runs_of_checks`.

    Returns
    -------
    list of Episode
        In order of time.
    """
    judged = runs.filter((pl.col("meter") == meter) & pl.col("passed").is_not_null()).sort("parts_before", "run")
    if judged["passed"].all():
        return []
    rows = judged.to_dicts()
    return _stretches(rows, [not row["passed"] for row in rows])


def signal_episodes(runs: pl.DataFrame, meter: str) -> list[Episode]:
    """Return the stretches of runs with a reject of the multi-rule scheme, until a run that clears the meter.

    A run that failed inside a stretch goes on with it, but is an event of its own, so `fired` leaves it out.

    Parameters
    ----------
    runs
        From `runs_of_checks`.

    Returns
    -------
    list of Episode
        In order of time.
    """
    # where no block has a certificate, tolerance judges nothing: a run without a reject clears the meter
    of_meter = runs.filter(
        (pl.col("meter") == meter)
        & (pl.col("passed").is_not_null() | (pl.col("rejected") > 0) | (pl.col("certified") == 0))
    ).sort("parts_before", "run")
    if not (of_meter["rejected"] > 0).any():
        return []
    rows = of_meter.to_dicts()
    found = []
    for episode in _stretches(rows, [row["passed"] is False or row["rejected"] > 0 for row in rows]):
        fired = tuple(row for row in episode.fired if row["passed"] is not False)
        if fired:
            found.append(Episode(fired, episode.before, episode.after))
    return found


def precision_episodes(runs: pl.DataFrame, checks: pl.DataFrame, meter: str) -> list[Episode]:
    """Return the stretches of runs in which readings of a check scattered beyond the action limit, until a run without.

    Parameters
    ----------
    runs
        From `runs_of_checks`.
    checks
        With meter, run, precision_limit and imprecise.

    Returns
    -------
    list of Episode
        In order of time; a run that has no check with a limit ends none.
    """
    judged = (
        checks.filter((pl.col("meter") == meter) & pl.col("precision_limit").is_not_null())
        .group_by("run")
        .agg(pl.col("imprecise").any())
    )
    if not judged["imprecise"].any():
        return []
    of_meter = runs.filter(pl.col("meter") == meter).join(judged, on="run").sort("parts_before", "run")
    return _stretches(of_meter.drop("imprecise").to_dicts(), of_meter["imprecise"].to_list())


def errors_to_limit(
    low: float | None,
    high: float | None,
    *,
    lower: float | None,
    upper: float | None,
    change: float,
    expanded_uncertainty: float | None,
) -> float | None:
    """Return how far a lot lies from the limit that an error may have hidden, in units of that error.

    A meter that came to read high by `change` may have shown values up to that much too high: the true ones reach from
    low - change to high. So the lower limit is approached by a positive change, the upper by a negative one, and both
    by the uncertainty. Our own ordering rule; no source.

    Parameters
    ----------
    low, high
        Smallest and largest compared value of the lot, in the working unit.
    lower, upper
        Limits, in the working unit; None where there is none.
    change
        Bias change of the meter, in the working unit.
    expanded_uncertainty
        Of the lot, in the working unit; None counts as 0.

    Returns
    -------
    float or None
        Below 1 the lot may lie beyond its limit; None without limits, without values, or without any error to compare
        with.
    """
    if low is None or high is None:
        return None
    u = expanded_uncertainty or 0.0
    ratios = [
        margin / error
        for margin, error in (
            (None if lower is None else low - lower, max(change, 0.0) + u),
            (None if upper is None else upper - high, max(-change, 0.0) + u),
        )
        if margin is not None and error > 0
    ]
    return min(ratios) if ratios else None


def window_start(runs: pl.DataFrame, meter: str) -> tuple[datetime | None, int, bool | None]:
    """Return the end of the last run that passed, its place, and whether the very last judged run passed.

    Parameters
    ----------
    runs
        From `runs_of_checks`, only those up to the moment of the question.

    Returns
    -------
    (datetime or None, int, bool or None)
        None where no run passed, and where no run could be judged; the place is the number of part readings before it.
    """
    judged = runs.filter((pl.col("meter") == meter) & pl.col("passed").is_not_null()).sort("parts_before", "run")
    if not judged.height:
        return None, 0, None
    good = judged.filter("passed")
    last = bool(judged["passed"][-1])
    return (good["last_at"][-1], int(good["parts_before"][-1]), last) if good.height else (None, 0, last)


def lots_touched(
    parts: pl.DataFrame, meter: str, end: datetime, *, since: datetime | None = None, after_parts: int = 0
) -> pl.DataFrame:
    """Return the lots that a meter read inside a window.

    Readings whose clock is unknown may have been taken at any time, so they are always inside.

    Parameters
    ----------
    parts
        Part readings: lot, meter, measured_at, clock, count, parts_before (null where the clock is unknown).
    end
        Last moment of the window.
    since
        First moment, excluded; None means no such limit.
    after_parts
        Place of the last good check: part readings up to this number came before it.

    Returns
    -------
    polars.DataFrame
        lot, readings, first, last, unknown_clock; the latest reading first.
    """
    inside = pl.col("measured_at") <= end
    inside = inside & (pl.col("parts_before") > after_parts)
    if since is not None:
        inside = inside & (pl.col("measured_at") > since)
    unknown = pl.col("clock") != "known"
    n = pl.col("count").fill_null(1)
    return (
        parts.filter((pl.col("meter") == meter) & (inside | unknown))
        .group_by("lot")
        .agg(
            n.sum().cast(pl.Int64).alias("readings"),
            pl.col("measured_at").min().alias("first"),
            pl.col("measured_at").max().alias("last"),
            n.filter(unknown).sum().cast(pl.Int64).alias("unknown_clock"),
        )
        .with_columns(pl.col("lot").cast(pl.String))
        .sort(["last", "lot"], descending=[True, False])
    )
