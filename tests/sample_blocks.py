"""Blocks for tests of the reports. Invented numbers."""

from __future__ import annotations

import random
from datetime import timedelta
from itertools import pairwise
from typing import Any

import polars as pl
from sample_texts import DAY, HOSTILE, provenance, text_or_hostile

from pipeline.metrology.agreement import MeterMean
from pipeline.metrology.interlaboratory import compared
from schemas.blocks import BlockCertificate, BlockPage, BlockResult, FoundMovement, MeterDifference, MeterOnBlock
from schemas.declare import UTC_TIME

__all__ = ["block_page", "block_pages"]

CHECKS: dict[str, Any] = {
    "meter": pl.String, "at": UTC_TIME, "mean": pl.Float64, "bias": pl.Float64, "certified_value": pl.Float64, "tolerance": pl.Float64,
    "passes": pl.Boolean, "certificate": pl.String,
}  # fmt: skip


def block_page(
    state: str = "steady",
    *,
    hostile: bool = False,
    meters: int = 3,
    certified: bool = True,
    checks: int = 30,
    certain: bool = True,
) -> BlockPage:
    """Return a block with checks of some meters, two certificates, and a movement where the state says so."""
    rng = random.Random(3)
    names = [text_or_hostile(hostile, f"M{i + 1}", i) for i in range(meters)]
    rows = [
        {
            "meter": name, "at": DAY - timedelta(days=3 * (checks - i), minutes=place), "mean": 58.0 + bias, "bias": bias if certified else None,
            "certified_value": 58.0 if certified else None, "tolerance": 0.29 if certified else None,
            "passes": abs(bias) <= 0.29 if certified else None, "certificate": text_or_hostile(hostile, "C-1", place),
        }
        for i in range(checks)
        for place, name in enumerate(names)
        for bias in [rng.gauss(0.02, 0.05) + (0.25 if state == "moved" and i > 20 else 0.0)]
    ]  # fmt: skip
    changed = DAY - timedelta(days=40)
    certificate = BlockCertificate(
        text_or_hostile(hostile, "C-1", 0), DAY - timedelta(days=900), DAY - timedelta(days=45), None, 100.0, "%IACS", 58.0, 0.2, 2.0, None,
        None, 60, 3, None,
    )  # fmt: skip
    certificates = (
        certificate,
        BlockCertificate(
            text_or_hostile(hostile, "C-2", 1), changed, DAY + timedelta(days=300), changed, 100.1, "%IACS", 58.058, 0.2, 2.0, 0.058, 0.2, 30, 0, "ab12" * 16
        ),
    )  # fmt: skip
    movement = FoundMovement(
        "block" if state != "steady" else "meter", HOSTILE[0] if hostile else "B1" if state != "steady" else "M2", "step", DAY - timedelta(days=20),
        0.25, 0.02, 156.0, 80, 1e-12, "meter", HOSTILE[1] if hostile else "M1", 21.0 if certain else 0.7, certain, meters, 10 * meters,
    )  # fmt: skip
    result = BlockResult(
        block=HOSTILE[0] if hostile else "B1", state=state, reasons=HOSTILE if hostile else ("A reason in words.",),
        material=HOSTILE[2] if hostile else "copper", unit="MS/m", certificates=certificates if certified else (),
        meters=tuple(
            MeterOnBlock(name, DAY - timedelta(days=80) if i else None, checks, 58.02, 0.02 if certified else None, 0.03 if certified else None, 0.05, 0.17)
            for i, name in enumerate(names)
        ),
        differences=tuple(
            MeterDifference(a, b, 0.4, (0.3, 0.5), 0.05, 40.2, 1.4, None, "checks") if i else
            MeterDifference(a, b, -0.02, None, None, None, None, "one determination only", "other_parts")
            for i, (a, b) in enumerate(pairwise(names))
        ),
        movements=(movement,) if state in ("moved", "unclear") or hostile else (),
        neighbours=HOSTILE[:4] if hostile else ("B2", "B3") if meters else (), visits=checks * meters, as_of=DAY,
        comparison=compared(
            HOSTILE[0] if hostile else "B1",
            [MeterMean(name, 58.02 + 0.01 * i * i, 0.05, checks, 0.17) for i, name in enumerate(names)],
        ),
    )  # fmt: skip
    return BlockPage(result, pl.DataFrame(rows, schema=CHECKS), provenance(hostile=hostile))


def block_pages() -> dict[str, BlockPage]:
    """Return blocks by the case they stand for."""
    return {
        "steady": block_page(),
        "moved": block_page("moved"),
        "unclear": block_page("unclear", certain=False),
        "overdue": block_page("overdue", meters=7),
        "uncertified": block_page("not_assessed", certified=False),
        "unused": block_page("not_assessed", meters=0),
        "hostile": block_page("moved", hostile=True, meters=len(HOSTILE)),
    }
