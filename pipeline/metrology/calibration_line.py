"""Use of a straight calibration line: errors in both axes, what a reading stands for, and control of the line as one statement."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy

from pipeline.metrology.bias_line import bias_at, degrees_at
from pipeline.metrology.uncertainty import coverage_factor

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from pipeline.metrology.bias_line import LineFit

__all__ = ["LineControl", "TwoAxesFit", "fit_both_axes", "inverse_prediction", "line_control", "simultaneous_factor"]

_STEPS = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoAxesFit:
    """A line y = intercept + slope·x with its standard uncertainties, covariance and χ² on `degrees_of_freedom`."""

    intercept: float
    slope: float
    intercept_standard_uncertainty: float
    slope_standard_uncertainty: float
    covariance: float
    chi_squared: float
    degrees_of_freedom: int


def fit_both_axes(x: ArrayLike, y: ArrayLike, u_x: ArrayLike, u_y: ArrayLike) -> TwoAxesFit | str:
    """Fit a line where both axes have uncertainties, none of them correlated.

    Parameters
    ----------
    x, y
        Points, shape (n,).
    u_x, u_y
        Their standard uncertainties, shape (n,); of each point one at least above zero.

    Returns
    -------
    TwoAxesFit or str
        The line, or why there is none.

    Notes
    -----
    Generalised distance regression by Gauss and Newton: with t = 1/(u_y² + b²·u_x²), x* = (x·u_y² + b·u_x²·(y − a))·t and
    z = y − a − b·x, the changes of a and b are the weighted least squares of z on x* (ISO/TS 28037:2010, clause 7; from memory).
    """
    xs, ys, ux, uy = (np.asarray(one, dtype=float) for one in (x, y, u_x, u_y))
    if xs.size < 2 or not xs.max() > xs.min():
        return "a line needs two points of different value"
    if not ((ux > 0) | (uy > 0)).all():
        return "a point has no uncertainty in either axis, so it cannot be weighted"
    origin = float(xs.mean())
    xs = xs - origin
    b, a = np.polyfit(xs, ys, 1)
    for _ in range(_STEPS):
        variance = uy**2 + b**2 * ux**2
        if not variance.all():
            return "a level line gives points no weight whose readings are exact"
        t = 1.0 / variance
        along = (xs * uy**2 + b * ux**2 * (ys - a)) * t
        rest = ys - a - b * xs
        centre = float((t * along).sum() / t.sum())
        about = along - centre
        squares = float((t * about**2).sum())
        if not squares > 0:
            return "the points do not tell a slope from their uncertainties"
        step_b = float((t * about * rest).sum()) / squares
        step_a = float((t * rest).sum() / t.sum()) - step_b * centre
        a, b = a + step_a, b + step_b
        if np.allclose((step_a, step_b), 0.0, atol=1e-14 * (1.0 + math.hypot(a, b))):
            break
    else:
        return "the fit did not settle"
    u_b2 = 1.0 / squares
    centre += origin
    return TwoAxesFit(
        intercept=float(a - b * origin),
        slope=float(b),
        intercept_standard_uncertainty=math.sqrt(1.0 / float(t.sum()) + centre**2 * u_b2),
        slope_standard_uncertainty=math.sqrt(u_b2),
        covariance=-centre * u_b2,
        chi_squared=float((t * rest**2).sum()),
        degrees_of_freedom=int(xs.size) - 2,
    )


def inverse_prediction(
    fit: LineFit, reading: float, standard_uncertainty: float, degrees_of_freedom: float | None
) -> tuple[float, float, float] | str:
    """Return the value that a reading stands for, and its 95 % interval (Fieller).

    Parameters
    ----------
    fit
        The line of the bias: reading = x + bias(x).
    reading
        In the unit of the line.
    standard_uncertainty, degrees_of_freedom
        Of the reading itself; None for infinite.

    Returns
    -------
    tuple of float or str
        Value and the ends of its interval; or why there is none.

    Notes
    -----
    The interval holds every x with |reading − x − bias(x)| ≤ k·√(u²(reading) + u²(bias at x)), k for the degrees of freedom of
    Welch and Satterthwaite (Fieller, J. Roy. Stat. Soc. B 16, 175, 1954; NIST/SEMATECH e-Handbook 2.3.6.7 for the inverse line).
    """
    gain = 1.0 + fit.slope
    if gain <= 0:
        return "the line does not rise with the value"
    y = reading - fit.centre - fit.bias
    value = fit.centre + y / gain
    _, u, beyond = bias_at(fit, value)
    if beyond:
        return "the value lies beyond the blocks"
    total = standard_uncertainty**2 + u**2
    parts = [(standard_uncertainty, degrees_of_freedom), (u, degrees_at(fit, (1.0, value - fit.centre)))]
    lost = sum(one**4 / freedom for one, freedom in parts if freedom is not None)
    k = coverage_factor(total**2 / lost if lost > 0 else None)
    (aa, ac), (_, cc) = fit.covariance
    quadratic = gain**2 - k * k * cc
    if quadratic <= 0:
        return "the slope of the line is not known well enough"
    linear = y * gain + k * k * ac
    root = math.sqrt(max(linear**2 - quadratic * (y * y - k * k * (standard_uncertainty**2 + aa)), 0.0))
    return value, fit.centre + (linear - root) / quadratic, fit.centre + (linear + root) / quadratic


@dataclass(frozen=True, slots=True, kw_only=True)
class LineControl:
    """Control of a line by later points, all at once: `largest` is the largest |deviation|, `limit` what all may reach together."""

    deviations: tuple[float, ...]
    largest: float
    limit: float
    in_control: bool
    residual_standard_deviation: float
    degrees_of_freedom: int


def simultaneous_factor(points: int, degrees_of_freedom: float, *, level: float = 0.95) -> float:
    """Return t* which |t| of all points together exceeds with 1 − level: Student's t at 1 − (1 − level^(1/points))/2.

    NIST/SEMATECH e-Handbook 1.3.6.7.5 and 2.3.7 (from memory).
    """
    return float(scipy.special.stdtrit(degrees_of_freedom, (1.0 + level ** (1.0 / points)) / 2.0))


def line_control(
    x: ArrayLike, y: ArrayLike, control_x: ArrayLike, control_y: ArrayLike, *, level: float = 0.95
) -> LineControl | str:
    """Hold later points of several blocks against the line of earlier ones as one statement.

    Parameters
    ----------
    x, y
        Certified values and readings behind the line, shape (n,).
    control_x, control_y
        Those of the later points, shape (m,).
    level
        Chance that a steady line passes.

    Returns
    -------
    LineControl or str
        Deviations in the unit of x; or why the line is not controlled.

    Notes
    -----
    y = a + b·x by least squares; deviation W = (y′ − a)/b − x′; limit t*·s/b with the residual standard deviation s on n − 2
    degrees of freedom (NIST/SEMATECH e-Handbook 2.3.7; from memory). As there, the line counts as known: with few points behind
    it the limit is passed somewhat more often.
    """
    xs, ys, xc, yc = (np.asarray(one, dtype=float) for one in (x, y, control_x, control_y))
    if len(set(xs.tolist())) < 2 or len(set(xc.tolist())) < 2:
        return "control of a line needs two blocks of different value, behind it and in the run"
    freedom = xs.size - 2
    if freedom < LEAST_DEGREES:
        return f"{freedom} degrees of freedom behind the line before the run; at least {LEAST_DEGREES} are needed"
    about: NDArray[np.float64] = xs - xs.mean()
    b = float((about * ys).sum() / (about**2).sum())
    a = float(ys.mean()) - b * float(xs.mean())
    s = math.sqrt(float(((ys - a - b * xs) ** 2).sum()) / freedom)
    if b <= 0 or s <= 1e-12 * float(np.abs(ys).max()):
        return "the readings do not rise with the value" if b <= 0 else "the readings behind the line do not scatter"
    deviations = (yc - a) / b - xc
    limit = simultaneous_factor(xc.size, freedom, level=level) * s / b
    largest = float(np.abs(deviations).max())
    return LineControl(
        deviations=tuple(deviations.tolist()), largest=largest, limit=limit, in_control=largest <= limit,
        residual_standard_deviation=s, degrees_of_freedom=freedom,
    )  # fmt: skip


LEAST_DEGREES = 10
"""Behind a line that counts as known (common practice, no source)."""
