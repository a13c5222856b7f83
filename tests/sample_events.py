"""Look-back events for tests of the reports. Invented numbers."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import polars as pl
from sample_texts import DAY, HOSTILE, provenance, text_or_hostile

from pipeline.metrology.calibration import CALIBRATION_COLUMNS
from schemas.declare import UTC_TIME
from schemas.look_back import BiasChange, EventLot, EventPage, EventResult
from schemas.page import Decision

__all__ = ["event_page", "event_pages"]

CHECKS: dict[str, Any] = {
    "part": pl.String, "block": pl.String, "run": pl.Int64, "at": UTC_TIME, "mean": pl.Float64, "bias": pl.Float64,
    "tolerance": pl.Float64, "passes": pl.Boolean, "rejects": pl.String, "certificate": pl.String,
    "certificate_due_on": UTC_TIME, "certificate_overdue": pl.Boolean,
}  # fmt: skip
CALIBRATIONS = {name: kind for name, kind in CALIBRATION_COLUMNS.items() if name not in ("meter", "level", "change")}


def event_page(
    kind: str = "failed_check", *, closed: bool = False, hostile: bool = False, lots: int = 4, ended: bool = True
) -> EventPage:
    """Return an event with some lots in different states."""
    fired = DAY + timedelta(hours=14)
    said = Decision(
        DAY + timedelta(hours=20),
        text_or_hostile(hostile, "N. Berg", 0),
        "re-measured",
        text_or_hostile(hostile, "read again", 4),
    )
    texts = HOSTILE if hostile else ("L-1001", "L-1002", "L-1003", "L-1004")
    found = tuple(
        EventLot(
            lot=texts[i % len(texts)], meter=text_or_hostile(hostile, "M1", i), doubt=("touched", "touched", "possible", "covered")[i % 4], readings=45,
            first=fired - timedelta(hours=3), last=fired - timedelta(hours=2), unknown_clock=0, verdict="hold", support="suspect",
            errors_to_limit=(0.4, 3.2, None, 7.0)[i % 4], shipped_on=fired if i == 1 else None, measured_again_at=fired if i == 3 and closed else None,
            dispositions=(said,) if closed or i == 1 else (), settled=closed or i == 1,
        )
        for i in range(lots)
    )  # fmt: skip
    rows = [
        {
            "part": part, "block": text_or_hostile(hostile, block, n), "run": n, "at": fired + timedelta(hours=4 * (n - 1)), "mean": 58.1 + bias,
            "bias": bias, "tolerance": 0.29, "passes": abs(bias) < 0.29, "rejects": "1-3s" if abs(bias) > 0.29 else "",
            "certificate": text_or_hostile(hostile, "C-1", 2), "certificate_due_on": DAY, "certificate_overdue": n == 1,
        }
        for n, (part, bias) in enumerate((("before", 0.02), ("signal", 0.55), ("after", -0.01)))
        for block in ("B1", "B2")
    ]  # fmt: skip
    calibration = [
        {
            "calibrated_on": fired, "condition": "as_found", "nominal": 58.0, "indicated": 58.4, "deviation": 0.4, "tolerance": 0.29,
            "expanded_uncertainty": 0.1, "unit": "MS/m", "passes": False, "near": False, "certificate": text_or_hostile(hostile, "K-7", 1),
            "laboratory": text_or_hostile(hostile, "an invented laboratory", 3),
        }
    ]  # fmt: skip
    by_calibration = kind == "calibration"
    result = EventResult(
        event=HOSTILE[1] if hostile else "M1/2026-03-02", kind=kind,
        name=HOSTILE[1] if hostile else f"M1_20260302T140000Z_{kind.upper().replace('_', '-')}",
        title=HOSTILE[3] if hostile else f"M1, {kind.replace('_', ' ')} of 2 March",
        state="closed" if closed else "open", meter=HOSTILE[0] if hostile else "M1", meter_state="fit" if ended else "suspended",
        sentence=HOSTILE[2] if hostile else "2 checks on B1, B2 failed.", fired_at=fired, last_at=fired, blocks=(text_or_hostile(hostile, "B1", 5),), rules=(), last_good="run of checks",
        last_good_at=fired - timedelta(hours=6) if ended else None, window_from=fired - timedelta(hours=6) if ended else None,
        window_to=fired + timedelta(hours=3) if ended else None, notes=HOSTILE if hostile else ("A later run passed.",),
        changes=() if kind == "check_overdue" else (BiasChange(text_or_hostile(hostile, "B1", 5), 58.1, 0.53),), lots=found,
        dispositions=(said,) if closed else (), disposed=closed, unit="MS/m", as_of=DAY + timedelta(days=1),
    )  # fmt: skip
    return EventPage(
        result,
        pl.DataFrame([] if by_calibration else rows, schema=CHECKS),
        pl.DataFrame(calibration if by_calibration or hostile else [], schema=CALIBRATIONS),
        provenance(hostile=hostile),
    )


def event_pages() -> dict[str, EventPage]:
    """Return events by the case they stand for."""
    return {
        "open": event_page(),
        "closed": event_page(closed=True),
        "going_on": event_page("signal", ended=False),
        "calibration": event_page("calibration"),
        "overdue": event_page("check_overdue", lots=1),
        "no_lots": event_page(lots=0),
        "hostile": event_page(hostile=True, lots=len(HOSTILE)),
    }
