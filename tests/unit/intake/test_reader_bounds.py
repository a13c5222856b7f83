"""Reading whole files: what holds one, what is told beside its readings, and that every line is counted once."""

from __future__ import annotations

from typing import Any

import pytest
from intake_checks import FIXTURES, altered, is_whole, layouts, load
from sample_layouts import GOOD

from pipeline.errors import IntegrityProblem
from pipeline.intake import reader
from pipeline.intake.body import Body
from pipeline.intake.decoding import LONGEST_LINE_BYTES, Chunk
from pipeline.intake.head import LONGEST_HEAD
from pipeline.intake.layout import parse_layout
from pipeline.intake.reading import Held, HoldFile
from pipeline.intake.workbooks.parts import Part

NEUTRAL = "measured_at,meter,role,lot,value,unit,temperature_state"
ROW = "2026-03-02T08:00:00+01:00,EC-01,part,L-0007,33.5,MS/m,at_metal"


@pytest.mark.parametrize(
    ("rows", "held"),
    [
        (["a,b"], None), (["a,b", "a,b"], 2), (["a,b", ROW], None), ([ROW.replace("33.5", "x"), "a,b", "1,2,3,4,5,6,7,8"], 2),
        ([ROW.replace("33.5", "x")] * 2 + ["a,b", "1,2,3,4,5,6,7,8"], None), (["a,b", "1,2,3,4,5,6,7,8"], 2), ([ROW.replace("33.5", "x")] * 2, None),
    ],
)  # fmt: skip
def test_a_file_of_which_no_line_has_the_cells_of_the_header_is_held(rows: list[str], held: int | None) -> None:
    """From two lines on, but for one of them."""
    found = load("\n".join([NEUTRAL, *rows, ""]).encode(), layouts()["neutral"])
    is_whole(found)
    assert (found.held and (found.held.reason, found.held.line)) == (None if held is None else ("cells_mismatch", held))
    if found.held is not None:
        assert found.held.sentence == f"None of {len(rows)} lines has 7 cells, as the header has."


def test_a_file_as_large_as_the_cap_is_read_and_one_byte_more_is_not() -> None:
    data = f"{NEUTRAL}\n{ROW}\n".encode()
    assert load(data, layouts()["neutral"], size_cap_bytes=len(data)).held is None
    held = load(data, layouts()["neutral"], size_cap_bytes=len(data) - 1).held
    assert held is not None
    assert (held.reason, held.sentence) == (
        "too_large",
        f"The file has {len(data)} bytes; at most {len(data) - 1} are read.",
    )


def test_lines_that_end_otherwise_than_declared_are_told_and_no_line_at_all_too() -> None:
    whole = f"{NEUTRAL}\r{ROW}\r".encode()
    for data, reason, line in ((whole, "line_ends", 1), (whole + b"\n", "line_ends", 1), (b"", "empty_file", None)):
        held = load(data, layouts()["neutral"]).held
        assert held is not None
        assert (held.reason, held.line) == (reason, line)
    found = load(f"{NEUTRAL}\n{ROW}\r{ROW}\n{ROW}\n".encode(), layouts()["neutral"])
    assert found.quarantine["reason"].to_list() == ["stray_carriage_return"]
    assert load(f"{NEUTRAL}\r\n{ROW}\r\n".encode(), layouts()["neutral"]).counts["accepted"] == 1


def test_a_file_without_a_reading_says_so() -> None:
    for rows, said in (
        ([], "no_reading: the file has no line of readings"),
        ([ROW.replace("33.5", "x")], "no_reading: every line of readings was refused"),
        ([ROW], None),
    ):
        found = load("\n".join([NEUTRAL, *rows, ""]).encode(), layouts()["neutral"])
        assert found.warnings == (() if said is None else (said,))
        assert found.zone == "offset in the data"


def test_readings_whose_clock_is_not_believed_are_counted_and_those_on_blocks_apart() -> None:
    block = ROW.replace("part,L-0007", "block,").replace("lot", "block")
    header = NEUTRAL.replace("lot", "lot,block")
    part = ROW.replace("L-0007", "L-0007,")
    block = ROW.replace("part,L-0007", "block,,BL-A1")
    old = [one.replace("2026-03-02", day) for one in (part, block, block) for day in ("2009-03-02", "2027-03-02")]
    (said,) = load("\n".join([header, *old, part, ""]).encode(), layouts()["neutral"]).warnings
    assert said.startswith(
        "clock_unknown: 6 readings are dated before 2010 (earliest_clock_year) or more than a day after"
    )
    assert said.endswith("; 4 of them are on blocks and in no check. Set the meter's clock.")
    (said,) = load("\n".join([header, *old, ""]).encode(), layouts()["neutral"], earliest_clock_year=2009).warnings
    assert said.startswith("clock_unknown: 3 readings are dated before 2009 ")


def test_an_encoding_that_is_not_the_declared_one_is_told() -> None:
    (said,) = load(f"{NEUTRAL}\n{ROW}\n".encode("utf-16"), layouts()["neutral"]).warnings
    assert said.startswith("encoding: byte order mark of utf-16-le; the layout declares utf-8")


def test_the_head_is_looked_at_as_far_as_it_may_reach() -> None:
    longest = b"x" * LONGEST_LINE_BYTES
    assert reader.head_lines(Chunk(b"a\n" + longest + b"\nb\n", True, False)) == ["a", longest.decode(), "b"]
    assert reader.head_lines(Chunk(b"\na\n", True, False)) == ["", "a"]
    assert reader.head_lines(Chunk(b"\n" * (LONGEST_HEAD + 2), True, False)) == [""] * LONGEST_HEAD
    with pytest.raises(HoldFile) as caught:
        reader.head_lines(Chunk(b"a\n" + longest + b"x\nb\n", True, False))
    assert (caught.value.held.reason, caught.value.held.line) == ("line_too_long", 2)
    many = b"".join(b"%d\n" % n for n in range(LONGEST_HEAD + 2))
    assert reader.head_lines(Chunk(many, True, False)) == [str(n) for n in range(LONGEST_HEAD)]


def test_lines_refused_and_read_are_counted_with_what_the_footer_says() -> None:
    text = (FIXTURES / "damaged/layouts/neutral_without_last_line_end.toml").read_text(encoding="utf-8")
    footer = "\n[footer]\npattern = 'END'\nstatistics = [{ label = 'END', statistic = 'count', cell = 2 }]\n"
    layout = parse_layout(text + footer, "x")
    bad = ROW.replace("33.5", "x")
    for rows, count, told in (
        ([ROW, bad], 2, False),
        ([ROW, bad], 1, True),
        ([ROW, ROW], 2, False),
        ([ROW, ROW], 3, True),
    ):
        found = load("\n".join([NEUTRAL, *rows, f"END,{count}", ROW, ""]).encode(), layout)
        is_whole(found)
        assert found.quarantine["reason"].to_list()[-1] == "after_footer"
        assert any("count" in one for one in found.warnings) == told, (rows, count, found.warnings)


def test_a_mean_below_the_readings_is_compared_unless_one_of_them_was_refused() -> None:
    text = (FIXTURES / "damaged/layouts/neutral_without_last_line_end.toml").read_text(encoding="utf-8")
    footer = "\n[footer]\npattern = 'END'\nstatistics = [{ label = 'END', statistic = 'mean', cell = 2 }]\n"
    layout = parse_layout(text + footer, "x")
    bad = ROW.replace("33.5", "x")
    for rows, mean, told in (
        ([ROW], "33.5", None),
        ([ROW], "33.6", "footer_mismatch"),
        ([ROW, bad], "33.6", "footer_not_compared"),
    ):
        found = load("\n".join([NEUTRAL, *rows, f"END,{mean}", ROW, ""]).encode(), layout)
        assert found.quarantine["reason"].to_list()[-1] == "after_footer"
        assert [one.partition(":")[0] for one in found.warnings] == ([] if told is None else [told])


def test_cells_are_filled_down_through_the_whole_file_whatever_is_worked_on_at_a_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(reader, "CHUNK_BYTES", 100)
    layout = parse_layout(GOOD.replace('column = "lot"', 'column = "lot"\nfillDown = true'), "x")
    rows = "".join(f"02.03.2026 08:{n:02};{'A' if n == 0 else ''};33,5\n" for n in range(20))
    found = load(f"When;Lot;Value\n{rows}".encode(), layout)
    is_whole(found)
    assert found.readings["lot"].to_list() == ["A"] * 20


def test_lines_that_do_not_add_up_load_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    data, add = f"{NEUTRAL}\n{ROW}\n".encode(), Body.add

    def one_more(body: Body, *args: Any, **given: Any) -> None:
        add(body, *args, **given)
        body.counts["blank"] += 1

    monkeypatch.setattr(Body, "add", one_more)
    with pytest.raises(IntegrityProblem, match="2 lines, but the fates add up to 3"):
        load(data, layouts()["neutral"])


def test_what_the_name_of_a_file_says_is_read_without_its_folders() -> None:
    layout = parse_layout(
        GOOD.replace('meter = "EC-01"\n', "") + "\n[fileName]\npattern = '(?P<meter>EC-[0-9]+)\\.csv'\n", "x"
    )
    for name in ("EC-07.csv", "in/EC-07.csv", "in/2026/EC-07.csv"):
        found = load(b"When;Lot;Value\n02.03.2026 08:31;A;33,5\n", layout, name=name)
        assert (found.name, found.readings["meter"].to_list()) == (name, ["EC-07"])


def test_a_blank_line_before_the_header_is_one_line_of_the_head() -> None:
    found = load(f"\n{NEUTRAL}\n{ROW}\n{ROW}\n".encode(), layouts()["neutral"])
    is_whole(found)
    assert found.readings["line"].to_list() == [3, 4]


def test_sheets_are_read_one_by_one_and_joined_and_what_is_no_workbook_is_not(monkeypatch: pytest.MonkeyPatch) -> None:
    layout, text = layouts()["neutral"], f"{NEUTRAL}\n{ROW}\n".encode()
    alone = load(text, layout)
    assert "sheet" not in alone.metadata
    for sheets, lines, told in (("A", [2], "A"), ("AB", [2, 4], "A (lines 1 to 2), B (lines 3 to 4)")):
        parts = [Part(text=text, layout=layout, sheet=sheet) for sheet in sheets]
        monkeypatch.setattr(reader, "parts_of", lambda *_, parts=parts: parts)
        found = load(text, layout)
        is_whole(found)
        assert found.readings["line"].to_list() == lines
        assert found.metadata["sheet"] == told
        assert found.sha256 == alone.sha256


def test_a_workbook_that_cannot_be_unpacked_is_held_with_what_was_said(monkeypatch: pytest.MonkeyPatch) -> None:
    said = Held("no_sheet", "There is no sheet.", "Name one.")

    def stop(*_: Any) -> Any:
        raise HoldFile(said)

    monkeypatch.setattr(reader, "parts_of", stop)
    found = load(f"{NEUTRAL}\n{ROW}\n".encode(), layouts()["neutral"])
    assert (found.held, found.readings.height) == (said, 0)


def test_what_one_chunk_lacks_is_null_in_the_rows_of_that_chunk(monkeypatch: pytest.MonkeyPatch) -> None:
    """Codes of the meter stand in the second chunk alone."""
    monkeypatch.setattr(reader, "CHUNK_BYTES", 200)
    coded = altered(layouts()["neutral"], non_readings={"LIFT": "lift_off"})
    rows = [ROW] * 6 + [ROW.replace("33.5", "LIFT")]
    found = load("\n".join([NEUTRAL, *rows, ""]).encode(), coded)
    is_whole(found)
    assert found.readings["non_reading"].to_list() == [None] * 6 + ["lift_off"]
    assert found.readings["value"].to_list() == [33.5] * 6 + [None]
