"""The status board of a line: which meter may be used and which lot waits, in letters read from three metres.

Letters subtend at least 16 minutes of arc at three metres on a screen of half a metre's width (ISO 9241-303, from memory):
14 mm, which is 2.8 % of that width.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.address import address
from reports.kit.links import linked
from reports.kit.markup import Html, element, isolated, join, shorten
from reports.kit.numbers import Clock
from reports.kit.page import Masthead, document, glyph, section, shown_state, toned, verdict_in_words
from reports.kit.report import Report
from reports.kit.tables import Numbered
from reports.words import board as say
from reports.words import general as words
from schemas.line import BOARD, BoardPage

if TYPE_CHECKING:
    from collections.abc import Sequence

    from schemas.results import MeterResult

__all__ = ["REFRESH_S", "REPORT", "render"]

REFRESH_S = 15
"""How often a browser fetches the board again."""

_SHOWN = 6
"""How many waiting lots the board names."""

_STYLE = (
    ".sheet{max-width:none}"
    ".board{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,max(24vw,11rem)),1fr));gap:1vw;margin:1vw 0;padding:0;"
    "list-style:none}"
    ".board li{border:.35vw solid var(--tone);background:var(--wash);padding:1vw;margin:0}"
    ".board b,.board strong{display:block;font-size:max(1.6rem,4vw);line-height:1.1}"
    ".board strong{color:var(--tone)}"
    ".board strong svg{width:.9em;height:.9em;margin-right:.3em;vertical-align:-.1em}"
    ".board span{display:block;font-size:max(1.2rem,2.8vw);line-height:1.2;margin-top:.3em}"
    ".banner{border:.5vw solid var(--tone);background:var(--wash);color:var(--tone);padding:1vw 1.5vw;margin:1vw 0;"
    "font-size:max(2rem,5.5vw);line-height:1.1;font-weight:600}"
    ".banner svg{width:.9em;height:.9em;vertical-align:-.1em;margin-right:.35em}"
    ".banner.t-reject{background:var(--reject);color:var(--paper)}"
    ".queue{font-size:max(1.2rem,2.8vw);line-height:1.25;padding-left:1.2em}"
    ".queue small{display:block;font-size:max(1rem,1.4vw);color:var(--soft)}"
    ".sums{display:flex;flex-wrap:wrap;gap:.4em 2em;font-size:max(1.2rem,2.8vw);margin:.6em 0}"
    ".sums p{margin:0}"
    ".part{display:block}.part>div{border-left:0;padding-left:0}"
)


def render(page: BoardPage) -> str:
    """Render the board.

    Parameters
    ----------
    page
        Meters, waiting lots and counts.

    Returns
    -------
    str
        A self-contained HTML document that fetches itself again where it is served.
    """
    clock, here = Clock(page.provenance.zone), address("board", BOARD)
    order = ("suspended", "overdue", "not_assessed", "fit")
    meters = sorted(page.meters, key=lambda meter: (order.index(meter.state), meter.meter))
    tiles = [
        element(
            "li",
            element("b", linked(here, "meter", meter.meter, length=24)),
            element("strong", glyph(meter.state), words.STATE[meter.state]),
            element("span", _next(page, meter, clock)),
            class_=f"t-{_tone(meter.state)}",
        )
        for meter in meters
    ]
    waiting = [*page.waiting, *page.conditional]
    queue: list[object] = [
        element(
            "li",
            linked(here, "lot", lot.lot, length=24),
            " ",
            toned(shown_state(lot), verdict_in_words(lot)),
            element("small", shorten(" ".join(lot.reasons[:1]), 120)),
        )
        for lot in waiting[:_SHOWN]
    ]
    if len(waiting) > _SHOWN:
        queue.append(element("li", say.BOARD["more"].format(n=len(waiting) - _SHOWN)))
    last = clock.minute(page.last_arrival) if page.last_arrival else say.BOARD["never"]
    sums = [
        element("p", element("b", number), f" {name}")
        for number, name in (
            (page.accepted, say.BOARD["accepted"]),
            (page.files_held, say.BOARD["files"]),
            (page.quarantined, say.BOARD["lines"]),
        )
    ]
    body = [
        _banner(meters),
        element("p", say.BOARD["snapshot"].format(at=f"{clock.minute(page.snapshot_of)} {clock.zone}"))
        if page.snapshot_of
        else None,
        section("meters", element("ul", join(tiles), class_="board"), heading=say.BOARD["meters"]),
        section(
            "waiting",
            element("ul", join(queue), class_="queue") if queue else element("p", say.BOARD["none_waiting"]),
            element("div", join(sums), element("p", f"{say.BOARD['last']} ", element("b", last)), class_="sums"),
            heading=say.BOARD["waiting"],
        ),
    ]
    what = say.BOARD["what"].format(at=f"{clock.minute(page.provenance.as_of)} {page.provenance.zone}")
    title = say.BOARD["title"]
    head = Masthead(kind=say.BOARD["kind"], name=None, heading=title, what=what, title=title)
    return document(head, here, page.provenance, Numbered(), body, style=_STYLE, refresh_s=REFRESH_S)


def _tone(state: str) -> str:
    return {"fit": "accept", "suspended": "reject", "overdue": "hold"}.get(state, "none")


def _banner(meters: Sequence[MeterResult]) -> Html:
    """Return the one line that says whether to go on."""
    for state, name in (("suspended", "stop"), ("overdue", "check"), ("not_assessed", "unknown")):
        concerned = [isolated(meter.meter, 24) for meter in meters if meter.state == state]
        if concerned:
            before, _, after = say.STAMP[name].partition("{meters}")
            return element("p", glyph(state), before, join(concerned, ", "), after, class_=f"banner t-{_tone(state)}")
    word, state = (say.STAMP["run"], "fit") if meters else (say.STAMP["empty"], "not_assessed")
    return element("p", glyph(state), word, class_=f"banner t-{_tone(state)}")


def _next(page: BoardPage, meter: MeterResult, clock: Clock) -> str:
    if meter.state != "fit":
        return say.METER_LINE[meter.state]
    by = page.check_by.get(meter.meter)
    if by is not None:
        today = clock.day(by) == clock.day(page.provenance.as_of)
        return say.METER_LINE["fit"].format(at=clock.of_day(by) if today else clock.minute(by))
    return say.METER_LINE["fit_open"].format(at=clock.minute(meter.last_run_at))


REPORT = Report(name="board", page=BoardPage, render=render)
