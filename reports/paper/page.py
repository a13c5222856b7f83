"""A test report, or a statement of nonconformity: one sheet, from what the event of its issue states and nothing else."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from reports.kit.charts import Plot, drawing
from reports.kit.geometry import domain
from reports.kit.markup import Html, element, isolated, join, visible
from reports.kit.numbers import Clock, as_written, compact, finite, fixed, typeset
from reports.kit.page import unit_in_words
from reports.kit.report import Report
from reports.kit.shell import whole
from reports.kit.states import shapes, toned
from reports.kit.style import STYLE, running_foot
from reports.kit.tables import Heading, Numbered, facts, table
from reports.words import general as common
from reports.words import paper as words
from reports.words.uncertainty import CONFORMITY
from schemas.papers import SHORT, PaperPage

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from schemas.papers import ReportedLot, ReportedReadings, ReportOnLots

__all__ = ["REPORT", "cut", "render"]

MOST_ROWS = 5
"""Rows of readings, and of blocks, that stand on the sheet."""

_UNBROKEN = 12
"""Ids no longer than this stay on one line; longer ones may break, so that the table fits the sheet."""

_DECIDED = 140
"""Characters of the last decision on a lot: one that was signed begins with who signed it, as what and when."""

_SAID = 540
"""Characters of reasons that stand on the sheet, over all lots."""

_SHEET = (
    ".sheet{max-width:60rem}bdi{white-space:normal}.sheet .t bdi{white-space:nowrap}.sheet tbody th,.sheet td{overflow-wrap:anywhere}.paper-head{display:flex;justify-content:space-between;gap:2rem;align-items:flex-start;"
    "border-bottom:3px double var(--rule);padding-bottom:.5rem}"
    ".paper-head h1{font-size:1.7rem;margin:0;line-height:1.15}.paper-head p{margin:0}.paper-head .works{font-size:1.15rem;font-weight:600}"
    ".paper-head>div:last-child{text-align:right;max-width:60%}"
    ".two{display:grid;grid-template-columns:1fr 1fr;gap:0 2rem}.two .facts{grid-template-columns:7rem minmax(0,1fr);align-content:start;gap:.1rem .8rem}"
    ".scroll{margin:.5rem 0}table{width:100%;min-width:0}caption{max-width:none}.chart{max-width:none}.key,.small{font-size:.85rem;color:var(--soft)}"
    ".small p,.small li{margin:.15rem 0}.result{margin:.6rem 0}.result li{margin:.15rem 0}"
    ".sign{display:grid;grid-template-columns:1fr 1fr 1fr;gap:2rem;margin-top:2.6rem}.sign p{border-top:1px solid var(--ink);margin:0;padding-top:.2rem;font-size:.85rem}"
    "@media (max-width:40rem){.two,.sign{grid-template-columns:1fr}.paper-head{display:block}.paper-head>div:last-child{text-align:left;max-width:none}}"
    "@media print{html{font-size:9pt}body{line-height:1.24}.scroll{margin:.3rem 0}.facts{margin:.2rem 0}.small p{margin:.05rem 0}.sheet{max-width:none;padding:0}.paper-head h1{font-size:1.6rem}th,td{padding:.12rem .5rem .12rem 0}"
    "table,.broad{font-size:.92rem;line-height:1.24;min-width:0}.key,.small,.sign p{font-size:.9rem}.sign{margin-top:1.9rem}.caution{padding:.2rem .8rem}}"
)


def grouped(sha256: str) -> str:
    """Return the short hash as it is printed: in fours, so that it can be typed."""
    return " ".join(sha256[start : start + 4] for start in range(0, SHORT, 4))


def cut(name: str, length: int) -> str:
    """Return a name that fits; what is cut off leaves a mark that differs between different names."""
    if len(name) <= length:
        return name
    mark = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:4]
    return f"{name[: length - 6]}…#{mark}"


def _named(name: str, length: int) -> Html:
    shown = isolated(cut(name, length))
    return element("span", shown, class_="t") if len(name) <= _UNBROKEN else shown


def _lots(lots: Iterable[ReportedLot]) -> str:
    return common.listed([cut(lot.lot, 24) for lot in lots])


def render(page: PaperPage) -> str:
    """Render a report on lots as one sheet.

    Parameters
    ----------
    page
        What it states, and the hash of that.

    Returns
    -------
    str
        A self-contained HTML document.
    """
    report, clock, numbered = page.report, Clock(page.report.zone), Numbered()
    title, short = words.TITLE[report.kind], grouped(page.sha256)
    body = [
        _head(report, title, clock),
        element("div", facts(_for_whom(report)), facts(_rule(report)), class_="two"),
        _results(report, numbered),
        _chart(report),
        _said(report),
        _read(report, numbered, clock),
        _blocks(report, numbered, clock),
        element("div", *(element("p", note) for note in _notes(report, clock)), class_="small"),
        element("div", *(element("p", caution) for caution in words.CAUTION.values()), class_="caution small"),
        element(
            "div", element("p", words.SIGN["name"].format(by=cut(report.by, 40))), element("p", words.SIGN["place"]),
            element("p", words.SIGN["signature"]), class_="sign",
        ),
        element(
            "div",
            element("p", words.FOOT["hash"].format(hash=short, typed=page.sha256[:SHORT])),
            element("p", words.FOOT["made"].format(at=f"{clock.minute(report.as_of)} {report.zone}", version=report.program)),
            class_="small",
        ),
    ]  # fmt: skip
    foot = visible(words.FOOT["running"].format(title=title, number=report.number, hash=short))
    styles = (STYLE, _SHEET, running_foot(foot, common.FRAGMENT["page"], common.FRAGMENT["of"]))
    sheet = element("main", *body, class_="sheet", id="main")
    return whole(f"{title} {report.number}", styles, shapes(sheet), sheet)


REPORT = Report(name="paper", page=PaperPage, render=render)


def _head(report: ReportOnLots, title: str, clock: Clock) -> Html:
    where = ", ".join(part for part in (report.address, report.country) if part)
    named = element("div", element("p", cut(report.works, 60), class_="works"), element("p", cut(where, 100)))
    lots = words.TITLE["on"].format(lots=common.counted(len(report.lots), "lot"))
    dated = f"{words.FACT['number']} {report.number} · {words.FACT['issued']} {clock.day(report.issued_at)}"
    return element(
        "header",
        named,
        element("div", element("h1", title), element("p", lots), element("p", dated)),
        class_="paper-head",
    )


def _for_whom(report: ReportOnLots) -> list[tuple[str, object]]:
    orders = list(dict.fromkeys(lot.purchase_order for lot in report.lots if lot.purchase_order))
    source = report.source
    specification = (
        cut(report.specification, 40)
        if source is None
        else words.FACT["from"].format(name=cut(report.specification, 40), source=cut(source, 60))
    )
    return [
        (words.FACT["customer"], _named(report.customer or words.FACT["unnamed"], 50)),
        (words.FACT["order"], common.listed([cut(order, 30) for order in orders], 3) or words.FACT["unnamed"]),
        (words.FACT["specification"], specification),
        (words.FACT["plan"], _plan(report)),
    ]


def _plan(report: ReportOnLots) -> str | None:
    if not any(report.plan):
        return None
    parts, spots, repeats = (words.FACT["any"] if n is None else str(n) for n in report.plan)
    return words.FACT["plan_text"].format(parts=parts, spots=spots, repeats=repeats)


def _rule(report: ReportOnLots) -> list[tuple[str, object]]:
    unit, fragment = unit_in_words(report.limits_unit), common.FRAGMENT
    lower, upper = as_written(report.lower), as_written(report.upper)
    key = "between" if lower and upper else "at_least" if lower else "at_most"
    return [
        (words.FACT["limits"], fragment[key].format(lower=lower, upper=upper, unit=unit)),
        (words.FACT["judged_by"], common.CONFORMS_BY.get(report.conforms_by, report.conforms_by)),
        (words.FACT["rule"], common.DECISION_RULE.get(report.decision_rule, report.decision_rule)),
        (words.FACT["rounding"], common.rounding(report.rounding)),
    ]


def _result(lot: ReportedLot, report: ReportOnLots) -> tuple[str, str]:
    """Return the state that a lot's result is shown in, and its word."""
    if lot.verdict == "accept" and report.kind == "nonconformity":
        return "reject", words.RESULT["rejected"]
    return ("conditional" if lot.said else lot.verdict) if lot.verdict == "accept" else lot.verdict, words.RESULT[
        lot.verdict
    ]


def _results(report: ReportOnLots, numbered: Numbered) -> Html:
    rows = []
    limits_unit = unit_in_words(report.limits_unit)
    for lot in report.lots:
        u = "" if lot.expanded_uncertainty is None else f" ± {fixed(lot.expanded_uncertainty, lot.decimals)}"
        mean = f"{fixed(lot.mean, lot.decimals)}{u} {unit_in_words(lot.unit)}"
        span = [fixed(lot.lowest, lot.limits_decimals)]
        if lot.highest != lot.lowest:
            span.append(fixed(lot.highest, lot.limits_decimals))
        of_one = (
            ""
            if lot.compared_expanded_uncertainty is None
            else f"{fixed(lot.compared_expanded_uncertainty, lot.limits_decimals)} ({compact(lot.compared_coverage_factor)})"
        )
        what = join(
            [_named(name, n) for name, n in ((lot.product, 22), (lot.material, 16), (lot.heat, 14)) if name], ", "
        )
        rows.append(
            (
                _named(lot.lot, 40), what, mean, compact(lot.coverage_factor),
                common.FRAGMENT["span"].format(low=span[0], high=span[1]) if len(span) > 1 else span[0],
                of_one, f"{lot.parts} · {lot.spots} · {lot.readings}", toned(*_result(lot, report)),
            )
        )  # fmt: skip
    column, compared = words.COLUMN, CONFORMITY[f"what_{report.lots[0].compared}"]
    columns = [
        Heading(column["lot"]), Heading(column["what"]), Heading(column["mean"], kind="n"), Heading(column["k"], kind="n"),
        Heading(column["compared"], f"{compared}, {limits_unit}", "n"), Heading(column["u"], limits_unit, "n"), Heading(column["counts"], kind="n"),
        Heading(column["result"]),
    ]  # fmt: skip
    said = words.TABLE["results"].format(
        reference=f"{report.reference_temperature_c:g}", percent=f"{report.confidence * 100:g} %"
    )
    return table(numbered.table(), "results", said, columns, rows)


def _chart(report: ReportOnLots) -> Html:
    """Draw each lot as a bar against the limits: the mean with U, and what was compared."""
    lots = report.lots
    limits = [(name, limit) for name, limit in (("lower", report.lower), ("upper", report.upper)) if limit is not None]
    ends = [limit for _, limit in limits]
    for lot in lots:
        ends += [lot.lowest, lot.highest]
        if lot.unit == report.limits_unit:
            u = lot.expanded_uncertainty or 0.0
            ends += [lot.mean - u, lot.mean + u]
    low, high = domain(ends, margin=0.08)
    resistive = report.limits_unit not in ("MS/m", "%IACS")
    axis = words.CHART["resistivity" if resistive else "axis"].format(
        reference=f"{report.reference_temperature_c:g}", unit=unit_in_words(report.limits_unit)
    )
    plot = Plot((low, high), (0.4, len(lots) + 0.6), axis, "", y_axis=False, height=15 * len(lots) + 12)
    bottom, top = plot.y_domain
    band = max((finite(lot.guard_band) or 0.0 for lot in lots), default=0.0)
    for name, limit in limits:
        if band:
            plot.rect(max(limit - band, low), min(limit + band, high), bottom, top, "grid")
        plot.segment(limit, limit, bottom, top, "limit", dash="long", width=1.6)
        plot.names.append((limit, top, words.CHART[name].format(value=as_written(limit)), "limit"))
    for place, lot in enumerate(reversed(lots), start=1):
        rejected = lot.verdict == "reject"
        tone = "flag" if rejected else "point"
        plot.segment(lot.lowest, lot.highest, place, place, tone, width=1.0)
        for end in (lot.lowest, lot.highest):
            plot.segment(end, end, place - 0.12, place + 0.12, tone, width=1.0)
        if lot.unit == report.limits_unit:
            u = lot.expanded_uncertainty or 0.0
            plot.segment(lot.mean - u, lot.mean + u, place, place, tone, width=3.4)
            plot.point(lot.mean, place, "out" if rejected else "own")
        plot.names_right.append((place, visible(cut(lot.lot, 14)), tone))
    zone = words.CHART["zone"] if band else ""
    key = "key" if any(lot.unit == report.limits_unit for lot in lots) else "key_compared"
    drawn = drawing(plot, words.CHART["title"])
    return element(
        "div", element("div", drawn, class_="chart"), element("p", words.CHART[key].format(zone=zone), class_="key")
    )


def _said(report: ReportOnLots) -> Html | None:
    """Return why a lot is not accepted, or what comes first, and what people decided."""
    lines, room = [], _SAID // len(report.lots)
    for lot in report.lots:
        if lot.said:
            sentences = cut(" ".join(lot.said), room)
            lines.append(words.RESULT["said"].format(lot=cut(lot.lot, 24), sentences=sentences))
        if lot.decided:
            lines.append(words.RESULT["decided"].format(lot=cut(lot.lot, 24), decisions=cut(lot.decided[-1], _DECIDED)))
    return element("ul", *(element("li", line) for line in lines), class_="result") if lines else None


def _capped(rows: Sequence[Sequence[object]], said: str) -> tuple[Sequence[Sequence[object]], str]:
    if len(rows) <= MOST_ROWS:
        return rows, said
    return rows[:MOST_ROWS], f"{said} {words.TABLE['more'].format(n=len(rows) - MOST_ROWS)}"


def _read(report: ReportOnLots, numbered: Numbered, clock: Clock) -> Html:
    rows: list[Sequence[object]] = []
    for lot in report.lots:
        for one in lot.read:
            probe = [cut(name, 14) for name in one.probes[:2]]
            probe += [f"{f:g} kHz" for f in one.frequencies_khz[:2]]
            rows.append(
                (
                    _named(lot.lot, 16), _named(one.meter, 16), ", ".join(probe), _check(one.before_passed, clock.minute(one.before_at)),
                    _span(one, clock), _check(one.after_passed, clock.minute(one.after_at)), one.readings,
                )
            )  # fmt: skip
    rows, said = _capped(rows, words.TABLE["read"].format(zone=report.zone))  # type: ignore[assignment]
    column = words.COLUMN
    columns = [
        Heading(column["lot"]), Heading(column["meter"]), Heading(column["probe"]), Heading(column["before"], kind="t"), Heading(column["first"], kind="t"), Heading(column["after"], kind="t"), Heading(column["readings"], kind="n"),
    ]  # fmt: skip
    return table(numbered.table(), "read", said, columns, rows)


def _span(one: ReportedReadings, clock: Clock) -> str:
    """Return from when to when was read; a day is said once."""
    same = clock.day(one.first_at) == clock.day(one.last_at)
    last = clock.of_day(one.last_at) if same else clock.minute(one.last_at)
    return common.FRAGMENT["span"].format(low=clock.minute(one.first_at), high=last)


def _check(passed: bool | None, at: str) -> object:
    if not at:
        return common.FIGURE_OF["no_run"]
    word = f"{common.PASSES[passed]} {at}"
    return toned("failed", word) if passed is False else word


def _blocks(report: ReportOnLots, numbered: Numbered, clock: Clock) -> Html | None:
    rows = [
        (
            _named(block.block, 24), _named(block.certificate or words.FACT["unnamed"], 32),
            "" if block.certified_value is None else f"{as_written(block.certified_value)} {unit_in_words(block.unit or '')}",
            "" if block.expanded_uncertainty is None
            else f"{as_written(block.expanded_uncertainty)} ({compact(block.coverage_factor) or words.FACT['any']})",
            clock.day(block.certified_on), clock.day(block.due_on),
        )
        for block in report.blocks
    ]  # fmt: skip
    if not rows:
        return None
    shown, said = _capped(rows, words.TABLE["blocks"])
    column = words.COLUMN
    columns = [
        Heading(column["block"]), Heading(column["certificate"]), Heading(column["value"], kind="n"), Heading(column["u"], kind="n"),
        Heading(column["certified"], kind="t"), Heading(column["due"], kind="t"),
    ]  # fmt: skip
    return table(numbered.table(), "blocks", said, columns, shown)


def _notes(report: ReportOnLots, clock: Clock) -> list[str]:
    note, lots = words.NOTE, report.lots
    states = list(dict.fromkeys(common.TEMPERATURE_STATE.get(s, s) for lot in lots for s in lot.temperature_states))
    lows = [lot.temperature_low_c for lot in lots if lot.temperature_low_c is not None]
    highs = [lot.temperature_high_c for lot in lots if lot.temperature_high_c is not None]
    temperature = (
        note["measured"].format(low=fixed(min(lows), 1), high=fixed(max(highs), 1), states=common.listed(states))
        if lows and highs
        else note["stated"].format(states=common.listed(states))
    )
    found = [note["method"].format(temperature=temperature)]
    if models := list(dict.fromkeys(model for lot in lots for model in lot.temperature_models)):
        shown = common.listed([typeset(cut(model, 220 if len(models) == 1 else 110)) for model in models], 2)
        found[0] += " " + note["models"].format(reference=f"{report.reference_temperature_c:g}", models=shown)
    for kinds in dict.fromkeys(lot.corrections for lot in lots if lot.corrections):
        named = common.listed([words.CORRECTED.get(kind, kind) for kind in kinds])
        found.append(note["corrected"].format(kinds=named, lots=_lots(lot for lot in lots if lot.corrections == kinds)))
    if any(lot.bias_taken_off for lot in lots):
        found.append(note["bias"].format(lots=_lots(lot for lot in lots if lot.bias_taken_off)))
    if any(lot.left_out for lot in lots):
        of = [note["left_out_of"].format(n=lot.left_out, lot=cut(lot.lot, 24)) for lot in lots if lot.left_out]
        found.append(note["left_out"].format(lots=common.listed(of)))
    for day in dict.fromkeys(clock.day(lot.received_on) for lot in lots if lot.received_on is not None):
        of_day = _lots(lot for lot in lots if clock.day(lot.received_on) == day)
        found.append(note["received"].format(lots=of_day, day=day))
    if report.earlier:
        found.append(note["earlier"].format(numbers=common.listed(list(report.earlier[::-1]), 5)))
    return found
