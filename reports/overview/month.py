"""The page of the lots of one month."""

from __future__ import annotations

from reports.kit.address import INDEX, address
from reports.kit.links import linked_to
from reports.kit.markup import element, text
from reports.kit.numbers import Clock
from reports.kit.page import Masthead, document, section
from reports.kit.report import Report
from reports.kit.style import WIDE
from reports.kit.tables import Numbered
from reports.sections.lots_list import lots_table
from reports.words import general as words
from reports.words import index as say
from schemas.results import UNDATED, MonthPage

__all__ = ["REPORT", "month_in_words", "render"]


def month_in_words(month: str) -> str:
    """Return how a month is written: as 2026-08, or that the lots have no time."""
    name, _, part = month.partition(".")
    name = say.HEADING["undated"] if name == UNDATED else name
    return say.SAY["part"].format(month=name, n=part) if part else name


def render(page: MonthPage) -> str:
    """Render the lots of a month.

    Parameters
    ----------
    page
        Its lots.

    Returns
    -------
    str
        A self-contained HTML document.
    """
    clock, numbered = Clock(page.provenance.zone), Numbered()
    here, name = address("month", page.month), month_in_words(page.month)
    said = say.TABLE["month"].format(month=name)
    body = [
        element("p", linked_to(here, INDEX, text(say.SAY["back"]))),
        section("lots", lots_table(here, page.lots, numbered.table(), clock, said), wide=True),
    ]
    head = Masthead(
        kind=say.HEADING["month"],
        name=None,
        heading=name,
        what=words.counted(len(page.lots), "lot"),
        title=f"{say.HEADING['month']}: {name}",
    )
    return document(head, here, page.provenance, numbered, body, style=WIDE)


REPORT = Report(name="month", page=MonthPage, render=render)
