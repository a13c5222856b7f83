"""The structure of an XLSX workbook (ISO/IEC 29500-1, clauses 18.3 and 18.8), read before its reader sees it."""

from __future__ import annotations

import io
import zipfile
import zlib
from typing import TYPE_CHECKING
from xml.parsers import expat

from pipeline.intake.workbooks.structure import (
    MOST_PARTS,
    MOST_UNPACKED,
    PERCENT_FORMATS,
    Refused,
    Structure,
    cells_fit,
    no_workbook,
    protected,
    too_large,
)

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["structure_of"]


def _parts_checked(archive: zipfile.ZipFile) -> None:
    """Look at the sizes that the directory states, then at those that are true, piece by piece."""
    infos = archive.infolist()
    names = [info.filename for info in infos]
    if "xl/workbook.xml" not in names:
        kind = "a workbook of another format" if "mimetype" in names or "xl/workbook.bin" in names else "a ZIP archive"
        raise no_workbook(kind)
    if any(info.flag_bits & 1 for info in infos):
        raise protected()
    if len(infos) > MOST_PARTS or len(set(names)) < len(names):
        raise too_large(f"has {len(infos):,} parts, or two of one name")
    stated = sum(info.file_size for info in infos)
    if stated > MOST_UNPACKED:
        raise too_large(f"unpacks to {stated:,} bytes; at most {MOST_UNPACKED:,} are read")
    true = 0
    for info in infos:
        with archive.open(info) as part:
            while piece := part.read(1 << 20):
                true += len(piece)
                if true > MOST_UNPACKED:
                    raise too_large(f"unpacks to more than {MOST_UNPACKED:,} bytes")


def _walk(
    archive: zipfile.ZipFile,
    name: str,
    start: Callable[[str, dict[str, str]], None],
    end: Callable[[str, str], None] | None = None,
    text_of: tuple[str, ...] = (),
) -> None:
    """Go through an XML part; names without prefix. A document type, which could name entities, is refused."""
    parser = expat.ParserCreate(namespace_separator=" ")
    texts: list[str] = []

    def started(tag: str, attributes: dict[str, str]) -> None:
        plain = tag.rpartition(" ")[2]
        if plain in text_of:
            texts.clear()
            parser.CharacterDataHandler = texts.append
        start(plain, attributes)

    def ended(tag: str) -> None:
        plain = tag.rpartition(" ")[2]
        if plain in text_of:
            parser.CharacterDataHandler = None
        if end is not None:
            end(plain, "".join(texts))

    def refuse(*_: object) -> None:
        raise Refused("not_text", f"Part {name} declares a document type.", "Save the sheet again as XLSX or CSV.")

    parser.StartElementHandler = started
    parser.EndElementHandler = ended if end is not None else None
    parser.StartDoctypeDeclHandler = refuse
    with archive.open(name) as part:
        while piece := part.read(1 << 20):
            parser.Parse(piece, False)
        parser.Parse(b"", True)


def _percent_styles(archive: zipfile.ZipFile) -> set[str]:
    """Return the numbers of the cell styles that show a number as a percentage."""
    codes: dict[int, str] = {}
    styles: list[int] = []
    inside: list[bool] = [False]

    def start(tag: str, attributes: dict[str, str]) -> None:
        if tag == "numFmt":
            codes[int(attributes.get("numFmtId", 0))] = attributes.get("formatCode", "")
        elif tag == "cellXfs":
            inside[0] = True
        elif tag == "xf" and inside[0]:
            styles.append(int(attributes.get("numFmtId", 0)))

    def end(tag: str, _: str) -> None:
        if tag == "cellXfs":
            inside[0] = False

    if "xl/styles.xml" in archive.namelist():
        _walk(archive, "xl/styles.xml", start, end)
    return {str(n) for n, code in enumerate(styles) if code in PERCENT_FORMATS or "%" in codes.get(code, "")}


def _sheet_parts(archive: zipfile.ZipFile) -> dict[str, str]:
    """Return the part of each sheet, by its name."""
    relations: dict[str, str] = {}
    parts: dict[str, str] = {}

    def relation(tag: str, attributes: dict[str, str]) -> None:
        if tag == "Relationship":
            relations[attributes.get("Id", "")] = attributes.get("Target", "")

    def sheet(tag: str, attributes: dict[str, str]) -> None:
        if tag == "sheet":
            key = next((value for name, value in attributes.items() if name.rpartition(" ")[2] == "id"), "")
            target = relations.get(key, "")
            name = attributes.get("name", "")
            if name in parts:
                raise ValueError(f"two sheets are named {name!r}")
            parts[name] = target[1:] if target.startswith("/") else f"xl/{target}"

    _walk(archive, "xl/_rels/workbook.xml.rels", relation)
    _walk(archive, "xl/workbook.xml", sheet)
    return parts


def _place(reference: str) -> tuple[int, int]:
    """Row and column of a reference such as B7, from 0."""
    letters = reference.rstrip("0123456789")
    column = 0
    for letter in letters:
        column = 26 * column + ord(letter) - 64
    return int(reference[len(letters) :]) - 1, column - 1


def _sheet_structure(archive: zipfile.ZipFile, part: str, percent: set[str]) -> Structure:
    found = Structure()
    row, column, kind, style, formula, filled = -1, -1, "", "", False, False

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal row, column, kind, style, formula, filled
        if tag == "c":
            reference = attributes.get("r")
            row, column = _place(reference) if reference else (row, column + 1)
            kind, style, formula, filled = attributes.get("t", "n"), attributes.get("s", ""), False, False
        elif tag == "v":
            filled = True
        elif tag == "f":
            formula = True
        elif tag == "is":
            filled = True
        elif tag == "row":
            row, column = int(attributes["r"]) - 1 if "r" in attributes else row + 1, -1
            if attributes.get("hidden") in ("1", "true"):
                found.hidden_rows.add(row)
        elif tag == "col" and attributes.get("hidden") in ("1", "true"):
            found.hidden_columns.append((int(attributes["min"]) - 1, int(attributes["max"]) - 1))

    def end(tag: str, text: str) -> None:
        if tag != "c" or not (filled or formula):
            return
        found.seen(row, column)
        if kind == "e":
            found.faults.append((row, column, "error", text))
        elif formula:
            found.faults.append((row, column, "formula", "" if filled else "without a stored result"))
        elif kind == "n" and style in percent:
            found.faults.append((row, column, "percent", text))

    _walk(archive, part, start, end, text_of=("v",))
    return found


def structure_of(data: bytes) -> dict[str, Structure]:
    """Return the structure of each sheet by its name, after all limits were looked at.

    Raises
    ------
    Refused
        If it is damaged, protected or too large.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            _parts_checked(archive)
            percent = _percent_styles(archive)
            names = set(archive.namelist())
            found = {
                name: _sheet_structure(archive, part, percent)
                for name, part in _sheet_parts(archive).items()
                if part in names and "worksheets/" in part
            }
    except (
        zipfile.BadZipFile,
        zlib.error,
        expat.ExpatError,
        LookupError,
        ValueError,
        OSError,
        NotImplementedError,  # zipfile: packed by a method that Python does not know
        EOFError,
    ) as error:
        raise Refused(
            "damaged_workbook", f"The workbook is damaged: {error}.", "Open it, save it again and load that."
        ) from None
    cells_fit(list(found.values()))
    return found
