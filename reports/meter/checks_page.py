"""The page of a meter's checks: what its own page links to."""

from __future__ import annotations

from reports.kit.address import address
from reports.kit.links import linked_to
from reports.kit.markup import element, isolated, shorten, text
from reports.kit.numbers import Clock
from reports.kit.page import Masthead, document, section, unit_in_words
from reports.kit.report import Report
from reports.kit.states import toned
from reports.kit.style import WIDE
from reports.kit.tables import Numbered
from reports.meter.checks import checks_sections
from reports.meter.series import series_of
from reports.meter.tables import lots_table
from reports.words import general as words
from reports.words import meter as say
from schemas.results import ChecksPage

__all__ = ["REPORT", "render"]


def render(page: ChecksPage) -> str:
    """Render the checks of a meter.

    Parameters
    ----------
    page
        The meter with the frames behind it.

    Returns
    -------
    str
        A self-contained HTML document.
    """
    meter, result = page.of, page.of.result
    clock, numbered = Clock(page.provenance.zone), Numbered()
    here = address("checks", result.meter)
    unit = unit_in_words(result.unit)
    back = linked_to(
        here, address("meter", result.meter), text(say.SAY["back_link"].format(meter=shorten(result.meter, 60)))
    )
    state = toned(result.state, words.STATE.get(result.state, result.state))
    body = [
        element("p", say.SAY["back"], " ", back, " ", state),
        *checks_sections(meter, series_of(meter, clock, unit), numbered, clock, unit),
    ]
    if meter.lots.height:
        body.append(section("read_lots", lots_table(meter, numbered.table(), clock, here), wide=True))
    kind = say.HEADING["kind"]
    head = Masthead(
        kind=kind, name=result.meter, heading=isolated(result.meter, 80), what=say.HEADING["checks"],
        title=f"{kind}: {shorten(result.meter, 60)}",
    )  # fmt: skip
    return document(head, here, page.provenance, numbered, body, style=WIDE)


REPORT = Report(name="checks", page=ChecksPage, render=render)
