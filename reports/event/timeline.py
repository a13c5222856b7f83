"""What happened, in order of time: last good evidence, lots read, what fired, what became of the lots, who decided what."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import groupby
from typing import TYPE_CHECKING

from reports.kit.links import linked
from reports.kit.markup import Html, element, join, shorten, text
from reports.sections.decided import signer
from reports.words import event as say
from reports.words import general as words

if TYPE_CHECKING:
    from collections.abc import Iterable

    from reports.kit.numbers import Clock
    from schemas.look_back import EventResult
    from schemas.page import Decision

__all__ = ["STYLE", "timeline"]

_NAMED = 8
_ONE_RUN = timedelta(hours=1)
_T = say.TIMELINE

STYLE = (
    ".timeline{list-style:none;margin:0;padding:0}.timeline li{display:grid;grid-template-columns:9.5rem minmax(0,1fr);gap:0 1.6rem;margin:0}"
    ".timeline .at{color:var(--soft);padding:.3rem 0}.timeline li>div{border-left:2px solid var(--inner);padding:.3rem 0 .3rem 1.2rem;position:relative}"
    ".timeline li>div::before{content:'';position:absolute;left:-.45rem;top:.72rem;width:.75rem;height:.75rem;border:2px solid var(--inner);border-radius:50%;background:var(--paper)}"
    ".timeline .fired>div::before{border-color:var(--flag);background:var(--flag);border-radius:0;transform:rotate(45deg)}"
    ".timeline .decided>div::before{border-radius:0;border-color:var(--point)}"
    "#table-checks .tone{white-space:normal}pre{overflow-x:auto;margin:.2rem 0 .9rem;padding:.5rem .8rem;border:1px solid var(--rule);background:var(--none-wash);font-size:.88rem}"
    "@media (max-width:40rem){.timeline li{grid-template-columns:1fr}.timeline .at{padding:.4rem 0 0}}"
    "@media print{pre{white-space:pre-wrap;break-inside:avoid;font-size:8pt;padding:.2rem .4rem}.timeline li{break-inside:avoid;grid-template-columns:8rem minmax(0,1fr)}"
    ".timeline li>div::before{-webkit-print-color-adjust:exact;print-color-adjust:exact}}"
)

_Entry = tuple[datetime, int, str, Html]
"""When, the order of what happened at once, kind, what."""


def timeline(result: EventResult, clock: Clock, here: str) -> list[Html]:
    """Return the story of an event as a list, and its window of doubt in a sentence."""
    entries = sorted(_entries(result, here), key=lambda entry: entry[:2])
    items = [_item("", "", text(_T["no_good"]))] if result.last_good_at is None else []
    items += [_item(kind, clock.minute(at), what) for at, _, kind, what in entries]
    if result.window_to is None:
        items.append(_item("", clock.minute(result.as_of), text(_T["still"])))
    start = _T["since_ever"] if result.window_from is None else clock.minute(result.window_from)
    end = _T["open_end"] if result.window_to is None else clock.minute(result.window_to)
    window = _T["window"].format(start=start, end=end, zone=clock.zone)
    return [element("ol", *items, class_="timeline"), element("p", window)]


def _item(kind: str, at: str, what: Html) -> Html:
    return element("li", element("span", at, class_="at"), element("div", what), class_=kind or None)


def _entries(result: EventResult, here: str) -> Iterable[_Entry]:
    def named(lots: Iterable[str]) -> Html:
        names = list(dict.fromkeys(lots))
        more = [words.FRAGMENT["and_more"].format(n=len(names) - _NAMED)] if len(names) > _NAMED else []
        return join([join([linked(here, "lot", name) for name in names[:_NAMED]], ", "), *more], " ")

    def lots_of(said: str, lots: Iterable[str]) -> Html:
        names = list(lots)
        return join([element("b", said.format(lots=words.counted(len(set(names)), "lot"))), " ", named(names)])

    fixed: list[_Entry] = []
    if result.last_good_at is not None:
        good = element("b", _T["good"])
        fixed.append((result.last_good_at, 0, "", join([good, " ", shorten(result.last_good, 80)])))
    fired = join([element("b", say.KIND[result.kind].capitalize(), "."), " ", shorten(result.sentence, 400)])
    fixed.append((result.fired_at, 3, "fired", fired))
    if result.last_at - result.fired_at > _ONE_RUN:
        fixed.append((result.last_at, 3, "fired", text(_T["last"])))
    if result.window_to is not None:
        fixed.append((result.window_to, 1, "", element("b", _T["again"])))
    decisions: dict[Decision, list[str]] = {}
    for one in result.dispositions:
        decisions.setdefault(one, [])
    for lot in result.lots:
        for one in lot.dispositions:
            decisions.setdefault(one, []).append(lot.lot)
    for one, lots in decisions.items():
        about = [text(_T["event"])] if one in result.dispositions else []
        about += [named(lots)] if lots else []
        said = _T["decision"].format(decision=shorten(one.decision, 80), by=signer(one), why=shorten(one.why, 400))
        fixed.append((one.at, 4, "decided", join([element("b", join(about, ", "), ": "), said])))
    for what in ("shipped_on", "measured_again_at"):
        of_day: dict[datetime, list[str]] = {}
        for lot in result.lots:
            if (at := getattr(lot, what)) is not None:
                of_day.setdefault(at, []).append(lot.lot)
        fixed += [(at, 2, "", lots_of(_T[what], lots)) for at, lots in of_day.items()]
    yield from fixed
    # lots that were read with nothing else between them are one entry
    marks = sorted(entry[0] for entry in fixed)
    read = sorted({(lot.first, lot.lot) for lot in result.lots})
    for _, group in groupby(read, key=lambda one: sum(mark <= one[0] for mark in marks)):
        together = list(group)
        yield together[0][0], 2, "", lots_of(_T["read"], (lot for _, lot in together))
