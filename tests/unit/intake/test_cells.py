"""Cells of one column: what is read, and for every other cell the reason of its refusal."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest
from intake_checks import altered, layouts

from pipeline.intake import cells as read
from pipeline.intake.layout_parts import Constraints
from pipeline.intake.reading import FileColumn, HoldFile
from pipeline.intake.refusals import Refusals

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pipeline.intake.layout_parts import LayoutField

NEUTRAL = layouts()["neutral"]
PLAIN = altered(NEUTRAL.value_field, unit=None, constraints=Constraints(), missing_values=())


def column(target: str, **changes: Any) -> FileColumn:
    return FileColumn(0, "Column", altered(PLAIN, column=target, **changes))


def lines_of(cells: Sequence[str | None]) -> pl.Series:
    return pl.int_range(11, 11 + len(cells), dtype=pl.Int64, eager=True)


def outcome(
    work: Callable[[Refusals, pl.Series], pl.Series], cells: Sequence[str | None]
) -> tuple[list[Any], list[str | None]]:
    """What a column gave, and the reason of each refused row."""
    refusals = Refusals(lines_of(cells))
    found = work(refusals, pl.Series(cells, dtype=pl.String)).to_list()
    frame = refusals.frame()
    assert frame["line"].to_list() == [11 + row for row in frame["row"]]
    assert set(frame["column"]) <= {"Column"}
    reasons = dict(frame.select("row", "reason").iter_rows())
    return found, [reasons.get(row) for row in range(len(cells))]


def texts(cells: Sequence[str | None], target: str = "lot", **changes: Any) -> tuple[list[Any], list[str | None]]:
    work = lambda refusals, given: read.texts(given.cast(pl.Categorical), column(target, **changes), refusals)  # noqa: E731
    return outcome(work, cells)


def numbers(
    cells: Sequence[str | None], target: str = "frequency_khz", **changes: Any
) -> tuple[list[Any], list[str | None]]:
    work = lambda refusals, given: read.numbers(given, lines_of(cells), column(target, **changes), refusals)  # noqa: E731
    return outcome(work, cells)


def values(
    cells: Sequence[str | None], codes: dict[str, str], **changes: Any
) -> tuple[list[Any], list[str | None], list[str | None] | None]:
    told: list[pl.Series | None] = []
    layout = altered(NEUTRAL, non_readings=codes)

    def work(refusals: Refusals, given: pl.Series) -> pl.Series:
        found, codes_found = read.values(given, lines_of(cells), column("value", **changes), layout, refusals)
        told.append(codes_found)
        return found

    found, reasons = outcome(work, cells)
    return found, reasons, None if told[0] is None else told[0].to_list()


def test_texts_are_taken_as_they_stand() -> None:
    cells = ["L-1", None, "l-1", "L 1", "=1+1", "L-1"]
    assert texts(cells) == (cells, [None] * 6)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (" L1", "surrounding_space"), ("L1\u00a0", "surrounding_space"), ("L\ufffd1", "damaged_text"), ("\ufeffL1", "damaged_text"),
        ("L\u200b1", "damaged_text"), ("L 1", None),
    ],
)  # fmt: skip
def test_texts_damaged_before_they_came_here_are_refused(text: str, reason: str | None) -> None:
    assert texts(["L1", text, None, text])[1] == [None, reason, None, reason]


NAMES = ("meter", "probe", "lot", "part", "spot", "block", "operator", "sensor", "run")
REWRITTEN = ["1-Mar", "01.Mär.2026", "3 Okt", "Mar-26", "dez.05", "1E+05", "2.5e10", "+7E3"]
NOT_REWRITTEN = [
    "M-1",
    "1-Mag-7a",
    "Marsch-26",
    "12E",
    "1E",
    "E5",
    "12E5",
    "1E1234",
    "1-3",
    "2026-03-01",
    "AA1E5",
    "1E5A",
]


@pytest.mark.parametrize("target", [*NAMES, "remark"])
def test_names_that_a_spreadsheet_rewrote_are_refused_and_free_text_is_not(target: str) -> None:
    """A cell that looks like a date or a power of ten becomes one: common practice, no source. A lot 1E5 is 100000 afterwards."""
    given = [*REWRITTEN, *NOT_REWRITTEN]
    wanted = ["spreadsheet_damage_suspected" if text in REWRITTEN and target != "remark" else None for text in given]
    assert texts(given, target)[1] == wanted
    declared = Constraints(pattern=re.compile(".*"))
    assert texts(given, target, constraints=declared)[1] == [None] * len(given)
    assert texts(["1E5"], target, constraints=Constraints(enum=("1E5",)))[1] == [None]
    assert texts(["L\u200b1"], target)[1] == [None if target == "remark" else "damaged_text"]


def test_constraints_are_those_of_table_schema() -> None:
    """Table Schema, field constraints: required, pattern (of the whole), enum, minLength, maxLength; each includes its bound."""
    broken = "breaks_constraint"
    assert texts(["L1", None], constraints=Constraints(required=True))[1] == [None, "missing_value"]
    assert texts(["L1", "L", "xL1"], constraints=Constraints(pattern=re.compile("L[0-9]")))[1] == [None, broken, broken]
    assert texts(["a", "b", "A"], constraints=Constraints(enum=("a",)))[1] == [None, broken, broken]
    assert texts(["ab", "a"], constraints=Constraints(minLength=2))[1] == [None, broken]
    assert texts(["ab", "abc"], constraints=Constraints(maxLength=2))[1] == [None, broken]
    assert texts(["a", "ab", "abc", "abcd"], constraints=Constraints(minLength=2, maxLength=3))[1] == [
        broken,
        None,
        None,
        broken,
    ]


def test_missing_values_are_empty_cells() -> None:
    assert texts(["-", "L1", None, "n/a"], missing_values=("-", "n/a"))[0] == [None, "L1", None, None]
    assert texts(["-", "L1"], missing_values=("-",), constraints=Constraints(required=True))[1] == [
        "missing_value",
        None,
    ]
    assert numbers(["-", "5", None], missing_values=("-",)) == ([None, 5.0, None], [None] * 3)
    assert numbers(["-", "5"], missing_values=("-",), constraints=Constraints(required=True))[1] == [
        "missing_value",
        None,
    ]
    assert values(["-", "5"], {}, missing_values=("-",)) == ([None, 5.0], [None] * 2, None)


def test_values_of_a_list_are_translated_and_others_refused_or_kept() -> None:
    words = {"P": "part", "B": "block"}
    assert texts(["P", "B", None, "X"], "role", values=words, other_values="quarantine") == (
        ["part", "block", None, None],
        [None, None, None, "not_in_list"],
    )
    assert texts(["17", "18", None], "operator", values={"17": "op17"}, other_values="keep") == (
        ["op17", "18", None],
        [None] * 3,
    )
    assert texts(["part", "P", None], "role") == (["part", "P", None], [None, "not_in_list", None])
    assert texts(["x"], None)[1] == [None]  # type: ignore[arg-type]  # a column that fills none of ours


@pytest.mark.parametrize(
    ("text", "exponent", "reason"),
    [
        ("58.1", False, None), ("nan", False, "not_finite"), ("-INF", False, "not_finite"), ("Infinity", False, "not_finite"),
        ("1.#QNAN0", False, "not_finite"), ("1#INF", False, "not_finite"), ("1e309", False, "not_finite"),
        ("1e309", True, "not_finite"), ("2e308", True, "not_finite"), ("1e308", True, None), ("1e308", False, "unexpected_exponent"),
        ("5.8E+01", False, "unexpected_exponent"), ("5.8E+01", True, None), ("3-Mar", False, "spreadsheet_damage_suspected"),
        ("Mar-26", True, "spreadsheet_damage_suspected"), ("OVR", False, "not_a_number"), ("--5", False, "not_a_number"),
        ("5e", True, "not_a_number"), ("nano", False, "not_a_number"), ("e5", False, "not_a_number"),
    ],
)  # fmt: skip
def test_every_cell_that_is_no_number_has_its_reason(text: str, exponent: bool, reason: str | None) -> None:
    """Largest double: 1.797...e308 (IEEE 754-2019, table 3.5)."""
    for given in ([text], ["58.1", text, None]):
        expected = [None if cell != text else reason for cell in given]
        assert numbers(given, exponent=exponent)[1] == expected
        assert values(given, {}, exponent=exponent)[1] == expected


@pytest.mark.parametrize("text", ["58,1", "1,058.20", "1 058", ",5"])
def test_a_number_with_other_marks_holds_the_file(text: str) -> None:
    for given, line in ([text, "58.1"], 11), (["OVR", "58.1", text, text], 13):
        for work in (numbers, lambda cells: values(cells, {})):
            with pytest.raises(HoldFile) as caught:
                work(given)
            assert (caught.value.held.reason, caught.value.held.line) == ("number_format_mismatch", line)
            assert f"'{text}'" in caught.value.held.sentence


def test_minimum_and_maximum_belong_to_the_range() -> None:
    limits = Constraints(minimum=1.5, maximum=3.0)
    wanted = ["breaks_constraint", None, None, "breaks_constraint", None]
    assert numbers(["1.49", "1.5", "3.0", "3.01", None], constraints=limits)[1] == wanted
    assert values(["1.49", "1.5", "3.0", "3.01", None], {}, constraints=limits)[1] == wanted
    assert numbers(["-5", "1e3"], constraints=Constraints(maximum=3.0), exponent=True)[1] == [None, "breaks_constraint"]
    assert numbers(["-5", "1e3"], constraints=Constraints(minimum=3.0), exponent=True)[1] == ["breaks_constraint", None]
    work = lambda refusals, given: read.integers(given, column("count", constraints=limits), refusals)  # noqa: E731
    assert outcome(work, ["1", "2", "3", "4", None]) == (
        [1, 2, 3, 4, None],
        ["breaks_constraint", None, None, "breaks_constraint", None],
    )


def test_a_declared_unit_is_converted_and_our_own_is_not() -> None:
    """t/degC = (t/degF - 32)/1.8; 1 in = 25.4 mm (NIST SP 811, appendix B.8)."""
    assert numbers(["212", "-40"], "temperature_c", unit="degF")[0] == [100.0, -40.0]
    assert numbers(["10"], "thickness_mm", unit="in")[0] == [254.0]
    assert numbers(["60000"], "frequency_khz", unit="Hz")[0] == [60.0]
    assert numbers(["21.4"], "temperature_c", unit="degC")[0] == [21.4]
    assert numbers(["21.4"], "temperature_c")[0] == [21.4]


def test_a_temperature_lies_between_absolute_zero_and_what_no_meter_is_held_on() -> None:
    """Absolute zero is -273.15 degC exactly (SI brochure, 2.3.1)."""
    cold = "impossible_temperature"
    cells = ["-273.15", "-273.16", "2000", "2000.1", "0", None]
    assert numbers(cells, "temperature_c")[1] == [None, cold, None, cold, None, None]
    assert numbers(["-459.6", "-459.8", "3632", "3633"], "temperature_c", unit="degF")[1] == [None, cold, None, cold]
    assert numbers(["-300", "3000"], "frequency_khz")[1] == [None, None]


def test_codes_of_the_meter_are_no_readings() -> None:
    codes = {"OVR": "overload", "9999": "no_contact"}
    assert values(["58.1", "OVR", None, "9999"], codes) == (
        [58.1, None, None, None],
        [None] * 4,
        [None, "overload", None, "no_contact"],
    )
    assert values(["58.1", "9999"], codes) == ([58.1, None], [None] * 2, [None, "no_contact"])
    assert values(["58.1", "OVR"], {"OVR": "overload"}) == ([58.1, None], [None] * 2, [None, "overload"])
    assert values(["58.1", "XXX", "OVR"], {"OVR": "overload"})[1] == [None, "not_a_number", None]
    assert values(["58.1", "XXX"], {"OVR": "overload"}) == ([58.1, None], [None, "not_a_number"], None)
    assert values(["58.1"], codes) == ([58.1], [None], None)
    assert values(["OVR"], {}) == ([None], ["not_a_number"], None)


def test_a_value_is_not_negative() -> None:
    assert values(["-0.001", "0", "0.5", "-1"], {})[1] == ["negative_value", None, None, "negative_value"]
    assert values(["-1", "2"], {"-1": "no_contact"}) == ([None, 2.0], [None, None], ["no_contact", None])


def test_groups_that_make_thousands_of_a_fraction_hold_the_file_where_the_value_cannot_be() -> None:
    cells = pl.Series(["58.1", "33,512", "58,100", "1,234.5", None])
    grouped = column("value", group_char=",")

    def hold(implausible: list[bool | None], given: FileColumn = grouped) -> None:
        read.hold_if_groups_mislead(cells, pl.Series(implausible, dtype=pl.Boolean), lines_of(cells.to_list()), given)

    for implausible, line in ([False, True, True, False, None], 12), ([False, False, True, False, None], 13):
        with pytest.raises(HoldFile) as caught:
            hold(implausible)
        assert (caught.value.held.reason, caught.value.held.line) == ("number_format_mismatch", line)
    hold([True, False, False, True, None])
    hold([False] * 5)
    hold([True] * 5, column("value"))


def test_whole_numbers_and_truths() -> None:
    work = lambda refusals, given: read.integers(given, column("count", missing_values=("-",)), refusals)  # noqa: E731
    assert outcome(work, ["5", "5.0", "x", None, "-"]) == (
        [5, None, None, None, None],
        [None, "not_an_integer", "not_an_integer", None, None],
    )
    needed = Constraints(required=True)
    work = lambda refusals, given: read.integers(given, column("count", constraints=needed), refusals)  # noqa: E731
    assert outcome(work, ["5", None])[1] == [None, "missing_value"]
    words = {"true_values": ("yes", "1"), "false_values": ("no",), "missing_values": ("-",)}
    work = lambda refusals, given: read.booleans(given, column("taken_by_hand", **words), refusals)  # noqa: E731
    assert outcome(work, ["yes", "no", "1", "Yes", None, "-"]) == (
        [True, False, True, None, None, None],
        [None, None, None, "not_in_list", None, None],
    )
    work = lambda refusals, given: read.booleans(given, column("taken_by_hand", constraints=needed, **words), refusals)  # noqa: E731
    assert outcome(work, ["no", "-"])[1] == [None, "missing_value"]


def moments(
    cells: Sequence[str | None],
    form: str,
    zone: str | None,
    year: int | None = None,
    time_field: LayoutField | None = None,
    **changes: Any,
) -> tuple[list[Any], list[str | None]]:
    given = column("measured_at", type="datetime", format=form, **changes)
    work = lambda refusals, text: read.moments(text, given, refusals, zone=zone, year=year, time_field=time_field)  # noqa: E731
    return outcome(work, cells)


def test_times_and_the_reason_of_each_that_is_none() -> None:
    form = "%d.%m.%Y %H:%M"
    cells = [
        "02.03.2026 07:31",
        "2026-03-02 07:31",
        "31.11.2026 07:31",
        "01.01.1850 07:31",
        "25.10.2026 02:30",
        "29.03.2026 02:30",
        None,
        "-",
    ]
    found, reasons = moments(cells, form, "Europe/Oslo", missing_values=("-",))
    assert found == [datetime(2026, 3, 2, 6, 31, tzinfo=UTC), *[None] * 7]
    assert reasons == [
        None, "not_a_time", "impossible_date", "date_out_of_range", "ambiguous_time", "skipped_time", "missing_value", "missing_value",
    ]  # fmt: skip
    assert moments(cells[:1], form, "Europe/Oslo")[1] == [None]
    assert moments(["2026-03-02T07:31:05+01:00", "2026-03-02T07:31:05"], "default", None)[1] == [None, "not_a_time"]


def test_a_date_and_a_time_in_two_columns_and_a_year_from_the_layout() -> None:
    clock = altered(PLAIN, type="time", format="%H:%M")
    cells = ["02.03. 07:31", "29.02. 07:31", "02.03.", None]
    assert moments(cells, "%d.%m.", "Europe/Oslo", 2026, clock) == (
        [datetime(2026, 3, 2, 6, 31, tzinfo=UTC), None, None, None],
        [None, "impossible_date", "not_a_time", "missing_value"],
    )
    assert moments(cells[:2], "%d.%m.", "Europe/Oslo", 2024, clock)[1] == [None, None]
