"""What the columns of an unknown file might be: by their names, their units and the look of their cells."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.intake.sniff import Shape, is_number
from pipeline.intake.suggest_words import language_of, target_of_name
from pipeline.intake.units_text import COLUMN_UNITS, spelled_unit, unit_in_name
from schemas.tables import ROLES, TEMPERATURE_STATES, UNITS

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["FoundColumn", "find_columns", "language_of_columns", "replicate_pattern"]


@dataclass(slots=True)
class FoundColumn:
    """One column of the file, or several replicate columns.

    `target` is None where it is open; `cells` are those of the first lines, not empty.
    """

    name: str
    target: str | None
    unit: str | None
    unit_in_header: bool
    cells: tuple[str, ...]
    replicates: int = 0
    pattern: str | None = None

    @property
    def needs_unit(self) -> bool:
        """Whether a number of this column means nothing without a unit."""
        return self.target in COLUMN_UNITS or self.target in ("value", "standard_deviation")


def replicate_pattern(names: Sequence[str]) -> tuple[str, tuple[int, ...]] | None:
    """Return the pattern of names that differ in a number only, and their places, where there are two or more."""
    groups: dict[tuple[str, str], list[int]] = {}
    for place, name in enumerate(names):
        found = re.fullmatch(r"(\D*)(\d+)(\D*)", name)
        if found and found[1]:
            groups.setdefault((found[1], found[3]), []).append(place)
    several = [(key, places) for key, places in groups.items() if len(places) > 1]
    if not several:
        return None
    (before, after), places = max(several, key=lambda entry: len(entry[1]))
    return f"{re.escape(before)}(\\d+){re.escape(after)}", tuple(places)


def _target_of_cells(cells: Sequence[str]) -> str | None:
    if cells and all(cell in TEMPERATURE_STATES for cell in cells):
        return "temperature_state"
    if cells and all(cell in ROLES for cell in cells):
        return "role"
    if cells and all(cell in UNITS for cell in cells):
        return "unit"
    return None


def _plain_names(shape: Shape) -> tuple[list[str], list[str], list[str | None], list[bool]]:
    """Names without unit in brackets, their words, units, and whether the unit stands in brackets."""
    width = len(shape.header) if shape.header is not None else len(shape.rows[0])
    names = list(shape.header) if shape.header is not None else [f"column {n}" for n in range(1, width + 1)]
    units: list[str | None] = [None] * width
    inside = [False] * width
    for place, name in enumerate(names):
        parts = unit_in_name(name)
        unit = spelled_unit(parts[1], {}) if parts is not None else None
        if parts is not None and unit is not None:
            names[place], units[place], inside[place] = parts[0], unit, True
    words = list(names)
    for place, name in enumerate(names):
        word, _, unit_word = name.rpartition(" ")
        unit = spelled_unit(unit_word, {})
        if units[place] is not None or unit is None:
            continue
        if not word:  # a column called IACS
            units[place] = unit if unit in UNITS else None
        elif len(unit_word) > 1 or target_of_name(word) == "temperature_c":
            words[place], units[place] = word.rstrip(" ,;"), unit
    for place, text in enumerate(shape.units or ()):
        units[place] = spelled_unit(text, {}) if text else units[place]
    for place, name in enumerate(shape.lower_names):
        lower = (unit_in_name(name) or (name, ""))[0]
        words[place] = words[place] if target_of_name(words[place], language_of(words)) or not lower else lower
    return names, words, units, inside


def language_of_columns(shape: Shape) -> str:
    """Return the language of the names of the columns."""
    return language_of(_plain_names(shape)[1]) if shape.header is not None else "english"


def find_columns(shape: Shape) -> list[FoundColumn]:
    """Say for each column of the file what it might be.

    Parameters
    ----------
    shape
        Parts of the file.

    Returns
    -------
    list of FoundColumn
        In the order of the file; no target twice.
    """
    names, words, units, inside = _plain_names(shape)
    language = language_of(words)
    columns_of = [tuple(row[place] for row in shape.rows if row[place]) for place in range(len(names))]
    numeric = [bool(cells) and sum(map(is_number, cells)) >= 0.5 * len(cells) for cells in columns_of]
    repeated = replicate_pattern(names) if shape.header is not None else None
    places: tuple[int, ...] = ()
    if repeated is not None and all(numeric[place] for place in repeated[1]):
        # several columns of readings, unless they carry no unit and another column is called a value
        named = any(target_of_name(word, language) == "value" for n, word in enumerate(words) if n not in repeated[1])
        if units[repeated[1][0]] in UNITS or not named:
            places = repeated[1]
    found: list[FoundColumn] = []
    taken: set[str] = set()
    for place, name in enumerate(names):
        if place in places[1:]:
            continue
        if places and place == places[0] and repeated is not None:
            cells = tuple(cell for other in places for cell in columns_of[other])
            found.append(FoundColumn(name, "value", units[place], inside[place], cells, len(places), repeated[0]))
            taken.add("value")
            continue
        target = target_of_name(words[place], language) if shape.header is not None else None
        target = target or _target_of_cells(columns_of[place])
        if target == "value" and units[place] not in UNITS and any(one in UNITS for one in units):
            whole = all(cell.isdigit() for cell in columns_of[place])
            target = "sequence" if whole and "sequence" not in taken else None  # the value is the column with its unit
        if target is None and units[place] in UNITS:
            target = "value"
        if target in taken or (target == "value" and places):
            target = None
        if (
            target == "measured_date" and any(re.search(r"\d[ T]\d{1,2}:\d{2}", cell) for cell in columns_of[place])
        ) or (
            target == "measured_time" and any(re.search(r"\d[ T]+\d{1,2}:\d{2}", cell) for cell in columns_of[place])
        ):
            target = "measured_at"
        if target is not None:
            taken.add(target)
        unit = units[place]
        if unit is None and name in COLUMN_UNITS:  # our own name of a column says its unit
            unit = next(iter(COLUMN_UNITS[name]))
        found.append(FoundColumn(name, target, unit, inside[place], columns_of[place]))
    return found
