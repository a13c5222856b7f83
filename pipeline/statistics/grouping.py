"""Whether the values of a lot fall into two groups, as those of a mixed lot do.

Values are sorted and cut in two where the sum of squares between the parts is largest. The likelihood ratio of two normal
groups against one is then a function of ln(total/within sum of squares), whose distribution for one normal group is near
normal with mean −ln(1 − 2/π) + 2.4/(n − 2) and variance 1/(n − 2) (Engelman and Hartigan, J. Am. Stat. Assoc. 64, 1647, 1969;
from memory). That holds at 5 % but not in the tail of a small sample, so z is corrected for skewness by (1.85/n)·(z² − 1),
fitted here to 400,000 simulated samples a size; the tests simulate it again. Where the best cut sets one part apart, Grubbs'
test of that part says more; the smaller p counts, and is doubled for the two tests.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import scipy

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "CALLED_BELOW",
    "LEAST_SEPARATION",
    "MINIMUM_VALUES",
    "NO_VALUE",
    "POSSIBLE_BELOW",
    "Grouping",
    "two_groups_by_lot",
    "two_groups_of_lots",
]

CALLED_BELOW = 1e-3
"""Two groups are called below this p: with hundreds of lots, 0.05 would call many by chance. With 1e-4 two groups of four parts 13
standard deviations apart were not told, as chance gives them once in 2,500 lots."""

POSSIBLE_BELOW = 1e-2
"""Groups that are not called are told as possible below this p: rarer than one lot in a hundred of one kind."""

LEAST_SEPARATION = 4.0
"""Two groups are called only this far apart, in standard deviations within a group: evenly spread values give 3.5, which a long
lot shows beyond doubt without being two groups (common practice, no source)."""

MINIMUM_VALUES = 6
"""Fewer values than this are not tested: the correction of the tail does not hold (of 200,000 simulated lots of one kind 1.2 in 1000
are called with six parts, and 0.9 to 1.1 with seven to ten)."""

_CENTRE = -log(1.0 - 2.0 / pi)
_SKEW = 1.85
_EQUAL = 1e-12


@dataclass(frozen=True, slots=True)
class Grouping:
    """The best cut into two groups; None, with the reason, where it cannot be had.

    `lower_count` values lie below the cut. `separation` is the distance of the two means in standard deviations within a
    group (n − 2 degrees of freedom); one normal group gives about 2.65 and evenly spread values 3.5. `found` says whether p
    is below `CALLED_BELOW` and the separation at least `LEAST_SEPARATION`.
    """

    values: int
    lower_count: int | None
    lower_mean: float | None
    upper_mean: float | None
    within_standard_deviation: float | None
    separation: float | None
    statistic: float | None
    p_value: float | None
    found: bool | None
    reason: str | None


NO_VALUE = Grouping(0, None, None, None, None, None, None, None, None, "no value")


def two_groups_by_lot(part_values: pl.DataFrame) -> dict[str, Grouping]:
    """Return by lot what :func:`two_groups_of_lots` finds."""
    return {lot: Grouping(*found) for lot, *found in two_groups_of_lots(part_values).iter_rows()}


def two_groups_of_lots(part_values: pl.DataFrame) -> pl.DataFrame:
    """Cut the part means of every lot in two where that explains most, and test it against one normal group.

    Values that come in steps (few digits, one reading a part) would make groups without any spread: the square of their
    smallest step, by twelve, is added to the variance within groups.

    Parameters
    ----------
    part_values
        Columns lot, mean (of a part, any unit); any row order.

    Returns
    -------
    polars.DataFrame
        One row a lot, sorted: lot, parts, lower_count, lower_mean, upper_mean, within_standard_deviation, separation,
        statistic (ln of total over within sum of squares), p_value, found, reason (why they are null).
    """
    ordered = part_values.select("lot", pl.col("mean").cast(pl.Float64)).sort("lot", "mean", nulls_last=True)
    lots = ordered.group_by("lot", maintain_order=True).agg(pl.len().cast(pl.Int64).alias("parts"))
    x = ordered.get_column("mean").to_numpy()
    n = lots.get_column("parts").to_numpy()
    found = _cuts(x, n)
    few = pl.col("parts") < MINIMUM_VALUES
    equal = pl.Series("equal", found.pop("equal"), dtype=pl.Boolean)
    numbers = pl.DataFrame({name: pl.Series(values) for name, values in found.items()})
    frame = pl.concat([lots, numbers, equal.to_frame()], how="horizontal").with_columns(
        pl.when(few)
        .then(pl.format("{} parts; at least {} are needed to look for groups", "parts", pl.lit(MINIMUM_VALUES)))
        .when("equal")
        .then(pl.lit("all part means are equal"))
        .alias("reason")
    )
    usable = pl.col("reason").is_null()
    return frame.select("lot", "parts", *(pl.when(usable).then(pl.col(name)).alias(name) for name in found), "reason")


def _cuts(x: NDArray[np.float64], n: NDArray[np.int64]) -> dict[str, NDArray[np.generic]]:
    """Return the best cut of each stretch of sorted values; numbers of stretches that cannot be cut mean nothing."""
    if not n.size:
        empty = np.zeros(0)
        names = ("lower_mean", "upper_mean", "within_standard_deviation", "separation", "statistic", "p_value")
        none = empty.astype(bool)
        return {"lower_count": np.zeros(0, dtype=np.int64), **dict.fromkeys(names, empty), "found": none, "equal": none}
    start = np.cumsum(n) - n
    shifted = x - np.repeat(x[start], n)
    mean = np.add.reduceat(shifted, start) / n
    centred = shifted - np.repeat(mean, n)
    total = np.add.reduceat(centred**2, start)
    # of each lot by itself: what rounding left over from the lots before must not reach its last digit
    below = np.concatenate([np.cumsum(of_lot) for of_lot in np.split(centred, start[1:])])
    place = np.arange(1, x.size + 1) - np.repeat(start, n)
    size = np.repeat(n, n)
    # the last place of a lot is no cut: all of it lies below, and its sum of deviations is nought
    between = below**2 * size / (place * np.maximum(size - place, 1))
    best = np.maximum.reduceat(between, start)
    first = np.flatnonzero(between == np.repeat(best, n))
    cut = first[np.searchsorted(first, start)]
    lower_count = place[cut]
    upper_count = np.maximum(n - lower_count, 1)
    lower = below[cut] / lower_count
    upper = -below[cut] / upper_count
    step = np.diff(x, append=np.inf)
    step[start + n - 1] = np.inf
    step = np.minimum.reduceat(np.where(step > 0, step, np.inf), start)
    # what is that near together is as large everywhere
    equal = total <= n * (_EQUAL * x[start]) ** 2
    floor = step**2 / 12.0
    freedom = n - 2
    with np.errstate(divide="ignore", invalid="ignore"):
        within = np.maximum(total - best, 0.0) + n * floor
        deviation = np.sqrt(within / freedom)
        statistic = np.log((within + best) / within)
        separation = (upper - lower) / deviation
        z = np.sqrt(freedom) * (statistic - _CENTRE - 2.4 / freedom)
        skew = _SKEW / n
        corrected = (np.sqrt(np.maximum(1.0 + 4.0 * skew * (z + skew), 0.0)) - 1.0) / (2.0 * skew)
        # one part against all others: Student's t of that part, n − 2 degrees of freedom, times the 2n parts it could have been
        t = (upper - lower) / deviation * np.sqrt((n - 1.0) / n)
        alone = 2.0 * n * scipy.special.stdtr(freedom, -t)
    origin = x[start] + mean
    p_value = scipy.special.ndtr(-corrected)
    single = (lower_count == 1) | (upper_count == 1)
    p_value = np.minimum(2.0 * np.where(single, np.minimum(p_value, alone), p_value), 1.0)
    return {
        "lower_count": lower_count,
        "lower_mean": origin + lower,
        "upper_mean": origin + upper,
        "within_standard_deviation": deviation,
        "separation": separation,
        "statistic": statistic,
        "p_value": p_value,
        "found": (p_value < CALLED_BELOW) & (separation >= LEAST_SEPARATION),
        "equal": equal,
    }
