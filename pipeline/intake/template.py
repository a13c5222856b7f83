"""A sheet for a meter without an export: readings written down by hand, and the layout that reads them back."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.errors import UsageError
from pipeline.intake.layout_errors import nearest
from pipeline.intake.workbooks.writing import LISTS, READINGS, sheet_to_fill_in
from schemas.tables import ROLES, TEMPERATURE_STATES, UNITS

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["Template", "template"]

# name in the sheet, column of readings, further keys of the field
_COLUMNS: tuple[tuple[str, str, str], ...] = (
    ("Date (YYYY-MM-DD)", "measured_date", 'type = "date"\nformat = "%Y-%m-%d"'),
    ("Time (HH:MM)", "measured_time", 'type = "time"\nformat = "%H:%M"'),
    ("Meter", "meter", "constraints = { required = true }"),
    ("Probe", "probe", ""),
    ("Operator", "operator", "constraints = { required = true }"),
    ("Role", "role", "constraints = { required = true }"),
    ("Lot", "lot", ""),
    ("Part", "part", ""),
    ("Spot", "spot", ""),
    ("Block", "block", ""),
    ("Value", "value", 'type = "number"\nunit = "{unit}"\nunitInHeader = true'),
    ("Metal temperature", "temperature_c", 'type = "number"\nunit = "degC"\nunitInHeader = true'),
    ("Temperature state", "temperature_state", "constraints = { required = true }"),
    ("Frequency", "frequency_khz", 'type = "number"\nunit = "kHz"\nunitInHeader = true'),
    ("Thickness", "thickness_mm", 'type = "number"\nunit = "mm"\nunitInHeader = true'),
    ("Remark", "remark", ""),
)
_KINDS = {"measured_date": "date", "measured_time": "time"} | dict.fromkeys(
    ("value", "temperature_c", "frequency_khz", "thickness_mm"), "number"
)
_SHOWN_UNITS = {"temperature_c": "°C", "frequency_khz": "kHz", "thickness_mm": "mm"}


@dataclass(frozen=True, slots=True)
class Template:
    """A sheet to fill in, twice, and its layout.

    `csv_text` is the header alone (write it as UTF-8 with a byte order mark, which spreadsheets look for);
    `workbook_bytes` is the same as a workbook with drop-down lists; `layout_text` reads back the workbook, and what is saved
    of it as CSV.
    """

    csv_text: str
    workbook_bytes: bytes
    layout_text: str


def template(
    *,
    unit: str = "MS/m",
    delimiter: str = ",",
    decimal_char: str = ".",
    name: str = "by_hand",
    meters: Sequence[str] = (),
    probes: Sequence[str] = (),
    blocks: Sequence[str] = (),
) -> Template:
    """Return a sheet for readings taken down by hand.

    Parameters
    ----------
    unit
        Unit that the meter shows.
    delimiter, decimal_char
        As the spreadsheet of the site saves CSV: comma and point, or semicolon and comma.
    name
        Name of the layout.
    meters, probes, blocks
        Texts to choose from; without them the cells are free.

    Raises
    ------
    errors.UsageError
        If the unit is unknown, or delimiter and decimal mark are the same.
    """
    if unit not in UNITS:
        raise UsageError(f"unknown unit {unit!r}, expected one of {', '.join(UNITS)}{nearest(unit, UNITS)}")
    if delimiter == decimal_char:
        raise UsageError(
            f"delimiter and decimal mark are both {delimiter!r}; a spreadsheet that writes decimal commas "
            "separates cells by semicolons"
        )
    header: list[str] = []
    fields: list[str] = []
    for label, column, keys in _COLUMNS:
        shown = unit if column == "value" else _SHOWN_UNITS.get(column)
        header.append(label if shown is None else f"{label} [{shown}]")
        # replaced, not formatted: the keys hold braces of their own
        body = f'name = "{label}"\ncolumn = "{column}"\n{keys}'.replace("{unit}", unit).rstrip()
        fields.append(f"[[schema.fields]]\n{body}\n")
    places = {column: place for place, (_, column, _) in enumerate(_COLUMNS)}
    choices: dict[str, Sequence[str]] = {
        "meter": meters,
        "probe": probes,
        "role": ROLES,
        "block": blocks,
        "temperature_state": TEMPERATURE_STATES,
    }
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=delimiter, lineterminator="\r\n").writerow(header)
    layout_text = f"""\
# Readings taken down by hand: a person filled in the sheet and saved it as workbook or as CSV.
# Minutes do not tell readings apart, so every repeat is kept.
name = "{name}"
version = 1
title = "Readings taken down by hand"
shape = "long"
zone = "site"
takenByHand = true
repeatsKept = true

[dialect]
encoding = "cp1252"
delimiter = "{delimiter}"
lineTerminator = "\\r\\n"
trimCells = true

[workbook]
sheets = ["{READINGS}"]
ignoreSheets = ["{LISTS}"]

[schema]
fieldsMatch = "equal"
decimalChar = "{decimal_char}"

{chr(10).join(fields)}"""
    lists = {places[column]: list(texts) for column, texts in choices.items()}
    kinds = [_KINDS.get(column, "text") for _, column, _ in _COLUMNS]
    return Template(text.getvalue(), sheet_to_fill_in(header, kinds, lists=lists), layout_text)
