"""The event page: from a signal to its closure. What fired, since when, what it touched, who decided what."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.address import address
from reports.kit.links import linked
from reports.kit.markup import Html, element, isolated, join, shorten
from reports.kit.numbers import Clock, decimals_for, fixed, significant
from reports.kit.page import Masthead, document, passed, section, toned, unit_in_words, verdict
from reports.kit.report import Report
from reports.kit.tables import Heading, Numbered, best_order, table
from reports.sections.calibrations import calibrations_table
from reports.words import event as say
from reports.words import general as words
from schemas.look_back import EventPage

if TYPE_CHECKING:
    from schemas.look_back import EventLot, EventResult
    from schemas.page import Decision

__all__ = ["REPORT", "render"]

_C = say.COLUMN
_NAMED = 6


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
    none = element("p", say.FRAGMENT["none"])
    word = say.STATE[result.state]
    body = [
        verdict(result.state, word, _why(result, clock), _steps(result)),
        section("points", element("ul", join(element("li", point) for point in _points(result, clock, unit)))),
        section(
            "lots",
            _lots(result, here, numbered.table(), clock) if result.lots else none,
            heading=say.SECTION["lots"],
            wide=True,
        ),
        section("dispositions", _decisions(result, numbered, clock), heading=say.SECTION["decisions"]),
    ]
    if page.checks.height:
        checks = _checks(page, numbered.table(), clock, unit)
        body.append(section("checks", checks, heading=say.SECTION["evidence"], wide=True))
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
    return document(head, here, page.provenance, numbered, body)


REPORT = Report(name="event", page=EventPage, render=render)


def _at(clock: Clock, moment: object) -> str:
    return f"{clock.minute(moment)} {clock.zone}"  # type: ignore[arg-type]


def _why(result: EventResult, clock: Clock) -> list[str]:
    fired = say.POINT["fired"].format(
        kind=say.KIND[result.kind].capitalize(), at=_at(clock, result.fired_at), sentence=result.sentence
    )
    return [fired, *result.notes]


def _steps(result: EventResult) -> list[str]:
    """Return what to do next, the first thing first."""
    if result.state == "closed":
        return [say.STEP["closed"]]
    step = say.STEP
    names = {"meter": shorten(result.meter, 40), "event": shorten(result.event, 80)}
    steps: list[str] = []
    if result.window_to is None:
        steps.append(step["stop" if result.meter_state == "suspended" else "check"].format(**names))
    waiting = [lot for lot in result.lots if not lot.settled and lot.doubt == "touched"]
    beyond = sorted({shorten(lot.lot, 40) for lot in waiting if lot.risk is not None and lot.risk < 1})
    if beyond:
        steps.append(step["beyond"].format(names=words.listed(beyond, _NAMED)))
    if waiting:
        lots = words.counted(len({lot.lot for lot in waiting}), "lot")
        steps.append(step["lots"].format(lots=lots, **names))
    shipped = {lot.lot for lot in waiting if lot.shipped_on is not None}
    if shipped:
        steps.append(step["shipped"].format(lots=words.counted(len(shipped), "lot")))
    if not result.disposed:
        steps.append(step["signal"].format(**names))
    return steps


def _points(result: EventResult, clock: Clock, unit: str) -> list[str]:
    point = say.POINT
    found = []
    if result.last_good_at is None:
        found.append(point["no_good"])
    else:
        found.append(point["good"].format(what=result.last_good, at=_at(clock, result.last_good_at)))
    start = point["since_ever"] if result.window_from is None else _at(clock, result.window_from)
    end = point["still"] if result.window_to is None else _at(clock, result.window_to)
    found.append(point["window"].format(start=start, end=end))
    for change in result.changes:
        decimals = decimals_for(abs(change.change), change.level)
        found.append(
            point["change"].format(
                change=fixed(change.change, decimals, sign=True), unit=unit, level=significant(change.level, 4),
                name=shorten(change.name, 40),
            )
        )  # fmt: skip
    if not result.changes:
        found.append(point["no_change"])
    if not result.lots:
        found.append(point["no_lots"])
    for doubt in ("touched", "covered", "possible"):
        lots = {lot.lot for lot in result.lots if lot.doubt == doubt}
        waiting = {lot.lot for lot in result.lots if lot.doubt == doubt and not lot.settled}
        if lots:
            found.append(point[doubt].format(lots=words.counted(len(lots), "lot"), open=len(waiting)))
    return found


def _decided(decisions: tuple[Decision, ...], clock: Clock) -> str:
    return "; ".join(
        words.FRAGMENT["disposed"].format(
            decision=shorten(one.decision, 80), by=shorten(one.by, 40), day=clock.day(one.at), why=shorten(one.why, 200)
        )
        for one in decisions
    )


def _risk(lot: EventLot) -> Html | str:
    if lot.risk is None:
        return say.FRAGMENT["no_risk"]
    shown = significant(lot.risk, 2)
    return join([shown, toned("suspect", say.FRAGMENT["beyond"])], " ") if lot.risk < 1 else shown


def _became(lot: EventLot, clock: Clock) -> str:
    """Return what happened to a lot since: left the site, measured again, decided."""
    said = [
        say.FRAGMENT["shipped"].format(day=clock.day(lot.shipped_on)) if lot.shipped_on else "",
        say.FRAGMENT["again"].format(day=clock.day(lot.measured_again_at)) if lot.measured_again_at else "",
        _decided(lot.dispositions, clock),
    ]
    return "; ".join(part for part in said if part)


def _settled(lot: EventLot) -> Html:
    if lot.settled:
        return toned("closed", words.FRAGMENT["yes"])
    # what checks that passed cover, or perhaps another meter read, needs no decision of its own
    return toned("open", words.FRAGMENT["no"] if lot.doubt == "touched" else say.FRAGMENT["with_signal"])


def _lots(result: EventResult, here: str, number: int, clock: Clock) -> Html:
    columns = [
        Heading(words.COLUMN["lot"]), Heading(_C["settled"], kind="t"), Heading(_C["doubt"]), Heading(_C["risk"], _C["in_errors"]),
        Heading(words.COLUMN["verdict"], kind="t"), Heading(words.COLUMN["support"], kind="t"), Heading(words.COLUMN["readings"], kind="n"),
        Heading(words.COLUMN["first"], clock.zone, "t"), Heading(_C["became"]),
    ]  # fmt: skip
    rows = [
        (
            linked(here, "lot", lot.lot), _settled(lot), say.DOUBT[lot.doubt].format(meter=shorten(lot.meter, 40)),
            _risk(lot), toned(lot.verdict, words.VERDICT.get(lot.verdict, lot.verdict)),
            toned(lot.support, words.SUPPORT.get(lot.support, lot.support)), lot.readings, clock.minute(lot.first), _became(lot, clock),
        )
        for lot in result.lots
    ]  # fmt: skip
    marked = [not lot.settled and lot.doubt == "touched" for lot in result.lots]
    return join(
        [
            element("p", say.TABLE["distance"]),
            table(number, "lots", say.TABLE["lots"], columns, rows, marked=marked),
        ]
    )


def _decisions(result: EventResult, numbered: Numbered, clock: Clock) -> Html:
    written = [(one, say.FRAGMENT["signal"]) for one in result.dispositions]
    written += [
        (one, say.FRAGMENT["lot"].format(lot=shorten(name, 60)))
        for name, one in {(lot.lot, one) for lot in result.lots for one in lot.dispositions}
    ]
    if not written:
        return element("p", say.FRAGMENT["no_decision"])
    columns = [
        Heading(words.COLUMN["at"], clock.zone, "t"), Heading(_C["subject"]), Heading(words.COLUMN["decision"]),
        Heading(words.COLUMN["by"]), Heading(words.COLUMN["why"]),
    ]  # fmt: skip
    rows = [
        (clock.minute(one.at), subject, shorten(one.decision, 80), isolated(one.by), shorten(one.why, 400))
        for one, subject in sorted(
            written, key=lambda pair: (pair[0].at, pair[1], pair[0].decision, pair[0].by, pair[0].why)
        )
    ]
    return table(numbered.table(), "dispositions", say.TABLE["decisions"], columns, rows)


def _checks(page: EventPage, number: int, clock: Clock, unit: str) -> Html:
    rows = list(best_order(page.checks, ("at", "block", "run")).iter_rows(named=True))
    tolerance = next((row["tolerance"] for row in rows if row["tolerance"] is not None), None)
    decimals = decimals_for(None if tolerance is None else tolerance / 10, None)
    columns = [
        Heading(words.COLUMN["at"], clock.zone, "t"), Heading(_C["part"], kind="t"), Heading(words.COLUMN["block"]),
        Heading(words.COLUMN["mean"], unit, "n"), Heading(words.COLUMN["bias"], unit, "n"), Heading(words.COLUMN["tolerance"], unit, "n"),
        Heading(words.COLUMN["result"], kind="t"), Heading(words.COLUMN["rejects"]), Heading(_C["certificate"]),
    ]  # fmt: skip
    written = [
        (
            clock.second(row["at"]), say.PART[row["part"]], isolated(row["block"]), fixed(row["mean"], decimals),
            fixed(row["bias"], decimals, sign=True), fixed(row["tolerance"], decimals), passed(row["passes"]),
            toned("out", row["rejects"]) if row["rejects"] else "",
            join(
                [
                    None if row["certificate"] is None else shorten(row["certificate"], 40),
                    toned("overdue", say.FRAGMENT["overdue"].format(day=clock.day(row["certificate_due_on"])))
                    if row["certificate_overdue"]
                    else None,
                ],
                " ",
            ),
        )
        for row in rows
    ]  # fmt: skip
    marked = [row["passes"] is False or bool(row["rejects"]) for row in rows]
    return table(number, "checks", say.TABLE["checks"], columns, written, marked=marked)
