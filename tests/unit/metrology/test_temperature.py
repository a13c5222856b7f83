"""Factors and reasons at the reference temperature."""

from __future__ import annotations

import math
from typing import Any

import polars as pl
import pytest
from one_by_one import conductivity_at_reference

from pipeline.metrology.temperature import (
    MODELS,
    at_reference,
    conductivity_at_temperature,
    model_in_words,
    sensitivities,
)

SCHEMA = {
    "value_ms_per_m": pl.Float64,
    "temperature_c": pl.Float64,
    "temperature_state": pl.String,
    "temperature_model": pl.String,
    "coefficient": pl.Float64,
}


def one(**changes: Any) -> dict[str, Any]:
    row: dict[str, Any] = {
        "value_ms_per_m": 57.0,
        "temperature_c": 25.0,
        "temperature_state": "at_metal",
        "temperature_model": "proportional",
        "coefficient": 0.00393,
    }
    return {**row, **changes}


def result(*rows: dict[str, Any]) -> pl.DataFrame:
    return at_reference(
        pl.DataFrame(list(rows), schema=SCHEMA), reference_c=20.0, plausible_temperature_c=(-10.0, 60.0)
    )


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"temperature_c": None}, "no temperature of the metal was stated"),
        ({"temperature_c": math.nan}, "no temperature of the metal was stated"),
        ({"temperature_c": 200.0}, "200 °C is outside -10 to 60 °C"),
        ({"temperature_c": -10.5}, "-10.5 °C is outside -10 to 60 °C"),
        ({"temperature_c": math.inf}, "no temperature of the metal was stated"),
        ({"temperature_model": None}, "no temperature model with a coefficient"),
        ({"temperature_model": "cubic"}, "no temperature model with a coefficient"),
        ({"coefficient": None}, "no temperature model with a coefficient"),
        ({"coefficient": math.nan}, "no temperature model with a coefficient"),
        ({"temperature_state": "relative"}, "relative state"),
        ({"temperature_state": "relative", "temperature_c": None}, "relative state"),
        ({"temperature_state": None}, "state of temperature is not stated"),
        ({"value_ms_per_m": None}, "no value was read"),
        ({"value_ms_per_m": None, "temperature_state": "at_reference"}, "no value was read"),
        ({"temperature_model": "linear", "coefficient": -0.2}, "no positive conductivity"),
        ({"temperature_model": "linear", "coefficient": -0.3}, "no positive conductivity"),
        ({"temperature_model": "constant_slope", "coefficient": 0.01}, "no positive conductivity"),
    ],
)
def test_a_reading_without_value_at_the_reference_says_why(changes: dict[str, Any], words: str) -> None:
    row = result(one(**changes)).row(0, named=True)
    assert row["factor"] is None
    assert words in row["no_reference_reason"]


def test_a_relative_reading_says_in_plain_words_what_is_missing() -> None:
    reason = result(one(temperature_state="relative"))["no_reference_reason"].item()
    assert "no value at 20 °C" in reason
    assert "block and temperature" in reason


@pytest.mark.parametrize(
    ("model", "coefficient"), [("linear", 0.00393), ("constant_slope", 0.0000681), ("proportional", 0.00393)]
)
def test_a_relative_reading_is_carried_by_its_setting_first_and_without_one_says_why(
    model: str, coefficient: float
) -> None:
    relative = one(temperature_state="relative", temperature_model=model, coefficient=coefficient)
    frame = pl.DataFrame(
        [relative, one(), relative, one(temperature_state="at_reference")], schema=SCHEMA
    ).with_columns(
        setting_factor=pl.Series([0.97, None, None, None], dtype=pl.Float64),
        setting_problem=pl.Series([None, None, "no setting is known", None], dtype=pl.String),
    )
    found = at_reference(frame, reference_c=20.0, plausible_temperature_c=(-10.0, 60.0))
    at_metal = conductivity_at_reference(57.0 * 0.97, 25.0, reference_c=20.0, model=model, coefficient=coefficient)
    assert found["factor"][0] * 57.0 == pytest.approx(at_metal, rel=1e-14)
    # the setting is no business of readings in other states
    assert found["factor"][1] == result(one())["factor"][0]
    assert found["factor"][3] == 1.0
    assert found["no_reference_reason"].to_list() == [None, None, "no setting is known", None]


@pytest.mark.parametrize("temperature_c", [-10.0, 60.0])
def test_the_ends_of_the_plausible_range_are_believed(temperature_c: float) -> None:
    assert result(one(temperature_c=temperature_c))["no_reference_reason"].item() is None


@pytest.mark.parametrize("temperature_c", [None, 25.0, 200.0, math.nan])
def test_a_value_stated_at_the_reference_is_never_corrected(temperature_c: float | None) -> None:
    row = result(
        one(temperature_state="at_reference", temperature_c=temperature_c, temperature_model=None, coefficient=None)
    ).row(0, named=True)
    assert row["factor"] == 1.0
    assert row["no_reference_reason"] is None


@pytest.mark.parametrize(
    ("model", "coefficient"), [("linear", 0.00393), ("constant_slope", 0.0000681), ("proportional", 0.00393)]
)
def test_the_factor_carries_the_value_as_the_single_function_does(model: str, coefficient: float) -> None:
    row = result(one(temperature_model=model, coefficient=coefficient)).row(0, named=True)
    expected = conductivity_at_reference(57.0, 25.0, reference_c=20.0, model=model, coefficient=coefficient)
    assert row["factor"] * 57.0 == pytest.approx(expected, rel=1e-14)


def test_asking_twice_corrects_nothing_twice() -> None:
    first = result(one(), one(temperature_c=None), one(temperature_state="at_reference"))
    again = at_reference(first, reference_c=20.0, plausible_temperature_c=(-10.0, 60.0))
    assert again.equals(first)
    assert first["value_ms_per_m"].to_list() == [57.0, 57.0, 57.0]


def test_reasons_stay_with_their_rows() -> None:
    rows = [one(), one(temperature_c=200.0), one(), one(temperature_c=None), one(temperature_c=201.0), one()]
    reasons = result(*rows)["no_reference_reason"].to_list()
    assert [reason and reason.split(" ")[0] for reason in reasons] == [None, "200", None, "no", "201", None]


def test_exactly_one_of_factor_and_reason_is_there() -> None:
    frame = result(one(), one(temperature_c=200.0), one(value_ms_per_m=None), one(temperature_state="relative"))
    assert frame.select((pl.col("factor").is_null() != pl.col("no_reference_reason").is_null()).all()).item()


def test_an_empty_frame_stays_empty() -> None:
    frame = result()
    assert frame.height == 0
    assert frame.schema["factor"] == pl.Float64
    assert frame.schema["no_reference_reason"] == pl.String


def test_columns_without_any_value_need_no_type() -> None:
    frame = pl.DataFrame({"value_ms_per_m": [57.0], "temperature_state": ["at_metal"]}).with_columns(
        pl.lit(None).alias(name) for name in ("temperature_c", "temperature_model", "coefficient")
    )
    found = at_reference(frame, reference_c=20.0, plausible_temperature_c=(-10.0, 60.0))
    assert "no temperature of the metal" in found["no_reference_reason"].item()


def test_another_reference_temperature_is_named() -> None:
    frame = at_reference(
        pl.DataFrame([one(temperature_c=None)], schema=SCHEMA), reference_c=23.0, plausible_temperature_c=(-10.0, 60.0)
    )
    assert "no value at 23 °C" in frame["no_reference_reason"].item()


def test_a_conductivity_beyond_the_model_is_refused() -> None:
    assert (
        conductivity_at_reference(57.0, 500.0, reference_c=20.0, model="constant_slope", coefficient=0.000115) is None
    )
    with pytest.raises(ValueError, match="above 0"):
        conductivity_at_temperature(57.0, -300.0, reference_c=20.0, model="linear", coefficient=0.00393)


def test_a_model_is_worded_with_coefficient_unit_and_source() -> None:
    words = [model_in_words(model, 0.00393, "NBS Handbook 100", reference_c=20.0) for model in MODELS]
    assert "linear" in words[0]
    assert "0.00393 1/°C at 20 °C" in words[0]
    assert "0.00393 Ω·mm²/m per °C" in words[1]
    assert "at 100 %IACS" in words[2]
    assert "6.776e-05 Ω·mm²/m per °C" in words[2]
    assert all("source: NBS Handbook 100" in text for text in words)
    assert "no source stated" in model_in_words("linear", 0.00393, "  ", reference_c=20.0)
    with pytest.raises(ValueError, match="unknown temperature model"):
        model_in_words("square", 0.00393, None, reference_c=20.0)


@pytest.mark.parametrize(
    ("model", "coefficient", "step"),
    [("linear", 0.004, 1e-7), ("constant_slope", 0.000115, 1e-9), ("proportional", 0.0066, 1e-7)],
)
def test_sensitivities_are_the_slopes_of_the_correction(model: str, coefficient: float, step: float) -> None:
    read, temperature_c = 19.4, 31.0
    at = conductivity_at_reference(read, temperature_c, reference_c=20.0, model=model, coefficient=coefficient)
    per_degree, per_coefficient = sensitivities(
        pl.lit(at), pl.lit(temperature_c), reference_c=20.0, model=pl.lit(model), coefficient=pl.lit(coefficient)
    )
    found = pl.select(t=per_degree, c=per_coefficient).row(0)
    hotter, cooler = (
        conductivity_at_reference(read, temperature_c + d, reference_c=20.0, model=model, coefficient=coefficient)
        for d in (1e-4, -1e-4)
    )
    more, less = (
        conductivity_at_reference(read, temperature_c, reference_c=20.0, model=model, coefficient=coefficient + d)
        for d in (step, -step)
    )
    assert found[0] == pytest.approx((hotter - cooler) / 2e-4, rel=1e-6)
    assert found[1] == pytest.approx((more - less) / (2 * step), rel=1e-6)


@pytest.mark.parametrize("model", MODELS)
def test_a_value_is_not_carried_with_a_number_that_makes_no_sense(model: str) -> None:
    good = {"conductivity_ms_per_m": 57.0, "temperature_c": 25.0, "reference_c": 20.0, "coefficient": 0.0001}
    for name in good:
        for bad in (math.nan, math.inf):
            words = "the conductivity is" if name == "conductivity_ms_per_m" else f"{name} = {bad}; expected a finite"
            with pytest.raises(ValueError, match=words):
                conductivity_at_temperature(**{**good, name: bad}, model=model)
    for bad in (0.0, -57.0):
        with pytest.raises(ValueError, match="the conductivity is"):
            conductivity_at_temperature(**{**good, "conductivity_ms_per_m": bad}, model=model)
    with pytest.raises(ValueError, match="expected one of"):
        conductivity_at_temperature(**good, model="cubic")
    with pytest.raises(ValueError, match="finite"):
        model_in_words(model, math.nan, None, reference_c=20.0)


@pytest.mark.parametrize(
    ("carry", "model", "value", "difference", "coefficient"),
    [
        # a metal without resistivity, or without conductivity: exactly on the edge of the model
        (conductivity_at_reference, "constant_slope", 2.0, 1.0, 0.5),
        (conductivity_at_reference, "linear", 2.0, 10.0, -0.1),
        (conductivity_at_temperature, "linear", 2.0, 10.0, -0.1),
        (conductivity_at_temperature, "constant_slope", 2.0, 1.0, -0.5),
    ],
)
def test_the_edge_of_a_model_has_no_value(
    carry: Any, model: str, value: float, difference: float, coefficient: float
) -> None:
    given = {"reference_c": 0.0, "model": model, "coefficient": coefficient}
    if carry is conductivity_at_reference:
        assert carry(value, difference, **given) is None
    else:
        with pytest.raises(ValueError, match="expected a number above 0"):
            carry(value, difference, **given)
    assert carry(value, 0.9 * difference, **given) > 0
