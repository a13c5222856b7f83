"""The event page: from a signal to its closure. What fired, since when, what it touched, who decided what."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.event.timeline import STYLE, timeline
from reports.kit.address import address
from reports.kit.links import linked
from reports.kit.markup import Html, element, isolated, join, shorten
from reports.kit.numbers import Clock, decimals_for, fixed, significant
from reports.kit.page import Masthead, document, folded, passed, section, unit_in_words, verdict
from reports.kit.report import Report
from reports.kit.states import toned
from reports.kit.tables import Heading, Numbered, Row, best_order, table
from reports.sections.alike import alike, rules_counted, span
from reports.sections.calibrations import calibrations_table
from reports.words import event as say
from reports.words import general as words
from schemas.look_back import EventPage

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from schemas.look_back import EventLot, EventResult

__all__ = ["REPORT", "render"]

_C = say.COLUMN
_NAMED = 6
_FEW_CHECKS = 12
"""A table of more checks has those alike in one row."""


def render(page: EventPage) -> str:
    """Render the page of a look-back event.

    Parameters
    ----------
    page
        The event with the frames behind it.

    Returns
    -------
    str
        A self-contained HTML document.
    """
    result, clock, numbered = page.result, Clock(page.provenance.zone), Numbered()
    here = address("event", result.name)
    unit = unit_in_words(result.unit)
    word = say.STATE[result.state]
    body = [verdict(result.state, word, _why(result, clock), _steps(result))]
    body.append(section("timeline", *timeline(result, clock, here), heading=say.SECTION["timeline"]))
    if commands := _commands(result):
        body.append(section("commands", *commands, heading=say.SECTION["commands"]))
    points = element("ul", *(element("li", point) for point in _points(result, unit)))
    lots = _lots(result, here, numbered.table(), clock) if result.lots else None
    body.append(section("lots", points, lots, heading=say.SECTION["lots"], wide=True))
    if page.checks.height:
        checks = _checks(page, numbered, clock, unit)
        body.append(section("checks", *checks, heading=say.SECTION["evidence"], wide=True))
    if page.calibrations.height:
        shown = calibrations_table(page.calibrations, numbered.table(), clock)
        body.append(section("calibrations", shown, heading=say.SECTION["calibrations"], wide=True))
    head = Masthead(
        kind=say.FRAGMENT["title"],
        name=result.event,
        heading=isolated(result.title, 100),
        what=join([isolated(result.event, 100), linked(here, "meter", result.meter)], " · "),
        title=f"{word}: {shorten(result.title, 60)}",
    )
    return document(head, here, page.provenance, numbered, body, style=STYLE)


REPORT = Report(name="event", page=EventPage, render=render)


def _why(result: EventResult, clock: Clock) -> list[str]:
    at = f"{clock.minute(result.fired_at)} {clock.zone}"
    kind = say.KIND[result.kind].capitalize()
    return [say.POINT["fired"].format(kind=kind, at=at, sentence=result.sentence), *result.notes]


def _waiting(result: EventResult) -> list[EventLot]:
    return [lot for lot in result.lots if lot.lot in result.undecided and not lot.settled and lot.doubt == "touched"]


def _steps(result: EventResult) -> list[str]:
    """Return what to do next, the first thing first."""
    if result.state == "closed":
        return [say.STEP["closed"]]
    step = say.STEP
    name = shorten(result.meter, 40)
    steps: list[str] = []
    if result.window_to is None:
        steps.append(step["stop" if result.meter_state == "suspended" else "check"].format(meter=name))
    waiting = _waiting(result)
    if beyond := sorted(
        {shorten(lot.lot, 40) for lot in waiting if lot.errors_to_limit is not None and lot.errors_to_limit < 1}
    ):
        steps.append(step["beyond"].format(names=words.listed(beyond, _NAMED)))
    if waiting:
        steps.append(step["lots"].format(lots=words.counted(len(result.undecided), "lot")))
    if shipped := {lot.lot for lot in waiting if lot.shipped_on is not None}:
        steps.append(step["shipped"].format(lots=words.counted(len(shipped), "lot")))
    if not result.disposed:
        steps.append(step["signal"])
    return steps


def _commands(result: EventResult) -> list[Html]:
    """Return what is typed to close the event, to be copied: a command a line, in a block that stays whole."""
    lots = list(dict.fromkeys(lot.lot for lot in _waiting(result)))
    event = _quoted(result.event)
    lines = [] if result.disposed or result.state == "closed" else [say.COMMAND["event"].format(event=event)]
    lines += [say.COMMAND["lot"].format(event=event, lot=_quoted(lot)) for lot in lots[:_NAMED]]
    if not lines:
        return []
    said = say.COMMAND["said"]
    more = element("p", say.COMMAND["more"].format(n=len(lots) - _NAMED)) if len(lots) > _NAMED else None
    block = element(
        "pre", element("code", join(lines, "\n")), tabindex="0", role="group", aria_label=say.SECTION["commands"]
    )
    return [element("p", said), block, *([more] if more else [])]


def _quoted(name: str) -> str:
    """Return a name as a shell takes it; one that cannot be typed is left open."""
    if not name.isascii() or not name.isprintable() or len(name) > 80:
        return "…"
    return name if name.replace("-", "").replace("/", "").replace("_", "").replace(".", "").isalnum() else "'" + name.replace("'", "'\\''") + "'"  # fmt: skip


def _points(result: EventResult, unit: str) -> list[str]:
    point = say.POINT
    found = [point["no_change"]]
    if result.changes:
        moved = [
            point["moved"].format(
                change=fixed(one.change, decimals_for(abs(one.change), one.level), sign=True), unit=unit,
                level=significant(one.level, 4), name=shorten(one.name, 40),
            )
            for one in result.changes
        ]  # fmt: skip
        found = [point["change"].format(moved=words.listed(moved, 12))]
    if not result.lots:
        found.append(point["no_lots"])
    for doubt in ("touched", "covered", "possible"):
        lots = {lot.lot for lot in result.lots if lot.doubt == doubt}
        waiting = {lot.lot for lot in result.lots if lot.doubt == doubt and not lot.settled}
        if lots:
            found.append(point[doubt].format(lots=words.counted(len(lots), "lot"), open=len(waiting)))
    return found


def _settled(lot: EventLot) -> Html:
    if lot.settled:
        return toned("closed", words.FRAGMENT["yes"])
    # what checks that passed cover, or perhaps another meter read, needs no decision of its own
    return toned("open", words.FRAGMENT["no"] if lot.doubt == "touched" else say.FRAGMENT["with_signal"])


def _risks(lots: Sequence[EventLot]) -> Html | str:
    """Return the distance of a lot to its limit, or the span of several."""
    known = sorted(lot.errors_to_limit for lot in lots if lot.errors_to_limit is not None)
    if not known:
        return say.FRAGMENT["no_risk"]
    shown = span(significant(known[0], 2), significant(known[-1], 2))
    return join([shown, toned("suspect", say.FRAGMENT["beyond"])], " ") if known[0] < 1 else shown


def _lots(result: EventResult, here: str, number: int, clock: Clock) -> Html:
    """Return the lots, each that waits in a row of its own and the others together where they stand alike."""

    def standing(lot: EventLot) -> tuple[object, ...]:
        waits = lot.lot if lot.doubt == "touched" and not lot.settled else None
        beyond = lot.errors_to_limit is not None and lot.errors_to_limit < 1
        meter = lot.meter if waits or lot.doubt == "possible" else None
        became = (lot.shipped_on, lot.measured_again_at is None, lot.dispositions)
        return waits, lot.settled, lot.doubt, lot.verdict, lot.support, beyond, meter, became

    groups = alike(result.lots, standing)
    columns = [
        Heading(words.COLUMN["lot"]), Heading(_C["settled"], kind="t"), Heading(_C["doubt"]), Heading(_C["errors_to_limit"], _C["in_errors"]),
        Heading(words.COLUMN["verdict"], kind="t"), Heading(words.COLUMN["support"], kind="t"), Heading(words.COLUMN["readings"], kind="n"),
        Heading(words.COLUMN["first"], clock.zone, "t"),
    ]  # fmt: skip
    rows = [
        (
            join([linked(here, "lot", lot.lot) for lot in lots], ", "), _settled(lots[0]),
            say.DOUBT[lots[0].doubt].format(meter=shorten(lots[0].meter, 40)), _risks(lots),
            toned(lots[0].verdict, words.VERDICT.get(lots[0].verdict, lots[0].verdict)),
            toned(lots[0].support, words.SUPPORT.get(lots[0].support, lots[0].support)), sum(lot.readings for lot in lots),
            clock.minute(min(lot.first for lot in lots)),
        )
        for lots in groups
    ]  # fmt: skip
    marked = [lots[0].doubt == "touched" and not lots[0].settled for lots in groups]
    said = join([say.TABLE["lots"], say.TABLE["distance"]], " ")
    return table(number, "lots", said, columns, rows, marked=marked)


def _checks(page: EventPage, numbered: Numbered, clock: Clock, unit: str) -> list[Html]:
    """Return the checks; where they are many, those alike in one row, and each one behind a disclosure."""
    rows = list(best_order(page.checks, ("at", "block", "run")).iter_rows(named=True))
    if len(rows) <= _FEW_CHECKS:
        return [_every_check(rows, numbered.table(), clock, unit)]
    kept = ("part", "block", "passes", "certificate", "certificate_overdue")
    groups = alike(rows, lambda row: (*(row[name] for name in kept), bool(row["rejects"])))
    columns = [
        Heading(_C["part"], kind="t"), Heading(words.COLUMN["block"]), Heading(_C["count"], kind="n"), Heading(_C["period"], clock.zone, "t"),
        Heading(words.COLUMN["bias"], unit, "t"), Heading(words.COLUMN["result"], kind="t"), Heading(words.COLUMN["rejects"]), Heading(_C["certificate"]),
    ]  # fmt: skip
    decimals = _decimals(rows)
    written = []
    for group in groups:
        first = group[0]
        biases = [row["bias"] for row in group if row["bias"] is not None]
        days = span(clock.day(first["at"]), clock.day(group[-1]["at"]))
        bias = span(fixed(min(biases), decimals, sign=True), fixed(max(biases), decimals, sign=True)) if biases else ""
        rules = rules_counted(rule for row in group for rule in row["rejects"].split())
        written.append(
            (say.PART[first["part"]], isolated(first["block"]), len(group), days, bias, passed(first["passes"]), rules, _certificate(first, clock))
        )  # fmt: skip
    found = table(
        numbered.table(), "checks", say.TABLE["checks_alike"], columns, written, marked=_marked(group[0] for group in groups), row_heads=2
    )  # fmt: skip
    return [found, folded(say.FRAGMENT["every_check"].format(n=len(rows)), _every_check(rows, numbered.table(), clock, unit))]  # fmt: skip


def _decimals(rows: Sequence[Row]) -> int:
    tolerance = next((row["tolerance"] for row in rows if row["tolerance"] is not None), None)
    return decimals_for(None if tolerance is None else tolerance / 10, None)


def _certificate(row: Row, clock: Clock) -> Html:
    due = toned("overdue", say.FRAGMENT["overdue"].format(day=clock.day(row["certificate_due_on"])))
    shown = None if row["certificate"] is None else shorten(row["certificate"], 40)
    return join([shown, due if row["certificate_overdue"] else None], " ")


def _marked(rows: Iterable[Row]) -> list[bool]:
    return [row["passes"] is False or bool(row["rejects"]) for row in rows]


def _every_check(rows: Sequence[Row], number: int, clock: Clock, unit: str) -> Html:
    decimals = _decimals(rows)
    columns = [
        Heading(words.COLUMN["at"], clock.zone, "t"), Heading(_C["part"], kind="t"), Heading(words.COLUMN["block"]),
        Heading(words.COLUMN["mean"], unit, "n"), Heading(words.COLUMN["bias"], unit, "n"), Heading(words.COLUMN["tolerance"], unit, "n"),
        Heading(words.COLUMN["result"], kind="t"), Heading(words.COLUMN["rejects"]), Heading(_C["certificate"]),
    ]  # fmt: skip
    written = [
        (
            clock.second(row["at"]), say.PART[row["part"]], isolated(row["block"]), fixed(row["mean"], decimals),
            fixed(row["bias"], decimals, sign=True), fixed(row["tolerance"], decimals), passed(row["passes"]),
            toned("out", row["rejects"]) if row["rejects"] else "", _certificate(row, clock),
        )
        for row in rows
    ]  # fmt: skip
    return table(number, "every-check", say.TABLE["checks"], columns, written, marked=_marked(rows))
