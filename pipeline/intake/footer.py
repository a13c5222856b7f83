"""The footer: where the readings end, and its figures against ours."""

from __future__ import annotations

import math
import re
from decimal import Decimal
from typing import TYPE_CHECKING

from pipeline.intake.preamble import split_line
from pipeline.intake.reading import shown
from pipeline.intake.text import NumberGrammar
from schemas.digits import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl

    from pipeline.intake.layout import Layout
    from pipeline.intake.layout_outside import FooterStatistic
    from pipeline.intake.layout_parts import LayoutField

__all__ = ["check_footer", "differs"]


def _figure(text: str, field: LayoutField) -> Decimal | None:
    """Read a figure, written as the values are; the power of ten is free."""
    grammar = NumberGrammar(field.decimal_char, field.group_char, exponent=True)
    if re.fullmatch(grammar.pattern, text) is None:
        return None
    plain = re.sub(grammar.group_class, "", text)
    number = Decimal(plain.replace(field.decimal_char, "."))
    return number if math.isfinite(float(number)) else None


def _ours(statistic: str, numbers: Sequence[float]) -> float | None:
    if not numbers or (statistic == "standard_deviation" and len(numbers) < 2):
        return None
    if statistic == "minimum":
        return min(numbers)
    if statistic == "maximum":
        return max(numbers)
    mean = math.fsum(numbers) / len(numbers)
    if statistic == "mean":
        return mean
    return math.sqrt(math.fsum((number - mean) ** 2 for number in numbers) / (len(numbers) - 1))


def _cell(cells: Sequence[str], declared: FooterStatistic) -> str:
    return cells[declared.cell - 1] if declared.cell <= len(cells) else ""


def differs(
    declared: FooterStatistic,
    number: int,
    cells: Sequence[str],
    layout: Layout,
    lines: int,
    values: Sequence[float],
    *,
    slack: float = 0.0,
) -> str | None:
    """Compare one figure with ours.

    Parameters
    ----------
    declared
        What it states, and in which cell.
    number, cells
        Line number and cells of its line.
    layout
        How numbers are written.
    lines
        Lines of readings, refused ones among them.
    values
        Their values, in the unit of the export, without those that are none.
    slack
        What the values may have lost by rounding, beside half a unit of the last digit of the figure.

    Returns
    -------
    str or None
        What differs.
    """
    text = _cell(cells, declared)
    figure = _figure(text, layout.value_field)
    if slack and declared.statistic == "standard_deviation" and len(values) == 1 and not figure:
        return None  # one reading has no deviation, and meters write nothing, a dash or 0
    if figure is None:
        return f"line {number}, '{declared.label}': '{shown(text)}' is no number"
    if declared.statistic == "count":
        if figure == lines:
            return None
        return f"line {number}: the file counts {figure} readings, and has {counted(lines, 'line')} of readings"
    ours = _ours(declared.statistic, values)
    if declared.statistic == "standard_deviation" and ours is not None:
        slack *= math.sqrt(len(values) / (len(values) - 1))  # if all readings were rounded away from one another
    half = float(f"0.5e{figure.as_tuple().exponent}")  # of a unit of the last digit printed
    if ours is not None and abs(ours - float(figure)) <= half + slack + 1e-12 * abs(float(figure)):
        return None
    said = "cannot be computed" if ours is None else f"is {ours:.10g}"
    return f"line {number}: '{declared.label}' is {shown(text)} in the file, ours {said}"


def check_footer(
    lines: Sequence[tuple[int, str]], layout: Layout, *, data_lines: int, refused_lines: int, values: pl.Series
) -> list[str]:
    """Compare the figures of the footer with ours.

    Parameters
    ----------
    lines
        Line number and text of the lines of the footer.
    layout
        Declares what the figures are.
    data_lines
        Lines of readings in the file, refused ones among them.
    refused_lines
        Lines of readings that were refused; a mean cannot be compared then.
    values
        The values, in the unit of the export.

    Returns
    -------
    list of str
        Warnings; empty where all agree.
    """
    warnings: list[str] = []
    if layout.footer is None:
        return warnings
    if not lines:
        if layout.footer.required:
            warnings.append(
                "footer_missing: the layout declares a footer and the file has none; was the export cut off?"
            )
        return warnings
    numbers = values.drop_nulls().to_list() if layout.footer.statistics else []
    cells_of: dict[str, tuple[int, list[str]]] = {}
    for number, line in lines:
        cells = [cell.strip() for cell in split_line(line, layout.dialect)]
        cells_of.setdefault(cells[0].rstrip(":"), (number, cells))
    for declared in layout.footer.statistics:
        if declared.label.rstrip(":") not in cells_of:
            warnings.append(f"footer_mismatch: the footer has no line '{declared.label}'; was the export cut off?")
            continue
        number, cells = cells_of[declared.label.rstrip(":")]
        if (
            refused_lines
            and declared.statistic != "count"
            and _figure(_cell(cells, declared), layout.value_field) is not None
        ):
            warnings.append(
                f"footer_not_compared: line {number}, '{declared.label}': {counted(refused_lines, 'line')} refused"
            )
        elif (wrong := differs(declared, number, cells, layout, data_lines, numbers)) is not None:
            warnings.append(f"footer_mismatch: {wrong}")
    return warnings
