"""Components of variance over several lots, as `components --json` prints them. Typed, frozen, not rounded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

__all__ = ["AnovaComponent", "ComponentsOfLots", "LeftOutLot", "LevelComponents", "RemlComponent"]


@dataclass(frozen=True, slots=True, kw_only=True)
class AnovaComponent:
    """A component by analysis of variance; `raw` may be negative, `variance` is then zero. `interval` is of the variance, 95 %.

    `f_ratio` and `p_value` test whether the level varies at all; None for the innermost level.
    """

    degrees_of_freedom: float
    sum_of_squares: float | None
    mean_square: float | None
    raw: float | None
    variance: float | None
    standard_deviation: float | None
    share: float | None
    interval: tuple[float, float] | None
    f_ratio: float | None
    p_value: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RemlComponent:
    """The same by restricted maximum likelihood, tested by the likelihood ratio with and without it."""

    variance: float | None
    standard_deviation: float | None
    share: float | None
    likelihood_ratio: float | None
    p_value: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelComponents:
    """One level: lot, part, spot, reading. `reason` says why it has no component of its own; None where it has."""

    level: str
    groups: int
    anova: AnovaComponent
    reml: RemlComponent
    reason: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOutLot:
    """A lot that was asked for and does not count."""

    lot: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ComponentsOfLots:
    """Components of variance of nested readings of several lots, outermost level first, in the square of `unit`.

    `methods` names how each figure was had, by its key; `cautions` is what a reader must know of these lots.
    """

    lots: tuple[str, ...]
    left_out: tuple[LeftOutLot, ...]
    unit: str
    reference_temperature_c: float
    first_at: datetime | None
    last_at: datetime | None
    mean: float
    balanced: bool
    levels: tuple[LevelComponents, ...]
    methods: dict[str, str]
    cautions: tuple[str, ...]
