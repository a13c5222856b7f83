"""Points and readings of a lot: behind disclosures of its page, or a page of their own where they are many."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.lot import tables as lot_tables

if TYPE_CHECKING:
    from collections.abc import Mapping

    from reports.kit.markup import Html
    from reports.kit.numbers import Clock
    from reports.kit.tables import Numbered
    from schemas.results import LotPage

__all__ = ["annex_tables"]


def annex_tables(
    page: LotPage, clock: Clock, numbered: Numbered, unit: str, decimals: int, figures: Mapping[str, int]
) -> list[tuple[str, Html]]:
    """Return the tables of parts, spots and readings by name; `figures` has the numbers of charts on the same page."""
    found: list[tuple[str, Html]] = []
    for name, frame, build in (
        ("parts", page.part_values, lot_tables.parts_table),
        ("spots", page.spot_values, lot_tables.spots_table),
    ):
        if frame.height:
            found.append((name, build(page, numbered.table(), figures.get(name), unit=unit, decimals=decimals)))
    if page.readings.height:
        shown = lot_tables.readings_table(page, numbered.table(), clock, unit=unit, decimals=decimals)
        found.append(("readings", shown))
    return found
