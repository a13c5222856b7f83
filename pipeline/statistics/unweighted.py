"""Unweighted mean squares of nested, unbalanced readings: each mean counts once, whatever stands behind it.

With unequal numbers the usual mean squares of levels outside the readings are no scaled chi-squares, and intervals from them
hold too little (92 % for 95 % where parts have 1 to 3 spots of 1 to 5 readings; simulated in the tests). Those of unweighted
means are nearly so (Burdick and Graybill, Confidence Intervals on Variance Components, 1992, chapter 5; from memory). Their
expectations are derived here; degrees of freedom are matched to mean and variance (Satterthwaite) with the components put in.
For equal numbers both kinds are the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["UnweightedDesign", "first_of", "unweighted_design"]


@dataclass(frozen=True, slots=True)
class UnweightedDesign:
    """What the numbers of lots, parts, spots and readings say before any value is known.

    `matrix` gives the expected mean squares from the components, both outermost level first. `coefficients` are the
    variances of the means of lots, parts and spots as multiples of the four components; `groups` the group of each mean in the
    level outside it, `sizes` how many lie in each group, `firsts` where it begins.
    """

    freedoms: tuple[float, float, float, float]
    matrix: NDArray[np.float64]
    coefficients: tuple[NDArray[np.float64], ...]
    groups: tuple[NDArray[np.int64], ...]
    sizes: tuple[NDArray[np.float64], ...]
    firsts: tuple[NDArray[np.int64], ...]

    def mean_squares(self, spot_means: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the mean squares of lots, parts and spots.

        Parameters
        ----------
        spot_means
            Shape (studies, spots), in the order of the design.

        Returns
        -------
        numpy.ndarray
            Shape (studies, 3); not a number for a level without degrees of freedom.
        """
        found = []
        means = spot_means - spot_means[:, :1]
        for level in (2, 1, 0):
            group = self.groups[level]
            outer = np.add.reduceat(means, self.firsts[level], axis=1) / self.sizes[level]
            squares = ((means - outer[:, group]) ** 2).sum(axis=1)
            freedom = self.freedoms[level]
            found.append(squares / freedom if freedom > 0 else np.full(means.shape[0], np.nan))
            means = outer
        return np.stack(found[::-1], axis=1)

    def effective_freedoms(self, components: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the degrees of freedom of lots, parts and spots for these components.

        Parameters
        ----------
        components
            Variances between lots, parts, spots and readings, not below zero; shape (studies, 4).

        Returns
        -------
        numpy.ndarray
            Shape (studies, 3), at most those of equal numbers.
        """
        found = []
        for level in (0, 1, 2):
            size, first = self.sizes[level], self.firsts[level]
            variance = components @ self.coefficients[level].T
            total, squares = (np.add.reduceat(of, first, axis=1) for of in (variance, variance**2))
            mean = (total * (1.0 - 1.0 / size)).sum(axis=1)
            spread = (squares * (1.0 - 2.0 / size) + (total / size) ** 2).sum(axis=1)
            plain = np.full(mean.shape, self.freedoms[level])
            found.append(np.divide(mean**2, spread, out=plain, where=spread > 0))
        return np.stack(found, axis=1)


def first_of(group: NDArray[np.int64]) -> NDArray[np.intp]:
    """Return where each group begins; groups are stretches, numbered from 0."""
    return np.flatnonzero(np.diff(group, prepend=-1))


def unweighted_design(
    lot: NDArray[np.int64], part: NDArray[np.int64], readings: NDArray[np.float64], reading_freedom: float
) -> UnweightedDesign:
    """Return the design of nested readings.

    Parameters
    ----------
    lot, part
        Of each spot, numbered from 0 in stretches: spots sorted by lot and part, parts counted over all lots.
    readings
        Of each spot, at least 1.
    reading_freedom
        Degrees of freedom of readings within spots.
    """
    first_part = first_of(part)
    lot_of_part = lot[first_part]
    groups = (np.zeros(int(lot[-1]) + 1, dtype=np.int64), lot_of_part, part)
    firsts = (np.zeros(1, dtype=np.int64), first_of(lot_of_part), first_part)
    sizes = tuple(np.bincount(group).astype(np.float64) for group in groups)
    lots, parts, spots = (group.size for group in groups)
    spot = np.zeros((spots, 4))
    spot[:, 2], spot[:, 3] = 1.0, 1.0 / readings
    of_part = np.add.reduceat(spot, firsts[2]) / sizes[2][:, None] ** 2
    of_part[:, 1] = 1.0
    of_lot = np.add.reduceat(of_part, firsts[1]) / sizes[1][:, None] ** 2
    of_lot[:, 0] = 1.0
    coefficients = (of_lot, of_part, spot)
    freedoms = (float(lots - 1), float(parts - lots), float(spots - parts), float(reading_freedom))
    matrix = np.zeros((4, 4))
    matrix[3, 3] = 1.0
    for level in (0, 1, 2):
        if freedoms[level] > 0:
            size = sizes[level][groups[level]]
            matrix[level] = ((1.0 - 1.0 / size)[:, None] * coefficients[level]).sum(axis=0) / freedoms[level]
    return UnweightedDesign(freedoms, matrix, coefficients, groups, sizes, firsts)
