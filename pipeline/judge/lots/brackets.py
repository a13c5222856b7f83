"""The blocks of the runs around a lot: whether they bracket its level, where the site asks for it, and whether they were due."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import polars as pl

from pipeline.metrology.block_range import missing_blocks
from pipeline.metrology.units import convert

if TYPE_CHECKING:
    from pipeline.judge.assessment import Basis

__all__ = ["lots_not_bracketed", "overdue_blocks"]


def lots_not_bracketed(assessment: Basis, figures: pl.DataFrame) -> dict[str, str]:
    """Return the lots whose level the blocks checked around their readings do not bracket, with what is missing in words.

    Parameters
    ----------
    assessment
        With checks and brackets.
    figures
        Columns lot, mean (working unit).
    """
    settings = assessment.settings
    if not settings.blocks_must_bracket:
        return {}
    certified = (
        assessment.checks.filter(pl.col("certified_value").is_not_null() & pl.col("mean").is_not_null())
        .select("run", "block", "certified_value")
        .unique()
        .sort("run", "block")
    )
    by_run: dict[int, dict[str, float]] = {}
    for run, block, value in certified.iter_rows():
        by_run.setdefault(run, {})[block] = convert(value, settings.unit, "%IACS")
    levels = dict(figures.filter(pl.col("mean").is_not_null()).select("lot", "mean").iter_rows())
    found: dict[str, str] = {}
    ordered = assessment.brackets.sort("lot", "meter", "first_at")
    for lot, meter, before, after in ordered.select("lot", "meter", "before_run", "after_run").iter_rows():
        if lot in found or lot not in levels:
            continue
        level = convert(levels[lot], settings.unit, "%IACS")
        for run, where in ((before, "before"), (after, "after")):
            if run is None:
                continue
            blocks = by_run.get(run, {})
            missing = missing_blocks(
                level, blocks, span=settings.bracketing_span_iacs, least=settings.bracketing_blocks
            )
            if missing:
                checked = ", ".join(f"{name} ({value:.4g} %IACS)" for name, value in blocks.items()) or "none"
                found[lot] = (
                    f"The blocks checked {where} the readings do not bracket the lot at {level:.4g} %IACS: {meter} was checked "
                    f"on {checked}; missing: {'; '.join(missing)}. Check it on these, and measure the lot again."
                )
                break
    return found


def overdue_blocks(assessment: Basis) -> dict[str, str]:
    """Return a flag for each lot around whose readings a block was used after its certificate was due."""
    late = assessment.checks.filter(pl.col("certificate_due_on") + timedelta(days=1) <= pl.col("at"))
    if not late.height:
        return {}
    uses = late.select("run", "block", "certificate_due_on").unique()
    sides = pl.concat(
        [assessment.brackets.select("lot", pl.col(side).alias("run")) for side in ("before_run", "after_run")]
    )
    zone = assessment.settings.time_zone
    found = (
        sides.unique()
        .join(uses, on="run", how="inner")
        .select("lot", "block", pl.col("certificate_due_on").dt.convert_time_zone(zone).dt.strftime("%Y-%m-%d"))
        .unique()
        .sort("lot", "block", "certificate_due_on")
        .group_by("lot", maintain_order=True)
        .agg(pl.format("{} (due {})", "block", "certificate_due_on").str.join(", ").alias("blocks"))
    )
    return {
        lot: f"block_overdue: the checks around the readings used blocks whose certificate was overdue at the time: {blocks}"
        for lot, blocks in found.iter_rows()
    }
