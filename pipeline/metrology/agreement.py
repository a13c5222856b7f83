"""Agreement of meters that measured the same thing: differences with their uncertainty, and normalised errors.

What both share cancels in their difference: the certificate of a block, the true value of a part. So it is left out of
the uncertainty of the difference; to count it would call meters equal that are not.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import sqrt
from typing import TYPE_CHECKING

import scipy

from pipeline.metrology.uncertainty import normalised_error
from schemas.blocks import MeterDifference

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

__all__ = [
    "COVERAGE_FACTOR",
    "MeterMean",
    "PairDifference",
    "compare_meters",
    "compare_on_same_parts",
    "differences_of",
]

COVERAGE_FACTOR = 2.0
"""Of the expanded uncertainties in a normalised error (ISO 13528:2022, 9.7; ISO/IEC 17043:2023, B.3; from memory)."""


@dataclass(frozen=True, slots=True)
class MeterMean:
    """What one meter says of an artefact.

    Parameters
    ----------
    meter
        Name.
    mean
        Mean of its determinations, in any unit of conductivity.
    standard_deviation
        Of the determinations (check means, or part means of one lot), same unit; None of one alone.
    n
        How many determinations.
    own_standard_uncertainty
        What the meter adds that more readings do not lessen and that no other meter shares (its accuracy), same unit;
        None where it is not stated.
    """

    meter: str
    mean: float
    standard_deviation: float | None
    n: int
    own_standard_uncertainty: float | None


@dataclass(frozen=True, slots=True)
class PairDifference:
    """First minus second meter.

    `standard_uncertainty`, `degrees_of_freedom` and the 95 % interval speak of repeating alone: zero outside means that the
    meters differ. `e_n` compares the difference with what both meters claim: beyond 1 in size they do not agree.
    """

    first: str
    second: str
    difference: float
    standard_uncertainty: float | None
    degrees_of_freedom: float | None
    low: float | None
    high: float | None
    e_n: float | None
    reason: str | None = None


def _pair(a: MeterMean, b: MeterMean, confidence: float) -> PairDifference:
    difference = a.mean - b.mean
    if a.standard_deviation is None or b.standard_deviation is None:
        alone = a.meter if a.standard_deviation is None else b.meter
        return PairDifference(
            a.meter, b.meter, difference, None, None, None, None, None, f"{alone} has one determination only"
        )
    va, vb = a.standard_deviation**2 / a.n, b.standard_deviation**2 / b.n
    u = sqrt(va + vb)
    low = high = freedom = None
    if u > 0:
        freedom = (va + vb) ** 2 / (va**2 / (a.n - 1) + vb**2 / (b.n - 1))
        half = float(scipy.special.stdtrit(freedom, 0.5 + confidence / 2)) * u
        low, high = difference - half, difference + half
    e_n = reason = None
    if a.own_standard_uncertainty is None or b.own_standard_uncertainty is None:
        silent = a.meter if a.own_standard_uncertainty is None else b.meter
        reason = f"{silent} states no accuracy"
    else:
        expanded = [
            COVERAGE_FACTOR * sqrt(variance + own**2)
            for variance, own in ((va, a.own_standard_uncertainty), (vb, b.own_standard_uncertainty))
        ]
        if expanded[0] or expanded[1]:
            e_n = normalised_error(a.mean, expanded[0], b.mean, expanded[1])
        else:
            reason = "neither meter has any uncertainty"
    return PairDifference(a.meter, b.meter, difference, u, freedom, low, high, e_n, reason)


def compare_meters(means: Sequence[MeterMean], *, confidence: float = 0.95) -> tuple[PairDifference, ...]:
    """Compare each meter with each other one on the same artefact.

    Differences by Welch's method (Biometrika 34, 28, 1947; from memory; checked against scipy), normalised errors by
    ISO 13528 and ISO/IEC 17043.

    Parameters
    ----------
    means
        One for each meter, one unit.
    confidence
        Of the interval of a difference, two-sided.

    Returns
    -------
    tuple of PairDifference
        In the order of the names.

    Raises
    ------
    ValueError
        If a meter stands twice.
    """
    ordered = sorted(means, key=lambda one: one.meter)
    if len({one.meter for one in ordered}) < len(ordered):
        raise ValueError("a meter stands twice; give one mean for each")
    return tuple(_pair(a, b, confidence) for a, b in combinations(ordered, 2))


def compare_on_same_parts(
    first: str,
    second: str,
    differences: Sequence[float],
    own_standard_uncertainties: tuple[float | None, float | None],
    *,
    confidence: float = 0.95,
) -> PairDifference:
    """Compare two meters that measured the same parts, part by part, so that the parts' own values drop out.

    Parameters
    ----------
    first, second
        Names.
    differences
        First minus second meter on each part, at least one, in any unit of conductivity.
    own_standard_uncertainties
        What each meter adds alone, same unit; None where it is not stated.
    confidence
        Of the interval, two-sided.

    Returns
    -------
    PairDifference
        Student's t on the differences; E_n as in :func:`compare_meters`.

    Raises
    ------
    ValueError
        If there is no difference.
    """
    n = len(differences)
    if not n:
        raise ValueError("a comparison part by part needs at least one part that both measured")
    mean = sum(differences) / n
    if n == 1:
        return PairDifference(first, second, mean, None, None, None, None, None, "one part was measured by both")
    u = sqrt(sum((d - mean) ** 2 for d in differences) / (n - 1) / n)
    half = float(scipy.special.stdtrit(n - 1, 0.5 + confidence / 2)) * u
    own_a, own_b = own_standard_uncertainties
    e_n = reason = None
    if own_a is None or own_b is None:
        reason = f"{first if own_a is None else second} states no accuracy"
    elif together := COVERAGE_FACTOR * sqrt(u**2 + own_a**2 + own_b**2):
        e_n = mean / together
    else:
        reason = "neither meter has any uncertainty"
    return PairDifference(first, second, mean, u, float(n - 1), mean - half, mean + half, e_n, reason)


def differences_of(pairs: Iterable[PairDifference], basis: str) -> tuple[MeterDifference, ...]:
    """Return differences between meters as pages show them."""
    return tuple(
        MeterDifference(
            one.first, one.second, one.difference, None if one.low is None or one.high is None else (one.low, one.high),
            one.standard_uncertainty, one.degrees_of_freedom, one.e_n, one.reason, basis,
        )
        for one in pairs
    )  # fmt: skip
