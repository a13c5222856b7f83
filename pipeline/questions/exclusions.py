"""Readings that a person left out of a lot: who and why, and what the lot would be with them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import polars as pl

from pipeline.judge.values.prepare import with_conflicts
from schemas.evidence import EveryReading, Exclusion

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.judge.assessment import Assessment
    from schemas.results import LotResult

__all__ = ["with_exclusions"]


def with_exclusions(
    assessment: Assessment, result: LotResult, readings: pl.DataFrame, names: Mapping[int, str]
) -> LotResult:
    """Return a lot with the readings left out of it, and what would be said of it with every reading.

    Parameters
    ----------
    assessment
        From which the lot came.
    readings
        Part readings of the assessment, of this lot or more.
    names
        Names of the files by number.

    Returns
    -------
    LotResult
        The same where no reading was left out.
    """
    if not readings["excluded"].any():
        return result
    own = readings.filter(pl.col("lot").cast(pl.String) == result.lot)
    left_out = own.filter("excluded")
    if not left_out.height:
        return result
    rows = (
        left_out.join(assessment.exclusions, on=["source_id", "line"], how="left", maintain_order="left")
        .with_columns(pl.col(pl.Categorical).cast(pl.String))
        .sort("measured_at", "file_rank", "line", "replicate")  # file_rank: whatever the order of loading
    )
    exclusions = tuple(
        Exclusion(
            file=names.get(row["source_id"]),
            line=row["line"],
            replicate=row["replicate"],
            measured_at=row["measured_at"],
            part=row["part"],
            spot=row["spot"],
            value=row["value"],
            unit=row["unit"],
            value_at_reference=row["value_at_reference"],
            by=row["by"],
            why=row["why"],
            at=row["at"],
        )
        for row in rows.iter_rows(named=True)
    )
    every = own.select(assessment.readings.columns).with_columns(pl.lit(False).alias("excluded"))
    again = assessment.restated(readings=with_conflicts(every.drop("conflict_open")))
    from pipeline.judge.lots.lots import lot_results

    whole = lot_results(again, [], [result.lot]).results[result.lot]
    return replace(
        result,
        exclusions=exclusions,
        with_every_reading=EveryReading(
            readings=whole.readings,
            parts=whole.parts,
            mean=whole.mean,
            standard_deviation=whole.standard_deviation,
            minimum=whole.minimum,
            maximum=whole.maximum,
            expanded_uncertainty=whole.expanded_uncertainty,
            limits_met=whole.limits_met,
            verdict=whole.verdict,
            reasons=whole.reasons,
        ),
    )
