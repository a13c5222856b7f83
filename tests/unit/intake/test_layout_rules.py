"""Every rule of a layout, kept just inside and refused just outside, with what is said."""

from __future__ import annotations

import pytest
from sample_layouts import GOOD

from pipeline.errors import LayoutError
from pipeline.intake.layout import parse_layout

VALUE = 'column = "value"\ntype = "number"\nunit = "MS/m"'
DATE = 'column = "measured_at"\ntype = "datetime"\nformat = "%d.%m.%Y %H:%M"'
NO_HEADER = 'delimiter = ";"\nheader = false'
LINE_1 = "version = 1"
LOT = 'name = "Lot"\ncolumn = "lot"'
END = 'temperature_state = "at_metal"'
NO_ROLE = 'role = "part"\n'
WIDE = 'shape = "wide"'


def _keys(table: str, *keys: str, more: str = "") -> str:
    return f"{END}\n[{table}]\n{more}\nkeys = [{', '.join(keys)}]"


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        # names and versions
        ([('name = "good"', 'name = "9a_-B"')], None),
        ([('name = "good"', 'name = "-a"')], "key name: found '-a', expected letters"),
        ([('name = "good"', 'name = "a.b"')], "key name: found 'a.b'"),
        ([(LINE_1, "version = 2")], None),
        # zones
        ([('zone = "Europe/Oslo"', 'zone = "site"')], None),
        ([('zone = "Europe/Oslo"\n', "")], None),
        ([('zone = "Europe/Oslo"', 'zone = "offset"'), ("%H:%M", "%H:%M %z")], None),
        ([('zone = "Europe/Oslo"\n', ""), ("%H:%M", "%H:%M %z")], None),
        ([('zone = "Europe/Oslo"', 'zone = "site"'), ("%H:%M", "%H:%M %z")], "found 'site', but the format of the times carries an offset"),
        ([('zone = "Europe/Oslo"', 'zone = "../Oslo"')], "found '../Oslo', expected 'offset', 'site' or a name"),
        ([('zone = "Europe/Oslo"', 'zone = "Europe"')], "found 'Europe', expected 'offset', 'site' or a name"),
        ([(LINE_1, LINE_1 + '\nunit_aliases = { "MS/m" = ["S"] }')], "did you mean 'unitAliases'?"),
        ([(LINE_1, LINE_1 + '\nunitAliases = { "MS/m" = ["S"], mm = ["millimetre"] }')], None),
        ([(LINE_1, LINE_1 + '\nunitAliases = { "mS/m" = ["S"] }')], "key unitAliases.mS/m: unknown unit"),
        # marks: the delimiter inside numbers
        ([('delimiter = ";"', 'delimiter = ","'), ('decimalChar = ","', 'decimalChar = "."')], None),
        ([('delimiter = ";"', 'delimiter = ","\nquoteChar = ""'), ('decimalChar = ","', 'decimalChar = "."')], None),
        ([('delimiter = ";"', 'delimiter = "\'"\nquoteChar = ""'), (VALUE, VALUE + '\ngroupChar = "\'"')], "is also a mark inside numbers"),
        ([('delimiter = ";"', 'delimiter = "\'"\nquoteChar = "|"'), (VALUE, VALUE + '\ngroupChar = "\'"')], None),
        ([('delimiter = ";"', 'delimiter = ","\nquoteChar = ""'), ('decimalChar = ","', 'decimalChar = "."'), (LOT, LOT + '\n[[schema.fields]]\nname = "N"\ncolumn = "sequence"\ntype = "integer"\ndecimalChar = ","')], "is also a mark inside numbers"),
        ([('delimiter = ";"', 'delimiter = ","\nquoteChar = ""'), ('decimalChar = ","', 'decimalChar = "."'), (LOT, LOT + '\n[[schema.fields]]\nname = "N"\nignore = true\ntype = "number"\ndecimalChar = ","')], None),
        ([('delimiter = ";"', 'delimiter = ","\nquoteChar = ""'), ('decimalChar = ","', 'decimalChar = "."'), (LOT, LOT + '\ndecimalChar = ","')], None),
        ([('delimiter = ";"', 'delimiter = ";"\ncommentChar = ";"')], "also stands for another mark"),
        ([('delimiter = ";"', 'delimiter = ";"\ncommentChar = "#"')], None),
        ([('delimiter = ";"', 'delimiter = ""')], "key dialect.delimiter: found '', expected at least one character"),
        ([('delimiter = ";"', 'delimiter = "§"')], "expected one character of ASCII"),
        ([('delimiter = ";"', 'delimiter = "\\n"')], "expected one character of ASCII"),
        ([('delimiter = ";"', 'delimiter = "\\r"')], "expected one character of ASCII"),
        ([('delimiter = ";"', 'delimiter = "\\u0000"')], "expected one character of ASCII"),
        ([('delimiter = ";"', 'delimiter = "\\t"')], None),
        ([(VALUE, VALUE + '\ngroupChar = "1"')], "found '1', expected one mark"),
        ([(VALUE, VALUE + '\ngroupChar = "-"')], "found '-', expected one mark"),
        ([(VALUE, VALUE + '\ngroupChar = "+"')], "found '+', expected one mark"),
        ([(VALUE, VALUE + '\ngroupChar = ".."')], "found '..', expected one mark"),
        ([(VALUE, VALUE + '\ngroupChar = ""')], None),
        ([(VALUE, VALUE + '\ngroupChar = "’"')], None),
        # the header and its lines
        ([('delimiter = ";"', 'delimiter = ";"\nheaderRows = [2, 3]')], None),
        ([('delimiter = ";"', 'delimiter = ";"\nheaderRows = [1]')], None),
        ([('delimiter = ";"', 'delimiter = ";"\nheaderRows = [2, 4]')], "found [2, 4], expected numbers of lines, one below the other"),
        ([('delimiter = ";"', 'delimiter = ";"\nheaderRows = [2, 2]')], "expected numbers of lines, one below the other"),
        ([('delimiter = ";"', 'delimiter = ";"\nheaderRows = []')], "found [], expected numbers of lines"),
        ([('delimiter = ";"', 'delimiter = ";"\nheaderRows = [0]')], "expected 1 or more"),
        ([('delimiter = ";"', 'delimiter = ";"\nheaderLines = 0')], "found 0, expected 1 or more"),
        ([('delimiter = ";"', 'delimiter = ";"\nheaderLines = 5')], None),
        ([('delimiter = ";"', 'delimiter = ";"\nheaderLines = 6')], "key dialect.headerLines: found 6"),
        ([('delimiter = ";"', NO_HEADER)], None),
        ([('delimiter = ";"', NO_HEADER + "\npreambleRows = 2")], None),
        ([('delimiter = ";"', NO_HEADER + "\npreambleRows = -1")], "found -1, expected 0 or more"),
        ([('delimiter = ";"', NO_HEADER + "\nheaderRows = [1]")], "false, yet headerRows or unitsRow is set"),
        ([('delimiter = ";"', 'delimiter = ";"\npreambleRows = 0')], None),
        # columns by their order or by their names
        ([('decimalChar = ","', 'decimalChar = ","\nfieldsMatch = "equal"')], None),
        ([('delimiter = ";"', NO_HEADER), ('decimalChar = ","', 'decimalChar = ","\nfieldsMatch = "equal"')], "without a header the columns can only be told by their order (exact)"),
        ([('decimalChar = ","', 'decimalChar = ","\nfieldsMatch = "equal"'), (LOT, LOT + '\n[[schema.fields]]\nname = "Lot"\nignore = true')], "key schema.fieldsMatch: two fields have the same name"),
        ([(LOT, LOT + '\n[[schema.fields]]\nname = "Lot"\nignore = true')], None),
        ([('decimalChar = ","', 'decimalChar = ","\nfieldsMatch = "equal"'), (LOT, LOT + "\n[[schema.fields]]\nnamePattern = 'X.'\nignore = true\n[[schema.fields]]\nnamePattern = 'Y.'\nignore = true")], None),
        # several readings a line
        ([('name = "Value"', "namePattern = 'R(.)'"), (LINE_1, f"{LINE_1}\n{WIDE}")], None),
        ([('name = "Value"', "namePattern = 'R(.)'")], "key shape: found 'long', but a field has a namePattern"),
        ([(LOT, LOT + "\n[[schema.fields]]\nnamePattern = 'X.'\nignore = true")], None),
        ([(LOT, LOT + "\n[[schema.fields]]\nnamePattern = 'X.'\nignore = true"), (LINE_1, f"{LINE_1}\n{WIDE}")], "found 'wide', but no field has a namePattern"),
        ([('name = "Value"', "namePattern = 'R(.)'"), (LINE_1, f"{LINE_1}\n{WIDE}"), ('delimiter = ";"', NO_HEADER)], "key shape: a wide export needs a header"),
        ([('name = "Value"', "name = 'V'\nnamePattern = 'R(.)'"), (LINE_1, f"{LINE_1}\n{WIDE}")], "expected either name or namePattern"),
        ([('name = "Lot"\n', "")], "expected either name or namePattern"),
        ([('name = "Lot"', "namePattern = 'L(.)'")], 'serves for columns not wanted, and for column = "value"'),
        # years
        ([("%d.%m.%Y", "%d.%m."), (END, f"{END}\nyear = 2000")], None),
        ([("%d.%m.%Y", "%d.%m."), (END, f"{END}\nyear = 2200")], None),
        ([(END, f"{END}\nyear = 1999")], "key constants.year: found 1999, expected a year"),
        ([(END, f"{END}\nyear = 2201")], "key constants.year: found 2201, expected a year"),
        ([(END, f"{END}\nyear = '2020'")], "key constants.year: found '2020', expected a year"),
        ([(DATE, 'column = "measured_date"\ntype = "date"\nformat = "%d.%m."\n[[schema.fields]]\nname = "T"\ncolumn = "measured_time"\ntype = "time"\nformat = "%H:%M"')], "has no year, and constants.year is not set"),
        ([(DATE, 'column = "measured_date"\ntype = "date"\nformat = "%d.%m.%Y"\n[[schema.fields]]\nname = "T"\ncolumn = "measured_time"\ntype = "time"\nformat = "%H:%M"')], None),
        ([(DATE, 'column = "measured_time"\ntype = "time"\nformat = "%H:%M"')], "measured_date and measured_time come as a pair"),
        # where columns come from
        ([(END, _keys("preamble", '{ key = "Lot", column = "part" }'))], None),
        ([(END, _keys("preamble", '{ key = "Lot", column = "lot" }'))], "'lot' is filled from two places"),
        ([(END, _keys("preamble", '{ key = "V", column = "value", type = "number", unit = "MS/m" }'))], "key preamble.keys[1].column: a value stands in the table"),
        ([(END, _keys("preamble", '{ key = "V" }'))], None),
        ([(END, _keys("preamble", '{ key = "" }'))], "key preamble.keys[1].key: found '', expected at least one character"),
        ([(END, f'{END}\n[workbook]\nsheetNameFills = "lot"')], "'lot' is filled from two places"),
        ([(END, f'{END}\n[workbook]\nsheetNameFills = "part"')], None),
        ([('meter = "EC-01"\n', ""), (END, f'{END}\n[workbook]\nsheetNameFills = "meter"')], None),
        ([(END, _keys("fileName", more="pattern = '(?P<lot>.*)'"))], "'lot' is filled from two places"),
        ([(END, _keys("fileName", more="pattern = '(?P<part>.*)'"))], None),
        ([(END, _keys("fileName", more="pattern = '(?P<prt>.*)'"))], "key fileName: group 'prt' is no column of text; declare under keys what it fills; did you mean 'part'?"),
        ([(END, _keys("fileName", '{ key = "prt", column = "part" }', more="pattern = '(?P<prt>.*)'"))], None),
        ([(END, _keys("fileName", '{ key = "x", column = "part" }', more="pattern = '.*'"))], "key fileName.keys: the pattern has no group named 'x'"),
        ([(DATE, f'{DATE}\njoinWith = ["T"]'), (LOT, LOT + '\n[[schema.fields]]\nname = "T"\nignore = true')], None),
        ([(DATE, f'{DATE}\njoinWith = ["Lot"]')], "joinWith names 'Lot', which is no field with ignore = true"),
        ([(LOT, f'{LOT}\njoinWith = ["T"]\n[[schema.fields]]\nname = "T"\nignore = true')], 'joinWith: serves for column = "measured_at"'),
        ([(LOT, f"{LOT}\nfillDown = true")], None),
        ([(VALUE, f"{VALUE}\nfillDown = true")], "fillDown: serves for a column that is wanted, other than the value"),
        ([(LOT, f'{LOT}\n[[schema.fields]]\nname = "T"\nignore = true\nfillDown = true')], "fillDown: serves for a column that is wanted"),
        ([(LOT, f"{LOT}\nunitInHeader = true")], "unitInHeader: needs unit = ... to compare with"),
        ([(VALUE, f"{VALUE}\nunitInHeader = true")], None),
        ([(LOT, 'name = "Lot"\ncolumn = "unit"')], "the unit is stated at the value and by a column; expected one of the two"),
        # the role, by a column or by which column is filled
        ([(NO_ROLE, ""), (LINE_1, f"{LINE_1}\nroleByColumn = true"), (LOT, LOT + '\n[[schema.fields]]\nname = "B"\ncolumn = "block"')], None),
        ([(LINE_1, f"{LINE_1}\nroleByColumn = true"), (LOT, LOT + '\n[[schema.fields]]\nname = "B"\ncolumn = "block"')], "the role is filled by a source of its own, and roleByColumn is true"),
        ([(NO_ROLE, ""), (LINE_1, f"{LINE_1}\nroleByColumn = true")], "nothing fills 'block', which roleByColumn needs"),
        ([(NO_ROLE, ""), (LINE_1, f"{LINE_1}\nroleByColumn = true"), (LOT, 'name = "B"\ncolumn = "block"')], "nothing fills 'lot', which roleByColumn needs"),
        # names and their routes
        ([(NO_ROLE, ""), (LOT, 'name = "N"\ncolumn = "name"'), (END, END + '\n[routes]\nrules = [{ role = "part", listed = "lots" }]')], None),
        ([(LOT, LOT + '\n[[schema.fields]]\nname = "N"\ncolumn = "name"')], "a column 'name' needs [routes], and [routes] a column 'name'"),
        ([(NO_ROLE, ""), (END, END + '\n[routes]\nrules = [{ role = "block", listed = "blocks" }]')], "a column 'name' needs [routes]"),
        ([(NO_ROLE, ""), (LOT, LOT + '\n[[schema.fields]]\nname = "N"\ncolumn = "name"'), (END, END + '\n[routes]\nrules = [{ role = "part", listed = "lots" }]')], "'lot' is filled from two places"),
        ([(END, END + '\n[routes]\nrules = [{ role = "part" }]')], "key routes.rules[1]: expected a pattern, a list (listed) or both"),
        ([(END, END + '\n[routes]\nrules = [{ role = "part", listed = "blocks" }]')], "listed: 'blocks' goes not with role = 'part'"),
        ([(END, END + '\n[routes]\nrules = [{ role = "block", listed = "lots" }]')], "listed: 'lots' goes not with role = 'block'"),
        ([(END, END + "\n[routes]\nrules = [{ role = 'part', pattern = '(?P<lo>.)' }]")], "key routes.rules[1].pattern: group 'lo' is no column of text that names something; did you mean 'lot'?"),
        ([(END, END + "\n[routes]\nrules = [{ role = 'part', pattern = '(?P<part>.)' }]")], "expected a group named 'lot'"),
        ([(END, END + "\n[routes]\nrules = [{ role = 'part', pattern = '(?P<lot>.)(?P<unit>.)' }]")], "group 'unit' is no column of text that names something"),
        ([(END, END + "\n[routes]\nrules = []")], "key routes.rules: found none, expected 1"),
        # sections
        ([(END, END + "\n[sections]\nbegin = 'Job (?P<part>.*)'")], None),
        ([(END, END + "\n[sections]\nbegin = 'Job (?P<lot>.*)'")], "'lot' is filled from two places"),
        ([(END, END + "\n[sections]\nbegin = 'Job'"), ('delimiter = ";"', 'delimiter = ";"\nheaderRows = [1]')], "key sections: headerRows and preambleRows count lines of the whole file"),
        ([(END, END + "\n[sections]\nbegin = 'Job'"), ('delimiter = ";"', NO_HEADER + "\npreambleRows = 1")], "key sections: headerRows and preambleRows count"),
        ([(END, END + "\n[sections]\nbegin = 'Job'\nstatistics = [{ label = 'n', statistic = 'count', cell = 2 }]")], None),
        ([(END, END + "\n[sections]\nbegin = 'Job'\nstatistics = [{ label = 'n', statistic = 'count', cell = 0 }]")], "key sections.statistics[1].cell: found 0, expected 1 or more"),
        ([(END, END + "\n[sections]\nbegin = 'Job'"), ('name = "Value"', "namePattern = 'R(.)'"), (LINE_1, f"{LINE_1}\n{WIDE}")], None),
        ([(END, END + "\n[sections]\nbegin = 'Job'\nstatistics = [{ label = 'n', statistic = 'count', cell = 2 }]"), ('name = "Value"', "namePattern = 'R(.)'"), (LINE_1, f"{LINE_1}\n{WIDE}")], "key sections.statistics: serve one reading a line"),
        ([(END, END + "\n[sections]\nbegin = 'Job (?P<prt>.*)'")], "key sections: group 'prt' is no column of text"),
        ([(NO_ROLE, ""), (LOT, 'name = "P"\ncolumn = "spot"'), (END, END + "\n[fileName]\npattern = '(?P<name>.)'\n[routes]\nrules = [{ role = 'part', listed = 'lots' }]")], None),
        # sheets of a workbook
        ([(END, END + "\n[workbook]\nsheets = ['A']\nignoreSheets = ['B']")], None),
        ([(END, END + "\n[workbook]\nsheets = ['A', 'B']\nignoreSheets = ['B']")], "key workbook.ignoreSheets: found 'B', which sheets names, too"),
        ([(END, END + "\n[workbook]\nsheets = ['A']\nsheetPattern = 'B'")], "key workbook.sheetPattern: found beside sheets; keep one of them"),
        ([(END, END + "\n[workbook]\nsheetPattern = 'B'")], None),
        # values of whole files
        ([(END, f"{END}\nlot = ['a']")], "key constants.lot: found ['a'], expected a text, a number or true or false"),
        ([(END, f"{END}\ncount = 1")], None),
        ([(END, f"{END}\ncount = true")], "found True, expected a value of type Int64"),
        ([(END, f"{END}\ncount = 1.0")], "found 1.0, expected a value of type Int64"),
        ([(END, f"{END}\nthickness_mm = 2")], None),
        ([(END, f"{END}\nthickness_mm = true")], "found True, expected a value of type Float64"),
        ([(END, f"{END}\nthickness_mm = '2'")], "found '2', expected a value of type Float64"),
        ([(END, f"{END}\ncurvature_compensated = true")], None),
        ([(END, f"{END}\ncurvature_compensated = 1")], "found 1, expected a value of type Boolean"),
        ([(END, f"{END}\nprobe = ''")], "found '', expected a value of type String"),
        ([(END, f"{END}\nprobe = 1")], "found 1, expected a value of type String"),
        ([(END, f"{END}\nmeasured_at = 1")], "key constants.measured_at: unknown column"),
        ([(END, f"{END}\nvalue = 1")], "key constants.value: unknown column"),
        # columns of which one is enough, and what stands beside a role
        ([(LOT, 'name = "B"\ncolumn = "block"')], None),
        ([(NO_ROLE, ""), (LOT, 'name = "N"\ncolumn = "name"\n[[schema.fields]]\nname = "K"\ncolumn = "role"'), (END, END + '\n[routes]\nrules = [{ role = "part", listed = "lots" }]')], None),
        ([(LINE_1, LINE_1 + "\nfillDown = true")], "key fillDown: unknown key; it belongs to fields"),
        ([(LINE_1, LINE_1 + "\nbegin = 'x'")], "key begin: unknown key; it belongs to sections"),
        ([('delimiter = ";"', 'delimiter = ";"\nshape = "long"')], "key dialect.shape: unknown key; it belongs to layout"),
        ([('delimiter = ";"', 'delimiter = ";"\nqqqq = 1')], "key dialect.qqqq: unknown key, expected one of encoding, delimiter, "),
        ([(LINE_1, LINE_1 + "\nquoteRail = 1")], "key quoteRail: unknown key, expected one of name, version"),
        ([(LINE_1, LINE_1 + "\nquotesChar = 1")], "key quotesChar: unknown key; did you mean 'dialect.quoteChar'?"),
        ([(DATE, f"{DATE}\nmonthNames = {[*'abcdefghijklm']}")], "key schema.fields[1].monthNames: found 13, expected 12"),
        ([(DATE, f"{DATE}\nmonthNames = {[*'abcdefghijkl']}")], None),
        ([(VALUE, f"{VALUE}\n[schema.fields.constraints]\nminimum = 'a'")], "line 23, key schema.fields[3].constraints.minimum: found 'a'"),
        ([("%d.%m.%Y", "%d.%m.")], "line 13, key schema.fields[1].format: has no year"),
        ([(END, _keys("fileName", '{ key = "v", column = "value", type = "number", unit = "MS/m" }', more="pattern = '(?P<v>.*)'"))], "key fileName.keys[1].column: a value stands in the table"),
        ([(END, _keys("sections", '{ key = "v", column = "value", type = "number", unit = "MS/m" }', more="begin = 'x'"))], "key sections.keys[1].column: a value stands in the table"),
        # what cells say
        ([(LOT, LOT + '\nvalues = { a = "b" }')], None),
        ([(VALUE, VALUE + '\nvalues = { a = "b" }')], "serves for type = \"string\", not 'number'"),
        ([(NO_ROLE, ""), (LOT, LOT + '\n[[schema.fields]]\nname = "K"\ncolumn = "role"\nvalues = { a = "prt" }')], "values: found 'prt', expected one of block, part, setting; did you mean 'part'?"),
        ([(NO_ROLE, ""), (LOT, LOT + '\n[[schema.fields]]\nname = "K"\ncolumn = "role"\nvalues = { a = "part" }')], None),
        ([(LOT, LOT + '\nunit = "MS/m"')], "found 'MS/m', expected no unit for column lot"),
        ([(DATE, f"{DATE}\nmonthNames = ['a']")], "key schema.fields[1].monthNames: found 1, expected 12"),
        ([(LOT, 'name = "Lot"\ncolumn = "standard_deviation"\ntype = "number"\nunit = "%IACS"\n[[schema.fields]]\nname = "L"\ncolumn = "lot"')], None),
        ([(LOT, 'name = "Lot"\ncolumn = "temperature_c"\ntype = "number"\nunit = "MS/m"\n[[schema.fields]]\nname = "L"\ncolumn = "lot"')], "found 'MS/m', expected degC, "),
        ([("%H:%M", "%H:%Q")], "line 13, key schema.fields[1].format: found %Q"),
        ([(DATE, 'column = "measured_date"\ntype = "date"\nformat = "%d.%Q"\n[[schema.fields]]\nname = "T"\ncolumn = "measured_time"\ntype = "time"\nformat = "%H:%M"')], "key schema.fields[1].format: found %Q"),
        ([(DATE, 'column = "measured_date"\ntype = "date"\nformat = "%d.%m.%Y"\n[[schema.fields]]\nname = "T"\ncolumn = "measured_time"\ntype = "time"\nformat = "%H:%Q"')], "key schema.fields[2].format: found %Q"),
        ([('name = "Lot"\ncolumn = "lot"', "namePattern = 'X.'")], "key schema.fields[2]: column 'X.' of the file: expected either column"),
        ([('name = "Lot"\ncolumn = "lot"', 'name = "Lot"')], "key schema.fields[2]: column 'Lot' of the file: expected either column"),
        # what is no table or no list
        ([("[schema]", "[skema]"), ("[[schema.fields]]", "[[skema.fields]]")], "key schema: missing"),
        ([(LINE_1, LINE_1 + "\npreamble = 1")], "key preamble: found 1, expected a table"),
        ([(LINE_1, LINE_1 + "\npreamble = { keys = 1 }")], "key preamble.keys: found 1, expected a list"),
        ([(LINE_1, LINE_1 + "\npreamble = { keys = [1] }")], "key preamble.keys[1]: found 1, expected a table"),
        ([(LINE_1, LINE_1 + "\nunitAliases = 1")], "key unitAliases: found 1, expected a table"),
        ([(LINE_1, LINE_1 + "\ntakenByHand = 1")], "key takenByHand: found 1, expected true or false"),
        ([(VALUE, VALUE + "\nconstraints = { minimum = 'a' }")], "constraints.minimum: found 'a', expected a number"),
        ([(VALUE, VALUE + "\nconstraints = { minimum = 1 }")], None),
        ([(LINE_1, LINE_1 + "\nmatch = { folder = 1 }")], "key match.folder: found 1, expected a text"),
    ],
)  # fmt: skip
def test_each_rule_of_a_layout_is_kept_on_both_of_its_sides(changes: list[tuple[str, str]], said: str | None) -> None:
    text = GOOD
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    if said is None:
        assert parse_layout(text, "good.toml").table.fields
        return
    with pytest.raises(LayoutError) as error:
        parse_layout(text, "good.toml")
    assert said in str(error.value)


def test_what_follows_from_a_fault_is_not_told_beside_it() -> None:
    """A half of the moment, and no moment at all, are one fault each."""
    half = DATE.replace("at", "time", 1).replace("datetime", "time").replace("%d.%m.%Y ", "")
    for new, said in (
        (half, "measured_date and measured_time come as a pair"),
        ("ignore = true", "nothing fills 'measured_at'; expected a"),
    ):
        with pytest.raises(LayoutError) as error:
            parse_layout(GOOD.replace(DATE, new), "x")
        assert said in str(error.value)
        assert len(str(error.value).split("\n")) == 1
    with pytest.raises(LayoutError) as error:
        parse_layout(GOOD + "".join(f"k{n:02} = 1\n" for n in range(20)), "x")
    assert len(str(error.value).split("\n")) == 20


@pytest.mark.parametrize("table", ["preamble", "fileName", "sections"])
def test_marks_of_the_schema_hold_for_keys_outside_of_the_table_too(table: str) -> None:
    more = {"preamble": "", "fileName": "pattern = '(?P<K>.)(?P<L>.)'", "sections": "begin = 'x'"}[table]
    keys = _keys(
        table, '{ key = "K", column = "part" }', '{ key = "L", column = "spot", decimalChar = "." }', more=more
    )
    marks = 'decimalChar = ","\ngroupChar = "."\nmissingValues = ["-"]'
    text = GOOD.replace(END, keys.replace('"."', '".", groupChar = ""')).replace('decimalChar = ","', marks)
    found = parse_layout(text, "x").keys
    assert [place for place, _ in found] == [f"{table}.keys[1]", f"{table}.keys[2]"]
    assert [(key.decimal_char, key.group_char, key.missing_values) for _, key in found] == [
        (",", ".", ("-",)),
        (".", None, ("-",)),
    ]


@pytest.mark.parametrize(
    ("old", "new", "zone", "at_once", "height"),
    [
        (LINE_1, LINE_1, "Europe/Oslo", False, 1),
        ('zone = "Europe/Oslo"\n', "", "site", False, 1),
        (LOT, f"{LOT}\nfillDown = true", "Europe/Oslo", True, 1),
        (END, f"{END}\n[sections]\nbegin = 'x'", "Europe/Oslo", True, 1),
        ('delimiter = ";"', 'delimiter = ";"\nheaderLines = 3', "Europe/Oslo", False, 3),
        ('delimiter = ";"', 'delimiter = ";"\nheaderRows = [4, 5]', "Europe/Oslo", False, 2),
        (f'zone = "Europe/Oslo"|{DATE}', '|column = "measured_date"\ntype = "date"\n[[schema.fields]]\nname = "T"\ncolumn = "measured_time"\ntype = "time"\nformat = "%H:%M %z"', "offset", False, 1),
    ],
)  # fmt: skip
def test_what_follows_from_the_keys(old: str, new: str, zone: str, height: int, *, at_once: bool) -> None:
    text = GOOD
    for one, other in zip(old.split("|"), new.split("|"), strict=True):
        text = text.replace(one, other)
    layout = parse_layout(text, "x")
    assert (layout.zone, layout.at_once, layout.dialect.header_height) == (zone, at_once, height)
    kept = parse_layout(GOOD.replace(LOT, f'{LOT}\notherValues = "keep"'), "x")
    assert [field.keep_other_values for field in kept.fields] == [False, True, False]


@pytest.mark.parametrize(
    ("rule", "main", "fills"),
    [
        ('role = "part", listed = "lots"', "lot", {"lot"}),
        ("role = 'part', pattern = '(?P<lot>.)-(?P<part>.)'", "lot", {"lot", "part"}),
        ('role = "part", listed = "studies"', "run", {"run", "lot"}),
        ('role = "block", listed = "blocks"', "block", {"block"}),
        ('role = "setting", listed = "blocks"', "block", {"block"}),
        ("role = 'setting', pattern = 'SET.*'", "block", {"block"}),
    ],
)
def test_what_a_route_fills(rule: str, main: str, fills: set[str]) -> None:
    """The readings of a study are their own lot."""
    lots = (
        LOT
        if "lot" not in fills
        else 'name = "B"\ncolumn = "block"'
        if "block" not in fills
        else 'name = "P"\ncolumn = "spot"'
    )
    text = GOOD.replace(NO_ROLE, "").replace(LOT, lots + '\n[[schema.fields]]\nname = "N"\ncolumn = "name"')
    routes = parse_layout(f"{text}\n[routes]\nrules = [{{ {rule} }}]", "x").routes
    assert routes is not None
    assert (routes.rules[0].main, routes.fills) == (main, {"role", *fills})


@pytest.mark.parametrize("group", ["name", "role", "unit", "temperature_state", "temperature_source"])
def test_a_group_of_a_route_fills_nothing_that_names_nothing(group: str) -> None:
    with pytest.raises(LayoutError, match=f"group '{group}' is no column of text that names something"):
        parse_layout(f"{GOOD}\n[routes]\nrules = [{{ role = 'part', pattern = '(?P<lot>.)(?P<{group}>.)' }}]", "x")


@pytest.mark.parametrize("column", ["line", "replicate", "clock", "value_ms_per_m", "non_reading"])
def test_what_only_intake_knows_no_layout_fills(column: str) -> None:
    for old, new, said in (
        (END, f"{END}\n{column} = 1", f"key constants.{column}: unknown column"),
        (LOT, f'{LOT}\n[[schema.fields]]\nname = "X"\ncolumn = "{column}"', f"found '{column}', expected one of measured_at"),
    ):  # fmt: skip
        with pytest.raises(LayoutError) as error:
            parse_layout(GOOD.replace(old, new), "x")
        assert said in str(error.value)


def test_what_a_layout_does_not_say_is_the_careful_one_of_two() -> None:
    more = "[footer]\npattern = 'x'\nstatistics = [{ label = 'n', statistic = 'count', cell = 1 }]\n[routes]\nrules = [{ role = 'part', listed = 'lots' }]"
    text = (
        GOOD.replace(NO_ROLE, "")
        .replace(LOT, 'name = "N"\ncolumn = "name"')
        .replace(END, _keys("preamble", '{ key = "K", column = "part" }'))
    )
    layout = parse_layout(f"{text}\n{more}", "x")
    assert layout.footer is not None
    assert layout.routes is not None
    assert all((layout.footer.required, layout.footer.statistics[0].required, layout.keys[0][1].required))
    assert (layout.routes.otherwise, layout.workbook.merged_cells, layout.workbook.formulas) == (
        "quarantine",
        "hold",
        "quarantine",
    )
    assert not any((layout.taken_by_hand, layout.repeats_kept, layout.transposed, layout.role_by_column))
    assert not any(field.keep_other_values or field.exponent or field.constraints.required for field in layout.fields)


def test_a_dialect_that_says_nothing_is_that_of_csv_with_any_line_end() -> None:
    """Defaults of the Frictionless Table Dialect and of RFC 4180, but for the line end; a value is written with a point."""
    layout = parse_layout(GOOD.replace('delimiter = ";"', "").replace('decimalChar = ","', ""), "x")
    said = layout.dialect
    assert (said.encoding, said.delimiter, said.quote_char, said.comment_char) == ("utf-8", ",", '"', None)
    assert (said.double_quote, said.header, said.final_newline, said.line_terminator) == (True, True, True, "\n")
    assert (said.join_delimiters, said.skip_initial_space, said.trim_cells, said.units_row) == (
        False,
        False,
        False,
        False,
    )
    for one in (layout.table, layout.fields[2]):
        assert (one.decimal_char, one.group_char, one.missing_values) == (".", None, ())
    assert (layout.fields[0].true_values, layout.fields[0].false_values) == (("yes", "true"), ("no", "false"))
    assert (layout.fields[0].other_values, layout.fields[0].format, layout.table.fields_match) == (
        "quarantine",
        "%d.%m.%Y %H:%M",
        "exact",
    )
