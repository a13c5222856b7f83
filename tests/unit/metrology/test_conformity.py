"""Rounding, limits hit exactly, guarded acceptance, guard bands."""

from __future__ import annotations

import math
from decimal import Decimal

import numpy as np
import polars as pl
import pytest
from one_by_one import within
from scipy import optimize, stats

from pipeline.metrology.conformity import as_decimal, decide, parse_rounding
from pipeline.metrology.guard_band import conformance_probabilities, conformance_probability, guard_band
from pipeline.metrology.units import convert


def number(value: float | None) -> pl.Series:
    return pl.Series([value], dtype=pl.Float64)


def is_within(value: float | None, lower: float | None, upper: float | None, rounding: str | None) -> bool | None:
    found = within(number(value), number(lower), number(upper), pl.Series([rounding], dtype=pl.String)).item()
    assert found is None or isinstance(found, bool)
    return found


def guarded(
    value: float | None, lower: float | None, upper: float | None, u: float | None, rule: str = "guarded"
) -> str | None:
    found = decide(
        number(value),
        number(lower),
        number(upper),
        pl.Series(["none"]),
        rule=pl.Series([rule]),
        expanded_uncertainty=number(u),
    ).item()
    assert found is None or isinstance(found, str)
    return found


@pytest.mark.parametrize(
    ("value", "rounding", "rounded"),
    [
        ("2.5", "half_up:0", "3"),
        ("3.5", "half_up:0", "4"),
        ("2.5", "half_even:0", "2"),
        ("3.5", "half_even:0", "4"),
        ("-2.5", "half_up:0", "-3"),
        ("30.05", "half_up:1", "30.1"),
        ("30.05", "half_even:1", "30.0"),
        ("30.0499", "half_up:1", "30.0"),
        ("30.0499", "none", "30.0499"),
    ],
)
def test_rounding(value: str, rounding: str, rounded: str) -> None:
    assert str(parse_rounding(rounding)(Decimal(value))) == rounded


@pytest.mark.parametrize("text", [None, "", " ", "none"])
def test_no_rounding(text: str | None) -> None:
    assert str(parse_rounding(text)) == "none"


@pytest.mark.parametrize("text", ["half_up:0", "half_even:9"])
def test_a_rounding_rule_is_written_as_it_is_read(text: str) -> None:
    assert str(parse_rounding(text)) == text


@pytest.mark.parametrize(
    "text",
    ["half_up", "half_up:", "half_up:10", "half_up:-1", "half_down:1", "round:1", "up", "half_up:²", "half_up:X"],
)
def test_an_unknown_rounding_rule_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="expected none, half_up:N or half_even:N"):
        parse_rounding(text)
    with pytest.raises(ValueError, match="expected none, half_up:N or half_even:N"):
        is_within(30.0, 29.0, 31.0, text)


def test_a_limit_hit_exactly_is_met_whatever_binary_arithmetic_says() -> None:
    converted = convert(17.4, "MS/m", "%IACS")
    assert converted != 30.0  # the noise is real
    assert is_within(converted, 30.0, None, "none") is True
    assert is_within(converted, None, 30.0, "none") is True
    assert is_within(0.1 + 0.2, None, 0.3, "none") is True
    assert is_within(convert(40.0, "nOhm.m", "MS/m"), 25.0, 25.0, "none") is True
    assert is_within(convert(convert(33.3, "%IACS", "uOhm.cm"), "uOhm.cm", "%IACS"), 33.3, 33.3, "none") is True
    assert is_within(sum([29.9, 30.0, 30.1]) / 3, 30.0, 30.0, "none") is True


def test_a_limit_below_nought_is_hit_exactly_too() -> None:
    assert is_within(-(0.1 + 0.2), -0.3, None, "none") is True
    assert is_within(-0.3, None, -(0.1 + 0.2), "none") is True
    assert is_within(-0.3000000001, -0.3, None, "none") is False


def test_values_on_a_limit_keep_their_rows_among_others() -> None:
    on = convert(17.4, "MS/m", "%IACS")
    values = pl.Series([on, 29.0, on, 31.0, None, on, 31.0])
    found = within(values, pl.repeat(30.0, 7, eager=True), pl.repeat(40.0, 7, eager=True), pl.Series(["none"] * 7))
    assert found.to_list() == [True, False, True, True, None, True, True]


def test_each_row_is_decided_by_its_own_rule() -> None:
    found = decide(
        pl.Series([30.05, 30.05, 29.95, 29.95]), pl.repeat(30.0, 4, eager=True), pl.repeat(34.0, 4, eager=True),
        pl.Series(["none"] * 4), rule=pl.Series(["simple", "guarded"] * 2),
        expanded_uncertainty=pl.repeat(0.1, 4, eager=True),
    )  # fmt: skip
    assert found.to_list() == ["in", "undecided", "out", "undecided"]


def test_what_lies_a_millionth_beyond_a_limit_is_out() -> None:
    assert is_within(29.999999, 30.0, None, "none") is False
    assert is_within(30.000001, None, 30.0, "none") is False
    # the twelfth significant digit still counts, the thirteenth does not
    assert is_within(29.9999999999, 30.0, None, "none") is False
    assert is_within(29.99999999999, 30.0, None, "none") is True


@pytest.mark.parametrize(
    ("value", "lower", "upper", "rounding", "expected"),
    [
        (29.95, 30.0, None, "half_up:1", True),
        (29.95, 30.0, None, "half_even:1", True),
        (29.949999, 30.0, None, "half_up:1", False),
        (29.85, 29.9, None, "half_even:1", False),
        (29.85, 29.9, None, "half_up:1", True),
        (34.55, None, 34.5, "half_up:1", False),
        (34.55, None, 34.5, "half_even:1", False),
        (34.45, None, 34.4, "half_even:1", True),
        (34.45, None, 34.4, "half_up:1", False),
        (34.549999, None, 34.5, "half_up:1", True),
        # a limit with more decimals than the rounding keeps
        (30.04, 30.05, None, "half_up:1", False),
        (30.05, 30.05, None, "half_up:1", True),
        (30.06, None, 30.05, "half_up:1", False),
        (30.04, None, 30.05, "half_up:1", True),
        (29.0, 28.0, 30.0, "half_up:0", True),
    ],
)
def test_the_rounded_value_is_compared(
    value: float, lower: float | None, upper: float | None, rounding: str, expected: bool
) -> None:
    assert is_within(value, lower, upper, rounding) is expected


@pytest.mark.parametrize(
    ("value", "lower", "upper"),
    [
        (None, 30.0, 34.0),
        (32.0, None, None),
        (math.nan, 30.0, 34.0),
        (math.inf, 30.0, None),
        (32.0, math.nan, 34.0),
    ],
)
def test_nothing_is_said_without_value_or_limits(value: float | None, lower: float | None, upper: float | None) -> None:
    assert is_within(value, lower, upper, "none") is None
    assert guarded(value, lower, upper, 0.1) is None
    assert guarded(value, lower, upper, 0.1, rule="simple") is None


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (29.8, "out"),
        (29.9, "undecided"),
        (30.0, "undecided"),
        (30.099, "undecided"),
        (30.1, "in"),
        (32.0, "in"),
        (33.9, "in"),
        (33.901, "undecided"),
        (34.1, "undecided"),
        (34.101, "out"),
    ],
)
def test_guarded_acceptance(value: float, expected: str) -> None:
    assert guarded(value, 30.0, 34.0, 0.1) == expected
    # the guard of 0.2 − 0.1 is 0.1 in decimal, and a little less in binary
    assert guarded(value, 30.0, 34.0, 0.3 - 0.2) == expected


def test_guarded_acceptance_of_one_limit() -> None:
    assert guarded(30.1, 30.0, None, 0.1) == "in"
    assert guarded(30.1, None, 30.0, 0.1) == "undecided"
    assert guarded(30.2, None, 30.0, 0.1) == "out"


@pytest.mark.parametrize("u", [None, math.nan, math.inf, -0.1])
def test_a_guarded_rule_without_known_uncertainty_decides_nothing(u: float | None) -> None:
    assert guarded(32.0, 30.0, 34.0, u) is None
    # the simple rule does not need it
    assert guarded(32.0, 30.0, 34.0, u, rule="simple") == "in"
    assert guarded(29.0, 30.0, 34.0, u, rule="simple") == "out"


def test_where_the_uncertainty_is_wider_than_the_limits_nothing_is_in() -> None:
    assert guarded(31.0, 30.0, 32.0, 1.01) == "undecided"
    assert guarded(31.0, 30.0, 32.0, 1.0) == "in"


def test_a_missing_rule_is_the_simple_one_and_another_is_refused() -> None:
    one = pl.Series([31.0])
    arguments = (one, pl.Series([30.0]), pl.Series([32.0]), pl.Series(["none"]))
    found = decide(*arguments, rule=pl.Series([None], dtype=pl.String), expanded_uncertainty=one)
    assert found.to_list() == ["in"]
    with pytest.raises(ValueError, match="expected simple or guarded"):
        decide(*arguments, rule=pl.Series(["strict"]), expanded_uncertainty=one)


def test_columns_keep_their_rows() -> None:
    found = within(
        pl.Series([30.0, 29.9, None, 35.0, 30.0]),
        pl.Series([30.0, 30.0, 30.0, None, None]),
        pl.Series([34.0, 34.0, 34.0, 34.0, None], dtype=pl.Float64),
        pl.Series(["none", "half_up:0", "none", None, "none"]),
    )
    assert found.to_list() == [True, True, None, False, None]


def test_nothing_in_nothing_out() -> None:
    nothing = pl.Series([], dtype=pl.Float64)
    text = pl.Series([], dtype=pl.String)
    assert within(nothing, nothing, nothing, text).len() == 0
    assert decide(nothing, nothing, nothing, text, rule=text, expanded_uncertainty=nothing).len() == 0


def test_a_value_that_is_no_number_has_no_decimal() -> None:
    assert as_decimal(17.4 * (100 / 58)) == 30
    with pytest.raises(ValueError, match="no number"):
        as_decimal(math.nan)


def test_guard_band_of_two_limits_reaches_the_probability_asked_for() -> None:
    # limits 4 u apart: both tails count at the edge of acceptance
    band = guard_band(0.95, 1.0, lower=0.0, upper=4.0)
    assert band.width is not None
    assert band.width > guard_band(0.95, 1.0, lower=0.0).width  # type: ignore[operator]
    assert conformance_probability(band.width, 1.0, lower=0.0, upper=4.0) == pytest.approx(0.95, abs=1e-9)


def test_guard_band_of_wide_limits_is_that_of_one_limit() -> None:
    assert guard_band(0.95, 1.0, lower=0.0, upper=100.0).width == pytest.approx(1.6448536, abs=1e-6)
    assert guard_band(0.5, 1.0, lower=0.0).width == 0.0


def test_no_guard_band_is_a_value_with_a_reason() -> None:
    band = guard_band(0.95, 2.0, lower=0.0, upper=4.0)
    assert band.width is None
    assert band.reason is not None
    assert "a probability of only 0.683" in band.reason


@pytest.mark.parametrize(
    ("u", "lower", "upper", "words"),
    [
        (0.0, 0.0, 1.0, "above 0"),
        (math.nan, 0.0, 1.0, "above 0"),
        (1.0, None, None, "no limit"),
        (1.0, 1.0, 0.0, "lower one first"),
        (1.0, math.inf, None, "finite"),
    ],
)
def test_probabilities_of_nonsense_are_refused(u: float, lower: float | None, upper: float | None, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        conformance_probability(0.5, u, lower=lower, upper=upper)
    with pytest.raises(ValueError, match=words):
        guard_band(0.95, u, lower=lower, upper=upper)


@pytest.mark.parametrize("u", [math.inf, -1.0, 0.0])
def test_a_probability_needs_a_finite_uncertainty_above_nought(u: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        conformance_probability(0.5, u, lower=0.0)


def test_limits_that_coincide_are_refused() -> None:
    with pytest.raises(ValueError, match="lower one first"):
        conformance_probability(1.0, 1.0, lower=1.0, upper=1.0)
    with pytest.raises(ValueError, match="finite"):
        conformance_probability(1.0, 1.0, lower=0.0, upper=math.nan)


def test_one_degree_of_freedom_is_enough() -> None:
    # Student's t of one degree of freedom is Cauchy's: three quarters lie beyond one scale below the centre
    assert conformance_probability(1.0, 1.0, lower=0.0, degrees_of_freedom=1) == pytest.approx(0.75, rel=1e-12)
    # binary arithmetic may fall just short of a whole number; what is short by more is truncated
    for nu, whole in ((2 - 1e-12, 2), (2.9, 2)):
        assert conformance_probability(1.0, 1.0, lower=0.0, degrees_of_freedom=nu) == conformance_probability(
            1.0, 1.0, lower=0.0, degrees_of_freedom=whole
        )
    with pytest.raises(ValueError, match="at least 1"):
        guard_band(0.95, 1.0, lower=0.0, degrees_of_freedom=0.99)


def test_without_uncertainty_a_value_is_in_or_out_and_its_limits_are_in() -> None:
    values = np.array([0.9, 1.0, 1.5, 2.0, 2.1])
    nought, infinite, lower, upper = (np.full(5, x) for x in (0.0, math.inf, 1.0, 2.0))
    found = conformance_probabilities(values, nought, infinite, lower, upper)
    assert found.tolist() == [0.0, 1.0, 1.0, 1.0, 0.0]
    assert conformance_probabilities(values, nought, np.full(5, 3.0), lower, upper).tolist() == found.tolist()


def test_of_many_values_each_has_its_own_distribution_and_an_unknown_one_has_none() -> None:
    value, u = np.array([58.0, 58.0, math.nan, 58.0]), np.array([0.5, 0.5, 0.5, math.nan])
    nu = np.array([math.inf, 4.0, math.inf, math.inf])
    found = conformance_probabilities(value, u, nu, np.full(4, 57.5), np.full(4, 58.25))
    assert found[0] == pytest.approx(stats.norm.cdf(0.5) - stats.norm.cdf(-1), rel=1e-12)
    assert found[1] == pytest.approx(stats.t.cdf(0.5, 4) - stats.t.cdf(-1, 4), rel=1e-12)
    assert np.isnan(found[2:]).all()
    # far outside both limits rounding of two tails leaves no probability below nought or above one
    assert conformance_probability(1e3, 1.0, lower=0.0, upper=1.0) == 0.0
    assert conformance_probability(10.0, 1.0, lower=0.0, upper=1.0) == 0.0
    assert 0.0 <= conformance_probability(0.5, 1e9, lower=0.0, upper=1e-9) <= 1.0


def test_few_degrees_of_freedom_widen_a_guard_band_of_two_limits() -> None:
    width = guard_band(0.95, 1.0, lower=0.0, upper=6.0, degrees_of_freedom=5).width
    assert width is not None
    assert stats.t.cdf(6 - width, 5) - stats.t.cdf(-width, 5) == pytest.approx(0.95, abs=1e-9)


@pytest.mark.parametrize("scale", [1e-8, 1.0, 1e6])
def test_a_guard_band_is_in_proportion_whatever_the_unit(scale: float) -> None:
    width = guard_band(0.95, scale, lower=0.0, upper=4.0 * scale).width
    assert width is not None
    # the condition it solves, by scipy: Φ(4 − w) − Φ(−w) = 0.95
    of_scipy = optimize.brentq(lambda w: stats.norm.cdf(4 - w) - stats.norm.cdf(-w) - 0.95, 0, 2, xtol=1e-14)
    assert width / scale == pytest.approx(of_scipy, rel=1e-11)


def test_probabilities_outside_their_range_are_refused() -> None:
    with pytest.raises(ValueError, match="finite number"):
        conformance_probability(math.nan, 1.0, lower=0.0)
    for probability in (0.4, 1.0):
        with pytest.raises(ValueError, match=r"from 0\.5 to below 1"):
            guard_band(probability, 1.0, lower=0.0)
