"""Lots: statistics by level, capability, support, limits, verdict."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from datetime import timedelta
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from functools import cached_property
from itertools import pairwise
from statistics import fmean, stdev
from typing import TYPE_CHECKING, Any

from scipy import optimize, special, stats

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import datetime

    from second_opinion.checks import Meter, Run
    from second_opinion.exports import Cells, Workspace
    from second_opinion.values import Valued

__all__ = ["Lot", "k_method", "lots", "met", "of_bracket", "verdict"]


@dataclass(kw_only=True, eq=False)
class Lot:
    """What was read of a lot, in the order of measuring; `places` are those in each meter's stream."""

    name: str
    row: Cells
    plan: Cells
    readings: list[tuple[Meter, int, Valued]]

    @cached_property
    def values(self) -> list[Valued]:
        return [one for _, _, one in self.readings]

    @cached_property
    def spots(self) -> dict[tuple[str, str], list[float]]:
        found: defaultdict[tuple[str, str], list[float]] = defaultdict(list)
        for one in self.values:
            found[one.reading.part, one.reading.spot].append(one.value)
        return dict(found)

    @cached_property
    def spot_means(self) -> dict[tuple[str, str], float]:
        return {spot: fmean(values) for spot, values in self.spots.items()}

    @cached_property
    def part_means(self) -> list[float]:
        of_part: defaultdict[str, list[float]] = defaultdict(list)
        for (part, _), mean in self.spot_means.items():
            of_part[part].append(mean)
        return [fmean(means) for means in of_part.values()]

    @property
    def mean(self) -> float:
        return fmean(self.part_means)

    @cached_property
    def repeatability(self) -> tuple[float, int]:
        """Pooled standard deviation of repeats on a spot by one meter, probe and frequency, and its degrees of freedom."""
        repeats: defaultdict[tuple[object, ...], list[float]] = defaultdict(list)
        for one in self.values:
            r = one.reading
            repeats[r.part, r.spot, r.meter, r.probe, r.frequency_khz].append(one.value)
        squares = sum((x - fmean(values)) ** 2 for values in repeats.values() for x in values)
        nu = sum(len(values) - 1 for values in repeats.values())
        return (math.sqrt(squares / nu) if nu else math.nan), nu

    @cached_property
    def brackets(self) -> list[tuple[Meter, Run | None, Run | None, datetime, datetime]]:
        """Meter, run before, run after, first and last reading of each stretch that no run divides."""
        found: dict[tuple[str, Any, Any], list[Any]] = {}
        for meter, place, one in self.readings:
            before, after = meter.around(place)
            stretch = found.setdefault(
                (meter.name, before, after), [meter, before, after, one.reading.at, one.reading.at]
            )
            stretch[4] = one.reading.at
        return [tuple(stretch) for stretch in found.values()]

    @cached_property
    def last_at(self) -> datetime:
        return max(one.reading.at for one in self.values)

    def limits(self) -> tuple[float | None, float | None]:
        return tuple(float(self.plan[key]) if self.plan.get(key) else None for key in ("lower", "upper"))  # type: ignore[return-value]


def lots(workspace: Workspace, meters: Iterable[Meter]) -> dict[str, Lot]:
    """Return every lot that was read in production."""
    studies = {row["run"] for row in workspace.tables.get("studies", [])}
    found: defaultdict[str, list[tuple[Meter, int, Valued]]] = defaultdict(list)
    for meter in meters:
        for place, one in enumerate(meter.stream):
            if one.reading.role == "part" and one.reading.run not in studies:
                found[one.reading.lot].append((meter, place, one))
    result = {}
    for name, readings in sorted(found.items()):
        readings.sort(key=lambda r: (r[2].reading.at, r[0].name, r[1]))
        row = workspace.row("lots", name, readings[0][2].reading.at)
        plan = workspace.row("specifications", row.get("specification", ""), readings[0][2].reading.at)
        result[name] = Lot(name=name, row=row, plan=plan, readings=readings)
    return result


def support(workspace: Workspace, lot: Lot, as_of: datetime) -> str:
    """Return the worst over the lot's brackets: suspect, unsupported, open, supported."""
    found = {of_bracket(workspace, *bracket[1:], as_of) for bracket in lot.brackets}
    return next(word for word in ("suspect", "unsupported", "open", "supported") if word in found)


def of_bracket(
    workspace: Workspace, before: Run | None, after: Run | None, first: datetime, last: datetime, as_of: datetime
) -> str:
    """Return the support of readings between two runs."""
    interval = timedelta(hours=workspace.settings["check_interval_hours"])
    if any(run is not None and _failed(workspace, run) for run in (before, after)):
        return "suspect"
    if before is None or not before.passed or last - before.at > interval:
        return "unsupported"
    if after is not None and after.passed and after.first_at - first <= interval:
        return "supported"
    return "open" if after is None and as_of - first <= interval else "unsupported"


def _failed(workspace: Workspace, run: Run) -> bool:
    return run.passed is False or (workspace.settings["signals_make_suspect"] and run.rejected)


def as_compared(workspace: Workspace, plan: Cells, value: float) -> Decimal:
    """Return a value in the specification's unit, rounded by its rule, in decimal arithmetic."""
    exact = Decimal(value)
    unit = plan["unit"]
    if unit != workspace.settings["unit"]:
        exact = exact / Decimal("0.58") if unit == "%IACS" else exact * Decimal("0.58")
    rule, _, places = plan["rounding"].partition(":")
    if rule == "none":
        return exact
    return exact.quantize(Decimal(1).scaleb(-int(places)), ROUND_HALF_UP if rule == "half_up" else ROUND_HALF_EVEN)


def compared(lot: Lot) -> list[float]:
    """Return what must lie within the limits, in the working unit."""
    by = lot.plan["conforms_by"]
    return list(lot.spot_means.values()) if by == "spot" else lot.part_means if by == "part" else [lot.mean]


def met(workspace: Workspace, lot: Lot, guard: float) -> str:
    """Return whether the limits are met: in, out, undecided.

    Simple acceptance has no guard band (JCGM 106, 8.2); with one, what lies closer to a limit than it is undecided (ISO 14253-1).
    """
    lower, upper = (None if limit is None else Decimal(str(limit)) for limit in lot.limits())
    if lot.plan["conforms_by"] == "k_method":
        return "in" if k_method(workspace, lot)["accepted"] else "out"
    band = Decimal(repr(guard))
    answers = set()
    for value in compared(lot):
        x = as_compared(workspace, lot.plan, value)
        room = min(
            limit
            for limit in (None if lower is None else x - lower, None if upper is None else upper - x)
            if limit is not None
        )
        answers.add("in" if room >= band else "out" if room < -band else "undecided")
    return next(answer for answer in ("out", "undecided", "in") if answer in answers)


def _beyond(n: int, quality: float) -> float:
    """Estimated fraction beyond a limit, s unknown: symmetric beta distribution (MIL-STD-414, appendix B; ISO 3951-2)."""
    x = max(0.0, 0.5 - 0.5 * quality * math.sqrt(n) / (n - 1))
    return float(special.betainc(n / 2 - 1, n / 2 - 1, x))


def k_method(workspace: Workspace, lot: Lot) -> dict[str, Any]:
    """Acceptance by variables: Q >= k at each limit, and with two limits the fraction beyond both at most M."""
    limits = [None if limit is None else workspace.to_unit(limit, lot.plan["unit"]) for limit in lot.limits()]
    s, n, k = stdev(lot.part_means), len(lot.part_means), float(lot.plan["k"])
    sides = {
        "quality_lower": None if limits[0] is None else (lot.mean - limits[0]) / s,
        "quality_upper": None if limits[1] is None else (limits[1] - lot.mean) / s,
    }
    qualities = [side for side in sides.values() if side is not None]
    fraction = sum(_beyond(n, quality) for quality in qualities)
    permitted = lot.plan.get("most_nonconforming_percent")
    most = float(permitted) / 100.0 if permitted else _beyond(n, k)
    accepted = all(quality >= k for quality in qualities) if len(qualities) == 1 else fraction <= most
    if len(qualities) == 2 and not permitted:
        accepted = accepted and all(quality >= k for quality in qualities)
    return {**sides, "nonconforming": fraction, "most_nonconforming": most, "accepted": accepted}


def hardness(workspace: Workspace, lot: Lot) -> str:
    """Return whether a hardness result that the specification asks for is there: in, out, missing, not asked."""
    if lot.plan.get("hardness_required") != "yes":
        return "not asked"
    read = {one.reading.part for one in lot.values}
    rows = [
        r for r in workspace.tables.get("hardness", []) if r["lot"] == lot.name and (not r["part"] or r["part"] in read)
    ]
    inside = [float(r["lower"] or "-inf") <= float(r["value"]) <= float(r["upper"] or "inf") for r in rows]
    return "missing" if not rows else "in" if all(inside) else "out"


def verdict(workspace: Workspace, lot: Lot, limits_met: str, supported: str) -> str:
    """Return accept, hold, reject or not_assessed."""
    if not plan_is_met(lot):
        return "not_assessed"
    if hardness(workspace, lot) == "missing" and limits_met != "out":
        return "hold"
    if limits_met == "in":
        return "accept" if supported == "supported" and hardness(workspace, lot) != "out" else "hold"
    passes_after = all(after is not None and after.passed for _, _, after, _, _ in lot.brackets)
    return "reject" if limits_met == "out" and supported == "supported" and passes_after else "hold"


def plan_is_met(lot: Lot) -> bool:
    """Return whether there are as many parts, spots and repeats as the plan asks for."""
    spots: defaultdict[str, int] = defaultdict(int)
    for part, _ in lot.spots:
        spots[part] += 1
    return (
        len(spots) >= int(lot.plan["parts"] or 1)
        and min(spots.values()) >= int(lot.plan["spots"] or 1)
        and min(len(values) for values in lot.spots.values()) >= int(lot.plan["repeats"] or 1)
    )


def _moving_range(values: Sequence[float]) -> tuple[float, float, float]:
    """Return the estimate of sigma from moving ranges of two, its degrees of freedom, and the bias of a root of chi-square with them.

    Mean moving range over d2 = 2/sqrt(pi). Its variance follows from the correlation -1/2 of successive differences
    (E|XY| of two normal variables, Nabeya 1951); chi with the same coefficient of variation gives the degrees of freedom (Patnaik 1950).
    """
    n = len(values)
    estimate = fmean(abs(b - a) for a, b in pairwise(values)) * math.sqrt(math.pi) / 2.0
    rho = -0.5
    one = 1.0 - 2.0 / math.pi
    two = 2.0 / math.pi * (math.sqrt(1.0 - rho**2) + rho * math.asin(rho)) - 2.0 / math.pi
    square = ((n - 1) * one + 2 * (n - 2) * two) / (n - 1) ** 2 * math.pi / 2.0
    nu = optimize.brentq(lambda x: 1.0 / _c4(x) ** 2 - 1.0 - square, 0.5, 1e4, xtol=1e-13, rtol=1e-14)
    return estimate, nu, _c4(nu)


def _c4(nu: float) -> float:
    """Return the mean of s/sigma with nu degrees of freedom."""
    return math.sqrt(2.0 / nu) * math.exp(special.gammaln((nu + 1) / 2) - special.gammaln(nu / 2))


def capability(workspace: Workspace, lot: Lot) -> dict[str, Any]:
    """Return Cp, Cpk (variation within subgroups of one part) and Pp, Ppk (overall) with two-sided intervals.

    ISO 22514-2; intervals by chi-square for Cp and Pp, by Bissell (Applied Statistics 39, 331, 1990) for Cpk and Ppk.
    """
    lower, upper = (None if limit is None else workspace.to_unit(limit, lot.plan["unit"]) for limit in lot.limits())
    n, mean, tail = len(lot.part_means), lot.mean, (1.0 - workspace.settings["confidence"]) / 2.0
    within, nu_within, c4 = _moving_range(lot.part_means)
    found: dict[str, Any] = {"within_standard_deviation": within, "within_degrees_of_freedom": nu_within}
    for name, s, nu, scale in (("c", within, nu_within, c4), ("p", stdev(lot.part_means), float(n - 1), 1.0)):
        two = None if lower is None or upper is None else (upper - lower) / (6.0 * s)
        ends = [math.sqrt(stats.chi2.ppf(p, nu) / nu) / scale for p in (tail, 1.0 - tail)]
        nearest = min([mean - lower] if lower is not None else [], default=math.inf)
        nearest = min(nearest, upper - mean if upper is not None else math.inf)
        index = nearest / (3.0 * s)
        half = stats.norm.ppf(1.0 - tail) * math.sqrt(1.0 / (9.0 * n) + index**2 / (2.0 * nu))
        p = "cp" if name == "c" else "pp"
        found |= {p: two, f"{p}_interval": None if two is None else [two * end for end in ends]}
        found |= {f"{p}k": index, f"{p}k_interval": [index - half, index + half]}
    return found
