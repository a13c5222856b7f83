"""Checks of meters on blocks: runs, tolerance, limits of control, the multi-rule scheme, states."""

from __future__ import annotations

import math
from bisect import bisect
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import timedelta
from functools import cached_property
from itertools import groupby
from statistics import fmean, stdev
from typing import TYPE_CHECKING

from scipy import stats

from second_opinion.values import certified, valued
from second_opinion.widening import widening

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence
    from datetime import datetime

    from second_opinion.exports import Workspace
    from second_opinion.values import Valued

__all__ = ["Check", "Meter", "Run", "meters"]


@dataclass(kw_only=True, eq=False)
class Check:
    """Consecutive readings of one block by one meter and probe at one frequency.

    `phase` counts the readings of settings before it: equal phases have no setting between. `behind` counts the checks
    behind frozen limits.
    """

    readings: list[Valued]
    phase: int
    certificate: tuple[float, float] | None
    tolerance: float
    centre: float = math.nan
    s: float = math.nan
    frozen: bool = False
    behind: int = 0
    rejects: set[str] = field(default_factory=set)
    precision_limit: float | None = None

    @property
    def block(self) -> str:
        return self.readings[0].reading.block

    @property
    def series(self) -> tuple[str, float | None, str]:
        first = self.readings[0].reading
        return first.probe, first.frequency_khz, first.block

    @property
    def first_at(self) -> datetime:
        return self.readings[0].reading.at

    @property
    def at(self) -> datetime:
        return self.readings[-1].reading.at

    @cached_property
    def mean(self) -> float:
        counts = [one.reading.count for one in self.readings]
        return math.fsum(n * one.value for n, one in zip(counts, self.readings, strict=True)) / sum(counts)

    @cached_property
    def bias(self) -> float | None:
        return None if self.certificate is None else self.mean - self.certificate[0]

    @property
    def passes(self) -> bool | None:
        return None if self.bias is None else abs(self.bias) <= self.tolerance

    @property
    def z(self) -> float:
        return (self.mean - self.centre) / self.s

    @cached_property
    def squares(self) -> tuple[float, int]:
        """Sum of squares within the check and its degrees of freedom; exported means bring theirs."""
        exported = [(one.reading.count - 1, one.reading.standard_deviation) for one in self.readings]
        if any(s is not None for _, s in exported):
            return sum(n * (s or 0.0) ** 2 for n, s in exported), sum(n for n, _ in exported)
        return sum((one.value - self.mean) ** 2 for one in self.readings), len(self.readings) - 1

    @property
    def imprecise(self) -> bool:
        """Whether it scatters more within than its action limit allows."""
        square, nu = self.squares
        return self.precision_limit is not None and nu > 0 and math.sqrt(square / nu) > self.precision_limit


def pooled_within(checks: Iterable[Check]) -> tuple[float, int]:
    """Return the standard deviation within checks, and its degrees of freedom."""
    squares = [check.squares for check in checks]
    nu = sum(free for _, free in squares)
    return (math.sqrt(sum(square for square, _ in squares) / nu) if nu else math.nan), nu


def precision_limit(workspace: Workspace, meter: str, earlier: Sequence[Check], readings: int) -> float | None:
    """Return the action limit of the standard deviation within a check: F of it against the earlier ones (ISO 5725-6, 4.2).

    What the display rounds is no scatter of the meter: the limit is never less than that makes.
    """
    s, nu = pooled_within(check for check in earlier if not check.imprecise)
    if not nu or readings < 2:
        return None
    row = workspace.row("meters", meter)
    step = workspace.to_unit(float(row["resolution"]), row["unit"]) if row.get("resolution") else 0.0
    return max(s, step / math.sqrt(12.0)) * math.sqrt(
        stats.f.ppf(workspace.settings["precision_level"], readings - 1, nu)
    )


@dataclass(kw_only=True, eq=False)
class Run:
    """Checks of one meter with neither a part reading, a setting nor an action between, closer than the gap of runs."""

    checks: list[Check]
    place: int

    @property
    def first_at(self) -> datetime:
        return self.checks[0].first_at

    @property
    def at(self) -> datetime:
        return self.checks[-1].at

    @property
    def passed(self) -> bool | None:
        """None where no block had a certificate: control alone is no verdict."""
        told = [check.passes for check in self.checks if check.passes is not None]
        return all(told) if told else None

    @property
    def rejected(self) -> bool:
        return any(check.rejects for check in self.checks)

    @property
    def imprecise(self) -> bool:
        return any(check.imprecise for check in self.checks)


@dataclass(kw_only=True, eq=False)
class Meter:
    """All of one meter, in the order of its readings; places count them."""

    name: str
    stream: list[Valued]
    runs: list[Run]
    settings: list[int]

    @property
    def checks(self) -> list[Check]:
        return [check for run in self.runs for check in run.checks]

    def phase(self, place: int) -> int:
        """Return how many readings of settings come before a place."""
        return bisect(self.settings, place)

    def around(self, place: int) -> tuple[Run | None, Run | None]:
        """Return the last run before a place and the first one after it."""
        next_run = bisect([run.place for run in self.runs], place)
        return (self.runs[next_run - 1] if next_run else None), (
            self.runs[next_run] if next_run < len(self.runs) else None
        )

    def state(self, interval: timedelta, as_of: datetime) -> str:
        last = self.runs[-1] if self.runs else None
        if last is None or (last.passed is None and not last.rejected):
            return "not_assessed"
        if last.passed is False or last.rejected:
            return "suspended"
        return "overdue" if as_of - last.at > interval else "fit"


def meters(workspace: Workspace, baselines: Collection[tuple[str, str]] = ()) -> dict[str, Meter]:
    """Return every meter that read anything, its limits and signals found.

    `baselines` names meters and blocks for which somebody recorded all checks as baseline.
    """
    found = {}
    for name, readings in groupby(workspace.readings, key=lambda r: r.meter):
        stream = valued(workspace, readings)
        settings = [place for place, one in enumerate(stream) if one.reading.role == "setting"]
        runs = _runs(workspace, stream)
        _limits(workspace, name, runs, baselines)
        _signals(runs)
        found[name] = Meter(name=name, stream=stream, runs=runs, settings=settings)
    return found


def _tolerance(workspace: Workspace, block: str) -> float:
    own = workspace.settings["block_tolerance"].get(block, workspace.settings["tolerance"])
    return workspace.to_unit(float(own), workspace.settings["tolerance_unit"])


def _runs(workspace: Workspace, stream: list[Valued]) -> list[Run]:
    check_gap = timedelta(minutes=workspace.settings["check_gap_minutes"])
    run_gap = timedelta(minutes=workspace.settings["run_gap_minutes"])
    runs: list[Run] = []
    phase, together = 0, False
    for place, one in enumerate(stream):
        reading = one.reading
        if reading.role != "block":
            phase += reading.role == "setting"
            together = False
            continue
        gap = reading.at - runs[-1].at if runs else timedelta()
        if not together or gap >= run_gap:
            runs.append(Run(checks=[], place=place))
        last = runs[-1].checks[-1] if runs[-1].checks else None
        series = (reading.probe, reading.frequency_khz, reading.block)
        if last is None or last.series != series or gap >= check_gap:
            last = Check(
                readings=[], phase=phase, certificate=certified(workspace, reading.block, reading.at),
                tolerance=_tolerance(workspace, reading.block),
            )  # fmt: skip
            last.readings.append(one)
            runs[-1].checks.append(last)
        else:
            last.readings.append(one)
        together = True
    return runs


def _limits(workspace: Workspace, meter: str, runs: Iterable[Run], baselines: Collection[tuple[str, str]]) -> None:
    """Give each check the limits it was judged by: provisional until the baseline is whole, then frozen."""
    of_series: defaultdict[tuple[object, ...], list[Check]] = defaultdict(list)
    for run in runs:
        for check in run.checks:
            of_series[check.series, check.phase].append(check)
    n = workspace.settings["baseline_checks"]
    accuracy = float(workspace.row("meters", meter).get("accuracy_percent") or 0.0) / 100.0
    for checks in of_series.values():
        for number, check in enumerate(checks):
            check.precision_limit = precision_limit(workspace, meter, checks[:number], check.squares[1] + 1)
        named = (meter, checks[0].block) in baselines
        for number, check in enumerate(checks):
            if named or number >= n:
                means = [one.mean for one in (checks if named else checks[:n])]
                check.centre, check.frozen, check.behind = fmean(means), True, len(means)
                check.s = stdev(means) * widening(len(means), workspace.settings["reject_run_length"])
            elif check.certificate is not None:
                value, u = check.certificate
                check.centre, check.s = value, math.hypot(u, accuracy * value / math.sqrt(3))


ENOUGH_TO_REJECT = 10
"""Limits from fewer checks only warn, as provisional ones do."""
ALONG = {"1-3s": (1, 3.0), "2-2s": (2, 2.0), "4-1s": (4, 1.0)}
"""Rule: so many checks in a row beyond so many s on one side (Westgard, Barry, Hunt and Groth 1981); 10-x only warns."""


def _signals(runs: Iterable[Run]) -> None:
    history: defaultdict[tuple[object, ...], list[float]] = defaultdict(list)
    for run in runs:
        for check in run.checks:
            if check.behind < ENOUGH_TO_REJECT:
                continue
            series = history[check.series, check.phase]
            series.append(check.z)
            for rule, (count, beyond) in ALONG.items():
                last = series[-count:]
                if len(last) == count and (min(last) > beyond or max(last) < -beyond):
                    check.rejects.add(rule)
        beyond_two = [check for check in run.checks if check.behind >= ENOUGH_TO_REJECT and abs(check.z) > 2.0]
        for check in beyond_two:
            for other in beyond_two:
                if other.block != check.block:
                    check.rejects.add("2-2s-across" if check.z * other.z > 0 else "R-4s")
