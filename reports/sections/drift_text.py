"""What is said of drift in sentences: main points of a meter, and what to do."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.markup import shorten
from reports.words import drift as say
from reports.words import general as words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.kit.numbers import Clock
    from schemas.drift import DriftSignal
    from schemas.results import MeterResult

__all__ = ["drift_steps", "hold_points", "open_signals"]


def open_signals(result: MeterResult) -> list[tuple[str, list[DriftSignal]]]:
    """Return the open drift signals without a disposition by block, the earliest first."""
    by_block: dict[str, list[DriftSignal]] = {}
    for signal in result.drift_signals:
        if signal.open and not signal.dispositions:
            by_block.setdefault(signal.block, []).append(signal)
    return list(by_block.items())


def _charts_of(signals: Sequence[DriftSignal]) -> str:
    return words.listed(sorted({say.CHART.get(signal.chart, signal.chart) for signal in signals}))


def hold_points(result: MeterResult) -> list[str]:
    """Say what one failed check would put on hold; nothing where that cannot be counted."""
    points: list[str] = []
    by_hours = {i.hours: i for i in result.check_intervals}
    if by_hours and 168.0 in by_hours:
        shortest = by_hours[min(by_hours)]
        points.append(
            say.POINT["hold"].format(
                now=words.counted(round(shortest.lots_median), "lot"), hours=f"{shortest.hours:g}", worst=shortest.lots_largest,
                week=words.counted(round(by_hours[168.0].lots_median), "lot"),
            )
        )  # fmt: skip
    return points


def drift_steps(result: MeterResult, clock: Clock) -> list[str]:
    """Return what to do about drift, the first thing first."""
    steps = []
    leaving = sorted(
        (d.leaves_tolerance_interval[0], d.leaves_tolerance_on, d.block)
        for d in result.drift
        if d.leaves_tolerance_on is not None and d.leaves_tolerance_interval is not None
    )
    if leaving:
        first_day, day, block = leaving[0]
        steps.append(
            say.STEP["leaves"].format(first=clock.day(first_day), day=clock.day(day), block=shorten(block, 40))
        )
    for block, signals in open_signals(result)[:2]:
        first = min(signals, key=lambda s: s.first_at)
        steps.append(
            say.STEP["signal"].format(
                block=shorten(block, 40), charts=_charts_of(signals), day=clock.day(first.first_at)
            )
        )
    return steps
