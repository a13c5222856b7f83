"""Every check and signal of a meter: a page of its own, and part of the meter's page where that travels alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.markup import Html, element
from reports.kit.page import section
from reports.meter import drift as meter_drift
from reports.meter import tables as meter_tables
from reports.words import general as words
from reports.words import meter as say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.kit.numbers import Clock
    from reports.kit.tables import Numbered
    from reports.meter.series import Key, Series
    from schemas.results import MeterPage

__all__ = ["checks_sections"]


def checks_sections(
    page: MeterPage, found: Sequence[tuple[Key, Series]], numbered: Numbered, clock: Clock, unit: str
) -> list[Html]:
    """Return the sections on signals, drift signals, forecasts and checks; none where nothing was checked.

    Parameters
    ----------
    page
        The meter.
    found
        Its checks by block, probe and frequency.
    numbered
        Counter of the page's tables.
    clock
        The zone.
    unit
        As printed.
    """
    if not found:
        return []
    result = page.result
    blocks = {(block.block, block.probe, block.frequency_khz): block for block in result.blocks}
    drifts = {(d.block, d.probe, d.frequency_khz): d for d in result.drift}
    signals = meter_tables.signals_table(result, numbered.table(), clock) if result.signals else None
    rough = (
        meter_tables.precision_table(result, numbered.table(), clock, unit=unit) if result.precision_signals else None
    )
    body = [section("signals", signals or element("p", words.FRAGMENT["no_signals"]), rough, wide=True)]
    drifting = meter_drift.drift_signals(result, numbered, clock)
    for place, (key, series) in enumerate(found, start=1):
        if forecast := meter_drift.forecast_of(series, drifts.get(key)):
            drifting.append(meter_drift.forecast_table(forecast, series, numbered.table(), f"forecast-{place}"))
    if drifting:
        body.append(section("drift_signals", *drifting, heading=words.SECTION["drift"], wide=True))
    tables: list[Html] = []
    for place, (key, series) in enumerate(found, start=1):
        tables.append(element("h3", say.FOLD["checks"].format(block=series.name)))
        if series.crowded:
            tables.append(meter_tables.columns_table(series, numbered.table(), f"columns-{place}"))
        tables.append(meter_tables.checks_table(series, numbered.table(), f"checks-{place}", blocks.get(key)))
    body.append(section("checks", *tables, wide=True))
    return body
