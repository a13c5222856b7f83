"""How the cells of an unknown file might be written: dates and decimal marks, with what stays open."""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import polars as pl

from pipeline.intake.sniff import is_number
from pipeline.intake.text import moment_grammar, parse_moments

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["Marks", "codes", "date_formats", "marks", "month_names"]

_DATES = (
    "%Y-%m-%d",
    "%d.%m.%Y",
    "%d/%m/%Y",
    "%m/%d/%Y",
    "%d-%m-%Y",
    "%m-%d-%Y",
    "%Y/%m/%d",
    "%Y.%m.%d",
    "%Y%m%d",
    "%d.%m.%y",
    "%d/%m/%y",
    "%m/%d/%y",
    "%d-%b-%Y",
    "%d %b %Y",
    "%-d. %b %Y",
    "%-d %B %Y",
    "%-d.%-m.%Y",
    "%-d/%-m/%Y",
    "%-m/%-d/%Y",
    "%d.%m.",
    "%d.%m",
    "%d/%m",
    "%m/%d",
)
_TIMES = (
    "%H:%M:%S",
    "%H:%M",
    "%H:%M:%S.%f",
    "%H:%M:%S,%f",
    "%I:%M:%S %p",
    "%I:%M:%S%p",
    "%I:%M %p",
    "%-I:%M:%S %p",
    "%-I:%M %p",
    "%-H:%M:%S",
    "%-H:%M",
    "%H.%M.%S",
    "%H%M%S",
)
_MONTHS = tuple(
    tuple(names.split())
    for names in (
        "Jan Feb Mrz Apr Mai Jun Jul Aug Sep Okt Nov Dez",
        "Jan Feb Mär Apr Mai Jun Jul Aug Sep Okt Nov Dez",
        "jan feb mar apr mai jun jul aug sep okt nov des",
        "jan feb mar apr maj jun jul aug sep okt nov dec",
        "jan feb mrt apr mei jun jul aug sep okt nov dec",
        "janv févr mars avr mai juin juil août sept oct nov déc",
        "ene feb mar abr may jun jul ago sep oct nov dic",
        "gen feb mar apr mag giu lug ago set ott nov dic",
        "jan fev mar abr mai jun jul ago set out nov dez",
    )
)
_ENGLISH = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
_SOME = 300
_LEAP_YEAR = 2024


def _fits(cells: Sequence[str], form: str, kind: str) -> bool:
    grammar = moment_grammar(form, kind)
    pattern = re.compile(grammar.pattern)
    if not any(pattern.fullmatch(cell) for cell in cells[:3]):
        return False
    if kind == "time":
        form, kind, cells = f"%Y-%m-%d {form}", "datetime", [f"2024-01-01 {cell}" for cell in cells]
        grammar = moment_grammar(form, kind)
    year = None if not grammar.words or {"%Y", "%y", "%s"} & set(grammar.words) else _LEAP_YEAR
    times = parse_moments(pl.Series(cells), grammar, zone="UTC", year=year)
    return times.null_count() <= 0.1 * len(cells)


def month_names(cells: Sequence[str]) -> tuple[tuple[str, ...] | None, list[str]]:
    """Return twelve names of months that occur in the cells, and the cells with English ones in their place.

    None, and the cells as they are, where the months are English, or numbers, or in no language known here.
    """
    words = {word for cell in cells for word in re.findall(r"[^\W\d_]{3,}", cell)}
    if not words or words <= set(_ENGLISH):
        return None, list(cells)
    for names in _MONTHS:
        if words <= set(names):
            pairs = list(zip(names, _ENGLISH, strict=True))
            series = pl.Series(cells, dtype=pl.String).str.replace_many([a for a, _ in pairs], [b for _, b in pairs])
            return names, series.to_list()
    return None, list(cells)


def date_formats(cells: Sequence[str], kind: str) -> list[str]:
    """Return the formats in which nearly all cells are dates or times.

    Parameters
    ----------
    cells
        Not empty.
    kind
        datetime, date or time.

    Returns
    -------
    list of str
        Two where day and month cannot be told apart; none where no format is known here.
    """
    some = [cell for cell in cells if cell][:_SOME]
    if not some:
        return []
    if kind == "datetime":
        joined = (
            f"{day}{mark}{time}{offset}"
            for day, mark, time, offset in product(_DATES, (" ", "T", ", "), _TIMES, ("", "%z", " %z"))
        )
        forms = ["default", "%s", *joined]
    else:
        forms = list(_DATES if kind == "date" else _TIMES)
    found: list[str] = []
    for form in forms:
        # once a padded form fits, the form without padding says nothing more
        if not any(form.replace("-", "") == other.replace("-", "") for other in found) and _fits(some, form, kind):
            found.append(form)
    return found


@dataclass(frozen=True, slots=True)
class Marks:
    """Decimal mark and group mark; `decimal` is None where the cells allow both, and `example` is such a cell."""

    decimal: str | None
    group: str | None
    exponent: bool
    example: str = ""


def marks(cells: Sequence[str]) -> Marks:
    """Say how numbers are written.

    Parameters
    ----------
    cells
        Cells of all columns of numbers.

    Returns
    -------
    Marks
    """
    evidence = {".": 0, ",": 0}
    group: str | None = None
    either = ""
    exponent = False
    for cell in cells:
        if not is_number(cell):
            continue
        exponent = exponent or "e" in cell.lower()
        mantissa = cell.lower().partition("e")[0]
        spaced = re.search(r"[0-9](['’ \u00a0\u202f])[0-9]{3}", mantissa)
        if spaced is not None:
            group = " " if spaced[1].isspace() else spaced[1]
        written = re.findall(r"[.,]", mantissa)
        if not written:
            continue
        last = written[-1]
        if len(set(written)) == 2:
            evidence[last] += 1
            group = written[0]
        elif len(written) > 1:
            group = last
        elif re.fullmatch(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}", mantissa):
            either = either or cell
        else:
            evidence[last] += 1
    for mark, other in ((".", ","), (",", ".")):
        if evidence[mark] and not evidence[other]:
            return Marks(mark, group if group != mark else None, exponent)
    if evidence["."] or either:
        return Marks(None, group, exponent, either or next(cell for cell in cells if re.search(r"[.,]", cell)))
    return Marks(".", group, exponent)


def codes(cells: Sequence[str]) -> list[str]:
    """Return the texts among values that look like codes of a meter: no digit, or a mark such as > before one."""
    texts = dict.fromkeys(cell for cell in cells if not is_number(cell))
    return [text for text in texts if re.fullmatch(r"\D{1,12}|[<>≤≥].{1,12}", text)]
