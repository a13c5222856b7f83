"""The preamble: keys and values before the header, and what they fill."""

from __future__ import annotations

import csv
import re
from typing import TYPE_CHECKING

from pipeline.intake.reading import Held, HoldFile, shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.intake.head import Head
    from pipeline.intake.layout import Constraints, Dialect, Layout

__all__ = ["broken_constraint", "read_preamble", "split_line"]


def split_line(line: str, dialect: Dialect) -> list[str]:
    """Split one line into cells; a line that breaks the rules of quoting is split without them.

    Parameters
    ----------
    line
        Text without its line end.
    dialect
        Of the layout.

    Returns
    -------
    list of str
    """
    if dialect.join_delimiters:
        line = re.sub(f"(?:{re.escape(dialect.delimiter)})+", dialect.delimiter, line.strip(dialect.delimiter))
    if dialect.quote_char and dialect.quote_char in line:
        try:
            return next(
                csv.reader(
                    [line],
                    delimiter=dialect.delimiter,
                    quotechar=dialect.quote_char,
                    doublequote=dialect.double_quote,
                    strict=True,
                )
            )
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


def read_preamble(lines: Sequence[tuple[int, str]], layout: Layout, head: Head) -> None:
    """Read what stands before the header into the head: metadata, and the columns it fills.

    Parameters
    ----------
    lines
        Number and text of the lines, without blank ones and comments.
    layout
        What to expect.
    head
        Takes metadata, columns filled and warnings.

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
        separator = layout.preamble.separator
        if separator is None:
            key, *rest = split_line(line, dialect)
            value = next((cell.strip() for cell in rest if cell.strip()), None) if rest else None
        else:
            key, found, after = line.partition(separator)
            value = after.strip().strip(dialect.delimiter).strip() if found else None
        key = key.strip().rstrip(":").strip()
        if value is None or not key:
            text.append(stripped)
        elif key in head.metadata:
            text.append(stripped)
            head.warnings.append(f"line {number}: '{shown(key)}' stands twice before the header; the first counts")
        else:
            head.metadata[key] = value
    if text:
        head.metadata.setdefault("text", "\n".join(text))
    for wanted in layout.preamble.keys:
        found_value = head.metadata.get(wanted.key)
        if found_value is None:
            if wanted.required:
                raise HoldFile(
                    Held(
                        "preamble_key_missing",
                        f"Nothing before the header states '{wanted.key}'.",
                        "Export again with it, or declare the key as not required in the layout.",
                    )
                )
            continue
        broken = broken_constraint(found_value, wanted.constraints)
        if broken is not None:
            reason = "serial_mismatch" if wanted.column == "meter" else "preamble_mismatch"
            raise HoldFile(
                Held(
                    reason,
                    f"'{wanted.key}' before the header is '{shown(found_value)}', the layout expects {broken}.",
                    "Name the layout of this meter, or correct the constraint in the layout.",
                )
            )
        if wanted.values is not None:
            if found_value not in wanted.values:
                raise HoldFile(
                    Held(
                        "preamble_mismatch",
                        f"'{wanted.key}' before the header is '{shown(found_value)}', "
                        f"which the layout does not translate; known: {', '.join(wanted.values)}.",
                        "Add it to 'values' of that key in the layout.",
                    )
                )
            found_value = wanted.values[found_value]
        if wanted.column is not None:
            head.filled[wanted.column] = found_value
