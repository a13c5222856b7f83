"""Layouts: what is refused and how it is said, and that JSON Schema, parser and shipped layouts agree."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import jsonschema
import pytest
from intake_checks import FIXTURES, builtin_layouts, layouts
from sample_layouts import GOOD

import pipeline.intake
from pipeline.errors import LayoutError
from pipeline.intake.layout import json_schema, parse_layout
from schemas.tables import READING

SCHEMA_FILE = Path(pipeline.intake.__file__).parent / "layout.schema.json"
LAYOUT_FILES = sorted(
    [*FIXTURES.rglob("layouts/*.toml"), *(Path(pipeline.intake.__file__).parent / "layouts").glob("*.toml")]
)


def test_the_good_layout_is_good() -> None:
    layout = parse_layout(GOOD, "good.toml")
    assert (layout.unit, layout.zone, layout.wide, layout.table.fields_match) == ("MS/m", "Europe/Oslo", False, "exact")
    assert layout.constants == {"meter": "EC-01", "role": "part", "temperature_state": "at_metal"}
    assert layout.fields[2].decimal_char == ","


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("delimiter", "delimitr", "key dialect.delimitr: unknown key; did you mean 'delimiter'?"),
        ("version = 1", 'version = 1\ndelimiter = ","', "key delimiter: unknown key; it belongs to dialect"),
        ("version = 1", 'version = 1\ndecimalCar = ","', "did you mean 'schema.decimalChar'?"),
        ("version = 1", "", "key version: missing"),
        ("version = 1", "version = 0", "key version: found 0"),
        ("version = 1", 'version = "1"', "key version: found '1', expected a whole number"),
        ("version = 1", "version = true", "expected a whole number"),
        ('name = "good"', 'name = "a b"', "key name"),
        ('zone = "Europe/Oslo"', 'zone = "Europe/Olso"', "key zone: found 'Europe/Olso'"),
        ('zone = "Europe/Oslo"', 'zone = "offset"', "the format of the times carries no offset"),
        ("%d.%m.%Y %H:%M", "%d.%m.%Y %H:%M %z", "the format of the times carries an offset"),
        ("%d.%m.%Y %H:%M", "%d.%m.%Y %H:%Q", "found %Q"),
        ("%d.%m.%Y %H:%M", "%d.%m.%Y", "expected hours"),
        ("%d.%m.%Y %H:%M", "%d.%m. %H:%M", "has no year"),
        ("%d.%m.%Y %H:%M", "%Y %H:%M", "has not a day"),
        ("%d.%m.%Y %H:%M", "%d.%m.%Y %d %H:%M", "a word twice"),
        ('column = "lot"', 'column = "lto"', "did you mean 'lot'?"),
        ('column = "lot"', "", "expected either column = ... (what it fills) or ignore = true"),
        ('column = "lot"', 'column = "block"\nignore = true', "either column"),
        ('column = "lot"', 'column = "operator"', "nothing fills 'lot' or 'block'"),
        ('column = "lot"', 'column = "meter"', "'meter' is filled from two places"),
        ('column = "lot"', 'column = "lot"\ntype = "number"', "expected 'string' for column lot"),
        ('column = "lot"', 'column = "measured_date"\ntype = "date"', "come as a pair"),
        ('column = "lot"', 'column = "temperature_c"\ntype = "number"', "no unit is ever assumed"),
        (
            'column = "lot"',
            'column = "lot"\nvalues = { a = "b" }\nconstraints = { pattern = "[" }',
            "not a regular expression",
        ),
        ('unit = "MS/m"', "", "nothing fills 'unit'"),
        ('unit = "MS/m"', 'unit = "mS/m"', "did you mean 'MS/m'?"),
        ('unit = "MS/m"', 'unit = "mm"', "expected MS/m, %IACS"),
        ('type = "number"\nunit', "unit", "found 'string', expected 'number' for column value"),
        ('role = "part"', 'role = "parts"', "key constants.role: found 'parts'"),
        ('role = "part"', 'role = "part"\nunit = "MS/m"', "the unit belongs to the field"),
        ('role = "part"', 'role = "part"\ncount = 0', "expected a number of at least 1"),
        ('role = "part"', 'role = "part"\ncount = "3"', "expected a value of type Int64"),
        ('role = "part"', 'role = "part"\nlots = "a"', "unknown column; did you mean 'lot'?"),
        ('role = "part"', "", "nothing fills 'role'"),
        ('temperature_state = "at_metal"', "", "nothing fills 'temperature_state'"),
        ('delimiter = ";"', 'delimiter = ";;"', "expected one character"),
        ('delimiter = ";"', 'delimiter = "\\""', "also stands for another mark"),
        ('delimiter = ";"', 'delimiter = ";"\nencoding = "utf-9"', "unknown encoding 'utf-9'"),
        ('delimiter = ";"', 'delimiter = ";"\nencoding = "hex"', "unknown encoding 'hex'"),
        ('delimiter = ";"', 'delimiter = ","\nquoteChar = ""', "is also a mark inside numbers"),
        ('delimiter = ";"', 'delimiter = ";"\nheader = false\nunitsRow = true', "headerRows or unitsRow is set"),
        ('delimiter = ";"', 'delimiter = ";"\npreambleRows = 2', "serves only without a header"),
        ('delimiter = ";"', 'delimiter = ";"\nlineTerminator = "x"', "expected one of"),
        ('decimalChar = ","', 'decimalChar = ","\ngroupChar = ","', "other than the decimal mark"),
        ('decimalChar = ","', 'decimalChar = ";"', "expected one of '.', ','"),
        ('decimalChar = ","', 'fieldsMatch = "equals"', "did you mean 'equal'?"),
        ("version = 1", 'version = 1\nshape = "wide"', "no field has a namePattern"),
        ('name = "Value"', 'namePattern = "V.*"', "one group for the number"),
        ('meter = "EC-01"', 'meter = "OPEN"', "key constants.meter: found 'OPEN', expected an answer"),
        ("version = 1", "version = ", "not a TOML file"),
    ],
)
def test_what_cannot_be_is_refused_with_the_key_and_what_was_expected(old: str, new: str, said: str) -> None:
    assert GOOD.count(old) == 1 or old in ('name = "good"', "%d.%m.%Y %H:%M")
    with pytest.raises(LayoutError) as refused:
        parse_layout(GOOD.replace(old, new, 1), "good.toml")
    assert said in str(refused.value)
    assert str(refused.value).startswith("good.toml")


def test_the_neutral_layout_has_every_column_of_the_neutral_table() -> None:
    neutral = builtin_layouts()["neutral"]
    # columns that only intake fills stand in no export
    ours = set(READING.names) - {"line", "replicate", "clock", "value_ms_per_m", "non_reading"}
    assert {field.column for field in neutral.fields} == ours
    assert all(field.name == field.column for field in neutral.fields)
    required = {field.name for field in neutral.fields if field.constraints.required}
    assert required == {"measured_at", "meter", "role", "value", "unit", "temperature_state"}
    assert (neutral.table.fields_match, neutral.zone, neutral.dialect.delimiter) == ("superset", "offset", ",")


def test_the_json_schema_file_is_the_one_that_the_keys_declare() -> None:
    assert json.loads(SCHEMA_FILE.read_text(encoding="utf-8")) == json_schema()


def test_the_json_schema_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema(json_schema())
    found = json_schema()
    assert {"name", "zone", "schema", "unitAliases", "match"} < set(found["properties"])
    tables = [found, *found["$defs"].values()]
    assert all(table["additionalProperties"] is False for table in tables)
    assert all(
        "null" not in str(table) and table["properties"].keys() >= set(table.get("required", ())) for table in tables
    )
    assert all("description" in key or "$ref" in key for table in tables for key in table["properties"].values())


@pytest.mark.parametrize("path", LAYOUT_FILES, ids=lambda path: path.name)
def test_every_shipped_layout_satisfies_parser_and_schema(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    layout = parse_layout(text, path.name)
    assert layout.name == path.stem
    assert layout.title
    jsonschema.Draft202012Validator(json_schema()).validate(tomllib.loads(text))


@pytest.mark.parametrize(
    ("old", "new"), [("delimiter", "delimitr"), ("version = 1", 'version = "1"'), ('column = "lot"', 'column = "lto"')]
)
def test_schema_and_parser_refuse_the_same(old: str, new: str) -> None:
    text = GOOD.replace(old, new, 1)
    with pytest.raises(LayoutError):
        parse_layout(text, "x")
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(json_schema()).validate(tomllib.loads(text))


def test_example_layouts_are_documented_in_ten_lines_or_so() -> None:
    for path in sorted((FIXTURES / "layouts").glob("*.toml")):
        assert 8 <= len(layouts()[path.stem].description.strip().splitlines()) <= 14


def refused(text: str) -> list[str]:
    with pytest.raises(LayoutError) as error:
        parse_layout(text, "good.toml")
    return str(error.value).split("\n")


def test_all_that_is_wrong_is_said_at_once_each_with_its_line() -> None:
    text = GOOD
    for old, new in (
        ("delimiter", "delimitr"),
        ('unit = "MS/m"', 'unit = "mS/m"'),
        ('column = "lot"', 'column = "lto"'),
        ('zone = "Europe/Oslo"', "zone = 1"),
    ):
        text = text.replace(old, new)
    units = "MS/m, %IACS, Ohm.cm, uOhm.cm, nOhm.m"
    lines = text.split("\n")
    said = refused(text)
    assert [one.partition(", key ")[0] for one in said] == [f"good.toml, line {n}" for n in (4, 6, 16, 21)]
    assert said[0].endswith("key zone: found 1, expected a text")
    assert said[1].endswith("key dialect.delimitr: unknown key; did you mean 'delimiter'?")
    assert said[3].startswith(f"good.toml, line 21, key schema.fields[3].unit: found 'mS/m', expected one of {units}")
    assert said[3].endswith("; did you mean 'MS/m'?")
    assert lines[5].startswith("delimitr")
    assert lines[20].startswith("unit = ")


def test_what_keys_contradict_is_said_at_once_too() -> None:
    text = GOOD.replace('role = "part"', 'role = "parts"\nyear = 1').replace("version = 1", "version = 0")
    said = refused(text)
    assert [one.partition(", key ")[2].partition(":")[0] for one in said] == [
        "version",
        "constants.role",
        "constants.year",
    ]
    # a key that is missing has the line of the table that should hold it, and none where that is the file
    (said,) = refused(GOOD.replace('role = "part"\n', ""))
    assert said.startswith("good.toml, line 7, key schema.fields: nothing fills 'role'; expected a field, a key or")
    assert refused(GOOD.replace("version = 1\n", ""))[0].startswith("good.toml, key version: missing; Raised")


def test_lines_are_told_after_texts_of_several_lines_and_inside_inline_tables() -> None:
    text = GOOD.replace(
        "version = 1", "version = 1\ndescription = '''\nzone = 1\n[dialect]\n'''\nmatch = { folder = '[' }"
    )
    assert refused(text) == [
        "good.toml, line 8, key match.folder: '[' is not a regular expression: unterminated character set at position 0"
    ]


def test_of_a_file_of_another_kind_twenty_errors_are_said() -> None:
    said = refused(GOOD + "".join(f"k{n:02} = [1]\n" for n in range(30)))
    assert len(said) == 21
    assert said[-1] == "good.toml: and 10 more"


def test_marks_of_the_schema_hold_for_every_field_that_has_none_of_its_own() -> None:
    text = GOOD.replace('decimalChar = ","', 'decimalChar = ","\ngroupChar = "."\nmissingValues = ["", "-"]')
    layout = parse_layout(text.replace('unit = "MS/m"', 'unit = "MS/m"\ndecimalChar = "."\ngroupChar = ""'), "x")
    assert [field.decimal_char for field in layout.fields] == [",", ",", "."]
    assert [field.group_char for field in layout.fields] == [".", ".", None]
    assert [field.missing_values for field in layout.fields] == [("-",)] * 3
    assert len(refused(GOOD.replace('decimalChar = ","', 'decimalChar = ";"'))) == 1
