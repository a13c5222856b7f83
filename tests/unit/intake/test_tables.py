"""Reference tables: every cell just inside and just outside of what it may be, with the words of the refusal."""

from __future__ import annotations

import contextlib
import re
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import pytest

from pipeline.errors import ReferenceTableError
from pipeline.intake import tables as module
from pipeline.intake.tables import TablesLater, parse_table, parse_tables
from schemas.reference_tables import REFERENCE_TABLES

if TYPE_CHECKING:
    import polars as pl

OSLO = ZoneInfo("Europe/Oslo")


def read(name: str, text: str, zone: ZoneInfo = OSLO) -> pl.DataFrame:
    found = parse_table(REFERENCE_TABLES[name], text, where="x.csv", zone=zone)
    # a text with a quote in it is read row by row, and says the same
    quoted = text if '"' in text else re.sub(r"^\w+", r'"\g<0>"', text, count=1, flags=re.MULTILINE)
    assert found.equals(parse_table(REFERENCE_TABLES[name], quoted, where="x.csv", zone=zone))
    return found


def wrong(name: str, text: str) -> list[str]:
    # as it is, not by way of `read`: what reads row by row would refuse what the other way let pass
    with pytest.raises(ReferenceTableError) as refused:
        parse_table(REFERENCE_TABLES[name], text, where="x.csv", zone=OSLO)
    return str(refused.value).splitlines()


def moment(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)  # type: ignore[misc,arg-type]


@pytest.mark.parametrize(
    ("table", "column", "text", "value"),
    [
        ("specifications", "lower", "57", 57.0),
        ("specifications", "lower", "+57.25", 57.25),
        ("specifications", "lower", "-.5e-1", -0.05),
        ("specifications", "lower", "5.E+1", 50.0),
        ("specifications", "lower", " 57 ", 57.0),
        ("specifications", "lower", "  ", None),
        ("specifications", "parts", "+3", 3),
        ("specifications", "parts", "9" * 18, 10**18 - 1),
        ("specifications", "hardness_required", "Yes", True),
        ("specifications", "hardness_required", "no", False),
        ("specifications", "hardness_required", "TRUE", True),
        ("specifications", "hardness_required", "false", False),
        ("specifications", "rounding", "none", "none"),
        ("specifications", "rounding", "half_up:0", "half_up:0"),
        ("specifications", "k", "1e-15", 1e-15),
        ("specifications", "upper", "1e15", 1e15),
        ("specifications", "rounding", "half_even:9", "half_even:9"),
        ("specifications", "source", "half_up", "half_up"),  # a rule of the column of rounding alone
        # a day begins at midnight of the site; a time without an offset is the site's, one with it is what it says
        ("lots", "received_on", "2026-03-02", moment(2026, 3, 1, 23)),
        ("lots", "received_on", "2026-03-02 07:30", moment(2026, 3, 2, 6, 30)),
        ("lots", "received_on", "2026-03-02T07:30:00Z", moment(2026, 3, 2, 7, 30)),
        ("lots", "received_on", "2026-07-02T07:30:00-05:00", moment(2026, 7, 2, 12, 30)),
    ],
)
def test_a_cell_is_read_as_its_column_declares(table: str, column: str, text: str, value: Any) -> None:
    key = REFERENCE_TABLES[table].key[0]
    assert read(table, f"{key},{column},unit\nA,{text},MS/m\n" if table == "specifications" else f"{key},{column}\nA,{text}\n")[column][0] == value  # fmt: skip


@pytest.mark.parametrize(
    ("table", "column", "text", "said"),
    [
        ("specifications", "lower", "57,5", "expected a number with a decimal point."),
        ("specifications", "lower", "1e", "expected a number with a decimal point."),
        ("specifications", "lower", ".", "expected a number with a decimal point."),
        ("specifications", "lower", "nan", "expected a number with a decimal point."),
        ("specifications", "k", "1e999", "expected a finite number."),
        ("specifications", "upper", "1.01e15", "expected 0, or a number from 1e-15 to 1e+15 in size."),
        ("specifications", "lower", "-1e308", "expected 0, or a number from 1e-15 to 1e+15 in size."),
        ("specifications", "k", "0.99e-15", "expected 0, or a number from 1e-15 to 1e+15 in size."),
        ("specifications", "parts", "3.0", "expected a whole number."),
        ("specifications", "parts", "0", "expected a number of at least 1."),
        ("specifications", "hardness_required", "y", "expected yes or no."),
        ("specifications", "rounding", "half_up", "expected none, half_up:N or half_even:N with N decimals from 0 to 9."),
        ("specifications", "rounding", "half_up:10", "expected none, half_up:N or half_even:N with N decimals from 0 to 9."),
        ("specifications", "specification", "", "a value is needed here."),
        ("specifications", "unit", "MSm", "expected one of MS/m, %IACS, Ohm.cm, uOhm.cm, nOhm.m; did you mean 'MS/m'?"),
        ("specifications", "decision_rule", "perhaps", "expected one of simple, guarded."),
        ("lots", "received_on", "02.03.2026", "expected a date such as 2026-03-02, or a date and time with offset."),
        ("lots", "received_on", "2026-02-30", "expected a date such as 2026-03-02, or a date and time with offset."),
        ("lots", "received_on", "0001-01-01", "expected a time in the years 1900 to 2200."),
        ("lots", "received_on", "2201-01-02", "expected a time in the years 1900 to 2200."),
        ("lots", "heat", "H\u200b1", "expected text without marks that nobody sees."),
    ],
)  # fmt: skip
def test_a_cell_that_is_not_is_told_with_file_line_column_and_what_was_expected(
    table: str, column: str, text: str, said: str
) -> None:
    key = REFERENCE_TABLES[table].key[0]
    header, row = (f"{key},{column}", f'A,"{text}"') if column != key else (key, f'"{text}"')
    more = "source" if table == "specifications" else "line"
    assert wrong(table, f"{header},{more}\n\n{row},x\n") == [f"x.csv, line 3, column {column}: found {text!r}; {said}"]


def test_comments_stand_before_the_header_alone_and_blank_rows_anywhere() -> None:
    found = read("lots", ' # made up\n#x,y\n\nlot,heat\n,\n#7,H\n , \t\n\n"L\n1",H\n')
    assert found.select("lot", "heat").rows() == [("#7", "H"), ("L\n1", "H")]
    assert read("lots", "").equals(REFERENCE_TABLES["lots"].empty())
    assert read("lots", "# nothing yet\n\n").equals(REFERENCE_TABLES["lots"].empty())
    # a cell over two lines counts as both; the row is named by its first
    short, later = wrong("lots", 'lot,heat\n"L\n1",H\nL2\n,H\n')
    assert short.startswith("x.csv, line 4: 1 cells, expected 2 as in the header")
    assert later.startswith("x.csv, line 5, column lot: ")
    assert wrong("lots", 'lot,heat\nL1,"H') == [
        "x.csv, line 2: unexpected end of data. Expected comma-separated text with closed quotes."
    ]
    assert wrong("lots", 'lot,heat\nL1,H\nL2,"H"x\n')[0].startswith("x.csv, line 3: ")


def test_a_header_is_told_all_that_is_wrong_with_it_and_spaces_around_names_mean_nothing() -> None:
    assert read("suppliers", " supplier , valid_from\nS,\n")["supplier"].to_list() == ["S"]
    lines = wrong("calibrations", "# x\nmeter,condition,nominall,unit,calibrated_on,qqq,meter,meter\n")
    assert [line.removeprefix("x.csv, line 2, ")[:60] for line in lines] == [
        "column 3: unknown column 'nominall'; did you mean 'nominal'?",
        "column 6: unknown column 'qqq'. Known columns: meter, calibr",
        "column 'meter' stands twice. Keep one.",
        "column 'nominal' is missing; Reference value of the point.",
    ]


def test_lines_end_as_the_system_ends_them_and_text_beyond_ascii_is_text() -> None:
    rows = [("L1", "Ærø"), ("L2", None), ("L3", "a b")]
    text = "lot,heat\r\nL3, a b \r\n , \r\nL1,Ærø\r\nL2,\r\n"
    assert read("lots", text).select("lot", "heat").rows() == rows
    assert read("lots", text.replace("\r\n", "\n").strip()).select("lot", "heat").rows() == rows
    assert read("lots", text.replace(" a b ", "\u00a0a b\t")).select("lot", "heat").rows() == rows
    assert read("lots", "lot,heat\n").height == 0
    assert wrong("lots", "lot,heat\nL1\n")[0].startswith("x.csv, line 2: 1 cells, expected 2")
    assert wrong("lots", "lot,heat\nL1,a,b\n")[0].startswith("x.csv, line 2: 3 cells, expected 2")
    assert wrong("lots", "lot,heat\nL1,a\nL1,b\n")[0].startswith("x.csv, line 3: L1 stands in line 2 already")


def test_versions_of_a_row_have_their_own_valid_from_and_stand_in_order() -> None:
    head = "meter,unit,valid_from\n"
    found = read("meters", f"{head}M2,MS/m,\nM1,%IACS,2026-03-02\nM1,MS/m,\nM1,MS/m,2026-01-02\n")
    assert found.select("meter", "unit").rows() == [("M1", "MS/m"), ("M1", "MS/m"), ("M1", "%IACS"), ("M2", "MS/m")]
    assert found["valid_from"].null_count() == 2
    assert wrong("meters", f"{head}M1,MS/m,2026-03-02\nM2,MS/m,2026-03-02\nM1,%IACS,2026-03-02\n") == [
        "x.csv, line 4: M1 stands in line 2 already with the same valid_from. Give a new version its own valid_from, or remove one."
    ]  # fmt: skip
    twice = wrong(
        "calibrations", "meter,calibrated_on,condition,nominal,unit\n" + "M1,2026-03-02,as_found,58,MS/m\n" * 2
    )
    assert "M1, 2026-03-01 23:00:00+00:00, as_found, 58.0 stands in line 2 already" in twice[0]


NEEDS_K = "conforms_by = k_method needs a k, or with two limits a most_nonconforming_percent (M)."
CALIBRATION = "meter,calibrated_on,condition,nominal,unit"


@pytest.mark.parametrize(
    ("table", "header", "row", "said"),
    [
        ("specifications", "specification,lower,upper,unit", "S,57,57.01,MS/m", None),
        ("specifications", "specification,lower,upper,unit", "S,57,57,MS/m", "lower = 57 is not below upper = 57."),
        ("specifications", "specification,lower,unit", "S,57,MS/m", None),
        ("specifications", "specification,lower", "S,57", "limits need a unit."),
        ("specifications", "specification,upper", "S,57", "limits need a unit."),
        ("specifications", "specification,target", "S,57", None),
        ("specifications", "specification,conforms_by,k", "S,k_method,1.5", None),
        ("specifications", "specification,conforms_by,k", "S,k_method,", NEEDS_K),
        ("specifications", "specification,conforms_by,k", "S,lot_mean,", None),
        ("specifications", "specification,conforms_by,most_nonconforming_percent,lower,upper,unit", "S,k_method,2,57,60,MS/m", None),
        ("specifications", "specification,conforms_by,most_nonconforming_percent,lower,unit", "S,k_method,2,57,MS/m",
         "conforms_by = k_method with one limit needs a k; most_nonconforming_percent (M) is for two limits."),
        ("specifications", "specification,conforms_by,most_nonconforming_percent,upper,unit", "S,k_method,2,57,MS/m",
         "conforms_by = k_method with one limit needs a k; most_nonconforming_percent (M) is for two limits."),
        ("specifications", "specification,conforms_by,k,decision_rule", "S,k_method,1.5,simple", None),
        ("specifications", "specification,conforms_by,k,decision_rule", "S,k_method,1.5,guarded",
         "the k method has no guarded rule; use decision_rule = simple."),
        ("specifications", "specification,conforms_by,decision_rule", "S,part,guarded", None),
        ("hardness", "lot,value,lower,upper", "L,80,90,80", "lower = 90 is not below upper = 80."),
        ("hardness", "lot,value,lower", "L,80,90", None),
        ("studies", "run,kind,tolerance,unit", "G,crossed,3,MS/m", None),
        ("studies", "run,kind,tolerance", "G,crossed,3", "a tolerance and its unit go together."),
        ("studies", "run,kind,unit", "G,crossed,MS/m", "a tolerance and its unit go together."),
        ("calibrations", f"{CALIBRATION},tolerance", "M1,2026-03-02,as_found,58,MS/m,", None),
        ("blocks", "block,certified_value,unit", "B,58,MS/m", None),
        ("blocks", "block,certified_value", "B,58", "a certified value needs a unit."),
        ("blocks", "block,unit", "B,MS/m", None),
        ("materials", "material,temperature_model,coefficient", "m,linear,0.004", None),
        ("materials", "material,temperature_model", "m,linear", "a temperature model and its coefficient go together."),
        ("materials", "material,coefficient", "m,0.004", "a temperature model and its coefficient go together."),
        ("corrections", "correction,kind,low,high,value,unit", "C,thickness,0.3,0.4,1,MS/m", None),
        ("corrections", "correction,kind,low,high,value,unit", "C,thickness,0.4,0.4,1,MS/m", "low = 0.4 is not below high = 0.4."),
        ("corrections", "correction,kind,high,value,unit", "C,thickness,0.4,1,MS/m", None),
        ("corrections", "correction,kind,low,value,unit", "C,thickness,0.4,1,MS/m", None),
        ("corrections", "correction,kind,value", "C,thickness,1", "a correction needs a unit, MS/m or %IACS."),
        ("corrections", "correction,kind,low", "C,thickness,0.4", None),
        ("blocks", "block,expanded_uncertainty,coverage_factor", "B,0.2,2", None),
        ("blocks", "block,expanded_uncertainty", "B,0.2", "an expanded uncertainty needs its coverage factor."),
        ("blocks", "block,coverage_factor", "B,2", None),
    ],
)  # fmt: skip
def test_rules_across_the_columns_of_a_row(table: str, header: str, row: str, said: str | None) -> None:
    if said is None:
        assert read(table, f"{header}\n{row}\n").height == 1
    else:
        assert wrong(table, f"{header}\n{row}\n") == [f"x.csv, line 2: {said}"]


@pytest.mark.parametrize("contract", [True, False])
def test_all_tables_are_read_together_and_all_that_is_wrong_is_said_at_once(contract: bool) -> None:
    found = parse_tables({"suppliers": "supplier\nS\n"}, zone=OSLO, contract=contract)
    assert list(found) == list(REFERENCE_TABLES)
    assert (found["suppliers"]["supplier"].to_list(), found["lots"].height) == (["S"], 0)
    # the same text gives a frame of its own each time
    assert (
        parse_tables({"suppliers": "supplier\nS\n"}, zone=OSLO, contract=contract)["suppliers"]
        is not found["suppliers"]
    )
    with pytest.raises(ReferenceTableError) as refused:
        parse_tables(
            {"supplier": "", "zzz": "", "yyy": "", "xxx": "", "lots": "lott\n", "blocks": "block,block\n"},
            zone=OSLO,
            contract=contract,
        )
    lines = str(refused.value).splitlines()
    assert [line.partition(". Known")[0] for line in lines] == [
        "reference/supplier.csv is no reference table; did you mean 'suppliers'?",
        *(f"reference/{name}.csv is no reference table" for name in ("xxx", "yyy", "zzz")),
        "reference/blocks.csv, line 1, column 'block' stands twice. Keep one.",
        "reference/lots.csv, line 1, column 1: unknown column 'lott'; did you mean 'lot'?",
        "reference/lots.csv, line 1, column 'lot' is missing; Lot.",
    ]
    assert lines[3].startswith("reference/zzz.csv is no reference table. Known tables: meters, probes, blocks, ")


def test_only_what_is_taken_over_is_held_against_the_contract(monkeypatch: pytest.MonkeyPatch) -> None:
    held: list[str] = []

    def require(table: Any, frame: pl.DataFrame) -> pl.DataFrame:
        held.append(table.name)
        return frame

    monkeypatch.setattr(module, "require", require)
    texts = {"suppliers": "supplier\nof the contract\n"}
    parse_tables(texts, zone=OSLO, contract=False)
    assert held == []
    parse_tables(texts, zone=OSLO)
    assert held == ["suppliers"]


def test_a_table_that_is_read_later_is_the_same_and_an_unknown_name_is_told_at_once() -> None:
    texts = {"lots": "lot,product,material\nL1,bar,copper\n"}
    later, now = TablesLater(texts, OSLO), parse_tables(texts, zone=OSLO)
    assert list(later) == list(now)
    assert len(later) == len(now)
    assert all(later[name].equals(table) and later[name] is later[name] for name, table in now.items())
    with pytest.raises(ReferenceTableError, match=r"reference/lotz\.csv is no reference table"):
        TablesLater({"lotz": ""}, OSLO)
    wrong = TablesLater({"lots": "lot,prodcut\nL1,bar\n"}, OSLO)
    with pytest.raises(ReferenceTableError, match="prodcut"):
        wrong["lots"]


LOTS = "lot,product,received_on\nA,P1,2026-03-02\nB,P2,2026-03-03\n"


@pytest.mark.parametrize(
    ("text", "by_columns"),
    [
        (LOTS, True),
        (LOTS.removesuffix("\n"), True),
        (LOTS.replace("\n", "\r\n"), True),
        (LOTS.replace("B,", "\n , ,\n\nB,"), True),
        ("# of March\n  # and more\n\n" + LOTS, True),
        (LOTS.replace("product", " product "), True),
        (LOTS.replace("P2", "  P2 "), True),
        (LOTS.replace("P2", ""), True),
        (LOTS.replace("P2", "Ø 3"), True),
        ("lot\nA\nB\n", True),
        (LOTS.replace("P2", '"P2"'), False),
        (LOTS.replace("P2", "P\t2"), False),
        (LOTS.replace("P2", "P\r2"), False),
        (LOTS.replace("P2", "P\u200b2"), False),
        (LOTS.replace("P2", "P\u00a02"), False),
        ("", False),
        ("# nothing\n", False),
        (LOTS.replace(",2026-03-03", ""), False),
        (LOTS.replace("2026-03-03", "2026-03-03,"), False),
        (LOTS.replace("A,", ","), False),
        (LOTS.replace("2026-03-03", "3 March"), False),
        (LOTS.replace("B,", "A,"), False),
        (LOTS.replace("product", "colour"), False),
    ],
)
def test_a_text_without_anything_special_or_wrong_is_read_by_columns_and_no_other(
    monkeypatch: pytest.MonkeyPatch, text: str, by_columns: bool
) -> None:
    slowly: list[str] = []
    rows = module._rows
    monkeypatch.setattr(module, "_rows", lambda text, where: slowly.append(where) or rows(text, where))
    with contextlib.suppress(ReferenceTableError):
        parse_table(REFERENCE_TABLES["lots"], text, where="x.csv", zone=OSLO)
    assert slowly == ([] if by_columns else ["x.csv"])
