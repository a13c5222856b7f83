"""Bytes to lines: what the file is, how it is encoded, and chunks of whole lines in UTF-8."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.intake.reading import Held, HoldFile

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = [
    "CHUNK_BYTES",
    "LONGEST_LINE_BYTES",
    "Chunk",
    "Encoding",
    "choose_encoding",
    "chunks",
    "container",
    "too_long",
]

CHUNK_BYTES = 32 << 20
"""Bytes worked on at a time."""

LONGEST_LINE_BYTES = 1_000_000
"""A longer line is no line of readings."""

_CONTAINERS = (
    (b"PK\x05\x06", "an empty ZIP archive", "export again"),
    (b"\x1f\x8b", "compressed with gzip", "unpack it"),
    (b"BZh", "compressed with bzip2", "unpack it"),
    (b"\xfd7zXZ\x00", "compressed with xz", "unpack it"),
    (b"\x28\xb5\x2f\xfd", "compressed with zstd", "unpack it"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive", "unpack it"),
    (b"Rar!\x1a\x07", "a RAR archive", "unpack it"),
    (b"%PDF-", "a PDF document", "export the readings as text"),
    (b"PAR1", "a Parquet file", "export the readings as text"),
    (b"SQLite format 3\x00", "a database", "export the readings as text"),
    (b"\x7fELF", "a program", "look at where it came from"),
    (b"\x89PNG", "a picture", "export the readings as text"),
    (b"\xff\xd8\xff", "a picture", "export the readings as text"),
    (b"{\\rtf", "a text document", "export the readings as plain text"),
)
_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),  # before UTF-16, whose mark it begins with
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
# accented Latin, Greek and punctuation as UTF-8 writes them: in a one-byte encoding these pairs make no word
_UTF8_PAIR = re.compile(rb"[\xc2\xc3\xce\xcf][\x80-\xbf]|\xe2[\x80-\x89][\x80-\xbf]")


def container(data: bytes) -> Held | None:
    """Say whether the first bytes belong to something that is no text, and no workbook either.

    Parameters
    ----------
    data
        The file.
    """
    for magic, what, advice in _CONTAINERS:
        if data.startswith(magic):
            return Held("not_text", f"The file is {what}, whatever its name says.", f"Not a table of text: {advice}.")
    start = data[:1000].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if start.startswith((b"<!doctype", b"<html", b"<?xml", b"<table")):
        return Held(
            "not_text",
            "The file is a web page or an XML document, whatever its name says.",
            "Not a table of text: save the sheet as CSV.",
        )
    return None


@dataclass(frozen=True, slots=True)
class Encoding:
    """The encoding a file is read with, the length of its byte order mark, and a remark if it is not the declared."""

    name: str
    mark: int
    warning: str | None = None


def _wrong_byte(
    data: bytes, offset: int, sentence: str, declared: str, reason: str = "mixed_encodings", end_mark: bytes = b"\n"
) -> HoldFile:
    line = data.count(end_mark, 0, offset) + 1
    seen = " ".join(f"{byte:02x}" for byte in data[offset : offset + 4])
    return HoldFile(
        Held(
            reason,
            f"{sentence} at byte {offset} (line {line}: {seen}); the layout declares {declared}.",
            "Export again in one encoding, or state the right one in the layout: dialect.encoding.",
            line=line,
            byte_offset=offset,
        )
    )


def choose_encoding(data: bytes, declared: str) -> Encoding:
    """Decide the encoding: a byte order mark, else strict UTF-8, else what the layout declares.

    Parameters
    ----------
    data
        The file.
    declared
        Encoding of the layout, normalised.

    Raises
    ------
    HoldFile
        If parts of the file are in different encodings.
    """
    for mark, name in _MARKS:
        if data.startswith(mark):
            differs = not declared.startswith(name[:6])
            warning = f"byte order mark of {name}; the layout declares {declared}" if differs else None
            return Encoding(name, len(mark), warning)
    if declared == "utf-16" or declared == "utf-32":
        raise HoldFile(
            Held(
                "encoding_mismatch",
                f"The layout declares {declared}, but the file has no byte order mark.",
                f"Export again, or declare {declared}-le or {declared}-be.",
            )
        )
    if declared == "ascii":
        return Encoding("utf-8", 0)
    if _one_byte(declared) and data.isascii():
        return Encoding("utf-8", 0)
    if _one_byte(declared):
        pair = _UTF8_PAIR.search(data)
        if pair is not None:
            try:
                for part in chunks(data, Encoding("utf-8", 0), "\n", CHUNK_BYTES):
                    del part
            except HoldFile:
                raise _wrong_byte(
                    data, pair.start(), "UTF-8 in a file that is not UTF-8 as a whole,", declared
                ) from None
            return Encoding("utf-8", 0, f"the file is UTF-8; the layout declares {declared}")
    return Encoding(declared, 0)


def _one_byte(name: str) -> bool:
    """Whether an encoding is ASCII with one byte for every further character."""
    printable = "".join(map(chr, range(32, 127)))
    try:
        return printable.encode(name) == printable.encode("ascii") and len("中".encode(name, "replace")) == 1
    except (LookupError, UnicodeError):
        return False


@dataclass(frozen=True, slots=True)
class Chunk:
    """Whole lines in UTF-8, each ended by a single line feed.

    `unfinished`: the last line has no line end in the file. `last`: nothing follows.
    """

    text: bytes
    last: bool
    unfinished: bool


def chunks(data: bytes, encoding: Encoding, terminator: str, size: int) -> Iterator[Chunk]:
    r"""Give the file in chunks of whole lines.

    Parameters
    ----------
    data
        The file.
    encoding
        How to read it, strictly.
    terminator
        ``"\r"`` where a lone carriage return ends lines; otherwise LF and CRLF do.
    size
        Bytes a chunk.

    Yields
    ------
    Chunk

    Raises
    ------
    HoldFile
        For bytes that the encoding has not, for NUL, and for a line longer than a chunk.
    """
    if encoding.name == "utf-8":
        yield from _utf8_chunks(data, encoding.mark, terminator, size)
    else:
        yield from _decoded_chunks(data, encoding, terminator, size)


def _utf8_chunks(data: bytes, start: int, terminator: str, size: int) -> Iterator[Chunk]:
    end_mark = b"\r" if terminator == "\r" else b"\n"
    total = len(data)
    while start < total:
        end = min(start + size, total)
        if end < total:
            end = data.rfind(end_mark, start, end) + 1
            if end == 0:
                raise too_long(data.count(end_mark, 0, start) + 1)
            if end_mark == b"\r" and data[end : end + 1] == b"\n":
                end += 1
        piece = data[start:end]
        nul = piece.find(b"\0")
        if nul >= 0:
            raise _wrong_byte(data, start + nul, "NUL", "text without NUL", "nul_byte", end_mark)
        if not piece.isascii():
            try:
                codecs.utf_8_decode(piece, "strict", True)
            except UnicodeDecodeError as error:
                raise _wrong_byte(
                    data, start + error.start, "A byte that is not UTF-8", "utf-8", end_mark=end_mark
                ) from None
        yield _chunk(piece, terminator, last=end == total)
        start = end


def _decoded_chunks(data: bytes, encoding: Encoding, terminator: str, size: int) -> Iterator[Chunk]:
    decoder = codecs.getincrementaldecoder(encoding.name)("strict")
    end_mark = "\r" if terminator == "\r" else "\n"
    view = memoryview(data)
    rest, start, total, lines = "", encoding.mark, len(data), 1
    while start < total:
        end = min(start + size, total)
        pending = len(decoder.getstate()[0])
        try:
            rest += decoder.decode(view[start:end], final=end == total)
        except UnicodeDecodeError as error:
            offset = max(start - pending + error.start, 0)
            raise _wrong_byte(
                data, offset, f"A byte that is not {encoding.name}", encoding.name, end_mark=end_mark.encode()
            ) from None
        start = end
        cut = len(rest) if end == total else rest.rfind(end_mark) + 1
        if cut == 0:
            raise too_long(lines)
        if end_mark == "\r" and end < total and cut == len(rest):
            cut = rest.rfind(end_mark, 0, cut - 1) + 1  # the next character may be the LF of a CRLF
            if cut == 0:
                continue
        if rest[cut : cut + 1] == "\n":
            cut += 1  # the LF of the last CRLF
        if "\0" in rest:
            line = lines + rest.count(end_mark, 0, rest.index("\0"))
            raise HoldFile(
                Held("nul_byte", f"NUL in line {line}.", "Export again; a file with NUL is damaged.", line=line)
            )
        piece, rest = rest[:cut].encode("utf-8"), rest[cut:]
        lines += piece.count(end_mark.encode())
        yield _chunk(piece, terminator, last=end == total)


def too_long(line: int) -> HoldFile:
    """Return what holds a file with a line longer than any line of readings."""
    return HoldFile(
        Held(
            "line_too_long",
            f"Line {line} is longer than {LONGEST_LINE_BYTES:,} bytes.",
            'Export again; if the lines end with a carriage return alone, declare dialect.lineTerminator = "\\r".',
            line=line,
        )
    )


def _chunk(piece: bytes, terminator: str, *, last: bool) -> Chunk:
    if b"\r" in piece:
        piece = piece.replace(b"\r\n", b"\n")
        if terminator == "\r":
            piece = piece.replace(b"\r", b"\n")
    unfinished = last and piece != b"" and not piece.endswith(b"\n")
    return Chunk(piece + b"\n" if unfinished else piece, last, unfinished)
