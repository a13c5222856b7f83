"""A lot's figures do not depend, in any bit, on which other lots are computed with it. Invented numbers."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
import pytest

from pipeline.statistics.acceptance import acceptance_of_lots
from pipeline.statistics.capability import capability_of_lots
from pipeline.statistics.descriptive import nested
from pipeline.statistics.normality import anderson_darling_of_lots
from pipeline.statistics.trend import slopes

if TYPE_CHECKING:
    from collections.abc import Callable


# made by the tests that ask: what computes while it is collected costs the mutants their quick way


@cache
def readings() -> pl.DataFrame:
    rng = np.random.default_rng(5)
    rows = []
    for lot in range(24):
        # now and then a lot long enough for sums in blocks
        for part in range(400 if lot % 9 == 4 else int(rng.integers(1, 12))):
            for spot in range(int(rng.integers(1, 4))):
                rows += [(lot, part, spot, 35 + rng.normal(0, 0.3)) for _ in range(int(rng.integers(1, 5)))]
    return pl.DataFrame(rows, schema=["lot", "part", "spot", "value"], orient="row").with_columns(
        measured_at=pl.datetime(2026, 3, 2, time_zone="UTC") + pl.duration(seconds=pl.int_range(pl.len()))
    )


@cache
def parts() -> pl.DataFrame:
    return nested(readings()).part_values


@cache
def lots() -> pl.DataFrame:
    return nested(readings()).lot_values.select(
        "lot", "parts", "mean", "standard_deviation", k=pl.lit(1.5), lower=pl.lit(34.0), upper=pl.lit(36.0)
    )


def capability(**given: Any) -> Callable[[pl.DataFrame], pl.DataFrame]:
    return lambda frame: capability_of_lots(frame, lots().select("lot", "lower", "upper"), **given)


@pytest.mark.parametrize(
    ("source", "compute"),
    [
        (readings, lambda frame: nested(frame).spot_values),
        (readings, lambda frame: nested(frame).part_values),
        (readings, lambda frame: nested(frame).lot_values),
        (parts, capability(subgroup_size=1)),
        (parts, capability(subgroup_size=3)),
        (parts, anderson_darling_of_lots),
        (lots, acceptance_of_lots),
        (readings, lambda frame: slopes(frame, by=["lot"], x="measured_at", y="value")),
    ],
)
def test_alone_or_in_company(
    source: Callable[[], pl.DataFrame], compute: Callable[[pl.DataFrame], pl.DataFrame]
) -> None:
    together = compute(source())
    assert together["lot"].n_unique() == 24
    for lot in together["lot"].unique():
        alone = compute(source().filter(pl.col("lot") == lot))
        assert alone.equals(together.filter(pl.col("lot") == lot)), lot
