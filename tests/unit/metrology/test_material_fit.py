"""Which ranges fit a value: by integration, by its laws, and what is refused. Invented ranges."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats
from scipy.stats import norm

from pipeline.metrology.material_fit import fit_ranges

LOW, HIGH, WEIGHT = [30.0, 33.0, 36.0], [34.5, 36.0, 40.0], [1.0, 1.0, 3.0]


def test_likelihood_is_the_convolution_it_says() -> None:
    found = fit_ranges([33.2, 29.0], [0.4, 0.9], LOW, HIGH, WEIGHT)
    for row, (x, u) in enumerate(((33.2, 0.4), (29.0, 0.9))):
        for column, (a, b) in enumerate(zip(LOW, HIGH, strict=True)):
            by_hand, _ = integrate.quad(lambda t, x=x, u=u: stats.norm.pdf(x, t, u), a, b, epsabs=1e-14)  # type: ignore[misc]
            assert found.likelihood[row, column] == pytest.approx(by_hand / (b - a), rel=1e-6, abs=1e-15)
    joint = found.likelihood * np.array(WEIGHT)
    assert found.probability == pytest.approx(joint / joint.sum(axis=1, keepdims=True))


def test_fits_within_the_expanded_uncertainty() -> None:
    found = fit_ranges([36.5], [0.3], LOW, HIGH, WEIGHT, coverage_factor=2.0)
    assert found.distance[0].tolist() == pytest.approx([2.0, 0.5, 0.0])
    assert found.fits[0].tolist() == [False, True, True]


def test_a_value_far_from_all_still_ranks() -> None:
    found = fit_ranges([90.0], [0.1], LOW, HIGH, WEIGHT)
    assert not found.fits.any()
    assert found.probability[0].tolist() == pytest.approx([0, 0, 1])
    assert np.isfinite(found.probability).all()


@settings(max_examples=60, deadline=None)
@given(st.floats(20, 60), st.floats(0.01, 3), st.floats(-10, 10), st.sampled_from([0.5, 2.0]), st.floats(0.1, 50))
def test_laws(x: float, u: float, shift: float, scale: float, weight: float) -> None:
    first = fit_ranges([x], [u], LOW, HIGH, WEIGHT)
    assert first.probability.sum() == pytest.approx(1)
    moved = fit_ranges(
        [(x + shift) * scale],
        [u * scale],
        [(a + shift) * scale for a in LOW],
        [(b + shift) * scale for b in HIGH],
        WEIGHT,
    )
    assert moved.probability == pytest.approx(first.probability, abs=1e-6)
    weighed = fit_ranges([x], [u], LOW, HIGH, [w * weight for w in WEIGHT])
    assert weighed.probability == pytest.approx(first.probability, abs=1e-9)
    mirrored = fit_ranges([-x], [u], [-b for b in HIGH], [-a for a in LOW], WEIGHT)
    assert mirrored.probability == pytest.approx(first.probability, abs=1e-9)


@pytest.mark.parametrize(
    ("given", "match"),
    [
        (([33.0], [0.0], LOW, HIGH, WEIGHT), "above zero"),
        (([33.0], [0.1], LOW, HIGH, [1.0, 0.0, 1.0]), "above zero"),
        (([33.0], [0.1], HIGH, LOW, WEIGHT), "below the upper"),
        (([float("nan")], [0.1], LOW, HIGH, WEIGHT), "finite"),
    ],
)
def test_bad_use_is_refused(given: tuple[list[float], ...], match: str) -> None:
    with pytest.raises(ValueError, match=match):
        fit_ranges(*given)


@pytest.mark.parametrize("u", [0.05, 1.0, 5.0, 50.0])
def test_the_likelihood_is_the_share_of_the_normal_distribution_over_the_width(u: float) -> None:
    values, lower, upper = np.array([25.0, 28.0, 29.0, 30.0, 34.0]), np.array([28.0, 29.5]), np.array([30.0, 30.0])
    found = fit_ranges(values, np.full(5, u), lower, upper, [1.0, 3.0])
    x, a, b = values[:, None], lower[None, :], upper[None, :]
    # by scipy; the tail on the nearer side, so that nothing is lost beside one
    beside = np.where(
        x < (a + b) / 2, norm.cdf((x - a) / u) - norm.cdf((x - b) / u), norm.sf((x - b) / u) - norm.sf((x - a) / u)
    )
    assert found.likelihood == pytest.approx(beside / (b - a), rel=1e-9, abs=1e-300)
    joint = beside / (b - a) * [1.0, 3.0]
    usable = joint.sum(axis=1) > 0
    assert found.probability[usable] == pytest.approx(
        joint[usable] / joint[usable].sum(axis=1, keepdims=True), rel=1e-9
    )


def test_a_value_fits_within_twice_its_standard_uncertainty_unless_said_otherwise() -> None:
    values = np.array([29.0, 30.0, 30.2, 30.21, 27.8, 27.79])
    found = fit_ranges(values, np.full(6, 0.1), [28.0], [30.0], [1.0])
    assert found.distance[:, 0] == pytest.approx([0.0, 0.0, 0.2, 0.21, 0.2, 0.21])
    assert fit_ranges([30.25], [0.125], [28.0], [30.0], [1.0]).fits.all()  # on the edge itself
    assert found.fits[[0, 1, 3, 5], 0].tolist() == [True, True, False, False]
    assert fit_ranges([30.25], [0.1], [28.0], [30.0], [1.0], 3.0).fits.all()


@pytest.mark.parametrize(
    ("place", "bad", "words"),
    [
        (0, math.nan, "finite"),
        (1, 0.0, "above zero"),
        (2, 30.0, "below the upper one"),
        (3, math.inf, "finite"),
        (4, 0.0, "above zero"),
    ],
)
def test_one_number_that_makes_no_sense_among_good_ones_is_refused(place: int, bad: float, words: str) -> None:
    numbers = [[29.0, 29.5], [0.1, 0.2], [28.0, 28.5], [30.0, 31.0], [1.0, 2.0]]
    numbers[place][0] = bad
    with pytest.raises(ValueError, match=words):
        fit_ranges(*numbers)


def test_however_far_a_value_lies_its_probabilities_add_up_to_one() -> None:
    found = fit_ranges([29.0, 45.0, -5.0], [0.1, 0.1, 0.1], [28.0, 29.5], [30.0, 31.0], [1.0, 1.0])
    assert found.probability.sum(axis=1) == pytest.approx([1.0, 1.0, 1.0])
    # the nearer range is the likelier one
    assert found.probability[1].argmax() == 1
    assert found.probability[2].argmax() == 0
