"""Lines to cells: every line of a chunk gets a kind; lines without fault go to the CSV reader in one piece.

Line ends and delimiters are found in the bytes as arrays, so that line numbers are exact and the text of each line is
at hand. Only lines with quote marks are read one by one, strictly.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from pipeline.errors import IntegrityProblem
from pipeline.intake.decoding import LONGEST_LINE_BYTES, too_long
from pipeline.intake.reading import Held, HoldFile

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.intake.layout_parts import Dialect

__all__ = [
    "BAD_QUOTES",
    "BLANK",
    "COMMENT",
    "PASSED",
    "STRAY",
    "TOO_FEW",
    "TOO_MANY",
    "WHOLE",
    "ChunkLines",
    "quoted_cells",
    "split_chunk",
]

# a cell in quote marks may be as long as any other
csv.field_size_limit(LONGEST_LINE_BYTES)
WHOLE, QUOTED, BLANK, COMMENT, TOO_FEW, TOO_MANY, STRAY, BAD_QUOTES, PASSED = range(9)
_LF = 10


@dataclass(slots=True)
class ChunkLines:
    """The lines of a chunk.

    `kinds` has one of the constants of this module for each line, `starts` and `ends` are byte positions without the
    line end, `cells` the cells of the lines that are whole, `rows` their places among the lines, ascending.
    """

    text: bytes
    starts: NDArray[np.int64]
    ends: NDArray[np.int64]
    kinds: NDArray[np.uint8]
    cells: pl.DataFrame
    rows: NDArray[np.int64]

    def original(self, row: int) -> str:
        """Return the text of a line as it stands in the file."""
        return self.text[self.starts[row] : self.ends[row]].decode("utf-8")


def _tidied(text: bytes, dialect: Dialect) -> bytes:
    """Take out what does not count between cells; the number of lines stays."""
    mark = re.escape(dialect.delimiter.encode())
    space = b"[ \t]" if dialect.delimiter not in " \t" else b" " if dialect.delimiter == "\t" else b"\t"
    if dialect.join_delimiters:
        text = re.sub(rb"(?m)^%b++|(?<!%b)%b++$" % (mark, mark, mark), b"", text)
        text = re.sub(rb"(?:%b){2,}" % mark, lambda _: dialect.delimiter.encode(), text)
    if dialect.trim_cells:
        # each run of spaces is gone through once: from its first one on, and never backwards
        text = re.sub(rb"(?m)(?<!%b)%b++(?=%b|$)" % (space, space, mark), b"", text)
        text = re.sub(rb"(?m)(^|%b)%b++" % (mark, space), rb"\1", text)
    elif dialect.skip_initial_space:
        text = re.sub(rb"(?m)(^|%b) ++" % mark, rb"\1", text)
    return text


def _lengths_checked(ends: NDArray[np.int64], starts: NDArray[np.int64], first_line: int) -> None:
    longest = int(np.argmax(ends - starts))
    if ends[longest] - starts[longest] > LONGEST_LINE_BYTES:
        raise too_long(first_line + longest)


def _delimiters(text: NDArray[np.uint8], ends: NDArray[np.int64], delimiter: int) -> NDArray[np.integer[Any]]:
    """Count the delimiters of each line.

    Sums of bytes are four times as fast as sums of wider numbers. They wrap at 256, which the total tells.
    """
    is_delimiter = (text == delimiter).view(np.uint8)
    starts = np.concatenate(([0], ends[:-1] + 1))
    counts: NDArray[np.integer[Any]] = np.add.reduceat(is_delimiter, starts, dtype=np.uint8)
    if int(counts.sum(dtype=np.int64)) != np.count_nonzero(is_delimiter):
        counts = np.add.reduceat(is_delimiter, starts, dtype=np.int64)
    return counts


def _rows_with(byte: int, text: NDArray[np.uint8], ends: NDArray[np.int64]) -> NDArray[np.int64]:
    """Places of the lines that hold a byte."""
    return np.unique(np.searchsorted(ends, np.flatnonzero(text == byte), side="left"))


def split_chunk(
    text: bytes,
    dialect: Dialect,
    *,
    cells_wanted: dict[str, Any],
    width: int,
    first_line: int,
    passed: NDArray[np.bool_] | None = None,
) -> ChunkLines:
    """Split a chunk into lines and cells.

    Parameters
    ----------
    text
        Whole lines in UTF-8, each ended by a line feed.
    dialect
        Of the layout.
    cells_wanted
        Polars type by name ``c0``, ``c1`` ... of the cells to keep.
    width
        Cells of a whole line.
    first_line
        Number of the first line, from 1.
    passed
        True for lines that are known to be no readings.

    Raises
    ------
    HoldFile
        For a line that is too long and for a quote mark that is not closed on its line.
    """
    raw = np.frombuffer(text, np.uint8)
    ends = np.flatnonzero(raw == _LF)
    starts = np.empty_like(ends)
    starts[0], starts[1:] = 0, ends[:-1] + 1
    _lengths_checked(ends, starts, first_line)
    tidied = text
    if dialect.join_delimiters or dialect.trim_cells or dialect.skip_initial_space:
        tidied = _tidied(text, dialect)
    bytes_of = raw if tidied is text else np.frombuffer(tidied, np.uint8)
    kinds = np.full(len(ends), WHOLE, np.uint8)
    tidy_ends = ends if tidied is text else np.flatnonzero(bytes_of == _LF)
    counts = _delimiters(bytes_of, tidy_ends, ord(dialect.delimiter))
    kinds[counts < width - 1] = TOO_FEW
    kinds[counts > width - 1] = TOO_MANY
    tidy_lengths = np.diff(tidy_ends, prepend=-1) - 1
    # a line of delimiters and nothing else is what a spreadsheet makes of an empty row
    kinds[(tidy_lengths == 0) | ((tidy_lengths == width - 1) & (kinds == WHOLE) & (width > 1))] = BLANK
    if b"\r" in text:
        kinds[_rows_with(13, raw, ends)] = STRAY
    if dialect.comment_char:
        kinds[(raw[starts] == ord(dialect.comment_char)) & (ends > starts)] = COMMENT
    for number in dialect.comment_rows:
        if first_line <= number < first_line + len(kinds):
            kinds[number - first_line] = COMMENT
    if passed is not None:
        kinds[passed] = PASSED
    quoted: list[tuple[int, list[str]]] = []
    if dialect.quote_char and dialect.quote_char.encode() in text:
        rows = _rows_with(ord(dialect.quote_char), raw, ends)
        rows = rows[~np.isin(kinds[rows], (COMMENT, STRAY, PASSED))]
        kinds[rows] = QUOTED
        quoted = _read_quoted(rows, text, starts, ends, dialect, kinds, width, first_line)
    for row in np.flatnonzero(kinds == TOO_FEW):
        if not text[starts[row] : ends[row]].strip(dialect.delimiter.encode() + b" \t"):
            kinds[row] = BLANK
    whole = kinds == WHOLE
    cells = _read_whole(tidied, tidy_ends, whole, dialect, cells_wanted, width)
    rows_whole = np.flatnonzero(whole)
    if quoted:
        slow = _frame_of([found for _, found in quoted], cells_wanted)
        rows_quoted = np.array([row for row, _ in quoted], np.int64)
        order = np.argsort(np.concatenate([rows_whole, rows_quoted]), kind="stable")
        cells = pl.concat([cells, slow])[pl.Series(order)]
        rows_whole = np.concatenate([rows_whole, rows_quoted])[order]
    return ChunkLines(text, starts, ends, kinds, cells, rows_whole)


def _read_whole(
    text: bytes,
    ends: NDArray[np.int64],
    whole: NDArray[np.bool_],
    dialect: Dialect,
    cells_wanted: dict[str, Any],
    width: int,
) -> pl.DataFrame:
    count = int(whole.sum())
    names = [f"c{position}" for position in range(width)]
    if count == 0:
        return pl.DataFrame(schema=cells_wanted)
    if count < len(whole):
        kept = np.repeat(whole, np.diff(ends, prepend=-1))
        text = np.frombuffer(text, np.uint8)[kept].tobytes()
    frame = pl.read_csv(
        text,
        has_header=False,
        separator=dialect.delimiter,
        quote_char=None,
        schema={name: cells_wanted.get(name, pl.String) for name in names},
        columns=[position for position, name in enumerate(names) if name in cells_wanted],
        encoding="utf8",
    )
    if frame.height != count:
        raise IntegrityProblem(f"{count} lines gave {frame.height} rows: a fault of the reader, nothing was loaded")
    return frame


def quoted_cells(line: str, dialect: Dialect, *, skip_space: bool) -> list[str]:
    """Split a line with quote marks strictly (RFC 4180, 2.5 to 2.7; ``doubleQuote`` of the Frictionless Table Dialect).

    Raises
    ------
    csv.Error
        For text after a closing quote mark, and for one that is not closed.
    """
    mark = dialect.quote_char
    if not dialect.double_quote:
        # told not to, the reader takes anything after a closing mark; so it is told to, and what no file holds parts the marks
        line = re.sub(rf"(?<={re.escape(mark)})(?={re.escape(mark)})", "\0", line)
    cells = csv.reader([line], delimiter=dialect.delimiter, quotechar=mark, strict=True, skipinitialspace=skip_space)
    return [cell.replace("\0", "") for cell in next(cells)]


def _read_quoted(
    rows: NDArray[np.int64],
    text: bytes,
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
    dialect: Dialect,
    kinds: NDArray[np.uint8],
    width: int,
    first_line: int,
) -> list[tuple[int, list[str]]]:
    """Read lines with quote marks strictly, one by one; note the kind of those that cannot be read."""
    found: list[tuple[int, list[str]]] = []
    for row in rows.tolist():
        line = text[starts[row] : ends[row]].decode("utf-8")
        if dialect.join_delimiters:
            line = re.sub(f"(?:{re.escape(dialect.delimiter)})+", dialect.delimiter, line.strip(dialect.delimiter))
        try:
            cells = quoted_cells(line, dialect, skip_space=dialect.skip_initial_space or dialect.trim_cells)
        except csv.Error as error:
            if "unexpected end of data" in str(error):
                number = first_line + row
                raise HoldFile(
                    Held(
                        "unclosed_quote",
                        f"A quote mark opened in line {number} is not closed on that line.",
                        "Correct the line in the export; line breaks inside a cell are not taken. If quote marks are plain "
                        'characters here, declare dialect.quoteChar = "".',
                        line=number,
                    )
                ) from None
            kinds[row] = BAD_QUOTES
            continue
        if dialect.trim_cells:
            cells = [cell.strip(" \t") for cell in cells]
        if len(cells) != width:
            kinds[row] = TOO_FEW if len(cells) < width else TOO_MANY
        elif not any(cells):
            kinds[row] = BLANK
        else:
            found.append((row, cells))
    return found


def _frame_of(lines: list[list[str]], cells_wanted: dict[str, Any]) -> pl.DataFrame:
    return pl.DataFrame(
        {
            name: pl.Series([line[int(name[1:])] or None for line in lines], dtype=pl.String).cast(dtype)
            for name, dtype in cells_wanted.items()
        }
    )
