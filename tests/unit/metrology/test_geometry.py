"""Gates of geometry as sentences: the number, the piece count and the probe that they name. Invented numbers."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.metrology.geometry import depths_of_penetration, single_frequency, thickness_sentence
from pipeline.metrology.penetration import lowest_frequency_khz, required_thickness_mm, standard_depth_mm


def test_thickness_in_depths_agrees_with_the_single_function() -> None:
    frame = pl.DataFrame({"s": [18.0, 58.0], "f": [60.0, 480.0], "t": [1.27, 0.3]})
    found = frame.select(depths_of_penetration(pl.col("s"), pl.col("f"), pl.col("t"))).to_series().to_list()
    expected = [t / standard_depth_mm(s, f) for s, f, t in frame.iter_rows()]
    assert found == pytest.approx(expected, rel=1e-14)


@pytest.mark.parametrize(
    ("text", "frequency"),
    [
        ("60", 60.0),
        ("60 60", 60.0),
        ("60 240", None),
        ("", None),
        (None, None),
        ("many", None),
        ("60;60.0", 60.0),
        ("0.5", 0.5),
        ("0", None),
        ("-60", None),
        ("inf", None),
        ("nan", None),
    ],
)
def test_only_a_probe_of_one_frequency_lends_it(text: str | None, frequency: float | None) -> None:
    assert single_frequency(text) == frequency


def too_thin(thickness_mm: float, *frequencies: float) -> str:
    return thickness_sentence(
        readings=3, conductivity_ms_per_m=58.0, frequency_khz=60.0, thickness_mm=thickness_mm, multiple=3.0,
        frequencies=frequencies,
    )  # fmt: skip


@pytest.mark.parametrize("pieces", [2, 3, 5, 7])
def test_as_many_pieces_are_asked_for_as_reach_the_thickness(pieces: int) -> None:
    enough = required_thickness_mm(58.0, 60.0, multiple=3.0) / pieces
    assert f"({pieces} pieces)" in too_thin(enough)
    assert f"({pieces} pieces)" in too_thin(enough * 1.001)
    assert f"({pieces + 1} pieces)" in too_thin(enough * 0.999)


def test_the_lowest_probe_that_is_enough_is_named() -> None:
    assert "below the 3 asked for" in too_thin(0.4)
    lowest = lowest_frequency_khz(58.0, 0.4, multiple=3.0)
    assert "the meter has a probe for 480 kHz" in too_thin(0.4, 960.0, 480.0, 240.0, 120.0)
    assert "the meter has a probe" in too_thin(0.4, lowest)
    assert "the meter has a probe" not in too_thin(0.4, lowest * 0.999)
    assert "the meter has a probe" not in too_thin(0.4)
