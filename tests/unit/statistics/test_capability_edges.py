"""Capability: what is noise and what is variation, which lot has which limits, and what a lot that cannot be judged still says."""

from __future__ import annotations

from math import inf, sqrt

import numpy as np
import polars as pl
import pytest
from one_by_one import capability
from scipy import stats

from pipeline.statistics.capability import INDICES, _with_indices, capability_of_lots

VALUES = [35.2, 34.9, 35.4, 35.1, 34.7, 35.0, 35.3]


def summary(mean: float, deviation: float, within: float, lower: float | None, upper: float | None) -> dict[str, str]:
    frame = pl.DataFrame(
        {
            "lot": ["A"], "parts": [9], "mean": [mean], "standard_deviation": [deviation],
            "within_standard_deviation": [within], "within_degrees_of_freedom": [8.0], "within_estimator": ["moving_range"],
            "within_reason": pl.Series([None], dtype=pl.String),
        }
    )  # fmt: skip
    row = _with_indices(frame, limits(("A", lower, upper)), 0.95).row(0, named=True)
    return {index: row[f"{index}_reason"] for index in INDICES if row[f"{index}_reason"] is not None}


@pytest.mark.parametrize(
    ("mean", "lower", "upper"),
    [(1.0, -0.5, 0.5), (-1.0, -0.5, 0.5), (0.25, 0.0, 1.0), (0.25, -1.0, 0.5), (0.25, None, 1.0), (0.25, -1.0, None)],
)
def test_scatter_up_to_the_noise_of_the_largest_number_is_none(
    mean: float, lower: float | None, upper: float | None
) -> None:
    both = {"cp", "pp"} if lower is None or upper is None else set()
    assert set(summary(mean, 1.01e-12, 1.01e-12, lower, upper)) == both
    for noise in (1e-12, 0.99e-12, 1e-170, 0.0):  # so small a scatter must not overflow on its way to the reason
        found = summary(mean, noise, 0.1, lower, upper)
        assert found["ppk"] == "all part means are equal, so the standard deviation is zero"
        assert "cpk" not in found
        found = summary(mean, 0.1, noise, lower, upper)
        assert found["cpk"] == "part means within subgroups are equal, so the standard deviation is zero"
        assert "ppk" not in found


def test_a_wider_confidence_makes_a_wider_interval_by_its_quantiles() -> None:
    found = capability(VALUES, 34.0, 36.5, confidence=0.99)
    half = stats.norm.ppf(0.995) * sqrt(1 / 63 + found.ppk**2 / 12)
    assert found.ppk_interval == pytest.approx((found.ppk - half, found.ppk + half))
    for confidence in (0.0, 1.0, -0.1, 1.5):
        with pytest.raises(ValueError, match="between 0 and 1"):
            capability(VALUES, 34.0, 36.5, confidence=confidence)


def lots(names: list[str | None], means: list[float]) -> pl.DataFrame:
    return pl.DataFrame(
        {"lot": np.repeat(np.array(names, dtype=object), len(means)).tolist(), "order": [*range(len(means))] * len(names),
         "mean": means * len(names)},
        schema_overrides={"lot": pl.String},
    )  # fmt: skip


def limits(*rows: tuple[str | None, float | None, float | None]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema={"lot": pl.String, "lower": pl.Float64, "upper": pl.Float64}, orient="row")


def test_a_lot_without_name_has_limits_of_its_own_and_comes_last() -> None:
    found = capability_of_lots(lots([None, "B", "A"], VALUES), limits((None, 34, 36), ("B", 34, 37)), subgroup_size=1)
    assert found["lot"].to_list() == ["A", "B", None]
    assert found["upper"].to_list() == [None, 37.0, 36.0]
    assert found["within_standard_deviation"].null_count() == 0
    assert found["cpk_reason"].to_list() == ["no limit is given", None, None]


def test_limits_that_are_no_limits_are_refused_wherever_they_stand() -> None:
    frame = lots(["A", "B"], VALUES)
    for bad in ((None, inf), (-inf, None), (34.0, inf), (-inf, 36.0)):
        with pytest.raises(ValueError, match="limits must be finite"):
            capability_of_lots(frame, limits(("A", 34, 36), ("B", *bad)), subgroup_size=1)
    with pytest.raises(ValueError, match="two rows"):
        capability_of_lots(frame, limits(("A", 34, 36), ("B", 34, 36), ("A", 33, 36)), subgroup_size=1)
    # of many lots, a name that is nobody's and a limit that is not given harm none
    assert capability_of_lots(frame, limits(("A", 34, 36), ("C", 1, None)), subgroup_size=1).height == 2
