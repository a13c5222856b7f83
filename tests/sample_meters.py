"""Meters for tests of the reports. Invented numbers."""

from __future__ import annotations

import random
import statistics
from datetime import timedelta
from typing import Any

import polars as pl
from sample_texts import DAY, HOSTILE, provenance, text_or_hostile

from schemas.declare import UTC_TIME
from schemas.drift import CheckInterval, DriftChart, DriftSignal
from schemas.look_back import EventGlance
from schemas.page import Decision
from schemas.results import BlockSummary, Drift, MeterPage, MeterResult, PrecisionSignal, Signal

__all__ = ["meter_page", "meter_pages"]

TEXT, FLOAT, INTEGER, BOOLEAN = pl.String, pl.Float64, pl.Int64, pl.Boolean

CHECKS: dict[str, Any] = {
    "block": TEXT, "probe": TEXT, "frequency_khz": FLOAT, "phase": UTC_TIME, "run": INTEGER, "at": UTC_TIME, "readings": INTEGER,
    "mean": FLOAT, "within_standard_deviation": FLOAT, "precision_limit": FLOAT, "imprecise": pl.Boolean, "temperature_c": FLOAT, "certified_value": FLOAT, "bias": FLOAT,
    "tolerance": FLOAT, "passes": BOOLEAN, "centre": FLOAT, "limit_standard_deviation": FLOAT, "limits_kind": TEXT, "z": FLOAT,
    "warning": BOOLEAN, "rejects": TEXT, "ewma": FLOAT, "ewma_limit": FLOAT, "cusum_high": FLOAT, "cusum_low": FLOAT,
    "cusum_limit": FLOAT, "drift": TEXT,
}  # fmt: skip
SETTINGS: dict[str, Any] = {"at": UTC_TIME, "kind": TEXT, "by": TEXT, "why": TEXT}
LOTS: dict[str, Any] = {
    "lot": TEXT, "readings": INTEGER, "first_at": UTC_TIME, "last_at": UTC_TIME, "support": TEXT, "verdict": TEXT,
}  # fmt: skip


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
    names = [text_or_hostile(hostile, f"B{i + 1}", i) for i in range(blocks)]
    levels = [58.02, 31.44, 16.9, 8.1][:blocks]
    first = DAY - timedelta(days=days_apart * checks)
    setting = first + timedelta(days=days_apart * 10 - 0.1)
    rows: list[dict[str, Any]] = []
    summaries, drifts, signals = [], [], []
    charts: list[DriftChart] = []
    drift_signals: list[DriftSignal] = []
    s, tolerance = 0.05, 0.29
    for name, level in zip(names, levels, strict=True):
        recent: list[float] = []
        ewma, high, low = 0.0, 0.0, 0.0
        for i in range(checks):
            at = first + timedelta(days=days_apart * i, minutes=3 if name == names[0] else 8)
            frozen = i >= 30
            bias = rng.gauss(0.01, s) + drift_per_check * max(i - 10, 0) + (late_shift if i >= checks - 4 else 0.0)
            centre = level + 0.012 if frozen else level
            spread = s if frozen else 0.11
            z = bias / spread if certified or frozen else None
            rejects = " ".join(
                [
                    rule
                    for rule, hit in (
                        ("1-3s", z is not None and abs(z) > 3),
                        ("2-2s", bool(recent) and z is not None and z > 2 and recent[-1] > 2),
                    )
                    if hit
                ]
            )
            recent.append(z or 0.0)
            charted = frozen and z is not None
            if charted:
                ewma, high, low = 0.8 * ewma + 0.2 * z, max(0.0, high + z - 0.5), max(0.0, low - z - 0.5)
            beyond = [
                name for name, hit in (("CUSUM", max(high, low) > 8.38), ("EWMA", abs(ewma) > 1.23)) if hit and charted
            ]
            rows.append(
                {
                    "block": name, "probe": text_or_hostile(hostile, "PR-60", 2), "frequency_khz": 60.0, "phase": setting if at > setting else None,
                    "run": i, "at": at, "readings": 5, "mean": level + bias, "within_standard_deviation": abs(rng.gauss(0.02, 0.007)),
                    "precision_limit": 0.034 if i else None, "imprecise": False,
                    "temperature_c": 21.5, "certified_value": level if certified else None, "bias": bias if certified else None,
                    "tolerance": tolerance if certified else None, "passes": (abs(bias) <= tolerance) if certified else None,
                    "centre": centre if certified or frozen else None, "limit_standard_deviation": spread if certified or frozen else None,
                    "limits_kind": "frozen" if frozen else "provisional", "z": z, "warning": z is not None and abs(z) > 2, "rejects": rejects,
                    "ewma": ewma if charted else None, "ewma_limit": 1.23 if charted else None, "cusum_high": high if charted else None,
                    "cusum_low": low if charted else None, "cusum_limit": 8.38 if charted else None, "drift": " ".join(beyond),
                }
            )  # fmt: skip
            decided = (
                Decision(at + timedelta(hours=1), "N. Berg", "probe cleaned", "dust on the probe; checked again"),
            )
            signals += [
                Signal(rule, name, at, z or 0.0, True, rows[-1]["limits_kind"], decided if i < checks - 2 else ())
                for rule in rejects.split()
            ]
        of_block = [row for row in rows if row["block"] == name and row["phase"] is not None]
        biases = [row["bias"] for row in of_block if row["bias"] is not None]
        missing = (
            {} if certified else {"bias": "the block has no certificate", "last_bias": "the block has no certificate"}
        )
        if not of_block:
            missing["limits"] = "no certificate, and 3 of the 20 checks that freeze a baseline"
        summaries.append(
            BlockSummary(
                block=name, probe=text_or_hostile(hostile, "PR-60", 2), frequency_khz=60.0, unit="MS/m", checks=len(of_block),
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
                text_or_hostile(hostile, "PR-60", 2), 60.0, (DAY + timedelta(days=30), DAY + timedelta(days=60)) if leaving else None,
                DAY - timedelta(days=20) if leaving else None, 0.13 if leaving else None, 0.05 if leaving else None, 0.04 if leaving else None,
            )
        )  # fmt: skip
        if not certified:
            charts.append(
                DriftChart(
                    name,
                    text_or_hostile(hostile, "PR-60", 2),
                    60.0,
                    0,
                    "limits are provisional: 3 of the 20 checks that freeze them",
                )
            )
            continue
        charts.append(
            DriftChart(
                name, text_or_hostile(hostile, "PR-60", 2), 60.0, max(checks - 30, 0), None, 20, 370.0, 0.2, 3.7, 1.23, ewma, 92.4, 0.5, 8.38,
                high, low, 89.5,
            )
        )  # fmt: skip
        marked = [row for row in rows if row["block"] == name and "EWMA" in row["drift"]]
        if marked:
            drift_signals.append(
                DriftSignal(
                    "EWMA", name, text_or_hostile(hostile, "PR-60", 2), 60.0, marked[0]["at"], marked[-1]["at"], len(marked), "high",
                    max(abs(row["ewma"]) for row in marked), 1.23, marked[-1] is rows[-1],
                )
            )  # fmt: skip
    suspect = ("L-1003", text_or_hostile(hostile, "l-1003", 0)) if state == "suspended" else ()
    lots = [
        {
            "lot": text_or_hostile(hostile, f"L-{1000 + i}", i), "readings": 90, "first_at": DAY + timedelta(hours=i), "last_at": DAY + timedelta(hours=i, minutes=20),
            "support": "suspect" if state == "suspended" and i == 3 else "supported", "verdict": "hold" if state == "suspended" and i == 3 else "accept",
        }
        for i in range(1, 6)
    ]  # fmt: skip
    default = {
        "fit": ("The last run of checks passed; it holds until 2026-06-30 22:00 Europe/Oslo.",),
        "suspended": (
            "1 of 2 checks in the last run exceed the tolerance.",
            "The meter is suspended until a later run passes.",
        ),
        "overdue": ("The last run of checks is more than 8 h old. It passed; check before use.",),
        "not_assessed": ("No check on a certified block, so nothing is known of this meter.",),
    }
    frame = pl.DataFrame(rows, schema=CHECKS)
    events = tuple(
        EventGlance(
            event=HOSTILE[6] if hostile else f"{meter}/2026-03-0{day}", name=HOSTILE[1] if hostile else f"{meter}_2026030{day}T140000Z_SIGNAL",
            title=HOSTILE[3] if hostile else f"{meter}, signal of {day} March", kind="signal", state=how,
            sentence=text_or_hostile(hostile, "The multi-rule scheme rejected 9 checks on B1, B2 (rules 1-3s, 2-2s).", 2),
            fired_at=DAY, last_at=DAY + timedelta(days=1), blocks=("B1", "B2"), rules=("1-3s", "2-2s"), disposed=how == "closed", undecided=(),
        )
        for day, how in ((2, "open"), (1, "closed"))
        if state == "suspended"
    )  # fmt: skip
    result = MeterResult(
        meter=meter, state=state, reasons=reasons if reasons is not None else default[state], unit="MS/m", checks=len(rows),
        runs=checks, last_run_at=frame["at"].max() if rows else None, last_run_passed=state != "suspended" if rows else None,
        last_setting_at=setting if rows else None, blocks=tuple(summaries) if rows else (), signals=tuple(signals),
        warnings=int(frame["warning"].sum() or 0), drift=tuple(drifts) if rows else (), suspect_lots=suspect if rows else (),
        flags=HOSTILE if hostile else (), as_of=DAY + timedelta(hours=16), drift_signals=tuple(drift_signals),
        precision_signals=tuple(
            PrecisionSignal(row["block"], row["probe"], 60.0, row["at"], 5, 0.071, 0.052, ()) for row in rows[-1:]
        ),
        drift_charts=tuple(charts), check_intervals=(CheckInterval(8.0, 5, 1.0, 2, 90.0, 180), CheckInterval(168.0, 5, 3.0, 5, 270.0, 450)),
        events=events,
    )  # fmt: skip
    settings = [
        {
            "at": setting,
            "kind": "recorded",
            "by": text_or_hostile(hostile, "N. Berg", 1),
            "why": text_or_hostile(hostile, "after repair of the probe", 3),
        }
    ]
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
        "calibration_due": meter_page(
            "M5", state="overdue", reasons=("The meter's calibration was due on 2026-02-01.",)
        ),
        "uncertified": meter_page("M6", state="not_assessed", certified=False, checks=12, blocks=1),
        "without_checks": meter_page("M7", state="not_assessed", checks=0, blocks=0),
        "many": meter_page("M8", checks=900, blocks=1, days_apart=0.25),
        "hostile": meter_page(HOSTILE[1], state="suspended", hostile=True, late_shift=0.3, blocks=2),
    }
