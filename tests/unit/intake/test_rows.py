"""Rows of the neutral layout: the rules between columns, each just inside and just outside, with the column they name."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from intake_checks import is_whole, layouts, load
from sample_layouts import GOOD

from pipeline.intake.layout import parse_layout
from pipeline.intake.rows import _HINTS

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


def test_of_unknown_blocks_the_nearest_is_told_for_the_first_fifty() -> None:
    """To look for it costs more than all else; the names are looked at as they come."""
    near = [BLOCK.replace("BL-A1", f"BL-A1{n:02}") for n in range(_HINTS + 1)]
    found = load("\n".join([HEADER, *near, BLOCK.replace("BL-A1", "zz"), ""]).encode(), layouts()["neutral"])
    is_whole(found)
    assert set(found.quarantine["reason"]) == {"unknown_block"}
    told = [
        sentence.count("a reference block in the register (did you mean 'BL-A1'?)")
        for sentence in found.quarantine["sentence"]
    ]
    assert _HINTS == 50
    assert sum(told) in (49, 50)  # zz may be one of the first fifty
    assert found.quarantine.height == 52
    few = load("\n".join([HEADER, *near[:3], BLOCK.replace("BL-A1", "zz"), ""]).encode(), layouts()["neutral"])
    assert ["did you mean" in sentence for sentence in few.quarantine["sentence"]] == [True] * 3 + [False]


def test_what_is_expected_is_said_in_words() -> None:
    said = {
        PART.replace("L-0007", ""): "expected the lot of a reading on a part",
        BLOCK.replace("BL-A1", ""): "expected the reference block that was read",
        PART.replace("L-0007,", "L-0007,BL-A1"): "found 'BL-A1', expected no reference block on the row of a part",
        PART.replace("L-0007", "BL-A1"): "found 'BL-A1', expected a lot, not the name of a reference block",
        PART.replace("33.5", "65.5"): "found '65.5', expected a value between 0.5 and 65 MS/m",
    }  # fmt: skip
    found = load("\n".join([HEADER, *said, ""]).encode(), layouts()["neutral"])
    for sentence, expected in zip(found.quarantine["sentence"], said.values(), strict=True):
        assert expected in sentence


def read(changes: list[tuple[str, str]], text: str, **more: Any) -> Any:
    layout = GOOD
    for old, new in changes:
        assert old in layout
        layout = layout.replace(old, new)
    found = load(text.encode(), parse_layout(layout, "x"), **more)
    is_whole(found)
    return found


AT = 'name = "When"\ncolumn = "measured_at"\ntype = "datetime"\nformat = "%d.%m.%Y %H:%M"'
LOT = 'name = "Lot"\ncolumn = "lot"'
IGNORED = '\n[[schema.fields]]\nname = "{}"\nignore = true'
UTC_AT = datetime(2026, 3, 2, 7, 31, tzinfo=UTC)


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ([], "When;Lot;Value\n02.03.2026 08:31;A;33,5\n"),
        ([('zone = "Europe/Oslo"', 'zone = "site"')], "When;Lot;Value\n02.03.2026 08:31;A;33,5\n"),
        ([('zone = "Europe/Oslo"', 'zone = "offset"'), ("%H:%M", "%H:%M %z")], "When;Lot;Value\n02.03.2026 09:31 +0200;A;33,5\n"),
        ([("%Y ", ""), ("[constants]", "[constants]\nyear = 2026"), ("%d.%m.", "%d.%m. ")], "When;Lot;Value\n02.03. 08:31;A;33,5\n"),
        ([(AT, AT + '\njoinWith = ["T"]' + IGNORED.format("T"))], "When;T;Lot;Value\n02.03.2026;08:31;A;33,5\n"),
        ([(AT, 'name = "D"\ncolumn = "measured_date"\ntype = "date"\nformat = "%d.%m.%Y"\n[[schema.fields]]\nname = "T"\ncolumn = "measured_time"\ntype = "time"\nformat = "%H:%M"')], "D;T;Lot;Value\n02.03.2026;08:31;A;33,5\n"),
        ([(AT, 'name = "T"\ncolumn = "measured_time"\ntype = "time"\nformat = "%H:%M"'), ("[constants]", '[preamble]\nkeys = [{ key = "Day", column = "measured_date", type = "date", format = "%d.%m.%Y" }]\n[constants]')], "Day;02.03.2026\nT;Lot;Value\n08:31;A;33,5\n"),
        ([(AT, 'name = "D"\ncolumn = "measured_date"\ntype = "date"\nformat = "%d.%m.%Y"'), ("[constants]", '[preamble]\nkeys = [{ key = "At", column = "measured_time", type = "time", format = "%H:%M" }]\n[constants]')], "At;08:31\nD;Lot;Value\n02.03.2026;A;33,5\n"),
    ],
)  # fmt: skip
def test_a_moment_is_one_however_many_cells_or_lines_it_is_written_in(
    changes: list[tuple[str, str]], text: str
) -> None:
    found = read(changes, text)
    assert found.readings.select("measured_at", "lot", "value", "unit", "clock").rows() == [
        (UTC_AT, "A", 33.5, "MS/m", "known")
    ]


@pytest.mark.parametrize(
    ("key", "text", "column", "value"),
    [
        ('column = "count", type = "integer"', "5", "count", 5), ('column = "count", type = "integer"', "5,5", "count", None),
        ('column = "curvature_compensated", type = "boolean"', "yes", "curvature_compensated", True),
        ('column = "curvature_compensated", type = "boolean"', "no", "curvature_compensated", False),
        ('column = "curvature_compensated", type = "boolean"', "perhaps", "curvature_compensated", None),
        ('column = "thickness_mm", type = "number", unit = "mm"', "1,5", "thickness_mm", 1.5),
        ('column = "thickness_mm", type = "number", unit = "mm"', "thin", "thickness_mm", None),
        ('column = "operator"', "me", "operator", "me"),
    ],
)  # fmt: skip
def test_what_a_key_says_of_the_file_holds_for_each_line_or_the_file_is_held(
    key: str, text: str, column: str, value: Any
) -> None:
    found = read(
        [("[constants]", f'[preamble]\nkeys = [{{ key = "K", {key} }}]\n[constants]')],
        f"K;{text}\nWhen;Lot;Value\n02.03.2026 08:31;A;33,5\n02.03.2026 08:32;A;33,6\n",
    )
    if value is None:
        assert (found.held.reason, found.held.what_to_do) == (
            "preamble_mismatch",
            "Correct the key in the layout, or export again.",
        )
        assert found.held.sentence.startswith(f"Column 'K': found '{text}', expected ")
    else:
        assert found.readings[column].to_list() == [value] * 2


NAME = 'name = "Name"\ncolumn = "name"'
ROUTED = [(LOT, NAME), ('role = "part"\n', "")]
RULES = "\n[routes]\nrules = [{ role = 'block', listed = 'blocks' }, { role = 'part', listed = 'studies' }, { role = 'part', pattern = '(?P<lot>[A-Z]+)/?(?P<part>[0-9]*)' }]"


def test_a_name_fills_what_its_route_says_and_one_that_is_missing_is_told_by_its_column() -> None:
    end = 'temperature_state = "at_metal"'
    names = ["BL-A1", "GRR-1", "AB/12", "AB", ""]
    lines = "".join(f"02.03.2026 08:3{n};{name};33,5\n" for n, name in enumerate(names))
    found = read([*ROUTED, (end, end + RULES)], f"When;Name;Value\n{lines}")
    assert found.readings.select("role", "block", "run", "lot", "part").rows() == [
        ("block", "BL-A1", None, None, None), ("part", None, "GRR-1", "GRR-1", None), ("part", None, None, "AB", "12"),
        ("part", None, None, "AB", None),
    ]  # fmt: skip
    assert found.quarantine.select("line", "column", "reason").rows() == [(6, "Name", "missing_value")]
    nothing = read([*ROUTED, (end, end + RULES)], "When;Name;Value\n02.03.2026 08:31;x;33,5\n")
    assert nothing.quarantine.select("column", "reason").rows() == [("Name", "not_routed")]


def test_which_column_is_filled_says_what_was_read() -> None:
    both = LOT + '\n[[schema.fields]]\nname = "B"\ncolumn = "block"'
    found = read(
        [(LOT, both), ('role = "part"\n', ""), ("version = 1", "version = 1\nroleByColumn = true")],
        "When;Lot;B;Value\n"
        + "".join(f"02.03.2026 08:3{n};{cells};33,5\n" for n, cells in enumerate(("A;", ";BL-A1", "A;BL-A1", ";"))),
    )
    assert found.readings.select("role", "lot", "block").rows() == [("part", "A", None), ("block", None, "BL-A1")]
    assert found.quarantine.select("line", "reason").rows() == [(4, "role_unclear"), (5, "role_unclear")]
    assert "expected either a lot or a block" in found.quarantine["sentence"][0]
