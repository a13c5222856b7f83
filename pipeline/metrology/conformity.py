"""Whether values conform to limits: rounding, simple and guarded acceptance.

Limits are decimal numbers written by people, values are binary floating point. 17.4 MS/m is exactly 30.0 %IACS, but in
binary arithmetic it comes out a little above, and 0.1 + 0.2 is not 0.3; such noise must not decide about a lot. So a
value is taken as the decimal number of 12 significant digits next to it. Conversions, corrections and means of readings
make errors in the sixteenth digit, and no meter, certificate or specification states more than six or seven; twelve
lies well away from both. The declared rounding is done once, in decimal, on that number.

A limit that is hit exactly is met.
"""

from __future__ import annotations

import decimal
import math
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

import polars as pl

__all__ = [
    "SIGNIFICANT_DIGITS",
    "Rounding",
    "as_decimal",
    "decide",
    "parse_rounding",
]

SIGNIFICANT_DIGITS: Final = 12
"""Significant digits of a value in a decision about limits."""

# values closer to a threshold than this, relatively, are compared as decimals; 12 digits move a value by 5e-12 at most
_NEAR: Final = 1e-10


@dataclass(frozen=True, slots=True)
class Rounding:
    """How a specification rounds before it compares. `decimals` is None for no rounding."""

    mode: str  # none | half_up | half_even
    decimals: int | None

    def __call__(self, value: Decimal) -> Decimal:
        """Return the rounded value; half_up sends a tie away from zero, half_even to the even digit."""
        if self.decimals is None:
            return value
        mode = decimal.ROUND_HALF_UP if self.mode == "half_up" else decimal.ROUND_HALF_EVEN
        return value.quantize(Decimal(1).scaleb(-self.decimals), rounding=mode)

    def __str__(self) -> str:
        return self.mode if self.decimals is None else f"{self.mode}:{self.decimals}"


def parse_rounding(text: str | None) -> Rounding:
    """Read a rounding rule.

    Parameters
    ----------
    text
        ``none``, ``half_up:N`` or ``half_even:N`` with N decimals from 0 to 9; None or empty means none.

    Raises
    ------
    ValueError
        If the text is none of these.

    Notes
    -----
    half_even is rule A and half_up rule B of ISO 80000-1:2009, annex B (from memory).
    """
    rule = (text or "").strip()
    if rule in ("", "none"):
        return Rounding("none", None)
    mode, _, decimals = rule.partition(":")
    if mode in ("half_up", "half_even") and len(decimals) == 1 and decimals in "0123456789":
        return Rounding(mode, int(decimals))
    raise ValueError(f"rounding {text!r}: expected none, half_up:N or half_even:N with N decimals from 0 to 9")


def as_decimal(value: float) -> Decimal:
    """Return the decimal number of 12 significant digits next to a value.

    Raises
    ------
    ValueError
        If the value is not finite.
    """
    if not math.isfinite(value):
        raise ValueError(f"{value!r} is no number that can be compared with a limit")
    return Decimal(f"{value:.{SIGNIFICANT_DIGITS - 1}e}")


def _threshold(limit: Decimal, rounding: Rounding, *, lower: bool) -> tuple[Decimal, bool]:
    """Return the smallest (or largest) unrounded value that still meets a limit, and whether it meets it itself.

    Rounding never reverses an order, so "rounded value meets the limit" is "value is not beyond a threshold": half a
    step outside the last multiple of the step that meets the limit.
    """
    if rounding.decimals is None:
        return limit, True
    step = Decimal(1).scaleb(-rounding.decimals)
    if lower:
        threshold = limit.quantize(step, rounding=decimal.ROUND_CEILING) - step / 2
        return threshold, rounding(threshold) >= limit
    threshold = limit.quantize(step, rounding=decimal.ROUND_FLOOR) + step / 2
    return threshold, rounding(threshold) <= limit


def _meets(values: pl.Series, limits: pl.Series, guards: pl.Series, roundings: pl.Series, *, lower: bool) -> pl.Series:
    """Return whether values, after rounding, meet one limit moved inwards by a guard; null where the limit is.

    The threshold of each distinct (limit, guard, rounding) is found once in decimal. A value is compared with it in
    binary unless it is so close that the twelfth digit could matter; then both are decimals.
    """
    if limits.null_count() == limits.len():  # one-sided limits are the usual ones
        return pl.repeat(None, limits.len(), dtype=pl.Boolean, eager=True).alias("meets")
    frame = pl.DataFrame({"value": values, "limit": limits, "guard": guards, "rounding": roundings})
    rules = frame.select("limit", "guard", "rounding").unique()
    exact: dict[int, tuple[Decimal, bool]] = {}
    for number, (limit, guard, rounding) in enumerate(rules.iter_rows()):
        if limit is not None and guard is not None and math.isfinite(limit) and math.isfinite(guard):
            moved = as_decimal(limit) + as_decimal(guard if lower else -guard)
            exact[number] = _threshold(moved, parse_rounding(rounding), lower=lower)
    rules = rules.with_columns(
        rule=pl.int_range(pl.len()),
        threshold=pl.Series(
            [float(exact[number][0]) if number in exact else None for number in range(rules.height)], dtype=pl.Float64
        ),
    )
    frame = frame.join(
        rules, on=["limit", "guard", "rounding"], how="left", nulls_equal=True, maintain_order="left"
    ).with_columns(
        meets=(pl.col("value") > pl.col("threshold")) if lower else (pl.col("value") < pl.col("threshold")),
        near=(pl.col("value") - pl.col("threshold")).abs() <= _NEAR * pl.col("threshold").abs(),
    )
    close = frame.filter(pl.col("near")).select("value", "rule").unique()
    if not close.height:
        return frame["meets"]
    decided = []
    for value, rule in close.iter_rows():
        threshold, included = exact[rule]
        shown = as_decimal(value)
        decided.append(included if shown == threshold else (shown > threshold) == lower)
    close = close.with_columns(exactly=pl.Series(decided, dtype=pl.Boolean))
    return (
        frame.join(close, on=["value", "rule"], how="left", maintain_order="left")
        .select(pl.coalesce("exactly", "meets").alias("meets"))
        .to_series()
    )


def _inside(values: pl.Series, lower: pl.Series, upper: pl.Series, rounding: pl.Series, guard: pl.Series) -> pl.Series:
    values = values.cast(pl.Float64)
    values = pl.select(pl.when(values.is_finite()).then(values)).to_series()
    rounding = rounding.cast(pl.String)
    above = _meets(values, lower.cast(pl.Float64), guard, rounding, lower=True)
    below = _meets(values, upper.cast(pl.Float64), guard, rounding, lower=False)
    # null means no limit on this side only if the limit is null; a guard that is not known decides nothing
    known = values.is_not_null() & ~(lower.is_null() & upper.is_null()) & guard.is_finite()
    for limit in (lower, upper):
        known &= limit.is_null() | limit.cast(pl.Float64).is_finite()
    return pl.select(pl.when(known).then(above.fill_null(value=True) & below.fill_null(value=True))).to_series()


def decide(
    values: pl.Series,
    lower: pl.Series,
    upper: pl.Series,
    rounding: pl.Series,
    *,
    rule: pl.Series,
    expanded_uncertainty: pl.Series,
) -> pl.Series:
    """Decide for each value: in, out or undecided.

    Parameters
    ----------
    values, lower, upper, rounding
        As for :func:`within`.
    rule
        ``simple`` or ``guarded`` for each value; null means simple.
    expanded_uncertainty
        Expanded uncertainty U of each value in the specification's unit, shape (n,); used by the guarded rule only.

    Returns
    -------
    polars.Series
        Text, shape (n,). simple: ``in`` or ``out``. guarded, with the guard band w = U: ``in`` inside the limits
        reduced by U, ``out`` beyond the limits widened by U, else ``undecided``. Null where there is no finite value, no
        limit, or a guarded rule without a known, finite U: nothing can be said then.

    Raises
    ------
    ValueError
        If a rule or a rounding is unknown.

    Notes
    -----
    ISO 14253-1:2017, 5.2 and 5.3, and JCGM 106:2012, 8.3.2 (clauses from memory). The value is rounded as the
    specification says, then compared with the moved limits; values exactly on a moved limit are in, and undecided on the
    widened one.
    """
    rule = rule.fill_null("simple")
    unknown = sorted(set(rule.unique().to_list()) - {"simple", "guarded"})
    if unknown:
        raise ValueError(f"decision rule {unknown[0]!r}: expected simple or guarded")
    guarded = rule == "guarded"
    width = expanded_uncertainty.cast(pl.Float64)
    # a width that is unknown, not finite or below 0 is none, and decides nothing
    guard = pl.select(
        pl.when(~guarded).then(pl.lit(0.0)).when(width.is_finite() & (width >= 0)).then(width)
    ).to_series()
    inside = _inside(values, lower, upper, rounding, guard)
    possible = _inside(values, lower, upper, rounding, -guard) if guarded.any() else inside
    return (
        pl.select(
            pl.when(inside)
            .then(pl.lit("in"))
            .when(~possible)
            .then(pl.lit("out"))
            .when(possible)
            .then(pl.lit("undecided"))
        )
        .to_series()
        .alias("decision")
    )
