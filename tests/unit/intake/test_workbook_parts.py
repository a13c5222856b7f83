"""Sheets become texts: which are read and what is told of the others, merged, hidden and faulty cells, and how they are joined."""

from __future__ import annotations

from typing import Any

import pytest
from intake_checks import is_whole, layouts, load
from sample_workbooks import layout

from pipeline.intake import reader
from pipeline.intake.layout import parse_layout
from pipeline.intake.reading import FileColumn, Head, Held, HoldFile
from pipeline.intake.workbooks import parts
from pipeline.intake.workbooks.parts import Fault, Part
from pipeline.intake.workbooks.reading import Sheet

NEUTRAL = "measured_at,meter,role,lot,value,unit,temperature_state"
ROW = "2026-03-02T08:00:00+01:00,EC-01,part,L-0007,33.5,MS/m,at_metal"


def sheet(name: str = "A", rows: Any = (("x",),), **more: Any) -> Sheet:
    empty: dict[str, Any] = {"hidden": False, "merged": (), "hidden_rows": (), "hidden_columns": (), "faults": ()}
    return Sheet(name=name, rows=rows, **(empty | more))


# -- which sheets --------------------------------------------------------------------------------------------------

A, B, EMPTY = sheet("A"), sheet("B"), sheet("C", ())
HIDDEN = sheet("H", (("x",), (), ("y",)), hidden=True)
TOLD = "hidden_sheet: sheet 'H' is hidden and was not read; 3 rows"
UNDECLARED = "Which sheets hold readings is not declared for {}."


@pytest.mark.parametrize(
    ("rules", "sheets", "chosen", "told"),
    [
        ("", [A], "A", []), ("", [A, EMPTY], "A", []), ("", [A, HIDDEN], "A", [TOLD]), ("", [A, B], UNDECLARED.format("'A', 'B'"), []),
        ("", [HIDDEN], UNDECLARED.format("'H' (hidden)"), []), ("", [EMPTY], "The workbook has no filled cell.", []),
        ('ignoreSheets = ["B"]', [A, B], "A", []), ('ignoreSheets = ["H"]', [A, HIDDEN], "A", []),
        ('ignoreSheets = ["A"]', [A], UNDECLARED.format("'A'"), []),
        ('sheets = ["A"]', [A], "A", []), ('sheets = ["A", "B"]', [A, B], "AB", []), ('sheets = ["B", "A"]', [A, B], "AB", []),
        ('sheets = ["A", "H"]', [A, HIDDEN], "AH", []), ('sheets = ["A"]', [A, HIDDEN], "A", [TOLD]),
        ('sheets = ["A"]', [A, B], UNDECLARED.format("'A', 'B'"), []), ('sheets = ["A"]\nignoreSheets = ["B"]', [A, B], "A", []),
        ('sheets = ["A", "C"]', [A, EMPTY], "The workbook has no filled sheet 'C'; it has 'A'.", []),
        ('sheets = ["D"]', [A, HIDDEN], "The workbook has no filled sheet 'D'; it has 'A', 'H' (hidden).", []),
        ('sheetPattern = "[AB]"', [A, B], "AB", []), ('sheetPattern = "[AH]"', [A, HIDDEN], "A", [TOLD]),
        ('sheetPattern = "A"', [A, B], UNDECLARED.format("'A', 'B'"), []), ('sheetPattern = "A"', [A, sheet("AB")], UNDECLARED.format("'A', 'AB'"), []),
        ('sheetPattern = "Z"', [A], UNDECLARED.format("'A'"), []),
    ],
)  # fmt: skip
def test_the_sheets_that_are_declared_are_read_and_no_visible_one_is_passed_over(
    rules: str, sheets: list[Sheet], chosen: str, told: list[str]
) -> None:
    if " " in chosen:
        with pytest.raises(HoldFile) as caught:
            parts._chosen(sheets, layout(rules))
        reason = "empty_file" if sheets == [EMPTY] else "sheets_mismatch"
        assert (caught.value.held.reason, caught.value.held.sentence) == (reason, chosen)
    else:
        found, said = parts._chosen(sheets, layout(rules))
        assert ("".join(one.name for one in found), said) == (chosen, told)


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({}, []), ({"hidden": True}, ["hidden_sheet: sheet 'A' is hidden and was read, as the layout names it"]),
        ({"hidden_rows": [1]}, ["hidden_rows: sheet 'A': row 2 is hidden and was read"]),
        ({"hidden_rows": [0, 1, 3]}, ["hidden_rows: sheet 'A': rows 1 to 2, 4 are hidden and were read"]),
        ({"hidden_rows": [2, 4, 99]}, []),
        ({"hidden_columns": [(2, 2)]}, ["hidden_columns: sheet 'A': column 3 is hidden and was read"]),
        ({"hidden_columns": [(0, 0), (2, 90)]}, ["hidden_columns: sheet 'A': columns 1, 3 are hidden and were read"]),
        ({"hidden_columns": [(3, 9)]}, []),
    ],
)  # fmt: skip
def test_what_is_hidden_and_was_read_is_told_as_far_as_anything_stands_there(given: Any, told: list[str]) -> None:
    assert parts._told(sheet("A", [["a"], ["b", None, "c"], [], ["d"]], **given)) == told


def test_names_and_text_of_sheets_before_there_is_a_layout(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = [["Title"], [], ["a", None, 1.5, "b", "c"], ["x", None, None, None, "d"], ["k", None, "v"]]
    found = [HIDDEN, sheet("A", rows), EMPTY, B]
    monkeypatch.setattr(parts, "sheets_of", lambda _: found)
    assert parts.visible_sheets(b"") == ["A", "B"]
    # the second column is empty; what ends before half of the columns is a title or a key
    assert parts.as_text(b"", "A", transposed=False).decode() == "Title\n\na\t1.5\tb\tc\nx\t\t\td\nk\tv\n"
    table = [["a", "b", "c", "d"], ["1", "2", "3"], ["1", "2"]]
    found[1] = sheet("A", table)
    assert parts.as_text(b"", "A", transposed=False).decode() == "a\tb\tc\td\n1\t2\t3\t\n1\t2\n"
    assert parts.as_text(b"", "A", transposed=True).decode() == "a\t1\t1\nb\t2\t2\nc\t3\t\nd\n"
    monkeypatch.setattr(parts, "sheets_of", lambda _: [HIDDEN, EMPTY])
    with pytest.raises(HoldFile) as caught:
        parts.visible_sheets(b"")
    assert caught.value.held == Held(
        "empty_file", "The workbook has no filled sheet that is visible.", "Save it again."
    )


# -- cells ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("merged", "filled"),
    [
        ([], [["a", "b", "c"], ["d"], []]), ([(0, 0, 1, 0)], [["a", "b", "c"], ["a"], []]), ([(0, 1, 2, 1)], [["a", "b", "c"], ["d", "b"], [None, "b"]]),
        ([(0, 1, 0, 9)], [["a", "b", "b"], ["d"], []]), ([(1, 0, 99, 1)], [["a", "b", "c"], ["d", "d"], ["d", "d"]]),
        ([(3, 0, 4, 0)], [["a", "b", "c"], ["d"], []]), ([(1, 1, 2, 1)], [["a", "b", "c"], ["d"], []]),
        ([(0, 0, 1, 0), (0, 2, 1, 2)], [["a", "b", "c"], ["a", None, "c"], []]),
    ],
)  # fmt: skip
def test_merged_cells_are_filled_with_the_first_of_them_as_far_as_the_sheet_goes(merged: Any, filled: Any) -> None:
    rows: list[list[Any]] = [["a", "b", "c"], ["d"], []]
    parts._fill(rows, merged)
    assert rows == filled


def test_cells_that_are_filled_or_turned_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    rows: list[list[Any]] = [["a", "b", "c"], ["d"], []]
    for most, fits in ((6, True), (5, False)):
        monkeypatch.setattr(parts, "MOST_CELLS", most)
        if fits:
            parts._fill([list(row) for row in rows], [(0, 0, 1, 1), (0, 2, 1, 2)])
        else:
            with pytest.raises(HoldFile) as caught:
                parts._fill([list(row) for row in rows], [(0, 0, 1, 1), (0, 2, 1, 2)])
            assert caught.value.held == Held("too_large", "Merged cells overlap too often.", "Save the sheet as CSV.")
    monkeypatch.setattr(parts, "MOST_CELLS", 9)
    assert parts._turned(rows) == [["a", "d"], ["b"], ["c"]]
    assert parts._turned([]) == []
    monkeypatch.setattr(parts, "MOST_CELLS", 8)
    with pytest.raises(HoldFile) as caught:
        parts._turned(rows)
    assert caught.value.held.sentence == "The table spans 9 cells; at most 8 can be turned."
    assert (caught.value.held.reason, caught.value.held.what_to_do) == ("too_large", "Export a shorter time at once.")


def fills(rules: str, name: str) -> Any:
    return parts._of_sheet(layout(rules + '\nsheetNameFills = "lot"', lot=""), name).declared_constants.get("lot")


@pytest.mark.parametrize(
    ("rules", "name", "lot"),
    [
        ("", "L-1", "L-1"), ("", "", None), ('sheetPattern = "Lot (.+)"', "Lot L-1", "L-1"), ('sheetPattern = "Lot .+"', "Lot L-1", "Lot L-1"),
        ('sheetPattern = "Lot(.*)"', "Lot", "Lot"), ('sheetPattern = "Lot (.+)"', "other", "other"),
    ],
)  # fmt: skip
def test_the_name_of_a_sheet_fills_a_column_by_what_the_pattern_takes_of_it(
    rules: str, name: str, lot: str | None
) -> None:
    assert fills(rules, name) == lot


def test_the_text_of_a_sheet_has_tabs_and_neither_quotes_nor_comments_of_a_turned_file() -> None:
    own = parts._of_sheet(layout(), "A")
    dialect = own.dialect
    assert (dialect.encoding, dialect.delimiter, dialect.quote_char, dialect.line_terminator) == (
        "utf-8",
        "\t",
        "",
        "\n",
    )
    assert (dialect.join_delimiters, dialect.skip_initial_space, dialect.final_newline) == (False, False, True)
    assert dict(own.declared_constants) == dict(layout().declared_constants)
    commented = layout().dialect.model_copy(update={"comment_char": "#", "comment_rows": (2,)})
    for transposed, char in ((False, "#"), (True, None)):
        given = layout(keys="transposed = true" if transposed else "").model_copy(update={"dialect": commented})
        assert parts._of_sheet(given, "A").dialect.comment_char == char
        assert parts._of_sheet(given, "A").dialect.comment_rows == (() if transposed else (2,))


@pytest.mark.parametrize(
    ("row", "label"),
    [
        (["Day:", 1], "Day"),
        ([" Day : "], "Day"),
        (["Day"], "Day"),
        ([3.0], ""),
        ([], ""),
        ([None, "Day"], ""),
        ([["date", "x"]], ""),
    ],
)
def test_what_may_be_a_key_is_the_text_of_the_first_cell(row: Any, label: str) -> None:
    assert parts._label(row) == label


def test_what_follows_a_key_is_written_as_the_key_declares_it() -> None:
    day = layout().fields[0]
    cells = ["Day:", ["date", "2026-03-02"], 1.5]
    assert parts._line(cells, {"Day": day}, ",") == "Day:\t02.03.2026\t1,5"
    assert parts._line(cells, {}, ",") == "Day:\t2026-03-02\t1,5"
    assert parts._line([], {"Day": day}, ".") == ""


@pytest.mark.parametrize(
    ("rows", "held"), [((0, 1), False), ((0, 2), True), ((2, 2), True), ((3, 9), True), ((4, 5), False)]
)
def test_cells_merged_in_the_header_or_below_hold_the_file(rows: tuple[int, int], held: bool) -> None:
    """Two lines before the header, four in all."""
    top, bottom = rows
    if held:
        with pytest.raises(HoldFile) as caught:
            parts._hold_if_merged([(top, 0, bottom, 1)], [["x"]] * 4, Head(before=2))
        assert (caught.value.held.reason, caught.value.held.line) == ("merged_cells", top + 1)
        assert (
            caught.value.held.sentence
            == f"Rows {top + 1} to {bottom + 1}, columns 1 to 2 are merged, in the header or below."
        )
    else:
        parts._hold_if_merged([(top, 0, bottom, 1)], [["x"]] * 4, Head(before=2))


KEYED = parse_layout(
    "\n".join(
        [
            'name = "k"', "version = 1", "[[schema.fields]]", 'name = "Lot"', 'column = "lot"', "[[schema.fields]]", 'name = "When"',
            'column = "measured_at"', 'type = "datetime"', "[[schema.fields]]", 'name = "Value"', 'column = "value"', 'type = "number"',
            'unit = "MS/m"', "[[schema.fields]]", 'name = "Note"', "ignore = true", "[preamble]", 'keys = [{ key = "Device", column = "meter" }]',
            "[constants]", 'role = "part"', 'temperature_state = "at_metal"',
        ]
    ),
    "k",
)  # fmt: skip
READ = KEYED.model_copy(update={"workbook": KEYED.workbook.model_copy(update={"formulas": "read"})})
PLAIN = KEYED.model_copy(update={"preamble": KEYED.preamble.model_copy(update={"keys": ()})})


def faults(given: Any, own: Any = KEYED) -> Any:
    head = Head(columns=tuple(FileColumn(n, one.name, one) for n, one in enumerate(own.fields)), lines=2)
    # the second column of the sheet is empty: the columns of the table are 0, 2, 3, 4
    return parts._faults([given], {0: 0, 2: 1, 3: 2, 4: 3}, head, own)


@pytest.mark.parametrize(
    ("kind", "said", "sentence"),
    [
        ("formula", "", "Column 'Value' holds a formula, expected a reading as it was taken. "),
        ("formula", "without a stored result", "Column 'Value' holds a formula without a stored result, expected a reading as it was taken. "),
        ("error", "#N/A", "Column 'Value' holds the error #N/A, expected a value. "),
        ("percent", "0.582", "Column 'Value' shows a number as a percentage (stored as 0.582, shown as a hundred times that), expected a plain number. "),
    ],
)  # fmt: skip
def test_a_faulty_cell_of_a_column_that_is_read_is_named(kind: str, said: str, sentence: str) -> None:
    (found,) = faults((2, 3, kind, said))
    assert (found.line, found.column, found.reason) == (3, "Value", f"{kind}_cell")
    assert found.sentence.startswith(sentence)
    assert len(faults((2, 3, kind, said), READ)) == (0 if (kind, said) == ("formula", "") else 1)
    for column in (1, 4, 9):  # beside the table, ignored, beyond
        assert faults((2, column, kind, said)) == ()


@pytest.mark.parametrize(("kind", "held"), [("formula", True), ("error", True), ("percent", False)])
def test_a_faulty_cell_before_the_readings_holds_a_file_with_keys(kind: str, held: bool) -> None:
    assert faults((1, 3, kind, "x"), PLAIN) == ()
    if not held:
        assert faults((1, 3, kind, "x")) == ()
        return
    with pytest.raises(HoldFile) as caught:
        faults((1, 3, kind, "x"))
    assert (caught.value.held.reason, caught.value.held.line) == (f"{kind}_cell", 2)
    assert caught.value.held.sentence.startswith("Row 2, column 4, before the readings, holds ")


@pytest.mark.parametrize(
    ("footer", "row", "line"),
    [
        (False, ["L", "t", 33.5, "n", "more", 1.5], "L\tt\t33.5\tn\tmore\t1.5"), (False, ["L"], "L\t\t\t"), (True, ["Mean", "x"], "Mean\tx"),
        (True, ["L", "t", 33.5], "L\tt\t33.5\t"), (True, [], ""),
    ],
)  # fmt: skip
def test_a_row_that_ends_before_half_of_the_columns_is_no_reading_where_a_footer_is_declared(
    footer: bool, row: Any, line: str
) -> None:
    own = parse_layout(TEXT + "[footer]\npattern = 'Mean'\n", "k") if footer else KEYED
    head = Head(columns=tuple(FileColumn(n, one.name, one) for n, one in enumerate(own.fields)))
    assert parts._body([row], head, own, "UTC")[1] == [line]


TEXT = """name = "k"
version = 1
[[schema.fields]]
name = "Lot"
column = "lot"
[[schema.fields]]
name = "When"
column = "measured_at"
type = "datetime"
[[schema.fields]]
name = "Value"
column = "value"
type = "number"
unit = "MS/m"
[[schema.fields]]
name = "Note"
ignore = true
[constants]
meter = "EC-01"
role = "part"
temperature_state = "at_metal"
"""


# -- joined --------------------------------------------------------------------------------------------------------


def read(monkeypatch: pytest.MonkeyPatch, *given: Part) -> Any:
    monkeypatch.setattr(reader, "parts_of", lambda *_: list(given))
    found = load(b"x", layouts()["neutral"])
    is_whole(found)
    return found


def part(*rows: str, name: str = "A", **more: Any) -> Part:
    return Part(text="\n".join([NEUTRAL, *rows, ""]).encode(), layout=layouts()["neutral"], sheet=name, **more)


OLD = ROW.replace("2026-03-02", "2009-03-02")
BAD = ROW.replace("33.5", "x")


def test_of_several_sheets_lines_run_on_and_what_is_told_names_the_sheet(monkeypatch: pytest.MonkeyPatch) -> None:
    found = read(
        monkeypatch, part(ROW, OLD, warnings=("hidden_sheet: x",)), part(BAD, ROW, name="B", warnings=("hidden_rows: y",)), part(ROW, name="C")
    )  # fmt: skip
    assert found.readings["line"].to_list() == [2, 3, 6, 8]
    assert found.quarantine["line"].to_list() == [5]
    assert found.quarantine["sentence"][0].endswith(" Sheet 'B', row 2.")
    assert (found.counts["header"], found.counts["accepted"], found.counts["quarantined"], found.lines) == (3, 4, 1, 8)
    assert found.metadata["sheet"] == "A (lines 1 to 3), B (lines 4 to 6), C (lines 7 to 8)"
    assert [one.partition(":")[0] for one in found.warnings] == ["hidden_sheet", "clock_unknown", "hidden_rows"]
    assert found.warnings[1].endswith("(sheet 'A')")


def test_of_one_sheet_lines_and_sentences_are_those_of_the_sheet(monkeypatch: pytest.MonkeyPatch) -> None:
    found = read(monkeypatch, part(BAD, OLD, warnings=("hidden_rows: y",)))
    assert found.quarantine["sentence"][0].endswith("then replay the line.")
    assert [one.partition(":")[0] for one in found.warnings] == ["hidden_rows", "clock_unknown"]
    assert found.warnings[1].endswith("Set the meter's clock.")
    assert found.metadata == {"sheet": "A"}


def test_one_sheet_that_is_held_holds_the_file_and_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    broken = Part(text=b"a,b\n1,2\n", layout=layouts()["neutral"], sheet="B")
    found = read(monkeypatch, part(ROW), broken)
    assert found.held.sentence.startswith("Sheet 'B': ")
    assert parts.in_sheet(found.held, None) is found.held


def test_lines_with_a_faulty_cell_are_taken_from_the_readings_and_the_first_cell_is_named(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    given = (
        Fault(3, "value", "formula_cell", "first"), Fault(3, "lot", "error_cell", "second"), Fault(4, "lot", "error_cell", "instead"),
        Fault(1, "lot", "error_cell", "of the header"), Fault(9, "lot", "error_cell", "of no line"),
    )  # fmt: skip
    found = read(monkeypatch, part(ROW, ROW, BAD, ROW, BAD, faults=given))
    assert found.readings["line"].to_list() == [2, 5]
    assert found.quarantine.select("line", "column", "reason", "original").rows() == [
        (3, "value", "formula_cell", ROW), (4, "lot", "error_cell", BAD), (6, "value", "not_a_number", BAD),
    ]  # fmt: skip
    assert found.quarantine["sentence"].to_list()[:2] == ["first", "instead"]
    assert (found.counts["accepted"], found.counts["quarantined"]) == (2, 3)
    plain = read(monkeypatch, part(ROW, faults=given[3:]))
    assert (plain.counts["accepted"], plain.quarantine.height) == (1, 0)


def test_keys_of_several_sheets_bear_the_name_of_their_sheet(monkeypatch: pytest.MonkeyPatch) -> None:
    own = parse_layout(
        TEXT.replace('meter = "EC-01"\n', "") + '[preamble]\nkeys = [{ key = "Device", column = "meter" }]\n', "k"
    )
    text = "Device,EC-0{}\nLot,When,Value,Note\nL-1,2026-03-02T08:00:00+01:00,33.5,\n"
    sheets = [Part(text=text.format(n).encode(), layout=own, sheet=name) for n, name in ((1, "A"), (2, "B"))]
    monkeypatch.setattr(reader, "parts_of", lambda *_: sheets)
    found = load(b"x", own)
    assert found.metadata == {"A: Device": "EC-01", "B: Device": "EC-02", "sheet": "A (lines 1 to 3), B (lines 4 to 6)"}
    assert found.readings["meter"].to_list() == ["EC-01", "EC-02"]
    monkeypatch.setattr(reader, "parts_of", lambda *_: sheets[:1])
    assert load(b"x", own).metadata == {"Device": "EC-01", "sheet": "A"}
