"""What an unknown file looks like: encoding, delimiter, and where preamble, header, units, readings and footer are.

Serves suggestions only. Nothing found here is ever used to load a file: a person reads it, answers what is open, and
keeps it as a layout.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.errors import EnvironmentProblem, UsageError
from pipeline.intake.decoding import container
from pipeline.intake.units_text import spelled_unit

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["Shape", "decoded", "is_number", "look_at"]

_SAMPLE_BYTES = 64_000
_DELIMITERS = (";", "\t", ",", "|", " ")
_ENCODINGS = ("cp1252", "cp1250", "cp850", "mac_roman")
_NUMBER = re.compile(
    r"[+-]?(?:[0-9]{1,3}(?:[.,'’ \u00a0\u202f][0-9]{3})+(?:[.,][0-9]+)?|[0-9]*[.,]?[0-9]+)(?:[eE][+-]?[0-9]+)?"
)


@dataclass(frozen=True, slots=True)
class Shape:
    """The parts of a file, as cells.

    `header` is None where there is none; `rows` are the lines of readings, `footer` the lines after them, `preamble`
    those before the header. `comments`: lines that begin with # occur. `spaces_around`: cells are padded.
    """

    encoding: str
    delimiter: str
    join_delimiters: bool
    comments: bool
    line_terminator: str
    preamble: tuple[str, ...]
    header: tuple[str, ...] | None
    units: tuple[str, ...] | None
    rows: tuple[tuple[str, ...], ...]
    footer: tuple[str, ...]
    ends_with_newline: bool
    spaces_around: bool


def is_number(text: str) -> bool:
    """Whether a text is a number in any notation."""
    return _NUMBER.fullmatch(text) is not None


def decoded(data: bytes) -> tuple[str, str, tuple[str, ...]]:
    """Return encoding, text and the words that a guess of the encoding rests on.

    Raises
    ------
    errors.EnvironmentProblem
        If the extra packages for suggestions are missing and the encoding is not plain.
    errors.UsageError
        If the file is no text.
    """
    held = container(data)
    if held is not None:
        raise UsageError(f"{held.sentence} {held.what_to_do}")
    for mark, encoding in ((b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"), (b"\xef\xbb\xbf", "utf-8-sig")):
        if data.startswith(mark):
            return encoding.removesuffix("-sig"), data.decode(encoding, "replace"), ()
    for encoding in ("utf-16-le", "utf-16-be"):
        zeros = data[:_SAMPLE_BYTES][1 if encoding.endswith("le") else 0 :: 2].count(0)
        if zeros > len(data[:_SAMPLE_BYTES]) // 4:
            return encoding, data.decode(encoding, "replace"), ()
    if b"\0" in data:
        raise UsageError(
            "The file holds NUL bytes and no mark of an encoding: it is damaged, or no text. Export again."
        )
    try:
        return "utf-8", data.decode("utf-8"), ()
    except UnicodeDecodeError:
        pass
    try:
        from charset_normalizer import from_bytes
    except ImportError as error:
        raise EnvironmentProblem(
            "Suggesting a layout needs clevercsv and charset-normalizer: in the folder of the program, pip install '.[suggest]'."
        ) from error
    ranked = {match.encoding: match.chaos for match in from_bytes(data[:_SAMPLE_BYTES], cp_isolation=list(_ENCODINGS))}
    best = min(ranked.values(), default=0.0)
    # of guesses that are equally good the order here decides; the words are shown, so that a person decides
    encoding = next((name for name in _ENCODINGS if ranked.get(name) == best), "cp1252")
    text = data.decode(encoding, "replace")
    words = Counter(word for word in re.findall(r"[^\s;,|]+", text[:_SAMPLE_BYTES]) if not word.isascii())
    return encoding, text, tuple(word for word, _ in words.most_common(5))


def _split(line: str, delimiter: str, *, joined: bool) -> list[str]:
    if joined:
        return line.split()
    if '"' in line:
        try:
            return next(csv.reader([line], delimiter=delimiter, strict=True))
        except csv.Error:
            pass
    return line.split(delimiter)


def _longest_block(counts: Sequence[int], passed: Sequence[bool]) -> tuple[int, int, int]:
    """Return start, end and width of the longest run of lines with the same number of cells, at least two.

    Lines passed over, and single lines that differ, may lie in between.
    """
    best, most = (0, 0, 0), 0
    start, total = 0, len(counts)
    while start < total:
        width = counts[start]
        if passed[start] or width < 2:
            start += 1
            continue
        end, last, size = start, start, 0
        while end < total:
            if counts[end] == width and not passed[end]:
                last, size = end, size + 1
            elif not passed[end] and not (end + 1 < total and counts[end + 1] == width and end == last + 1):
                break
            end += 1
        if size > most:
            best, most = (start, last + 1, width), size
        start = last + 1
    return best


def _delimiter(lines: Sequence[str]) -> str:
    """Return the delimiter of the detector where it makes a table, else the one that makes the largest table."""
    try:
        import clevercsv
    except ImportError as error:
        raise EnvironmentProblem(
            "Suggesting a layout needs clevercsv and charset-normalizer: in the folder of the program, pip install '.[suggest]'."
        ) from error

    def cells(delimiter: str) -> int:
        joined = delimiter == " "
        sample = [line for line in lines if line.strip()]
        counts = [len(_split(line, delimiter, joined=joined)) for line in sample]
        start, end, width = _longest_block(counts, [line.startswith("#") for line in sample])
        return (end - start) * width

    sample = "\n".join(lines)[:_SAMPLE_BYTES].rpartition("\n")[0]
    found = clevercsv.Detector().detect(sample, delimiters=list(_DELIMITERS), method="auto") if sample else None
    ranked = sorted(_DELIMITERS, key=cells, reverse=True)
    detected = found.delimiter if found is not None else ""
    return detected if detected in _DELIMITERS and 2 * cells(detected) >= cells(ranked[0]) else ranked[0]


def look_at(text: str, encoding: str) -> Shape:
    """Find the parts of a file.

    Parameters
    ----------
    text
        The file, decoded.
    encoding
        What it was decoded with.

    Returns
    -------
    Shape

    Raises
    ------
    errors.UsageError
        If it holds no table.
    """
    terminator = "\r\n" if "\r\n" in text else "\n" if "\n" in text else "\r" if "\r" in text else "\n"
    lines = text.split(terminator)
    ends = lines[-1] == ""
    lines = lines[:-1] if ends else lines
    sample = lines[:5_000]
    delimiter = _delimiter(sample[:500])
    joined = delimiter == " "
    cells = [_split(line, delimiter, joined=joined) for line in sample]
    comments = any(line.startswith("#") for line in sample)
    blank = [not line.strip(delimiter + " \t") or line.startswith("#") for line in sample]
    start, end, width = _longest_block([len(row) for row in cells], blank)
    if width < 2 or end - start < 2:
        raise UsageError("No table was found: no delimiter gives lines with the same number of cells.")
    block = [n for n in range(start, end) if not blank[n] and len(cells[n]) == width]
    spaces = any(cell != cell.strip() for n in block[:200] for cell in cells[n]) and not joined
    stripped = {n: tuple(cell.strip() for cell in cells[n]) for n in block}
    first = stripped[block[0]]
    header = None if any(is_number(cell) for cell in first) or (len(block) == 1 and not any(first)) else first
    rest = block[1:] if header is not None else block
    units = None
    if header is not None and rest:
        candidate = stripped[rest[0]]
        spelled = [spelled_unit(cell, {}) for cell in candidate if cell]
        if spelled and not any(is_number(cell) for cell in candidate) and any(spelled):
            units, rest = candidate, rest[1:]
    after = end
    if len(sample) == len(lines):
        footer = tuple(line for n, line in enumerate(sample) if n >= after and not blank[n])
    else:
        footer = tuple(
            line for line in lines[-20:] if line.strip() and len(_split(line, delimiter, joined=joined)) != width
        )
    return Shape(
        encoding=encoding,
        delimiter=delimiter,
        join_delimiters=joined,
        comments=comments,
        line_terminator=terminator,
        preamble=tuple(sample[:start]),
        header=header,
        units=units,
        rows=tuple(stripped[n] for n in rest),
        footer=footer,
        ends_with_newline=ends,
        spaces_around=spaces,
    )
