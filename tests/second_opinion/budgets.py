"""Uncertainty of what is stated of a lot (GUM, JCGM 100:2008), guard bands and risks (JCGM 106:2012)."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from statistics import fmean
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import stats

from second_opinion.lots import compared

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from numpy.typing import NDArray

    from second_opinion.checks import Check, Meter
    from second_opinion.exports import Workspace
    from second_opinion.lots import Lot

__all__ = ["Budget", "budget", "conformity"]

ENOUGH_CHECKS = 6
"""Fewer checks on a block do not tell its scatter: the meter's claimed accuracy stands in."""
NEWEST_WEIGHT = 0.2
"""Of a check in the meter's local level."""
STEP_LEVEL = 0.997


@dataclass(kw_only=True)
class Budget:
    """Standard uncertainties by name, with degrees of freedom (None: infinite), in the working unit."""

    contributions: dict[str, tuple[float, float | None]]
    bias: float
    confidence: float

    @property
    def u(self) -> float:
        return math.sqrt(sum(u**2 for u, _ in self.contributions.values()))

    @property
    def nu(self) -> float:
        """Effective degrees of freedom by Welch and Satterthwaite (GUM G.4.1)."""
        below = sum(u**4 / nu for u, nu in self.contributions.values() if nu)
        return self.u**4 / below if below else math.inf

    @property
    def whole_nu(self) -> float:
        return float(math.floor(self.nu)) if math.isfinite(self.nu) else self.nu

    @property
    def k(self) -> float:
        """Coverage factor; degrees of freedom are truncated to a whole number (GUM G.4.1)."""
        return float(stats.t.ppf(0.5 + self.confidence / 2.0, self.whole_nu))

    @property
    def expanded(self) -> float:
        """A known bias that is left in is added (GUM F.2.4.5)."""
        return self.k * self.u + abs(self.bias)


def budget(workspace: Workspace, lot: Lot, readings: int) -> Budget:
    """Return the budget of a mean of so many readings near the lot's level."""
    of_meter = {meter.name: meter for meter, _, _ in lot.readings}
    told = [_told_by_checks(workspace, lot, meter) for meter in of_meter.values()]
    # what each meter read is compared with the limits: the one that leaves most open speaks
    worst, bias = max(told, key=lambda one: 2.0 * math.hypot(*(u for u, _ in one[0].values())) + abs(one[1]))
    s, nu = lot.repeatability
    found: dict[str, tuple[float, float | None]] = {"repeatability": (s / math.sqrt(readings), float(nu)), **worst}
    found["resolution"] = (max(_resolution(workspace, name) for name in of_meter), None)
    found |= _temperature(workspace, lot)
    table = {row["correction"]: row for row in workspace.tables.get("corrections", [])}
    corrections = Counter(name for one in lot.values for name in one.corrections)
    for name, n in corrections.items():
        u = float(table[name]["expanded_uncertainty"]) / float(table[name]["coverage_factor"])
        found["correction for geometry"] = (workspace.to_unit(u, table[name]["unit"]) * n / len(lot.values), None)
    return Budget(contributions=found, bias=bias, confidence=workspace.settings["confidence"])


def _resolution(workspace: Workspace, meter: str) -> float:
    """Half a step, rectangular (GUM F.2.2.1)."""
    row = workspace.row("meters", meter)
    return workspace.to_unit(float(row["resolution"]), row["unit"]) / math.sqrt(12.0)


def checks_before_closing(lot: Lot, meter: Meter) -> tuple[list[Check], datetime]:
    """Return the checks of a meter since its last setting, up to the run that closes the lot's bracket, which itself does not count.

    Only those by the probe and frequency of the lot; and the last reading of the lot on the meter.
    """
    places = [(place, one) for of, place, one in lot.readings if of is meter]
    place, last = max(places, key=lambda one: one[0])
    _, closing = meter.around(place)
    phase = meter.phase(place)
    by = (last.reading.probe, last.reading.frequency_khz)
    checks = [
        check
        for run in meter.runs
        if closing is None or run.place < closing.place
        for check in run.checks
        if check.phase == phase and check.series[:2] == by and check.certificate is not None
    ]
    return checks, last.reading.at


def _told_by_checks(
    workspace: Workspace, lot: Lot, meter: Meter
) -> tuple[dict[str, tuple[float, float | None]], float]:
    checks, last_at = checks_before_closing(lot, meter)
    level = {check.block: check.certificate for check in checks}
    block = min(level, key=lambda name: abs(level[name][0] - lot.mean))  # type: ignore[index]
    near = [check for check in checks if check.block == block]
    found: dict[str, tuple[float, float | None]] = {"block certificate": (level[block][1], None)}  # type: ignore[index]
    biases = [check.bias for check in near if check.bias is not None]
    level_now, share, s, nu, stretches = local_level(biases)
    if len(near) < ENOUGH_CHECKS:
        claimed = float(workspace.row("meters", meter.name)["accuracy_percent"]) / 100.0
        found["meter accuracy statement"] = (claimed * lot.mean / math.sqrt(3.0), None)
        return found, level_now
    found["meter between checks"] = (s, float(nu))
    found["level of the meter"] = (s * math.sqrt(share), float(nu))
    hours = np.array([check.at.timestamp() / 3600.0 for check in near])
    since = last_at.timestamp() / 3600.0 - hours[-1]
    found["drift since the last check"] = (
        _drift_bound(hours - hours[0], biases, stretches) * since / math.sqrt(3.0),
        None,
    )
    return found, level_now


def _drift_bound(hours: NDArray[np.float64], biases: Sequence[float], stretches: Sequence[int]) -> float:
    """Return the 95 % bound of the trend an hour: one slope, and a level of its own for each stretch between steps."""
    design = np.column_stack([hours, *(np.array(stretches) == one for one in sorted(set(stretches)))])
    inverse = np.linalg.inv(design.T @ design)
    found = inverse @ design.T @ np.array(biases)
    nu = len(biases) - design.shape[1]
    rest = np.array(biases) - design @ found
    return float(abs(found[0]) + stats.t.ppf(0.975, nu) * math.sqrt(rest @ rest / nu * inverse[0, 0]))


def local_level(biases: Sequence[float]) -> tuple[float, float, float, int, list[int]]:
    """Return the level when the next check is due, its variance over that of a check, the scatter about it and degrees of freedom.

    And for each check how many steps came until it.

    Local level model (Harvey, Forecasting, structural time series models and the Kalman filter, 1989, 2.2 and 4.1), begun with the
    first value; its ratio of variances q gives a newest value the weight 0.2 in the long run: q = 0.2^2/(1 - 0.2). It begins again with
    a value that steps further than 99.7 % would by Student's t of those before it; the step counts in the scatter.
    """
    q = NEWEST_WEIGHT**2 / (1.0 - NEWEST_WEIGHT)
    level, variance, squares, stretches = biases[0], 1.0, 0.0, [0]
    for before, bias in enumerate(biases[1:]):
        expected = variance + q + 1.0
        square = (bias - level) ** 2 / expected
        steps = before > 0 and square > stats.t.ppf(0.5 + STEP_LEVEL / 2.0, before) ** 2 * squares / before
        weight = (variance + q) / expected
        level, variance = (bias, 1.0) if steps else (level + weight * (bias - level), weight)
        squares += square
        stretches.append(stretches[-1] + int(steps))
    nu = len(biases) - 1
    return level, variance + q, math.sqrt(squares / nu) if nu else math.nan, nu, stretches


def _temperature(workspace: Workspace, lot: Lot) -> dict[str, tuple[float, float | None]]:
    """Return what the sensor and the coefficient leave unknown; the least certain sensor counts."""
    found: dict[str, tuple[float, float | None]] = {}
    corrected = [one for one in lot.values if one.reading.state != "at_reference"]
    # what temperature does to a value it does before any correction for geometry
    level = lot.mean - fmean(one.value - one.before_corrections for one in lot.values)
    changes = [one.sensitivities(level) for one in corrected]
    sensors = {}
    for one in corrected:
        row = workspace.row("sensors", one.reading.sensor, one.reading.at)
        if row.get("expanded_uncertainty_c"):
            sensors[one.reading.sensor] = float(row["expanded_uncertainty_c"]) / float(row["coverage_factor"] or 2)
    if sensors:
        found["temperature sensor"] = (max(sensors.values()) * abs(fmean(one for one, _ in changes)), None)
    law = workspace.row("materials", lot.row["material"])
    if law.get("coefficient_expanded_uncertainty") and corrected:
        u = float(law["coefficient_expanded_uncertainty"]) / float(law["coefficient_coverage_factor"] or 2)
        found["temperature coefficient"] = (u * abs(fmean(one for _, one in changes)), None)
    return found


def guard_band(workspace: Workspace, lot: Lot, one: Budget) -> float | None:
    """Return the guard band in the working unit: U, or what gives the wanted probability of conforming at its edge."""
    if lot.plan["decision_rule"] != "guarded":
        return None
    wanted = float(lot.plan.get("conformance_probability") or workspace.settings["guard_band_probability"])
    return float(stats.t.ppf(wanted, one.whole_nu)) * one.u + abs(one.bias) if wanted else one.expanded


def conformity(workspace: Workspace, lot: Lot) -> dict[str, Any]:
    """Return U and guard band of one compared value, and the least probability of conforming, in the unit of the limits.

    The known bias, which stays in the value, is taken off for the probability; its complement is the specific risk of accepting
    (JCGM 106:2012, 9.3.2).
    """
    by, values = lot.plan["conforms_by"], compared(lot)
    repeats = min(Counter((one.reading.part, one.reading.spot) for one in lot.values).values())
    of_part = min(Counter(one.reading.part for one in lot.values).values())
    one = budget(workspace, lot, {"spot": repeats, "part": of_part}.get(by, len(lot.values)))
    scale = 1.0 / workspace.to_unit(1.0, lot.plan["unit"])
    band = guard_band(workspace, lot, one)
    lower, upper = lot.limits()
    found: dict[str, Any] = {
        "lowest": min(values) * scale, "highest": max(values) * scale, "standard_uncertainty": one.u * scale,
        "degrees_of_freedom": one.nu, "coverage_factor": one.k, "expanded_uncertainty": one.expanded * scale,
        "known_bias": one.bias * scale, "guard_band": None if band is None else band * scale,
        "acceptance_lower": None if lower is None else lower + (band or 0.0) * scale,
        "acceptance_upper": None if upper is None else upper - (band or 0.0) * scale,
    }  # fmt: skip
    if by == "k_method":
        return {**found, "conformance_probability": None}
    ends = [(1.0, lower), (-1.0, upper)]
    outside = max(
        sum(
            float(stats.t.cdf(side * (limit - value * scale + one.bias * scale) / (one.u * scale), one.whole_nu))
            for side, limit in ends
            if limit is not None
        )
        for value in values
    )
    return {**found, "conformance_probability": 1.0 - outside, "false_acceptance_risk": outside}
