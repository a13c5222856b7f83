"""Conductivity at the reference temperature.

A metal's resistivity rises with temperature. Three models say how, each with one coefficient:

``linear``
    ρ(T) = ρ(T0)·[1 + α·(T − T0)], with α of *resistivity* at the reference temperature in 1/°C (ASTM B193;
    IEC 60028:1925 gives 0.00393 1/°C for annealed copper at 20 °C, which is of resistance at constant mass; of
    resistivity it is 0.00395).
``constant_slope``
    ρ(T) = ρ(T0) + s·(T − T0), with one slope s = dρ/dT in Ω·mm²/m per °C for a whole family of alloys (Matthiessen's
    rule; NBS Handbook 100 for copper, NBS Handbook 109 for aluminium).
``proportional``
    α proportional to conductivity, stated at 100 %IACS in 1/°C. That is ``constant_slope`` with s = α/58, because
    ρ at 100 %IACS is 1/58 Ω·mm²/m.

All sources from memory. Ω·mm²/m is the reciprocal of MS/m, so no factor stands between the two.

A reading is corrected by its own state: ``at_metal`` is corrected, ``at_reference`` never again, ``relative`` is first
carried back to the metal's temperature by the block the meter was set on (:mod:`pipeline.metrology.relative_state`).
"""

from __future__ import annotations

import math
from typing import Final

import polars as pl

from pipeline.metrology.units import IACS_100_MS_PER_M

__all__ = [
    "MODELS",
    "at_reference",
    "conductivity_at_temperature",
    "model_in_words",
    "sensitivities",
]

MODELS: Final = ("linear", "constant_slope", "proportional")
"""Names of the models."""


def _slope(model: str, coefficient: float) -> float:
    """Return dρ/dT in Ω·mm²/m per °C of the two models that have one slope."""
    return coefficient / IACS_100_MS_PER_M if model == "proportional" else coefficient


def _require(model: str, **numbers: float) -> None:
    if model not in MODELS:
        raise ValueError(f"unknown temperature model {model!r}; expected one of {', '.join(MODELS)}")
    for name, number in numbers.items():
        if not math.isfinite(number):
            raise ValueError(f"{name} = {number!r}; expected a finite number")


def _positive(conductivity_ms_per_m: float, what: str) -> float:
    if not (math.isfinite(conductivity_ms_per_m) and conductivity_ms_per_m > 0):
        raise ValueError(f"{what} is {conductivity_ms_per_m!r} MS/m; expected a number above 0")
    return conductivity_ms_per_m


def conductivity_at_temperature(
    conductivity_ms_per_m: float, temperature_c: float, *, reference_c: float, model: str, coefficient: float
) -> float:
    """Carry a conductivity from the reference temperature to a temperature: the inverse of :func:`at_reference`.

    Parameters
    ----------
    conductivity_ms_per_m
        Conductivity at `reference_c`, in MS/m.
    temperature_c, reference_c
        Temperature of the metal, and reference temperature, in °C.
    model
        linear, constant_slope or proportional.
    coefficient
        linear: 1/°C at the reference temperature; constant_slope: Ω·mm²/m per °C; proportional: 1/°C at 100 %IACS.

    Returns
    -------
    float
        Conductivity at `temperature_c`, in MS/m.

    Raises
    ------
    ValueError
        If the model is unknown, an input is not finite, or the result is not a positive conductivity.
    """
    _require(model, temperature_c=temperature_c, reference_c=reference_c, coefficient=coefficient)
    _positive(conductivity_ms_per_m, "the conductivity")
    difference = temperature_c - reference_c
    if model == "linear":
        growth = 1.0 + coefficient * difference
    else:
        growth = 1.0 + _slope(model, coefficient) * difference * conductivity_ms_per_m
    result = conductivity_ms_per_m / growth if growth > 0 else math.inf
    return _positive(result, f"the conductivity at {temperature_c:g} °C")


def sensitivities(
    conductivity_at_reference_ms_per_m: pl.Expr,
    temperature_c: pl.Expr,
    *,
    reference_c: float,
    model: pl.Expr,
    coefficient: pl.Expr,
) -> tuple[pl.Expr, pl.Expr]:
    """Return how the value at the reference temperature moves with the temperature read and with the coefficient.

    Parameters
    ----------
    conductivity_at_reference_ms_per_m
        Value at the reference temperature, in MS/m.
    temperature_c
        Temperature of the metal, in °C.
    reference_c
        Reference temperature, in °C.
    model, coefficient
        As for :func:`conductivity_at_temperature`.

    Returns
    -------
    tuple of polars.Expr
        ∂σ_ref/∂T in MS/m per °C, and ∂σ_ref/∂coefficient in MS/m per unit of the coefficient. Both signed; null where
        an input is null.

    Notes
    -----
    Partial derivatives of the measurement function (GUM, JCGM 100:2008, 5.1.3), expressed in σ_ref so that a mean of
    values at the reference temperature can be put in: linear σ_ref·α/[1 + α·d] and σ_ref·d/[1 + α·d];
    constant_slope σ_ref²·s and σ_ref²·d, with d = T − T0; proportional the same divided by 58.
    """
    value = conductivity_at_reference_ms_per_m
    difference = temperature_c - reference_c
    linear = model == "linear"
    divisor = (
        pl.when(linear)
        .then(1.0 + coefficient * difference)
        .otherwise(pl.when(model == "proportional").then(IACS_100_MS_PER_M).otherwise(1.0))
    )
    scale = pl.when(linear).then(value).otherwise(value * value) / divisor
    return scale * coefficient, scale * difference


# why a reading has no value at the reference temperature, by code; 0 has one
_NO_VALUE, _NO_STATE, _RELATIVE, _NO_TEMPERATURE, _IMPLAUSIBLE, _NO_COEFFICIENT, _NO_FACTOR = range(1, 8)


def at_reference(
    frame: pl.DataFrame, *, reference_c: float, plausible_temperature_c: tuple[float, float]
) -> pl.DataFrame:
    """Say for every reading by which factor its value becomes the value at the reference temperature.

    Parameters
    ----------
    frame
        Columns ``value_ms_per_m``, ``temperature_c``, ``temperature_state`` (at_metal, at_reference or relative),
        ``temperature_model``, ``coefficient``; others are kept. Shape (n, any). For relative readings also
        ``setting_factor``, f_block(T_set), and ``setting_problem``, why there is none.
    reference_c
        Reference temperature, in °C.
    plausible_temperature_c
        Lowest and highest temperature of the metal that is believed, both included, in °C.

    Returns
    -------
    polars.DataFrame
        The frame, rows in the same order, with ``factor`` = σ(reference)/σ(metal temperature), exactly 1.0 for
        at_reference whatever temperature stands beside it, f_block(T_set)/f_part(T_part) for relative, and
        ``no_reference_reason``, text. Exactly one of the two is null.

    Notes
    -----
    linear: σ_ref = σ_T·[1 + α·(T − T0)] (ASTM B193, from memory). constant_slope: 1/σ_ref = 1/σ_T − s·(T − T0)
    (NBS Handbook 100, 1966, from memory). The factor is applied once by the caller, to the value; nothing here
    changes a value, so calling twice corrects nothing twice. A standard deviation goes by the slope of the correction:
    the factor itself for linear, its square for the two models with one slope of resistivity (first order, GUM 5.1.2).
    """
    # a column without any value may come without a type
    value, temperature, coefficient = (
        pl.col(name).cast(pl.Float64) for name in ("value_ms_per_m", "temperature_c", "coefficient")
    )
    state, model = (pl.col(name).cast(pl.String) for name in ("temperature_state", "temperature_model"))
    low, high = plausible_temperature_c
    carried = "setting_factor" in frame.columns
    set_on = pl.when(state == "relative").then(pl.col("setting_factor")).otherwise(1.0) if carried else pl.lit(1.0)
    difference = temperature - reference_c
    slope = pl.when(model == "proportional").then(coefficient / IACS_100_MS_PER_M).otherwise(coefficient)
    computed = (
        pl.when(state == "at_reference")
        .then(1.0)
        .when(model == "linear")
        .then(set_on * (1.0 + coefficient * difference))
        .otherwise(set_on / (1.0 - slope * difference * value * set_on))
    )
    frame = frame.with_columns(factor=computed.cast(pl.Float64))
    believable = pl.col("factor").is_finite() & (pl.col("factor") > 0)
    code = (
        pl.when(~value.is_finite().fill_null(value=False))
        .then(_NO_VALUE)
        .when(state == "at_reference")
        .then(0)
        .when((state == "relative") & (set_on.is_null() if carried else True))
        .then(_RELATIVE)
        .when(~state.is_in(["at_metal", "relative"]).fill_null(value=False))
        .then(_NO_STATE)
        .when(~temperature.is_finite().fill_null(value=False))
        .then(_NO_TEMPERATURE)
        .when(~temperature.is_between(low, high))
        .then(_IMPLAUSIBLE)
        .when(~(model.is_in(MODELS) & coefficient.is_finite()).fill_null(value=False))
        .then(_NO_COEFFICIENT)
        .when(~believable.fill_null(value=False))
        .then(_NO_FACTOR)
        .otherwise(0)
        .cast(pl.UInt8)
    )
    codes = frame.select(code=code)["code"]
    problems = (
        frame["setting_problem"] if carried else pl.Series([None], dtype=pl.String).new_from_index(0, frame.height)
    )
    reasons = _reasons(codes, frame["temperature_c"], problems, reference_c, plausible_temperature_c)
    return frame.with_columns(
        factor=pl.when(codes == 0).then(pl.col("factor")),
        no_reference_reason=reasons,
    )


def _reasons(
    codes: pl.Series,
    temperatures: pl.Series,
    problems: pl.Series,
    reference_c: float,
    plausible: tuple[float, float],
) -> pl.Series:
    """Word the codes, building text only for the readings that need one: almost all need none."""
    failed = codes != 0
    temperature = pl.when(pl.col("code") == _IMPLAUSIBLE).then(pl.col("temperature").cast(pl.Float64))
    relative = pl.when(pl.col("code") == _RELATIVE).then("problem")
    bad = pl.DataFrame(
        {
            "code": codes.filter(failed),
            "temperature": temperatures.filter(failed),
            "problem": problems.filter(failed).cast(pl.String),
        }
    ).with_columns(temperature, relative)
    cases = bad.unique()
    shown = pl.col("temperature").round(3).cast(pl.String).str.strip_suffix(".0")
    at = f"{reference_c:g} °C"
    low, high = plausible
    outside = pl.format(
        "{} °C is outside {} to {} °C, the temperatures of the metal that are believed here, so no value at {} is given",
        shown,
        pl.lit(f"{low:g}"),
        pl.lit(f"{high:g}"),
        pl.lit(at),
    )
    constant = {
        _NO_VALUE: "no value was read",
        _NO_STATE: "the state of temperature is not stated; expected at_metal, at_reference or relative",
        _RELATIVE: (
            f"relative state: the meter was set on a block with the block's value at {at}, so the reading is right only "
            "for a metal with the block's coefficient at the block's temperature; carrying it over needs the setting "
            f"with its block and temperature, and it is not known here, so no value at {at} is given"
        ),
        _NO_TEMPERATURE: f"no temperature of the metal was stated, so no value at {at} is given",
        _NO_COEFFICIENT: (
            "no temperature model with a coefficient is known for the material; "
            "give temperature_model, coefficient and source in the table materials"
        ),
        _NO_FACTOR: (
            f"the temperature model gives no positive conductivity at {at} for this reading; "
            "check its value, its temperature and the coefficient of the material"
        ),
    }
    text = (
        pl.when(pl.col("code") == _IMPLAUSIBLE)
        .then(outside)
        .otherwise(
            pl.coalesce("problem", pl.col("code").replace_strict(constant, default=None, return_dtype=pl.String))
        )
    )
    worded = bad.join(
        cases.with_columns(text=text),
        on=["code", "temperature", "problem"],
        how="left",
        nulls_equal=True,
        maintain_order="left",
    )
    # one null after the texts stands for every reading that needs none
    texts = worded["text"].cast(pl.String).extend_constant(None, 1)
    place = pl.select(pl.when(failed).then(failed.cast(pl.UInt32).cum_sum() - 1).otherwise(bad.height)).to_series()
    return texts.gather(place).alias("no_reference_reason")


def model_in_words(model: str, coefficient: float, source: str | None, *, reference_c: float) -> str:
    """Word a temperature model for a report: model, coefficient, unit and source.

    Parameters
    ----------
    model, coefficient
        As for :func:`conductivity_at_temperature`.
    source
        Where the coefficient was taken from; None or empty where nobody said.
    reference_c
        Reference temperature, in °C.

    Raises
    ------
    ValueError
        If the model is unknown or the coefficient is not finite.
    """
    _require(model, coefficient=coefficient)
    origin = f"source: {source.strip()}" if source and source.strip() else "no source stated"
    if model == "linear":
        words = (
            f"resistivity linear in temperature, coefficient of resistivity {coefficient:g} 1/°C at {reference_c:g} °C"
        )
    elif model == "constant_slope":
        words = f"one slope of resistivity, {coefficient:g} Ω·mm²/m per °C"
    else:
        words = (
            f"coefficient of resistivity proportional to conductivity, {coefficient:g} 1/°C at 100 %IACS "
            f"(a slope of {_slope(model, coefficient):.4g} Ω·mm²/m per °C)"
        )
    return f"{words} ({origin})"
