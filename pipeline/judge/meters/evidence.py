"""What else speaks for or against a meter: its external calibration, and certificates of blocks that had run out."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import polars as pl

from pipeline.metrology.calibration import judge_calibrations
from schemas.versions import version_at

if TYPE_CHECKING:
    from pipeline.judge.assessment import Basis

__all__ = ["blocks_overdue", "calibrations_of", "evidence_flags"]


def calibrations_of(assessment: Basis) -> pl.DataFrame:
    """Return the judged external calibrations up to the moment of the assessment."""
    settings = assessment.settings
    table = assessment.tables["calibrations"]
    key = ["meter", "calibrated_on", "condition", "nominal"]
    return judge_calibrations(
        version_at(table, key, assessment.as_of),
        unit=settings.unit,
        tolerance=settings.tolerance,
        tolerance_unit=settings.tolerance_unit,
        as_of=assessment.as_of,
    )


def blocks_overdue(assessment: Basis) -> tuple[str, ...]:
    """Return the blocks whose present certificate has run out and that a meter was checked on."""
    table = version_at(assessment.tables["blocks"], ["block"], assessment.as_of)
    used = assessment.checks["block"].unique().to_list()
    due = table.filter(pl.col("block").is_in(used) & (pl.col("due_on") + timedelta(days=1) <= pl.lit(assessment.as_of)))
    return tuple(due["block"].unique().sort().to_list())


def evidence_flags(meter: str, assessment: Basis) -> list[str]:
    """Return the flags of a meter: found out of tolerance by its last calibration, or checked on blocks past their date."""
    flags = []
    if assessment.tables["calibrations"].height:
        judged = calibrations_of(assessment).filter(pl.col("meter") == meter)
        last = judged.filter(pl.col("calibrated_on") == pl.col("calibrated_on").max())
        # what it was adjusted to is what counts, where it was adjusted
        left = last.filter(pl.col("condition") == pl.col("condition").max())
        bad = left.filter(~pl.col("passes").fill_null(True))
        if bad.height:
            points = ", ".join(f"{row['nominal']:g} {row['unit']}" for row in bad.iter_rows(named=True))
            day = bad["calibrated_on"][0].astimezone(assessment.settings.zone)
            flags.append(
                f"calibration_out_of_tolerance: the external calibration of {day:%Y-%m-%d} left the meter out of tolerance "
                f"at {points}"
            )
    late = assessment.checks.filter(
        (pl.col("meter") == meter) & (pl.col("certificate_due_on") + timedelta(days=1) <= pl.col("at"))
    )
    for block, count in late.group_by("block").agg(pl.len()).sort("block").iter_rows():
        flags.append(
            f"block_used_overdue: {count} {'check' if count == 1 else 'checks'} on block {block} used a certificate that was overdue at the time"
        )
    return flags
