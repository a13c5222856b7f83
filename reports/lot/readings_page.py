"""The page of a lot's points and readings, where they are too many for its own."""

from __future__ import annotations

from reports.kit.address import address
from reports.kit.lead_unit import in_lead_unit
from reports.kit.links import linked
from reports.kit.markup import element, isolated, shorten
from reports.kit.numbers import Clock
from reports.kit.page import Masthead, document, section, shown_state, unit_in_words, verdict_in_words
from reports.kit.report import Report
from reports.kit.states import toned
from reports.kit.style import WIDE
from reports.kit.tables import Numbered
from reports.lot.annex import annex_tables
from reports.lot.tables import sorted_page
from reports.sections.uncertainty import decimals_of
from reports.words import general as words
from schemas.results import ReadingsPage

__all__ = ["REPORT", "render"]


def render(page: ReadingsPage) -> str:
    """Render points and readings of a lot.

    Parameters
    ----------
    page
        The lot with the frames behind it.

    Returns
    -------
    str
        A self-contained HTML document.
    """
    lot = in_lead_unit(sorted_page(page.of))
    result, clock, numbered = lot.result, Clock(page.provenance.zone), Numbered()
    here = address("readings", result.lot)
    unit, decimals = unit_in_words(result.unit), decimals_of(result)
    state = toned(shown_state(result), verdict_in_words(result))
    body: list[object] = [element("p", words.FRAGMENT["lot"], " ", linked(here, "lot", result.lot), " ", state)]
    body += [
        section(name, shown, heading=words.FRAGMENT[f"annex_{name}"], wide=True)
        for name, shown in annex_tables(lot, clock, numbered, unit, decimals, {})
    ]
    kind = words.SECTION["annex"]
    head = Masthead(
        kind=kind,
        name=result.lot,
        heading=isolated(result.lot, 80),
        what=kind,
        title=f"{kind}: {shorten(result.lot, 60)}",
    )
    return document(head, here, page.provenance, numbered, body, style=WIDE)


REPORT = Report(name="readings", page=ReadingsPage, render=render)
