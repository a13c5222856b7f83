"""The lines of a mean's budget: which stand in it, how large, on how many degrees of freedom, and what is named as left out.

Factors by JCGM 100:2008: U/k (4.3.3), a/√3 of a rectangle (4.3.7), s/√n of a mean (4.2.3), a step of the display r/√12 (F.2.2.1).
"""

from __future__ import annotations

import math
from dataclasses import asdict, replace
from typing import Any

import polars as pl
import pytest
from one_by_one import lot_mean_budget

from pipeline.metrology.lot_budget import LotMeanInputs, lot_mean_budgets
from pipeline.metrology.uncertainty import coverage_factor

BASE = LotMeanInputs(
    mean=-20.0, readings=4, repeatability=0.06, repeatability_degrees_of_freedom=3.0, block_expanded_uncertainty=0.08,
    block_coverage_factor=2.0, check_standard_deviation=0.03, check_degrees_of_freedom=19.0, accuracy_percent=0.5, resolution=0.12,
)  # fmt: skip
"""A negative mean makes no sense in the trade and shows where its amount counts."""
SCATTER = ("repeatability", 0.03, 3.0)
CERTIFICATE = ("block certificate", 0.04, None)
METER = ("meter between checks", 0.03, 19.0)
ACCURACY = ("meter accuracy statement", 0.1 / math.sqrt(3), None)
STEP = ("resolution", 0.12 / math.sqrt(12), None)
OF_PARTS = ("scatter of parts", 0.2, 3.0)

NO_CERTIFICATE = "no certificate of a block with uncertainty and coverage factor: not counted"
NO_STEP = "resolution of the meter not known: not counted"
NO_SENSOR = "uncertainty of the temperature sensor not known: not counted"
NO_COEFFICIENT = "uncertainty of the temperature coefficient not known: not counted"
NO_SETTING = "uncertainty of the temperature at the setting not known: not counted"
NO_SET_BLOCK = "uncertainty of the coefficient of the setting's block not known: not counted"
BIASED = (
    "the known bias is not corrected; its amount, the meter's level as the checks let it be followed, is added to the expanded "
    "uncertainty (GUM F.2.4.5)"
)
PARTS = {"part_standard_deviation": 0.4, "parts": 4}


@pytest.mark.parametrize(
    ("changes", "expected", "notes"),
    [
        ({}, [SCATTER, CERTIFICATE, METER, STEP], []),
        # scatter: of repeats from one degree of freedom on, else of at least two parts
        ({"repeatability_degrees_of_freedom": 1.0}, [("repeatability", 0.03, 1.0), CERTIFICATE, METER, STEP], []),
        ({**PARTS, "repeatability_degrees_of_freedom": 0.9}, [OF_PARTS, CERTIFICATE, METER, STEP], []),
        ({**PARTS, "repeatability_degrees_of_freedom": None}, [OF_PARTS, CERTIFICATE, METER, STEP], []),
        ({**PARTS, "repeatability": None}, [OF_PARTS, CERTIFICATE, METER, STEP], []),
        ({**PARTS, "repeatability": None, "parts": 2}, [("scatter of parts", 0.4 / math.sqrt(2), 1.0), CERTIFICATE, METER, STEP], []),
        ({**PARTS, "repeatability": None, "averaged_parts": 1}, [("scatter of parts", 0.4, 3.0), CERTIFICATE, METER, STEP], []),
        # the meter: its checks on a certified block from one degree of freedom on, else what it claims
        ({"check_degrees_of_freedom": 1.0}, [SCATTER, CERTIFICATE, ("meter between checks", 0.03, 1.0), STEP], []),
        ({"check_degrees_of_freedom": 0.9}, [SCATTER, CERTIFICATE, ACCURACY, STEP], []),
        ({"check_degrees_of_freedom": None}, [SCATTER, CERTIFICATE, ACCURACY, STEP], []),
        ({"check_standard_deviation": None}, [SCATTER, CERTIFICATE, ACCURACY, STEP], []),
        ({"block_expanded_uncertainty": None}, [SCATTER, ACCURACY, STEP], [NO_CERTIFICATE]),
        ({"block_coverage_factor": None}, [SCATTER, ACCURACY, STEP], [NO_CERTIFICATE]),
        ({"check_level_standard_uncertainty": 0.01}, [SCATTER, CERTIFICATE, METER, ("level of the meter", 0.01, 19.0), STEP], []),
        ({"drift_bound": 0.3}, [SCATTER, CERTIFICATE, METER, ("drift since the last check", 0.3 / math.sqrt(3), None), STEP], []),
        ({"drift_bound": 0.3, "check_level_standard_uncertainty": 0.01, "check_standard_deviation": None}, [SCATTER, CERTIFICATE, ACCURACY, STEP], []),
        # a line over the blocks holds their certificates and the level; without a certificate there is none
        ({"bias_line_standard_uncertainty": 0.05, "bias_line_degrees_of_freedom": 7.0, "check_level_standard_uncertainty": 0.01, "check_bias": 0.1},
         [SCATTER, ("bias line over the blocks", 0.05, 7.0), METER, STEP], []),
        ({"bias_line_standard_uncertainty": 0.05, "block_coverage_factor": None, "check_bias": 0.1}, [SCATTER, ACCURACY, STEP], [NO_CERTIFICATE]),
        ({"check_bias": -0.1}, [SCATTER, CERTIFICATE, METER, STEP], [BIASED]),
        ({"check_bias": 0.1, "check_standard_deviation": None}, [SCATTER, CERTIFICATE, ACCURACY, STEP], [BIASED]),
        ({"check_bias": 0.1, "resolution": None}, [SCATTER, CERTIFICATE, METER], [BIASED, NO_STEP]),
        ({"check_bias": 0.0}, [SCATTER, CERTIFICATE, METER, STEP], []),
        ({"resolution": None}, [SCATTER, CERTIFICATE, METER], [NO_STEP]),
        # temperature: by its amount, and named where it matters and nobody stated it
        ({"temperature_sensitivity": -0.08, "sensor_expanded_uncertainty_c": 0.6, "sensor_coverage_factor": 3.0},
         [SCATTER, CERTIFICATE, METER, STEP, ("temperature sensor", 0.016, None)], []),
        ({"temperature_sensitivity": -0.08, "sensor_expanded_uncertainty_c": 0.6}, [SCATTER, CERTIFICATE, METER, STEP], [NO_SENSOR]),
        ({"temperature_sensitivity": -0.08, "sensor_coverage_factor": 3.0}, [SCATTER, CERTIFICATE, METER, STEP], [NO_SENSOR]),
        *(({"temperature_sensitivity": 0.0, "sensor_expanded_uncertainty_c": u, "sensor_coverage_factor": 3.0}, [SCATTER, CERTIFICATE, METER, STEP], [])
          for u in (None, 0.6)),
        ({"coefficient_sensitivity": -4000.0, "coefficient_standard_uncertainty": 2e-6},
         [SCATTER, CERTIFICATE, METER, STEP, ("temperature coefficient", 0.008, None)], []),
        ({"coefficient_sensitivity": -4000.0}, [SCATTER, CERTIFICATE, METER, STEP], [NO_COEFFICIENT]),
        *(({"coefficient_sensitivity": 0.0, "coefficient_standard_uncertainty": u}, [SCATTER, CERTIFICATE, METER, STEP], []) for u in (None, 2e-6)),
        ({"relative": True}, [SCATTER, CERTIFICATE, METER, STEP], [NO_SETTING, NO_SET_BLOCK]),
        ({"relative": True, "setting_temperature_standard_uncertainty": 0.0, "setting_coefficient_standard_uncertainty": 0.02},
         [SCATTER, CERTIFICATE, METER, STEP, ("coefficient of the setting's block", 0.02, None)], []),
        ({"relative": True, "setting_temperature_standard_uncertainty": 0.02, "setting_coefficient_standard_uncertainty": 0.0},
         [SCATTER, CERTIFICATE, METER, STEP, ("temperature of the setting", 0.02, None)], []),
        ({"relative": False}, [SCATTER, CERTIFICATE, METER, STEP], []),
        ({"correction_standard_uncertainty": 0.02}, [SCATTER, CERTIFICATE, METER, STEP, ("correction for geometry", 0.02, None)], []),
        ({"corrections_without_uncertainty": "K1"}, [SCATTER, CERTIFICATE, METER, STEP], ["uncertainty of correction K1 not known: not counted"]),
        ({"thickness_allowance_percent": 0.5, "lift_off_allowance_percent": 0.0}, [SCATTER, CERTIFICATE, METER, STEP, ("thickness", 0.1 / math.sqrt(3), None)], []),
        ({"lift_off_allowance_percent": 0.5, "thickness_allowance_percent": 0.0}, [SCATTER, CERTIFICATE, METER, STEP, ("lift-off", 0.1 / math.sqrt(3), None)], []),
    ],
)  # fmt: skip
def test_the_lines_of_a_budget_are_these_and_add_up_alike_alone_and_in_a_frame(
    changes: dict[str, Any], expected: list[tuple[str, float, float | None]], notes: list[str]
) -> None:
    inputs = replace(BASE, **changes)
    budget = lot_mean_budget(inputs)
    assert [(one.name, one.degrees_of_freedom) for one in budget.contributions] == [(n, nu) for n, _, nu in expected]
    sizes = [u for _, u, _ in expected]
    assert [one.standard_uncertainty for one in budget.contributions] == pytest.approx(sizes, rel=1e-12)
    assert [one.averages for one in budget.contributions] == [True] + [False] * (len(expected) - 1)
    assert list(budget.notes) == notes
    together = math.sqrt(sum(u * u for _, u, _ in expected))
    weight = sum((u / together) ** 4 / nu for _, u, nu in expected if nu)
    bias = abs(changes.get("check_bias") or 0.0) if BIASED in notes else 0.0
    expanded = coverage_factor(1 / weight) * together + bias
    assert budget.combined is not None
    row = lot_mean_budgets(pl.DataFrame([asdict(inputs)])).row(0, named=True)
    for found in (asdict(budget.combined), row):
        assert found["standard_uncertainty"] == pytest.approx(together, rel=1e-12)
        assert found["degrees_of_freedom"] == pytest.approx(1 / weight, rel=1e-12)
        assert found["expanded_uncertainty"] == pytest.approx(expanded, rel=1e-12)
    assert row["uncertainty_reason"] is None


NO_SCATTER = "neither repeats on a spot by one meter nor more than one part"
NO_METER = "nothing is known of the meter's error"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"repeatability": None}, NO_SCATTER),
        ({"repeatability": None, **PARTS, "parts": 1}, NO_SCATTER),
        ({"repeatability": None, "parts": 4}, NO_SCATTER),
        ({"repeatability": None, "part_standard_deviation": 0.4}, NO_SCATTER),
        ({"check_standard_deviation": None, "accuracy_percent": None}, NO_METER),
        ({"repeatability": None, "check_standard_deviation": None, "accuracy_percent": None}, NO_SCATTER),
    ],
)
def test_without_scatter_or_meter_there_is_no_uncertainty_and_the_first_lack_is_the_reason(
    changes: dict[str, Any], words: str
) -> None:
    inputs = replace(BASE, **changes)
    budget = lot_mean_budget(inputs)
    assert budget.combined is None
    assert (budget.reason or "").startswith(words)
    row = lot_mean_budgets(pl.DataFrame([asdict(inputs)])).row(0, named=True)
    assert row["uncertainty_reason"] == budget.reason
    for name in ("standard_uncertainty", "degrees_of_freedom", "coverage_factor", "expanded_uncertainty"):
        assert row[name] is None


def test_a_line_says_where_it_came_from() -> None:
    def sources(**changes: Any) -> dict[str, str]:
        return {one.name: one.source for one in lot_mean_budget(replace(BASE, **changes)).contributions}

    assert sources()["repeatability"].endswith(
        "of this lot by one meter, divided by the root of 4 readings (GUM 4.2.3)"
    )
    assert sources(readings=1)["repeatability"] == "pooled over repeats on a spot of this lot by one meter"
    assert "in the meter's checks (GUM 4.2.4)" in sources(repeatability_from="meter")["repeatability"]
    assert "too few repeats of its own" in sources(repeatability_from="checks")["repeatability"]
    parts = sources(repeatability=None, **PARTS)["scatter of parts"]
    assert (
        parts == "standard deviation of part means, divided by the root of 4 parts (GUM 4.2.3); contains repeatability"
    )
    one = sources(repeatability=None, **PARTS, averaged_parts=1)["scatter of parts"]
    assert one == "standard deviation of part means; contains repeatability"
    assert sources()["block certificate"] == "certificate, U/k with k = 2"
    assert sources(block="B1")["block certificate"] == "certificate of B1, U/k with k = 2"
    assert "level since the setting" in sources()["meter between checks"]
    assert "level on B1 since the setting" in sources(block="B1")["meter between checks"]
    named = {"correction_standard_uncertainty": 0.1, "correction_names": "K1"}
    assert sources(**named)["correction for geometry"].startswith("U/k of K1 in the table")
    assert sources(**named | {"correction_names": None})["correction for geometry"].startswith(
        "U/k of what was applied in"
    )


def test_a_mean_of_no_reading_has_no_budget_and_the_coverage_is_chosen() -> None:
    assert lot_mean_budget(replace(BASE, readings=1)).combined is not None
    with pytest.raises(ValueError, match="row 0 of the budgets: expected readings of at least 1"):
        lot_mean_budget(replace(BASE, readings=0))
    counts = pl.DataFrame([asdict(BASE)] * 3).with_columns(readings=pl.Series([4, 1, None]))
    with pytest.raises(ValueError, match="row 2 of the budgets"):
        lot_mean_budgets(counts)
    narrow, wide = (lot_mean_budget(BASE, coverage=p).combined for p in (0.6827, 0.95))
    assert narrow is not None
    assert wide is not None
    assert lot_mean_budget(BASE).combined == wide
    assert narrow.expanded_uncertainty < 0.6 * wide.expanded_uncertainty
    frame = pl.DataFrame([asdict(BASE)])
    assert lot_mean_budgets(frame)["expanded_uncertainty"].to_list() == pytest.approx([wide.expanded_uncertainty])
    found = lot_mean_budgets(frame, coverage=0.6827)["expanded_uncertainty"].to_list()
    assert found == pytest.approx([narrow.expanded_uncertainty])


def test_many_budgets_keep_their_rows_and_columns_in_order() -> None:
    several = [replace(BASE, mean=float(n), readings=n) for n in (3, 1, 2)]
    frame = pl.DataFrame([asdict(one) for one in several]).with_columns(lot=pl.Series(["C", "A", "B"]))
    found = lot_mean_budgets(frame)
    assert found.columns == [
        *frame.columns, "standard_uncertainty", "degrees_of_freedom", "coverage_factor", "expanded_uncertainty", "uncorrected_bias",
        "uncertainty_reason",
    ]  # fmt: skip
    assert found.select(frame.columns).equals(frame)
    for inputs, row in zip(several, found.iter_rows(named=True), strict=True):
        combined = lot_mean_budget(inputs).combined
        assert combined is not None
        assert row["coverage_factor"] == pytest.approx(combined.coverage_factor)
        assert row["expanded_uncertainty"] == pytest.approx(combined.expanded_uncertainty)
    known = frame.drop(name for name in frame.columns if frame[name].null_count() == 3)
    assert lot_mean_budgets(known)["expanded_uncertainty"].equals(found["expanded_uncertainty"])
    with pytest.raises(ValueError, match=r"row 1 of the budgets: expected .* uncertainties of at least 0"):
        lot_mean_budgets(frame.with_columns(resolution=pl.Series([0.12, -0.12, 0.12])))
    endless = lot_mean_budgets(frame.with_columns(repeatability_degrees_of_freedom=math.inf, check_degrees_of_freedom=math.inf))  # fmt: skip
    assert endless["degrees_of_freedom"].to_list() == [None] * 3
    assert endless["coverage_factor"].to_list() == pytest.approx([1.959964] * 3, abs=1e-6)
