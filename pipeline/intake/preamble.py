"""The preamble: keys and values before the header, and what they fill."""

from __future__ import annotations

import csv
import re
from typing import TYPE_CHECKING

from pipeline.intake.lines import quoted_cells
from pipeline.intake.reading import Held, HoldFile, shown
from pipeline.intake.units_text import spelled_unit

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.intake.layout import Layout
    from pipeline.intake.layout_outside import Key
    from pipeline.intake.layout_parts import Cells, Constraints, Dialect
    from pipeline.intake.reading import Head

__all__ = ["broken_constraint", "read_preamble", "split_key", "split_line", "without_unit"]


def split_line(line: str, dialect: Dialect) -> list[str]:
    """Split one line into cells; a line that breaks the rules of quoting is split without them.

    Parameters
    ----------
    line
        Text without its line end.
    dialect
        Of the layout.
    """
    if dialect.join_delimiters:
        line = re.sub(f"(?:{re.escape(dialect.delimiter)})+", dialect.delimiter, line.strip(dialect.delimiter))
    if dialect.quote_char and dialect.quote_char in line:
        try:
            return quoted_cells(line, dialect, skip_space=False)
        except csv.Error:
            pass
    return line.split(dialect.delimiter)


def broken_constraint(text: str, constraints: Constraints) -> str | None:
    """Return what a text should have been, or None where it satisfies the constraints."""
    if constraints.pattern is not None and constraints.pattern.fullmatch(text) is None:
        return f"the pattern {constraints.pattern.pattern}"
    if constraints.enum is not None and text not in constraints.enum:
        return f"one of {', '.join(constraints.enum)}"
    if constraints.min_length is not None and len(text) < constraints.min_length:
        return f"at least {constraints.min_length} characters"
    if constraints.max_length is not None and len(text) > constraints.max_length:
        return f"at most {constraints.max_length} characters"
    return None


def split_key(line: str, separator: str | None, dialect: Dialect) -> tuple[str, str | None]:
    """Return key and value of a line; None where it states no value.

    Parameters
    ----------
    line
        Text without its line end.
    separator
        Text between the two; None for the delimiter, where the first cell that is not empty is the value, with the unit that
        may follow a number.
    dialect
        Of the layout.
    """
    if separator is None:
        key, *rest = split_line(line, dialect)
        filled = [cell.strip() for cell in rest if cell.strip()]
        value = filled[0] if filled else None
        if len(filled) > 1 and filled[0][0].isdigit() and spelled_unit(filled[1], {}) is not None:
            value = f"{filled[0]} {filled[1]}"
    else:
        key, found, after = line.partition(separator)
        value = after.strip().strip(dialect.delimiter).strip() if found else None
    return key.strip().rstrip(":").strip(), value


def without_unit(text: str, field: Cells, aliases: Mapping[str, tuple[str, ...]]) -> str:
    """Return a number without the unit that follows it, if that is the declared one; else the text as it is."""
    if field.unit is not None and (
        parts := re.fullmatch(r"([+-]?[0-9][0-9.,'’ \u00a0\u202f]*?)\s*([^0-9\s.,'’].*)", text)
    ):
        return parts[1] if spelled_unit(parts[2], aliases) == field.unit else text
    return text


def read_preamble(lines: Sequence[tuple[int, str]], layout: Layout, head: Head, file_name: str | None = None) -> None:
    """Read what stands before the header into the head: metadata, and the columns it fills.

    Parameters
    ----------
    lines
        Number and text of the lines, without blank ones and comments.
    layout
        What to expect.
    head
        Takes metadata, columns filled and warnings.
    file_name
        Name of the file, without its folder; None where it is not to be looked at.

    Raises
    ------
    HoldFile
        If a key is missing or differs from the layout.
    """
    dialect = layout.dialect
    text: list[str] = []
    for number, line in lines:
        stripped = line.strip()
        if number == 1 and re.fullmatch(r"sep=.?", stripped):
            if stripped[4:] != dialect.delimiter.strip() and line[4:5] != dialect.delimiter:
                raise HoldFile(
                    Held(
                        "delimiter_mismatch",
                        f"The first line says '{shown(stripped)}', the layout declares '{dialect.delimiter}'.",
                        "Name a layout with this delimiter.",
                        line=1,
                    )
                )
            continue
        key, value = split_key(line, layout.preamble.separator, dialect)
        if value is None or not key:
            text.append(stripped)
        elif key in head.metadata:
            text.append(stripped)
            head.warnings.append(f"line {number}: '{shown(key)}' stands twice before the header; the first counts")
        else:
            head.metadata[key] = value
    if text:
        head.metadata.setdefault("text", "\n".join(text))
    _fill(head, head.metadata, layout.preamble.keys, "before the header", layout)
    if layout.file_name is not None and file_name is not None:
        fits = layout.file_name.pattern.fullmatch(file_name)
        if fits is None:
            raise HoldFile(
                Held(
                    "file_name_mismatch",
                    f"The name of the file, '{shown(file_name)}', is not written as layout {layout.name} declares: "
                    f"{layout.file_name.pattern.pattern}.",
                    "Give the file the name that the meter gave it, or name another layout.",
                )
            )
        said = {key: text for key, text in fits.groupdict().items() if text is not None}
        _fill(head, said, layout.file_name.all_keys, "in the name of the file", layout)


def _fill(head: Head, said: Mapping[str, str], keys: Sequence[Key], where: str, layout: Layout) -> None:
    """Fill columns for the whole file with what keys say; a time is read later, with the zone, and may need another cell."""
    for wanted in keys:
        text = said.get(wanted.key)
        if text is None:
            if wanted.required:
                raise HoldFile(
                    Held(
                        "preamble_key_missing",
                        f"Nothing {where} states '{wanted.key}'.",
                        "Export again with it, or declare the key as not required in the layout.",
                    )
                )
            continue
        broken = broken_constraint(text, wanted.constraints)
        if broken is not None:
            reason = "serial_mismatch" if wanted.column == "meter" else "preamble_mismatch"
            raise HoldFile(
                Held(
                    reason,
                    f"'{wanted.key}' {where} is '{shown(text)}', the layout expects {broken}.",
                    "Name the layout of this meter, or correct the constraint in the layout.",
                )
            )
        if wanted.values is not None and text not in wanted.values and not wanted.keep_other_values:
            raise HoldFile(
                Held(
                    "preamble_mismatch",
                    f"'{wanted.key}' {where} is '{shown(text)}', "
                    f"which the layout does not translate; known: {', '.join(wanted.values)}.",
                    "Add it to 'values' of that key in the layout.",
                )
            )
        if wanted.column is not None:
            text = (wanted.values or {}).get(text, text)
            head.said.append((wanted, without_unit(text, wanted, layout.unit_aliases)))
