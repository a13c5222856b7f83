"""The table of several meters on one block against one another, on the page of a block and of a month."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.links import linked
from reports.kit.markup import shorten
from reports.kit.numbers import decimals_for, fixed
from reports.kit.tables import Heading, caption, table
from reports.words import block as say
from reports.words import general as words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.kit.markup import Html
    from schemas.comparison import ComparedMeter, MeterComparison

__all__ = ["comparison_table"]


def _beyond(value: float | None, limit: float | None) -> bool:
    return value is not None and limit is not None and abs(value) > limit


def _with_limit(value: float | None, limit: float | None) -> str:
    if value is None or limit is None:
        return ""
    return say.FRAGMENT["with_limit"].format(value=fixed(value, 2), limit=fixed(limit, 2))


def _marked(one: ComparedMeter, h_limit: float | None) -> bool:
    """Whether one of the figures lies beyond its limit; |z| from 3 on calls for action (ISO 13528)."""
    pairs = ((one.z, 3.0), (one.h, h_limit), (one.k, one.k_limit), (one.cochran, one.cochran_limit))
    return any(_beyond(value, limit) for value, limit in pairs)


def comparison_table(comparisons: Sequence[MeterComparison], here: str, number: int, *, unit: str) -> Html:
    """Return one row a block and meter; meters beyond a limit are marked."""
    columns = [
        Heading(words.COLUMN["block"]), Heading(words.COLUMN["meter"]), Heading(say.COLUMN["checks"], kind="n"),
        Heading(words.COLUMN["mean"], unit, "n"), Heading(say.COLUMN["percent"], "%", "n"), Heading(say.COLUMN["z"], kind="n"),
        Heading(say.COLUMN["h"], kind="n"), Heading(say.COLUMN["k_mandel"], kind="n"), Heading(say.COLUMN["cochran"], kind="n"),
    ]  # fmt: skip
    rows, marked, missing = [], [], []
    for found in comparisons:
        decimals = decimals_for(found.robust_standard_deviation or None, found.meters[0].mean)
        for one in found.meters:
            rows.append(
                (
                    linked(here, "block", found.block), linked(here, "meter", one.meter), one.checks, fixed(one.mean, decimals),
                    fixed(one.percent_difference, 2, sign=True), fixed(one.z, 1, sign=True), _with_limit(one.h, found.h_limit),
                    _with_limit(one.k, one.k_limit), _with_limit(one.cochran, one.cochran_limit),
                )
            )  # fmt: skip
            marked.append(_marked(one, found.h_limit))
        why = words.listed(list(dict.fromkeys(found.not_computable.values())))
        if why:
            missing.append(say.FRAGMENT["not_compared"].format(block=shorten(found.block, 40), reason=why))
    said = caption(say.TABLE["comparison"], *missing[:6])
    return table(number, "comparison", said, columns, rows, marked=marked, row_heads=2)
