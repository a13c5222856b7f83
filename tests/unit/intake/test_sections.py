"""Sections and their keys: what loads and what is refused."""

from __future__ import annotations

import pytest
from intake_checks import layouts
from section_texts import LAYOUT, TABLE, TOP, read, refused, section

from pipeline.errors import LayoutError
from pipeline.intake.layout import parse_layout
from pipeline.intake.match import match
from pipeline.intake.reading import Held


def test_keys_of_a_section_stand_with_each_of_its_readings() -> None:
    found = read(
        TOP
        + section("BL-A1", "33,50", "33,52", head="Freq;60 kHz;;\nBy;Ada;;\n")
        + section("KB-07/3", "33,10", "33,20", "33,30", head="Freq;480;;\n")
        + section("SET BL-A1", "33,50")
        + section("GRR-1", "33,50")
    )
    assert refused(found) == []
    rows = found.readings.to_dicts()
    keys = ("role", "block", "lot", "part", "run", "frequency_khz", "operator", "sequence", "value", "temperature_c")
    assert [tuple(row[key] for key in keys) for row in rows] == [
        ("block", "BL-A1", None, None, None, 60.0, "Ada", 1, 33.50, 21.5),
        ("block", "BL-A1", None, None, None, 60.0, "Ada", 2, 33.52, 21.5),
        ("part", None, "KB-07", "3", None, 480.0, None, 1, 33.10, 21.5),
        ("part", None, "KB-07", "3", None, 480.0, None, 2, 33.20, 21.5),
        ("part", None, "KB-07", "3", None, 480.0, None, 3, 33.30, 21.5),
        ("setting", "BL-A1", None, None, None, 60.0, None, 1, 33.50, 21.5),
        ("part", None, "GRR-1", None, "GRR-1", 60.0, None, 1, 33.50, 21.5),
    ]
    assert {row["meter"] for row in rows} == {"EC-01"}
    assert f"{rows[0]['measured_at']:%Y-%m-%d %H:%M}" == "2026-03-02 06:31"  # 07:31 in Oslo
    assert found.counts == {
        "preamble": 2 + 4 * 2 + 1, "header": 4, "units": 4, "blank": 1, "footer": 4, "accepted": 7, "duplicate": 0,
        "quarantined": 0,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("mean", "agrees"),
    # two readings to a hundredth: half a hundredth of rounding, and half a unit of the mean's own last digit
    [
        ("33,51", True),
        ("33,5", True),
        ("33,515", True),
        ("33,505", True),
        ("33,52", True),
        ("33,53", False),
        ("33,516", False),
    ],
)
def test_a_section_whose_mean_is_not_that_of_its_readings_is_held_and_the_others_are_read(
    mean: str, agrees: bool
) -> None:
    found = read(TOP + section("BL-A1", "33,50", "33,52", mean=mean) + section("KB-01", "33,10"))
    assert refused(found) == ([] if agrees else [(8, "section_disagrees"), (9, "section_disagrees")])
    assert found.readings["lot"].drop_nulls().to_list() == ["KB-01"]
    if not agrees:
        said = found.quarantine["sentence"][0]
        assert said.startswith(f"Section that begins in line 4: line 10: 'Mean' is {mean} in the file, ours is 33.51.")


@pytest.mark.parametrize(
    ("more", "held"),
    [
        ("n;;2;\n", False), ("n;;3;\n", True), ("s;;0,014;\n", False), ("s;;0,022;\n", True), ("s;;;\n", True),
        ("s;;x;\n", True), ("s;;0,0;\n", False),
    ],
)  # fmt: skip
def test_count_and_deviation_must_agree_too(more: str, held: bool) -> None:
    found = read(TOP + section("BL-A1", "33,50", "33,52", more=more))
    assert (found.quarantine.height == 2) is held


def test_one_reading_has_no_deviation_and_whatever_the_meter_writes_there_is_no_contradiction() -> None:
    for text in ("", "0,000", "-"):
        assert refused(read(TOP + section("BL-A1", "33,50", more=f"s;;{text};\n"))) == []
    assert refused(read(TOP + section("BL-A1", "33,50", more="s;;0,5;\n"))) == [(8, "section_disagrees")]


def test_a_section_that_lost_a_line_or_its_figure_is_held() -> None:
    whole = section("BL-A1", "33,50", "33,52")
    assert refused(read(TOP + whole.replace("2;07:32;33,52;\n", ""))) == [(8, "section_disagrees")]
    found = read(TOP + whole.replace("33,52", "3x,52"))
    assert refused(found) == [(8, "section_disagrees"), (9, "not_a_number")]
    assert "cannot be compared, since 1 line of the section refused" in found.quarantine["sentence"][0]
    cut = whole[: whole.index("Mean")]
    found = read(TOP + cut)
    assert refused(found) == [(8, "section_disagrees"), (9, "section_disagrees")]
    assert "has no line 'Mean'" in found.quarantine["sentence"][0]
    assert refused(read(TOP + cut[:-1])) == [(8, "section_disagrees"), (9, "truncated")]


def test_a_section_without_its_header_is_never_read_by_the_one_before() -> None:
    second = section("KB-01", "33,10").replace(TABLE, "")
    found = read(TOP + section("BL-A1", "33,50") + second)
    assert refused(found) == [(10 + n, "section_without_header") for n in range(4)]
    other = section("KB-01", "33,10").replace("Metal", "Meta")
    assert {reason for _, reason in refused(read(TOP + section("BL-A1", "33,50") + other))} == {
        "section_without_header"
    }
    # a section of which only the head was written holds no reading
    assert refused(read(TOP + section("BL-A1", "33,50") + "Job KB-01;;;\nFreq;60;;\n")) == []


def test_readings_are_never_taken_for_those_of_a_section_whose_beginning_was_lost() -> None:
    first, second, third = section("BL-A1", "33,50"), section("KB-01", "33,10", "33,20"), section("KB-02", "33,4")
    without = second.replace("Job KB-01;;;\n", "")
    found = read(TOP + first + without + third)
    # from the line that no table holds to the next section; header and units say nothing of a reading
    assert refused(found) == [(n, "section_head_lost") for n in (10, 13, 14, 15)]
    assert "Line 10 is no reading and nothing that the layout declares" in found.quarantine["sentence"][3]
    assert found.readings["lot"].drop_nulls().to_list() == ["KB-02"]
    # the same where no key stands in the head: the header again, below readings
    keyless = LAYOUT.replace('  { key = "Freq", column = "frequency_khz", type = "number", unit = "kHz" },\n', "")
    found = read(TOP + (first + without + third).replace("Freq;60 kHz;;\n", ""), keyless)
    assert refused(found) == [(n, "section_head_lost") for n in (11, 12, 13)]
    assert "Line 9 repeats the header" in found.quarantine["sentence"][0]
    # and where the header stands once: below the figures of a section, or below a line that nobody knows
    once = (TOP + TABLE + (first + without + third).replace(TABLE, "")).replace("Freq;60 kHz;;\n", "")
    found = read(once, keyless)
    assert refused(found) == [(n, "section_head_lost") for n in range(9, 12)]
    assert "stands below the figures of a section" in found.quarantine["sentence"][0]
    plain = keyless[: keyless.index("statistics = [")] + keyless[keyless.index("[routes]") :]
    garbled = (
        once.replace("Mean;;33,500;\n", "J*b KB-01;;;\n").replace("Mean;;33,150;\n", "").replace("Mean;;33,400;\n", "")
    )
    found = read(garbled, plain)
    assert refused(found) == [(n, "section_head_lost") for n in range(8, 11)]
    assert found.readings["block"].drop_nulls().to_list() == ["BL-A1"]


def test_a_damaged_reading_costs_itself_alone_and_not_the_rest_of_its_section() -> None:
    layout = LAYOUT[: LAYOUT.index("statistics = [")] + LAYOUT[LAYOUT.index("[routes]") :]
    whole = section("KB-01", "33,10", "33,20", "33,30")
    for damaged, reason in (("2;07:32;33,20;;x;y", "too_many_cells"), ("2;07:32;33,20", "too_few_cells")):
        text = TOP + whole.replace("2;07:32;33,20;", damaged).replace("Mean;;33,200;\n", "")
        assert refused(read(text, layout)) == [(9, reason), (10, "nothing_above")]
    short = read(TOP + whole.replace("2;07:32;33,20;", "2;").replace("Mean;;33,200;\n", ""), layout)
    assert refused(short) == [(9, "section_head_lost"), (10, "section_head_lost")]


def test_units_of_every_section_are_compared() -> None:
    second = section("KB-01", "33,10").replace("MS/m", "%IACS")
    held = read(TOP + section("BL-A1", "33,50") + second).held
    assert held is not None
    assert (held.reason, held.line) == ("unit_mismatch", 13)


def test_what_stands_between_sections_is_refused_where_it_looks_like_readings() -> None:
    text = (
        TOP + section("BL-A1", "33,50") + "End;;;\nprinted on Monday\n2;07:45;33,50;21,5\n" + section("KB-01", "33,1")
    )
    found = read(text)
    assert refused(found) == [(12, "outside_section")]
    assert found.counts["footer"] == 4
    assert found.readings.height == 2


TOTAL = '[footer]\npattern = "Total"\nstatistics = [{ label = "Total", statistic = "count", cell = 3 }]\n'


@pytest.mark.parametrize("end", ["End;;;\n", ""])
def test_a_footer_ends_the_last_section_and_its_figures_are_compared_with_all_readings(end: str) -> None:
    whole = TOP + section("BL-A1", "33,50") + section("KB-01", "33,10", "33,20") + end
    last = whole.count("\n") + 1
    found = read(whole + "Total;;3;\nSigned;;Ada;\n", LAYOUT + TOTAL)
    assert (refused(found), found.warnings, found.readings.height) == ([], (), 3)
    assert found.counts["footer"] == 2 + bool(end) + 2  # a mean each, the end, two lines of the footer
    (said,) = read(whole + "Total;;4;\n", LAYOUT + TOTAL).warnings
    assert said == f"footer_mismatch: line {last}: the file counts 4 readings, and has 3 lines of readings"
    (said,) = read(whole, LAYOUT + TOTAL).warnings
    assert said.startswith("footer_missing: ")
    # what looks like a reading below it belongs to no section
    assert refused(read(whole + "Total;;3;\n3;07:45;33,50;21,5\n", LAYOUT + TOTAL)) == [(last + 1, "outside_section")]


def test_units_that_stand_again_below_the_readings_are_no_reading() -> None:
    text = TOP + section("BL-A1", "33,50", "33,52").replace("2;07:32", ";;MS/m;°C\n2;07:32")
    found = read(text)
    assert (refused(found), found.counts["units"], found.readings.height) == ([], 2, 2)


def test_a_key_that_is_missing_twice_or_no_number_costs_its_section_alone() -> None:
    good = section("BL-A1", "33,50")
    lacking = read(TOP + good + section("KB-01", "33,10", "33,20", head=""))
    assert [reason for _, reason in refused(lacking)] == ["missing_value"] * 2
    assert "'Freq': the cell is empty, expected a value" in lacking.quarantine["sentence"][0]
    assert refused(read(TOP + good + section("KB-01", "33,10", head="Freq;60 Hz;;\n")))[0][1] == "not_a_number"
    twice = read(TOP + good + section("KB-01", "33,10", head="Freq;60;;\nFreq;480;;\n"))
    assert refused(twice) == [(12, "key_twice")]
    assert twice.readings["frequency_khz"].to_list() == [60.0, 60.0]


def test_a_unit_in_the_cell_after_a_number_is_compared_like_one_in_the_same_cell() -> None:
    for head, wanted in (("Freq;60;kHz;\n", 60.0), ("Freq;60;;kHz\n", 60.0), ("Freq;60;of the probe;\n", 60.0)):
        assert read(TOP + section("BL-A1", "33,50", head=head)).readings["frequency_khz"].to_list() == [wanted]
    found = read(TOP + section("BL-A1", "33,50", head="Freq;60;Hz;\n"))
    assert refused(found) == [(8, "not_a_number")]
    assert "found '60 Hz'" in found.quarantine["sentence"][0]
    # a text is no number: what follows it is not its unit
    assert read(TOP + section("BL-A1", "33,50", head="Freq;60;;\nBy;Ada;C;\n")).readings["operator"].to_list() == [
        "Ada"
    ]


def test_numbers_before_the_header_are_read_in_their_unit_or_hold_the_file() -> None:
    good = section("BL-A1", "33,50")
    found = read(TOP.replace("\n\n", "\nWall;1,25 mm\n\n") + good)
    assert found.readings["thickness_mm"].to_list() == [1.25]
    assert read(TOP.replace("\n\n", "\nWall;1,25\n\n") + good).readings["thickness_mm"].to_list() == [1.25]
    for text in ("1,25 in", "thin", "1.25"):
        held = read(TOP.replace("\n\n", f"\nWall;{text}\n\n") + good).held
        assert held is not None
        assert held.reason in ("preamble_mismatch", "number_format_mismatch")
    held = read(TOP.replace("Day", "Today") + good).held
    assert held is not None
    assert (held.reason, held.sentence) == ("preamble_key_missing", "Nothing before the header states 'Day'.")
    assert refused(read(TOP.replace("02.03.2026", "31.02.2026") + good)) == [(8, "impossible_date")]


def test_a_header_may_stand_once_above_all_sections() -> None:
    text = TOP + TABLE + (section("BL-A1", "33,50") + section("KB-01", "33,10", "33,20")).replace(TABLE, "")
    found = read(text)
    assert refused(found) == []
    assert found.readings["role"].to_list() == ["block", "part", "part"]
    assert (found.counts["header"], found.counts["units"]) == (1, 1)
    loose = read(TOP + TABLE + "1;07:31;33,50;21,5\n" + section("BL-A1", "33,50").replace(TABLE, ""))
    assert refused(loose) == [(6, "outside_section")]


def test_a_file_without_a_section_is_of_another_kind() -> None:
    layout = parse_layout(LAYOUT, "x")
    found = match("a.csv", (TOP + TABLE + "1;07:31;33,50;21,5\n").encode(), {"measured": layout}, {})
    assert isinstance(found, Held)
    assert found.reason == "layout_unknown"
    assert "No line begins a section" in found.details[0]
    whole = (TOP + section("BL-A1", "33,50")).encode()
    assert match("a.csv", whole, {**layouts(), "measured": layout}, {}) is layout


# what a layout cannot say


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("begin = 'Job (?P<name>", "begin = 'Job (?P<job>", "group 'job' is no column of text; declare under keys"),
        ("begin = 'Job (?P<name>", "begin = 'Job (", "a column 'name' needs [routes], and [routes] a column 'name'"),
        ('column = "operator"', 'column = "meter"', "'meter' is filled from two places"),
        ("[constants]", '[constants]\nlot = "L-1"', "'lot' is filled from two places"),
        ('listed = "blocks"', 'listed = "lots"', "'lots' goes not with role = 'block'"),
        ('{ role = "part", listed = "studies" }', '{ role = "part" }', "expected a pattern, a list (listed) or both"),
        ("(?P<block>.+)", "(?P<blok>.+)", "group 'blok' is no column of text that names something; did you mean 'block'?"),
        ("(?P<block>.+)", "(?P<operator>.+)", "expected a group named 'block'"),
        (', unit = "kHz"', "", "key sections.keys[1].unit: missing; expected one of kHz, Hz, MHz"),
        (', type = "number", unit = "kHz"', "", "found 'string', expected 'number' for column frequency_khz"),
        ("unitsRow = true", "headerRows = [1]\nunitsRow = true", "headerRows and preambleRows count lines of the whole"),
        ("unitsRow = true", "headerLines = 6", "found 6, expected"),
        ("unitsRow = true", "headerRows = [1, 3]", "expected numbers of lines, one below the other"),
        ('column = "sequence"', 'column = "sequence"\nfillDown = 1', "found 1, expected true or false"),
        ('unit = "MS/m"', 'unit = "MS/m"\nfillDown = true', "serves for a column that is wanted, other than the value"),
        ("[sections]", "[fileName]\npattern = 'x'\nkeys = [{ key = \"a\" }]\n[sections]", "no group named 'a'"),
        ('column = "operator"', 'column = "value", type = "number", unit = "MS/m"', "a value stands in the table"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(old: str, new: str, said: str) -> None:
    assert old in LAYOUT
    with pytest.raises(LayoutError) as error:
        parse_layout(LAYOUT.replace(old, new, 1), "x.toml")
    assert said in str(error.value)


def test_figures_of_sections_serve_one_reading_a_line() -> None:
    wide = LAYOUT.replace('name = "Result"', "namePattern = 'R(\\d+)'").replace(
        "version = 1", 'version = 1\nshape = "wide"'
    )
    with pytest.raises(LayoutError, match="serve one reading a line"):
        parse_layout(wide, "x.toml")
