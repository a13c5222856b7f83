"""The index: what is on hold and what to do first, the state of every meter, every lot."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from reports.kit.address import INDEX, address
from reports.kit.links import exists, linked, linked_to
from reports.kit.markup import Html, element, isolated, join, shorten, text
from reports.kit.numbers import Clock, finite, percent
from reports.kit.page import Masthead, document, folded, section, shown_state, stamped
from reports.kit.report import Report
from reports.kit.states import TONES, glyph, toned
from reports.kit.style import WIDE
from reports.kit.tables import Heading, Numbered, caption, table
from reports.overview.month import month_in_words
from reports.sections.lots_list import link_of, lots_table
from reports.sections.what_to_do import calibration_due
from reports.words import event as look_back
from reports.words import general as words
from reports.words import index as say
from schemas.conditions import CONDITIONS
from schemas.results import FILES, IndexPage, LotResult, MeterResult

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from schemas.page import PageLink

__all__ = ["REPORT", "render"]

_NAMED = 8
"""How many lots an action names; the lists name all."""
_FIRST, _MOST_WORK, _MOST_LOTS = 3, 25, 50
_STYLE = (
    ".tiles{display:grid;grid-template-columns:repeat(auto-fill,minmax(min(100%,13rem),1fr));gap:.6rem;margin:0;padding:0;list-style:none}"
    ".tiles li{border:2px solid var(--tone);background:var(--wash);padding:.5rem .8rem;margin:0}"
    ".tiles b{font-size:1.25rem;margin-right:.6rem}.tiles p{margin:.25rem 0 0;font-size:.9rem}"
    ".tiles p svg{display:block;width:100%;height:.5rem;margin-bottom:.2rem}"
    ".counts{display:flex;flex-wrap:wrap;gap:.2rem 1.4rem;padding:0;list-style:none;margin:.2rem 0}"
    "#table-work svg{width:1.05em;height:1.05em;vertical-align:-.16em;margin-right:.4em}"
    "#table-work td,#table-work th{min-width:9rem}#table-work th{font-weight:600;max-width:26rem}"
)


@dataclass(frozen=True)
class _Action:
    """One thing to do: its tone, the sentence, the lots or meters concerned."""

    tone: str
    sentence: str
    lots: tuple[LotResult, ...] = ()
    meters: tuple[MeterResult, ...] = ()
    pages: tuple[PageLink, ...] = ()


def render(page: IndexPage) -> str:
    """Render the list of lots and meters.

    Parameters
    ----------
    page
        Results with the addresses of their pages.

    Returns
    -------
    str
        A self-contained HTML document.
    """
    clock, numbered = Clock(page.provenance.zone), Numbered()
    lots = sorted(page.lots, key=lambda lot: lot.lot)
    meters = sorted(
        page.meters, key=lambda meter: (_STATES.index(meter.state), -(_share(meter) or (0.0, ""))[0], meter.meter)
    )
    actions = _actions(lots, meters, page)
    body = [_first(page, actions, lots, meters)]
    if meters:
        tiles = element("ul", *(_tile(page, meter, clock) for meter in meters), class_="tiles")
        body.append(section("meters", tiles, heading=say.HEADING["tiles"], wide=True))
    work = _work(page, actions, numbered, clock) if actions else element("p", say.SAY["none"])
    body.append(section("work", work, heading=say.HEADING["work"], wide=True))
    if lots:
        body.append(section("lots", *_lots_listed(page, numbered, clock), wide=True))
    if page.others:
        body.append(section("others", element("div", _others(page.others, clock), id="others-list")))
    if page.files_held:
        held = [element("li", isolated(name, 300)) for name in sorted(page.files_held)]
        body.append(section("files", element("ul", *held), heading=say.HEADING["held"]))
    if page.notes:
        body.append(section("notes", element("ul", *(element("li", shorten(note, 600)) for note in page.notes))))
    title = words.FRAGMENT["index"]
    what = words.FRAGMENT["counts_of"].format(
        lots=words.counted(len(lots), "lot"), meters=words.counted(len(meters), "meter")
    )
    head = Masthead(kind=words.FRAGMENT["home"], name=None, heading=title, what=what, title=title)
    provenance, details = page.provenance, []
    there = address("files", FILES)
    if provenance.files.height and exists(there):
        said = say.SAY["files"].format(files=words.counted(provenance.files.height, "file"))
        details = [(say.HEADING["files"], linked_to(INDEX, there, text(said)))]
        provenance = replace(provenance, files=provenance.files.clear())
    return document(head, INDEX, provenance, numbered, body, details, style=WIDE + _STYLE)


REPORT = Report(name="index", page=IndexPage, render=render)

_SHOWN_STATES = ("reject", "hold", "not_assessed", "conditional", "accept")
_STATES = ("suspended", "overdue", "not_assessed", "fit")


def _others(links: Sequence[PageLink], clock: Clock) -> Html:
    """Return the pages beside those of lots and meters, each kind behind a disclosure; few are opened at once."""
    kinds = sorted({link.kind for link in links}, key=lambda kind: list(words.KIND).index(kind))
    return join(
        folded(
            f"{words.KIND[kind]} ({sum(link.kind == kind for link in links)})",
            element(
                "ul",
                *(
                    element(
                        "li",
                        linked(INDEX, link.kind, link.identifier, link.title),
                        f" · {clock.minute(link.at)}" if link.at else None,
                        f" · {shorten(link.sentence, 200)}" if link.sentence else None,
                    )
                    for link in links
                    if link.kind == kind
                ),
            ),
            anchor=f"kind-{kind}",
        )
        for kind in kinds
    )


def _lots(lots: Sequence[object]) -> str:
    return words.counted(len(lots), "lot")


def _actions(lots: Sequence[LotResult], meters: Sequence[MeterResult], page: IndexPage) -> list[_Action]:
    """Return what to do, in the order in which it should be done."""
    say = words.ACTION
    by_name = {lot.lot: lot for lot in lots}
    held = [lot for lot in lots if lot.verdict == "hold"]
    actions: list[_Action] = []
    explained: set[str] = set()
    for meter in meters:
        suspects = tuple(
            by_name[name] for name in sorted(meter.suspect_lots) if name in by_name and by_name[name].verdict == "hold"
        )
        name = shorten(meter.meter, 40)
        if meter.state == "suspended":
            actions.append(_Action("reject", say["suspended"].format(meter=name), meters=(meter,)))
        if suspects:
            actions.append(_Action("reject", say["failed"].format(meter=name, lots=_lots(suspects)), suspects))
            explained |= {lot.lot for lot in suspects}
    rejected = tuple(lot for lot in lots if lot.verdict == "reject")
    if rejected:
        actions.append(_Action("reject", say["rejected"].format(lots=_lots(rejected)), rejected))
    waiting: dict[tuple[str, ...], list[LotResult]] = {}
    for lot in held:
        if lot.support == "open" and lot.lot not in explained:
            waiting.setdefault(tuple(sorted(lot.meters)), []).append(lot)
    for names, group in sorted(waiting.items()):
        meter_names = words.listed([shorten(name, 40) for name in names]) or words.FRAGMENT["not_stated"]
        actions.append(_Action("hold", say["close"].format(meter=meter_names, lots=_lots(group)), tuple(group)))
    rest = [lot for lot in held if lot.lot not in explained and lot.support != "open"]
    for key, group in (
        ("unsupported", [lot for lot in rest if lot.support == "unsupported"]),
        ("held", [lot for lot in rest if lot.support != "unsupported"]),
    ):
        if group:
            actions.append(_Action("hold", say[key].format(lots=_lots(group)), tuple(group)))
    for condition in dict.fromkeys(CONDITIONS.values()):
        first = tuple(lot for lot in lots if lot.conditions[:1] == (condition,) and not lot.dispositions)
        if first:
            actions.append(_Action("hold", say[condition].format(lots=_lots(first)), first))
    moved = tuple(link for link in page.others if link.kind == "block" and link.state == "moved")
    if moved:
        actions.append(_Action("reject", look_back.ACTION["moved"], pages=moved))
    open_events = tuple(link for link in page.others if link.kind == "event" and link.state == "open")
    if open_events:
        actions.append(_Action("hold", look_back.ACTION["events"].format(n=len(open_events)), pages=open_events))
    overdue = [meter for meter in meters if meter.state == "overdue"]
    for sentence, concerned in (
        (say["calibrate"], [meter for meter in overdue if calibration_due(meter)]),
        (say["overdue"], [meter for meter in overdue if not calibration_due(meter)]),
        (say["uncertified"], [meter for meter in meters if meter.state == "not_assessed"]),
    ):
        if concerned:
            actions.append(_Action("hold", sentence, meters=tuple(concerned)))
    if page.files_held:
        actions.append(_Action("hold", say["files"].format(files=words.counted(len(page.files_held), "file"))))
    if page.quarantined:
        actions.append(_Action("hold", say["quarantine"].format(lines=words.counted(page.quarantined, "line"))))
    unassessed = tuple(lot for lot in lots if lot.verdict == "not_assessed")
    if unassessed:
        actions.append(_Action("none", say["unassessed"].format(lots=_lots(unassessed)), unassessed))
    return actions


def _first(
    page: IndexPage, actions: Sequence[_Action], lots: Sequence[LotResult], meters: Sequence[MeterResult]
) -> Html:
    """Return the panel that says in five seconds how things stand and what to do first."""
    stamp = words.STAMP
    stopped = [lot for lot in lots if lot.verdict in ("hold", "reject")]
    unfit = [meter for meter in meters if meter.state != "fit"]
    if any(meter.state == "suspended" for meter in meters) or any(lot.verdict == "reject" for lot in lots):
        state = "reject"
    elif stopped or unfit:
        state = "hold"
    else:
        state = "not_assessed" if actions or not (lots or meters) else "accept"
    if stopped:
        word = stamp["act"].format(lots=_lots(stopped))
    elif unfit:
        word = stamp["meters"].format(meters=words.counted(len(unfit), "meter"))
    else:
        word = stamp["calm"] if state == "accept" else stamp["complete"]
    if actions:
        said: object = element(
            "ol",
            *(element("li", element("b", action.sentence), _concerned(page, action)) for action in actions[:_FIRST]),
        )
    else:
        said = element("p", stamp["nothing"] if lots or meters else stamp["empty"])
    return stamped(state, word, element("h2", words.FRAGMENT["five"]), said)


def _concerned(page: IndexPage, action: _Action) -> Html | None:
    """Return links to the first lots, meters and pages that an action names, and how many more there are."""
    links = [
        *(link_of(INDEX, lot.lot, page.lot_addresses.get(lot.lot)) for lot in action.lots[:_NAMED]),
        *(link_of(INDEX, meter.meter, page.meter_addresses.get(meter.meter)) for meter in action.meters[:_NAMED]),
        *(linked(INDEX, link.kind, link.identifier, link.title) for link in action.pages[:_NAMED]),
    ]
    total = len(action.lots) + len(action.meters) + len(action.pages)
    if not links:
        return None
    more = f" {words.FRAGMENT['and_more'].format(n=total - len(links))}" if total > len(links) else None
    return element("span", " ", join(links, ", "), more)


def _since(action: _Action) -> datetime | None:
    """Return since when something of an action waits: the earliest of its lots, events and runs of checks."""
    moments = [
        *(lot.last_at for lot in action.lots),
        *(meter.last_run_at for meter in action.meters),
        *(link.at for link in action.pages),
    ]
    return min((at for at in moments if at is not None), default=None)


def _work(page: IndexPage, actions: Sequence[_Action], numbered: Numbered, clock: Clock) -> Html:
    """Return all open work as one table: what, why, since when, where."""
    columns = [
        Heading(say.COLUMN["what"]), Heading(say.COLUMN["why"]), Heading(say.COLUMN["since"], clock.zone, "t"), Heading(say.COLUMN["where"]),
    ]  # fmt: skip
    rows = []
    for action in actions[:_MOST_WORK]:
        reasons = [r for lot in action.lots for r in lot.reasons[:1]]
        reasons = (
            reasons
            or [r for meter in action.meters for r in meter.reasons[:1]]
            or [link.sentence for link in action.pages]
        )
        rows.append(
            (
                join([glyph(action.tone), element("span", _alone(action.sentence))]), shorten(next(iter(dict.fromkeys(reasons)), ""), 160),
                clock.minute(_since(action)), _concerned(page, action),
            )
        )  # fmt: skip
    note = say.SAY["and_more"].format(n=len(actions) - _MOST_WORK) if len(actions) > _MOST_WORK else ""
    return table(numbered.table(), "work", caption(say.TABLE["work"], note), columns, rows)


def _alone(sentence: str) -> str:
    """Return a sentence as it stands in a column of its own: what it would lead to stands in another one."""
    return f"{sentence.removesuffix(':')}." if sentence.endswith(":") else sentence


def _share(meter: MeterResult) -> tuple[float, str] | None:
    """Return the largest part of a tolerance that the meter's last biases take, and on which block."""
    found = [
        (abs(block.last_bias) / block.tolerance, block.block)
        for block in meter.blocks
        if finite(block.last_bias) is not None and block.last_bias is not None and block.tolerance
    ]
    return max(found, default=None)


def _tile(page: IndexPage, meter: MeterResult, clock: Clock) -> Html:
    """Return a meter as a tile: its state, how much of its tolerance is used, when it is checked next."""
    share, by = _share(meter), page.check_by.get(meter.meter)
    used: list[object] = [say.SAY["used_none"]]
    if share is not None:
        width = round(100 * min(share[0], 1.0))
        bar = element("svg", element("rect", width=100, height=8, fill="var(--bar)", fill_opacity=".45"),
                      element("rect", width=width, height=8, fill="var(--tone)"), viewBox="0 0 100 8", preserveAspectRatio="none", aria_hidden="true")  # fmt: skip
        used = [bar, say.SAY["used"].format(share=percent(share[0]), block=shorten(share[1], 30))]
    if meter.state == "suspended":
        due = say.SAY["next_none"]
    else:
        due = (
            say.SAY["next"].format(at=clock.minute(by))
            if by is not None and meter.state == "fit"
            else say.SAY["next_now"]
        )
    tone = TONES.get(meter.state, "none")
    return element(
        "li",
        element("b", link_of(INDEX, meter.meter, page.meter_addresses.get(meter.meter))),
        toned(meter.state, words.STATE.get(meter.state, meter.state)),
        element("p", *used),
        element("p", due),
        class_=f"t-{tone}",
    )


def _lots_listed(page: IndexPage, numbered: Numbered, clock: Clock) -> list[Html]:
    """Return counts, the lots that wait and those of the latest month, and the way to every month."""
    months = page.months
    latest = next(iter(months))
    ordered = [lot for lots in months.values() for lot in lots]
    waiting = [lot for lot in ordered if lot.verdict != "accept" or (lot.conditions and not lot.dispositions)]
    waiting.sort(key=lambda lot: _SHOWN_STATES.index(shown_state(lot)))
    seen = {lot.lot for lot in waiting}
    shown = [*waiting, *(lot for lot in months[latest] if lot.lot not in seen)][:_MOST_LOTS]
    states = [shown_state(lot) for lot in ordered]
    names = {**words.VERDICT, "conditional": words.FRAGMENT["conditional"]}
    counts = [
        element("li", toned(state, say.SAY["state"].format(count=states.count(state), state=names[state])))
        for state in _SHOWN_STATES
        if state in states
    ]
    said = caption(
        say.TABLE["lots"], say.SAY["shown"].format(month=month_in_words(latest), shown=len(shown), total=len(ordered))
    )
    links = [
        element(
            "li",
            linked_to(
                INDEX,
                address("month", month),
                text(say.SAY["month"].format(month=month_in_words(month), lots=words.counted(len(lots), "lot"))),
            ),
        )
        for month, lots in months.items()
    ]
    return [
        element("ul", *counts, class_="counts"),
        lots_table(INDEX, shown, numbered.table(), clock, said, page.lot_addresses),
        element("h3", say.HEADING["months"]),
        element("ul", *links, class_="counts"),
    ]
