"""Pages for tests of the reports: realistic ones and the worst that files and people can bring. Invented numbers."""

from __future__ import annotations

import dataclasses
import math
import random
import statistics
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl

from schemas.declare import UTC_TIME
from schemas.results import (
    BlockSummary,
    Contribution,
    Decision,
    Drift,
    IndexPage,
    LotPage,
    LotResult,
    MeterPage,
    MeterResult,
    Provenance,
    Signal,
)

__all__ = ["DAY", "HOSTILE", "index_page", "lot_page", "lot_pages", "meter_page", "meter_pages", "permuted", "provenance"]

DAY = datetime(2026, 3, 2, tzinfo=UTC)

HOSTILE = (
    "</script><script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "' onmouseover='alert(1)",
    "</style><style>*{display:none}</style>",
    "--></title><svg onload=alert(1)>",
    "javascript:alert(1)",
    "../../etc/passwd",
    "{{7*7}} ${7*7} datum.value @x_low",
    "a\u202egnp.exe\u202c\u0000\u0007\u001b[31m\x7f\x85",
    "bell\r\nnew line\ttab\u2028",
    "\u200b\ufeff\u2066isolate",
    "lone \ud800 surrogate",
    "😀🧪 temper é ü ﷽",
    "=HYPERLINK(\"http://example.invalid\")",
    "&lt;b&gt; &amp; &#x3c;",
    "x" * 10_000,
    "CON",
    "",
    " ",
)  # fmt: skip

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
CHECKS: dict[str, Any] = {
    "block": TEXT, "probe": TEXT, "frequency_khz": FLOAT, "phase": UTC_TIME, "run": INTEGER, "at": UTC_TIME, "readings": INTEGER,
    "mean": FLOAT, "within_standard_deviation": FLOAT, "temperature_c": FLOAT, "certified_value": FLOAT, "bias": FLOAT,
    "tolerance": FLOAT, "passes": BOOLEAN, "centre": FLOAT, "limit_standard_deviation": FLOAT, "limits_kind": TEXT, "z": FLOAT,
    "warning": BOOLEAN, "rejects": TEXT,
}  # fmt: skip
SETTINGS: dict[str, Any] = {"at": UTC_TIME, "kind": TEXT, "by": TEXT, "why": TEXT}
LOTS: dict[str, Any] = {
    "lot": TEXT, "readings": INTEGER, "first_at": UTC_TIME, "last_at": UTC_TIME, "support": TEXT, "verdict": TEXT,
}  # fmt: skip
FILES: dict[str, Any] = {"name": TEXT, "sha256": TEXT, "layout": TEXT, "layout_version": INTEGER, "readings": INTEGER}

_SUPPORT_WORDS = {
    "supported": "checks that passed stand before and after",
    "open": "the closing check is missing",
    "suspect": "the first check after the readings failed",
    "unsupported": "no check stands before the readings",
}


def permuted(page: Any, seed: int) -> Any:
    """Return the page with the rows of every frame in another order."""
    changed: dict[str, Any] = {}
    for f in dataclasses.fields(page):
        value = getattr(page, f.name)
        if isinstance(value, pl.DataFrame):
            changed[f.name] = value.sample(fraction=1.0, shuffle=True, seed=seed) if value.height else value
        elif isinstance(value, Provenance):
            changed[f.name] = permuted(value, seed)
    return dataclasses.replace(page, **changed)


def provenance(*, hostile: bool = False, files: int = 2, as_of: datetime | None = None, zone: str = "Europe/Oslo") -> Provenance:
    rows = [
        {
            "name": _texts(hostile, "", i) if hostile else f"bench-{i + 1}-2026-03-02.csv",
            "sha256": f"{i + 10:02x}" * 32,
            "layout": HOSTILE[3] if hostile else "neutral",
            "layout_version": 1,
            "readings": 90,
        }
        for i in range(files)
    ]
    return Provenance(
        software_version="annealog 0.1.0",
        workspace=HOSTILE[0] if hostile else "Example bench",
        as_of=as_of or DAY + timedelta(hours=16),
        zone=zone,
        unit="MS/m",
        reference_temperature_c=20.0,
        files=pl.DataFrame(rows, schema=FILES),
        data_sha256="3fa2" * 16,
    )


def _texts(hostile: bool, plain: str, place: int) -> str:
    # a frame cannot hold an unpaired surrogate; ids, reasons and decisions can
    return HOSTILE[place % len(HOSTILE)].encode("utf-8", "replace").decode() if hostile else plain


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
        part = _texts(hostile, f"P{i + 1:02d}", i)
        of_part = rng.gauss(0, scatter)
        spot_means = []
        for j in range(spots):
            spot = _texts(hostile, "ABCDEFGHIJ"[j % 10], i + j + 1)
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
                        "meter": _texts(hostile, meters[i * len(meters) // parts], 1),
                        "probe": _texts(hostile, "PR-60", 2),
                        "operator": _texts(hostile, "AB", 4 + k),
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
                (sides[1] - sides[0]) / (6 * s) if name in ("cp", "pp") else min(abs(mean - limit) for limit in sides) / (3 * s)
            )
    for name in ("mean", "minimum", "maximum", "within_standard_deviation"):
        if mean is None or (name == "within_standard_deviation" and s is None):
            missing[name] = "no part has a value" if mean is None else "one part has no standard deviation"
    contributions = (
        Contribution("repeatability of the readings", 0.011, 60.0, True, "pooled repeats of this lot"),
        Contribution("part to part variation", 0.044, 9.0, True, "standard deviation of part means of this lot"),
        Contribution("certificate of the block", 0.1, None, False, "certificate C-1, expanded uncertainty 0.2 MS/m, k = 2"),
        Contribution("reproducibility of checks", 0.035, 41.0, False, "check means on block B1 since the last setting"),
        Contribution("resolution of the display", 0.0029, None, False, "rectangular, 0.01 MS/m"),
        Contribution("metal temperature", 0.06, None, False, _texts(hostile, "sensor T-1, expanded uncertainty 0.5 °C, k = 2", 4)),
        Contribution("temperature coefficient", 0.021, None, False, "5 % of the correction (common practice, no source)"),
    )
    if mean is None:
        contributions = ()
        missing["expanded_uncertainty"] = "no reading counts"
    given = f"{meters[0] if meters else 'M1'}: {_SUPPORT_WORDS[support]}"
    n_out = sum(1 for row in spot_rows if row["within"] == "out")
    limits_sentence = (
        f"{n_out} of {len(spot_rows)} spot means lie outside {lower} to {upper} {limits_unit}."
        if n_out
        else f"All {len(spot_rows)} spot means lie within {lower} to {upper} {limits_unit}."
    )
    at = [row["measured_at"] for row in readings]
    interval = lambda name: None if index.get(name) is None else (index[name] * 0.55, index[name] * 1.44)  # type: ignore[operator]  # noqa: E731
    return LotResult(
        lot=lot,
        verdict=verdict,
        reasons=reasons if reasons is not None else _reasons(verdict, limits_sentence, f"Support is {support}: {given}."),
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
        specification=None if lower is None and upper is None else _texts(hostile, "S-58", 1),
        lower=low,
        upper=high,
        limits_unit=None if lower is None and upper is None else limits_unit,
        lower_as_written=lower,
        upper_as_written=upper,
        material=_texts(hostile, "copper", 0),
        supplier=_texts(hostile, "Mill A", 2),
        product=_texts(hostile, "bar 20 × 40", 5),
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
    return (support, limits) if verdict == "hold" and not support.startswith("Support is supported") else (limits, support)


SOFT = (
    "spots_differ_within_parts: spots of one part differ more than repeats on one spot (F = 9.812, p = 2.1e-08); "
    "look for soft spots"
)


def lot_pages() -> dict[str, LotPage]:
    """Return lots by the case they stand for."""
    looked = Decision(DAY + timedelta(hours=15), "N. Berg", "measured again", "meter set and checked, lot to be read again")
    empty = lot_page("L-EMPTY", verdict="not_assessed", support="unsupported", limits_met=None, parts=0,
                     reasons=("No reading of this lot was loaded.",))  # fmt: skip
    out = {(6, 1): -1.3, (6, 2): -0.9}
    pages = {
        "accept": lot_page("L-1001"),
        "hold_open": lot_page("L-1002", verdict="hold", support="open", seed=3),
        "hold_suspect": lot_page("L-1003", verdict="hold", support="suspect", seed=4, dispositions=(looked,), meters=("M1", "M2")),
        "hold_unsupported_out": lot_page("L-1004", verdict="hold", support="unsupported", limits_met="out", shift=out, flags=(SOFT,)),
        "hold_undecided": lot_page("L-1005", verdict="hold", limits_met="undecided", seed=6),
        "hold_conflict": lot_page(
            "L-1006", verdict="hold", seed=8, flags=("conflicting_reexport: 2 reading(s) contradict an earlier export",),
            reasons=("1 reading(s) were exported again with another content; a person must decide which one holds.",),
        ),
        "hold_hardness": lot_page(
            "L-1007", verdict="hold", reasons=("The specification asks for a hardness result, and there is none.",)
        ),
        "reject": lot_page("L-1008", verdict="reject", limits_met="out", shift=out, flags=(SOFT,)),
        "no_limits": lot_page(
            "L-1009", verdict="not_assessed", limits_met=None, lower=None, upper=None,
            reasons=("The lot does not stand in reference/lots.csv, so no limits are known.",),
        ),
        "one_reading": lot_page(
            "L-1010", verdict="not_assessed", limits_met=None, parts=1, spots=1, repeats=1,
            reasons=("1 of 5 parts of the plan were read.",),
        ),
        "all_equal": lot_page("L-1011", scatter=0.0),
        "one_sided": lot_page("L-1012", lower=100.0, upper=None, limits_unit="%IACS"),
        "empty": dataclasses.replace(
            empty, readings=pl.DataFrame(), part_values=pl.DataFrame(), spot_values=pl.DataFrame(), brackets=pl.DataFrame(),
            checks=pl.DataFrame(), provenance=provenance(files=0),
        ),
        "many": lot_page("L-1013", parts=160, spots=6, repeats=1, shift={(80, 2): -2.4, (159, 5): 2.0}, verdict="reject", limits_met="out"),
        "hostile": lot_page(
            HOSTILE[0], verdict="hold", support="suspect", hostile=True, parts=len(HOSTILE), reasons=HOSTILE, flags=HOSTILE,
            dispositions=tuple(Decision(DAY, text, text, text) for text in HOSTILE), shift={(3, 1): -1.5},
        ),
    }  # fmt: skip
    lacking = pages["one_reading"]
    no_value = pl.col("line") == 12
    pages["without_temperature"] = dataclasses.replace(
        lacking,
        result=dataclasses.replace(
            lacking.result, lot="L-1014", reasons=("1 reading(s) have no value at the reference temperature: no metal temperature.",),
            mean=None, minimum=None, maximum=None, expanded_uncertainty=None, contributions=(),
            not_computable={name: "no part has a value at the reference temperature" for name in (*lacking.result.not_computable, "mean")},
        ),
        readings=lacking.readings.with_columns(
            pl.when(no_value).then(pl.lit("no metal temperature")).otherwise("no_reference_reason").alias("no_reference_reason"),
            pl.when(no_value).then(None).otherwise("value_at_reference").alias("value_at_reference"),
        ),
        part_values=pl.DataFrame(schema=PARTS), spot_values=pl.DataFrame(schema=SPOTS),
    )  # fmt: skip
    return pages


def meter_page(
    meter: str = "M1",
    *,
    state: str = "fit",
    checks: int = 46,
    drift_per_check: float = 0.0,
    late_shift: float = 0.0,
    reasons: tuple[str, ...] | None = None,
    hostile: bool = False,
    certified: bool = True,
    seed: int = 5,
    blocks: int = 2,
    days_apart: float = 0.75,
) -> MeterPage:
    """Return a meter with checks on some blocks, a setting after the tenth, frozen limits after twenty more."""
    rng = random.Random(seed)
    names = [_texts(hostile, f"B{i + 1}", i) for i in range(blocks)]
    levels = [58.02, 31.44, 16.9, 8.1][:blocks]
    first = DAY - timedelta(days=days_apart * checks)
    setting = first + timedelta(days=days_apart * 10 - 0.1)
    rows: list[dict[str, Any]] = []
    summaries, drifts, signals = [], [], []
    s, tolerance = 0.05, 0.29
    for name, level in zip(names, levels, strict=True):
        recent: list[float] = []
        for i in range(checks):
            at = first + timedelta(days=days_apart * i, minutes=3 if name == names[0] else 8)
            frozen = i >= 30
            bias = rng.gauss(0.01, s) + drift_per_check * max(i - 10, 0) + (late_shift if i >= checks - 4 else 0.0)
            centre = level + 0.012 if frozen else level
            spread = s if frozen else 0.11
            z = bias / spread if certified or frozen else None
            rejects = " ".join(
                [rule for rule, hit in (("1-3s", z is not None and abs(z) > 3), ("2-2s", bool(recent) and z is not None and z > 2 and recent[-1] > 2)) if hit]
            )
            recent.append(z or 0.0)
            rows.append(
                {
                    "block": name, "probe": _texts(hostile, "PR-60", 2), "frequency_khz": 60.0, "phase": setting if at > setting else None,
                    "run": i, "at": at, "readings": 5, "mean": level + bias, "within_standard_deviation": abs(rng.gauss(0.02, 0.007)),
                    "temperature_c": 21.5, "certified_value": level if certified else None, "bias": bias if certified else None,
                    "tolerance": tolerance if certified else None, "passes": (abs(bias) <= tolerance) if certified else None,
                    "centre": centre if certified or frozen else None, "limit_standard_deviation": spread if certified or frozen else None,
                    "limits_kind": "frozen" if frozen else "provisional", "z": z, "warning": z is not None and abs(z) > 2, "rejects": rejects,
                }
            )  # fmt: skip
            decided = (Decision(at + timedelta(hours=1), "N. Berg", "probe cleaned", "dust on the probe; checked again"),)
            signals += [Signal(rule, name, at, z or 0.0, True, rows[-1]["limits_kind"], decided if i < checks - 2 else ()) for rule in rejects.split()]
        of_block = [row for row in rows if row["block"] == name and row["phase"] is not None]
        biases = [row["bias"] for row in of_block if row["bias"] is not None]
        missing = {} if certified else {"bias": "the block has no certificate", "last_bias": "the block has no certificate"}
        if not of_block:
            missing["limits"] = "no certificate, and 3 of the 20 checks that freeze a baseline"
        summaries.append(
            BlockSummary(
                block=name, probe=_texts(hostile, "PR-60", 2), frequency_khz=60.0, unit="MS/m", checks=len(of_block),
                certified_value=level if certified else None, tolerance=tolerance if certified else None,
                bias=statistics.fmean(biases) if biases else None, last_bias=biases[-1] if biases else None,
                standard_deviation=statistics.stdev(biases) if len(biases) > 1 else None, within_standard_deviation=0.021,
                within_degrees_of_freedom=144.0, precision_limit=0.034, centre=level + 0.012,
                limits=(level - 3 * s, level + 3 * s), warning_limits=(level - 2 * s, level + 2 * s),
                limits_kind="frozen" if checks > 30 else "provisional", baseline_checks=20 if checks > 30 else 0, not_computable=missing,
            )
        )  # fmt: skip
        leaving = drift_per_check > 0
        drifts.append(
            Drift(
                name, 0.11 if leaving else 0.004, (0.08, 0.14) if leaving else (-0.02, 0.03),
                DAY + timedelta(days=41) if leaving else None, len(of_block), None if leaving else "the interval of the slope includes zero",
            )
        )  # fmt: skip
    suspect = ("L-1003", _texts(hostile, "l-1003", 0)) if state == "suspended" else ()
    lots = [
        {
            "lot": _texts(hostile, f"L-{1000 + i}", i), "readings": 90, "first_at": DAY + timedelta(hours=i), "last_at": DAY + timedelta(hours=i, minutes=20),
            "support": "suspect" if state == "suspended" and i == 3 else "supported", "verdict": "hold" if state == "suspended" and i == 3 else "accept",
        }
        for i in range(1, 6)
    ]  # fmt: skip
    default = {
        "fit": ("The last run of checks passed.",),
        "suspended": ("1 of 2 checks in the last run exceed the tolerance.", "The meter is suspended until a later run passes."),
        "overdue": ("The last run of checks is more than 8 h old. It passed; check before use.",),
        "not_assessed": ("No check on a certified block, so nothing is known of this meter.",),
    }
    frame = pl.DataFrame(rows, schema=CHECKS)
    result = MeterResult(
        meter=meter, state=state, reasons=reasons if reasons is not None else default[state], unit="MS/m", checks=len(rows),
        runs=checks, last_run_at=frame["at"].max() if rows else None, last_run_passed=state != "suspended" if rows else None,
        last_setting_at=setting if rows else None, blocks=tuple(summaries) if rows else (), signals=tuple(signals),
        warnings=int(frame["warning"].sum() or 0), drift=tuple(drifts) if rows else (), suspect_lots=suspect if rows else (),
        flags=HOSTILE if hostile else (), as_of=DAY + timedelta(hours=16),
    )  # fmt: skip
    settings = [{"at": setting, "kind": "recorded", "by": _texts(hostile, "N. Berg", 1), "why": _texts(hostile, "after repair of the probe", 3)}]
    return MeterPage(
        result=result,
        checks=frame,
        settings=pl.DataFrame(settings if rows else [], schema=SETTINGS),
        lots=pl.DataFrame(lots, schema=LOTS),
        provenance=provenance(hostile=hostile),
    )


def meter_pages() -> dict[str, MeterPage]:
    """Return meters by the case they stand for."""
    return {
        "fit": meter_page(),
        "suspended": meter_page("M2", state="suspended", late_shift=0.3, seed=9),
        "drifting": meter_page("M3", state="fit", drift_per_check=0.004, seed=11),
        "overdue": meter_page("M4", state="overdue", checks=14),
        "calibration_due": meter_page("M5", state="overdue", reasons=("The meter's calibration was due on 2026-02-01.",)),
        "uncertified": meter_page("M6", state="not_assessed", certified=False, checks=12, blocks=1),
        "without_checks": meter_page("M7", state="not_assessed", checks=0, blocks=0),
        "many": meter_page("M8", checks=900, blocks=1, days_apart=0.25),
        "hostile": meter_page(HOSTILE[1], state="suspended", hostile=True, late_shift=0.3, blocks=2),
    }


def index_page(*, hostile: bool = False, lots: int = 0, quiet: bool = False) -> IndexPage:
    """Return the list of the lots and meters above, or of many lots."""
    from reports import address

    found = [page.result for name, page in lot_pages().items() if hostile or name != "hostile"]
    meters = [page.result for name, page in meter_pages().items() if hostile or name != "hostile"]
    if quiet:
        found = [result for result in found if result.verdict == "accept"]
        meters = [result for result in meters if result.state == "fit" and not result.drift[0].leaves_tolerance_on]
    if lots:
        found = [
            dataclasses.replace(found[0], lot=f"L-{2000 + i}", verdict=("accept", "accept", "hold", "accept", "not_assessed")[i % 5])
            for i in range(lots)
        ]
    return IndexPage(
        lots=tuple(found),
        meters=tuple(meters),
        lot_addresses={result.lot: address("lot", result.lot) for result in found},
        meter_addresses={result.meter: address("meter", result.meter) for result in meters},
        files_held=HOSTILE if hostile else () if quiet else ("inbox/bench-9.csv: no layout matches its header",),
        quarantined=0 if quiet else 3,
        provenance=provenance(hostile=hostile),
        notes=HOSTILE if hostile else (),
    )
