"""Capability: estimators, reasons in words, all lots at once against one at a time, coverage of the intervals."""

from __future__ import annotations

from math import inf, nan, sqrt

import numpy as np
import polars as pl
import pytest
from one_by_one import capability
from scipy import stats

from pipeline.statistics.capability import INDICES, capability_of_lots
from pipeline.statistics.constants import (
    c4,
    c4_of_degrees_of_freedom,
    d2,
    d3,
    degrees_of_freedom_of_relative_variance,
    moving_range_relative_variance,
)

VALUES = [35.2, 34.9, 35.4, 35.1, 34.7, 35.0, 35.3]


def frame_of(lots: dict[str, list[float]]) -> pl.DataFrame:
    rows = [(lot, place, value) for lot, values in lots.items() for place, value in enumerate(values)]
    return pl.DataFrame(rows, schema={"lot": pl.String, "order": pl.Int64, "mean": pl.Float64}, orient="row")


def limits_of(limits: dict[str, tuple[float | None, float | None]]) -> pl.DataFrame:
    rows = [(lot, *pair) for lot, pair in limits.items()]
    return pl.DataFrame(rows, schema={"lot": pl.String, "lower": pl.Float64, "upper": pl.Float64}, orient="row")


def test_effective_degrees_of_freedom() -> None:
    # two values have one range, which is |x1 − x2|: a chi variable with one degree of freedom
    assert degrees_of_freedom_of_relative_variance(moving_range_relative_variance(2)) == pytest.approx(1.0, rel=1e-12)
    nu = np.array([0.4, 1, 3.7, 24, 310, 5000])
    relative = 1 / c4_of_degrees_of_freedom(nu) ** 2 - 1
    assert degrees_of_freedom_of_relative_variance(relative) == pytest.approx(nu, rel=1e-9)
    # large n: 0.605·n (Cryer and Ryan, J. Qual. Technol. 22, 187, 1990, give efficiency 0.605; from memory)
    large = degrees_of_freedom_of_relative_variance(moving_range_relative_variance(100_000)) / 100_000
    assert large == pytest.approx(0.605, abs=5e-4)


def test_variance_of_the_mean_moving_range() -> None:
    x = np.random.default_rng(3).normal(size=(200_000, 6))
    means = np.abs(np.diff(x, axis=1)).mean(axis=1)
    relative = means.var() / means.mean() ** 2
    assert relative == pytest.approx(float(moving_range_relative_variance(6)), rel=0.02)


def test_c4_has_no_seam_between_its_two_forms() -> None:
    around = c4_of_degrees_of_freedom([299.999, 300.001])
    assert 0 < around[1] - around[0] < 1e-8
    assert c4(5) == pytest.approx(0.9399856, abs=1e-7)


@pytest.mark.parametrize("n", [0, 1])
def test_constants_need_two_values(n: int) -> None:
    for function in (c4, d2, d3):
        with pytest.raises(ValueError, match="at least 2"):
            function(n)


def test_estimators_of_variation_within_subgroups() -> None:
    x = np.array(VALUES)
    mr = capability(VALUES, 34, 36)
    assert mr.within_standard_deviation == pytest.approx(np.abs(np.diff(x)).mean() / d2(2), rel=1e-12)
    groups = [x[0:3], x[3:6], x[6:7]]  # the last subgroup has one value, and no variation inside
    used = groups[:2]
    pooled = capability(VALUES, 34, 36, subgroup_size=3)
    assert pooled.within_standard_deviation == pytest.approx(sqrt(np.mean([g.var(ddof=1) for g in used])), rel=1e-12)
    assert pooled.within_degrees_of_freedom == 4


def test_indices_are_those_of_the_formulas() -> None:
    x = np.array(VALUES)
    found = capability(VALUES, 34.0, 36.5)
    s, sigma, m = x.std(ddof=1), np.abs(np.diff(x)).mean() / d2(2), x.mean()
    assert found.cp == pytest.approx(2.5 / (6 * sigma), rel=1e-12)
    assert found.cpk == pytest.approx((m - 34.0) / (3 * sigma), rel=1e-12)
    assert found.pp == pytest.approx(2.5 / (6 * s), rel=1e-12)
    assert found.ppk == pytest.approx((m - 34.0) / (3 * s), rel=1e-12)
    assert found.not_computable == {}
    low, high = stats.chi2.ppf([0.025, 0.975], 6)
    assert found.pp_interval == pytest.approx((found.pp * sqrt(low / 6), found.pp * sqrt(high / 6)), rel=1e-10)
    half = stats.norm.ppf(0.975) * sqrt(1 / 63 + found.ppk**2 / 12)
    assert found.ppk_interval == pytest.approx((found.ppk - half, found.ppk + half), rel=1e-10)
    nu = found.within_degrees_of_freedom
    assert nu is not None
    half = stats.norm.ppf(0.975) * sqrt(1 / 63 + found.cpk**2 / (2 * nu))
    assert found.cpk_interval == pytest.approx((found.cpk - half, found.cpk + half), rel=1e-10)


def test_two_parts_have_one_interval_by_either_estimator() -> None:
    """The moving range of two values times c4 is their standard deviation, so both chi-square intervals are exact."""
    found = capability([35.0, 35.4], 34.0, 37.0)
    assert found.within_degrees_of_freedom == pytest.approx(1.0, rel=1e-10)
    assert found.cp_interval == pytest.approx(found.pp_interval, rel=1e-9)
    assert found.cp != pytest.approx(found.pp, rel=0.1)


def test_a_mean_outside_the_limits_gives_a_negative_index() -> None:
    found = capability(VALUES, 36, 37)
    assert found.ppk is not None
    assert found.ppk < 0
    assert found.pp is not None
    assert found.pp > 0


@pytest.mark.parametrize(
    ("values", "lower", "upper", "size", "reasons"),
    [
        (VALUES, None, None, 1, dict.fromkeys(INDICES, "no limit is given")),
        (VALUES, 36.0, 34.0, 1, dict.fromkeys(INDICES, "is not below the upper limit")),
        (VALUES, 34.0, 34.0, 1, dict.fromkeys(INDICES, "is not below the upper limit")),
        (VALUES, None, 36.0, 1, dict.fromkeys(("cp", "pp"), "only an upper one")),
        (VALUES, 34.0, None, 5, dict.fromkeys(("cp", "pp"), "only a lower one")),
        ([35.0], 34.0, 36.0, 1, dict.fromkeys(INDICES, "one part has no standard deviation")),
        ([35.1] * 4, 34.0, 36.0, 1, dict.fromkeys(INDICES, "equal")),
        ([0.1 + 0.2, 0.3, 0.3], 0.0, 1.0, 1, dict.fromkeys(INDICES, "equal")),
        ([35.1, 35.1, 35.2, 35.2], 34.0, 36.0, 2, dict.fromkeys(("cp", "cpk"), "within subgroups are equal")),
    ],
)
def test_what_cannot_be_computed_says_why(
    values: list[float], lower: float | None, upper: float | None, size: int, reasons: dict[str, str]
) -> None:
    found = capability(values, lower, upper, subgroup_size=size)
    assert set(found.not_computable) == set(reasons)
    for index in INDICES:
        missing = index in reasons
        assert (getattr(found, index) is None) == missing
        assert (getattr(found, f"{index}_interval") is None) == missing
        if missing:
            assert reasons[index] in found.not_computable[index]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: capability(VALUES, -inf, 36), "limits must be finite"),
        (lambda: capability(VALUES, 34, nan), "limits must be finite"),
        (lambda: capability(VALUES, 34, 36, subgroup_size=0), "makes no sense"),
        (lambda: capability(VALUES, 34, 36, confidence=1.0), "between 0 and 1"),
        (
            lambda: capability_of_lots(
                frame_of({"A": VALUES}), pl.concat([limits_of({"A": (1, 2)})] * 2), subgroup_size=1
            ),
            "two rows of limits",
        ),
    ],
)
def test_bad_use_is_refused(call: object, message: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=message):
        call()


@pytest.mark.parametrize("size", [1, 3])
def test_all_lots_at_once_agree_with_one_at_a_time(size: int) -> None:
    rng = np.random.default_rng(9)
    lots = {f"L{i:02d}": list(rng.normal(35, 0.3, int(rng.integers(1, 15)))) for i in range(30)}
    lots["equal"] = [35.0] * 6
    pairs: dict[str, tuple[float | None, float | None]] = dict.fromkeys(lots, (34.0, 36.0))
    pairs["L03"], pairs["L04"] = (None, 36.0), (37.0, 36.0)
    del pairs["L05"]
    frame = frame_of(lots).sample(fraction=1.0, shuffle=True, seed=2)
    found = capability_of_lots(frame, limits_of(pairs), subgroup_size=size)
    assert found["lot"].to_list() == sorted(lots)
    numbers = found.select(pl.col(pl.Float64))
    assert numbers.select(pl.all().is_finite().all()).row(0) == (True,) * numbers.width
    for row in found.iter_rows(named=True):
        one = capability(lots[row["lot"]], *pairs.get(row["lot"], (None, None)), subgroup_size=size)
        assert row["within_standard_deviation"] == one.within_standard_deviation
        assert row["within_estimator"] == one.within_estimator
        for index in INDICES:
            assert row[index] == getattr(one, index)
            assert row[f"{index}_reason"] == one.not_computable.get(index)
            interval = getattr(one, f"{index}_interval")
            assert (row[f"{index}_low"], row[f"{index}_high"]) == (interval or (None, None))


@pytest.mark.parametrize("parts", [30, 100])
@pytest.mark.parametrize(("mean", "half"), [(0.0, 4.0), (1.0, 5.0)], ids=["centred", "off centre"])
def test_coverage_of_intervals(parts: int, mean: float, half: float) -> None:
    """Seeded: of 2,000 lots at Cpk 1.33, 93 to 97 % of the 95 % intervals hold the true index, estimator by estimator."""
    lots = 2000
    x = np.random.default_rng(20260302 + parts).normal(mean, 1.0, (lots, parts))
    frame = pl.DataFrame(
        {"lot": np.repeat(np.arange(lots), parts), "order": np.tile(np.arange(parts), lots), "mean": x.ravel()}
    )
    limits = pl.DataFrame({"lot": np.arange(lots), "lower": np.full(lots, -half), "upper": np.full(lots, half)})
    truth = {"cp": half / 3, "pp": half / 3, "cpk": (half - mean) / 3, "ppk": (half - mean) / 3}
    for size in (1, 5):
        found = capability_of_lots(frame, limits, subgroup_size=size)
        for index in INDICES if size == 1 else ("cp", "cpk"):
            held = found.select(
                ((pl.col(f"{index}_low") <= truth[index]) & (pl.col(f"{index}_high") >= truth[index])).mean()
            )
            covered = 100 * held.item()
            print(f"{parts} parts, mean {mean:g}, {found['within_estimator'][0]}, {index}: {covered:.2f} %")
            assert 93 <= covered <= 97
