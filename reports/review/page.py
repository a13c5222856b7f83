"""The monthly metrology review: a first sheet for signature, and an annex in the order of its agenda."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.kit.address import address
from reports.kit.markup import Html, element, isolated, join, shorten
from reports.kit.numbers import Clock, compact, decimals_for, fixed, percent, significant
from reports.kit.page import Masthead, behind, document, link, passed, section, unit_in_words
from reports.kit.report import Report
from reports.kit.states import toned
from reports.kit.tables import Heading, Numbered, caption, table
from reports.review.front import STYLE, actions_list, bias_in_words, first_open, front, named, on_block
from reports.sections.alike import alike, rules_counted, span
from reports.sections.comparisons import comparison_table
from reports.sections.decided import decided
from reports.words import general as words
from reports.words.review import COLUMN, SECTION, TABLE, TEXT
from schemas.review import ReviewPage, ReviewResult

if TYPE_CHECKING:
    from collections.abc import Sequence

    from schemas.page import Decision

__all__ = ["REPORT", "render"]


def render(page: ReviewPage) -> str:
    """Render the review of a month.

    Parameters
    ----------
    page
        The month.

    Returns
    -------
    str
        A self-contained HTML document.
    """
    result, clock, numbered = page.result, Clock(page.provenance.zone), Numbered()
    here = address("review", result.month)
    body = front(result, numbered, clock, here)
    body.append(element("h2", SECTION["annex"], class_="annex", id="annex"))
    first = first_open(result.actions)
    if rest := result.actions[first:]:
        body.append(_section("open", len(rest), actions_list(rest, here, first + 1)))
    still = sum(event.state == "open" for event in result.events)
    unclosed = sum(signal.closed_on is None for signal in result.signals)
    body += [
        _section("meters", len(result.meters), _meters(result, numbered, here)),
        _section("events", _with_open(len(result.events), still), _events(result, numbered, clock, here)),
        _section("signals", _with_open(len(result.signals), unclosed), _signals(result, numbered, clock, here)),
        _section("not_accepted", len(result.not_accepted), _not_accepted(result, numbered, clock, here)),
        _section("bias", len(result.blocks), _bias(result, numbered, clock, here)),
        _section("budgets", len(result.budgets), _budgets(result, numbered)),
        _section("agreement", len(result.agreement), *_agreement(result, numbered, here)),
        _section("studies", len(result.studies), _studies(result, here)),
        _section("intake", result.files.files, element("p", _intake(result))),
        _section("chain", sum(result.chain.recorded.values()), element("p", _recorded(result))),
    ]
    head = Masthead(
        kind=TEXT["kind"],
        name=result.month,
        heading=TEXT["heading"].format(month=result.month),
        what=TEXT["what"].format(
            readings=words.counted(result.readings, "reading"),
            lots=words.counted(sum(result.lots.values()), "lot"),
            meters=words.counted(sum(m.readings > 0 for m in result.meters), "meter"),
        ),
        title=TEXT["heading"].format(month=result.month),
    )
    return document(head, here, page.provenance, numbered, body, style=STYLE)


REPORT = Report(name="review", page=ReviewPage, render=render)


def _section(name: str, told: object, *content: object) -> Html:
    """Return a part of the annex: closed on a screen, with what it holds in a word; open on paper."""
    part = section(name, *content, heading=SECTION[name], wide=True)
    return behind(part, TEXT["nothing"] if told == 0 else str(told), "annexed")


def _with_open(count: int, still: int) -> str | int:
    return TEXT["of_them_open"].format(what=count, open=still) if count else 0


def _none(name: str) -> Html:
    return element("p", TEXT[name])


def _meters(result: ReviewResult, numbered: Numbered, here: str) -> Html:
    columns = [
        Heading(COLUMN["meter"]), Heading(COLUMN["state"], kind="t"), Heading(COLUMN["readings"], kind="n"),
        Heading(COLUMN["lots"], kind="n"), Heading(COLUMN["checks"], kind="n"), Heading(COLUMN["runs"], kind="n"),
        Heading(COLUMN["failed"], kind="n"), Heading(COLUMN["missed"]), Heading(COLUMN["rules"]), Heading(COLUMN["settings"], kind="n"),
    ]  # fmt: skip
    rows = [
        (
            named(here, "meter", m.meter), toned(m.state, words.STATE.get(m.state, m.state)), m.readings, m.lots, m.checks, m.runs,
            m.failed_runs, words.listed([shorten(lot, 30) for lot in m.missed]),
            ", ".join(f"{rule} × {n}" for rule, n in m.signals.items()), m.settings,
        )
        for m in result.meters
    ]  # fmt: skip
    marked = [m.state == "suspended" or bool(m.missed) or m.failed_runs > 0 for m in result.meters]
    return table(numbered.table(), "meters", TABLE["meters"], columns, rows, marked=marked)


def _bias(result: ReviewResult, numbered: Numbered, clock: Clock, here: str) -> Html:
    if not result.blocks:
        return _none("none")
    unit = unit_in_words(result.unit)
    columns = [
        Heading(COLUMN["meter"]), Heading(COLUMN["block"]), Heading(COLUMN["checks"], kind="n"), Heading(COLUMN["failed"], kind="n"),
        Heading(COLUMN["bias"], unit, "t"), Heading(COLUMN["s"], unit, "n"), Heading(COLUMN["tolerance"], unit, "n"),
        Heading(COLUMN["slope"], unit), Heading(COLUMN["leaves"]),
    ]  # fmt: skip
    rows = []
    for block in result.blocks:
        slope = ""
        if block.interval is not None and block.slope_per_30_days is not None:
            digits = decimals_for((block.interval[1] - block.interval[0]) / 2, block.slope_per_30_days)
            low, high = (fixed(end, digits, sign=True) for end in block.interval)
            slope = TEXT["slope"].format(slope=fixed(block.slope_per_30_days, digits, sign=True), low=low, high=high)
        rows.append(
            (
                named(here, "meter", block.meter), on_block(block, result.blocks), block.checks, block.failed, bias_in_words(block),
                significant(block.standard_deviation, 2), f"±{compact(block.tolerance, 6)}" if block.tolerance is not None else "",
                slope, clock.day(block.leaves_tolerance_on) or shorten(block.no_forecast_reason or "", 120),
            )
        )  # fmt: skip
    marked = [block.failed > 0 or block.leaves_tolerance_on is not None for block in result.blocks]
    said = caption(TABLE["blocks"], TEXT["blocks_note"])
    return table(numbered.table(), "blocks", said, columns, rows, marked=marked, row_heads=2)


def _how(decisions: Sequence[Decision], clock: Clock) -> object:
    if not decisions:
        return toned("hold", TEXT["unclosed"])
    return decided(decisions, clock)


def _signals(result: ReviewResult, numbered: Numbered, clock: Clock, here: str) -> Html:
    """Return the signals, those that stand alike in one row; the pages of the meters have each one."""
    if not result.signals:
        return _none("no_signal")
    groups = alike(result.signals, lambda signal: (signal.meter, signal.block, signal.passes, signal.decisions))
    columns = [
        Heading(COLUMN["meter"]), Heading(COLUMN["block"]), Heading(COLUMN["signals"], kind="n"), Heading(COLUMN["period"], kind="t"),
        Heading(COLUMN["rule"]), Heading(COLUMN["z_range"]), Heading(COLUMN["tolerance"]), Heading(COLUMN["closed"]),
    ]  # fmt: skip
    rows = []
    for group in groups:
        first, z = group[0], [signal.value_z for signal in group if signal.value_z is not None]
        rows.append(
            (
                named(here, "meter", first.meter), isolated(first.block), len(group), span(clock.day(first.at), clock.day(group[-1].at)),
                rules_counted(rule for signal in group for rule in signal.rules),
                span(fixed(min(z), 2, sign=True), fixed(max(z), 2, sign=True)) if z else "",
                passed(first.passes), _how(first.decisions, clock),
            )
        )  # fmt: skip
    marked = [group[0].closed_on is None for group in groups]
    return table(numbered.table(), "signals", TABLE["signals"], columns, rows, marked=marked, row_heads=2)


def _events(result: ReviewResult, numbered: Numbered, clock: Clock, here: str) -> Html:
    if not result.events:
        return _none("no_event")
    columns = [
        Heading(COLUMN["event"]), Heading(COLUMN["event_state"], kind="t"), Heading(COLUMN["since"], clock.zone, "t"),
        Heading(COLUMN["meter"]), Heading(COLUMN["sentence"]), Heading(COLUMN["undecided"]), Heading(COLUMN["closed"]),
    ]  # fmt: skip
    rows = [
        (
            named(here, "event", e.name, e.title), toned("hold", TEXT["unclosed"]) if e.state == "open" else TEXT["closed_state"],
            clock.minute(e.fired_at), named(here, "meter", e.meter), shorten(e.sentence, 200),
            words.listed([shorten(lot, 30) for lot in e.undecided]) or (TEXT["covered"] if e.lots and e.state == "open" else ""),
            _how(e.decisions, clock) if e.decisions else "",
        )
        for e in result.events
    ]  # fmt: skip
    said = caption(TABLE["events"], TEXT["event_note"])
    return table(numbered.table(), "events", said, columns, rows, marked=[e.state == "open" for e in result.events])


def _not_accepted(result: ReviewResult, numbered: Numbered, clock: Clock, here: str) -> Html:
    if not result.not_accepted:
        return _none("all_accepted")
    columns = [
        Heading(COLUMN["lot"]), Heading(COLUMN["verdict"], kind="t"), Heading(COLUMN["support"], kind="t"),
        Heading(COLUMN["reason"]), Heading(COLUMN["closed"]),
    ]  # fmt: skip
    rows = [
        (
            named(here, "lot", lot.lot), toned(lot.verdict, words.VERDICT[lot.verdict]),
            toned(lot.support, words.SUPPORT[lot.support]), shorten(lot.reason, 200),
            "" if lot.verdict == "not_assessed" and not lot.decisions else _how(lot.decisions, clock),
        )
        for lot in result.not_accepted
    ]  # fmt: skip
    marked = [lot.verdict != "not_assessed" and not lot.decisions for lot in result.not_accepted]
    return table(numbered.table(), "not-accepted", TABLE["not_accepted"], columns, rows, marked=marked)


def _budgets(result: ReviewResult, numbered: Numbered) -> Html:
    if not result.budgets:
        return _none("no_budget")
    unit = unit_in_words(result.unit)
    columns = [
        Heading(COLUMN["meter"]), Heading(COLUMN["material"]), Heading(COLUMN["lots"], kind="n"), Heading(COLUMN["lowest"], unit, "n"),
        Heading(COLUMN["median"], unit, "n"), Heading(COLUMN["highest"], unit, "n"), Heading(COLUMN["largest"]),
    ]  # fmt: skip
    rows = [
        (
            isolated(b.meter), isolated(b.material), b.lots, significant(b.lowest, 2), significant(b.median, 2),
            significant(b.highest, 2), TEXT["largest"].format(name=b.largest, share=percent(b.share_of_variance)),
        )
        for b in result.budgets
    ]  # fmt: skip
    said = caption(TABLE["budgets"], TEXT["budget_note"])
    return table(numbered.table(), "budgets", said, columns, rows, row_heads=2)


def _agreement(result: ReviewResult, numbered: Numbered, here: str) -> list[Html]:
    if not result.agreement:
        return [_none("no_agreement")]
    unit = unit_in_words(result.unit)
    columns = [
        Heading(COLUMN["block"]), Heading(COLUMN["meter"]), Heading(COLUMN["other"]), Heading(COLUMN["checks"], kind="n"),
        Heading(COLUMN["difference"], unit, "n"), Heading(COLUMN["interval"], unit), Heading(COLUMN["en"]),
    ]  # fmt: skip
    rows = []
    for a in result.agreement:
        half = None if a.interval is None else (a.interval[1] - a.interval[0]) / 2
        decimals = decimals_for(half, a.difference)
        ends = None if a.interval is None else tuple(fixed(end, decimals, sign=True) for end in a.interval)
        rows.append(
            (
                named(here, "block", a.block), named(here, "meter", a.meter), named(here, "meter", a.other),
                f"{a.checks}, {a.other_checks}", fixed(a.difference, decimals, sign=True),
                "" if ends is None else words.FRAGMENT["span"].format(low=ends[0], high=ends[1]),
                fixed(a.e_n, 2, sign=True) or shorten(a.reason or "", 120),
            )
        )  # fmt: skip
    marked = [a.e_n is not None and abs(a.e_n) > 1 for a in result.agreement]
    said = caption(TABLE["agreement"], TEXT["agreement_note"])
    pairs = table(numbered.table(), "agreement", said, columns, rows, marked=marked, row_heads=3)
    return [pairs, comparison_table(result.comparisons, here, numbered.table(), unit=unit)]


def _studies(result: ReviewResult, here: str) -> Html:
    if not result.studies:
        return _none("no_study")
    return element(
        "ul",
        join(
            element(
                "li",
                link(here, address(s.kind, s.identifier), s.title),
                f" · {shorten(s.sentence, 200)}" if s.sentence else None,
            )
            for s in result.studies
        ),
    )


def _intake(result: ReviewResult) -> str:
    files = result.files
    return TEXT["files"].format(
        files=files.files, lines=files.lines, readings=files.readings, duplicates=files.duplicates,
        quarantined=files.quarantined, held=files.held_now, waiting=files.quarantined_now,
    )  # fmt: skip


def _recorded(result: ReviewResult) -> str:
    what = ", ".join(f"{shorten(kind, 40)} × {n}" for kind, n in result.chain.recorded.items())
    return TEXT["recorded"].format(what=what) if what else TEXT["nothing_recorded"]
