"""Sides of the limits on which conductivity and hardness lie, and the parts by pairs of them. Invented numbers."""

from __future__ import annotations

from pipeline.metrology.heat_treatment import pairs_of_sides, side


def test_a_side_begins_beyond_the_limit() -> None:
    assert [side(v, 41.0, 44.0) for v in (40.999, 41.0, 42.5, 44.0, 44.001)] == ["low", None, None, None, "high"]
    assert side(50.0, None, None) is None
    assert side(None, 41.0, 44.0) is None
    assert side(50.0, 41.0, None) is None
    assert side(40.0, None, 44.0) is None


def test_parts_are_gathered_by_their_sides() -> None:
    found = pairs_of_sides(
        [("1", "high", "low", 45.0), ("2", "high", "low", 46.0), ("3", "low", "high", 40.0), ("4", "high", None, 45.0),
         ("5", None, "low", 42.0), (None, "low", "low", None)]
    )  # fmt: skip
    assert [(one.conductivity, one.hardness, one.parts, one.conductivity_mean) for one in found] == [
        ("high", "low", ("1", "2"), 45.5),
        ("low", "high", ("3",), 40.0),
    ]
