"""Suggestions: what stays open is stated, and once it is answered the layout loads the file like one made by hand."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime
from io import BytesIO
from typing import Any

import polars as pl
import pytest
import xlsxwriter
from intake_checks import FIXTURES, layouts, load

from fixtures.damaged.build import files
from pipeline.errors import LayoutError, UsageError
from pipeline.intake.layout import parse_layout
from pipeline.intake.sniff import decoded, look_at
from pipeline.intake.suggest import Suggestion, suggest
from pipeline.intake.suggest_words import language_of, target_of_name

NOW = datetime(2026, 12, 1, tzinfo=UTC)


def export(name: str) -> bytes:
    return files()[name] if name in files() else (FIXTURES / "exports" / name).read_bytes()


CASES: dict[str, tuple[str, dict[str, str]]] = {
    "good_cp1252.csv": (
        "semicolon",
        {"zone": "Europe/Oslo", "values:Kind": "B=block,P=part,S=setting", "temperature_state": "at_metal"},
    ),
    "good_utf16.txt": ("wide", {"zone": "Europe/Oslo", "values:State": "metal=at_metal,ref20=at_reference"}),
    "block_means.csv": (
        "block_means",
        {
            "column:Screen": "ignore",
            "date_order": "month first",
            "zone": "America/New_York",
            "values:Use": "STD=block,SMP=part,ADJ=setting",
            "codes": "-1=no_contact",
            "temperature_state": "at_reference",
        },
    ),
    "columns_by_spaces.txt": (
        "columns_by_spaces",
        {
            "column:column 1": "measured_date",
            "column:column 2": "measured_time",
            "column:column 3": "lot",
            "column:column 4": "part",
            "column:column 5": "value",
            "column:column 6": "temperature_c",
            "unit": "MS/m",
            "unit:column 6": "degC",
            "date_order": "day first",
            "year": "2026",
            "zone": "site",
            "meter": "OLD-7",
            "role": "part",
            "temperature_state": "at_metal",
        },
    ),
    "report_with_statistics.txt": (
        "report_with_statistics",
        {"column:X1": "ignore", "column:X2": "ignore", "values:State": "R=relative,M=at_metal", "role": "part"},
    ),
    "block_or_product.csv": ("neutral", {}),
}


def readings(data: bytes, layout_text: str) -> list[dict[str, Any]]:
    reading = load(data, parse_layout(layout_text, "proposed.toml"))
    assert reading.held is None, reading.held
    return reading.readings.to_dicts()


@pytest.mark.parametrize("name", CASES)
def test_once_answered_the_proposed_layout_loads_what_the_one_made_by_hand_loads(name: str) -> None:
    layout, answers = CASES[name]
    data = export(name)
    found = suggest(data, name, answers=answers, now=NOW)
    assert [question.key for question in found.questions if question.blocking] == []
    lost = 5 if name == "block_or_product.csv" else 0  # a file of faults, which every layout refuses
    assert (len(found.lost), found.complete) == (lost, not lost)
    wanted = load(data, layouts()[layout]).readings
    got = pl.DataFrame(readings(data, found.layout_text), infer_schema_length=None)
    # names of codes, operators by code and constants beside the readings are a person's to add
    same = [column for column in wanted.columns if column not in ("non_reading", "operator", "temperature_source")]
    plain = wanted.with_columns(pl.col(pl.Categorical).cast(pl.String)).select(same).to_dicts()
    assert got.select(same).to_dicts() == plain
    # the preview takes every block of the file for known
    assert min(5, len(readings(data, found.layout_text))) <= found.preview.height <= 5


def rows_in(name: str) -> int:
    encoding, text, _ = decoded(export(name))
    return len(look_at(text, encoding).rows)


@pytest.mark.parametrize("name", [name for name, (_, answers) in CASES.items() if answers])
def test_what_is_open_is_stated_and_nothing_loads_before_it_is_answered(name: str) -> None:
    found = suggest(export(name), name)
    assert not found.complete
    open_keys = {question.key for question in found.questions if question.blocking}
    assert open_keys <= set(CASES[name][1])
    assert tomllib.loads(found.layout_text)["version"] == 1
    assert "OPEN" in found.layout_text
    with pytest.raises(LayoutError) as refused:
        parse_layout(found.layout_text, "proposed.toml")
    assert "OPEN" in str(refused.value) or "nothing fills" in str(refused.value)
    assert found.preview.height == min(5, rows_in(name))


def keys(found: Suggestion, *, blocking: bool) -> set[str]:
    return {question.key for question in found.questions if question.blocking is blocking}


HEADER = "Serial,When,Lot,Value,Temp,Metal state\n"


def file_of(*rows: str, header: str = HEADER) -> bytes:
    return (header + "".join(row + "\n" for row in rows)).encode()


def test_the_unit_is_never_assumed() -> None:
    found = suggest(file_of("EC-01,2026-03-02T08:00:00Z,L-1,58.12,21.5,at_metal"), "x.csv")
    assert {"unit", "unit:Temp"} <= keys(found, blocking=True)
    unit = next(question for question in found.questions if question.key == "unit")
    assert "58.12" in unit.text
    assert unit.choices == ("MS/m", "%IACS", "Ohm.cm", "uOhm.cm", "nOhm.m")


def test_both_readings_of_an_ambiguous_date_are_shown() -> None:
    found = suggest(file_of("EC-01,03/04/2026 08:00,L-1,58.12,21.5,at_metal"), "x.csv")
    question = next(question for question in found.questions if question.key == "date_order")
    assert "3 April or 4 March" in question.text
    clear = suggest(file_of("EC-01,03/14/2026 08:00,L-1,58.12,21.5,at_metal"), "x.csv")
    assert "date_order" not in keys(clear, blocking=True)
    assert 'format = "%m/%d/%Y %H:%M"' in clear.layout_text


def test_an_ambiguous_decimal_mark_is_asked_for() -> None:
    rows = ("EC-01;2026-03-02T08:00:00Z;L-1;58,125;21;at_metal", "EC-01;2026-03-02T08:00:05Z;L-1;58,250;21;at_metal")
    data = file_of(*rows, header=HEADER.replace(",", ";"))
    found = suggest(data, "x.csv")
    question = next(question for question in found.questions if question.key == "decimal")
    assert "'58,125'" in question.text
    assert "58125" in question.text
    answered = suggest(data, "x.csv", answers={"decimal": ","})
    assert 'decimalChar = ","' in answered.layout_text


def test_codes_among_values_are_named_and_stated() -> None:
    rows = ("EC-01,2026-03-02T08:00:00Z,L-1,58.12,21.5,at_metal", "EC-01,2026-03-02T08:00:05Z,L-1,OVR,n/a,at_metal")
    found = suggest(file_of(*rows), "x.csv")
    assert {"codes", "missing:Temp"} <= keys(found, blocking=False)
    assert '"OVR" = "ovr"' in found.layout_text
    assert 'missingValues = ["n/a"]' in found.layout_text


@pytest.mark.parametrize("named", ["klingon", "idna", "\0"])
def test_an_encoding_that_is_none_is_told(named: str) -> None:
    with pytest.raises(UsageError, match="no encoding of text has that name"):
        suggest(files()["good_cp1252.csv"], "x.csv", answers={"encoding": named})


def test_a_guessed_encoding_shows_the_words_it_rests_on() -> None:
    found = suggest(files()["good_cp1252.csv"], "x.csv")
    question = next(question for question in found.questions if question.key == "encoding")
    assert "Zoë" in question.text
    assert "Åkerlind" in question.text
    assert (
        'encoding = "cp850"' in suggest(files()["good_cp1252.csv"], "x.csv", answers={"encoding": "cp850"}).layout_text
    )


def test_a_missing_last_line_end_is_asked_about() -> None:
    data = file_of("EC-01,2026-03-02T08:00:00Z,L-1,58.12,21.5,at_metal")[:-1]
    found = suggest(data, "x.csv")
    assert "final_newline" in keys(found, blocking=False)
    assert "finalNewline = true" in found.layout_text
    assert "finalNewline = false" in suggest(data, "x.csv", answers={"final_newline": "false"}).layout_text


def test_a_file_without_meter_role_lot_or_state_asks_for_them() -> None:
    found = suggest(b"When;Value [MS/m]\n2026-03-02T08:00:00Z;33.5\n2026-03-02T08:00:05Z;33.6\n", "week 10 (old).csv")
    assert keys(found, blocking=True) == {"meter", "role", "temperature_state", "lot"}
    answers = {"meter": "EC-01", "role": "part", "temperature_state": "at_metal", "lot": "L-1"}
    done = suggest(
        b"When;Value [MS/m]\n2026-03-02T08:00:00Z;33.5\n2026-03-02T08:00:05Z;33.6\n",
        "week 10 (old).csv",
        answers=answers,
    )
    assert done.complete
    assert tomllib.loads(done.layout_text)["name"] == "week_10_old"
    assert done.preview["value"].to_list() == [33.5, 33.6]


def test_a_preview_that_would_be_held_says_so() -> None:
    data = file_of("EC-01,2026-03-02T08:00:00Z,L-1,58.12,21.5,at_metal")
    answers = {"unit": "MS/m", "unit:Temp": "degC", "role": "part", "decimal": ","}
    found = suggest(data, "x.csv", answers=answers)
    assert not found.complete
    assert "not written as the layout declares" in found.preview["held"][0]
    assert found.lost[0].startswith("the file would be held: Line 2, column 'Value'")


def test_lines_that_would_be_lost_are_named_and_nothing_is_called_complete_before_it_was_tried() -> None:
    rows = [f"EC-01,2026-03-02T08:00:{n:02}Z,L-1,58.12,21.5,at_metal" for n in range(3)]
    answers = {"unit": "MS/m", "unit:Temp": "degC", "role": "part"}
    assert suggest(file_of(*rows), "x.csv", answers=answers).complete
    found = suggest(file_of(*rows, "EC-01,2026-03-02T08:00:09Z,L-1,-58.12,21.5,at_metal"), "x.csv", answers=answers)
    assert not found.complete
    assert [line.partition(":")[0] for line in found.lost] == ["line 5"]
    assert found.tried is not None
    assert found.tried.counts["accepted"] == 3


def test_a_decimal_comma_between_commas_is_told_as_such() -> None:
    with pytest.raises(
        UsageError, match=r"numbers have a decimal comma: '58,12' falls into two cells \(7 cells, 6 names\)"
    ):
        suggest(file_of(*["EC-01,2026-03-02T08:00:00Z,L-1,58,12,21,at_metal"] * 3), "x.csv")
    quoted = file_of(*['EC-01,2026-03-02T08:00:00Z,L-1,"58,12",21,at_metal'] * 3)
    answers = {"unit": "MS/m", "unit:Temp": "degC", "role": "part"}
    assert suggest(quoted, "x.csv", answers=answers).preview["value"].to_list() == [58.12] * 3


@pytest.mark.parametrize(
    ("language", "names", "targets"),
    [
        ("german", "Nr. Datum Uhrzeit Charge Probe Meßstelle Leitfähigkeit Temperatur Prüfer Blechdicke", "sequence measured_date measured_time lot part spot value temperature_c operator thickness_mm"),
        ("french", "N° Date Heure Lot Pièce Étalon Conductivité Température Opérateur Épaisseur Écart-type", "sequence measured_date measured_time lot part block value temperature_c operator thickness_mm standard_deviation"),
        ("spanish", "Nº Fecha Hora Lote Pieza Patrón Lectura Temperatura Operador Espesor Observaciones", "sequence measured_date measured_time lot part block value temperature_c operator thickness_mm remark"),
        ("italian", "Numero Data Ora Lotto Pezzo Blocco Conducibilità Temperatura Operatore Matricola Spessore", "sequence measured_date measured_time lot part block value temperature_c operator meter thickness_mm"),
        ("english", "No. Date Time Lot Probe Block Reading Temp Operator Thickness Remark", "sequence measured_date measured_time lot probe block value temperature_c operator thickness_mm remark"),
    ],
)  # fmt: skip
def test_words_of_five_languages_are_known(language: str, names: str, targets: str) -> None:
    """Words of the trade: common practice, no source."""
    words = names.split()
    assert language_of(words) == language
    assert [target_of_name(word, language) for word in words] == targets.split()
    assert target_of_name("Zzyzx", language) is None


def test_a_key_before_the_table_says_what_it_fills_with_its_unit() -> None:
    text = "Date: 14.03.2026\nDevice: EC-01\nFrequency: 60 kHz\nWall [mm]: 1.5\nUnit: MS/m\n\nTime;Lot;Value\n08:00;L-1;58.12\n08:01;L-1;58.15\n"
    answers = {"zone": "UTC", "role": "part", "temperature_state": "at_metal"}
    found = suggest(text.encode(), "x.csv", answers=answers)
    assert found.lost == ()
    row = found.preview.to_dicts()[0]
    assert f"{row['measured_at']:%Y-%m-%d %H:%M}" == "2026-03-14 08:00"
    keys = ("meter", "frequency_khz", "thickness_mm", "unit")
    assert tuple(row[key] for key in keys) == ("EC-01", 60.0, 1.5, "MS/m")


def test_a_figure_below_the_table_that_looks_like_a_reading_is_none() -> None:
    text = "Device;EC-01\n\nLot;When;Value [MS/m]\nL-1;2026-03-02T08:00:00Z;58.12\nL-1;2026-03-02T08:00:05Z;58.16\nMean;;58.14\n"
    found = suggest(text.encode(), "x.csv", answers={"role": "part", "temperature_state": "at_metal"})
    assert (found.lost, found.complete) == ((), True)
    assert found.tried is not None
    assert (found.tried.counts["footer"], found.tried.counts["accepted"]) == (1, 2)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (files()["zip_named_csv.csv"], "ZIP archive"),
        (files()["nul_byte.csv"], "NUL"),
        (b"", "No table"),
        (b"one column\n1\n2\n", "No table"),
    ],
)
def test_what_is_no_table_gets_no_suggestion(data: bytes, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        suggest(data, "x.csv")


def test_a_large_file_is_previewed_from_its_beginning() -> None:
    row = "EC-01,2026-03-02T08:00:00Z,L-1,58.12,21.5,at_metal"
    data = file_of(*[row] * 30_000).decode().encode("utf-16")
    found = suggest(data, "x.csv", answers={"unit": "MS/m", "unit:Temp": "degC", "role": "part"})
    assert found.complete
    assert found.preview.height == 5


def workbook(*sheets: str) -> bytes:
    packed = BytesIO()
    book = xlsxwriter.Workbook(packed, {"in_memory": True})
    day = book.add_format({"num_format": "dd.mm.yyyy hh:mm"})
    for name in sheets:
        sheet = book.add_worksheet(name)
        sheet.write_row(0, 0, ["Gerät", "EC-01"])
        sheet.write_row(2, 0, ["Zeitpunkt", "Charge", "Leitfähigkeit [%IACS]", "Temperatur [°C]"])
        for n in range(3):
            sheet.write_datetime(3 + n, 0, datetime(2026, 3, 2, 8, n), day)  # noqa: DTZ001 - a workbook knows no zone
            sheet.write_row(3 + n, 1, ["C-1", round(58.1 + n / 10, 1), 21.5])
    book.close()
    return packed.getvalue()


def test_a_workbook_is_suggested_like_text_and_tried_as_a_workbook() -> None:
    answers = {"zone": "UTC", "role": "part", "temperature_state": "at_metal"}
    found = suggest(workbook("Messung"), "a.xlsx", answers=answers)
    assert (found.lost, found.complete) == ((), True)
    rows = found.preview.to_dicts()
    assert [(f"{row['measured_at']:%d.%m.%Y %H:%M}", row["meter"], row["lot"], row["value"]) for row in rows] == [
        (f"02.03.2026 08:0{n}", "EC-01", "C-1", round(58.1 + n / 10, 1)) for n in range(3)
    ]


def test_of_several_sheets_a_person_names_the_one_with_readings() -> None:
    data = workbook("Messung", "Notes")
    answers = {"zone": "UTC", "role": "part", "temperature_state": "at_metal"}
    found = suggest(data, "a.xlsx", answers=answers)
    assert [(q.key, q.choices) for q in found.questions if q.blocking] == [("sheets", ("all", "Messung", "Notes"))]
    assert not found.complete
    done = suggest(data, "a.xlsx", answers=answers | {"sheets": "Notes"})
    assert done.complete
    assert done.preview.height == 3
    with pytest.raises(UsageError, match=r"no filled sheet 'Other'\. It has Messung, Notes"):
        suggest(data, "a.xlsx", answers=answers | {"sheets": "Other"})
    with pytest.raises(UsageError):
        suggest(b"PK\x03\x04 damaged", "a.xlsx")
