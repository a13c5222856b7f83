"""The status board of a line: which meter may be used and which lot waits, in letters read from three metres.

Letters subtend at least 16 minutes of arc at three metres on a screen of half a metre's width (ISO 9241-303, from memory):
14 mm, which is 2.8 % of that width.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.address import address
from reports.kit.links import linked
from reports.kit.markup import Html, element, isolated, join
from reports.kit.numbers import Clock
from reports.kit.page import Masthead, document, section, shown_state, verdict_in_words
from reports.kit.report import Report
from reports.kit.states import TONES, glyph, toned
from reports.kit.tables import Numbered
from reports.words import board as say
from reports.words import general as words
from schemas.line import BOARD, NAMED, URGENCY, BoardPage

if TYPE_CHECKING:
    from collections.abc import Sequence

    from schemas.results import LotResult, MeterResult

__all__ = ["REFRESH_S", "REPORT", "STALE_S", "render"]

REFRESH_S = 15
"""How often a browser fetches the board again."""

STALE_S = 600
"""A board is written every minute while the service runs; older than this it says so in the place of what it said."""

_METERS = 6
"""How many meters the board names; it counts the others."""

_STYLE = (
    ".sheet{max-width:none}"
    ".board{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,max(24vw,11rem)),1fr));gap:.8vw;margin:0;padding:0;list-style:none}"
    ".board li{border:.3vw solid var(--tone);background:var(--wash);padding:.5vw 1vw;margin:0}"
    ".board b,.board strong,.board span{display:block;font-size:max(1.2rem,2.8vw);line-height:1.15}"
    ".board strong{color:var(--tone)}"
    ".board strong svg{width:.9em;height:.9em;margin-right:.3em;vertical-align:-.1em}"
    ".banner{border:.4vw solid var(--tone);background:var(--wash);color:var(--tone);padding:.6vw 1.2vw;margin:0 0 .8vw;"
    "font-size:max(1.6rem,4vw);line-height:1.1;font-weight:600}"
    ".banner svg{width:.9em;height:.9em;vertical-align:-.1em;margin-right:.35em}"
    ".banner.t-reject{background:var(--reject);color:var(--paper);--ground:var(--reject)}"
    ".queue{font-size:max(1.2rem,2.8vw);line-height:1.15;padding:0;margin:0;list-style:none}"
    ".queue li{margin:0 0 .7vw;padding-left:.8vw;border-left:.5vw solid var(--tone)}.queue li.more{border:0}"
    ".queue small{display:block;font-size:1em}.queue .tone{margin-left:.4em}"
    ".sums{display:flex;flex-wrap:wrap;justify-content:space-between;gap:0 2em;font-size:max(1rem,1.6vw);margin:.4vw 0 0;padding-top:.3vw;border-top:1px solid var(--rule)}"
    ".sums p{margin:0}"
    ".part{display:block;margin-top:0}.part>h2{border:0;padding:.4rem 0}.part>div{border:0;padding:0}"
    # a screen on the wall holds the whole board and nothing else; everywhere else the rest stands below
    "@media screen and (min-width:1500px) and (min-height:900px){.sheet{padding:1vw 1.2vw;border:0}.masthead,.crumbs,.contents,.what,footer,"
    "section[aria-labelledby=cautions]{display:none}h1,.part>h2{position:absolute;width:1px;height:1px;overflow:hidden;clip-path:inset(50%)}"
    ".board li>*,.queue li,.queue small{white-space:nowrap;overflow:hidden;text-overflow:ellipsis}"
    ".line{display:grid;grid-template-columns:minmax(0,56fr) minmax(0,44fr);gap:1.6vw}}"
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
            element("b", linked(here, "meter", meter.meter, length=16)),
            element("strong", glyph(meter.state), words.STATE[meter.state]),
            element("span", _next(page, meter, clock)),
            class_=f"t-{_tone(meter.state)}",
        )
        for meter in meters[:_METERS]
    ]
    if rest := meters[_METERS:]:
        same = len({meter.state for meter in rest}) == 1
        told = say.BOARD["more_meters" if same else "more_some"].format(
            n=len(rest), state=words.STATE[rest[0].state].lower()
        )
        tiles.append(element("li", element("span", told), class_="t-none"))
    waiting = sorted([*page.waiting, *page.conditional], key=lambda lot: URGENCY.index(shown_state(lot)))
    queue: list[object] = [
        element(
            "li",
            linked(here, "lot", lot.lot, length=16),
            toned(shown_state(lot), words.VERDICT[lot.verdict]),
            element("small", _why(lot)),
            class_=f"t-{TONES.get(shown_state(lot), 'none')}",
        )
        for lot in waiting[:NAMED]
    ]
    if more := max(len(waiting) - NAMED, 0) + page.more_waiting + page.more_conditional:
        queue.append(element("li", say.BOARD["more_lots"].format(n=more), class_="more"))
    state = clock.minute(page.provenance.as_of)
    last = clock.minute(page.last_arrival) if page.last_arrival else say.BOARD["never"]
    sums = say.BOARD["sums"].format(
        accepted=words.counted(page.accepted, "lot"),
        files=words.counted(page.files_held, "file"),
        lines=words.counted(page.quarantined, "line"),
    )
    body = [
        _banner(meters),
        element("p", say.BOARD["snapshot"].format(at=f"{clock.minute(page.snapshot_of)} {clock.zone}"))
        if page.snapshot_of
        else None,
        element(
            "div",
            section("meters", element("ul", join(tiles), class_="board"), heading=say.BOARD["meters"]),
            section(
                "waiting",
                element("ul", join(queue), class_="queue")
                if queue
                else element("p", say.BOARD["none_waiting"], class_="queue"),
                heading=say.BOARD["waiting"],
            ),
            class_="line",
        ),
        element(
            "div",
            element("p", say.BOARD["last"].format(state=state, at=last), id="board-clock"),
            element("p", sums),
            class_="sums",
        ),
    ]
    what = say.BOARD["what"].format(at=f"{state} {page.provenance.zone}")
    title = say.BOARD["title"]
    head = Masthead(kind=say.BOARD["kind"], name=None, heading=title, what=what, title=title)
    of_clock: dict[str, object] = {
        **say.CLOCK, "stale": say.CLOCK["stale"].format(at=state), "until": round((page.provenance.as_of.timestamp() + STALE_S) * 1000),
        "zone": clock.zone, "last": page.last_arrival and round(page.last_arrival.timestamp() * 1000),
    }  # fmt: skip
    return document(head, here, page.provenance, Numbered(), body, style=_STYLE, refresh_s=REFRESH_S, board=of_clock)


def _why(lot: LotResult) -> str:
    """Return why a lot waits, in a few words."""
    if lot.verdict == "accept":
        return verdict_in_words(lot)
    if lot.support in ("suspect", "open", "unsupported"):
        return say.REASON[lot.support]
    if lot.limits_met in ("out", "undecided"):
        return say.REASON[lot.limits_met]
    return say.REASON["hardness" if lot.hardness_state == "missing" else "other"]


def _tone(state: str) -> str:
    return {"fit": "accept", "suspended": "reject", "overdue": "hold"}.get(state, "none")


def _banner(meters: Sequence[MeterResult]) -> Html:
    """Return the one line that says whether to go on."""
    for state, name in (("suspended", "stop"), ("overdue", "check"), ("not_assessed", "unknown")):
        concerned = [isolated(meter.meter, 24) for meter in meters if meter.state == state]
        if concerned:
            before, _, after = say.STAMP[name].partition("{meters}")
            return element(
                "p",
                glyph(state),
                before,
                join(concerned, ", "),
                after,
                class_=f"banner t-{_tone(state)}",
                id="board-banner",
            )
    word, state = (say.STAMP["run"], "fit") if meters else (say.STAMP["empty"], "not_assessed")
    return element("p", glyph(state), word, class_=f"banner t-{_tone(state)}", id="board-banner")


def _next(page: BoardPage, meter: MeterResult, clock: Clock) -> str:
    if meter.state != "fit":
        return say.METER_LINE[meter.state]
    by = page.check_by.get(meter.meter)
    if by is not None:
        today = clock.day(by) == clock.day(page.provenance.as_of)
        return say.METER_LINE["fit"].format(at=clock.of_day(by) if today else clock.day(by)[5:])
    return say.METER_LINE["fit_open"].format(at=clock.day(meter.last_run_at)[5:])


REPORT = Report(name="board", page=BoardPage, render=render)
