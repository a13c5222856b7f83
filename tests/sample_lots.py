"""Lots for tests of the reports, with figures computed from their readings. Invented numbers."""

from __future__ import annotations

import math
import random
import statistics
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import polars as pl
from sample_texts import DAY, HOSTILE, provenance, text_or_hostile

from schemas.declare import UTC_TIME
from schemas.results import Contribution, LotPage, LotResult

if TYPE_CHECKING:
    from schemas.page import Decision

__all__ = ["PARTS", "SPOTS", "lot_page"]

TEXT, FLOAT, INTEGER, BOOLEAN = pl.String, pl.Float64, pl.Int64, pl.Boolean

READINGS: dict[str, Any] = {
    "source": TEXT, "line": INTEGER, "replicate": INTEGER, "measured_at": UTC_TIME, "clock": TEXT, "meter": TEXT, "probe": TEXT,
    "operator": TEXT, "part": TEXT, "spot": TEXT, "value": FLOAT, "unit": TEXT, "count": INTEGER, "standard_deviation": FLOAT,
    "temperature_c": FLOAT, "temperature_state": TEXT, "factor": FLOAT, "value_at_reference": FLOAT, "no_reference_reason": TEXT,
    "excluded": BOOLEAN, "conflict": BOOLEAN, "non_reading": TEXT,
}  # fmt: skip
PARTS: dict[str, Any] = {
    "part": TEXT, "order": INTEGER, "spots": INTEGER, "readings": INTEGER, "mean": FLOAT, "spot_standard_deviation": FLOAT,
}  # fmt: skip
SPOTS: dict[str, Any] = {
    "part": TEXT, "part_order": INTEGER, "spot": TEXT, "readings": INTEGER, "mean": FLOAT, "standard_deviation": FLOAT,
    "mean_in_limits_unit": FLOAT, "within": TEXT,
}  # fmt: skip
BRACKETS: dict[str, Any] = {
    "meter": TEXT, "first_at": UTC_TIME, "last_at": UTC_TIME, "readings": INTEGER, "before_at": UTC_TIME, "before_state": TEXT,
    "after_at": UTC_TIME, "after_state": TEXT, "support": TEXT,
}  # fmt: skip
BRACKET_CHECKS: dict[str, Any] = {
    "meter": TEXT, "block": TEXT, "at": UTC_TIME, "mean": FLOAT, "bias": FLOAT, "tolerance": FLOAT, "passes": BOOLEAN,
}  # fmt: skip

_SUPPORT_WORDS = {
    "supported": "checks that passed stand before and after",
    "open": "the closing check is missing",
    "suspect": "the first check after the readings failed",
    "unsupported": "no check stands before the readings",
}


SUPPORT_SAID = {
    "supported": "The checks support it", "open": "The checks do not support it yet", "suspect": "The checks make it suspect",
    "unsupported": "No checks support it",
}  # fmt: skip


def lot_page(
    lot: str = "L-1001",
    *,
    verdict: str = "accept",
    support: str = "supported",
    limits_met: str | None = "in",
    parts: int = 10,
    spots: int = 3,
    repeats: int = 3,
    level: float = 58.42,
    scatter: float = 0.14,
    lower: float | None = 57.5,
    upper: float | None = 59.5,
    limits_unit: str = "MS/m",
    shift: dict[tuple[int, int], float] | None = None,
    reasons: tuple[str, ...] | None = None,
    flags: tuple[str, ...] = (),
    dispositions: tuple[Decision, ...] = (),
    hostile: bool = False,
    seed: int = 7,
    meters: tuple[str, ...] = ("M1",),
) -> LotPage:
    """Return a lot read at 23 °C between two runs of checks, with figures computed from its readings."""
    rng = random.Random(seed)
    start = DAY + timedelta(hours=8, minutes=20)
    factor = 1.0113
    to_limits = 1.0 if limits_unit == "MS/m" else 100 / 58
    readings: list[dict[str, Any]] = []
    spot_rows: list[dict[str, Any]] = []
    part_rows: list[dict[str, Any]] = []
    moment = start
    for i in range(parts):
        part = text_or_hostile(hostile, f"P{i + 1:02d}", i)
        of_part = rng.gauss(0, scatter)
        spot_means = []
        for j in range(spots):
            spot = text_or_hostile(hostile, "ABCDEFGHIJ"[j % 10], i + j + 1)
            true = level + of_part + rng.gauss(0, scatter / 3) + (shift or {}).get((i, j), 0.0)
            values = []
            for k in range(repeats):
                moment += timedelta(seconds=9)
                value = round((true + rng.gauss(0, scatter / 4)) / factor, 2)
                at_reference = value * factor
                values.append(at_reference)
                readings.append(
                    {
                        "source": "0a" * 32 if not hostile else HOSTILE[0],
                        "line": len(readings) + 12,
                        "replicate": 1,
                        "measured_at": moment,
                        "clock": "known",
                        "meter": text_or_hostile(hostile, meters[i * len(meters) // parts], 1),
                        "probe": text_or_hostile(hostile, "PR-60", 2),
                        "operator": text_or_hostile(hostile, "AB", 4 + k),
                        "part": part,
                        "spot": spot,
                        "value": value,
                        "unit": "MS/m",
                        "count": None,
                        "standard_deviation": None,
                        "temperature_c": 23.0 + 0.1 * (i % 4),
                        "temperature_state": "at_metal",
                        "factor": factor,
                        "value_at_reference": at_reference,
                        "no_reference_reason": None,
                        "excluded": False,
                        "conflict": False,
                        "non_reading": None,
                    }
                )
            mean = statistics.fmean(values)
            spot_means.append(mean)
            in_limits = mean * to_limits
            outside = (lower is not None and in_limits < lower) or (upper is not None and in_limits > upper)
            within = None if lower is None and upper is None else "out" if outside else "in"
            if within == "in" and limits_met == "undecided" and j == 0 and i == 2:
                within = "undecided"
            spot_rows.append(
                {
                    "part": part,
                    "part_order": i + 1,
                    "spot": spot,
                    "readings": repeats,
                    "mean": mean,
                    "standard_deviation": statistics.stdev(values) if repeats > 1 else None,
                    "mean_in_limits_unit": in_limits,
                    "within": within,
                }
            )
        part_rows.append(
            {
                "part": part,
                "order": i + 1,
                "spots": spots,
                "readings": spots * repeats,
                "mean": statistics.fmean(spot_means),
                "spot_standard_deviation": statistics.stdev(spot_means) if spots > 1 else None,
            }
        )
    part_means = [row["mean"] for row in part_rows]
    brackets = _brackets(readings, support, hostile)
    result = _lot_result(
        lot, verdict, support, limits_met, part_means, readings, spot_rows, lower, upper, limits_unit, to_limits,
        reasons, flags, dispositions, hostile, tuple(sorted({row["meter"] for row in readings})),
    )  # fmt: skip
    return LotPage(
        result=result,
        readings=pl.DataFrame(readings, schema=READINGS),
        part_values=pl.DataFrame(part_rows, schema=PARTS),
        spot_values=pl.DataFrame(spot_rows, schema=SPOTS),
        brackets=brackets,
        checks=_bracket_checks(brackets),
        provenance=provenance(hostile=hostile),
    )


def _brackets(readings: list[dict[str, Any]], support: str, hostile: bool) -> pl.DataFrame:
    rows = []
    for place, meter in enumerate(dict.fromkeys(row["meter"] for row in readings)):
        times = [row["measured_at"] for row in readings if row["meter"] == meter]
        of_meter = support if place == 0 else "supported"
        rows.append(
            {
                "meter": meter,
                "first_at": min(times),
                "last_at": max(times),
                "readings": len(times),
                "before_at": None if of_meter == "unsupported" else DAY + timedelta(hours=8, minutes=2),
                "before_state": None if of_meter == "unsupported" else "passed",
                "after_at": None if of_meter == "open" else max(times) + timedelta(minutes=16),
                "after_state": None if of_meter == "open" else "failed" if of_meter == "suspect" else "passed",
                "support": of_meter,
            }
        )
    return pl.DataFrame(rows, schema=BRACKETS)


def _bracket_checks(brackets: pl.DataFrame) -> pl.DataFrame:
    rows = []
    for row in brackets.iter_rows(named=True):
        for side in ("before", "after"):
            if row[f"{side}_at"] is None:
                continue
            failed = row[f"{side}_state"] == "failed"
            for block, certified, bias in (("B1", 58.02, 0.04), ("B2", 31.44, 0.41 if failed else -0.02)):
                rows.append(
                    {
                        "meter": row["meter"],
                        "block": block,
                        "at": row[f"{side}_at"],
                        "mean": certified + bias,
                        "bias": bias,
                        "tolerance": 0.29,
                        "passes": abs(bias) <= 0.29,
                    }
                )
    return pl.DataFrame(rows, schema=BRACKET_CHECKS)


def _lot_result(
    lot: str, verdict: str, support: str, limits_met: str | None, part_means: list[float], readings: list[dict[str, Any]],
    spot_rows: list[dict[str, Any]], lower: float | None, upper: float | None, limits_unit: str, to_limits: float,
    reasons: tuple[str, ...] | None, flags: tuple[str, ...], dispositions: tuple[Decision, ...], hostile: bool,
    meters: tuple[str, ...],
) -> LotResult:  # fmt: skip
    n = len(part_means)
    mean = statistics.fmean(part_means) if n else None
    s = statistics.stdev(part_means) if n > 1 else None
    missing: dict[str, str] = {}
    repeats = [row["standard_deviation"] for row in spot_rows if row["standard_deviation"] is not None]
    repeatability = math.sqrt(statistics.fmean(r * r for r in repeats)) if repeats else None
    if s is None:
        missing["standard_deviation"] = "one part has no standard deviation" if n else "no part has a value"
    if repeatability is None:
        missing["repeatability"] = "no spot was read twice"
    low, high = (None if limit is None else limit / to_limits for limit in (lower, upper))
    index: dict[str, float | None] = {}
    for name in ("cp", "cpk", "pp", "ppk"):
        if low is None and high is None:
            missing[name] = "no limit is given"
        elif s is None:
            missing[name] = "one part has no standard deviation"
        elif s < 1e-9:
            missing[name] = "the standard deviation is zero: all part means are equal"
        elif (low is None or high is None) and name in ("cp", "pp"):
            missing[name] = "this index needs two limits; only one is given"
        else:
            sides = [limit for limit in (low, high) if limit is not None]
            index[name] = (
                (sides[1] - sides[0]) / (6 * s)
                if name in ("cp", "pp")
                else min(abs(mean - limit) for limit in sides) / (3 * s)
            )
    for name in ("mean", "minimum", "maximum", "within_standard_deviation"):
        if mean is None or (name == "within_standard_deviation" and s is None):
            missing[name] = "no part has a value" if mean is None else "one part has no standard deviation"
    contributions = (
        Contribution("repeatability of the readings", 0.011, 60.0, True, "pooled repeats of this lot"),
        Contribution("part to part variation", 0.044, 9.0, True, "standard deviation of part means of this lot"),
        Contribution(
            "certificate of the block", 0.1, None, False, "certificate C-1, expanded uncertainty 0.2 MS/m, k = 2"
        ),
        Contribution("reproducibility of checks", 0.035, 41.0, False, "check means on block B1 since the last setting"),
        Contribution("resolution of the display", 0.0029, None, False, "rectangular, 0.01 MS/m"),
        Contribution(
            "metal temperature",
            0.06,
            None,
            False,
            text_or_hostile(hostile, "sensor T-1, expanded uncertainty 0.5 °C, k = 2", 4),
        ),
        Contribution(
            "temperature coefficient", 0.021, None, False, "5 % of the correction (common practice, no source)"
        ),
    )
    if mean is None:
        contributions = ()
        missing["expanded_uncertainty"] = "no reading counts"
    given = f"{meters[0] if meters else 'M1'}: {_SUPPORT_WORDS[support]}"
    n_out = sum(1 for row in spot_rows if row["within"] == "out")
    limits = (
        f"{lower} to {upper} {limits_unit}" if lower and upper else f"at least {lower} {limits_unit}" if lower else ""
    )
    limits_sentence = (
        f"{n_out} of {len(spot_rows)} spot means lie outside {limits}."
        if n_out
        else f"All {len(spot_rows)} spot means lie within {limits}."
    )
    at = [row["measured_at"] for row in readings]
    interval = lambda name: None if index.get(name) is None else (index[name] * 0.55, index[name] * 1.44)  # type: ignore[operator]  # noqa: E731
    return LotResult(
        lot=lot,
        verdict=verdict,
        reasons=reasons
        if reasons is not None
        else _reasons(verdict, limits_sentence, f"{SUPPORT_SAID[support]}: {given}."),
        support=support,
        limits_met=limits_met,
        unit="MS/m",
        readings=len(readings),
        parts=n,
        spots=len(spot_rows),
        mean=mean,
        standard_deviation=s,
        minimum=min(part_means, default=None),
        maximum=max(part_means, default=None),
        repeatability=repeatability,
        repeatability_degrees_of_freedom=float(2 * len(repeats)) or None,
        within_standard_deviation=None if s is None else s * 0.93,
        within_estimator=None if s is None else "moving range",
        within_degrees_of_freedom=None if s is None else 5.6,
        cp=index.get("cp"),
        cp_interval=interval("cp"),
        cpk=index.get("cpk"),
        cpk_interval=interval("cpk"),
        pp=index.get("pp"),
        pp_interval=interval("pp"),
        ppk=index.get("ppk"),
        ppk_interval=interval("ppk"),
        not_computable=missing,
        expanded_uncertainty=None if mean is None else 0.27,
        coverage_factor=None if mean is None else 2.05,
        contributions=contributions,
        decision_rule=None if lower is None and upper is None else "simple",
        conforms_by=None if lower is None and upper is None else "spot",
        rounding=None if lower is None and upper is None else "half_even:1",
        specification=None if lower is None and upper is None else text_or_hostile(hostile, "S-58", 1),
        lower=low,
        upper=high,
        limits_unit=None if lower is None and upper is None else limits_unit,
        lower_as_written=lower,
        upper_as_written=upper,
        material=text_or_hostile(hostile, "copper", 0),
        supplier=text_or_hostile(hostile, "Mill A", 2),
        product=text_or_hostile(hostile, "bar 20 × 40", 5),
        reference_temperature_c=20.0,
        temperature_models=("one slope of resistivity, 6.81e-05 Ω·mm²/m per °C (source: example table)",) if n else (),
        meters=meters,
        first_at=min(at, default=None),
        last_at=max(at, default=None),
        flags=flags,
        dispositions=dispositions,
        as_of=DAY + timedelta(hours=16),
    )


def _reasons(verdict: str, limits: str, support: str) -> tuple[str, ...]:
    """Put the deciding reason first, as the computation does."""
    return (
        (support, limits)
        if verdict == "hold" and not support.startswith("The checks support it")
        else (limits, support)
    )
