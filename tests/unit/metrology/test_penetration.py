"""Depth of penetration and the thickness it asks for."""

from __future__ import annotations

import math

import pytest

from pipeline.metrology.penetration import (
    lowest_frequency_khz,
    required_thickness_mm,
    standard_depth_mm,
    thickness_flag,
)


def test_a_thick_part_raises_no_flag() -> None:
    assert thickness_flag(33.0, 480.0, 0.34) is None


def test_a_thin_part_is_flagged_with_its_number_and_what_to_do() -> None:
    flag = thickness_flag(33.0, 60.0, 0.5)
    assert flag is not None
    assert "thickness 0.5 mm is 1.40 standard depths" in flag
    assert "below the 2.6 asked for" in flag
    assert "need 0.93 mm" in flag
    assert "208 kHz or more" in flag
    assert "stack" in flag


def test_a_thickness_equal_to_the_one_asked_for_is_enough() -> None:
    needed = required_thickness_mm(58.0, 480.0, multiple=3.0)
    assert thickness_flag(58.0, 480.0, needed, multiple=3.0) is None
    flag = thickness_flag(58.0, 480.0, needed * 0.9999, multiple=3.0)
    assert flag is not None
    assert "is 2.9997 standard depths of penetration, below the 3 asked for" in flag


@pytest.mark.parametrize("thickness_mm", [0.05, 0.3, 1.27, 10.0])
def test_what_the_flag_advises_clears_it(thickness_mm: float) -> None:
    frequency = lowest_frequency_khz(33.0, thickness_mm)
    assert required_thickness_mm(33.0, frequency) == pytest.approx(thickness_mm, rel=1e-12)
    # the numbers printed in the flag are rounded up, so following them is enough
    flag = thickness_flag(33.0, frequency * 0.4, thickness_mm)
    assert flag is not None
    need = float(flag.split(" kHz need ")[1].split(" mm")[0])
    advised = float(flag.split("measure at ")[1].split(" kHz")[0])
    assert thickness_flag(33.0, frequency * 0.4, need) is None
    assert thickness_flag(33.0, advised, thickness_mm) is None


def test_the_depth_is_that_of_a_plane_wave() -> None:
    # δ = 1/√(π·f·μ0·σ) in SI units, μ0 = 4π·1e-7 H/m
    for sigma, frequency in ((58.0, 60.0), (0.5, 0.5)):
        by_hand = 1e3 / math.sqrt(math.pi * frequency * 1e3 * 4e-7 * math.pi * sigma * 1e6)
        assert standard_depth_mm(sigma, frequency) == pytest.approx(by_hand, rel=1e-12)


def test_the_flag_advises_a_frequency_for_the_multiple_that_is_asked_for() -> None:
    flag = thickness_flag(33.0, 60.0, 0.5, multiple=3.0) or ""
    advised = float(flag.split("measure at ")[1].split(" kHz")[0])
    assert advised == pytest.approx(lowest_frequency_khz(33.0, 0.5, multiple=3.0), rel=0.01)
    assert thickness_flag(33.0, advised, 0.5, multiple=3.0) is None


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_impossible_numbers_are_refused(bad: float) -> None:
    for numbers in ((bad, 0.5, 2.6), (33.0, bad, 2.6), (33.0, 0.5, bad)):
        with pytest.raises(ValueError, match="above 0"):
            lowest_frequency_khz(numbers[0], numbers[1], multiple=numbers[2])
    with pytest.raises(ValueError, match="above 0"):
        standard_depth_mm(bad, 60.0)
    with pytest.raises(ValueError, match="above 0"):
        standard_depth_mm(33.0, bad)
    with pytest.raises(ValueError, match="above 0"):
        thickness_flag(33.0, 60.0, bad)
    with pytest.raises(ValueError, match="above 0"):
        required_thickness_mm(33.0, 60.0, multiple=bad)
