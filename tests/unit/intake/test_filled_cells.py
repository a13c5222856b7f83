"""Cells filled down, headers of several lines, what the filled column says: what loads and what is refused."""

from __future__ import annotations

import pytest
from section_texts import read, refused

from pipeline.errors import LayoutError
from pipeline.intake.layout import parse_layout

DOWN = """
name = "down"
version = 1
zone = "offset"
[dialect]
headerLines = 2
[[schema.fields]]
name = "Sample Lot"
column = "lot"
fillDown = true
[[schema.fields]]
name = "Sample Piece"
column = "part"
[[schema.fields]]
name = "Time"
column = "measured_at"
type = "datetime"
[[schema.fields]]
name = "Measured Value"
column = "value"
type = "number"
unit = "MS/m"
unitInHeader = true
[constants]
meter = "EC-01"
role = "part"
temperature_state = "at_metal"
"""
TWO_LINES = "Sample,Sample,,Measured\nLot,Piece,Time,Value [MS/m]\n"


def row(lot: str, piece: str, minute: int = 0, value: str = "33.5") -> str:
    return f"{lot},{piece},2026-03-02T07:{minute:02}:00Z,{value}\n"


def test_names_of_several_lines_are_joined_and_empty_cells_say_what_stands_above() -> None:
    found = read(TWO_LINES + row("L-1", "1") + row("", "2", 1) + "\n" + row("", "", 2) + row("L-2", "1", 3), DOWN)
    assert refused(found) == []
    assert found.readings.select("line", "lot", "part").rows() == [
        (3, "L-1", "1"), (4, "L-1", "2"), (6, "L-1", None), (7, "L-2", "1")
    ]  # fmt: skip
    assert found.counts["header"] == 2


def test_nothing_is_carried_down_over_a_line_that_was_lost_nor_from_a_repeated_header() -> None:
    found = read(TWO_LINES + row("", "1") + row("L-1", "1", 1) + "L-2,1\n" + row("", "2", 2) + row("L-3", "1", 3), DOWN)
    assert refused(found) == [(3, "nothing_above"), (5, "too_few_cells"), (6, "nothing_above")]
    assert found.readings["lot"].to_list() == ["L-1", "L-3"]
    # a lot whose own reading is refused is still the lot of those below
    found = read(TWO_LINES + row("L-1", "1", value="x") + row("", "2", 1), DOWN)
    assert refused(found) == [(3, "not_a_number")]
    assert found.readings["lot"].to_list() == ["L-1"]
    found = read(TWO_LINES + row("L-1", "1") + TWO_LINES + row("", "2", 1), DOWN)
    assert (refused(found), found.counts["header"], found.readings["lot"].to_list()) == ([], 4, ["L-1", "L-1"])


def test_a_header_of_several_lines_may_be_named_by_its_lines() -> None:
    layout = DOWN.replace("headerLines = 2", 'headerRows = [2, 3]\nheaderJoin = " "')
    assert read("Export\n" + TWO_LINES + row("L-1", "1"), layout).counts["header"] == 2
    held = read(TWO_LINES + row("L-1", "1"), layout).held
    assert held is not None
    assert held.reason == "header_missing"


# what was read, by the column that is filled

FILLED = """
name = "filled"
version = 1
roleByColumn = true
[[schema.fields]]
name = "Time"
column = "measured_at"
type = "datetime"
[[schema.fields]]
name = "Lot"
column = "lot"
[[schema.fields]]
name = "Block"
column = "block"
[[schema.fields]]
name = "Value"
column = "value"
type = "number"
unit = "MS/m"
[constants]
meter = "EC-01"
temperature_state = "at_metal"
"""


def test_the_column_that_is_filled_says_what_was_read_and_both_or_none_is_refused() -> None:
    rows = ("L-1,", ",BL-A1", "L-1,BL-A1", ",", "L-2,")
    lines = "".join(f"2026-03-02T07:0{n}:00Z,{names},33.5\n" for n, names in enumerate(rows))
    found = read("Time,Lot,Block,Value\n" + lines, FILLED)
    assert refused(found) == [(4, "role_unclear"), (5, "role_unclear")]
    assert found.quarantine["sentence"][0] == (
        "expected either a lot or a block. Which of the two was read? Correct the export."
    )
    assert found.readings.select("line", "role").rows() == [(2, "part"), (3, "block"), (6, "part")]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("[constants]", '[constants]\nrole = "part"', "expected one of the two"),
        ('column = "block"', "ignore = true", "nothing fills 'block', which roleByColumn needs"),
        ('column = "lot"', "ignore = true", "nothing fills 'lot', which roleByColumn needs"),
        ("roleByColumn = true", "roleByColumn = false", "nothing fills 'role'"),
    ],
)
def test_what_the_filled_column_can_say_it_says_alone(old: str, new: str, said: str) -> None:
    with pytest.raises(LayoutError, match=said):
        parse_layout(FILLED.replace(old, new, 1), "x.toml")
