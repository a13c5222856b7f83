"""The monthly metrology review, in the order of its agenda: what is open first, the head of the chain last."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scipy.special import stdtrit

from reports.kit.address import address
from reports.kit.charts import Plot, figure, svg
from reports.kit.markup import Html, element, isolated, join, shorten
from reports.kit.methods import rules_explained
from reports.kit.numbers import MINUS, Clock, compact, decimals_for, finite, fixed, percent, significant
from reports.kit.page import Masthead, document, link, section, stamped, toned, unit_in_words
from reports.kit.report import Report
from reports.kit.tables import Heading, Numbered, caption, table
from reports.sections.comparisons import comparison_table
from reports.words import general as words
from reports.words.review import COLUMN, FIGURE, SECTION, TABLE, TEXT
from schemas.review import ReviewPage, ReviewResult

if TYPE_CHECKING:
    from collections.abc import Sequence

    from schemas.page import Decision
    from schemas.review import ReviewAction, ReviewBlock

__all__ = ["REPORT", "render"]

_KINDS_WITH_PAGE = ("meter", "lot", "event", "block")
_MOST = 400


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
    body = [
        _first(result, here),
        section("points", element("ul", join(element("li", point) for point in _points(result)), class_="points")),
        _section("meters", _meters(result, numbered, here), wide=True),
        _section("bias", *_bias(result, numbered, clock, here), wide=True),
        _section("events", _events(result, numbered, clock, here), wide=True),
        _section("signals", _signals(result, numbered, clock, here), wide=True),
        _section("not_accepted", _not_accepted(result, numbered, clock, here), wide=True),
        _section("due", _due(result, numbered)),
        _section("budgets", _budgets(result, numbered), wide=True),
        _section("agreement", *_agreement(result, numbered, here), wide=True),
        _section("studies", _studies(result, here)),
        _section("intake", element("p", _intake(result))),
        _section("chain", *_chain(result, clock)),
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
    return document(head, here, page.provenance, numbered, body)


REPORT = Report(name="review", page=ReviewPage, render=render)


def _section(name: str, *content: object, wide: bool = False) -> Html:
    return section(name, *content, heading=SECTION[name], wide=wide)


def _none(name: str) -> Html:
    return element("p", TEXT[name])


def _named(here: str, kind: str, identifier: str, shown: str = "") -> Html:
    """Return an id, or what is shown instead, as a link where it has a page."""
    shown = shown or identifier
    return link(here, address(kind, identifier), shown) if kind in _KINDS_WITH_PAGE else isolated(shown)


def _first(result: ReviewResult, here: str) -> Html:
    """Return the panel that says what is open and what to do."""
    count = len(result.actions)
    word = TEXT["open"].format(n=count) if count else TEXT["nothing_open"]
    steps = [TEXT["close"]] if count else [TEXT["nothing_to_do"]]
    if result.due:
        steps.append(TEXT["settle_due"])
    steps.append(TEXT["head"])
    return stamped(
        "hold" if count else "accept",
        word,
        element("p", TEXT["not_over"]) if not result.over else None,
        element("h2", SECTION["open"]),
        element("ol", join(element("li", *_action(action, here)) for action in result.actions)) if count else None,
        element("h2", words.SECTION["next"]),
        element("ul", join(element("li", step) for step in steps)),
    )


def _action(action: ReviewAction, here: str) -> tuple[object, ...]:
    said = shorten(action.sentence, 400)
    if action.kind not in _KINDS_WITH_PAGE:
        return (said,)
    return (said, " ", _named(here, action.kind, action.identifier, action.shown))


def _points(result: ReviewResult) -> list[str]:
    still = sum(event.state == "open" for event in result.events)
    points = [
        TEXT["lots"].format(**result.lots),
        TEXT["checks"].format(
            checks=words.counted(sum(m.checks for m in result.meters), "check"),
            runs=words.counted(sum(m.runs for m in result.meters), "run"),
            failed=sum(m.failed_runs for m in result.meters), events=words.counted(len(result.events), "event"), open=still,
        ),
    ]  # fmt: skip
    missed = {lot for meter in result.meters for lot in meter.missed}
    if missed:
        points.append(TEXT["missed"].format(lots=words.counted(len(missed), "lot")))
    drifting = [f"{b.meter} on {b.block}" for b in result.blocks if b.leaves_tolerance_on is not None]
    names = words.listed([shorten(name, 60) for name in drifting])
    points.append(TEXT["drifting"].format(names=names) if drifting else TEXT["no_drift"])
    if result.due:
        overdue = sum(one.overdue for one in result.due)
        points.append(TEXT["due"].format(n=len(result.due), overdue=overdue))
    return points


def _meters(result: ReviewResult, numbered: Numbered, here: str) -> Html:
    columns = [
        Heading(COLUMN["meter"]), Heading(COLUMN["state"], kind="t"), Heading(COLUMN["readings"], kind="n"),
        Heading(COLUMN["lots"], kind="n"), Heading(COLUMN["checks"], kind="n"), Heading(COLUMN["runs"], kind="n"),
        Heading(COLUMN["failed"], kind="n"), Heading(COLUMN["missed"]), Heading(COLUMN["rules"]), Heading(COLUMN["settings"], kind="n"),
    ]  # fmt: skip
    rows = [
        (
            _named(here, "meter", m.meter), toned(m.state, words.STATE.get(m.state, m.state)), m.readings, m.lots, m.checks, m.runs,
            m.failed_runs, words.listed([shorten(lot, 30) for lot in m.missed]),
            ", ".join(f"{rule} × {n}" for rule, n in m.signals.items()), m.settings,
        )
        for m in result.meters
    ]  # fmt: skip
    marked = [m.state == "suspended" or bool(m.missed) or m.failed_runs > 0 for m in result.meters]
    return table(numbered.table(), "meters", TABLE["meters"], columns, rows, marked=marked)


def _bias(result: ReviewResult, numbered: Numbered, clock: Clock, here: str) -> list[Html]:
    if not result.blocks:
        return [_none("none")]
    unit = unit_in_words(result.unit)
    columns = [
        Heading("", kind="n"), Heading(COLUMN["meter"]), Heading(COLUMN["block"]), Heading(COLUMN["checks"], kind="n"),
        Heading(COLUMN["failed"], kind="n"), Heading(COLUMN["bias"], unit, "n"), Heading(COLUMN["s"], unit, "n"),
        Heading(COLUMN["tolerance"], unit, "n"), Heading(COLUMN["slope"], unit), Heading(COLUMN["leaves"]),
    ]  # fmt: skip
    rows = []
    for place, block in enumerate(result.blocks, start=1):
        decimals = decimals_for(block.standard_deviation, block.tolerance)
        slope = ""
        if block.interval is not None and block.slope_per_30_days is not None:
            digits = decimals_for((block.interval[1] - block.interval[0]) / 2, block.slope_per_30_days)
            low, high = (fixed(end, digits, sign=True) for end in block.interval)
            slope = TEXT["slope"].format(slope=fixed(block.slope_per_30_days, digits, sign=True), low=low, high=high)
        rows.append(
            (
                place, _named(here, "meter", block.meter), isolated(block.block), block.checks, block.failed,
                fixed(block.bias, decimals, sign=True), significant(block.standard_deviation, 2),
                f"±{compact(block.tolerance, 6)}" if block.tolerance is not None else "", slope,
                clock.day(block.leaves_tolerance_on) or shorten(block.no_forecast_reason or "", 120),
            )
        )  # fmt: skip
    marked = [block.failed > 0 or block.leaves_tolerance_on is not None for block in result.blocks]
    drawn = []
    if plot := _bias_plot(result.blocks):
        drawn.append(
            figure(
                numbered.figure(), "bias", svg(plot, FIGURE["bias"]), FIGURE["bias"], FIGURE["bias_key"], table="blocks"
            )
        )
    said = caption(TABLE["blocks"], TEXT["blocks_note"])
    drawn.append(table(numbered.table(), "blocks", said, columns, rows, marked=marked, row_heads=3))
    return drawn


def _bias_plot(blocks: Sequence[ReviewBlock]) -> Plot | None:
    """Draw the mean bias of each meter on each block against its tolerance."""
    drawn = []
    for place, block in enumerate(blocks, start=1):
        bias, tolerance = finite(block.bias), finite(block.tolerance)
        if bias is not None and tolerance:
            s = finite(block.standard_deviation)
            half = None if s is None else student_half(s, block.checks) / tolerance * 100
            drawn.append((place, bias / tolerance * 100, half))
    if not drawn:
        return None
    reach = max(110.0, *(abs(value) + (half or 0) * 1.05 for _, value, half in drawn))
    plot = Plot(
        (0.4, len(blocks) + 0.6), (-reach, reach), FIGURE["place"], FIGURE["axis"], x_axis=False, height=200
    )  # fmt: skip
    for level, label in ((100.0, f"+ {FIGURE['tolerance']}"), (-100.0, f"{MINUS} {FIGURE['tolerance']}")):
        plot.across(level, "tolerance", label, dash="dashdot", width=1.4)
    plot.segment(*plot.x_domain, 0, 0, "inner")
    for place, value, half in drawn:
        if half is not None:
            plot.segment(place, place, value - half, value + half, "point", width=2)
        beyond = abs(value) > 100
        plot.point(place, value, "diamond" if beyond else "circle", "flag" if beyond else "point", filled=beyond)
    plot.names_below += [(place, str(place)) for place in range(1, len(blocks) + 1)]
    return plot


def student_half(s: float, n: int) -> float:
    """Return half the width of the 95 % interval of a mean.

    Parameters
    ----------
    s
        Standard deviation.
    n
        Count, at least 2.

    Returns
    -------
    float
        t(0.975, n - 1)·s/√n.
    """
    half: float = stdtrit(n - 1, 0.975) * s / n**0.5
    return half


def _how(decisions: Sequence[Decision], clock: Clock) -> object:
    if not decisions:
        return toned("hold", TEXT["unclosed"])
    return "; ".join(
        TEXT["closed"].format(
            day=clock.day(d.at), decision=shorten(d.decision, 60), by=shorten(d.by, 40), why=shorten(d.why, 200)
        )
        for d in decisions
    )


def _signals(result: ReviewResult, numbered: Numbered, clock: Clock, here: str) -> Html:
    if not result.signals:
        return _none("no_signal")
    unit = unit_in_words(result.unit)
    columns = [
        Heading(COLUMN["at"], clock.zone, "t"), Heading(COLUMN["meter"]), Heading(COLUMN["block"]), Heading(COLUMN["rule"]),
        Heading(COLUMN["z"], kind="n"), Heading(COLUMN["bias"], unit, "n"), Heading(COLUMN["tolerance"]), Heading(COLUMN["closed"]),
    ]  # fmt: skip
    rows = [
        (
            clock.minute(s.at), _named(here, "meter", s.meter), isolated(s.block), rules_explained(s.rules), fixed(s.value_z, 2, sign=True),
            significant(s.bias, 3), toned("failed", words.PASSES[False]) if s.passes is False else words.PASSES[s.passes],
            _how(s.decisions, clock),
        )
        for s in result.signals[:_MOST]
    ]  # fmt: skip
    marked = [s.closed_on is None for s in result.signals[:_MOST]]
    note = words.FIGURE["thinned"].format(shown=_MOST, total=len(result.signals), what=words.PLURAL["signal"])
    said = caption(TABLE["signals"], note if len(result.signals) > _MOST else "")
    return table(numbered.table(), "signals", said, columns, rows, marked=marked, row_heads=3)


def _events(result: ReviewResult, numbered: Numbered, clock: Clock, here: str) -> Html:
    if not result.events:
        return _none("no_event")
    columns = [
        Heading(COLUMN["event"]), Heading(COLUMN["event_state"], kind="t"), Heading(COLUMN["since"], clock.zone, "t"),
        Heading(COLUMN["meter"]), Heading(COLUMN["sentence"]), Heading(COLUMN["undecided"]), Heading(COLUMN["closed"]),
    ]  # fmt: skip
    rows = [
        (
            _named(here, "event", e.name, e.title), toned("hold", TEXT["unclosed"]) if e.state == "open" else TEXT["closed_state"],
            clock.minute(e.fired_at), _named(here, "meter", e.meter), shorten(e.sentence, 200),
            words.listed([shorten(lot, 30) for lot in e.undecided]), _how(e.decisions, clock) if e.decisions else "",
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
            _named(here, "lot", lot.lot), toned(lot.verdict, words.VERDICT[lot.verdict]),
            toned(lot.support, words.SUPPORT[lot.support]), shorten(lot.reason, 200),
            "" if lot.verdict == "not_assessed" and not lot.decisions else _how(lot.decisions, clock),
        )
        for lot in result.not_accepted
    ]  # fmt: skip
    marked = [lot.verdict != "not_assessed" and not lot.decisions for lot in result.not_accepted]
    return table(numbered.table(), "not-accepted", TABLE["not_accepted"], columns, rows, marked=marked)


def _due(result: ReviewResult, numbered: Numbered) -> Html:
    if not result.due:
        return _none("no_due")
    columns = [
        Heading(COLUMN["due"], kind="t"), Heading(COLUMN["what"]), Heading(COLUMN["name"]), Heading(COLUMN["certificate"]),
        Heading(COLUMN["state"], kind="t"),
    ]  # fmt: skip
    rows = [
        (
            one.due_on.isoformat(), TEXT[f"due_kind_{one.kind}"], isolated(one.identifier),
            None if one.certificate is None else isolated(one.certificate),
            toned("overdue", TEXT["overdue"]) if one.overdue else TEXT["due_state"],
        )
        for one in result.due
    ]  # fmt: skip
    return table(numbered.table(), "due", TABLE["due"], columns, rows, marked=[one.overdue for one in result.due])


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
                _named(here, "block", a.block), _named(here, "meter", a.meter), _named(here, "meter", a.other),
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


def _chain(result: ReviewResult, clock: Clock) -> list[Html]:
    chain = result.chain
    if not chain.sequence:
        return [_none("no_chain")]
    what = ", ".join(f"{shorten(kind, 40)} × {n}" for kind, n in chain.recorded.items())
    said = TEXT["recorded"].format(what=what) if what else TEXT["nothing_recorded"]
    head = TEXT["chain"].format(sequence=chain.sequence, at=clock.second(chain.at), zone=clock.zone)
    return [element("p", said), element("p", head, ": ", element("code", chain.head))]
