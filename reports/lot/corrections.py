"""What a lot's page shows of corrections for geometry: which, where they hold, value before, correction, value after."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.markup import element, isolated, shorten
from reports.kit.numbers import compact, decimals_for, fixed
from reports.kit.page import unit_in_words
from reports.kit.tables import Heading, caption, table
from reports.words.corrections import COLUMN, FRAGMENT, KIND, TABLE
from reports.words.general import COLUMN as GENERAL

if TYPE_CHECKING:
    from reports.kit.markup import Html
    from schemas.corrections import AppliedCorrection
    from schemas.results import LotResult

__all__ = ["corrections_content"]


def _range(one: AppliedCorrection) -> str:
    given = {"unit": one.quantity_unit, "low": compact(one.low or 0.0, 6), "high": compact(one.high, 6)}
    if one.high is None:
        return FRAGMENT["from"].format(**given) if one.low else FRAGMENT["any"]
    return FRAGMENT["between" if one.low else "below"].format(**given)


def _uncertainty(one: AppliedCorrection) -> str:
    if one.expanded_uncertainty is None or one.coverage_factor is None:
        return FRAGMENT["unknown"]
    return FRAGMENT["k"].format(
        u=compact(one.expanded_uncertainty, 4), unit=unit_in_words(one.unit), k=compact(one.coverage_factor)
    )


def corrections_content(result: LotResult, number: int, *, unit: str) -> list[Html]:
    """Return the sentence on the order of corrections and their table.

    Parameters
    ----------
    number
        Number of the table.
    unit
        Working unit, in words.
    """
    largest = max(abs(one.mean_after - one.mean_before) for one in result.corrections)
    decimals = decimals_for(largest / 20 or None, result.mean)
    columns = [
        Heading(COLUMN["correction"]), Heading(COLUMN["kind"]), Heading(COLUMN["range"]),
        Heading(GENERAL["readings"], kind="n"), Heading(COLUMN["before"], unit, "n"), Heading(COLUMN["value"]),
        Heading(COLUMN["u"]), Heading(COLUMN["after"], unit, "n"), Heading(COLUMN["source"]),
    ]  # fmt: skip
    rows = [
        (
            isolated(one.correction, 60), KIND.get(one.kind, one.kind), _range(one), one.readings,
            fixed(one.mean_before, decimals), f"{_signed(one.value)} {unit_in_words(one.unit)}", _uncertainty(one),
            fixed(one.mean_after, decimals), shorten(one.source or FRAGMENT["unknown"], 200),
        )
        for one in result.corrections
    ]  # fmt: skip
    order = FRAGMENT["order"].format(reference=f"{result.reference_temperature_c:g}")
    return [
        element("p", order),
        table(number, "corrections", caption(TABLE["corrections"]), columns, rows),
    ]


def _signed(value: float) -> str:
    return f"{'+' if value >= 0 else '−'}{compact(abs(value), 6)}"
