"""The index: what is on hold and what to do first, the state of every meter, every lot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import quote

from reports.kit.address import INDEX
from reports.kit.lead_unit import result_in_lead_unit
from reports.kit.links import linked, linked_to
from reports.kit.markup import Html, element, isolated, join, shorten
from reports.kit.numbers import Clock, finite, fixed, significant
from reports.kit.page import (
    Masthead,
    document,
    glyph,
    section,
    shown_state,
    stamped,
    toned,
    unit_in_words,
    verdict_in_words,
)
from reports.kit.report import Report
from reports.kit.tables import Heading, Numbered, table
from reports.lot.text import decimals_of
from reports.sections.what_to_do import calibration_due
from reports.words import event as look_back
from reports.words import general as words
from schemas.conditions import CONDITIONS
from schemas.results import IndexPage, LotResult, MeterResult

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from schemas.page import PageLink

__all__ = ["REPORT", "render"]

_NAMED = 8
"""How many lots an action names; the tables below name all."""

_C = words.COLUMN


@dataclass(frozen=True)
class _Action:
    """One thing to do: its tone, the sentence, the lots or meters concerned."""

    tone: str
    sentence: str
    lots: tuple[LotResult, ...] = ()
    meters: tuple[MeterResult, ...] = ()
    remark: str = ""
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
    meters = sorted(page.meters, key=lambda meter: (_STATES.index(meter.state), meter.meter))
    actions = _actions(lots, meters, page)
    body = [_first(page, actions, lots, meters), section("counts", _tally(lots, meters))]
    if meters:
        body.append(section("meters", _meters_table(page, meters, numbered, clock), wide=True))
    groups = [
        _lots_table(page, state, [lot for lot in lots if shown_state(lot) == state], numbered, clock)
        for state in _SHOWN_STATES
    ]
    if lots:
        body.append(section("lots", *groups, wide=True))
    if page.others:
        body.append(section("others", element("div", _others(page.others, clock), id="others-list")))
    if page.files_held:
        held = [element("li", isolated(name, 300)) for name in sorted(page.files_held)]
        body.append(section("files", element("ul", *held)))
    if page.notes:
        body.append(section("notes", element("ul", *(element("li", shorten(note, 600)) for note in page.notes))))
    title = words.FRAGMENT["index"]
    what = words.FRAGMENT["counts_of"].format(
        lots=words.counted(len(lots), "lot"), meters=words.counted(len(meters), "meter")
    )
    head = Masthead(kind=words.FRAGMENT["home"], name=None, heading=title, what=what, title=title)
    return document(head, INDEX, page.provenance, numbered, body)


REPORT = Report(name="index", page=IndexPage, render=render)

_SHOWN_STATES = ("reject", "hold", "not_assessed", "conditional", "accept")
_STATES = ("suspended", "overdue", "not_assessed", "fit")


def _others(links: Sequence[PageLink], clock: Clock) -> Html:
    """Return the pages beside those of lots and meters, by kind."""
    kinds = sorted({link.kind for link in links}, key=lambda kind: list(words.KIND).index(kind))
    return join(
        join(
            [
                element("h3", words.KIND[kind], id=f"kind-{kind}"),
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
            ]
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
            actions.append(_Action("reject", say["suspended"].format(meter=name), remark=" ".join(meter.reasons[:1])))
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
        items = [
            element(
                "li",
                element("b", action.sentence),
                _named(
                    [
                        *(_lot_link(page, lot) for lot in action.lots[:_NAMED]),
                        *(_link(page.meter_addresses, meter.meter) for meter in action.meters[:_NAMED]),
                        *(linked(INDEX, link.kind, link.identifier, link.title) for link in action.pages[:_NAMED]),
                    ],
                    len(action.lots) + len(action.meters) + len(action.pages),
                ),
                element("span", f" {shorten(action.remark, 300)}", class_="wait") if action.remark else None,
            )
            for action in actions
        ]
        said: object = element("ol", *items)
    else:
        said = element("p", stamp["nothing"] if lots or meters else stamp["empty"])
    return stamped(state, word, element("h2", words.FRAGMENT["five"]), said)


def _named(links: Sequence[Html], total: int) -> Html | None:
    """Return links to the first pages concerned, and how many more there are."""
    if not links:
        return None
    more = f" {words.FRAGMENT['and_more'].format(n=total - len(links))}" if total > len(links) else None
    return element("span", " ", join(links, ", "), more)


def _link(addresses: dict[str, str], name: str) -> Html:
    there = addresses.get(name)
    # an address is relative and ours; quoted, it cannot name another place even if it was not made by us
    if there is None:
        return isolated(name)
    return linked_to(INDEX, quote(there, safe="/._-~"), isolated(name))


def _lot_link(page: IndexPage, lot: LotResult) -> Html:
    return _link(page.lot_addresses, lot.lot)


def _tally(lots: Sequence[LotResult], meters: Sequence[MeterResult]) -> Html:
    """Return how many lots have each verdict and how many meters each state."""

    def row(states: Iterable[str], names: dict[str, str], found: list[str], heading: str) -> Html:
        items = []
        for state in states:
            count = found.count(state)
            tone = {
                "accept": "accept",
                "fit": "accept",
                "hold": "hold",
                "conditional": "hold",
                "overdue": "hold",
                "not_assessed": "none",
            }.get(state, "reject")
            items.append(
                element(
                    "li",
                    element("b", count),
                    glyph(state),
                    names[state],
                    class_=f"t-{tone}" if count else "t-none zero",
                )
            )
        return join([element("h3", heading), element("ul", *items, class_="tally")])

    return join(
        [
            row(_SHOWN_STATES, _shown_names(), [shown_state(lot) for lot in lots], words.SECTION["lots"]),
            row(_STATES, words.STATE, [meter.state for meter in meters], words.SECTION["meters"]),
        ]
    )


def _meters_table(page: IndexPage, meters: Sequence[MeterResult], numbered: Numbered, clock: Clock) -> Html:
    columns = [
        Heading(_C["meter"]), Heading(_C["meter_state"], kind="t"), Heading(_C["reason"]), Heading(_C["last_run"], clock.zone, "t"),
        Heading(_C["checks"], kind="n"), Heading(_C["events"], words.FRAGMENT["open_events"], "n"), Heading(_C["suspect"], kind="n"),
    ]  # fmt: skip
    rows = [
        (
            _link(page.meter_addresses, meter.meter), toned(meter.state, words.STATE.get(meter.state, meter.state)),
            shorten(" ".join(meter.reasons[:1]), 200), clock.minute(meter.last_run_at), meter.checks, len(meter.open_events),
            len(meter.suspect_lots),
        )
        for meter in meters
    ]  # fmt: skip
    marked = [meter.state != "fit" for meter in meters]
    return table(numbered.table(), "meters", words.TABLE["meters"], columns, rows, marked=marked)


def _support(lot: LotResult) -> object:
    """Return the support in words; with its shape where it is not as it should be, which keeps long lists small."""
    word = words.SUPPORT.get(lot.support, lot.support)
    return word if lot.support == "supported" else toned(lot.support, word)


def _lots_table(
    page: IndexPage, state: str, lots: Sequence[LotResult], numbered: Numbered, clock: Clock
) -> Html | None:
    """Return the lots of one verdict, the latest first."""
    if not lots:
        return None
    ordered = sorted(
        lots,
        key=lambda lot: (
            (lot.last_at is not None, lot.last_at, lot.lot) if lot.last_at else (False, page.provenance.as_of, lot.lot)
        ),
        reverse=True,
    )
    columns = [
        Heading(_C["lot"]), Heading(_C["support"], kind="t"), Heading(_C["mean"], kind="n"), Heading(_C["ppk"], kind="n"),
        Heading(_C["parts"], kind="n"), Heading(_C["material"], name="material"), Heading(_C["supplier"], name="supplier"),
        Heading(_C["meters"], name="meter"), Heading(_C["last"], clock.zone, "t"),
    ]  # fmt: skip
    explained = state != "accept"
    if explained:
        columns.insert(2, Heading(_C["reason"]))
    rows = []
    for lot in ordered:
        shown = result_in_lead_unit(lot)
        mean = (
            f"{fixed(shown.mean, decimals_of(shown))} {unit_in_words(shown.unit)}"
            if finite(lot.mean) is not None
            else ""
        )
        cells: list[object] = [
            _lot_link(page, lot), _support(lot), mean, significant(lot.ppk, 3), lot.parts,
            None if lot.material is None else shorten(lot.material, 40), linked(INDEX, "supplier", lot.supplier, length=40),
            ", ".join(shorten(meter, 30) for meter in lot.meters), clock.minute(lot.last_at),
        ]  # fmt: skip
        if explained:
            cells.insert(2, verdict_in_words(lot) if lot.conditions else shorten(" ".join(lot.reasons[:1]), 160))
        rows.append(cells)
    name = _shown_names()[state]
    caption = words.TABLE["index_lots"].format(verdict=name, lots=_lots(lots))
    head = element("h3", toned(state, name), id=f"lots-{state}")
    return join([head, table(numbered.table(), f"lots-{state}", caption, columns, rows)])


def _shown_names() -> dict[str, str]:
    return {**words.VERDICT, "conditional": words.FRAGMENT["conditional"]}
