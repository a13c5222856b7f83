"""What a setting taught a meter: the factor of its blocks, straight between them, and what keeps a block from teaching."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_by_one import conductivity_at_reference

from pipeline.metrology.relative_state import BlockOfSetting, SettingCurve, block_factor, problem_of_block
from pipeline.metrology.temperature import conductivity_at_temperature

COPPER, ALUMINIUM = ("constant_slope", 0.0000681), ("constant_slope", 0.000115)
WHOLE = BlockOfSetting("B", 58.0, 30.0, *COPPER, material="copper")


def problem(*, alone: bool = True, registered: bool = True, **given_: Any) -> str | None:
    return problem_of_block(
        replace(WHOLE, **given_), alone=alone, registered=registered, plausible_temperature_c=(-10.0, 60.0)
    )


@pytest.mark.parametrize(
    "given_", [{}, {"temperature_c": -10.0}, {"temperature_c": 60.0}, {"model": "linear", "certified_ms_per_m": None}]
)
def test_a_whole_block_has_no_problem(given_: dict[str, Any]) -> None:
    assert problem(**given_) is None


@pytest.mark.parametrize(
    ("given_", "words"),
    [
        ({"registered": False}, "block B does not stand in reference/blocks.csv"),
        ({"registered": False, "temperature_c": None}, "does not stand in reference/blocks.csv"),
        ({"temperature_c": None}, "the temperature of block B at that setting was not stated"),
        ({"temperature_c": math.nan}, "was not stated"),
        ({"temperature_c": -10.001}, "is said to have been at -10.001 °C, outside -10 to 60 °C"),
        ({"temperature_c": 60.001}, "outside -10 to 60 °C"),
        ({"model": "cubic"}, "no temperature model with a coefficient is known for block B (material copper has none)"),
        ({"coefficient": None}, "(material copper has none)"),
        ({"model": None, "material": None}, "(it has no material)"),
        ({"certified_ms_per_m": None}, "block B has no certified value"),
        ({"certified_ms_per_m": None, "model": "linear", "alone": False}, "block B has no certified value"),
        ({"model": "linear", "coefficient": -0.2}, "gives no positive conductivity at 30 °C"),
    ],
)
def test_what_keeps_a_block_from_teaching_is_named(given_: dict[str, Any], words: str) -> None:
    assert words in (problem(**given_) or "")


@pytest.mark.parametrize("missing", ["temperature_c", "model", "coefficient"])
def test_a_factor_needs_temperature_model_and_coefficient(missing: str) -> None:
    with pytest.raises(ValueError, match="block B: temperature, model and coefficient are needed"):
        block_factor(replace(WHOLE, **{missing: None}), reference_c=20.0)


def test_a_setting_needs_a_block() -> None:
    with pytest.raises(ValueError, match="at least one block"):
        SettingCurve([], reference_c=20.0)


def test_a_linear_block_alone_teaches_without_a_certified_value() -> None:
    alone = replace(WHOLE, model="linear", coefficient=0.004, certified_ms_per_m=None)
    curve = SettingCurve([alone], reference_c=20.0)
    shown = np.array([5.0, 58.0])
    assert curve.factor(shown) == pytest.approx([1 / 1.04] * 2, rel=1e-14)
    by_temperature, by_coefficient = curve.log_slopes(shown)
    assert by_temperature == pytest.approx([-0.004 / 1.04] * 2, rel=1e-14)
    assert by_coefficient == pytest.approx([-10 / 1.04] * 2, rel=1e-14)


def test_blocks_of_one_value_teach_their_mean() -> None:
    warm, cool = WHOLE, replace(WHOLE, block="C", temperature_c=22.0)
    factors = [block_factor(each, reference_c=20.0) for each in (warm, cool)]
    found = SettingCurve([warm, cool], reference_c=20.0).factor(np.array([58.0, 29.0]))
    assert found == pytest.approx([sum(factors) / 2] * 2, rel=1e-14)


def test_a_setting_on_two_blocks_is_exact_on_each_and_straight_between() -> None:
    high = BlockOfSetting("H", 58.0, 30.0, *COPPER)
    low = BlockOfSetting("L", 19.0, 26.0, *ALUMINIUM)
    curve = SettingCurve([high, low], reference_c=20.0)
    shown = np.array([19.0, 58.0, 38.5, 10.0, 60.0])
    true = curve.factor(shown) * shown
    ends = [19.0 * block_factor(low, reference_c=20.0), 58.0 * block_factor(high, reference_c=20.0)]
    assert true[:2] == pytest.approx(ends, rel=1e-14)
    assert true[2] == pytest.approx(sum(ends) / 2, rel=1e-14)
    assert true[3] == pytest.approx(ends[0] * 10 / 19, rel=1e-14)
    assert true[4] == pytest.approx(ends[1] * 60 / 58, rel=1e-14)


@pytest.mark.parametrize("block", [("linear", 0.00393), COPPER, ("proportional", 0.00395)])
def test_slopes_are_those_of_the_factor(block: tuple[str, float]) -> None:
    shown = np.array([20.0])

    def log_factor(t_set: float, coefficient: float) -> float:
        given = BlockOfSetting("B", 58.0, t_set, block[0], coefficient)
        return float(np.log(SettingCurve([given], reference_c=20.0).factor(shown))[0])

    t, c = 31.0, block[1]
    by_temperature, by_coefficient = SettingCurve([BlockOfSetting("B", 58.0, t, *block)], reference_c=20.0).log_slopes(
        shown
    )
    assert by_temperature[0] == pytest.approx((log_factor(t + 1e-3, c) - log_factor(t - 1e-3, c)) / 2e-3, rel=1e-5)
    step = c * 1e-4
    assert by_coefficient[0] == pytest.approx(
        (log_factor(t, c + step) - log_factor(t, c - step)) / (2 * step), rel=1e-5
    )


def test_block_and_part_at_their_own_temperature_agree_with_the_reference_formula() -> None:
    given = BlockOfSetting("B", 58.0, 30.0, *COPPER)
    assert block_factor(given, reference_c=20.0) == pytest.approx(
        conductivity_at_temperature(58.0, 30.0, reference_c=20.0, model=COPPER[0], coefficient=COPPER[1]) / 58.0
    )


@settings(max_examples=200, deadline=None)
@given(
    true=st.floats(1.0, 62.0), t_part=st.floats(-5, 55), t_set=st.floats(-5, 55), certified=st.floats(1.0, 62.0),
    block=st.sampled_from([("linear", 0.00393), COPPER, ALUMINIUM, ("proportional", 0.00395)]),
    part=st.sampled_from([("linear", 0.0022), COPPER, ALUMINIUM, ("proportional", 0.0066)]),
)  # fmt: skip
def test_whatever_the_metals_and_temperatures_the_true_value_comes_back(
    true: float, t_part: float, t_set: float, certified: float, block: tuple[str, float], part: tuple[str, float]
) -> None:
    at_metal = conductivity_at_temperature(true, t_part, reference_c=20.0, model=part[0], coefficient=part[1])
    taught = conductivity_at_temperature(certified, t_set, reference_c=20.0, model=block[0], coefficient=block[1])
    shown = at_metal * certified / taught
    curve = SettingCurve([BlockOfSetting("B", certified, t_set, *block)], reference_c=20.0)
    back = shown * float(curve.factor(np.array([shown]))[0])
    found = conductivity_at_reference(back, t_part, reference_c=20.0, model=part[0], coefficient=part[1])
    assert found == pytest.approx(true, rel=1e-11)
