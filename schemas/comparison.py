"""Several meters on one block held against one another (ISO 5725-2, ISO 13528). Typed, frozen, not rounded."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["ComparedMeter", "MeterComparison"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedMeter:
    """One meter among the others: `z` and `percent_difference` from the robust mean, Mandel's `h` and `k`.

    `k_limit` and `cochran_limit` hold for its own number of checks; None where there is none (one check, no scatter).
    """

    meter: str
    checks: int
    mean: float
    percent_difference: float | None
    z: float | None
    h: float | None
    k: float | None
    k_limit: float | None
    cochran: float | None
    cochran_limit: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterComparison:
    """The meters of one block together; figures are None with the reason under their key in `not_computable`.

    `robust_mean` and `robust_standard_deviation` are those of Algorithm A (ISO 13528); limits are at 1 % (ISO 5725-2).
    """

    block: str
    meters: tuple[ComparedMeter, ...]
    robust_mean: float | None
    robust_standard_deviation: float | None
    h_limit: float | None
    not_computable: dict[str, str]
