"""Rows of the neutral layout: the rules between columns, each just inside and just outside, with the column they name."""

from __future__ import annotations

import itertools
from datetime import UTC, datetime
from typing import Any

import polars as pl
import pytest
from intake_checks import altered, is_whole, layouts, load
from sample_layouts import GOOD

from pipeline.intake.layout import parse_layout
from pipeline.intake.reading import FileColumn, Head
from pipeline.intake.rows import _HINTS, RowReader
from schemas.tables import READING

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
BOTH_TIMES = (
    '[preamble]\nkeys = [{ key = "Day", column = "measured_date", type = "date", format = "%d.%m.%Y" }, '
    '{ key = "At", column = "measured_time", type = "time", format = "%H:%M" }]\n'
)
LOT = 'name = "Lot"\ncolumn = "lot"'
IGNORED = '\n[[schema.fields]]\nname = "{}"\nignore = true'
UTC_AT = datetime(2026, 3, 2, 7, 31, tzinfo=UTC)


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ([], "When;Lot;Value\n02.03.2026 08:31;A;33,5\n"),
        ([('zone = "Europe/Oslo"', 'zone = "site"')], "When;Lot;Value\n02.03.2026 08:31;A;33,5\n"),
        ([("Europe/Oslo", "America/New_York")], "When;Lot;Value\n02.03.2026 02:31;A;33,5\n"),
        ([(AT + "\n", ""), ("[[schema.fields]]\n[[schema.fields]]", "[[schema.fields]]"), ("[constants]", BOTH_TIMES + "[constants]")], "Day;02.03.2026\nAt;08:31\nLot;Value\nA;33,5\n"),
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


CODED = 'name = "Value"\ncolumn = "value"\ntype = "number"\nunit = "MS/m"'


def test_columns_have_the_declared_types_and_text_is_kept_as_categories() -> None:
    """What is judged joins on these columns: text as categories, numbers and times as the table of readings declares them."""
    header = HEADER + ",operator,probe,count,frequency_khz,curvature_compensated,temperature_c"
    found = read_neutral(header, f"{PART},me,P1,5,60,yes,21.5", f"{BLOCK},,,,,no,")
    assert found.readings.height == 2
    for name, dtype in found.readings.schema.items():
        declared = READING[name].dtype
        assert dtype == (pl.Categorical if declared == pl.String else declared), name
    assert {"meter", "lot", "operator", "measured_at", "count", "replicate", "clock"} <= set(found.readings.columns)


def read_neutral(header: str, *rows: str, **more: Any) -> Any:
    found = load("\n".join([header, *rows, ""]).encode(), layouts()["neutral"], **more)
    is_whole(found)
    return found


@pytest.mark.parametrize(
    ("value", "unit", "in_ms"),
    [("33.5", "MS/m", 33.5), ("0.9", "MS/m", 0.9), ("50", "%IACS", 29.0), ("2.5", "uOhm.cm", 40.0), ("25", "nOhm.m", 40.0)],
)  # fmt: skip
def test_a_value_has_its_conductivity_whichever_units_the_file_has_beside_it(
    value: str, unit: str, in_ms: float
) -> None:
    """100 %IACS are 58 MS/m (IEC 60028); 1 uOhm.cm is 100 MS/m and 1 nOhm.m is 1000 MS/m by definition."""
    row = PART.replace("33.5,MS/m", f"{value},{unit}")
    for others in ([], [PART.replace("33.5,MS/m", "100,%IACS"), PART.replace("33.5,MS/m", "20,nOhm.m")]):
        assert read_neutral(HEADER, row, *others).readings["value_ms_per_m"][0] == pytest.approx(in_ms)


def test_a_resistivity_of_zero_is_refused_even_where_the_site_lets_zero_conductivity_pass() -> None:
    rows = [PART.replace("33.5,MS/m", written) for written in ("0,MS/m", "0,%IACS", "0,uOhm.cm")]
    for some in ([rows[0]], [rows[2]], rows):
        found = read_neutral(HEADER, *some, plausible_ms_per_m=(0.0, 65.0))
        assert found.readings["value_ms_per_m"].to_list() == [0.0 for row in some if row != rows[2]]
        assert found.quarantine["reason"].to_list() == ["implausible_value"] * (rows[2] in some)


def test_a_code_is_no_value_wherever_in_a_wide_line_it_stands() -> None:
    start = "2026-03-02 07:31:05\tEC-03\tP\top\tpart\tL-1\t1\t1\t\t"
    end = "\t21.8\tmetal\n"
    layout = altered(layouts()["wide"], non_readings={"----": "over_range", "LIFT": "lift_off"})

    def of(*cells: str) -> Any:
        found = load((WIDE + "".join(start + one + end for one in cells)).encode("utf-16"), layout)
        is_whole(found)
        return found

    found = of("33.1\t----\t\t\t33.5", "\t\tLIFT\t\t", "\t\t\t\t")
    assert found.readings.select("line", "replicate", "value", "non_reading").rows() == [
        (2, 1, 33.1, None), (2, 2, None, "over_range"), (2, 5, 33.5, None), (3, 3, None, "lift_off"),
    ]  # fmt: skip
    assert found.readings["non_reading"].dtype == pl.Categorical
    (left,) = found.quarantine.to_dicts()
    assert (left["line"], left["column"], left["reason"]) == (4, "R1 [MS/m]", "missing_value")
    assert "the cell is empty, expected a value or a code of the meter." in left["sentence"]
    plain = of("33.1\t33.2\t33.3\t33.4\t33.5")
    assert "non_reading" not in plain.readings.columns
    assert plain.readings["replicate"].to_list() == [1, 2, 3, 4, 5]


def test_what_the_table_of_readings_does_not_allow_is_said_by_the_first_column_with_what_it_allows() -> None:
    header = HEADER + ",frequency_khz,count,standard_deviation,coating_um"
    found = read_neutral(header, f"{PART},0,0,-0.1,-1", f"{PART},60,5,-0.1,-1", f"{PART},60,0.5,0.1,0")
    assert [(row["line"], row["column"], row["reason"]) for row in found.quarantine.to_dicts()] == [
        (2, "count", "out_of_range"), (3, "standard_deviation", "out_of_range"), (4, "count", "not_an_integer"),
    ]  # fmt: skip
    assert found.quarantine["sentence"][0] == "Column 'count': expected a number of at least 1. Correct the export."


def test_readings_that_break_the_contract_as_a_whole_hold_the_file(monkeypatch: pytest.MonkeyPatch) -> None:
    """No file is known to do so: a fault of ours, and then nothing of the file may be stored."""
    broken = pl.DataFrame(
        {"column": ["lot", "count"], "check": ["dtype", "too_low"], "failure_case": ["Int64", "0"], "index": [None, 0]},
        schema={"column": pl.String, "check": pl.String, "failure_case": pl.String, "index": pl.Int64},
    )
    monkeypatch.setattr("pipeline.intake.rows.failures", lambda *_: broken)
    held = read_neutral(HEADER, PART).held
    assert (held.reason, held.details) == ("breaks_contract", ("column lot: dtype Int64",))
    assert held.sentence == "The readings do not fit the table of readings: column lot: dtype Int64."
    assert held.what_to_do == "Correct the layout; this concerns the whole file, not one line."


def test_of_blocks_that_are_as_near_the_first_by_name_is_meant() -> None:
    known = frozenset("".join(letters) + "-1" for letters in itertools.product("Bb", "Ll", "Xx", "Yy"))
    listed = {"blocks": known, "lots": frozenset[str](), "studies": frozenset[str]()}
    found = read_neutral(HEADER, BLOCK.replace("BL-A1", "BLXY 1"), listed=listed)
    assert "(did you mean 'BLXY-1'?)" in found.quarantine["sentence"][0]


def test_constants_of_a_layout_have_the_type_of_their_column() -> None:
    more = '[constants]\nfrequency_khz = 60\ncount = 5\ncurvature_compensated = true\noperator = "me"'
    found = read([("[constants]", more)], "When;Lot;Value\n02.03.2026 08:31;A;33,5\n02.03.2026 08:32;A;33,6\n")
    names = ["frequency_khz", "count", "curvature_compensated", "operator", "unit"]
    assert found.readings.select(names).rows() == [(60.0, 5, True, "me", "MS/m")] * 2
    for name in names[:3]:
        assert found.readings[name].dtype == READING[name].dtype
    assert [found.readings[name].dtype for name in names[3:]] == [pl.Categorical] * 2


def test_a_time_before_the_header_hides_no_other_key_and_a_name_there_is_told_by_its_column() -> None:
    keys = (
        '[preamble]\nkeys = [{ key = "At", column = "measured_time", type = "time", format = "%H:%M" }, '
        '{ key = "By", column = "operator" }]\n[constants]'
    )
    date = (AT, 'name = "D"\ncolumn = "measured_date"\ntype = "date"\nformat = "%d.%m.%Y"')
    found = read([date, ("[constants]", keys)], "At;08:31\nBy;me\nD;Lot;Value\n02.03.2026;A;33,5\n")
    assert found.readings.select("measured_at", "operator", "lot").rows() == [(UTC_AT, "me", "A")]
    end = 'temperature_state = "at_metal"'
    named = '[preamble]\nkeys = [{ key = "Of", column = "name" }]\n[constants]'
    routed = [
        (LOT, 'name = "Part"\ncolumn = "operator"'),
        ('role = "part"\n', ""),
        (end, end + RULES),
        ("[constants]", named),
    ]
    of_head = read(routed, "Of;AB\nWhen;Part;Value\n02.03.2026 08:31;7;33,5\n")
    assert of_head.readings.select("role", "lot").rows() == [("part", "AB")]
    nowhere = read(routed, "Of;ab\nWhen;Part;Value\n02.03.2026 08:31;7;33,5\n")
    assert nowhere.quarantine.select("column", "reason").rows() == [("name", "not_routed")]


def test_a_role_that_is_missing_disagrees_with_no_name() -> None:
    end = 'temperature_state = "at_metal"'
    both = NAME + '\n[[schema.fields]]\nname = "As"\ncolumn = "role"'
    rows = ["BL-A1;block", "BL-A1;setting", "AB;part", "BL-A1;part", "AB;block", "AB;", "ab;part", "ab;block"]
    text = "When;Name;As;Value\n" + "".join(f"02.03.2026 08:3{n};{row};33,5\n" for n, row in enumerate(rows))
    found = read([(LOT, both), ('role = "part"\n', ""), (end, end + RULES)], text)
    assert found.readings["role"].to_list() == ["block", "setting", "part"]
    assert found.quarantine.select("line", "column", "reason").rows() == [
        (5, "Name", "role_disagrees"), (6, "Name", "role_disagrees"), (7, "As", "missing_value"),
        (8, "Name", "not_routed"), (9, "Name", "not_routed"),
    ]  # fmt: skip
    assert "found 'part', expected a name of what the role says" in found.quarantine["sentence"][0]


def test_only_cells_that_are_declared_to_be_are_filled_from_above_and_a_first_one_has_nothing_above() -> None:
    layout = [
        (LOT, LOT + "\nfillDown = true"),
        (CODED, CODED + '\n[[schema.fields]]\nname = "By"\ncolumn = "operator"'),
    ]
    rows = ["08:30;;33,4;", "08:31;A;33,5;me", "08:32;;33,6;", "08:33;B;33,7;", "08:34;;33,8;you"]
    found = read(layout, "When;Lot;Value;By\n" + "".join(f"02.03.2026 {row}\n" for row in rows))
    assert found.readings.select("lot", "operator").rows() == [("A", "me"), ("A", None), ("B", None), ("B", "you")]
    (left,) = found.quarantine.to_dicts()
    assert (left["line"], left["column"], left["reason"]) == (2, "Lot", "nothing_above")
    assert left["sentence"].startswith("Column 'Lot': expected a value above an empty cell.")


@pytest.mark.parametrize(
    ("mark", "cells", "most"),
    [(".", ["33.5", "33.25", "33"], 2), (",", ["33,5", "33,257", "x"], 3), (".", ["33", None], 0), (",", ["33.25"], 0), (".", ["33,25"], 0)],
)  # fmt: skip
def test_the_most_decimals_of_values_by_the_declared_mark(mark: str, cells: list[str | None], most: int) -> None:
    layout = parse_layout(GOOD.replace('decimalChar = ","', f'decimalChar = "{mark}"'), "x")
    head = Head(columns=tuple(FileColumn(n, one.name, one) for n, one in enumerate(layout.fields)))
    reader = RowReader(
        layout, head, plausible_ms_per_m=(0.5, 65.0), site_zone="UTC", listed={"blocks": frozenset()}, now=UTC_AT,
        earliest_clock_year=2010,
    )  # fmt: skip
    assert reader.cell_types == {"c0": pl.String, "c1": pl.Categorical, "c2": pl.String}
    other = ["1.2345,6789"] * len(cells)
    raw = pl.DataFrame({"c0": other, "c1": other, "c2": cells}, schema=dict.fromkeys(("c0", "c1", "c2"), pl.String))
    assert reader.decimals(raw) == most


def test_a_unit_that_none_of_the_lines_has_refuses_each_of_them_and_no_line_at_all_is_no_fault() -> None:
    without = PART.replace("MS/m", "")
    assert refused(without, without) == [(n, "unit", "missing_value") for n in (2, 3)]
    assert [reason for _, _, reason in refused("a,b")] == ["truncated"]


def test_a_value_with_one_group_mark_that_would_be_a_thousand_times_too_large_holds_the_file() -> None:
    grouped = [('decimalChar = ","', 'decimalChar = ","\ngroupChar = "."')]
    head = "When;Lot;Value\n02.03.2026 08:31;A;{}\n"
    held = read(grouped, head.format("33.500")).held
    assert (held.reason, held.line) == ("number_format_mismatch", 2)
    assert read(grouped, head.format("1.033,5")).quarantine["reason"].to_list() == ["implausible_value"]
    assert read(grouped, head.format("33,500")).readings["value"].to_list() == [33.5]
