"""Header and units: what is found where, what differs from the layout, and what is counted as what."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.intake import head
from pipeline.intake.head import LONGEST_HEAD, MOST_COLUMNS, is_figure, looks_like_a_reading, read_head
from pipeline.intake.layout import Layout, parse_layout
from pipeline.intake.reading import Head, Held, HoldFile

LAYOUT = """
name = "headed"
version = 3
zone = "offset"
shape = "{shape}"
{more}
[dialect]
delimiter = ";"
{dialect}
[schema]
fieldsMatch = "{match}"
[[schema.fields]]
name = "Lot"
column = "lot"
[[schema.fields]]
name = "When"
column = "measured_at"
type = "datetime"
[[schema.fields]]
{value}
column = "value"
type = "number"
unit = "MS/m"
[[schema.fields]]
name = "Remark"
column = "remark"
[constants]
meter = "EC-01"
role = "part"
temperature_state = "at_metal"
"""
PLAIN = 'name = "Value"'
HEADER = "Lot;When;Value;Remark"
READING = "L-1;2026-03-02T08:00:00Z;33.1;x"


def layout(**parts: str) -> Layout:
    return parse_layout(
        LAYOUT.format(**({"more": "", "dialect": "", "match": "exact", "value": PLAIN, "shape": "long"} | parts)), "x"
    )


def held(given: Layout, *lines: str) -> Held:
    with pytest.raises(HoldFile) as caught:
        read_head(lines, given)
    return caught.value.held


def counted(found: Head) -> dict[str, int]:
    return {fate: count for fate, count in found.counts.items() if count}


def columns(found: Head) -> list[tuple[int, str, Any, int]]:
    return [(one.position, one.name, one.field.column, one.replicate) for one in found.columns]


def test_lines_before_the_header_are_counted_by_what_they_are() -> None:
    given = layout(dialect='commentChar = "#"\ncommentRows = [4]')
    found = read_head(["Export", "", ";; ", "Lot;x", "#" + HEADER, " # y", HEADER, READING], given)
    assert (found.before, found.lines, found.header_texts) == (6, 7, (HEADER,))
    assert counted(found) == {"blank": 2, "preamble": 4, "header": 1}
    assert found.metadata == {"text": "Export\n# y"}
    assert columns(found) == [(0, "Lot", "lot", 1), (1, "When", "measured_at", 1), (2, "Value", "value", 1), (3, "Remark", "remark", 1)]  # fmt: skip
    assert found.units_text is None
    assert found.header_first


def test_a_header_in_the_first_line_and_spaces_around_its_names() -> None:
    found = read_head([" Lot ; When;Value ;Remark"], layout())
    assert (found.before, found.lines, counted(found)) == (0, 1, {"header": 1})
    assert [name for _, name, *_ in columns(found)] == ["Lot", "When", "Value", "Remark"]


def test_without_a_header_lines_are_passed_over_as_the_layout_says() -> None:
    for lines, passed in ((["a", "", "b"], 2), (["a"], 1), ([], 0)):
        found = read_head(lines, layout(dialect="header = false\npreambleRows = 2"))
        assert (found.before, found.lines) == (passed, passed)
        assert counted(found) == {
            name: n for name, n in (("preamble", min(passed, 1)), ("blank", max(passed - 1, 0))) if n
        }
        assert [(position, name) for position, name, *_ in columns(found)] == [
            (0, "Lot"), (1, "When"), (2, "Value"), (3, "Remark"),
        ]  # fmt: skip


@pytest.mark.parametrize(
    ("match", "header", "details"),
    [
        ("exact", HEADER, None),
        ("exact", "When;Lot;Value;Remark", ["column 'Lot' is number 2, after 'When'; the layout has them the other way round"]),
        ("equal", "When;Lot;Value;Remark", None),
        ("equal", "Lot;When;Value", ["column 'Remark' is missing"]),
        ("superset", "Value;Lot;When", None),
        ("superset", "Value;When", None),
        ("superset", "Lot;When", ["column 'Value' is missing"]),
        ("superset", "Lot;Value", ["column 'When' is missing"]),
        ("superset", "Lot;When;Value;Other", ["column 'Other' (number 4) is not in the layout"]),
        ("exact", "Lot;When;Value", ["column 'Remark' is missing"]),
        ("exact", "Lot;When;Value;Remarks", ["column 'Remarks' (number 4) is not in the layout; the layout has 'Remark'", "column 'Remark' is missing"]),
        ("exact", "Lot;When;Lot;Value;Remark", ["column 'Lot' stands twice: as number 1 and 3"]),
        ("exact", "Lot;When;Value;Remark;", ["column '' (number 5) is not in the layout"]),
    ],
)  # fmt: skip
def test_names_are_compared_with_those_of_the_layout(match: str, header: str, details: list[str] | None) -> None:
    given = layout(match=match)
    if details is None:
        assert [name for _, name, *_ in columns(read_head([header], given))] == header.split(";")
        return
    found = held(given, "Export", header, READING)
    assert (found.reason, found.line, list(found.details)) == ("header_mismatch", 2, details)
    assert "headed (version 3)" in found.sentence
    assert (" and 1 more." in found.sentence) == (len(details) == 2)
    assert ("more" in found.sentence) == (len(details) > 1)


def test_the_line_with_most_of_the_names_is_told_and_without_any_the_names_are() -> None:
    assert held(layout(), "Lot;x", "Lot;When;y", "Lot;When;z", "Value").line == 2
    found = held(layout(), "a;b", "c")
    assert (found.reason, found.line) == ("header_missing", None)
    assert "Lot, When, Value, Remark." in found.sentence
    assert held(layout()).reason == "header_missing"


def test_the_header_stands_where_the_layout_says() -> None:
    given = layout(dialect="headerRows = [2]")
    assert read_head([HEADER, HEADER], given).before == 1
    assert held(given, HEADER, "x").reason == "header_missing"
    assert held(given, HEADER).reason == "header_missing"


@pytest.mark.parametrize("rows", ["headerLines = 2", "headerRows = [2, 3]"])
def test_a_header_of_two_lines_is_joined_column_by_column(rows: str) -> None:
    given = layout(dialect=rows + '\nheaderJoin = "_"', value='name = "Value_of all"')
    found = read_head(["Export", "Lot;When; Value", ";;of all ;Remark", READING], given)
    assert (found.before, found.lines) == (1, 3)
    assert counted(found) == {"preamble": 1, "header": 2}
    assert found.header_texts == ("Lot;When; Value", ";;of all ;Remark")
    assert [name for _, name, *_ in columns(found)] == ["Lot", "When", "Value_of all", "Remark"]


WIDE = r"namePattern = 'R(\d*)'"


@pytest.mark.parametrize(
    ("more", "names", "replicates", "detail"),
    [
        ("", "R1;R2", [1, 2], None),
        ("", "R2;R1", [2, 1], None),
        ("", "R;R7", [1, 7], None),
        ("", "R;R1", None, "two replicate columns have the same number"),
        ("", "R7", [7], None),
        ("replicates = 2", "R1;R2", [1, 2], None),
        ("replicates = 2", "R1", None, r"1 columns match 'R(\d*)', the layout declares 2"),
        ("replicates = 2", "R1;R2;R3", None, r"3 columns match 'R(\d*)', the layout declares 2"),
        ("", "xR1", None, "column 'xR1' (number 3) is not in the layout"),
    ],
)
def test_replicates_are_numbered_by_their_names(
    more: str, names: str, replicates: list[int] | None, detail: str | None
) -> None:
    given = layout(value=f"{WIDE}\n{more}", shape="wide")
    header = f"Lot;When;{names};Remark"
    if detail is not None:
        assert detail in held(given, header).details
        return
    found = columns(read_head([header], given))
    assert [replicate for *_, column, replicate in found if column == "value"] == replicates
    assert [replicate for *_, column, replicate in found if column != "value"] == [1, 1, 1]


def test_a_unit_in_the_header_is_that_of_the_layout() -> None:
    given = layout(value=PLAIN + "\nunitInHeader = true")
    assert columns(read_head(["Lot;When;Value [MS/m];Remark"], given))[2][1:3] == ("Value [MS/m]", "value")
    for name, told in (
        ("Value [%IACS]", "says %IACS, which is %IACS; the layout declares MS/m"),
        ("Value [other]", "says other, which is no known spelling of a unit; the layout declares MS/m"),
        ("Value", "column 'Value' names no unit; the layout declares MS/m"),
    ):
        found = held(given, "Export", f"Lot;When;{name};Remark")
        assert (found.reason, found.line) == ("unit_mismatch", 2)
        assert told in found.details[0]
    assert held(given, "Lot;When;Other [%IACS];Remark").reason == "header_mismatch"
    wide = layout(value=WIDE + "\nunitInHeader = true", shape="wide")
    several = columns(read_head(["Lot;When;R3 [MS/m];R5 [MS/m];Remark"], wide))
    assert [replicate for *_, column, replicate in several if column == "value"] == [3, 5]


def test_the_line_of_units_is_compared_with_the_layout() -> None:
    given = layout(dialect='unitsRow = true\ncommentChar = "#"')
    found = read_head(["Export", HEADER, "", "#x", ";;MS/m;", READING], given)
    assert (found.before, found.lines, found.units_text) == (1, 5, ";;MS/m;")
    assert counted(found) == {"preamble": 2, "header": 1, "blank": 1, "units": 1}
    for units, told in (
        (";;%IACS;", "column 'Value': the file says '%IACS', the layout declares MS/m"),
        (";;;x", "column 'Value': the file says '', the layout declares MS/m"),
        (";;MS/m", "the line of units has 3 cells, the header 4"),
        (";;MS/m;;", "the line of units has 5 cells, the header 4"),
    ):
        wrong = held(given, HEADER, "", units)
        assert (wrong.reason, wrong.line, list(wrong.details)) == ("unit_mismatch", 3, [told])
    assert held(given, HEADER, "x").details[0].startswith("column 'Value': the file says ''")
    for rest in ([], ["", "#x"]):
        assert held(given, HEADER, *rest).reason == "units_missing"


def test_a_deviation_has_the_unit_of_the_value_or_none() -> None:
    text = LAYOUT.format(more="", dialect="unitsRow = true", match="exact", value=PLAIN, shape="long")
    deviation = '[[schema.fields]]\nname = "SD"\ncolumn = "standard_deviation"\ntype = "number"\n'
    remark = '[[schema.fields]]\nname = "Remark"'
    given = parse_layout(text.replace(remark, deviation + remark), "x")
    header = "Lot;When;Value;SD;Remark"
    for unit in ("", "MS/m"):
        assert read_head([header, f";;MS/m;{unit};"], given).lines == 2
    assert held(given, header, ";;MS/m;%IACS;").reason == "unit_mismatch"


def test_a_line_with_the_cells_of_a_reading_before_the_header_holds_the_file() -> None:
    found = held(layout(), "Export", READING, HEADER)
    assert (found.reason, found.line) == ("readings_before_header", 2)
    assert read_head([READING, HEADER], layout(dialect="commentRows = [1]")).before == 1
    assert read_head([HEADER, READING], layout()).lines == 1


@pytest.mark.parametrize(
    ("line", "width", "like"),
    [
        ("a;b;c;1", 4, True),
        ("a;;;1", 4, False),
        ("a; ; ;1", 4, False),
        ("a;b;;1", 4, True),
        ("a;b; ;1", 4, True),
        ("a;b;c;d", 4, False),
        ("a;b;1", 3, False),
        ("a;b;c;1", 5, False),
        ("a;b;c;1;", 4, False),
    ],
)
def test_what_looks_like_a_reading(line: str, width: int, *, like: bool) -> None:
    assert looks_like_a_reading(line, layout(), width) == like


@pytest.mark.parametrize(
    ("text", "figure"),
    [("1", True), ("-1,5", True), ("08:00:00", True), ("", False), ("-", False), ("1a", False), ("a", False)],
)
def test_a_figure_has_digits_and_no_letter(text: str, *, figure: bool) -> None:
    assert is_figure(text) == figure


def test_so_many_columns_and_no_more() -> None:
    assert (MOST_COLUMNS, LONGEST_HEAD) == (2_000, 400)
    found = held(layout(), "Export", ";".join(["x"] * (MOST_COLUMNS + 1)), HEADER)
    assert (found.reason, found.line) == ("too_many_columns", 2)
    assert read_head([";".join(["x"] * MOST_COLUMNS), HEADER], layout()).before == 1


def test_the_nearest_names_are_told_for_so_many_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(head, "_HINTS", 2)
    details = held(layout(), "Lot;When;Remarks;Remarks2;Remarks3").details
    assert [("the layout has" in one) for one in details[:3]] == [True, True, False]


@pytest.mark.parametrize("needless", [None, "Remark"])
@pytest.mark.parametrize("missing", ["Day", "Clock", "Meter", "Role", "Unit", "State", "Value", "Remark"])
def test_a_column_without_which_a_reading_makes_no_sense_must_be_there(missing: str, needless: str | None) -> None:
    fills = {
        "Day": ("measured_date", "date"), "Clock": ("measured_time", "time"), "Meter": ("meter", "string"), "Role": ("role", "string"),
        "Unit": ("unit", "string"), "State": ("temperature_state", "string"), "Value": ("value", "number"), "Lot": ("lot", "string"),
        "Remark": ("remark", "string"),
    }  # fmt: skip
    fields = "".join(
        f'[[schema.fields]]\nname = "{name}"\ncolumn = "{column}"\ntype = "{kind}"\n'
        for name, (column, kind) in fills.items()
    )
    given = parse_layout(
        f'name = "all"\nversion = 1\nzone = "site"\n[schema]\nfieldsMatch = "superset"\n{fields}', "all"
    )
    names = [name for name in fills if name not in (missing, needless)]
    if missing == "Remark":
        assert len(read_head([",".join(names)], given).columns) == len(names)
    else:
        assert held(given, ",".join(names)).details == (f"column '{missing}' is missing",)


def test_spaces_around_names_and_units_mean_nothing() -> None:
    wide = layout(value=WIDE, shape="wide")
    found = columns(read_head([" Lot;When; R3 ;R5 ; Remark"], wide))
    assert [replicate for *_, column, replicate in found if column == "value"] == [3, 5]
    units = layout(dialect="unitsRow = true")
    assert read_head([HEADER, " ; ; MS/m ; "], units).lines == 2
    assert held(layout(), "Lot;When; Lot;Value;Remark").details == ("column 'Lot' stands twice: as number 1 and 3",)
    two = layout(dialect='headerLines = 2\nheaderJoin = "_"', value='name = "Value_of all"')
    assert read_head(["Lot ; ;Value ;", " ;When ; of all;Remark"], two).lines == 2


def test_a_number_of_a_replicate_that_is_no_number_is_its_place() -> None:
    found = columns(read_head(["Lot;When;Ra;Rb;Remark"], layout(value=r"namePattern = 'R(\w)'", shape="wide")))
    assert [replicate for *_, column, replicate in found if column == "value"] == [1, 2]


def test_a_line_that_is_named_as_a_comment_is_no_header() -> None:
    assert read_head([HEADER, HEADER], layout(dialect="commentRows = [1]")).before == 1
    assert read_head([HEADER, HEADER], layout()).before == 0
    assert held(layout(dialect="commentRows = [1]"), HEADER).reason == "header_missing"


@pytest.mark.parametrize(("name", "near"), [("Remar", True), ("Rexark", True), ("Rexxrk", False)])
def test_a_name_is_near_where_most_of_it_agrees(name: str, *, near: bool) -> None:
    """Ratio of agreeing characters (difflib): 10/11 and 10/12 are near, 8/12 is not."""
    assert ("the layout has 'Remark'" in held(layout(), f"Lot;When;Value;{name}").details[0]) == near
