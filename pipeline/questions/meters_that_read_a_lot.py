"""Agreement of the meters that read one lot; computed for the pages asked for."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import polars as pl

from pipeline.metrology.agreement import MeterMean, compare_meters, compare_on_same_parts, differences_of
from pipeline.questions.blocks import accuracy_of

if TYPE_CHECKING:
    from pipeline.judge.assessment import Assessment
    from schemas.blocks import MeterDifference

__all__ = ["differences_on_lot"]

_FEW = 2
"""Parts that two meters must have in common to be compared part by part."""


def differences_on_lot(assessment: Assessment, readings: pl.DataFrame) -> tuple[MeterDifference, ...]:
    """Compare the meters that read a lot: on the same parts where they have some, else on the parts that each read.

    Parameters
    ----------
    assessment
        For what the meters claim.
    readings
        Part readings of one lot: meter, part, value_at_reference, excluded.
    """
    if readings["meter"].n_unique() < 2:
        return ()
    counted = readings.filter(
        ~pl.col("excluded") & pl.col("value_at_reference").is_not_null() & pl.col("part").is_not_null()
    ).with_columns(pl.col("meter", "part").cast(pl.String))
    if counted["meter"].n_unique() < 2:
        return ()
    means = (
        counted.group_by("meter", "part").agg(pl.col("value_at_reference").mean().alias("mean")).sort("meter", "part")
    )
    by_meter = {meter: dict(rows.select("part", "mean").iter_rows()) for (meter,), rows in means.group_by("meter")}
    level = {meter: sum(values.values()) / len(values) for meter, values in by_meter.items()}
    own = {meter: accuracy_of(assessment, str(meter), level[meter]) for meter in by_meter}
    found: list[MeterDifference] = []
    for a, b in combinations(sorted(by_meter), 2):
        common = sorted(set(by_meter[a]) & set(by_meter[b]))
        if len(common) >= _FEW:
            pair = compare_on_same_parts(
                str(a), str(b), [by_meter[a][part] - by_meter[b][part] for part in common], (own[a], own[b])
            )
            found += differences_of([pair], "same_parts")
        else:
            sides = []
            for meter in (a, b):
                values = pl.Series(list(by_meter[meter].values()), dtype=pl.Float64)
                spread = values.std() if values.len() > 1 else None
                sides.append(MeterMean(str(meter), level[meter], spread, values.len(), own[meter]))  # type: ignore[arg-type]
            found += differences_of(compare_meters(sides), "other_parts")
    return tuple(found)
