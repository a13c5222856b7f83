"""The grammar of numbers and times: what is declared is read, and nothing else."""

from __future__ import annotations

from datetime import UTC, datetime

import polars as pl
import pytest

from pipeline.intake.text import (
    NumberGrammar,
    has_offset,
    has_year,
    moment_failures,
    moment_grammar,
    parse_integers,
    parse_moments,
    parse_numbers,
)


def number(text: str, decimal: str = ".", group: str | None = None, *, exponent: bool = False) -> float | None:
    return parse_numbers(pl.Series([text]), NumberGrammar(decimal, group, exponent))[0]


@pytest.mark.parametrize(
    ("text", "decimal", "group", "value"),
    [
        ("58.12", ".", None, 58.12),
        ("-5", ".", None, -5.0),
        ("+5", ".", None, 5.0),
        (".5", ".", None, 0.5),
        ("007.50", ".", None, 7.5),
        ("58,12", ",", None, 58.12),
        ("1.058,20", ",", ".", 1058.2),
        ("1.058", ",", ".", 1058.0),
        ("1058,2", ",", ".", 1058.2),
        ("1'234'567.5", ".", "'", 1234567.5),
        ("60 000", ".", " ", 60000.0),
        ("60\u00a0000", ".", " ", 60000.0),
        ("60\u202f000", ".", " ", 60000.0),
    ],
)
def test_numbers_of_the_declared_grammar_are_read(text: str, decimal: str, group: str | None, value: float) -> None:
    assert number(text, decimal, group) == value


@pytest.mark.parametrize(
    ("text", "decimal", "group"),
    [
        ("58,12", ".", None),
        ("58.12", ",", None),
        ("1.058", ",", None),
        ("1,058", ".", None),
        ("58.12", ",", "."),
        ("1.05,8", ",", "."),
        ("10.58.200", ",", "."),
        ("1.0582", ",", "."),
        (".058", ",", "."),
        ("1 058", ".", None),
        ("5 8", ".", " "),
        ("58.", ".", None),
        ("", ".", None),
        (" 58", ".", None),
        ("58 ", ".", None),
        ("--5", ".", None),
        ("5-", ".", None),
        ("5e3", ".", None),
        ("nan", ".", None),
        ("inf", ".", None),
        ("-Infinity", ".", None),
        ("0x1F", ".", None),
        ("1_000", ".", None),
        ("\u0665", ".", None),
        ("\u221258", ".", None),
        ("9" * 400, ".", None),
    ],
)
def test_anything_else_is_no_number(text: str, decimal: str, group: str | None) -> None:
    assert number(text, decimal, group) is None


def test_exponents_only_where_declared_and_only_finite() -> None:
    assert number("5.809E+01", exponent=True) == 58.09
    assert number("1e308", exponent=True) == 1e308
    assert number("1e309", exponent=True) is None
    assert number("5,809E+01", ",", exponent=True) == 58.09


def test_a_missing_cell_stays_missing() -> None:
    assert parse_numbers(pl.Series([None, "1"], dtype=pl.String), NumberGrammar()).to_list() == [None, 1.0]


def test_whole_numbers() -> None:
    cells = pl.Series(["12", "-3", "1.058", "1,0", "12.0", "1e3", "9" * 30, "", None])
    assert parse_integers(cells, NumberGrammar(",", ".")).to_list() == [12, -3, 1058, *[None] * 6]


@pytest.mark.parametrize(
    ("text", "opposite"),
    [
        ("58,12", True),
        ("1,058.20", True),
        ("1.058,20", True),
        ("1 058.2", True),
        ("1'058", True),
        (",5", True),
        ("58.12", False),
        ("58", False),
        ("12.05.2026", False),
        ("OVR", False),
        ("12,05,2026", False),
        ("58,", False),
        ("1058,20.3", False),
        ("1 05", False),
        ("+1,058.2", True),
        ("-1,058,200", True),
    ],
)
def test_numbers_with_the_other_marks_are_known_as_such(text: str, opposite: bool) -> None:
    turned = text.translate(str.maketrans(".,", ",."))
    assert pl.Series([text]).str.contains(NumberGrammar().opposite)[0] is opposite
    assert pl.Series([turned]).str.contains(NumberGrammar(",").opposite)[0] is opposite


ISO = moment_grammar("default", "datetime")
AT = datetime(2026, 3, 2, 6, 31, 5, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "time"),
    [
        ("2026-03-02T07:31:05+01:00", AT),
        ("2026-03-02T06:31:05Z", AT),
        ("2026-03-02 06:31:05Z", AT),
        ("2026-03-02T12:01:05+0530", AT),
        ("2026-03-02T06:31:05-00:00", AT),
        ("2026-03-02T07:31+01:00", AT.replace(second=0)),
        ("2026-03-02T06:31:05.25Z", AT.replace(microsecond=250_000)),
        ("2026-03-02T06:31:05,1234567Z", AT.replace(microsecond=123_456)),
    ],
)
def test_iso_8601_with_offset(text: str, time: datetime) -> None:
    for cells in ([text], [text, "2026-03-02T06:31:05Z", "nonsense"]):
        assert parse_moments(pl.Series(cells), ISO, zone=None, year=None)[0] == time


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("2026-03-02T07:31:05", "not_a_time"),
        ("03/04/2026", "not_a_time"),
        ("2026-3-2T07:31:05Z", "not_a_time"),
        ("2026-03-02T7:31:05Z", "not_a_time"),
        ("2026-03-02T07:31:05Z ", "not_a_time"),
        ("2026-03-02T07:31:60Z", "not_a_time"),
        ("2026-03-02T07:31:05+15:00", "not_a_time"),
        ("2026-11-31T07:31:05Z", "impossible_date"),
        ("2026-02-29T07:31:05Z", "impossible_date"),
        ("2026-03-02T24:00:00Z", "impossible_date"),
        ("2026-13-02T07:31:05Z", "impossible_date"),
    ],
)
def test_other_texts_are_no_time_and_it_is_said_why(text: str, reason: str) -> None:
    cells = pl.Series([text])
    assert parse_moments(cells, ISO, zone=None, year=None)[0] is None
    assert moment_failures(cells, ISO, zone=None, year=None)[0] == reason


@pytest.mark.parametrize(
    ("form", "text", "time"),
    [
        ("%d.%m.%Y %H:%M:%S", "02.03.2026 07:31:05", AT),
        ("%m/%d/%Y %I:%M:%S %p", "03/02/2026 07:31:05 AM", AT),
        ("%-d.%-m.%y %-H:%M:%S", "2.3.26 7:31:05", AT),
        ("%Y%m%d%H%M%S", "20260302073105", AT),
        ("%d %B %Y, %H h %M:%S", "02 March 2026, 07 h 31:05", AT),
        ("%d-%b-%Y %H:%M:%S.%f", "02-Mar-2026 07:31:05.5", AT.replace(microsecond=500_000)),
        ("%d.%m.%Y %H:%M:%S,%f", "02.03.2026 07:31:05,5", AT.replace(microsecond=500_000)),
        ("%d.%m.%Y %H:%M:%S:%f", "02.03.2026 07:31:05:050", AT.replace(microsecond=50_000)),
        ("%d,%m,%Y %H:%M:%-S,%f", "02,03,2026 07:31:5,5", AT.replace(microsecond=500_000)),
        ("%d.%m.%Y %I.%M.%-S.%f %p", "02.03.2026 07.31.5.000001 am", AT.replace(microsecond=1)),
        ("%d.%m.%Y %-I:%-M:%S %p", "02.03.2026 7:31:05 aM", AT),
        ("%d %b %y %H:%-M:%S", "02 Mar 26 07:31:05", AT),
        ("%Y-%m-%d %H:%M:%S%z", "2026-03-02 04:31:05-02:00", AT),
        ("100%% %d.%m.%Y %H:%M:%S", "100% 02.03.2026 07:31:05", AT),
        ("%Y-%m-%d %H:%M:%S%z", "2026-03-02 07:31:05+0100", AT),
        ("%s", "1772433065", AT),
    ],
)
def test_declared_patterns(form: str, text: str, time: datetime) -> None:
    grammar = moment_grammar(form, "datetime")
    assert parse_moments(pl.Series([text]), grammar, zone="Europe/Oslo", year=None)[0] == time


@pytest.mark.parametrize(
    ("form", "kind", "reads", "offset", "year"),
    [
        ("default", "datetime", "2026-03-02T07:31:05Z", True, True),
        ("default", "date", "2026-03-02", False, True),
        ("%d/%m/%y", "date", "02/03/26", False, True),
        ("%-d %B", "date", "2 March", False, False),
        ("%m.%d", "date", "03.02", False, False),
        ("%d.%m. %H:%M%z", "datetime", "02.03. 07:31+0100", True, False),
        ("%s", "datetime", "1772433065", True, True),
        ("%Y%m%d %H:%M", "datetime", "20260302 07:31", False, True),
    ],
)
def test_what_a_form_carries(form: str, kind: str, reads: str, offset: bool, year: bool) -> None:
    assert pl.Series([reads]).str.contains(moment_grammar(form, kind).pattern)[0]
    assert (has_offset(form, kind), has_year(form, kind)) == (offset, year)


@pytest.mark.parametrize(
    ("form", "kind", "what"),
    [
        ("%Y-%m-%d", "datetime", "hours"),
        ("%Y-%m-%d %H", "datetime", "hours"),
        ("%Y-%m-%d %M", "datetime", "hours"),
        ("%Y-%m-%d %I:%M", "datetime", "hours"),
        ("%M:%S %p", "time", "hours"),
        ("%Y-%m %H:%M", "datetime", "a day"),
        ("%Y-%d %H:%M", "datetime", "a month"),
        ("%Y-%m", "date", "a day"),
        ("%d %Y", "date", "a month"),
        ("%d.%m. %H", "date", "found %H"),
        ("%H:%M %d", "time", "found %d"),
        ("%s", "time", "found %s"),
        ("%s", "date", "found %s"),
        ("%j %H:%M", "datetime", "found %j"),
        ("%Y-%m-%d %-m %H:%M", "datetime", "twice"),
        ("%s.", "datetime", "alone"),
        ("%Y-%m-%d %H:%M %", "datetime", "middle"),
        ("%H:%M:%S%f", "time", "expected seconds"),
        ("%H:%M:%S;%f", "time", "expected seconds"),
        ("%S:%H.%M.%f", "time", "expected seconds"),
        ("%f:%H:%M:%S.", "time", "expected seconds"),
        (".%f:%H:%M:%S", "time", "expected seconds"),
    ],
)
def test_forms_without_a_whole_date_or_time_are_refused(form: str, kind: str, what: str) -> None:
    with pytest.raises(ValueError, match=what):
        moment_grammar(form, kind)


def test_month_names_of_which_one_begins_like_another() -> None:
    roman = ("I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX", "X", "XI", "XII")
    cells = pl.Series([f"2. {name} 2026 07:31:05,5" for name in roman])
    for word in ("%b", "%B"):
        grammar = moment_grammar(f"%-d. {word} %Y", "date", "%H:%M:%S,%f", roman)
        found = parse_moments(cells, grammar, zone="UTC", year=None)
        assert found.to_list() == [datetime(2026, month, 2, 7, 31, 5, 500_000, tzinfo=UTC) for month in range(1, 13)]


def test_local_times_need_a_zone() -> None:
    with pytest.raises(ValueError, match="zone"):
        parse_moments(
            pl.Series(["2026-03-02 07:31"]), moment_grammar("%Y-%m-%d %H:%M", "datetime"), zone=None, year=None
        )


def test_a_date_and_a_time_by_default() -> None:
    grammar = moment_grammar("default", "date", "default")
    cells = pl.Series(["2026-03-02 07:31:05", "2026-03-02T07:31:05", "2026-03-02 07:31"])
    assert parse_moments(cells, grammar, zone="Europe/Oslo", year=None).to_list() == [AT, None, None]


def test_offsets_of_a_column_are_each_their_own() -> None:
    """Whole columns of one form go a quicker way; an offset has hours and minutes, of one sign (ISO 8601-1:2019, 5.3.4.1)."""
    cells = [
        f"2026-03-02T{time}"
        for time in ("06:31:05Z", "02:01:05-04:30", "20:31:05+14:00", "16:31:05-14:00", "05:46:05-00:45")
    ]
    expected = [AT, AT, AT, datetime(2026, 3, 3, 6, 31, 5, tzinfo=UTC), AT]
    for given in (cells, [*cells, "2026-03-02T06:31Z"], [*cells, None]):
        found = parse_moments(pl.Series(given), ISO, zone=None, year=None)
        assert found.to_list()[:5] == expected
        assert found.dtype == pl.Datetime("us", "UTC")
    declared = parse_moments(
        pl.Series(cells[1:]), moment_grammar("%Y-%m-%dT%H:%M:%S%z", "datetime"), zone=None, year=None
    )
    assert declared.to_list() == expected[1:]
    assert declared.dtype == pl.Datetime("us", "UTC")


def test_the_last_moment_of_the_years_by_a_clock_beside_greenwich() -> None:
    grammar = moment_grammar("%Y-%m-%d %H:%M", "datetime")
    for zone, first, last in (
        ("UTC", "1900-01-01 00:00", "2200-12-31 23:59"),
        ("Asia/Tokyo", "1900-01-01 09:00", "2201-01-01 08:59"),
        ("Etc/GMT+12", "1899-12-31 12:00", "2200-12-31 11:59"),
    ):
        outside = {
            "UTC": ["1899-12-31 23:59", "2201-01-01 00:00"],
            "Asia/Tokyo": ["1900-01-01 08:59", "2201-01-01 09:00"],
            "Etc/GMT+12": ["1899-12-31 11:59", "2200-12-31 12:00"],
        }[zone]
        found = parse_moments(pl.Series([first, last, *outside]), grammar, zone=zone, year=None)
        assert found.is_null().to_list() == [False, False, True, True], zone
        why = moment_failures(pl.Series(outside), grammar, zone=zone, year=None)
        assert why.to_list() == ["date_out_of_range"] * 2, zone
    beside = pl.Series(
        ["1899-12-31T23:30:00Z", "2201-01-01T00:30:00Z"]
    )  # the zone of the site says nothing about these
    for zone in ("America/New_York", "Asia/Tokyo"):
        assert moment_failures(beside, ISO, zone=zone, year=None).to_list() == ["date_out_of_range"] * 2


def test_padding_is_as_declared() -> None:
    grammar = moment_grammar("%d.%m.%Y %H:%M", "datetime")
    cells = pl.Series(["2.3.2026 07:31", "02.03.26 07:31", "02.03.2026 7:31", "02.03.2026  07:31", "02.03.2026 07:31 "])
    assert parse_moments(cells, grammar, zone="UTC", year=None).null_count() == 5
    among = pl.concat([cells, pl.Series(["02.03.2026 07:31", None])])
    assert parse_moments(among, grammar, zone="UTC", year=None).is_null().to_list() == [True] * 5 + [False, True]


def test_month_names_of_a_language() -> None:
    names = ("Jan", "Feb", "Mrz", "Apr", "Mai", "Jun", "Jul", "Aug", "Sep", "Okt", "Nov", "Dez")
    grammar = moment_grammar("%d. %b %Y %H:%M:%S", "datetime", None, names)
    cells = pl.Series(["02. Mrz 2026 07:31:05", "02. Mar 2026 07:31:05", "31. Dez 2025 23:59:59"])
    assert parse_moments(cells, grammar, zone="Europe/Oslo", year=None).to_list() == [
        AT,
        None,
        datetime(2025, 12, 31, 22, 59, 59, tzinfo=UTC),
    ]


def test_a_year_that_the_dates_do_not_carry() -> None:
    grammar = moment_grammar("%d.%m.", "date", "%H:%M:%S")
    cells = pl.Series(["02.03. 07:31:05", "29.02. 07:31:05"])
    assert parse_moments(cells, grammar, zone="Europe/Oslo", year=2026).to_list() == [AT, None]
    assert parse_moments(cells, grammar, zone="Europe/Oslo", year=2024)[1] is not None


def test_the_hour_that_the_clock_skips_and_the_one_it_repeats() -> None:
    grammar = moment_grammar("%Y-%m-%d %H:%M", "datetime")
    cells = pl.Series(
        ["2026-03-29 01:59", "2026-03-29 02:30", "2026-03-29 03:00", "2026-10-25 02:30", "2026-10-25 03:00"]
    )
    times = parse_moments(cells, grammar, zone="Europe/Oslo", year=None)
    assert times.to_list() == [
        datetime(2026, 3, 29, 0, 59, tzinfo=UTC),
        None,
        datetime(2026, 3, 29, 1, 0, tzinfo=UTC),
        None,
        datetime(2026, 10, 25, 2, 0, tzinfo=UTC),
    ]
    reasons = moment_failures(cells.filter(times.is_null()), grammar, zone="Europe/Oslo", year=None)
    assert reasons.to_list() == ["skipped_time", "ambiguous_time"]
    assert parse_moments(cells, grammar, zone="UTC", year=None).null_count() == 0


@pytest.mark.parametrize("group", [".", ",", "'", " ", "\u202f"])
def test_a_group_mark_never_follows_a_leading_zero(group: str) -> None:
    """0.500 with groups of three declared is no 500: the file was written with the other decimal mark."""
    decimal = "." if group == "," else ","
    grammar = NumberGrammar(decimal, group)
    fits = {
        f"1{group}000": 1000.0, f"12{group}500": 12500.0, f"100{group}500{decimal}5": 100500.5,
        f"0{decimal}500": 0.5, "0500": 500.0, f"1{group}000{group}000": 1e6,
    }  # fmt: skip
    misfits = [
        f"0{group}500", f"-0{group}058", f"00{group}500", f"012{group}345", f"1{group}00", f"1{group}0000", f"1000{group}000",
        f"1{group}{group}000", f"{group}500", f"1{group}000{group}00", f"0{group}058{decimal}5",
    ]  # fmt: skip
    assert parse_numbers(pl.Series(list(fits)), grammar).to_list() == list(fits.values())
    assert parse_numbers(pl.Series(misfits), grammar).to_list() == [None] * len(misfits)
    whole = {text: value for text, value in fits.items() if decimal not in text}
    assert parse_integers(pl.Series(list(whole)), grammar).to_list() == list(whole.values())
    assert parse_integers(pl.Series(misfits), grammar).to_list() == [None] * len(misfits)


def test_a_fraction_belongs_to_seconds() -> None:
    """ISO 8601-1:2019 5.3.1.4: a fraction goes with the lowest unit written, so 07:31.5 would be half a minute; refused."""
    grammar = moment_grammar("default", "datetime")
    cells = pl.Series(
        [f"2026-03-02T{time}Z" for time in ("07:31", "07:31:00.5", "07:31:00,5", "07:31.5", "07:31,5", "07.5")]
    )
    found = parse_moments(cells, grammar, zone=None, year=None)
    half = datetime(2026, 3, 2, 7, 31, 0, 500_000, UTC)
    assert found.to_list() == [datetime(2026, 3, 2, 7, 31, tzinfo=UTC), half, half, None, None, None]
    for form in ("%Y-%m-%d %H:%M.%f", "%Y-%m-%d %H:%M,%f", "%Y-%m-%d %H:%M:%f"):
        with pytest.raises(ValueError, match="expected seconds"):
            moment_grammar(form, "datetime")
    assert moment_grammar("%Y-%m-%d %H:%M:%S,%f", "datetime").words


@pytest.mark.parametrize("zone", ["UTC", "America/New_York", "Asia/Tokyo"])
def test_times_outside_1900_to_2200_are_refused_with_a_reason(zone: str) -> None:
    """By UTC; year 0, the first and the last day of all among them, on both sides of Greenwich."""
    written = [
        "0000-01-01T00:00:00",
        "0001-01-01T00:00:00",
        "1899-12-29T23:59:59",
        "2201-01-03T00:00:00",
        "9999-12-31T23:59:59",
    ]
    inside = ["1900-01-03T00:00:00", "2200-12-29T23:59:59"]
    for form, cells, given in (
        ("default", [f"{text}Z" for text in written + inside], None),
        ("%Y-%m-%dT%H:%M:%S", written + inside, zone),
        ("%Y-%m-%dT%H:%M:%S%z", [f"{text}-05:00" for text in written + inside], None),
    ):
        grammar = moment_grammar(form, "datetime")
        found = parse_moments(pl.Series(cells), grammar, zone=given, year=None)
        assert found.is_null().to_list() == [True] * len(written) + [False] * len(inside)
        why = moment_failures(pl.Series(cells[: len(written)]), grammar, zone=given, year=None)
        assert why.to_list() == ["date_out_of_range"] * len(written), form
    exact = pl.Series(
        ["1899-12-31T23:59:59.999999Z", "1900-01-01T00:00:00Z", "2200-12-31T23:59:59.999999Z", "2201-01-01T00:00:00Z"]
    )
    grammar = moment_grammar("default", "datetime")
    assert parse_moments(exact, grammar, zone=None, year=None).is_null().to_list() == [True, False, False, True]
