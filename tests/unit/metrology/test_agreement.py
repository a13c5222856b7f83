"""Agreement of meters: differences by Welch, normalised errors without what both share."""

from __future__ import annotations

from math import hypot, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.metrology.agreement import MeterMean, compare_meters, compare_on_same_parts


def mean_of(meter: str, values: list[float], own: float | None = 0.1) -> MeterMean:
    spread = float(np.std(values, ddof=1)) if len(values) > 1 else None
    return MeterMean(meter, float(np.mean(values)), spread, len(values), own)


A, B = [58.02, 58.11, 57.95, 58.04, 58.09], [57.71, 57.93, 57.80]


def test_difference_is_that_of_welch_as_scipy_computes_it() -> None:
    (pair,) = compare_meters([mean_of("B", B), mean_of("A", A)])
    test = stats.ttest_ind(A, B, equal_var=False)
    interval = test.confidence_interval(0.95)
    assert (pair.first, pair.second) == ("A", "B")
    assert pair.difference == pytest.approx(np.mean(A) - np.mean(B))
    assert pair.degrees_of_freedom == pytest.approx(test.df)
    assert (pair.low, pair.high) == (pytest.approx(interval.low), pytest.approx(interval.high))


def test_normalised_error_counts_what_each_meter_adds_alone() -> None:
    (pair,) = compare_meters([mean_of("A", A, 0.12), mean_of("B", B, 0.05)])
    expanded = [2 * hypot(np.std(v, ddof=1) / sqrt(len(v)), own) for v, own in ((A, 0.12), (B, 0.05))]
    assert pair.e_n == pytest.approx(pair.difference / hypot(*expanded))


def test_what_cannot_be_said_says_why() -> None:
    (alone,) = compare_meters([mean_of("A", A), mean_of("B", [57.9])])
    assert (alone.low, alone.e_n, alone.reason) == (None, None, "B has one determination only")
    (silent,) = compare_meters([mean_of("A", A, None), mean_of("B", B)])
    assert silent.e_n is None
    assert silent.reason == "A states no accuracy"
    assert silent.low is not None
    (same,) = compare_meters([mean_of("A", [58.0, 58.0], 0.0), mean_of("B", [58.0, 58.0], 0.0)])
    assert (same.low, same.e_n, same.reason) == (None, None, "neither meter has any uncertainty")
    with pytest.raises(ValueError, match="twice"):
        compare_meters([mean_of("A", A), mean_of("A", B)])
    assert compare_meters([mean_of("A", A)]) == ()


def test_the_meter_that_lacks_something_is_named_whichever_it_is() -> None:
    def reason(a: MeterMean, b: MeterMean) -> str | None:
        return compare_meters([a, b])[0].reason

    assert reason(mean_of("A", [57.9]), mean_of("B", B)) == "A has one determination only"
    assert reason(mean_of("A", A), mean_of("B", [57.9])) == "B has one determination only"
    assert reason(mean_of("A", A, None), mean_of("B", B)) == "A states no accuracy"
    assert reason(mean_of("A", A), mean_of("B", B, None)) == "B states no accuracy"
    assert compare_on_same_parts("A", "B", [0.1, 0.2], (None, 0.1)).reason == "A states no accuracy"


@pytest.mark.parametrize(("own_a", "own_b"), [(0.1, 0.0), (0.0, 0.1)])
def test_one_meter_with_an_uncertainty_is_enough_for_a_normalised_error(own_a: float, own_b: float) -> None:
    exact = [58.0, 58.0]
    (pair,) = compare_meters([mean_of("A", [58.1, 58.1], own_a), mean_of("B", exact, own_b)])
    assert pair.e_n == pytest.approx(0.1 / 0.2)
    assert compare_on_same_parts("A", "B", [0.1, 0.1], (own_a, own_b)).e_n == pytest.approx(0.1 / 0.2)


@settings(max_examples=40, deadline=None)
@given(st.floats(-5, 5), st.floats(0.2, 5))
def test_shift_leaves_and_scale_carries_over(shift: float, scale: float) -> None:
    (pair,) = compare_meters([mean_of("A", A), mean_of("B", B)])
    (moved,) = compare_meters(
        [mean_of(n, [scale * x + shift for x in v], 0.1 * scale) for n, v in (("A", A), ("B", B))]
    )
    assert moved.difference == pytest.approx(scale * pair.difference, rel=1e-6)
    assert moved.e_n == pytest.approx(pair.e_n, rel=1e-6)


def test_the_same_parts_drop_out_part_by_part() -> None:
    parts, biased = [58.0, 58.9, 57.1, 58.4], [58.11, 59.03, 57.18, 58.52]
    pair = compare_on_same_parts("B", "A", [b - a for a, b in zip(parts, biased, strict=True)], (0.05, 0.1))
    test = stats.ttest_rel(biased, parts)
    interval = test.confidence_interval(0.95)
    assert pair.difference == pytest.approx(np.mean(biased) - np.mean(parts))
    assert (pair.low, pair.high) == (pytest.approx(interval.low), pytest.approx(interval.high))
    assert pair.degrees_of_freedom == 3
    assert pair.e_n == pytest.approx(
        pair.difference / (2 * sqrt((pair.standard_uncertainty or 0) ** 2 + 0.05**2 + 0.1**2))
    )
    assert compare_on_same_parts("A", "B", [0.1], (0.1, 0.1)).reason == "one part was measured by both"
    assert compare_on_same_parts("A", "B", [0.1, 0.2], (0.1, None)).reason == "B states no accuracy"
    assert compare_on_same_parts("A", "B", [0.0, 0.0], (0.0, 0.0)).reason == "neither meter has any uncertainty"
    with pytest.raises(ValueError, match="at least one part"):
        compare_on_same_parts("A", "B", [], (0.1, 0.1))
