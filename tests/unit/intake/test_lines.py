"""Lines to cells: the kind of every line, the cells of those that are whole, and what is held."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
import pytest

from pipeline.intake import lines as kinds
from pipeline.intake.decoding import LONGEST_LINE_BYTES
from pipeline.intake.layout_parts import Dialect
from pipeline.intake.lines import ChunkLines, _tidied, split_chunk
from pipeline.intake.reading import HoldFile

if TYPE_CHECKING:
    from collections.abc import Sequence

FIRST = 11


def dialect(**keys: Any) -> Dialect:
    return Dialect.model_validate({"delimiter": ";"} | keys)


def split(lines: Sequence[str], *, width: int = 3, passed: Any = None, wanted: Any = None, **keys: Any) -> ChunkLines:
    return split_chunk(
        "".join(f"{line}\n" for line in lines).encode(),
        dialect(**keys),
        cells_wanted={f"c{n}": pl.String for n in range(width)} if wanted is None else wanted,
        width=width,
        first_line=FIRST,
        passed=passed,
    )


def cells(found: ChunkLines) -> dict[int, tuple[Any, ...]]:
    assert found.cells.height == len(found.rows)
    return dict(zip(found.rows.tolist(), found.cells.iter_rows(), strict=True))


KINDS = [
    ("a;b;c", kinds.WHOLE),
    ("a;;", kinds.WHOLE),
    (";;", kinds.BLANK),  # what a spreadsheet makes of an empty row
    ("", kinds.BLANK),
    (";", kinds.BLANK),
    (" \t; ", kinds.BLANK),
    (";;;", kinds.TOO_MANY),
    ("a;b", kinds.TOO_FEW),
    ("a", kinds.TOO_FEW),
    ("aa", kinds.TOO_FEW),
    ("a;b;c;d", kinds.TOO_MANY),
    ("a\r;b;c", kinds.STRAY),
    ("\r", kinds.STRAY),
    ('"a\r;b;c', kinds.STRAY),
    ("#a;b;c", kinds.COMMENT),
    ("#\r", kinds.COMMENT),
    ('#"a', kinds.COMMENT),
    (" #a;b;c", kinds.WHOLE),
    ("a#;b;c", kinds.WHOLE),
    ('"a;x";b;c', kinds.QUOTED),
    ('a;b;"c"', kinds.QUOTED),
    ('"a"x;b;c', kinds.BAD_QUOTES),
    ('"a;b";c', kinds.TOO_FEW),
    ('"a";b;c;d', kinds.TOO_MANY),
    ('"";;', kinds.BLANK),
    ('"";"";""', kinds.BLANK),
    ('"";;""', kinds.BLANK),
    ("é;µ;\u2030", kinds.WHOLE),
]


@pytest.mark.parametrize(("line", "kind"), KINDS)
def test_every_line_has_a_kind_whatever_stands_around_it(line: str, kind: int) -> None:
    """RFC 4180, 2.5 to 2.7, for quote marks; comments and blanks are common practice, no source."""
    for around in (["x;y;z"], ["x"], ["x;y;z;w"], ['"x";y;z'], [""]):
        found = split([*around, line, *around], commentChar="#")
        alone = split(around, commentChar="#").kinds[0]
        assert found.kinds.tolist() == [alone, kind, alone]
        assert found.original(1) == line
    first = split([line, "x;y;z"], commentChar="#")
    assert first.kinds.tolist() == [kind, kinds.WHOLE]
    assert cells(first)[1] == ("x", "y", "z")


def test_all_kinds_together_keep_their_places_and_cells() -> None:
    found = split([line for line, _ in KINDS], commentChar="#")
    assert found.kinds.tolist() == [kind for _, kind in KINDS]
    assert cells(found) == {
        0: ("a", "b", "c"),
        1: ("a", None, None),
        17: (" #a", "b", "c"),
        18: ("a#", "b", "c"),
        19: ("a;x", "b", "c"),
        20: ("a", "b", "c"),
        27: ("é", "µ", "\u2030"),
    }
    assert [*found.rows] == sorted(found.rows)


@pytest.mark.parametrize("lines", [["", ""], ['"a";b;c', "x", '"d";;f'], ["x;y", "a;b;c"]])
def test_cells_are_there_also_where_all_lines_or_none_have_quote_marks(lines: list[str]) -> None:
    wanted = {"c0": pl.Categorical, "c2": pl.String}
    found = split(lines, wanted=wanted)
    assert dict(found.cells.schema) == wanted
    expected = {'"a";b;c': ("a", "c"), '"d";;f': ("d", "f"), "a;b;c": ("a", "c")}
    assert cells(found) == {n: expected[line] for n, line in enumerate(lines) if line in expected}


def test_an_empty_cell_is_null_within_quote_marks_and_without() -> None:
    found = split([";b;c", '"";b;"c"', '"a";"";'])
    assert cells(found) == {0: (None, "b", "c"), 1: (None, "b", "c"), 2: ("a", None, None)}


@pytest.mark.parametrize(("width", "line", "kind"), [(1, "a", kinds.WHOLE), (1, "", kinds.BLANK), (1, "a;b", kinds.TOO_MANY), (2, ";", kinds.BLANK),
                                                     (2, "a;", kinds.WHOLE), (2, "a", kinds.TOO_FEW), (2, "é;", kinds.WHOLE)])  # fmt: skip
def test_one_and_two_columns(width: int, line: str, kind: int) -> None:
    assert split([line], width=width).kinds.tolist() == [kind]


@pytest.mark.parametrize("width", [2, 256, 257, 258, 513])
def test_delimiters_are_counted_beyond_what_a_byte_holds(width: int) -> None:
    line = ";".join(["x"] * width)
    found = split([line, f"{line};x", line[:-2], line], width=width)
    assert found.kinds.tolist() == [kinds.WHOLE, kinds.TOO_MANY, kinds.TOO_FEW, kinds.WHOLE]
    assert cells(found) == {0: ("x",) * width, 3: ("x",) * width}


def test_lines_that_are_named_are_comments_and_no_others() -> None:
    lines = ["a;b;c"] * 3
    for number in range(FIRST - 3, FIRST + 6):
        found = split(lines, commentRows=[number])
        named = [kinds.COMMENT if FIRST + n == number else kinds.WHOLE for n in range(3)]
        assert found.kinds.tolist() == named
    assert (
        split(["x", '"unclosed', "a\r"], commentRows=[FIRST, FIRST + 1, FIRST + 2]).kinds.tolist()
        == [kinds.COMMENT] * 3
    )


def test_what_is_passed_over_is_looked_at_no_further() -> None:
    passed = np.array([False, True, True, True, False])
    found = split(["a;b;c", "a;b;c", '"unclosed', "", '"d";e;f'], passed=passed)
    assert found.kinds.tolist() == [kinds.WHOLE, *[kinds.PASSED] * 3, kinds.QUOTED]
    assert cells(found) == {0: ("a", "b", "c"), 4: ("d", "e", "f")}


@pytest.mark.parametrize("place", [0, 2])
def test_a_line_of_a_million_bytes_is_read_and_a_longer_one_holds_the_file(place: int) -> None:
    assert LONGEST_LINE_BYTES == 1_000_000
    lines = ["a;b;c", "a;b;c", "a;b;c"]
    lines[place] = "a" * (LONGEST_LINE_BYTES - 4) + ";b;c"
    assert split(lines).kinds[place] == kinds.WHOLE
    lines[place] += "c"
    with pytest.raises(HoldFile) as caught:
        split(lines)
    assert (caught.value.held.reason, caught.value.held.line) == ("line_too_long", FIRST + place)


@pytest.mark.parametrize("line", ['"a;b;c', 'a;b;"c', 'a;"b;c'])
def test_a_quote_mark_that_is_not_closed_holds_the_file_by_line(line: str) -> None:
    with pytest.raises(HoldFile) as caught:
        split(["a;b;c", '"a";b;c', line, "a;b;c"])
    held = caught.value.held
    assert (held.reason, held.line) == ("unclosed_quote", FIRST + 2)
    assert f"line {FIRST + 2} " in held.sentence


def test_quote_marks_are_those_of_the_layout() -> None:
    """RFC 4180, 2.7: a quote mark inside quotes is written twice."""
    assert cells(split(['"a""b";c;d'])) == {0: ('a"b', "c", "d")}
    assert cells(split(["'a;b';\"c;d", '"a";b;c'], quoteChar="'")) == {0: ("a;b", '"c', "d"), 1: ('"a"', "b", "c")}
    plain = split(['"a;b;c', '"a";b"";c', "'a;b;c"], quoteChar="")
    assert cells(plain) == {0: ('"a', "b", "c"), 1: ('"a"', 'b""', "c"), 2: ("'a", "b", "c")}


@pytest.mark.parametrize("quote", ['"', "|"])
def test_a_mark_that_is_not_doubled_closes_and_nothing_but_a_delimiter_follows_it(quote: str) -> None:
    """Frictionless Table Dialect, doubleQuote: two marks stand for one only where it is true; RFC 4180, 2.5 to 2.7, for the rest."""

    def kind_and_cells(line: str) -> tuple[int, Any]:
        found = split([line.replace('"', quote)], doubleQuote=False, quoteChar=quote)
        return int(found.kinds[0]), cells(found).get(0)

    for line in ('"a""b";c;d', '"a"x;c;d', '"a"";c;d', '"""a";c;d', '"";"""";d', 'b;c;"a" ', 'b;c;"a""'):
        assert kind_and_cells(line) == (kinds.BAD_QUOTES, None), line
    for line, read in (('"a;x";"";d', ("a;x", None, "d")), ('a""b;c"";d', (f"a{quote * 2}b", f"c{quote * 2}", "d"))):
        assert kind_and_cells(line) == (kinds.QUOTED, read)


@pytest.mark.parametrize("length", [131_072, 131_073, LONGEST_LINE_BYTES - 6])
def test_a_cell_in_quote_marks_may_be_as_long_as_one_without(length: int) -> None:
    """131,072 is what csv of Python takes for a cell unless it is told otherwise."""
    text = "a" * length
    assert cells(split([f'"{text}";b;c', f"{text};b;c"])) == {0: (text, "b", "c"), 1: (text, "b", "c")}


@pytest.mark.parametrize(
    ("keys", "text", "tidied"),
    [
        ({}, " a ; b ;;\n", " a ; b ;;\n"),
        ({"trimCells": True}, " a \t; b ;\tc\n \t \n", "a;b;c\n\n"),
        ({"trimCells": True, "delimiter": "\t"}, " a \t  b\t\n", "a\tb\t\n"),
        ({"trimCells": True, "delimiter": " "}, "\ta\t \tb c\t\n", "a b c\n"),
        ({"trimCells": True, "delimiter": "|"}, " a | b c |\n", "a|b c|\n"),
        ({"skipInitialSpace": True}, "  a ;  b;\tc \n d;e\n", "a ;b;\tc \nd;e\n"),
        ({"skipInitialSpace": True, "delimiter": "|"}, " a | b c |\n", "a |b c |\n"),
        ({"joinDelimiters": True}, ";;a;;;b;c;\n;\nd;e;;\n", "a;b;c\n\nd;e\n"),
        ({"joinDelimiters": True, "delimiter": "|"}, "|a||b|c\n", "a|b|c\n"),
        ({"joinDelimiters": True, "delimiter": " "}, "  a   b c \n", "a b c\n"),
        ({"joinDelimiters": True, "trimCells": True}, "; a ;;b ;\n", "a;b\n"),
    ],
)
def test_what_does_not_count_between_cells_is_taken_out(keys: dict[str, Any], text: str, tidied: str) -> None:
    assert _tidied(text.encode(), dialect(**keys)) == tidied.encode()


@pytest.mark.parametrize(
    ("keys", "line", "found"),
    [
        ({"trimCells": True}, " a\t; b ;c ", ("a", "b", "c")),
        ({"trimCells": True}, ' "a;x"; b ;c\t', ("a;x", "b", "c")),
        ({"trimCells": True}, 'a;" b ";c', ("a", "b", "c")),
        ({}, ' a;" b ";c ', (" a", " b ", "c ")),
        ({}, ' a; "b";c', (" a", ' "b"', "c")),
        ({"skipInitialSpace": True}, '  a ; "b;x"; c ', ("a ", "b;x", "c ")),
        ({"skipInitialSpace": True}, "  a ; b; c ", ("a ", "b", "c ")),
        ({"joinDelimiters": True}, ";a;;b;c;;", ("a", "b", "c")),
        ({"joinDelimiters": True}, ';"a;;x";;b;c;;', ("a;x", "b", "c")),
        ({"joinDelimiters": True}, ';;"a";;;b;c', ("a", "b", "c")),
        ({"joinDelimiters": True, "delimiter": "|"}, '||"a"|||b|c', ("a", "b", "c")),
    ],
)
def test_cells_are_tidied_alike_with_quote_marks_and_without(
    keys: dict[str, Any], line: str, found: tuple[str, ...]
) -> None:
    mark = keys.get("delimiter", ";")
    assert cells(split([f"x{mark}y{mark}z", line, "x"], **keys)) == {0: ("x", "y", "z"), 1: found}
    assert split(["x", line], **keys).original(1) == line


@pytest.mark.parametrize("keys", [{"trimCells": True}, {"joinDelimiters": True}])
def test_tidied_lines_have_their_kinds_by_what_is_left(keys: dict[str, Any]) -> None:
    lines = [" ;;a;b", ";;;", "", "a;b;c", "#;;", "a;;;b", " ", "\r"]
    joined = "joinDelimiters" in keys
    assert split(lines, commentChar="#", **keys).kinds.tolist() == [
        kinds.WHOLE if joined else kinds.TOO_MANY,
        kinds.BLANK if joined else kinds.TOO_MANY,
        kinds.BLANK,
        kinds.WHOLE,
        kinds.COMMENT,
        kinds.TOO_FEW if joined else kinds.TOO_MANY,
        kinds.BLANK,
        kinds.STRAY,
    ]
