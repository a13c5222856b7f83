"""Components of variance of nested readings by restricted maximum likelihood (REML), balanced or not.

The likelihood of whatever does not depend on the mean is made as large as it gets with no component below zero (Patterson and
Thompson, Biometrika 58, 545, 1971; Searle, Casella and McCulloch, Variance Components, 1992, chapter 6; from memory). For
balanced readings whose analysis-of-variance estimates are all positive both methods agree; else this one takes a component at
zero into account in all others, and weighs unequal numbers by what they tell.

A component is tested by the likelihood ratio with and without it. Zero is the edge of what a variance can be, so the ratio
is compared with an equal mixture of chi-square with 0 and 1 degree of freedom (Self and Liang, J. Am. Stat. Assoc. 82, 605, 1987;
Stram and Lee, Biometrics 50, 1171, 1994; from memory): half the usual p. That holds for many groups; with few, zero is
estimated more often than half the time, and the p is too large rather than too small (Crainiceanu and Ruppert, J. R. Stat.
Soc. B 66, 165, 2004; from memory).
"""

from __future__ import annotations

from math import sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
import scipy

from pipeline.statistics.components import LEVELS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pipeline.statistics.components import NestedComponents

__all__ = ["restricted_components"]

_EQUAL = 1e-12
"""Standard deviations below this part of the largest mean are rounding noise of equal values."""
_LARGEST = 40.0
"""Logarithm of the largest ratio of two components that is searched."""


def restricted_components(spot_values: pl.DataFrame, found: NestedComponents) -> pl.DataFrame:
    """Estimate the variance between readings of a spot, spots of a part, parts of a lot, and lots, and test each.

    Parameters
    ----------
    spot_values
        Columns lot, part, spot, readings, mean, ss_within, df_within, as `descriptive.nested` returns them.
    found
        What `components.variance_components` says of the same spots: which levels have degrees of freedom, and where to start.

    Returns
    -------
    polars.DataFrame
        level, variance, standard_deviation, percent_of_variance, likelihood_ratio, p_value; one row a level, outermost
        first. Null for a level without degrees of freedom, whose variance is then part of the next level outside; the
        innermost level has no test.
    """
    anova, squares = found.table["variance"].to_list(), found.table["mean_square"].to_list()
    active = [place for place in range(4) if anova[place] is not None]
    noise = (_EQUAL * float(np.abs(spot_values["mean"].to_numpy()).max())) ** 2
    variances: dict[int, float] = {}
    tests: dict[int, float] = {}
    # a level without any scatter inside it would make the likelihood infinite: it is zero, and says nothing of the others
    while active and squares[active[-1]] <= noise:
        variances[active.pop()] = 0.0
    if active:
        likelihood = _Likelihood(spot_values, active[-1], with_readings=active[-1] == 3)
        outer = active[:-1]
        start = [anova[place] / anova[active[-1]] for place in outer]
        ratios, deviance = likelihood.fitted(outer, (start, [1.0] * len(outer)))
        scale = likelihood.scale(ratios)
        variances |= {place: float(ratios[place]) * scale for place in outer} | {active[-1]: scale}
        for place in outer:
            others = [each for each in outer if each != place]
            nearby = [[float(ratios[each]) for each in others], [1.0] * len(others)]
            without = likelihood.fitted(others, nearby)[1] if ratios[place] > 0 else deviance
            tests[place] = max(without - deviance, 0.0)
    total = sum(variances.values())
    rows = [
        (
            level, variance, None if variance is None else sqrt(variance), 100.0 * variance / total if variance is not None and total else None,
            ratio := tests.get(place), None if ratio is None else 0.5 * float(scipy.special.chdtrc(1, ratio)) if ratio > 0 else 1.0,
        )
        for place, level in enumerate(LEVELS) for variance in (variances.get(place),)
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=_SCHEMA, orient="row")


_SCHEMA = {
    "level": pl.String,
    **dict.fromkeys(
        ("variance", "standard_deviation", "percent_of_variance", "likelihood_ratio", "p_value"), pl.Float64
    ),
}


class _Likelihood:
    """The restricted likelihood of nested spots, as a function of variances in units of the innermost one, its scale profiled out.

    A part's mean, weighed by what is known of its spots, stands for them in the lot, and the lot's in the whole: the matrix of
    covariances is never formed.
    """

    def __init__(self, spot_values: pl.DataFrame, innermost: int, *, with_readings: bool) -> None:
        spots = spot_values.sort("lot", "part", "spot")
        self._values = spots["mean"].to_numpy()
        self._innermost = innermost
        self._readings = spots["readings"].cast(pl.Float64).to_numpy()
        lot = spots["lot"].rle_id().to_numpy()
        part = spots.select(pl.struct("lot", "part").rle_id()).to_series().to_numpy()
        first_of_part, first_of_lot = (np.flatnonzero(np.diff(group, prepend=-1.0)) for group in (part, lot))
        lot_of_part = np.flatnonzero(np.diff(lot[first_of_part], prepend=-1.0))
        # where the innermost level that scatters is that of parts or lots, each has one spot, or several that are equal
        if innermost >= 2:
            self._groups = [(1, first_of_part), (0, lot_of_part)]
        else:
            first = first_of_part if innermost == 1 else first_of_lot
            self._values, self._readings = self._values[first], self._readings[first]
            self._groups = [(0, lot_of_part)] if innermost == 1 else []
        self._squares = float(spots["ss_within"].sum())
        self._freedom: float = self._values.size - 1.0 + (float(spots["df_within"].sum()) if with_readings else 0.0)

    def _terms(self, ratios: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
        """Return the logarithms of the determinants, and the sums of squares in units of the innermost variance.

        `ratios` has the shape (sets, 3), real or complex.
        """
        mean = np.broadcast_to(self._values, (ratios.shape[0], self._values.size))
        variance = np.ones(mean.shape, dtype=ratios.dtype)
        if self._innermost == 3:
            variance = ratios[:, 2:] + 1.0 / self._readings
        log, squares = np.log(variance).sum(axis=1), self._squares
        for place, starts in [*self._groups, (None, np.zeros(1, dtype=np.intp))]:
            size = np.diff(starts, append=mean.shape[1])
            weight = 1.0 / variance
            total = np.add.reduceat(weight, starts, axis=1)
            centre = np.add.reduceat(weight * mean, starts, axis=1) / total
            squares = squares + (weight * (mean - np.repeat(centre, size, axis=1)) ** 2).sum(axis=1)
            ratio = np.zeros_like(total[:, :1]) if place is None else ratios[:, place, None]
            # the mean takes a degree of freedom, and its weight a factor of the likelihood
            log += np.log(total if place is None else 1.0 + ratio * total).sum(axis=1)
            mean, variance = centre, 1.0 / total + ratio
        return log, np.asarray(squares)

    def scale(self, ratios: NDArray[np.float64]) -> float:
        """Return the innermost variance for these ratios."""
        return float(self._terms(ratios[None, :])[1][0] / self._freedom)

    def _deviances(self, ratios: NDArray[Any]) -> NDArray[Any]:
        log, squares = self._terms(ratios)
        return np.asarray(log + self._freedom * np.log(squares))

    def fitted(self, places: Sequence[int], starts: Sequence[Sequence[float]]) -> tuple[NDArray[np.float64], float]:
        """Return the ratios of levels 0 to 2 and −2·ln of the likelihood (but for a constant), all levels but `places` at zero."""

        def ratios(x: NDArray[np.float64]) -> NDArray[np.float64]:
            found = np.zeros(3)
            found[list(places)] = np.expm1(x)
            return found

        def deviance(x: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
            """Return the deviance and its slopes by complex steps, which lose no digit."""
            steps = np.repeat(ratios(x).astype(np.complex128)[None, :], x.size, axis=0)
            steps[range(x.size), list(places)] += 1e-30j
            found = self._deviances(steps)
            return float(found[0].real), found.imag / 1e-30 * np.exp(x)

        if not places:
            return np.zeros(3), float(self._deviances(np.zeros((1, 3)))[0])
        bounds = [(0.0, _LARGEST)] * len(places)
        options = {"ftol": 1e-13, "xtol": 1e-9, "gtol": -1, "maxfun": 1000}
        best = min(
            (
                scipy.optimize.minimize(
                    deviance, np.minimum(np.log1p(start), _LARGEST), jac=True, method="TNC", bounds=bounds, options=options
                )
                for start in starts
            ),
            key=lambda each: float(each.fun),
        )  # fmt: skip
        x = np.where(best.x > 1e-9, best.x, 0.0)
        return ratios(x), deviance(x)[0]
