"""Cells to columns: text, numbers and times by the declared grammar of each field, with a reason for every refusal."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.intake.preamble import broken_constraint
from pipeline.intake.reading import Held, HoldFile, shown
from pipeline.intake.refusals import mask_of
from pipeline.intake.text import (
    NumberGrammar,
    moment_failures,
    moment_grammar,
    parse_integers,
    parse_moments,
    parse_numbers,
)
from pipeline.intake.units_text import COLUMN_UNITS
from schemas.tables import READING
from schemas.terms import UNSEEN, YEARS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pipeline.intake.layout import Layout
    from pipeline.intake.layout_parts import Cells
    from pipeline.intake.reading import FileColumn
    from pipeline.intake.refusals import Refusals

__all__ = ["IDENTIFIERS", "booleans", "integers", "moments", "numbers", "texts", "values"]

IDENTIFIERS = ("meter", "probe", "lot", "part", "spot", "block", "operator", "sensor", "run", "name")
"""Columns in which a spreadsheet's rewriting does harm unseen."""

_MONTHS = (
    "jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec|mär|mrz|mai|okt|dez|des|avr|fév|fev|févr|juin|juil|aoû|déc|ene|abr|"
    "ago|dic|gen|mag|giu|lug|set|ott|out|dez|maj|maart|mrt|mei"
)
SPREADSHEET_DATE = rf"(?i)^(?:[0-9]{{1,2}}[-. /]\s?(?:{_MONTHS})[a-zäéûç]{{0,6}}\.?(?:[-. /]?[0-9]{{2,4}})?|(?:{_MONTHS})[-. /][0-9]{{2,4}})$"
SPREADSHEET_POWER = r"^[+-]?[0-9](?:[.,][0-9]+)?[eE]\+?[0-9]{1,3}$"
_NOT_FINITE = (
    r"(?i)^[+-]?(?:nan|inf(?:inity)?|1\.?#(?:inf|ind|qnan).*|∞|[0-9.,]+e\+?(?:309|3[1-9][0-9]|[4-9][0-9]{2}))$"
)
_POWER = r"^[+-]?[0-9]*[.,]?[0-9]+[eE][+-]?[0-9]{1,3}$"


def _without_missing(cells: pl.Series, field: Cells) -> pl.Series:
    if not field.missing_values:
        return cells
    missing = cells.cast(pl.String).is_in(list(field.missing_values)).fill_null(value=False)
    return cells.set(missing, None) if missing.any() else cells


def _need(cells: pl.Series, column: FileColumn, refusals: Refusals) -> None:
    if column.field.constraints.required and cells.null_count():
        refusals.add(cells.is_null(), column.name, "missing_value", "a value", cells)


def texts(cells: pl.Series, column: FileColumn, refusals: Refusals) -> pl.Series:
    """Read a column of text.

    Every check runs over the distinct texts only, which are few in a column of lots or meters.

    Parameters
    ----------
    cells
        Categorical; null for an empty cell.
    column
        Where the cells come from, with its field.
    refusals
        Takes what is refused.

    Returns
    -------
    polars.Series
        Categorical, translated where the field has `values`.
    """
    field = column.field
    cells = _without_missing(cells, field)
    _need(cells, column, refusals)
    distinct = cells.unique().cast(pl.String).drop_nulls()

    def refuse(wrong: Sequence[str], reason: str, expected: str) -> None:
        if wrong:
            found = cells.cast(pl.String)
            refusals.add(found.is_in(list(wrong)), column.name, reason, expected, found)

    refuse(distinct.filter(distinct.str.contains(r"^\s|\s$")).to_list(), "surrounding_space", "no space around it")
    refuse(distinct.filter(distinct.str.contains("[\ufffd\ufeff]")).to_list(), "damaged_text", "text without \ufffd")
    if field.column in IDENTIFIERS:
        unseen = distinct.filter(distinct.str.contains(f"[{UNSEEN}]")).to_list()
        refuse(unseen, "damaged_text", "a name without marks that nobody sees")
    limits = field.constraints
    if limits.pattern or limits.enum is not None or limits.min_length is not None or limits.max_length is not None:
        broken = [(text, wrong) for text in distinct if (wrong := broken_constraint(text, limits)) is not None]
        for expected in dict.fromkeys(wrong for _, wrong in broken):
            refuse([text for text, wrong in broken if wrong == expected], "breaks_constraint", expected)
    if field.column in IDENTIFIERS and limits.pattern is None and limits.enum is None:
        damaged = distinct.filter(distinct.str.contains(SPREADSHEET_DATE) | distinct.str.contains(SPREADSHEET_POWER))
        refuse(damaged.to_list(), "spreadsheet_damage_suspected", f"a {field.column}, not a date or a power of ten")
    allowed = READING[field.column].allowed if field.column in READING.polars_schema else None
    if field.values is not None:
        if not field.keep_other_values:
            known = set(field.values)
            refuse([text for text in distinct if text not in known], "not_in_list", f"one of {', '.join(field.values)}")
        found = cells.cast(pl.String)
        kept = found if field.keep_other_values else None
        translated = (
            found.replace_strict(field.values, default=None, return_dtype=pl.String)
            if kept is None
            else found.replace(field.values)
        )
        return translated.cast(pl.Categorical)
    if allowed is not None:
        refuse([text for text in distinct if text not in allowed], "not_in_list", f"one of {', '.join(allowed)}")
    return cells


_THICKEST_MM = 1000.0
"""No handheld meter is put on metal of a metre: a thickness with one group mark and no decimal mark is read wrong (own bound)."""


def _grammar(field: Cells) -> NumberGrammar:
    return NumberGrammar(field.decimal_char, field.group_char, field.exponent)


def _hold_format(cells: pl.Series, wrong: pl.Series, lines: pl.Series, column: FileColumn) -> HoldFile:
    first = wrong.arg_true()[0]
    line, mark = int(lines[first]), column.field.decimal_char
    group = f" and groups marked '{column.field.group_char}'" if column.field.group_char else " and no groups"
    return HoldFile(
        Held(
            "number_format_mismatch",
            f"Line {line}, column '{shown(column.name)}': '{shown(str(cells[first]))}' is not written as the layout declares "
            f"(decimal mark '{mark}'{group}). A number read with the wrong mark would be wrong by a factor of 1000.",
            "Name a layout with the marks of this file: decimalChar and groupChar.",
            line=line,
        )
    )


def _refuse_numbers(
    cells: pl.Series, failed: pl.Series, lines: pl.Series, column: FileColumn, refusals: Refusals
) -> None:
    """Say for cells that are no number why not; the wrong number format holds the file."""
    grammar = _grammar(column.field)
    foreign = failed & cells.str.contains(grammar.opposite)
    if foreign.any():
        raise _hold_format(cells, foreign, lines, column)
    expected = f"a number with decimal mark '{grammar.decimal_char}'"
    for pattern, reason, what in (
        (_NOT_FINITE, "not_finite", "a finite number"),
        (SPREADSHEET_DATE, "spreadsheet_damage_suspected", "a number, not a date"),
        (_POWER, "not_finite" if grammar.exponent else "unexpected_exponent", expected),
    ):
        here = failed & cells.str.contains(pattern)
        refusals.add(here, column.name, reason, what, cells)
        failed = failed & ~here
    refusals.add(failed, column.name, "not_a_number", expected, cells)


def _within(numbers_read: pl.Series, cells: pl.Series, column: FileColumn, refusals: Refusals) -> None:
    limits = column.field.constraints
    if limits.minimum is not None:
        refusals.add(
            numbers_read < limits.minimum, column.name, "breaks_constraint", f"at least {limits.minimum:g}", cells
        )
    if limits.maximum is not None:
        refusals.add(
            numbers_read > limits.maximum, column.name, "breaks_constraint", f"at most {limits.maximum:g}", cells
        )


def numbers(cells: pl.Series, lines: pl.Series, column: FileColumn, refusals: Refusals) -> pl.Series:
    """Read a column of numbers other than the value, in the unit of our column.

    Returns
    -------
    polars.Series
        Float64; null for an empty or refused cell.

    Raises
    ------
    HoldFile
        If the numbers are written with other marks than declared.
    """
    cells = _without_missing(cells, column.field)
    _need(cells, column, refusals)
    found = parse_numbers(cells, _grammar(column.field))
    failed = cells.is_not_null() & found.is_null()
    if failed.any():
        _refuse_numbers(cells, failed, lines, column, refusals)
    _within(found, cells, column, refusals)
    name = column.field.column or ""
    conversion = COLUMN_UNITS.get(name, {}).get(column.field.unit or "")
    if conversion is not None and conversion.changes:
        found = (found + conversion.offset) * conversion.multiplier / conversion.divisor
    if name == "thickness_mm":
        # 1.250 mm read as 1250 would be thick enough for every frequency
        hold_if_groups_mislead(cells, (found >= _THICKEST_MM).fill_null(value=False), lines, column)
    if name == "temperature_c":
        # below absolute zero, or where no conductivity meter is held: a wrong unit or a wrong column, not a hot part
        refusals.add(
            (found < -273.15) | (found > 2000.0), column.name, "impossible_temperature", "a temperature of metal", cells
        )
    return found


def values(
    cells: pl.Series, lines: pl.Series, column: FileColumn, layout: Layout, refusals: Refusals
) -> tuple[pl.Series, pl.Series | None]:
    """Read a column of values: numbers, and codes of the meter where it had none.

    Returns
    -------
    (polars.Series, polars.Series or None)
        The numbers, and the names of non-readings where there is any.

    Raises
    ------
    HoldFile
        If the numbers are written with other marks than declared.
    """
    cells = _without_missing(cells, column.field)
    grammar = _grammar(column.field)
    found = parse_numbers(cells, grammar)
    failed = cells.is_not_null() & found.is_null()
    codes: pl.Series | None = None
    if layout.non_readings:
        texts_of_codes = pl.Series(list(layout.non_readings))
        numeric = bool(texts_of_codes.str.contains(grammar.pattern).any())
        if numeric or failed.any():
            is_code = cells.is_in(list(layout.non_readings)).fill_null(value=False)
            if is_code.any():
                codes = cells.replace_strict(layout.non_readings, default=None, return_dtype=pl.String).cast(
                    pl.Categorical
                )
                found, failed = found.set(is_code, None), failed & ~is_code
    if failed.any():
        _refuse_numbers(cells, failed, lines, column, refusals)
    refusals.add(found < 0, column.name, "negative_value", "a number above zero", cells)
    _within(found, cells, column, refusals)
    return found, codes


def hold_if_groups_mislead(cells: pl.Series, implausible: pl.Series, lines: pl.Series, column: FileColumn) -> None:
    """Hold the file where the declared group mark turns a plausible decimal fraction into thousands.

    Raises
    ------
    HoldFile
        If a value is implausible, has one group mark and no decimal mark.
    """
    group = _grammar(column.field).group_class
    if group:
        suspect = implausible & cells.str.contains(f"^[+-]?[0-9]{{1,3}}{group}[0-9]{{3}}$")
        if suspect.any():
            raise _hold_format(cells, suspect, lines, column)


def integers(cells: pl.Series, column: FileColumn, refusals: Refusals) -> pl.Series:
    """Read a column of whole numbers (Int64)."""
    cells = _without_missing(cells, column.field)
    _need(cells, column, refusals)
    found = parse_integers(cells, _grammar(column.field))
    failed = cells.is_not_null() & found.is_null()
    refusals.add(failed, column.name, "not_an_integer", "a whole number", cells)
    _within(found, cells, column, refusals)
    return found


def booleans(cells: pl.Series, column: FileColumn, refusals: Refusals) -> pl.Series:
    """Read a column of yes and no."""
    field = column.field
    cells = _without_missing(cells, field)
    _need(cells, column, refusals)
    meaning = dict.fromkeys(field.true_values, True) | dict.fromkeys(field.false_values, False)
    found = cells.replace_strict(meaning, default=None, return_dtype=pl.Boolean)
    refusals.add(
        cells.is_not_null() & found.is_null(), column.name, "not_in_list", f"one of {', '.join(meaning)}", cells
    )
    return found


_WHY_NO_TIME: dict[str, Callable[[str], str]] = {
    "not_a_time": lambda form: f"a time written as {form}",
    "impossible_date": lambda _: "a day and hour of the calendar",
    "date_out_of_range": lambda _: f"a time in {YEARS}",
    "ambiguous_time": lambda _: "a local time that occurs once",
    "skipped_time": lambda _: "a local time that exists",
}


def moments(
    cells: pl.Series,
    column: FileColumn,
    refusals: Refusals,
    *,
    zone: str | None,
    year: int | None,
    time_field: Cells | None = None,
) -> pl.Series:
    """Read the time of the readings, in UTC.

    Parameters
    ----------
    cells
        Date and time; of two columns the texts joined by a space, null where one is empty.
    column
        The column, or that of the date.
    refusals
        Takes what is refused.
    zone
        Zone of local times; None where each carries its offset.
    year
        Year of dates without one.
    time_field
        Field of the time, where it has a column of its own.

    Returns
    -------
    polars.Series
        Datetime in UTC.
    """
    field = column.field
    cells = _without_missing(cells, field)
    refusals.add(cells.is_null(), column.name, "missing_value", "a date and a time", cells)
    if time_field is None:
        grammar = moment_grammar(field.format, field.type, None, field.month_names)
        form = field.format
    else:
        grammar = moment_grammar(field.format, "date", time_field.format, field.month_names)
        form = f"{field.format} {time_field.format}"
    times = parse_moments(cells, grammar, zone=zone, year=year)
    failed = cells.is_not_null() & times.is_null()
    if failed.any():
        rows = failed.arg_true()
        reasons = moment_failures(cells.gather(rows), grammar, zone=zone, year=year)
        written = "ISO 8601 with offset (2026-03-02T07:31:05+01:00)" if form == "default" else form
        for reason, expected in _WHY_NO_TIME.items():
            here = rows.filter(reasons == reason)
            if here.len():
                refusals.add(mask_of(here, cells.len()), column.name, reason, expected(written), cells)
    return times
