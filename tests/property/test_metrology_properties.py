"""Laws that hold for every input: corrections, conformity, rules, combination of contributions."""

from __future__ import annotations

import math
from dataclasses import asdict
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_by_one import conductivity_at_reference, lot_mean_budget, within

from pipeline import rules
from pipeline.metrology.conformity import as_decimal, decide
from pipeline.metrology.guard_band import conformance_probability, guard_band
from pipeline.metrology.lot_budget import LotMeanInputs, lot_mean_budgets
from pipeline.metrology.penetration import required_thickness_mm
from pipeline.metrology.temperature import at_reference, conductivity_at_temperature
from pipeline.metrology.uncertainty import combine
from pipeline.metrology.units import convert
from schemas.results import Contribution

if TYPE_CHECKING:
    import random

repeatable = settings(derandomize=True, deadline=None, max_examples=100)

conductivity = st.floats(0.5, 65.0)
temperature = st.floats(-10.0, 60.0)
models = st.one_of(
    st.tuples(st.just("linear"), st.floats(0.0, 0.006)),
    st.tuples(st.just("constant_slope"), st.floats(0.0, 0.0002)),
    st.tuples(st.just("proportional"), st.floats(0.0, 0.008)),
)


# temperature ---------------------------------------------------------------------------------------------------------


@repeatable
@given(conductivity, temperature, models, st.floats(15.0, 25.0))
def test_correcting_then_uncorrecting_returns_the_reading(
    value: float, temperature_c: float, model: tuple[str, float], reference_c: float
) -> None:
    how: dict[str, Any] = {"reference_c": reference_c, "model": model[0], "coefficient": model[1]}
    at = conductivity_at_reference(value, temperature_c, **how)
    assert conductivity_at_temperature(at, temperature_c, **how) == pytest.approx(value, rel=1e-13)


@repeatable
@given(conductivity, models, st.floats(15.0, 25.0))
def test_a_reading_at_the_reference_temperature_is_its_own_value(
    value: float, model: tuple[str, float], reference_c: float
) -> None:
    assert (
        conductivity_at_reference(value, reference_c, reference_c=reference_c, model=model[0], coefficient=model[1])
        == value
    )


@repeatable
@given(conductivity, temperature, temperature, models)
def test_the_warmer_the_metal_the_more_is_added(
    value: float, one: float, other: float, model: tuple[str, float]
) -> None:
    cool, warm = sorted((one, other))
    how: dict[str, Any] = {"reference_c": 20.0, "model": model[0], "coefficient": model[1]}
    assert conductivity_at_reference(value, cool, **how) <= conductivity_at_reference(value, warm, **how)


@repeatable
@given(conductivity, temperature, st.floats(0.0, 0.008))
def test_proportional_is_a_constant_slope(value: float, temperature_c: float, alpha: float) -> None:
    proportional = conductivity_at_reference(
        value, temperature_c, reference_c=20.0, model="proportional", coefficient=alpha
    )
    slope = conductivity_at_reference(
        value, temperature_c, reference_c=20.0, model="constant_slope", coefficient=alpha / 58.0
    )
    assert proportional == slope


reading = st.fixed_dictionaries(
    {
        "value_ms_per_m": st.one_of(st.none(), conductivity),
        "temperature_c": st.one_of(st.none(), st.floats(-40.0, 250.0)),
        "temperature_state": st.sampled_from(["at_metal", "at_metal", "at_reference", "relative"]),
        "model": st.one_of(st.just((None, None)), models),
    }
)


@repeatable
@given(st.lists(reading, min_size=1, max_size=12), st.randoms(use_true_random=False))
def test_many_readings_at_once_are_the_single_ones_in_any_order(
    readings: list[dict[str, Any]], shuffler: random.Random
) -> None:
    rows = [
        {
            **{k: v for k, v in row.items() if k != "model"},
            "temperature_model": row["model"][0],
            "coefficient": row["model"][1],
            "id": i,
        }
        for i, row in enumerate(readings)
    ]
    frame = pl.DataFrame(
        rows,
        schema={
            "value_ms_per_m": pl.Float64,
            "temperature_c": pl.Float64,
            "temperature_state": pl.String,
            "temperature_model": pl.String,
            "coefficient": pl.Float64,
            "id": pl.Int64,
        },
    )
    found = at_reference(frame, reference_c=20.0, plausible_temperature_c=(-10.0, 60.0))
    for row in found.iter_rows(named=True):
        assert (row["factor"] is None) != (row["no_reference_reason"] is None)
        if row["factor"] is None:
            continue
        assert math.isfinite(row["factor"])
        assert row["factor"] > 0
        if row["temperature_state"] == "at_reference":
            assert row["factor"] == 1.0
            continue
        assert row["temperature_state"] == "at_metal"
        assert -10.0 <= row["temperature_c"] <= 60.0
        assert row["factor"] * row["value_ms_per_m"] == pytest.approx(
            conductivity_at_reference(
                row["value_ms_per_m"],
                row["temperature_c"],
                reference_c=20.0,
                model=row["temperature_model"],
                coefficient=row["coefficient"],
            ),
            rel=1e-13,
        )
    order = list(range(len(rows)))
    shuffler.shuffle(order)
    shuffled = at_reference(frame[order], reference_c=20.0, plausible_temperature_c=(-10.0, 60.0))
    assert shuffled.sort("id").equals(found.sort("id"))


@repeatable
@given(conductivity, conductivity, st.floats(50.0, 500.0))
def test_the_better_the_conductor_the_thinner_it_may_be(one: float, other: float, frequency_khz: float) -> None:
    low, high = sorted((one, other))
    assert required_thickness_mm(low, frequency_khz) >= required_thickness_mm(high, frequency_khz)


# conformity ----------------------------------------------------------------------------------------------------------

# hundredths of a %IACS, so that limits are hit often
hundredths = st.integers(2900, 3100)
roundings = st.sampled_from(["none", "half_up:0", "half_up:1", "half_even:0", "half_even:1", "half_even:2"])


def column(values: list[Any], dtype: Any = pl.Float64) -> pl.Series:
    return pl.Series(values, dtype=dtype)


def by_hand(value: float, lower: float | None, upper: float | None, rounding: str) -> bool:
    """Decide slowly, in decimal throughout: round, then compare."""
    number = as_decimal(value)
    if rounding != "none":
        mode, decimals = rounding.split(":")
        number = number.quantize(
            Decimal(1).scaleb(-int(decimals)), rounding=ROUND_HALF_UP if mode == "half_up" else ROUND_HALF_EVEN
        )
    return (lower is None or number >= Decimal(str(lower))) and (upper is None or number <= Decimal(str(upper)))


@repeatable
@given(
    st.lists(
        st.tuples(
            st.one_of(st.integers(29000, 31000).map(lambda n: n / 1000), st.floats(28.0, 32.0)),
            st.one_of(st.none(), hundredths.map(lambda n: n / 100)),
            hundredths.map(lambda n: n / 100),
            roundings,
        ),
        min_size=1,
        max_size=30,
    )
)
def test_limits_are_compared_as_decimals_are(rows: list[tuple[float, float | None, float, str]]) -> None:
    values, lower, upper, rounding = (list(part) for part in zip(*rows, strict=True))
    found = within(column(values), column(lower), column(upper), column(rounding, pl.String)).to_list()
    assert found == [by_hand(*row) for row in rows]


@repeatable
@given(st.lists(st.tuples(hundredths, hundredths, roundings), min_size=1, max_size=30))
def test_the_unit_of_the_export_changes_no_conformity(rows: list[tuple[int, int, str]]) -> None:
    # one instrument writes %IACS, another the same value exactly in MS/m (0.58 times as much, two decimals more)
    as_iacs = [value / 100 for value, _, _ in rows]
    as_ms_per_m = [float(Decimal(value) * Decimal("0.0058")) for value, _, _ in rows]
    limits = column([limit / 100 for _, limit, _ in rows])
    rounding = column([how for _, _, how in rows], pl.String)
    none = column([None] * len(rows))
    exports = (
        as_iacs,
        [convert(value, "MS/m", "%IACS") for value in as_ms_per_m],
        [convert(convert(value, "%IACS", "MS/m"), "MS/m", "%IACS") for value in as_iacs],
    )
    verdicts = [
        (
            within(column(values), limits, none, rounding).to_list(),
            within(column(values), none, limits, rounding).to_list(),
        )
        for values in exports
    ]
    assert verdicts[0] == verdicts[1] == verdicts[2]


@repeatable
@given(st.lists(hundredths, min_size=2, max_size=9), hundredths, roundings, st.randoms(use_true_random=False))
def test_the_order_of_repeats_changes_no_conformity_of_their_mean(
    repeats: list[int], limit: int, rounding: str, shuffler: random.Random
) -> None:
    found = set()
    for _ in range(4):
        shuffler.shuffle(repeats)
        mean = 0.0
        for value in repeats:
            mean += value / 100
        mean /= len(repeats)
        one = within(column([mean]), column([limit / 100]), column([None]), column([rounding], pl.String))
        found.add(one.item())
    assert len(found) == 1


@repeatable
@given(
    st.floats(28.0, 32.0),
    st.floats(29.0, 30.0),
    st.floats(30.0, 31.0),
    st.floats(0.0, 1.0),
    st.floats(0.0, 1.0),
    roundings,
)
def test_more_uncertainty_never_decides_more(
    value: float, lower: float, upper: float, one: float, other: float, rounding: str
) -> None:
    small, large = sorted((one, other))

    def verdict(rule: str, u: float) -> str:
        found = decide(
            column([value]),
            column([lower]),
            column([upper]),
            column([rounding], pl.String),
            rule=column([rule], pl.String),
            expanded_uncertainty=column([u]),
        ).item()
        assert isinstance(found, str)
        return found

    simple = verdict("simple", small)
    assert verdict("guarded", small) in (simple, "undecided")
    assert verdict("guarded", large) in (verdict("guarded", small), "undecided")
    assert verdict("guarded", 0.0) == simple


@repeatable
@given(st.floats(0.5, 0.999), st.floats(0.01, 2.0), st.floats(-5.0, 5.0), st.floats(0.5, 20.0))
def test_a_guard_band_keeps_its_promise(probability: float, u: float, lower: float, width: float) -> None:
    band = guard_band(probability, u, lower=lower, upper=lower + width)
    if band.width is None:
        assert conformance_probability(lower + width / 2, u, lower=lower, upper=lower + width) < probability
        return
    for value in (lower + band.width, lower + width - band.width):
        found = conformance_probability(value, u, lower=lower, upper=lower + width)
        assert found >= probability - 1e-9


# rules ---------------------------------------------------------------------------------------------------------------

z_values = st.lists(st.one_of(st.none(), st.floats(-4.0, 4.0)), min_size=1, max_size=40)


def checks(z: list[float | None], blocks: int = 2) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "meter": ["M"] * len(z),
            "block": [f"B{i % blocks}" for i in range(len(z))],
            "run": [i // blocks for i in range(len(z))],
            "z": column(z),
            "order": list(range(len(z))),
        }
    )


def applied(frame: pl.DataFrame) -> pl.DataFrame:
    return rules.apply(frame, series=["meter", "block"], run=["meter", "run"])


@repeatable
@given(z_values)
def test_rules_are_the_same_on_both_sides(z: list[float | None]) -> None:
    mirrored = applied(checks([None if value is None else -value for value in z]))
    assert mirrored.select("warning", "rejects").equals(applied(checks(z)).select("warning", "rejects"))


@repeatable
@given(z_values, z_values)
def test_later_runs_change_no_earlier_flag(z: list[float | None], later: list[float | None]) -> None:
    whole_runs = z[: len(z) // 2 * 2]
    before, after = applied(checks(whole_runs)), applied(checks(whole_runs + later))
    assert after.head(len(whole_runs)).equals(before)


@repeatable
@given(z_values, st.randoms(use_true_random=False))
def test_flags_do_not_depend_on_how_series_are_interleaved(z: list[float | None], shuffler: random.Random) -> None:
    frame = checks(z)
    blocks = [frame.filter(pl.col("block") == name) for name in frame["block"].unique(maintain_order=True)]
    shuffler.shuffle(blocks)
    assert applied(pl.concat(blocks)).sort("order").equals(applied(frame))


@repeatable
@given(z_values)
def test_a_reject_by_one_check_is_always_a_warning(z: list[float | None]) -> None:
    frame = applied(checks(z))
    hit = pl.col("rejects").str.contains("1-3s|2-2s|R-4s")
    assert frame.filter(hit & ~pl.col("warning")).height == 0
    assert frame.filter(pl.col("z").is_null() & (pl.col("warning") | (pl.col("rejects") != ""))).height == 0


# uncertainty ---------------------------------------------------------------------------------------------------------

contributions = st.lists(
    st.builds(
        Contribution,
        name=st.just("line"),
        standard_uncertainty=st.floats(1e-6, 10.0),
        degrees_of_freedom=st.one_of(st.none(), st.floats(1.0, 500.0)),
        averages=st.booleans(),
        source=st.just("test"),
    ),
    min_size=1,
    max_size=8,
)


@repeatable
@given(contributions, st.randoms(use_true_random=False))
def test_the_order_of_contributions_does_not_matter(lines: list[Contribution], shuffler: random.Random) -> None:
    before = combine(lines)
    shuffler.shuffle(lines)
    after = combine(lines)
    assert after.standard_uncertainty == pytest.approx(before.standard_uncertainty, rel=1e-14)
    assert (after.degrees_of_freedom is None) == (before.degrees_of_freedom is None)
    assert after.expanded_uncertainty == pytest.approx(before.expanded_uncertainty, rel=1e-12)


@repeatable
@given(contributions, st.sampled_from([2.0**-20, 0.5, 4.0, 2.0**30]))
def test_a_budget_in_another_unit_is_the_same_budget(lines: list[Contribution], scale: float) -> None:
    # powers of two scale without noise, so that truncated degrees of freedom cannot differ
    scaled = combine(
        [
            Contribution(x.name, x.standard_uncertainty * scale, x.degrees_of_freedom, x.averages, x.source)
            for x in lines
        ]
    )
    assert scaled.expanded_uncertainty == pytest.approx(combine(lines).expanded_uncertainty * scale, rel=1e-12)


@repeatable
@given(contributions)
def test_effective_degrees_of_freedom_lie_between_the_least_and_the_sum(lines: list[Contribution]) -> None:
    total = combine(lines)
    known = [x.degrees_of_freedom for x in lines if x.degrees_of_freedom is not None]
    if total.degrees_of_freedom is not None:
        assert total.degrees_of_freedom >= min(known) * (1 - 1e-9)
        if len(known) == len(lines):
            assert total.degrees_of_freedom <= sum(known) * (1 + 1e-9)
    assert total.standard_uncertainty >= max(x.standard_uncertainty for x in lines)


maybe = st.one_of(st.none(), st.floats(0.001, 1.0))
maybe_factor = st.one_of(st.none(), st.floats(1.0, 3.0))
maybe_degrees = st.one_of(st.none(), st.floats(0.0, 60.0))
budgets = st.builds(
    LotMeanInputs,
    mean=st.floats(0.5, 65.0),
    readings=st.integers(1, 200),
    repeatability=maybe,
    repeatability_degrees_of_freedom=maybe_degrees,
    parts=st.one_of(st.none(), st.integers(1, 20)),
    part_standard_deviation=maybe,
    block_expanded_uncertainty=maybe,
    block_coverage_factor=maybe_factor,
    check_standard_deviation=maybe,
    check_degrees_of_freedom=maybe_degrees,
    check_level_standard_uncertainty=maybe,
    check_bias=st.one_of(st.none(), st.floats(-0.5, 0.5)),
    accuracy_percent=maybe,
    resolution=maybe,
    temperature_sensitivity=st.one_of(st.none(), st.floats(-0.3, 0.3)),
    sensor_expanded_uncertainty_c=maybe,
    sensor_coverage_factor=maybe_factor,
    coefficient_sensitivity=st.one_of(st.none(), st.floats(-5000.0, 5000.0)),
    coefficient_standard_uncertainty=st.one_of(st.none(), st.floats(1e-7, 1e-5)),
    averaged_parts=st.one_of(st.none(), st.integers(1, 20)),
    repeatability_from=st.sampled_from(["repeats", "checks"]),
    drift_bound=maybe,
    thickness_allowance_percent=maybe,
    lift_off_allowance_percent=maybe,
    bias_line_standard_uncertainty=maybe,
    bias_line_degrees_of_freedom=st.one_of(st.none(), st.floats(1.0, 60.0)),
    relative=st.one_of(st.none(), st.booleans()),
    setting_temperature_standard_uncertainty=maybe,
    setting_coefficient_standard_uncertainty=maybe,
    correction_standard_uncertainty=maybe,
)


@repeatable
@given(st.lists(budgets, min_size=1, max_size=8))
def test_many_budgets_at_once_are_the_single_ones(inputs: list[LotMeanInputs]) -> None:
    frame = lot_mean_budgets(pl.DataFrame([asdict(one) for one in inputs], infer_schema_length=None))
    for one, row in zip(inputs, frame.iter_rows(named=True), strict=True):
        budget = lot_mean_budget(one)
        assert row["uncertainty_reason"] == budget.reason
        if budget.combined is None:
            assert row["expanded_uncertainty"] is None
            continue
        assert row["standard_uncertainty"] == pytest.approx(budget.combined.standard_uncertainty, rel=1e-12)
        assert row["expanded_uncertainty"] == pytest.approx(budget.combined.expanded_uncertainty, rel=1e-12)
        assert row["coverage_factor"] == pytest.approx(budget.combined.coverage_factor, rel=1e-12)
        if budget.combined.degrees_of_freedom is None:
            assert row["degrees_of_freedom"] is None
        else:
            assert row["degrees_of_freedom"] == pytest.approx(budget.combined.degrees_of_freedom, rel=1e-9)
        # the lines that are shown come to the figures beside them
        total = combine(budget.contributions, uncorrected_bias=budget.combined.uncorrected_bias)
        assert budget.combined.expanded_uncertainty == pytest.approx(total.expanded_uncertainty, rel=1e-12)
        assert budget.combined.coverage_factor == pytest.approx(total.coverage_factor, rel=1e-12)
