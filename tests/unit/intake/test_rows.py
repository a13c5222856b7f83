"""Rows of the neutral layout: the rules between columns, each just inside and just outside, with the column they name."""

from __future__ import annotations

import pytest
from intake_checks import is_whole, layouts, load

HEADER = "measured_at,meter,role,lot,block,value,unit,temperature_state"
PART = "2026-03-02T08:00:00Z,EC-01,part,L-0007,,33.5,MS/m,at_metal"
BLOCK = "2026-03-02T08:00:00Z,EC-01,block,,BL-A1,33.5,MS/m,at_metal"


def refused(*rows: str, header: str = HEADER) -> list[tuple[int, str, str]]:
    """Line, column and reason of what was refused."""
    reading = load("\n".join([header, *rows, ""]).encode(), layouts()["neutral"])
    is_whole(reading)
    assert reading.held is None
    return list(reading.quarantine.select("line", "column", "reason").iter_rows())


@pytest.mark.parametrize(
    ("row", "column", "reason"),
    [
        (PART, None, None),
        (BLOCK, None, None),
        (BLOCK.replace("block", "setting"), None, None),
        (PART.replace("EC-01", ""), "meter", "missing_value"),
        (PART.replace("part", ""), "role", "missing_value"),
        (PART.replace("MS/m", ""), "unit", "missing_value"),
        (PART.replace("at_metal", ""), "temperature_state", "missing_value"),
        (PART.replace("33.5", ""), "value", "missing_value"),
        (PART.replace("L-0007", ""), "lot", "missing_lot"),
        (BLOCK.replace("BL-A1", ""), "block", "missing_block"),
        (BLOCK.replace("block", "setting").replace("BL-A1", ""), "block", "missing_block"),
        (BLOCK.replace("BL-A1", "BL-A9"), "block", "unknown_block"),
        (BLOCK.replace("block", "setting").replace("BL-A1", "BL-A9"), "block", "unknown_block"),
        (PART.replace("L-0007,", "L-0007,BL-A1"), "block", "block_on_part_row"),
        (PART.replace("L-0007,", "L-0007,BL-A9"), "block", "block_on_part_row"),
        (PART.replace("L-0007", "BL-A1"), "lot", "lot_named_like_block"),
        (BLOCK.replace("block,", "block,BL-C1"), "lot", "lot_named_like_block"),
        (BLOCK.replace("block,", "block,L-0007"), None, None),
        (PART.replace("part,L-0007", ","), "role", "missing_value"),
        (BLOCK.replace("block,,BL-A1", ",,BL-A9"), "role", "missing_value"),
        (PART.replace("33.5", "0.5"), None, None),
        (PART.replace("33.5", "0.4999"), "value", "implausible_value"),
        (PART.replace("33.5", "65"), None, None),
        (PART.replace("33.5", "65.001"), "value", "implausible_value"),
        (PART.replace("33.5", "0"), "value", "implausible_value"),
        (PART.replace("33.5", "-1"), "value", "negative_value"),
        (PART.replace("33.5,MS/m", "112.06,%IACS"), None, None),
        (PART.replace("33.5,MS/m", "112.07,%IACS"), "value", "implausible_value"),
        (PART.replace("33.5,MS/m", "0,%IACS"), "value", "implausible_value"),
        (PART.replace("33.5,MS/m", "200,uOhm.cm"), None, None),
        (PART.replace("33.5,MS/m", "201,uOhm.cm"), "value", "implausible_value"),
        (PART.replace("33.5,MS/m", "0,uOhm.cm"), "value", "implausible_value"),
    ],
)
def test_each_rule_between_columns_names_its_column(row: str, column: str | None, reason: str | None) -> None:
    """Plausible from 0.5 to 65 MS/m; 100 %IACS are 58 MS/m, 1 uOhm.cm is 100 MS/m (IEC 60028)."""
    wanted = [] if column is None else [(2, column, reason)]
    assert refused(row) == wanted
    others = [PART, PART.replace("33.5,MS/m", "58,%IACS"), BLOCK]  # units and faults of other lines change nothing
    assert refused(*others, row, *others) == [(5, *rest) for _, *rest in wanted]


def test_a_column_that_the_file_has_not_is_missed_in_each_line_that_needs_it() -> None:
    without_block = HEADER.replace(",block", "")
    rows = [PART.replace("L-0007,,", "L-0007,"), "2026-03-02T08:00:00Z,EC-01,block,,33.5,MS/m,at_metal"]
    assert refused(*rows, header=without_block) == [(3, "block", "missing_block")]
    without_lot = HEADER.replace(",lot", "")
    rows = [PART.replace("L-0007,", ""), BLOCK.replace("block,,", "block,")]
    assert refused(*rows, header=without_lot) == [(2, "lot", "missing_lot")]


WIDE = (
    "Stamp\tInstrument\tProbe\tBy\tRole\tLot\tPart\tSpot\tBlock\tR1 [MS/m]\tR2 [MS/m]\tR3 [MS/m]\tR4 [MS/m]\tR5 [MS/m]\t"
    "Metal [°C]\tState\n"
)


def test_of_a_wide_line_every_number_is_a_reading_and_an_empty_cell_is_none() -> None:
    start = "2026-03-02 07:31:05\tEC-03\tP\top\tpart\tL-1\t1\t1\t\t"
    rows = [
        f"{start}33.1\t33.2\t33.3\t33.4\t33.5\t21.8\tmetal\n",
        f"{start}\t33.2\t\t33.4\t\t21.8\tmetal\n",
        f"{start}\t\t\t\t\t21.8\tmetal\n",
        f"{start}33.1\t99\t33.3\t33.4\t33.5\t21.8\tmetal\n",
    ]
    reading = load((WIDE + "".join(rows)).encode("utf-16"), layouts()["wide"])
    is_whole(reading)
    assert list(reading.readings.select("line", "replicate", "value").iter_rows()) == [
        *((2, n, 33.0 + n / 10) for n in range(1, 6)),
        (3, 2, 33.2),
        (3, 4, 33.4),
    ]
    assert list(reading.quarantine.select("line", "column", "reason").iter_rows()) == [
        (4, "R1 [MS/m]", "missing_value"),
        (5, "R2 [MS/m]", "implausible_value"),
    ]


def test_a_clock_is_believed_up_to_a_day_after_loading_and_from_the_year_on() -> None:
    """Loaded at 2026-12-01 00:00 UTC; the year begins by UTC, whatever the zone of the clock."""
    times = {
        "2026-12-02T00:00:00Z": "known", "2026-12-02T00:00:00.000001Z": "unknown", "2026-12-02T01:00:00+01:00": "known",
        "2010-01-01T00:00:00Z": "known", "2010-01-01T00:59:59+01:00": "unknown", "2009-12-31T23:59:59.999999Z": "unknown",
    }  # fmt: skip
    rows = [PART.replace("2026-03-02T08:00:00Z", at) for at in times]
    reading = load("\n".join([HEADER, *rows, ""]).encode(), layouts()["neutral"])
    assert reading.readings["clock"].to_list() == list(times.values())
