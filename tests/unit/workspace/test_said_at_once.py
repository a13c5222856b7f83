"""What is wrong with settings and reference tables is said at once, with line and nearest allowed value."""

from __future__ import annotations

from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import pytest

from pipeline.errors import ReferenceTableError, SettingsError, UsageError
from pipeline.intake.tables import parse_table, parse_tables
from pipeline.load.check_workspace import check_all, misspelt_names
from pipeline.near import MOST_SAID, misspelt, nearest
from pipeline.workspace.new_workspace import create_workspace, table_template
from pipeline.workspace.settings import read_settings
from schemas.reference_tables import REFERENCE_TABLES

if TYPE_CHECKING:
    from pathlib import Path

OSLO = ZoneInfo("Europe/Oslo")


def said(table: str, text: str) -> list[str]:
    with pytest.raises(ReferenceTableError) as wrong:
        parse_table(REFERENCE_TABLES[table], text, where=f"reference/{table}.csv", zone=OSLO)
    return str(wrong.value).splitlines()


def test_every_wrong_cell_of_a_table_is_said_with_its_place() -> None:
    lines = said(
        "specifications",
        "# limits\nspecification,lower,upper,unit,conforms_by\nS1,fifty,60,MS/m,part\nS2,61,60,MS/m,spot\n\nS3,57,60,MSm,lotmean\n"
        "S4,57\nS1,57,60,MS/m,spot\n",
    )
    assert lines == [
        "reference/specifications.csv, line 3, column lower: found 'fifty'; expected a number with a decimal point.",
        "reference/specifications.csv, line 4: lower = 61 is not below upper = 60.",
        (
            "reference/specifications.csv, line 6, column unit: found 'MSm'; expected one of MS/m, %IACS, Ohm.cm, uOhm.cm, nOhm.m; "
            "did you mean 'MS/m'?"
        ),
        (
            "reference/specifications.csv, line 6, column conforms_by: found 'lotmean'; expected one of spot, part, lot_mean, k_method; "
            "did you mean 'lot_mean'?"
        ),
        "reference/specifications.csv, line 7: 2 cells, expected 5 as in the header. Check commas and quotes.",
        (
            "reference/specifications.csv, line 8: S1 stands in line 3 already with the same valid_from. Give a new version its own "
            "valid_from, or remove one."
        ),
    ]


def test_every_wrong_column_of_a_header_is_said() -> None:
    lines = said("lots", "lott,product,product,qqq\nL1,a,b,c\n")
    assert "line 1, column 1: unknown column 'lott'; did you mean 'lot'?" in lines[0]
    assert "unknown column 'qqq'. Known columns: lot" in lines[1]
    assert "'product' stands twice" in lines[2]
    assert "column 'lot' is missing" in lines[3]


def test_only_so_many_are_said() -> None:
    wrong = "".join(f"L{n},x\n" for n in range(MOST_SAID + 2))
    lines = said("lots", f"lot,thickness_mm\n{wrong}")
    assert len(lines) == MOST_SAID + 1
    assert lines[-1] == "reference/lots.csv: and 2 more"
    assert len(said("lots", "lot,thickness_mm\n" + "".join(f"L{n},x\n" for n in range(MOST_SAID)))) == MOST_SAID


def test_all_tables_are_read_before_anything_is_said() -> None:
    with pytest.raises(ReferenceTableError) as wrong:
        parse_tables({"blox": "", "lots": "lott\n", "meters": "meter,range_low_ms_per_m\nM1,x\n"}, zone=OSLO)
    assert [line.split(",")[0].split(" is")[0] for line in str(wrong.value).splitlines()] == [
        "reference/blox.csv", "reference/meters.csv", "reference/lots.csv", "reference/lots.csv",
    ]  # fmt: skip


def test_comments_stand_before_the_header_only() -> None:
    text = '# a note, with a comma\n"# as a spreadsheet saves it, again",,\n\nlot,product,heat\n#7,bar,\n'
    frame = parse_table(REFERENCE_TABLES["lots"], text, where="lots", zone=OSLO)
    assert frame["lot"].to_list() == ["#7"]


def test_a_new_table_says_what_its_columns_hold() -> None:
    for table in REFERENCE_TABLES.values():
        text = table_template(table)
        assert parse_table(table, text, where=table.name, zone=OSLO).height == 0
        lines = text.splitlines()
        assert lines[-1] == ",".join(table.names)
        assert [line.split(":")[0] for line in lines[1:-1]] == [f"# {column.name}" for column in table]
    blocks = table_template(REFERENCE_TABLES["blocks"])
    assert "MS/m | %IACS | Ohm.cm" in blocks
    assert "Always needed." in next(line for line in blocks.splitlines() if line.startswith("# block:"))


def test_all_settings_are_read_before_anything_is_said() -> None:
    with pytest.raises(SettingsError) as wrong:
        read_settings(
            'tolerence = 1\nunit = "MSm"\n\nbaseline_checks = "many"\n[block_tolerance]\n"KB-01" = 0\n', "annealog.toml"
        )
    lines = str(wrong.value).splitlines()
    assert lines[0] == "annealog.toml, line 1: unknown key 'tolerence'; did you mean 'tolerance'?"
    assert lines[1].startswith("annealog.toml, line 4: baseline_checks = 'many': expected a whole number")
    assert lines[2].startswith("annealog.toml, line 2: unit = 'MSm': expected one of MS/m")
    assert lines[2].endswith("did you mean 'MS/m'?")
    assert lines[3] == "annealog.toml, line 5: block_tolerance.KB-01 = 0: expected a number above 0."
    assert len(lines) == 4


def test_settings_tables_and_layouts_hide_nothing_of_each_other(tmp_path: Path) -> None:
    folder = tmp_path / "works"
    create_workspace(folder)
    assert check_all(folder)[0]["blocks"].height == 0
    (folder / "annealog.toml").write_text("tolerence = 1\n", encoding="utf-8")
    (folder / "reference" / "meters.csv").write_text("metr\nM1\n", encoding="utf-8")
    (folder / "layouts" / "a.toml").write_text("name = 1\n", encoding="utf-8")
    with pytest.raises(UsageError) as wrong:
        check_all(folder)
    found = str(wrong.value)
    assert all(text in found for text in ("tolerence", "reference/meters.csv, line 1", "layouts/a.toml")), found


def test_names_in_tables_that_are_near_a_registered_one_are_told() -> None:
    tables = parse_tables(
        {
            "blocks": "block,material\nKB-01,copper\nKB-02,coper\nKB-03,tungsten\n",
            "hardness": "lot,value,scale\nL-0072,90,HRB\nl-71,91,HRB\n",
            "lots": "lot\nL-0071\n",
            "materials": "material\ncopper\n",
            "meters": "meter\nEC-01\n",
            "probes": "probe,meter\nP-1,ec-1\nP-2,EC-01\n",
        },
        zone=OSLO,
    )
    assert misspelt_names(tables) == [
        "reference/probes.csv, P-1: meter 'ec-1' does not stand in reference/meters.csv; did you mean 'EC-01'?",
        "reference/blocks.csv, KB-02: material 'coper' does not stand in reference/materials.csv; did you mean 'copper'?",
        "reference/hardness.csv, l-71: lot 'l-71' does not stand in reference/lots.csv; did you mean 'L-0071'?",
    ]


@pytest.mark.parametrize(
    ("word", "words", "near"),
    [
        ("kb-01", ["KB-1", "KB-01"], "KB-01"),
        ("KB1", ["KB-10", "KB-01"], "KB-01"),
        ("BL_C1", ["BL-C2", "BL-C1"], "BL-C1"),
        ("L-0107", ["L-0106", "L-0017"], "L-0106"),
        ("x", ["KB-01"], None),
        ("", ["KB-01"], None),
        ("KB-100", [f"Q-{n}" for n in range(5000)] + ["KB-0100"], "KB-0100"),
        ("KB-1O0", [f"Q-{n}" for n in range(5000)] + ["KB-100"], "KB-100"),
    ],
)  # fmt: skip
def test_the_nearest_name_is_offered(word: str, words: list[str], near: str | None) -> None:
    assert nearest(word, words) == (f"; did you mean '{near}'?" if near else "")


def test_a_name_is_misspelt_where_its_numbers_are_those_of_a_known_one() -> None:
    known = ["KB-01", "KB-02", "Brimhavel Rolling"]
    assert misspelt(["kb-1", "KB-02", "KB-03", "xx-02", "Brimhavel Roling", "Other"], known) == {
        "Brimhavel Roling": "Brimhavel Rolling", "kb-1": "KB-01",
    }  # fmt: skip
    assert misspelt(["kb-1"], []) == {}
