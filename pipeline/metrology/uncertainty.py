"""Uncertainty after the GUM (JCGM 100:2008): combination of contributions, coverage, propagation.

Contributions are parametrised by independent inputs, so that they add as squares and the Welch-Satterthwaite formula
holds: a sensor's own error stands once, not as two correlated temperatures. Clauses of the GUM are from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from schemas.uncertainty import Contribution

__all__ = [
    "CombinedUncertainty",
    "combine",
    "coverage_factor",
    "coverage_factors",
    "normalised_error",
]

# Welch-Satterthwaite of a single contribution can come out as 15.999999999999998 for 16; truncation must not see that
_TRUNCATION_SLACK = 1.0 + 1e-9


@dataclass(frozen=True, slots=True)
class CombinedUncertainty:
    """Combined and expanded uncertainty, in the unit of the contributions.

    `degrees_of_freedom` are the effective ones, not truncated; None for infinite. `uncorrected_bias` is the known bias
    that was not corrected; its amount is in `expanded_uncertainty`, which is then more than
    `coverage_factor`·`standard_uncertainty`.
    """

    standard_uncertainty: float
    degrees_of_freedom: float | None
    coverage_factor: float
    expanded_uncertainty: float
    coverage: float
    uncorrected_bias: float


def coverage_factor(degrees_of_freedom: float | None, *, coverage: float = 0.95) -> float:
    """Return Student's t for a two-sided coverage, the degrees of freedom truncated to a whole number.

    Parameters
    ----------
    degrees_of_freedom
        At least 1; None for infinite.
    coverage
        Probability of the interval, between 0 and 1.

    Raises
    ------
    ValueError
        If an input is outside its range.

    Notes
    -----
    GUM, G.3.2 and G.4.1 with its note 1 (truncation), G.6.4.
    """
    if not 0 < coverage < 1:
        raise ValueError(f"coverage = {coverage!r}; expected a probability between 0 and 1")
    if degrees_of_freedom is None:
        return float(scipy.special.ndtri((1 + coverage) / 2))
    if not (math.isfinite(degrees_of_freedom) and degrees_of_freedom * _TRUNCATION_SLACK >= 1):
        raise ValueError(f"degrees of freedom = {degrees_of_freedom!r}; expected at least 1, or None for infinite")
    return float(scipy.special.stdtrit(math.floor(degrees_of_freedom * _TRUNCATION_SLACK), (1 + coverage) / 2))


def coverage_factors(degrees_of_freedom: NDArray[np.float64], *, coverage: float = 0.95) -> NDArray[np.float64]:
    """Return what :func:`coverage_factor` does, for many; infinite degrees of freedom are written as infinity.

    Parameters
    ----------
    degrees_of_freedom
        At least 1, shape (n,).
    coverage
        Probability of the interval, between 0 and 1.

    Returns
    -------
    numpy.ndarray
        Shape (n,).

    Raises
    ------
    ValueError
        If an input is outside its range.
    """
    if not 0 < coverage < 1:
        raise ValueError(f"coverage = {coverage!r}; expected a probability between 0 and 1")
    if not (degrees_of_freedom * _TRUNCATION_SLACK >= 1).all():
        raise ValueError("degrees of freedom below 1; expected at least 1, or infinity")
    finite = np.isfinite(degrees_of_freedom)
    whole = np.floor(np.where(finite, degrees_of_freedom, 1.0) * _TRUNCATION_SLACK)
    factors: NDArray[np.float64] = np.where(
        finite, scipy.special.stdtrit(whole, (1 + coverage) / 2), scipy.special.ndtri((1 + coverage) / 2)
    )
    return factors


def combine(
    contributions: Sequence[Contribution], *, coverage: float = 0.95, uncorrected_bias: float = 0.0
) -> CombinedUncertainty:
    """Combine independent contributions.

    Parameters
    ----------
    contributions
        Lines of a budget, each already multiplied by its sensitivity; at least one.
    coverage
        Coverage probability of the expanded uncertainty.
    uncorrected_bias
        Known bias that is not corrected; its amount is added to the expanded uncertainty.

    Raises
    ------
    ValueError
        If there is no contribution, a standard uncertainty is negative or not finite, or degrees of freedom are below 1.

    Notes
    -----
    u² = Σuᵢ² (GUM 5.1.2); ν = u⁴/Σ(uᵢ⁴/νᵢ) (Welch-Satterthwaite, G.4.1, from u not rounded); U = t(ν)·u + |b| (G.6.4;
    F.2.4.5 for the bias).
    """
    if not contributions:
        raise ValueError("no contribution to combine")
    if not math.isfinite(uncorrected_bias):
        raise ValueError(f"uncorrected_bias = {uncorrected_bias!r}; expected a finite number")
    for line in contributions:
        u, nu = line.standard_uncertainty, line.degrees_of_freedom
        if not (math.isfinite(u) and u >= 0):
            raise ValueError(f"{line.name}: standard uncertainty {u!r}; expected a finite number of at least 0")
        if nu is not None and not nu >= 1:
            raise ValueError(f"{line.name}: degrees of freedom {nu!r}; expected at least 1, or None for infinite")
    combined = math.hypot(*(line.standard_uncertainty for line in contributions))
    # shares of the variance instead of fourth powers, which would underflow for small units
    weight = 0.0
    if combined > 0:
        for line in contributions:
            if line.degrees_of_freedom is not None:
                weight += (line.standard_uncertainty / combined) ** 4 / line.degrees_of_freedom
    degrees_of_freedom = 1.0 / weight if weight > 1e-300 else None
    factor = coverage_factor(degrees_of_freedom, coverage=coverage)
    return CombinedUncertainty(
        combined, degrees_of_freedom, factor, factor * combined + abs(uncorrected_bias), coverage, uncorrected_bias
    )


def normalised_error(value: float, expanded: float, reference: float, reference_expanded: float) -> float:
    """Return the E_n number of a value against a reference value.

    Parameters
    ----------
    value, reference
        The two independent results, in one unit.
    expanded, reference_expanded
        Their expanded uncertainties, both of the same coverage (k = 2), at least one above 0.

    Returns
    -------
    float
        (value − reference)/√(U² + U_ref²); |E_n| ≤ 1 is satisfactory.

    Raises
    ------
    ValueError
        If both uncertainties are 0 or a number is not finite.

    Notes
    -----
    ISO 13528 and ISO/IEC 17043 (from memory).
    """
    together = math.hypot(expanded, reference_expanded)
    if not (math.isfinite(value) and math.isfinite(reference) and math.isfinite(together) and together > 0):
        raise ValueError("E_n needs finite values and an expanded uncertainty above 0")
    return (value - reference) / together
