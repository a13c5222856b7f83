"""Which ranges fit a value: by integration, by its laws, and what is refused. Invented ranges."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

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
