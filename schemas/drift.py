"""What is said of a meter's drift beside its trend: drift charts, their signals, what a failed check would hold."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

    from schemas.page import Decision

__all__ = ["CheckInterval", "DriftChart", "DriftSignal"]


@dataclass(frozen=True, slots=True)
class DriftSignal:
    """A stretch of checks of one block at which a drift chart lies beyond its limit. It warns; it suspends no meter.

    `chart` is EWMA or CUSUM, `side` high or low, `largest` the farthest value (in standard deviations of check means),
    `limit` where it was beyond; `open` says that the last check still is.
    """

    chart: str
    block: str
    probe: str | None
    frequency_khz: float | None
    first_at: datetime
    last_at: datetime
    checks: int
    side: str
    largest: float
    limit: float
    open: bool
    dispositions: tuple[Decision, ...] = ()


@dataclass(frozen=True, slots=True)
class DriftChart:
    """How the drift charts of one series of checks are designed and where they stand, in standard deviations of check means.

    `run_length` is the number of checks in which each gives one false signal on average, `checks_behind_limits` counted in;
    `run_length_if_known` what the same charts would give with the factors for a known centre and standard deviation.
    """

    block: str
    probe: str | None
    frequency_khz: float | None
    checks: int
    reason: str | None = None  # why there is no chart yet
    checks_behind_limits: int | None = None
    run_length: float | None = None
    ewma_weight: float | None = None
    ewma_width: float | None = None
    ewma_limit: float | None = None
    ewma: float | None = None
    ewma_run_length_if_known: float | None = None
    cusum_reference_value: float | None = None
    cusum_interval: float | None = None
    cusum_high: float | None = None
    cusum_low: float | None = None
    cusum_run_length_if_known: float | None = None


@dataclass(frozen=True, slots=True)
class CheckInterval:
    """What one failed check would put on hold if the meter were checked every so many hours, by the meter's own history.

    Median and largest over `moments`, the ends of stretches of readings.
    """

    hours: float
    moments: int
    lots_median: float
    lots_largest: int
    readings_median: float
    readings_largest: int
