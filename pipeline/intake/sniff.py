"""What an unknown file looks like: encoding, delimiter, and where preamble, header, units, readings and footer are.

Serves suggestions only. Nothing found here is ever used to load a file: a person reads it, answers what is open, and
keeps it as a layout.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from charset_normalizer import from_bytes

from pipeline.errors import UsageError
from pipeline.intake.decoding import container
from pipeline.intake.suggest_words import statistic_of
from pipeline.intake.units_text import spelled_unit

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["Shape", "ShapeOfSections", "decoded", "is_number", "look_at", "split"]

_SAMPLE_BYTES = 64_000
_DELIMITERS = (";", "\t", ",", "|", " ")  # the blank last
_ENCODINGS = ("cp1252", "cp1250", "cp850", "mac_roman")
_NUMBER = re.compile(
    r"[+-]?(?:[0-9]{1,3}(?:[.,'’ \u00a0\u202f][0-9]{3})+(?:[.,][0-9]+)?|[0-9]*[.,]?[0-9]+)(?:[eE][+-]?[0-9]+)?"
)


@dataclass(frozen=True, slots=True)
class ShapeOfSections:
    """Sections of a file: `heads` are the lines before the table of each, `tails` those of figures after it.

    `prefix` is what all first lines of a head begin with, and `names` what follows it.
    """

    prefix: str
    names: tuple[str, ...]
    heads: tuple[tuple[str, ...], ...]
    tails: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Shape:
    """The parts of a file, as cells.

    `header` is None where there is none; `rows` are the lines of readings, `footer` the lines after them, `preamble`
    those before the header. `lower_names` are the names in the last of several lines of a header. `comments`: lines that begin with # occur. `spaces_around`: cells are padded.
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
    header_lines: int = 1
    lower_names: tuple[str, ...] = ()
    sections: ShapeOfSections | None = None


def is_number(text: str) -> bool:
    """Whether a text is a number in any notation."""
    return _NUMBER.fullmatch(text) is not None


def decoded(data: bytes) -> tuple[str, str, tuple[str, ...]]:
    """Return encoding, text and the words that a guess of the encoding rests on.

    Raises
    ------
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
    ranked = {match.encoding: match.chaos for match in from_bytes(data[:_SAMPLE_BYTES], cp_isolation=list(_ENCODINGS))}
    best = min(ranked.values(), default=0.0)
    # of guesses that are equally good the order here decides; the words are shown, so that a person decides
    encoding = next((name for name in _ENCODINGS if ranked.get(name) == best), "cp1252")
    text = data.decode(encoding, "replace")
    if data.decode(_ENCODINGS[0], "replace") == text:  # the two differ in letters that the file has not
        encoding = _ENCODINGS[0]
    words = Counter(word for word in re.findall(r"[^\s;,|]+", text[:_SAMPLE_BYTES]) if not word.isascii())
    return encoding, text, tuple(word for word, _ in words.most_common(5))


def split(line: str, delimiter: str, *, joined: bool) -> list[str]:
    """Return the cells of a line; what cannot be split by the rules of quotes is split without them."""
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
    """Return the delimiter that makes the largest table."""
    sample = [line for line in lines if line.strip()]
    passed = [line.startswith("#") and line[1:2] not in _DELIMITERS[:-1] for line in sample]

    def cells(delimiter: str) -> int:
        counts = [len(split(line, delimiter, joined=delimiter == " ")) for line in sample]
        several = [count for count, out in zip(counts, passed, strict=True) if count > 1 and not out]
        start, end, width = _longest_block(counts, passed)
        # sections break the run of lines, and a blank stands in many a name
        whole = max(((end - start) * width), *(n * count for count, n in Counter(several).items()), 0)
        return whole if delimiter != " " else whole // 2

    return max(_DELIMITERS, key=cells)


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
    cells = [split(line, delimiter, joined=joined) for line in sample]
    remarks = [
        line.startswith("#") and (joined or line[1:2] != delimiter) for line in sample
    ]  # a column may be called #
    comments = any(remarks)
    blank = [remark or not line.strip(delimiter + " \t") for line, remark in zip(sample, remarks, strict=True)]
    sections = _sections(sample, cells, blank, delimiter)
    start, end, width = _longest_block([len(row) for row in cells], blank) if sections is None else sections[1]
    if width < 2 or end - start < 2:
        raise UsageError("No table was found: no delimiter gives lines with the same number of cells.")
    block = [n for n in range(start, end) if not blank[n] and len(cells[n]) == width]
    if sections is not None:
        block = sections[2]
    else:
        while len(block) > 2 and statistic_of(next((cell.strip() for cell in cells[block[-1]] if cell.strip()), "")):
            end = block.pop()  # figures with as many cells as a reading
    spaces = any(cell != cell.strip() for n in block[:200] for cell in cells[n]) and not joined
    stripped = {n: tuple(cell.strip() for cell in cells[n]) for n in block}
    first = stripped[block[0]]
    header = None if any(is_number(cell) for cell in first) or (len(block) == 1 and not any(first)) else first
    rest = block[1:] if header is not None else block
    units, height = None, 1
    lower: tuple[str, ...] = ()
    if header is not None and len(rest) > 1 and _is_header(stripped[rest[0]]) and not _are_units(stripped[rest[0]]):
        lower = stripped[rest[0]]
        header = tuple(" ".join(filter(None, pair)) for pair in zip(header, stripped[rest[0]], strict=True))
        rest, height = rest[1:], 2
    if header is not None and rest and _are_units(stripped[rest[0]]):
        units, rest = stripped[rest[0]], rest[1:]
    above = [n for n in range(start) if not blank[n]][-1:] if header is None else []
    if above and _is_header(cells[above[0]]):
        _told_decimal_comma(delimiter, cells[above[0]], [cells[n] for n in block])
    if len(sample) == len(lines):
        footer = tuple(line for n, line in enumerate(sample) if n >= end and not blank[n])
    else:
        footer = tuple(
            line for line in lines[-20:] if line.strip() and len(split(line, delimiter, joined=joined)) != width
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
        rows=tuple(stripped[n] for n in rest if header is None or stripped[n] != first),
        footer=() if sections is not None else footer,
        ends_with_newline=ends,
        spaces_around=spaces,
        header_lines=height,
        lower_names=lower,
        sections=None if sections is None else sections[0],
    )


def _is_header(cells: Sequence[str]) -> bool:
    """Whether a line names columns: at least half its cells hold a text, and none a number or a digit first."""
    filled = [cell.strip() for cell in cells if cell.strip()]
    return (
        len(cells) > 2
        and 2 * len(filled) >= len(cells)
        and not any(cell[0].isdigit() or is_number(cell) for cell in filled)
    )


def _are_units(cells: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell]
    return bool(filled) and not any(map(is_number, filled)) and any(spelled_unit(cell, {}) for cell in filled)


def _told_decimal_comma(delimiter: str, header: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Say it where each number with a decimal comma falls into two cells.

    Raises
    ------
    UsageError
        With the first such number.
    """
    if delimiter != ",":
        return
    row = rows[0]
    for left, right in pairwise(row) if len(row) > len(header) else ():
        if re.fullmatch(r"\s*[+-]?\d+", left) and re.fullmatch(r"\d+\s*", right):
            raise UsageError(
                f"Cells are separated by commas, and numbers have a decimal comma: '{left.strip()},{right.strip()}' falls into "
                f"two cells ({len(row)} cells, {len(header)} names). Export with another delimiter or with quotes."
            )


def _sections(
    lines: Sequence[str], cells: Sequence[Sequence[str]], blank: Sequence[bool], delimiter: str
) -> tuple[ShapeOfSections, tuple[int, int, int], list[int]] | None:
    """Find sections: a header that is repeated, or one header and lines of another kind between readings.

    Returns
    -------
    (ShapeOfSections, (start, end, width), lines of the table) or None
        `start` is the first line of the first section; the lines of the table begin with the header.
    """
    counted = Counter(
        line
        for n, line in enumerate(lines)
        if not blank[n] and _is_header(cells[n]) and not _are_units([cell.strip() for cell in cells[n]])
    )
    repeated = [line for line, count in counted.most_common(1) if count > 1]
    if repeated:
        headers = [n for n, line in enumerate(lines) if line == repeated[0]]
    else:
        headers = [n for n, line in enumerate(lines) if line in counted][:1]
    if not headers:
        return None
    width = len(cells[headers[0]])

    def reads(n: int) -> bool:
        row = [cell.strip() for cell in cells[n]]
        label = next((cell for cell in row if cell), "")
        numbers = sum(map(is_number, row))
        enough = sum(map(bool, row)) > min(2, width // 2)
        return len(row) == width and numbers > 0 and enough and statistic_of(label) is None

    def kind(n: int) -> str:
        if blank[n] or n in headers or _are_units([cell.strip() for cell in cells[n]]):
            return ""
        if reads(n):
            return "row"
        label = next((cell.strip() for cell in cells[n] if cell.strip()), "")
        return "tail" if statistic_of(label) is not None and any(map(is_number, map(str.strip, cells[n]))) else "head"

    kinds = [kind(n) for n in range(len(lines))]
    groups: list[dict[str, list[int]]] = []
    above = bool(repeated)
    for n in range(len(lines)):
        # what stands above a header that each section has is head, whatever it looks like
        above = (above or (bool(repeated) and kinds[n] == "head")) and n not in headers
        kinds[n] = "head" if above and kinds[n] else kinds[n]
    for n, one in enumerate(kinds):
        if one == "head" and (not groups or groups[-1]["row"] or groups[-1]["tail"]):
            groups.append({"head": [], "row": [], "tail": []})
        if one and groups:
            groups[-1][one].append(n)
    groups = [group for group in groups if group["row"]]
    if len(groups) < 2 or (not repeated and headers[0] > groups[1]["row"][0]):
        return None
    firsts = [lines[group["head"][0]] for group in groups[1:]]
    openings = [(_common([*firsts, lines[n]], delimiter), n) for n in groups[0]["head"]]
    prefix, opening = max(openings, key=lambda found: len(found[0]), default=("", 0))
    if not prefix or prefix[0].isdigit():
        return None
    groups[0]["head"] = [n for n in groups[0]["head"] if n >= opening]
    names = tuple(lines[group["head"][0]][len(prefix) :].strip(delimiter + " \t") for group in groups)
    shape = ShapeOfSections(
        prefix,
        names,
        tuple(tuple(lines[n] for n in group["head"][1:]) for group in groups),
        tuple(tuple(lines[n] for n in group["tail"]) for group in groups),
    )
    table = [headers[0]]
    below = headers[0] + 1
    while below < len(lines) and (blank[below] or (kinds[below] == "" and below not in headers)):
        if not blank[below]:
            table.append(below)
        below += 1
    table += [n for group in groups for n in group["row"]]
    return shape, (min(opening, headers[0]) if repeated else headers[0], len(lines), width), table


def _common(texts: Sequence[str], delimiter: str) -> str:
    """Return what all texts begin with: up to the mark after a key, else to the last space."""
    shared = texts[0]
    for text in texts:
        while not text.startswith(shared):
            shared = shared[:-1]
    key = re.match(rf"[^:={re.escape(delimiter)}]+[:={re.escape(delimiter)}]\s*", shared)
    return key[0] if key is not None else shared[: shared.rfind(" ") + 1]
