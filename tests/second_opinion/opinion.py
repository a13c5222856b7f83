"""The whole second opinion in the words of the product's documents, and what differs between the two."""

from __future__ import annotations

import math
from collections import defaultdict
from datetime import UTC, datetime, timedelta
from statistics import fmean, stdev
from typing import TYPE_CHECKING, Any

from scipy import stats

from second_opinion.budgets import Budget, budget, checks_before_closing, conformity
from second_opinion.checks import Meter, meters, pooled_within, precision_limit
from second_opinion.events import Event, events
from second_opinion.lines import at_level, bias_line
from second_opinion.lots import Lot, capability, k_method, lots, met, support, verdict
from second_opinion.widening import widening

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from second_opinion.checks import Check
    from second_opinion.exports import Workspace

__all__ = ["Opinion", "differences"]

RELATIVE = 1e-9


class Opinion:
    """What the exports of a workspace say as of their last reading."""

    def __init__(self, workspace: Workspace, *, baselines: Collection[tuple[str, str]] = ()) -> None:
        self.workspace = workspace
        self.as_of = max(reading.at for reading in workspace.readings)
        self.meters = meters(workspace, baselines)
        self.lots = lots(workspace, self.meters.values())
        self.events = events(workspace, self.meters.values(), self.lots, self.as_of)

    def lot(self, name: str) -> dict[str, Any]:
        """Return what `lot --json` says, as far as it is recomputed here."""
        workspace, lot = self.workspace, self.lots[name]
        supported = support(workspace, lot, self.as_of)
        of_compared = conformity(workspace, lot)
        limits_met = met(workspace, lot, of_compared["guard_band"] or 0.0)
        if limits_met != "in" or lot.plan["conforms_by"] == "k_method":
            of_compared["false_acceptance_risk"] = None
        mean_of_all = budget(workspace, lot, len(lot.values))
        s, nu = lot.repeatability
        found = {
            "verdict": verdict(workspace, lot, limits_met, supported), "support": supported, "limits_met": limits_met,
            "readings": len(lot.values), "parts": len(lot.part_means), "spots": len(lot.spots), "mean": lot.mean,
            "standard_deviation": stdev(lot.part_means), "minimum": min(lot.part_means), "maximum": max(lot.part_means),
            "repeatability": s, "repeatability_degrees_of_freedom": nu, **capability(workspace, lot),
            "expanded_uncertainty": mean_of_all.expanded, "coverage_factor": mean_of_all.k,
            "conformity": of_compared,
            "budgets": {"reading": _budget(budget(workspace, lot, 1)), "lot_mean": _budget(mean_of_all)},
            "bias_at_level": {meter.name: self._bias_at_level(lot, meter) for meter in {m.name: m for m, _, _ in lot.readings}.values()},
        }  # fmt: skip
        if lot.plan["conforms_by"] == "k_method":
            found["plan"] = k_method(workspace, lot)
        return found

    def _bias_at_level(self, lot: Lot, meter: Meter) -> dict[str, Any]:
        line = bias_line(self.workspace, checks_before_closing(lot, meter)[0])
        nothing = dict.fromkeys(("bias", "standard_uncertainty", "degrees_of_freedom", "beyond"))
        return (
            nothing if line is None else at_level(line, fmean(one.value for of, _, one in lot.readings if of is meter))
        )

    def meter(self, name: str) -> dict[str, Any]:
        """Return what `meter --json` says, as far as it is recomputed here."""
        workspace, meter = self.workspace, self.meters[name]
        interval = timedelta(hours=workspace.settings["check_interval_hours"])
        last = _latest(meter)
        suspect = {
            lot
            for lot in self.lots
            if support(workspace, self.lots[lot], self.as_of) == "suspect" and self._read(lot, meter)
        }
        lines = {series[:2] for series, checks in last.items() if checks[-1].certificate is not None}
        return {
            "state": meter.state(interval, self.as_of), "checks": len(meter.checks), "runs": len(meter.runs),
            "last_run_at": _text(meter.runs[-1].at), "last_run_passed": meter.runs[-1].passed,
            "last_setting_at": _text(meter.stream[meter.settings[-1]].reading.at) if meter.settings else None, "suspect_lots": suspect,
            "series": set(last), "lines": lines,
            "blocks": {series: _block(workspace, meter, checks) for series, checks in last.items()},
            "signals": {(check.block, _text(check.at), rule) for check in meter.checks for rule in check.rejects},
            "precision_signals": {(check.block, _text(check.at)) for check in meter.checks if check.imprecise},
            "bias_lines": {line: _line(workspace, [c for s, cs in last.items() if s[:2] == line for c in cs]) for line in lines},
        }  # fmt: skip

    def _read(self, lot: str, meter: Meter) -> bool:
        return any(of is meter for of, _, _ in self.lots[lot].readings)

    def event(self, name: str) -> dict[str, Any]:
        """Return what `trace --event --json` says, as far as it is recomputed here."""
        event: Event = self.events[name]
        return {
            "event": f"{event.meter}/{event.fired_at.astimezone(self.workspace.zone):%Y-%m-%d}", "kind": event.kind, "meter": event.meter, "fired_at": _text(event.fired_at), "lots": set(event.lots.items()),
            "window_from": event.window_from and _text(event.window_from), "window_to": event.window_to and _text(event.window_to),
        }  # fmt: skip


def _budget(one: Budget) -> dict[str, Any]:
    return {
        "standard_uncertainty": one.u, "degrees_of_freedom": one.nu if math.isfinite(one.nu) else None, "coverage_factor": one.k,
        "expanded_uncertainty": one.expanded, "uncorrected_bias": one.bias,
        "contributions": {name: list(pair) for name, pair in one.contributions.items()}, "names": set(one.contributions),
    }  # fmt: skip


def _text(at: datetime) -> str:
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _latest(meter: Meter) -> dict[tuple[Any, ...], list[Check]]:
    """Return the checks of each probe, frequency and block since the last setting before its last check."""
    found: defaultdict[tuple[Any, ...], list[Check]] = defaultdict(list)
    for check in meter.checks:
        if found[check.series] and found[check.series][-1].phase != check.phase:
            found[check.series] = []
        found[check.series].append(check)
    return dict(found)


def _line(workspace: Workspace, checks: list[Check]) -> dict[str, Any] | None:
    last = max(check.phase for check in checks)
    return bias_line(workspace, [check for check in checks if check.phase == last])


def _block(workspace: Workspace, meter: Meter, checks: list[Check]) -> dict[str, Any]:
    """Return the figures of a block over the checks since the last setting, and the limits for the next one."""
    # the check that makes the baseline whole was itself judged by provisional limits
    n, means = workspace.settings["baseline_checks"], [check.mean for check in checks]
    biases = [check.bias for check in checks if check.bias is not None]
    within, nu = pooled_within(checks)
    whole = len(checks) >= n and not checks[-1].frozen
    frozen, centre, s = checks[-1].frozen or whole, checks[-1].centre, checks[-1].s
    if whole:
        centre, s = fmean(means), stdev(means) * widening(n, workspace.settings["reject_run_length"])
    precision = precision_limit(workspace, meter.name, checks, checks[-1].squares[1] + 1)
    days = [check.at.timestamp() / 86_400 for check in checks]
    found = {
        "checks": len(checks), "certified_value": checks[-1].certificate and checks[-1].certificate[0],
        "bias": fmean(biases) if biases else None, "last_bias": biases[-1] if biases else None,
        "standard_deviation": stdev(means) if len(means) > 1 else None,
        "within_standard_deviation": within, "within_degrees_of_freedom": float(nu), "precision_limit": precision,
        "centre": centre, "limits": [centre - 3 * s, centre + 3 * s], "warning_limits": [centre - 2 * s, centre + 2 * s],
        "limits_kind": "frozen" if frozen else "provisional",
    }  # fmt: skip
    if len(biases) > 2:
        line = stats.linregress([day - days[0] for day in days], biases)
        half = line.stderr * stats.t.ppf(0.975, len(days) - 2)
        found["drift"] = [30 * line.slope, 30 * (line.slope - half), 30 * (line.slope + half)]
    return found


def differences(ours: Any, theirs: Any, where: str, *, absolute: float = 1e-13) -> Iterator[str]:
    """Give what differs, with its place and both values: numbers by more than 1e-9 of the larger, all else by anything.

    `theirs` may hold more than `ours`; what lies within rounding of zero (`absolute`: a bias is a difference of values near 50) is zero.
    """
    if isinstance(ours, dict) and isinstance(theirs, dict):
        for key, value in ours.items():
            if key not in theirs:
                yield f"{where}, {key}: the second opinion says {value!r}, the product nothing"
            else:
                yield from differences(value, theirs[key], f"{where}, {key}", absolute=absolute)
    elif isinstance(ours, list) and isinstance(theirs, list) and len(ours) == len(theirs):
        for place, (one, other) in enumerate(zip(ours, theirs, strict=True)):
            yield from differences(one, other, f"{where}[{place}]", absolute=absolute)
    elif isinstance(ours, float) and isinstance(theirs, int | float):
        if abs(ours - theirs) > max(RELATIVE * max(abs(ours), abs(theirs)), absolute):
            yield f"{where}: the second opinion says {ours!r}, the product {theirs!r}"
    elif isinstance(ours, set) and isinstance(theirs, set) and ours != theirs:
        yield f"{where}: only the second opinion has {sorted(ours - theirs)}, only the product {sorted(theirs - ours)}"
    elif ours != theirs:
        yield f"{where}: the second opinion says {ours!r}, the product {theirs!r}"
