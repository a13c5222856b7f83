"""Combination of contributions and the budget of a mean."""

from __future__ import annotations

import math
from dataclasses import asdict, replace
from typing import Any

import numpy as np
import polars as pl
import pytest
from one_by_one import lot_mean_budget

from pipeline.metrology.lot_budget import LotMeanInputs, lot_mean_budgets
from pipeline.metrology.uncertainty import combine, coverage_factor, coverage_factors, normalised_error
from schemas.results import Contribution

FULL = LotMeanInputs(
    mean=20.0,
    readings=25,
    repeatability=0.05,
    repeatability_degrees_of_freedom=20.0,
    parts=5,
    part_standard_deviation=0.2,
    block_expanded_uncertainty=0.08,
    block_coverage_factor=2.0,
    check_standard_deviation=0.03,
    check_degrees_of_freedom=19.0,
    check_bias=0.02,
    accuracy_percent=0.5,
    resolution=0.01,
    temperature_sensitivity=-0.08,
    sensor_expanded_uncertainty_c=0.5,
    sensor_coverage_factor=2.0,
    coefficient_sensitivity=4000.0,
    coefficient_standard_uncertainty=2e-6,
)


def line(u: float, nu: float | None = None) -> Contribution:
    return Contribution("line", u, nu, False, "test")


def lines(inputs: LotMeanInputs) -> dict[str, Contribution]:
    return {contribution.name: contribution for contribution in lot_mean_budget(inputs).contributions}


@pytest.mark.parametrize("count", [1, 2, 3])
def test_equal_contributions_add_their_whole_degrees_of_freedom(count: int) -> None:
    # equal ones give exactly count·ν, but binary arithmetic may fall just short, and truncation would then lose one
    short = 0
    for nu in range(1, 120):
        for u in (0.1, 0.3, 1e-90, 7.7, 1e90):
            total = combine([line(u, nu)] * count)
            assert total.coverage_factor == coverage_factor(count * nu)
            assert total.standard_uncertainty == pytest.approx(u * math.sqrt(count), rel=1e-15)
            assert total.degrees_of_freedom is not None
            short += total.degrees_of_freedom < count * nu
    assert short > 0


def test_no_degrees_of_freedom_means_the_normal_factor() -> None:
    total = combine([line(3.0), line(4.0)])
    assert total.standard_uncertainty == 5.0
    assert total.degrees_of_freedom is None
    assert total.coverage_factor == pytest.approx(1.959964, abs=1e-6)
    assert total.expanded_uncertainty == total.coverage_factor * 5.0


def test_contributions_of_nought_are_no_division_by_nought() -> None:
    total = combine([line(0.0, 3), line(0.0)])
    assert total.standard_uncertainty == 0.0
    assert total.expanded_uncertainty == 0.0
    assert total.degrees_of_freedom is None


def test_a_known_bias_is_added_by_its_amount() -> None:
    plain, biased = combine([line(1.0)]), combine([line(1.0)], uncorrected_bias=-0.5)
    assert biased.expanded_uncertainty == plain.expanded_uncertainty + 0.5
    assert biased.standard_uncertainty == plain.standard_uncertainty


@pytest.mark.parametrize(
    ("contributions", "words"),
    [
        ([], "no contribution"),
        ([line(-1.0)], "at least 0"),
        ([line(math.nan)], "at least 0"),
        ([line(math.inf)], "at least 0"),
        ([line(1.0, 0.5)], "at least 1"),
        ([line(1.0, math.nan)], "at least 1"),
    ],
)
def test_impossible_contributions_are_refused(contributions: list[Contribution], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        combine(contributions)


def test_impossible_numbers_are_refused() -> None:
    with pytest.raises(ValueError, match="probability between 0 and 1"):
        coverage_factor(5, coverage=1.0)
    with pytest.raises(ValueError, match="probability between 0 and 1"):
        coverage_factors(np.array([5.0]), coverage=0.0)
    with pytest.raises(ValueError, match="at least 1"):
        coverage_factor(0.9)
    with pytest.raises(ValueError, match="at least 1"):
        coverage_factors(np.array([5.0, math.nan]))
    with pytest.raises(ValueError, match="finite"):
        combine([line(1.0)], uncorrected_bias=math.nan)
    with pytest.raises(ValueError, match="E_n needs"):
        normalised_error(1.0, 0.0, 1.0, 0.0)
    with pytest.raises(ValueError, match="E_n needs"):
        normalised_error(math.nan, 0.1, 1.0, 0.1)


@pytest.mark.parametrize("coverage", [0.0, 1.0, -0.1, 1.1])
def test_a_coverage_lies_between_none_and_all(coverage: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        coverage_factor(5, coverage=coverage)
    with pytest.raises(ValueError, match="between 0 and 1"):
        coverage_factors(np.array([5.0]), coverage=coverage)


def test_infinite_degrees_of_freedom_are_none_in_a_single_factor_and_weigh_nothing_in_a_sum() -> None:
    with pytest.raises(ValueError, match="or None for infinite"):
        coverage_factor(math.inf)
    total = combine([line(3.0, math.inf), line(4.0, 10.0)])
    assert total.degrees_of_freedom == pytest.approx(5**4 / (4**4 / 10))
    assert combine([line(3.0, math.inf)]).degrees_of_freedom is None


@pytest.mark.parametrize(
    "numbers",
    [(math.inf, 0.1, 1.0, 0.1), (1.0, math.inf, 1.0, 0.1), (1.0, 0.1, math.nan, 0.1), (1.0, 0.1, 1.0, math.inf)],
)
def test_a_normalised_error_of_what_is_not_finite_is_refused(numbers: tuple[float, float, float, float]) -> None:
    with pytest.raises(ValueError, match="E_n needs"):
        normalised_error(*numbers)


def test_a_normalised_error_needs_one_uncertainty_only() -> None:
    assert normalised_error(1.5, 0.5, 1.0, 0.0) == normalised_error(1.5, 0.0, 1.0, 0.5) == 1.0


def test_many_coverage_factors_are_the_single_ones() -> None:
    nu = [1.0, 1.9, 2.0, 16.7, 500.0, math.inf]
    singles = [coverage_factor(None if math.isinf(x) else x) for x in nu]
    assert coverage_factors(np.array(nu)).tolist() == pytest.approx(singles, rel=1e-15)
    assert coverage_factor(16.7) == coverage_factor(16)


def test_every_contribution_is_named_with_its_source_and_size() -> None:
    found = lines(FULL)
    assert {name: contribution.standard_uncertainty for name, contribution in found.items()} == pytest.approx(
        {
            "repeatability": 0.05 / 5,
            "block certificate": 0.04,
            "meter between checks": 0.03,
            "resolution": 0.01 / math.sqrt(12),
            "temperature sensor": 0.08 * 0.25,
            "temperature coefficient": 4000 * 2e-6,
        }
    )
    assert all(contribution.source for contribution in found.values())
    assert [name for name, contribution in found.items() if contribution.averages] == ["repeatability"]


def test_the_accuracy_statement_stands_only_where_nothing_better_exists() -> None:
    assert "meter accuracy statement" not in lines(FULL)
    found = lines(replace(FULL, check_standard_deviation=None))
    assert found["meter accuracy statement"].standard_uncertainty == pytest.approx(20.0 * 0.005 / math.sqrt(3))
    assert "meter between checks" not in found
    # without a certificate the checks tell nothing of the bias
    found = lines(replace(FULL, block_expanded_uncertainty=None))
    assert "meter accuracy statement" in found
    assert "meter between checks" not in found


def test_only_scatter_averages_down() -> None:
    few, many = lines(replace(FULL, readings=4)), lines(replace(FULL, readings=400))
    changed = {name for name in few if few[name].standard_uncertainty != many[name].standard_uncertainty}
    assert changed == {"repeatability"}
    assert few["repeatability"].standard_uncertainty == pytest.approx(10 * many["repeatability"].standard_uncertainty)


def test_without_repeats_the_scatter_of_parts_stands_in() -> None:
    found = lines(replace(FULL, repeatability=None))
    assert "repeatability" not in found
    assert found["scatter of parts"].standard_uncertainty == pytest.approx(0.2 / math.sqrt(5))
    assert found["scatter of parts"].degrees_of_freedom == 4
    assert "contains repeatability" in found["scatter of parts"].source


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"repeatability": None, "parts": 1}, "neither repeats on a spot by one meter nor more than one part"),
        (
            {"repeatability": None, "part_standard_deviation": None},
            "neither repeats on a spot by one meter nor more than one part",
        ),
        ({"check_standard_deviation": None, "accuracy_percent": None}, "nothing is known of the meter's error"),
        ({"block_expanded_uncertainty": None, "accuracy_percent": None}, "nothing is known of the meter's error"),
    ],
)
def test_a_budget_that_cannot_be_made_says_why(changes: dict[str, Any], words: str) -> None:
    inputs = replace(FULL, **changes)
    budget = lot_mean_budget(inputs)
    assert budget.combined is None
    assert budget.reason is not None
    assert words in budget.reason
    row = lot_mean_budgets(pl.DataFrame([asdict(inputs)])).row(0, named=True)
    assert row["uncertainty_reason"] == budget.reason
    assert row["expanded_uncertainty"] is None
    assert row["coverage_factor"] is None


def test_what_nobody_stated_is_named_as_left_out() -> None:
    budget = lot_mean_budget(
        replace(
            FULL,
            resolution=None,
            sensor_coverage_factor=None,
            coefficient_standard_uncertainty=None,
            block_coverage_factor=None,
        )
    )
    assert budget.combined is not None
    notes = " ".join(budget.notes)
    for words in ("resolution", "temperature sensor", "temperature coefficient", "certificate of a block"):
        assert words in notes
    assert "not counted" in notes


def test_readings_that_the_meter_corrected_need_no_sensor() -> None:
    budget = lot_mean_budget(
        replace(
            FULL,
            temperature_sensitivity=None,
            coefficient_sensitivity=None,
            sensor_expanded_uncertainty_c=None,
            coefficient_standard_uncertainty=None,
        )
    )
    assert not any("temperature" in note for note in budget.notes)


def test_a_bias_left_in_is_named_and_counted() -> None:
    budget = lot_mean_budget(FULL)
    assert budget.combined is not None
    assert budget.combined.uncorrected_bias == 0.02
    assert any("known bias is not corrected" in note for note in budget.notes)
    without = lot_mean_budget(replace(FULL, check_bias=None)).combined
    assert without is not None
    assert budget.combined.expanded_uncertainty == pytest.approx(without.expanded_uncertainty + 0.02, rel=1e-15)


def test_the_frame_needs_only_what_is_known() -> None:
    frame = pl.DataFrame(
        {
            "lot": ["A"],
            "mean": [20.0],
            "readings": [4],
            "repeatability": [0.04],
            "repeatability_degrees_of_freedom": [12],
            "accuracy_percent": [0.5],
        }
    )
    row = lot_mean_budgets(frame).row(0, named=True)
    assert row["lot"] == "A"
    assert row["standard_uncertainty"] == pytest.approx(math.hypot(0.02, 0.1 / math.sqrt(3)))


def test_an_empty_frame_gives_an_empty_frame() -> None:
    found = lot_mean_budgets(pl.DataFrame(schema={"mean": pl.Float64, "readings": pl.Int64}))
    assert found.height == 0
    assert found.schema["expanded_uncertainty"] == pl.Float64


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"readings": 0}, "readings"),
        ({"resolution": -0.1}, "at least 0"),
        ({"repeatability": -0.1}, "at least 0"),
    ],
)
def test_nonsense_is_refused_in_both_forms(changes: dict[str, Any], words: str) -> None:
    inputs = replace(FULL, **changes)
    with pytest.raises(ValueError, match=words):
        lot_mean_budget(inputs)
    with pytest.raises(ValueError, match="row 1 of the budgets"):
        lot_mean_budgets(pl.DataFrame([asdict(FULL), asdict(inputs)]))
