"""The table of differences between meters, on the page of a block and of a lot that several meters read."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.markup import Html, join, shorten
from reports.kit.numbers import compact, decimals_for, fixed
from reports.kit.states import toned
from reports.kit.tables import Heading, table
from reports.words import block as say
from reports.words import general as words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from schemas.blocks import MeterDifference

__all__ = ["differences_table"]


def differences_table(
    differences: Sequence[MeterDifference], number: int, caption: str, *, unit: str, anchor: str = "differences"
) -> Html:
    """Return one row a pair of meters; pairs that do not agree are marked."""
    columns = [
        Heading(say.COLUMN["pair"]), Heading(say.COLUMN["difference"], unit, "n"), Heading(say.COLUMN["interval"], unit, "t"),
        Heading(say.COLUMN["e_n"], kind="n"), Heading(say.COLUMN["basis"]), Heading(say.COLUMN["remark"]),
    ]  # fmt: skip
    rows, marked = [], []
    for one in differences:
        decimals = decimals_for(one.standard_uncertainty, one.difference)
        beyond = one.e_n is not None and abs(one.e_n) > 1
        shown = "" if one.e_n is None else fixed(one.e_n, 2, sign=True)
        rows.append(
            (
                say.FRAGMENT["pair"].format(first=shorten(one.first, 40), second=shorten(one.second, 40)),
                fixed(one.difference, decimals, sign=True),
                ""
                if one.interval is None
                else words.FRAGMENT["span"].format(
                    low=fixed(one.interval[0], decimals, sign=True), high=fixed(one.interval[1], decimals, sign=True)
                ),
                join([shown, toned("out", say.FRAGMENT["beyond"])], " ") if beyond else shown,
                say.BASIS[one.basis],
                shorten(one.reason, 120)
                if one.reason
                else words.FRAGMENT["df"].format(df=compact(one.degrees_of_freedom, 3))
                if one.degrees_of_freedom is not None
                else "",
            )
        )
        marked.append(beyond)
    return table(number, anchor, caption, columns, rows, marked=marked)
