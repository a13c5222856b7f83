"""Bytes to whole lines: what is no text, the encoding by mark or declaration, chunks, and where a wrong byte stands."""

from __future__ import annotations

import codecs

import pytest

from pipeline.intake.decoding import Encoding, choose_encoding, chunks, container
from pipeline.intake.reading import HoldFile

# First bytes as published: PKWARE APPNOTE 4.3.7 and 4.3.16, RFC 1952, RFC 8878; xz and PNG by their specifications;
# the others are common practice, no source
NO_TEXT = {
    "empty ZIP": b"PK\x05\x06", "gzip": b"\x1f\x8b\x08", "bzip2": b"BZh9", "xz": b"\xfd7zXZ\x00",
    "zstd": b"\x28\xb5\x2f\xfd", "7z": b"7z\xbc\xaf\x27\x1c", "RAR": b"Rar!\x1a\x07\x00",
    "PDF": b"%PDF-1.7", "Parquet": b"PAR1", "database": b"SQLite format 3\x00", "program": b"\x7fELF", "picture": b"\x89PNG\r\n",
    "photograph": b"\xff\xd8\xff\xe0", "rich text": b"{\\rtf1",
    "page": b"<!DOCTYPE html>", "bare page": b"<HTML>", "XML": b'\xef\xbb\xbf \r\n\t<?xml version="1.0"?>', "table": b"\n<table>",
}  # fmt: skip


@pytest.mark.parametrize("name", NO_TEXT)
def test_what_is_no_text_is_known_by_its_first_bytes_and_not_by_others(name: str) -> None:
    held = container(NO_TEXT[name] + b"rest")
    assert held is not None
    assert held.reason == "not_text"
    assert container(b"measured_at;value\n" + NO_TEXT[name]) is None
    assert container(NO_TEXT[name].lstrip()[:1]) is None


def test_what_may_be_a_workbook_is_looked_into_elsewhere() -> None:
    assert container(b"PK\x03\x04rest") is None
    assert container(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1rest") is None


@pytest.mark.parametrize(
    ("mark", "name", "agrees"),
    [
        (codecs.BOM_UTF8, "utf-8", ["utf-8"]),
        (codecs.BOM_UTF16_LE, "utf-16-le", ["utf-16", "utf-16-le"]),
        (codecs.BOM_UTF16_BE, "utf-16-be", ["utf-16", "utf-16-be"]),
        (codecs.BOM_UTF32_LE, "utf-32-le", ["utf-32", "utf-32-le"]),
        (codecs.BOM_UTF32_BE, "utf-32-be", ["utf-32", "utf-32-be"]),
    ],
)
def test_a_byte_order_mark_decides_and_is_told_where_the_layout_says_otherwise(
    mark: bytes, name: str, agrees: list[str]
) -> None:
    """Byte order marks: Unicode Standard, table 2-4."""
    for declared in ("utf-8", "cp1252", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-32-le", "utf-32-be"):
        found = choose_encoding(mark + "a;µ\n".encode(name), declared)
        assert (found.name, found.mark) == (name, len(mark))
        if declared in agrees:
            assert found.warning is None
        elif declared[:6] != name[:6]:
            assert name in str(found.warning)
            assert declared in str(found.warning)
        assert (
            b"".join(chunk.text for chunk in chunks(mark + "a;µ\n".encode(name), found, "\n", 100)) == "a;µ\n".encode()
        )


@pytest.mark.parametrize(
    ("data", "declared", "name", "warned"),
    [
        (b"abc", "utf-8", "utf-8", False), (b"abc", "ascii", "utf-8", False), ("µ".encode(), "ascii", "utf-8", False), (b"abc", "cp1252", "utf-8", False),
        (b"abc", "cp500", "cp500", False), (b"abc", "utf-16-le", "utf-16-le", False), ("µ".encode(), "cp1252", "utf-8", True),
        ("\u2030".encode(), "latin-1", "utf-8", True), ("µ".encode("cp1252"), "cp1252", "cp1252", False),
        ("µ".encode("cp1252"), "utf-8", "utf-8", False), ("é".encode("cp437"), "cp437", "cp437", False),
        (b"\xc3\xa9", "shift_jis", "shift_jis", False), (b"abc", "no-such", "no-such", False),
    ],
)  # fmt: skip
def test_without_a_mark_utf_8_is_told_from_an_encoding_of_one_byte(
    data: bytes, declared: str, name: str, warned: bool
) -> None:
    found = choose_encoding(data, declared)
    assert (found.name, found.mark, found.warning is not None) == (name, 0, warned)


@pytest.mark.parametrize("declared", ["utf-16", "utf-32"])
def test_an_encoding_of_either_order_needs_its_mark(declared: str) -> None:
    with pytest.raises(HoldFile) as caught:
        choose_encoding("a".encode(f"{declared}-le"), declared)
    assert caught.value.held.reason == "encoding_mismatch"


def test_two_encodings_in_one_file_are_told_by_byte_and_line() -> None:
    data = b"\nb\n" + "é".encode() + b"\n" + "é".encode("cp1252") + b"\n"
    for declared, byte, line, seen in ("cp1252", 3, 3, "c3 a9 0a e9"), ("utf-8", 6, 4, "e9 0a"):
        with pytest.raises(HoldFile) as caught:
            list(chunks(data, choose_encoding(data, declared), "\n", 100))
        held = caught.value.held
        assert (held.reason, held.byte_offset, held.line) == ("mixed_encodings", byte, line)
        assert f" at byte {byte} (line {line}: {seen}); the layout declares {declared}." in held.sentence


LINES = "a;1\nbb;µ2\n\nccc;\u2030\nd"


@pytest.mark.parametrize("name", ["utf-8", "cp1252", "utf-16-le", "utf-32-be"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("closed", [True, False])
def test_chunks_of_any_size_give_the_same_lines_and_end_with_them(name: str, ending: str, closed: bool) -> None:
    """RFC 4180, 2.1 and 2.2: lines end with a break, the last may have none; a lone carriage return only where it is declared."""
    text = LINES + "\n" * closed
    data = text.replace("\n", ending).encode(name)
    terminator = "\r" if ending == "\r" else "\n"
    longest = len(f"ccc;\u2030{ending}".encode(name))
    for size in range(longest, len(data) + 2):
        found = list(chunks(data, Encoding(name, 0), terminator, size))
        assert b"".join(chunk.text for chunk in found) == f"{LINES}\n".encode()
        assert all(chunk.text.endswith(b"\n") for chunk in found)
        assert [chunk.last for chunk in found] == [False] * (len(found) - 1) + [True]
        assert [chunk.unfinished for chunk in found] == [False] * (len(found) - 1) + [not closed]
    if ending == "\r\n":  # where a carriage return ends lines, a line feed after it belongs to the same end
        for size in range(longest, len(data) + 2):
            found = list(chunks(data, Encoding(name, 0), "\r", size))
            assert b"".join(chunk.text for chunk in found) == f"{LINES}\n".encode()
            assert all(chunk.text.endswith(b"\n") for chunk in found)
            assert not any(chunk.text.startswith(b"\n") for chunk in found[:1])


@pytest.mark.parametrize("name", ["utf-8", "utf-16-le"])
@pytest.mark.parametrize("terminator", ["\n", "\r"])
def test_a_line_longer_than_a_chunk_and_a_nul_are_told_by_their_line(name: str, terminator: str) -> None:
    width = len("a".encode(name))
    long = f"a{terminator}b{terminator}{'c' * 20}{terminator}".encode(name)
    with pytest.raises(HoldFile) as caught:
        list(chunks(long, Encoding(name, 0), terminator, 8 * width))
    assert (caught.value.held.reason, caught.value.held.line) == ("line_too_long", 3)
    nul = f"a{terminator}b{terminator}c\0\0{terminator}d".encode(name)
    for size in (4 * width, 100):
        with pytest.raises(HoldFile) as caught:
            list(chunks(nul, Encoding(name, 0), terminator, size))
        assert (caught.value.held.reason, caught.value.held.line) == ("nul_byte", 3)
    with pytest.raises(HoldFile) as caught:
        list(chunks("\0".encode(name), Encoding(name, 0), terminator, 100))
    assert (caught.value.held.reason, caught.value.held.line) == ("nul_byte", 1)


@pytest.mark.parametrize("size", [4, 6, 100])
@pytest.mark.parametrize("ending", ["\n", "\r"])
def test_a_byte_that_the_encoding_has_not_is_told_by_its_place(size: int, ending: str) -> None:
    """D800 is half of a pair (Unicode Standard, 3.8); 81 stands for nothing in windows-1252."""
    start = f"a{ending}b{ending}"
    for data, name, byte in (
        (f"{start}c".encode() + b"\xff" + ending.encode(), "utf-8", 5),
        (f"{start}c".encode() + b"\xc3", "utf-8", 5),
        (f"{start}c".encode() + b"\x81" + ending.encode(), "cp1252", 5),
        (start.encode("utf-16-le") + b"\x00\xd8a\x00", "utf-16-le", 8),
    ):
        with pytest.raises(HoldFile) as caught:
            list(chunks(data, Encoding(name, 0), ending, size))
        held = caught.value.held
        assert (held.reason, held.byte_offset, held.line) == ("mixed_encodings", byte, 3), name


@pytest.mark.parametrize("name", ["utf-8", "utf-16-le"])
@pytest.mark.parametrize("ending", ["\n", "\r"])
def test_the_first_nul_is_told_and_counted_from_the_first_line(name: str, ending: str) -> None:
    for text, line in ((f"a{ending}b\0{ending}c\0{ending}", 2), (f"{ending}\0{ending}\0", 2), (f"\0{ending}\0", 1)):
        with pytest.raises(HoldFile) as caught:
            list(chunks(text.encode(name), Encoding(name, 0), ending, 100))
        assert (caught.value.held.reason, caught.value.held.line) == ("nul_byte", line)
        assert caught.value.held.byte_offset == (text.index("\0") if name == "utf-8" else None)


@pytest.mark.parametrize("size", [4, 5, 9, 10, 11, 100])
def test_half_a_character_is_told_by_its_first_byte_wherever_a_chunk_ends(size: int) -> None:
    """D800 is half of a pair (Unicode Standard, 3.8): here before what is no other half, and at the end."""
    start = "a\nb\n".encode("utf-16-le")
    for data, byte, line in (
        (start + b"\x00\xd8a\x00", 8, 3),
        (start + b"\x00\xd8", 8, 3),
        (start + b"a", 8, 3),
        (b"\x00\xd8a\x00", 0, 1),
    ):
        with pytest.raises(HoldFile) as caught:
            list(chunks(data, Encoding("utf-16-le", 0), "\n", size))
        held = caught.value.held
        assert (held.reason, held.byte_offset, held.line) == ("mixed_encodings", byte, line)
