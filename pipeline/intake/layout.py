"""A layout: how one kind of export is written. One TOML file, checked as a whole when it is read."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.intake.layout_keys import take

if TYPE_CHECKING:
    from collections.abc import Mapping
    from re import Pattern

__all__ = [
    "Constraints",
    "Dialect",
    "Field",
    "FooterStatistic",
    "Layout",
    "MatchRules",
    "PreambleKey",
    "parse_layout",
]


@dataclass(frozen=True, slots=True)
class Constraints:
    """What a cell must satisfy, or its line is quarantined."""

    required: bool = False
    pattern: Pattern[str] | None = None
    enum: tuple[str, ...] | None = None
    minimum: float | None = None
    maximum: float | None = None
    min_length: int | None = None
    max_length: int | None = None


@dataclass(frozen=True, slots=True)
class Dialect:
    """How lines and cells are written."""

    encoding: str
    delimiter: str
    join_delimiters: bool
    quote_char: str
    double_quote: bool
    line_terminator: str
    skip_initial_space: bool
    trim_cells: bool
    comment_char: str | None
    comment_rows: frozenset[int]
    header: bool
    header_row: int | None
    preamble_rows: int
    units_row: bool
    final_newline: bool


@dataclass(frozen=True, slots=True)
class Field:
    """One column of the file; `column` is None where it is ignored, `name_pattern` set for replicate columns."""

    name: str
    name_pattern: Pattern[str] | None
    replicates: int | None
    column: str | None
    type: str
    format: str
    join_with: tuple[str, ...]
    month_names: tuple[str, ...] | None
    decimal_char: str
    group_char: str | None
    exponent: bool
    missing_values: tuple[str, ...]
    true_values: tuple[str, ...]
    false_values: tuple[str, ...]
    unit: str | None
    unit_in_header: bool
    values: Mapping[str, str] | None
    keep_other_values: bool
    constraints: Constraints

    @property
    def label(self) -> str:
        """The name for messages."""
        return self.name if self.name_pattern is None else self.name_pattern.pattern


@dataclass(frozen=True, slots=True)
class PreambleKey:
    """A line `key, value` before the header, and the column it fills for every reading."""

    key: str
    column: str | None
    required: bool
    values: Mapping[str, str] | None
    constraints: Constraints


@dataclass(frozen=True, slots=True)
class FooterStatistic:
    """A figure of the footer: `cell` counts from 0."""

    label: str
    statistic: str
    cell: int


@dataclass(frozen=True, slots=True)
class MatchRules:
    """What narrows the files a layout is tried on."""

    folder: Pattern[str] | None = None
    file_name: Pattern[str] | None = None
    preamble: str | None = None


@dataclass(frozen=True, slots=True)
class Layout:
    """How one kind of export is written.

    `zone` is "offset" (each time carries its own), "site" or an IANA name. `constants` maps columns of the table of
    readings to text, number or truth; `year` completes dates without one.
    """

    name: str
    version: int
    title: str
    description: str
    wide: bool
    zone: str
    repeats_kept: bool
    taken_by_hand: bool
    dialect: Dialect
    fields: tuple[Field, ...]
    fields_match: str
    preamble_separator: str | None
    preamble_keys: tuple[PreambleKey, ...]
    constants: Mapping[str, str | float | bool]
    year: int | None
    non_readings: Mapping[str, str]
    unit_aliases: Mapping[str, tuple[str, ...]]
    footer_pattern: Pattern[str] | None
    footer_required: bool
    footer_statistics: tuple[FooterStatistic, ...]
    match: MatchRules

    def field_of(self, column: str) -> Field | None:
        """Return the field that fills a column, or None."""
        return next((field for field in self.fields if field.column == column), None)

    @property
    def value_field(self) -> Field:
        """The field of the values; a layout without one is refused when it is read."""
        return next(field for field in self.fields if field.column == "value")

    @property
    def unit(self) -> str | None:
        """The unit of the value, or None where a column of the file states it."""
        return self.value_field.unit


def parse_layout(text: str, where: str) -> Layout:
    """Read a layout from TOML text.

    Parameters
    ----------
    text
        Content of a layout file.
    where
        Name of the file, for messages.

    Returns
    -------
    Layout

    Raises
    ------
    errors.LayoutError
        Names file, key, what was found, what was expected, and the nearest known word.
    """
    from pipeline.errors import LayoutError
    from pipeline.intake.layout_rules import build

    try:
        raw = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise LayoutError(f"{where}: not a TOML file: {error}") from error
    return build(take("layout", raw, where), where)


def compiled(pattern: str | None) -> Pattern[str] | None:
    """Compile a pattern of a layout; None stays None.

    Raises
    ------
    re.error
        If it is not a pattern.
    """
    return None if pattern is None else re.compile(pattern)
