"""What the columns of an unknown file might be: by their names, their units and the look of their cells."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.intake.sniff import Shape, is_number
from pipeline.intake.units_text import COLUMN_UNITS, spelled_unit, unit_in_name
from schemas.tables import READING, ROLES, TEMPERATURE_STATES, UNITS

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["FoundColumn", "find_columns", "replicate_pattern", "target_of_name"]

# words of the trade in names of columns, in the order in which they are tried
_WORDS: tuple[tuple[str, str], ...] = (
    ("standard_deviation", r"std\.?[ _]?dev.*|standard[ _]deviation|stdev|sd|s|sigma_n"),
    ("temperature_state", r"(?:temp\w*[ _]?)?state|compensation|comp"),
    ("temperature_source", r"temp\w*[ _]source"),
    ("temperature_age_min", r"temp\w*[ _]age\w*"),
    ("pieces", r"pieces|stack\w*"),
    ("temperature_c", r"(?:metal|room|part|ambient)?[ _]?temp\w*[ _.]?c?|metal|room|t"),
    ("frequency_khz", r"freq\w*|f|frequency_khz"),
    ("thickness_mm", r"thick\w*|wall"),
    ("coating_um", r"coat\w*|lift[ _-]?off|paint"),
    ("radius_mm", r"radius\w*|curvature"),
    ("sequence", r"nr\.?|no\.?|n[°o]|#|seq\w*|index|counter|line"),
    ("count", r"n|count|readings"),
    ("measured_at", r"measured_at|stamp|time[ _]?stamp|date[ /_]?(?:and )?time|datetime|when"),
    ("measured_date", r"date|day"),
    ("measured_time", r"time|clock|hour"),
    ("meter", r"(?:meter|instrument|gauge|device)?[ _]?serial[ _]?(?:no\.?|number)?|meter|instrument|gauge|device"),
    ("probe", r"probe\w*|head"),
    ("operator", r"operator|by|user|inspector|who"),
    ("role", r"role|kind|use|purpose"),
    ("lot", r"lot\w*|batch\w*|heat"),
    ("block", r"(?:reference[ _]?)?block|standard|reference|coupon"),
    ("part", r"part\w*|piece|sample|item"),
    ("spot", r"spot|position|pos\.?|point|place"),
    ("unit", r"units?"),
    ("value", r"value|reading|result|mean|cond\w*|conductivity|resistivity|σ|rho|ρ|iacs|%iacs|ms/m"),
    ("remark", r"remarks?|notes?|comments?"),
    ("run", r"run|series|study"),
    ("sensor", r"sensor"),
)


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


def target_of_name(name: str) -> str | None:
    """Return the column of readings that a name suggests, or None."""
    plain = name.strip().lower().rstrip(":")
    if plain in READING.names:
        return plain
    return next((target for target, words in _WORDS if re.fullmatch(words, plain)), None)


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


def _plain_names(shape: Shape) -> tuple[list[str], list[str | None], list[bool]]:
    """Names without unit, units, and whether the unit stands in the name."""
    width = len(shape.header) if shape.header is not None else len(shape.rows[0])
    names = list(shape.header) if shape.header is not None else [f"column {n}" for n in range(1, width + 1)]
    units: list[str | None] = [None] * width
    inside = [False] * width
    for place, name in enumerate(names):
        parts = unit_in_name(name)
        unit = spelled_unit(parts[1], {}) if parts is not None else None
        if parts is not None and unit is not None:
            names[place], units[place], inside[place] = parts[0], unit, True
    for place, text in enumerate(shape.units or ()):
        units[place] = spelled_unit(text, {}) if text else units[place]
    return names, units, inside


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
    names, units, inside = _plain_names(shape)
    columns_of = [tuple(row[place] for row in shape.rows if row[place]) for place in range(len(names))]
    numeric = [bool(cells) and sum(map(is_number, cells)) >= 0.5 * len(cells) for cells in columns_of]
    repeated = replicate_pattern(names) if shape.header is not None else None
    places: tuple[int, ...] = ()
    if repeated is not None and all(numeric[place] for place in repeated[1]):
        # several columns of readings, unless they carry no unit and another column is called a value
        named = any(target_of_name(name) == "value" for n, name in enumerate(names) if n not in repeated[1])
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
        target = target_of_name(name) if shape.header is not None else None
        target = target or _target_of_cells(columns_of[place])
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
