"""Which blocks are missing around a level (MIL-STD-1537C, 4.1.1, from memory): three within 10 %IACS, one above, one below."""

from __future__ import annotations

import pytest

from pipeline.metrology.block_range import missing_blocks

THREE = {"A": 95.0, "B": 99.0, "C": 103.0}


@pytest.mark.parametrize(
    ("level", "blocks", "expected"),
    [
        (100.0, THREE, ()),
        (103.0, THREE, ()),  # a block at the level itself counts on both sides
        (104.0, THREE, ("one between 104 and 114 %IACS",)),
        (94.0, THREE, ("one between 84 and 94 %IACS",)),
        (100.0, {"A": 95.0, "C": 103.0}, ("1 more within 10 %IACS of 100 %IACS",)),
        (100.0, {"A": 60.0, "B": 61.0, "C": 103.0}, ("one between 90 and 100 %IACS", "1 more within 10 %IACS of 100 %IACS")),
        (100.0, {}, ("one between 100 and 110 %IACS", "one between 90 and 100 %IACS", "1 more within 10 %IACS of 100 %IACS")),
        (90.0, {"A": 80.0, "B": 100.0, "C": 95.0}, ()),  # just within the span
    ],
)  # fmt: skip
def test_three_within_ten_one_above_one_below(
    level: float, blocks: dict[str, float], expected: tuple[str, ...]
) -> None:
    assert missing_blocks(level, blocks, span=10.0, least=3) == expected


@pytest.mark.parametrize("factor", [1 - 1e-12, 1 + 1e-12])
def test_binary_noise_moves_no_block_over_the_level_or_out_of_the_span(factor: float) -> None:
    assert missing_blocks(100.0, {"A": 100.0 * factor}, span=10.0, least=1) == ()
    assert missing_blocks(90.0, {"A": 90 - 10.0 * factor, "B": 90 + 10.0 * factor}, span=10.0, least=2) == ()


def test_a_block_just_beside_the_level_or_just_beyond_the_span_is_told() -> None:
    assert missing_blocks(100.0, {"A": 100.001}, span=10.0, least=1) == ("one between 90 and 100 %IACS",)
    assert missing_blocks(100.0, {"A": 99.999}, span=10.0, least=1) == ("one between 100 and 110 %IACS",)
    assert missing_blocks(100.0, {"A": 89.999, "B": 110.0}, span=10.0, least=1) == ("one between 90 and 100 %IACS",)
    assert missing_blocks(100.0, {"A": 90.0, "B": 110.0}, span=10.0, least=4) == (
        "2 more within 10 %IACS of 100 %IACS",
    )
